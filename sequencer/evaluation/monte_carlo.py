"""Uncertainty by trials (JCGM 101) beside the first order, through the unit's characteristic, at every visited point.

It draws what the budget states, and computes the error again each time: near 0 of a square root, or through a sensor's
curve, that shows where the first order misleads.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from instruments.errors import ReadingsError
from sequencer.evaluation.budget import correlated_pairs
from sequencer.evaluation.figures.contributions import Contribution
from sequencer.evaluation.figures.montecarlo import MonteCarlo, propagate
from sequencer.evaluation.result import Evaluation

__all__ = ["PointTrials", "Trials", "trials"]

_LEAST_TRIALS = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PointTrials:
    """Trials of one error; `place` says which."""

    place: str
    result: MonteCarlo


@dataclass(frozen=True, slots=True, kw_only=True)
class Trials:
    """What trials say of the errors of a unit.

    Attributes:
        worst: of the error that uses most of its tolerance; None where no uncertainty is known there.
        farthest: of the error whose first-order interval lies farthest off, in parts of its standard uncertainty, as
            `_LEAST_TRIALS` at each visited point show; None where no uncertainty is known.
        points_n: visited points that were tried.
    """

    worst: PointTrials | None
    farthest: PointTrials | None
    points_n: int

    @property
    def sentences(self) -> tuple[str, ...]:
        """What the trials say, place by place."""
        if self.farthest is None:
            return ("No uncertainty is known, so there is nothing to try.",)
        said = [] if self.worst is None else [f"At the worst error, {self.worst.place}: {self.worst.result.comparison}"]
        where = f"Of all {self.points_n} points the first order lies farthest off at {self.farthest.place}"
        is_same = self.worst is not None and self.worst.place == self.farthest.place
        return (*said, f"{where}." if is_same else f"{where}: {self.farthest.result.comparison}")


def trials(evaluation: Evaluation, sheet: DataSheet, *, limit: int, seed: int = 1) -> Trials:
    """Trials at every visited point; by the adaptive procedure at the worst error, and where the first order is worst.

    Args:
        evaluation: with a budget, or there is nothing to try.
        sheet: the unit.
        limit: trials at one point after which the adaptive procedure gives up; at least 20 000 are allowed.
        seed: same seed, same result.

    Where a bench states a correlation, what two quantities share is drawn once; between 0 and 1 their sum is then no
    longer rectangular. A point whose draws leave what a sensor is defined for is not tried.
    """
    if evaluation.budget is None:
        return Trials(worst=None, farthest=None, points_n=0)
    visits = evaluation.visits
    indices = [tuple(at) for at in np.argwhere(evaluation.is_visited).tolist()]  # in the order of `visits`

    def tried(row: int | None, trials_n: int) -> MonteCarlo | None:
        if row is None:
            return None
        return _at(evaluation, sheet, indices[row], visits.iloc[row], limit=max(trials_n, _LEAST_TRIALS), seed=seed)

    def in_full(row: int | None) -> PointTrials | None:
        result = tried(row, limit)
        return None if row is None or result is None else PointTrials(place=_place(visits.iloc[row]), result=result)

    off = {row: _off(each) for row in range(len(visits)) if (each := tried(row, _LEAST_TRIALS)) is not None}
    at_worst = evaluation.worst_index
    worst = in_full(None if at_worst is None else indices.index(at_worst))
    return Trials(worst=worst, farthest=in_full(max(off, key=lambda row: off[row], default=None)), points_n=len(off))


def _place(visit: "pd.Series[Any]") -> str:
    way = f" {visit['direction']}scale" if visit["direction"] else ""
    return f"{visit['setpoint_pct']:g} %{way}, cycle {visit['cycle']}"


def _off(tried: MonteCarlo) -> float:
    return max(tried.off) / tried.first_order_u if tried.first_order_u > 0 else 0.0


def _at(
    evaluation: Evaluation, sheet: DataSheet, at: tuple[int, ...], visit: "pd.Series[Any]", *, limit: int, seed: int
) -> MonteCarlo | None:
    """Trials of one error; None where its uncertainty is not known, or a draw has no value."""
    stated = evaluation.budget
    assert stated is not None
    if not np.isfinite(stated.U[at]):
        return None
    lines = tuple(
        replace(
            line,
            u=np.asarray(np.broadcast_to(line.u, stated.U.shape)[at]),
            sensitivity=np.asarray(1.0),
            dof=np.asarray(np.broadcast_to(line.dof, stated.U.shape)[at]),
        )
        for line in stated.contributions
    )
    try:
        return propagate(
            _model(evaluation, sheet, visit, lines),
            [0.0] * len(lines),
            lines,
            seed=seed,
            probability=evaluation.basis.coverage,
            trials_limit=limit,
            is_convolved=True,
        )
    except ReadingsError:
        return None


def _model(
    evaluation: Evaluation, sheet: DataSheet, visit: "pd.Series[Any]", lines: tuple[Contribution, ...]
) -> Callable[..., FloatArray]:
    """The error for what is drawn of each contribution."""
    first, last = sheet.taps[0], sheet.taps[-1]
    by_tap = {each.tap: each for each in evaluation.basis.statements}
    pairs = correlated_pairs(lines, by_tap[first.name], by_tap[last.name], evaluation.basis.pairs)
    numbers = {line.name: number for number, line in enumerate(lines)}
    shared = [
        (numbers[one], numbers[other], coefficient)
        for (one, other), coefficient in pairs.items()
        if lines[numbers[one]].u > 0
    ]
    is_input = [line.tap == first.name for line in lines]
    # Scatter and settling are stated of the value, everything else of the signal that carries it.
    is_value = [line.origin in {"scatter", "settling"} for line in lines]
    into = float(first.to_signal(np.array(float(visit["input"]))))
    out = float(last.to_signal(np.array(float(visit["output"]))))

    def error(*independent: FloatArray) -> FloatArray:
        drawn = list(independent)
        for one, other, coefficient in shared:
            common = drawn[one] * (lines[other].u / lines[one].u)
            drawn[other] = coefficient * common + np.sqrt(1 - coefficient**2) * drawn[other]

        def moved(at_input: bool, of_value: bool) -> FloatArray:  # noqa: FBT001  two plain selections
            chosen = [
                draw
                for draw, one, other in zip(drawn, is_input, is_value, strict=True)
                if (one, other) == (at_input, of_value)
            ]
            return np.asarray(np.sum(chosen, axis=0)) if chosen else np.zeros_like(drawn[0])

        x = first.to_value(into + moved(True, False)) + moved(True, True)
        y = last.to_value(out + moved(False, False)) + moved(False, True)
        return np.asarray(y - sheet.ideal(x))

    return error
