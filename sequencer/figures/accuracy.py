"""Measured error (of the mean of each direction) and inaccuracy (of any single reading).

No uncertainty of the bench in it, and no verdict.
"""

from dataclasses import dataclass

import numpy as np

from sequencer.figures.curves import UP, chosen, flat, largest, readings
from sequencer.figures.definitions import Standard, definition
from sequencer.figures.per_point import FloatArray, IntArray, mean

__all__ = ["Inaccuracy", "MeasuredError", "inaccuracy", "measured_error"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredError:
    """Largest systematic error, one for each unit; NaN = nothing read.

    Attributes:
        error_pct: with its sign, % of output span.
        at_pct: input there, % of input span.
        direction: 0 found upscale, 1 downscale, -1 nothing read.
        by_direction_pct: shape (units, 2, points), the mean over the cycles, up and down.
    """

    error_pct: FloatArray
    at_pct: FloatArray
    direction: IntArray
    by_direction_pct: FloatArray
    definition: str

    def reason(self, unit: int) -> str:
        """Why the figure of a unit is not determinable; "" if it is."""
        return "nothing read" if np.isnan(self.error_pct[unit]) else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inaccuracy:
    """Largest errors of any single reading, one pair for each unit; NaN = nothing read.

    Attributes:
        highest_pct: largest positive error; the least negative one where all are negative.
        lowest_pct: largest negative error; the least positive one where all are positive.
        highest_at_pct: input of the highest, % of input span.
        lowest_at_pct: input of the lowest, % of input span.
    """

    highest_pct: FloatArray
    lowest_pct: FloatArray
    highest_at_pct: FloatArray
    lowest_at_pct: FloatArray
    definition: str

    def reason(self, unit: int) -> str:
        """Why the figure of a unit is not determinable; "" if it is."""
        return "nothing read" if np.isnan(self.highest_pct[unit]) else ""


def measured_error(
    error_pct: FloatArray, x_pct: FloatArray, *, standard: Standard = "IEC 61298-2:2008"
) -> MeasuredError:
    """Largest in magnitude of the mean upscale and mean downscale errors; among equals upscale, then lowest input.

    Args:
        error_pct: shape (units, cycles, 2, points), % of output span, NaN = not read.
        x_pct: input, % of input span, of a shape that broadcasts to it.
        standard: whose words the figure carries.

    Raises:
        ReadingsError: a shape is wrong.
    """
    error, x = readings(error_pct, x_pct)
    by_direction_pct = mean(error, axis=1)
    worst = largest(flat(by_direction_pct))
    is_known = ~np.isnan(worst.level)
    return MeasuredError(
        error_pct=worst.level,
        at_pct=np.where(is_known, chosen(flat(mean(x, axis=1)), worst.index), np.nan),
        direction=np.where(is_known, UP + worst.index // error.shape[-1], -1),
        by_direction_pct=by_direction_pct,
        definition=definition("measured error", standard),
    )


def inaccuracy(error_pct: FloatArray, x_pct: FloatArray, *, standard: Standard = "IEC 61298-2:2008") -> Inaccuracy:
    """Highest and lowest error of any single reading.

    Args:
        error_pct: shape (units, cycles, 2, points), % of output span, NaN = not read.
        x_pct: input, % of input span, of a shape that broadcasts to it.
        standard: whose words the figure carries.

    Raises:
        ReadingsError: a shape is wrong.
    """
    error, x = (flat(each) for each in readings(error_pct, x_pct))
    high = np.where(np.isnan(error), -np.inf, error).argmax(axis=-1)
    low = np.where(np.isnan(error), np.inf, error).argmin(axis=-1)
    return Inaccuracy(
        highest_pct=chosen(error, high),
        lowest_pct=chosen(error, low),
        highest_at_pct=chosen(x, high),
        lowest_at_pct=chosen(x, low),
        definition=definition("inaccuracy", standard),
    )
