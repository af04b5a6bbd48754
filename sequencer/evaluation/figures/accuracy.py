"""Measured error (of the mean of each direction) and inaccuracy (of any single reading).

No uncertainty of the bench in it, and no verdict.
"""

from dataclasses import dataclass, replace

import numpy as np

from sequencer.evaluation.figures.curves import UP, Curves, by_blocks, chosen, flat, largest
from sequencer.evaluation.figures.definitions import Standard, definition
from sequencer.evaluation.figures.per_point import FloatArray, IntArray, first_place

__all__ = ["Inaccuracy", "MeasuredError", "inaccuracy", "inaccuracy_of", "measured_error", "measured_error_of"]


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
    return by_blocks(lambda curves: measured_error_of(curves, standard=standard), error_pct, x_pct)


def measured_error_of(curves: Curves, *, standard: Standard) -> MeasuredError:
    """The same, from the curves of a block of units."""
    worst = largest(flat(curves.error_mean))
    return MeasuredError(
        error_pct=worst.level,
        at_pct=np.where(np.isnan(worst.level), np.nan, chosen(flat(curves.x_mean), worst.index)),
        direction=np.where(np.isnan(worst.level), -1, UP + worst.index // curves.error.shape[-1]),
        by_direction_pct=curves.error_mean,
        definition=definition("measured error", standard),
    )


def inaccuracy(
    error_pct: FloatArray,
    x_pct: FloatArray,
    *,
    lowest_pct: FloatArray | None = None,
    standard: Standard = "IEC 61298-2:2008",
) -> Inaccuracy:
    """Highest and lowest error of any single reading.

    Args:
        error_pct: shape (units, cycles, 2, points), % of output span, NaN = not read; the highest of a visit that was
            read several times.
        x_pct: input, % of input span, of a shape that broadcasts to it.
        lowest_pct: the lowest of each visit, same shape; None = each was read once.
        standard: whose words the figure carries.

    Raises:
        ReadingsError: a shape is wrong.
    """
    found = by_blocks(lambda curves: inaccuracy_of(curves, standard=standard), error_pct, x_pct)
    if lowest_pct is None:
        return found
    lowest = inaccuracy(lowest_pct, x_pct, standard=standard)
    return replace(found, lowest_pct=lowest.lowest_pct, lowest_at_pct=lowest.lowest_at_pct)


def inaccuracy_of(curves: Curves, *, standard: Standard) -> Inaccuracy:
    """The same, from the curves of a block of units."""
    error, x = flat(curves.error), flat(curves.x)
    highest = np.fmax.reduce(error, axis=-1, keepdims=True)
    lowest = np.fmin.reduce(error, axis=-1, keepdims=True)
    is_known = ~np.isnan(highest[:, 0])
    return Inaccuracy(
        highest_pct=highest[:, 0],
        lowest_pct=lowest[:, 0],
        highest_at_pct=np.where(is_known, chosen(x, first_place(error == highest, axis=-1)), np.nan),
        lowest_at_pct=np.where(is_known, chosen(x, first_place(error == lowest, axis=-1)), np.nan),
        definition=definition("inaccuracy", standard),
    )
