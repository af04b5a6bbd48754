"""Each error against its tolerance, and what of it readings and instruments cannot tell.

Where the tolerance is zero, or less than what the readings resolve, nobody can say that an error lies within it. Such a
place is not determinable, unless the error is more than tolerance and measurement explain together: then it is out.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import numpy.typing as npt
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from sequencer.evaluation.figures.conformity import Conformity, judge
from sequencer.evaluation.figures.conformity import Verdict as PointVerdict
from sequencer.evaluation.figures.per_point import IntArray
from sequencer.inputs.decision_rules import RULES
from sequencer.inputs.tolerance import carried
from sequencer.readings.table import BY_HAND

__all__ = ["NEGLIGIBLE_FRAC", "Judgement", "Resolved", "Uncertainty", "judged", "resolved", "steps_shown"]

BoolArray = npt.NDArray[np.bool_]

NEGLIGIBLE_FRAC = 1e-9  # of the span: a tolerance that is no wider is one of zero, left of rounding
_DECIMALS = re.compile(r"[.,]\d*?(0*)(?!\d)")  # zeros that end the decimals of a number as written
_LIMIT_SLACK = 1e-9  # a hair of rounding must not fail a unit that sits on its limit to the last bit


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """What is known of each error from the instruments, arrays of one shape; NaN = not known."""

    U: FloatArray
    k: FloatArray
    dof: FloatArray

    def at(self, chosen: BoolArray | tuple[npt.NDArray[np.intp], ...]) -> "Uncertainty":
        """The same of the errors that an index picks."""
        return Uncertainty(U=self.U[chosen], k=self.k[chosen], dof=self.dof[chosen])


@dataclass(frozen=True, slots=True, kw_only=True)
class Resolved:
    """What the digits of the readings tell, in the unit of the output, arrays of one shape.

    Attributes:
        least: half a step of the digits at the output; 0 where they are whole numbers, which tell nothing of a
            resolution.
        explained: the most that rounding and the scatter that was seen make of no error.
    """

    least: FloatArray
    explained: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What is said of each error, arrays of one shape.

    Attributes:
        result: numbers of `conformity.Verdict`.
        is_unresolved: the tolerance is less than what can be resolved; the result is fail or not determinable.
        least: what the tolerance would have to exceed: U where it is known, else half a step of the readings.
        conformity: by the decision rule; None where nothing is stated of the instruments.
    """

    result: IntArray
    is_unresolved: BoolArray
    least: FloatArray
    conformity: Conformity | None

    @property
    def is_out(self) -> BoolArray:
        """Where the tolerance is less than what can be resolved, and the error more than can be explained."""
        return np.asarray(self.is_unresolved & (self.result == PointVerdict.FAIL))


def judged(
    error: FloatArray,
    tolerance: FloatArray,
    *,
    span: float,
    shown: Resolved,
    known: Uncertainty | None,
    rule: str,
) -> Judgement:
    """The result of each error by the decision rule, or where nothing is known of the instruments by the tolerance.

    Args:
        error: NaN = not read.
        tolerance: half width, same unit.
        span: of the output, > 0.
        shown: what the digits of the readings tell.
        known: uncertainty of the errors; None where nothing is stated.
        rule: its name.
    """
    width = np.nan_to_num(tolerance)
    size = np.abs(error)
    found = None
    result = np.where(size <= width * (1 + _LIMIT_SLACK), PointVerdict.PASS, PointVerdict.FAIL)
    least, explained = shown.least, shown.explained
    if known is not None:
        found = judge(error, known.U, rule=RULES[rule], lower=-tolerance, upper=tolerance, k=known.k, dof=known.dof)
        result = found.verdict
        is_known = np.isfinite(known.U)
        reach = np.fmax(known.U, np.abs(found.guard_band))
        least = np.where(is_known, known.U, least)
        explained = np.where(is_known, reach, explained)
    is_unresolved = np.isfinite(error) & ((width < least) | (width <= NEGLIGIBLE_FRAC * span))
    is_out = size > width + np.maximum(explained, NEGLIGIBLE_FRAC * span)
    result = np.where(is_unresolved, np.where(is_out, PointVerdict.FAIL, PointVerdict.NOT_DETERMINABLE), result)
    result = np.where(np.isnan(error), PointVerdict.NOT_DETERMINABLE, result)
    return Judgement(result=result.astype(np.int64), is_unresolved=is_unresolved, least=least, conformity=found)


def steps_shown(table: pd.DataFrame) -> dict[str, float]:
    """The smallest step of the values at each tap, as decimals show it ("4.00" is hundredths); 1 of whole numbers."""
    written = table["raw"].where(table["step_name"] == BY_HAND, "")
    found = {}
    for tap, values in table["value"].dropna().groupby(table["tap"]):
        pairs = set(zip(values, written[values.index], strict=True))
        found[str(tap)] = min(_step(value, text) for value, text in pairs)
    return found


def _step(value: float, text: str) -> float:
    decimals = _DECIMALS.search(text)
    exponent = Decimal(f"{value:.12g}").as_tuple().exponent
    zeros = 0 if decimals is None else len(decimals[1])
    return float(10.0 ** (min(exponent, 0) - zeros)) if isinstance(exponent, int) else 1.0


def resolved(
    sheet: DataSheet,
    x: FloatArray,
    steps: Mapping[str, float],
    *,
    first: int = 0,
    last: int = -1,
    scatter: FloatArray | float = 0.0,
) -> Resolved:
    """What the digits at two taps tell of the error between them.

    Args:
        sheet: the unit.
        x: input at tap `first`, in its unit; any shape.
        steps: by tap, of `steps_shown`; a tap that was not read has none.
        first: tap of the input.
        last: tap of the output.
        scatter: half width within which the mean at the output scatters.
    """
    into, out = steps.get(sheet.taps[first].name, 0.0), steps.get(sheet.taps[last].name, 0.0)

    def halves(at_input: float, at_output: float) -> FloatArray:
        return at_output / 2 + carried(sheet, x, np.full(x.shape, at_input / 2), first=first, last=last)

    # An input is a round number that a source was set to: "5.6" says nothing of the digits that the source has.
    return Resolved(least=halves(0.0, 0.0 if out >= 1 else out), explained=halves(into, out) + scatter)
