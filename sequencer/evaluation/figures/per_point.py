"""Mean, standard deviation and number of readings, where some may be missing.

Not the spread between cycles of the standards (see `repeatability`), and no outlier is taken out.
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = [
    "BLOCK_N",
    "BoolArray",
    "FloatArray",
    "IntArray",
    "PerPoint",
    "blocks",
    "first_place",
    "mean",
    "per_point",
    "total",
]

BoolArray: TypeAlias = npt.NDArray[np.bool_]
FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]

# Readings worked on at a time: with fewer the calls cost more than the arithmetic, with more the cache is too small.
BLOCK_N = 131_072


@dataclass(frozen=True, slots=True, kw_only=True)
class PerPoint:
    """Readings of one point taken together, all arrays of the same shape.

    Attributes:
        mean: NaN where nothing was read.
        sd: standard deviation of one reading (n - 1), NaN where fewer than two were read.
        readings_n: how many were read.
    """

    mean: FloatArray
    sd: FloatArray
    readings_n: IntArray
    definition: str = "arithmetic mean; standard deviation with n - 1, in two passes"


def per_point(level: FloatArray, *, axis: int) -> PerPoint:
    """Mean, standard deviation and count along one axis.

    Args:
        level: any shape and unit, NaN = not read.
        axis: the readings, or the cycles.

    Returns:
        Arrays of the shape of `level` without `axis`.

    Two passes about the first reading: no digits are lost where the spread is small against the level.
    """
    rows = np.moveaxis(np.asarray(level, dtype=np.float64), axis, 0)
    shape = rows.shape[1:]
    if len(rows) == 0:
        missing = np.full(shape, np.nan)
        return PerPoint(mean=missing, sd=missing, readings_n=np.zeros(shape, dtype=np.int64))
    found = PerPoint(mean=np.empty(shape), sd=np.empty(shape), readings_n=np.empty(shape, dtype=np.int64))
    # A single point has no axis to be cut along.
    for block in blocks(shape[0], rows[:, :1].size) if shape else [...]:
        part = _per_point(np.ascontiguousarray(rows[:, block]))
        found.mean[block], found.sd[block], found.readings_n[block] = part
    return found


def _per_point(level: FloatArray) -> tuple[FloatArray, FloatArray, IntArray]:
    """Mean, standard deviation and count along the first axis; one count for all if nothing is missing."""
    is_read = np.isfinite(level)
    is_complete = bool(is_read.all())
    readings_n = np.asarray(len(level)) if is_complete else is_read.sum(axis=0)
    some = np.where(readings_n > 0, readings_n, np.nan)
    first = level[0] if is_complete else np.take_along_axis(level, first_place(is_read, axis=0)[None], axis=0)[0]
    away = level - first
    if not is_complete:
        away[~is_read] = 0.0
    mean_away = total(away) / some
    left = away - mean_away
    if not is_complete:
        left[~is_read] = 0.0
    # The sum of what is left is nil but for rounding: its square takes the rounding out of the sum of squares.
    squares = total(left**2) - total(left) ** 2 / some
    others = np.where(readings_n > 1, readings_n - 1, np.nan)
    return first + mean_away, np.sqrt(np.maximum(squares, 0.0) / others), readings_n


def mean(level: FloatArray, *, axis: int) -> FloatArray:
    """Mean of what was read along one axis; NaN where nothing was read.

    Args:
        level: any shape and unit, NaN = not read.
        axis: the axis to go.
    """
    is_read = np.isfinite(level)
    if is_read.all() and level.size > 0:
        return np.asarray(level.sum(axis=axis) / level.shape[axis])
    readings_n = is_read.sum(axis=axis)
    level = np.where(is_read, level, 0.0)
    return np.asarray(level.sum(axis=axis) / np.where(readings_n > 0, readings_n, np.nan))


def total(level: FloatArray) -> FloatArray:
    """Sum over the first axis, always in its order, so that the sum of a unit does not depend on those beside it.

    Args:
        level: shape (readings, ...), in C order.
    """
    # A single column numpy adds in pairs, which is another rounding.
    if level[0].size == 1:
        return np.asarray(np.add.accumulate(level, axis=0)[-1])
    return np.asarray(np.add.reduce(level, axis=0))


def first_place(is_there: BoolArray, *, axis: int) -> IntArray:
    """Place of the first True along one axis, 0 where there is none: argmax, but fast along short axes of many units.

    Args:
        is_there: any shape.
        axis: the axis to go.
    """
    places_n = is_there.shape[axis]
    counting_down = np.arange(places_n, 0, -1, dtype=np.min_scalar_type(places_n))
    shape = [1] * is_there.ndim
    shape[axis] = places_n
    left = (is_there * counting_down.reshape(shape)).max(axis=axis)
    return np.asarray(((places_n - left) * (left > 0)).astype(np.int64))


def blocks(units_n: int, readings_n: int, *, block_n: int = BLOCK_N) -> list[slice]:
    """Units taken at a time, so that what is worked on stays in the processor's cache; at least one block.

    Args:
        units_n: how many there are.
        readings_n: readings of each.
        block_n: readings taken at a time.
    """
    step = max(block_n // max(readings_n, 1), 1)
    return [slice(start, start + step) for start in range(0, max(units_n, 1), step)]
