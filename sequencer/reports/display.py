"""Lets a notebook show a plan and an evaluation. Neither knows its report, so each is given its view from here."""

from sequencer.evaluation.result import Evaluation
from sequencer.planning.plan import Plan

__all__ = ["show_in_notebooks"]


def _evaluation(shown: Evaluation) -> str:
    from sequencer.reports.notebook import evaluation_html  # noqa: PLC0415  jinja2 only where a page is made

    return evaluation_html(shown)


def _plan(shown: Plan) -> str:
    from sequencer.reports.notebook import plan_html  # noqa: PLC0415

    return plan_html(shown)


def show_in_notebooks() -> None:
    """Give both classes the method that notebooks ask for."""
    for kind, view in ((Evaluation, _evaluation), (Plan, _plan)):
        setattr(kind, "_repr_html_", view)  # noqa: B010  the classes do not have it, so that they import no report
