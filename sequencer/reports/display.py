"""Lets a notebook show what comes back. No result knows its report, so each is given its view from here."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from sequencer.diagnosis.account import Account
from sequencer.diagnosis.compared import Comparison
from sequencer.evaluation.result import Evaluation
from sequencer.planning.plan import Plan

if TYPE_CHECKING:
    from sequencer.history.envelope import Envelope

__all__ = ["show_envelopes_in_notebooks", "show_in_notebooks"]

_VIEWS: dict[type, str] = {
    Account: "account_html",
    Comparison: "comparison_html",
    Evaluation: "evaluation_html",
    Plan: "plan_html",
}


def _view(name: str) -> Callable[[Any], str]:
    def shown(result: Any) -> str:  # noqa: ANN401  one of the classes above
        from sequencer.reports import notebook  # noqa: PLC0415  jinja2 only where a page is made

        return str(getattr(notebook, name)(result))

    return shown


def _envelope(shown: "Envelope") -> str:
    from sequencer.reports.type_envelope import envelope_html  # noqa: PLC0415

    return envelope_html(shown)


def show_in_notebooks() -> None:
    """Give each class the method that notebooks ask for."""
    for kind, name in _VIEWS.items():
        setattr(kind, "_repr_html_", _view(name))  # noqa: B010  the classes do not have it, so that they import no report


def show_envelopes_in_notebooks() -> None:
    """The same for the envelope of a type, which is loaded by those alone who ask for one."""
    from sequencer.history.envelope import Envelope  # noqa: PLC0415

    setattr(Envelope, "_repr_html_", _envelope)  # noqa: B010
