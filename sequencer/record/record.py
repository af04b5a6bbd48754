"""A record as it is used from Python: its readings, what was found of them, its plots. Nothing is read here."""

from dataclasses import asdict, dataclass
from html import escape
from pathlib import Path

import pandas as pd

from instruments.errors import InputError, RecordError, nearest
from sequencer.diagnosis.account import Account
from sequencer.diagnosis.result import Content
from sequencer.evaluation.figure_list import Figure
from sequencer.evaluation.result import Evaluation
from sequencer.reports import words

__all__ = ["Plot", "Record"]

_OF_A_FIGURE = ("name", "value", "unit", "U", "u_scatter", "corrected", "low", "high", "by_noise", "at_pct", "remark")


@dataclass(frozen=True, slots=True)
class Plot:
    """A drawing that a notebook shows; `svg` is its text, or a sentence in a `<p>` where there is nothing to draw."""

    svg: str

    def _repr_html_(self) -> str:
        return self.svg


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A record as it is read back; a function that takes the folder of a record takes this as well.

    Attributes:
        folder: where it is kept.
        readings: the tidy table, one row a reading and tap.
        content: everything a report shows.

    Example:
        >>> sequencer.open("GF-104").content.serial
        'GF-104'
    """

    folder: Path
    readings: pd.DataFrame
    content: Content

    def __repr__(self) -> str:
        said = self.content
        return f"Record({str(self.folder)!r}: {said.serial or 'no serial'}, {said.type}, {said.verdict.result})"

    def __fspath__(self) -> str:
        return str(self.folder)

    @property
    def evaluation(self) -> Evaluation | None:
        """Figures and verdict; None where nothing could be evaluated."""
        return self.content.evaluation

    @property
    def figures(self) -> pd.DataFrame:
        """One row a figure, by its name; `figure` gives one, and says of a name that is none which is meant.

        Columns: value (NaN = not determinable, then `remark` says why), unit, U (expanded), u_scatter, corrected, low,
        high, by_noise, at_pct, remark, as of `Figure`. Without rows where nothing could be evaluated.
        """
        found = self.evaluation.figures if self.evaluation is not None else ()
        rows = [{name: asdict(each)[name] for name in _OF_A_FIGURE} for each in found]
        texts = {"name", "unit", "remark"}
        frame = pd.DataFrame(rows, columns=list(_OF_A_FIGURE))
        return frame.astype({name: float for name in _OF_A_FIGURE if name not in texts}).set_index("name")

    def figure(self, name: str) -> Figure:
        """One figure, by its name: `record.figure("hysteresis").value`.

        Raises:
            InputError: there is no figure of that name.
            RecordError: nothing could be evaluated.
        """
        return self._evaluated("there are no figures").figure(name)

    @property
    def diagnosis(self) -> Account | None:
        """What is the matter with the unit: where, what, what to check next; None where nothing was read."""
        return self.content.findings

    def plot(self, name: str = "error") -> Plot:
        """A plot of the report, which a notebook shows.

        Args:
            name: "error" (against input, in the tolerance band), "hysteresis" (down less up), "residual" (from the
                line by least squares) or "bars" (injected and returned, in % of range).

        Raises:
            InputError: there is no plot of that name.
            RecordError: nothing could be evaluated, so there is nothing to draw.
        """
        from sequencer.reports.notebook import PLOTS  # noqa: PLC0415  drawing only where something is drawn

        if name not in PLOTS:
            near = nearest(name, tuple(PLOTS))
            raise InputError(
                f'there is no plot "{name}"', allowed=", ".join(PLOTS), todo=f'write "{near}"' if near else ""
            )
        return Plot(PLOTS[name](self._evaluated("there is nothing to draw")))

    def _evaluated(self, otherwise: str) -> Evaluation:
        if self.evaluation is None:
            raise RecordError(f"{otherwise}: {self.content.reason}", where=str(self.folder), todo="look at .readings")
        return self.evaluation

    def _repr_html_(self) -> str:
        from sequencer.reports.notebook import evaluation_html  # noqa: PLC0415  only a notebook asks

        return evaluation_html(self.evaluation) if self.evaluation is not None else escape(words.spoken(self.content))
