"""Mean, standard deviation and number of readings, where some may be missing.

Not the spread between cycles of the standards (see `repeatability`), and no outlier is taken out.
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = ["FloatArray", "IntArray", "PerPoint", "mean", "per_point"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]


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
    moved = np.moveaxis(np.asarray(level, dtype=np.float64), axis, -1)
    is_read = np.isfinite(moved)
    readings_n = is_read.sum(axis=-1)
    if moved.shape[-1] == 0:
        missing = np.full(readings_n.shape, np.nan)
        return PerPoint(mean=missing, sd=missing, readings_n=readings_n)
    some = np.where(readings_n > 0, readings_n, np.nan)
    first = np.take_along_axis(moved, is_read.argmax(axis=-1)[..., None], axis=-1)
    away = np.where(is_read, moved - first, 0.0)
    mean_away = away.sum(axis=-1) / some
    left = np.where(is_read, away - mean_away[..., None], 0.0)
    # The sum of what is left is nil but for rounding: its square takes the rounding out of the sum of squares.
    squares = (left**2).sum(axis=-1) - left.sum(axis=-1) ** 2 / some
    others = np.where(readings_n > 1, readings_n - 1, np.nan)
    return PerPoint(
        mean=np.asarray(first[..., 0] + mean_away),
        sd=np.sqrt(np.maximum(squares, 0.0) / others),
        readings_n=readings_n,
    )


def mean(level: FloatArray, *, axis: int) -> FloatArray:
    """Mean of what was read along one axis; NaN where nothing was read.

    Args:
        level: any shape and unit, NaN = not read.
        axis: the axis to go.
    """
    is_read = np.isfinite(level)
    readings_n = is_read.sum(axis=axis)
    total = np.where(is_read, level, 0.0).sum(axis=axis)
    return np.asarray(total / np.where(readings_n > 0, readings_n, np.nan))
