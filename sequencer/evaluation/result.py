"""What follows from one table of readings of one unit, as one typed result."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from instruments.errors import InputError, nearest
from sequencer.evaluation.budget import Basis
from sequencer.evaluation.figure_list import Figure, Known
from sequencer.evaluation.figures.definitions import Standard
from sequencer.evaluation.figures.figures import Figures
from sequencer.evaluation.figures.uncertainty import Budget
from sequencer.evaluation.fitted import Fitted
from sequencer.evaluation.stage_errors import StageResult
from sequencer.evaluation.tables import visited
from sequencer.evaluation.verdict import Verdict, worst_visit
from sequencer.readings.table import Grid

__all__ = ["METHOD", "Evaluation"]


METHOD = 2
"""Of computing uncertainties; one higher with each change that moves their numbers. A record says its own.

1: readings independent, scatter of each point by itself, k of Student's distribution. 2: one covariance for all.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """Everything that follows from one table of readings of one unit.

    Attributes:
        type: of the unit.
        input_unit: of the first tap.
        input_signal_unit: of what carries it, such as ohm; `input_unit` where nothing does.
        output_unit: of the last tap.
        input_range: values at 0 % and 100 % of the first tap, in `input_unit`.
        output_span: upper less lower end of the output range, > 0, in `output_unit`.
        input_by: "measured" where an instrument read the first tap, else "commanded".
        visits: one row per cycle, direction and point: setpoint_pct, cycle, direction, point, input, input_pct, ideal,
            output, error, error_pct, tolerance, used_pct (error in % of the tolerance), sd,
            readings_n, is_steady, is_judged, is_within; U, k, dof, tur, p_conform and verdict where a budget is known.
        points: one row per setpoint and direction, over all cycles: setpoint_pct, direction, input, ideal, output, sd,
            readings_n, cycles_n, error, error_pct, tolerance, tolerance_pct, used_pct, is_within.
        end_pairs: one row per end pair: setpoint_pct, cycle, first, second, change, change_pct.
        figures: as printed, in order.
        fit: the curve that the unit is held against, where it is fitted to its readings; None where one is stated.
        stages: one result a stage that lies between two taps that were read.
        suspect_tap: a tap that disagrees with its neighbours while they agree with each other, "" if none does.
        suspect_taps: where the readings leave more than one, all of them, that one first.
        corrections: what of the readings is corrected at which tap, by how much, in words.
        basis: what is stated of the instruments, and the decision rule.
        budget: uncertainty of each error, arrays in the order of `visits`; None where nothing is stated.
        known: uncertainty of the figures, and the covariance of all errors, in % of span.
        tests: what the tests of the fit say, each in one sentence.
        tolerance_to_write: a tolerance of the type sheet that could be told at every point that was read, as it would
            be written there; "" where what is written can be, or other instruments are what it needs.
        verdict: the whole.
        arrays: the figures as arrays, for further use.
        grid: the readings as arrays.

    Example:
        >>> found = sequencer.open("GF-104").evaluation
        >>> found.figure("span error").unit
        '% of span'
        >>> bool(found.points["error_pct"].abs().max() < 0.2)
        True
    """

    type: str
    standard: Standard
    tolerance: str
    input_unit: str
    input_signal_unit: str
    output_unit: str
    output_span: float
    input_by: Literal["measured", "commanded"]
    input_range: tuple[float, float]
    visits: pd.DataFrame
    points: pd.DataFrame
    end_pairs: pd.DataFrame
    figures: tuple[Figure, ...]
    not_determined: tuple[str, ...]
    stages: tuple[StageResult, ...]
    suspect_tap: str
    suspect_taps: tuple[str, ...]
    corrections: tuple[str, ...]
    basis: Basis
    budget: Budget | None
    known: Known
    tests: tuple[str, ...]
    tolerance_to_write: str
    verdict: Verdict
    arrays: Figures
    grid: Grid
    fit: Fitted | None = None

    def figure(self, name: str) -> Figure:
        """A figure by its name; raises InputError."""
        for each in self.figures:
            if each.name == name:
                return each
        names = [each.name for each in self.figures]
        near = nearest(name, names)
        raise InputError(
            f'there is no figure "{name}"', allowed=", ".join(names), todo=f'write "{near}"' if near else ""
        )

    @property
    def worst(self) -> "pd.Series[Any] | None":
        """The row of `visits` that uses most of its tolerance; None if none is judged."""
        return worst_visit(self.visits)

    @property
    def worst_index(self) -> tuple[int, ...] | None:
        """Where the worst visit stands in the arrays of `budget`; None if none is judged."""
        worst = self.worst
        if worst is None:
            return None
        place = int(np.flatnonzero(self.visits.index.to_numpy() == worst.name)[0])
        return tuple(int(each) for each in np.argwhere(self.is_visited)[place])

    @property
    def is_visited(self) -> npt.NDArray[np.bool_]:
        """Where the rows of `visits` stand in the arrays of `grid` and `budget`, in order."""
        return visited(self.grid)

    @property
    def worst_U(self) -> float | None:
        """Largest expanded uncertainty of a judged error, in `output_unit`; None where none is known."""
        known = self._known("U")
        return None if known.empty else float(known.max())

    @property
    def tur(self) -> float | None:
        """Smallest tolerance over expanded uncertainty of the judged points; None where none is known."""
        known = self._known("tur")
        return None if known.empty else float(known.min())

    def _known(self, column: str) -> "pd.Series[float]":
        """A column of the judged visits where it is known; empty where nothing is stated of the instruments."""
        if column not in self.visits:
            return pd.Series(dtype=float)
        known: pd.Series[float] = self.visits.loc[self.visits["is_judged"], column].dropna()
        return known
