"""Which units of a type stand apart from the others: told and kept, never dropped."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from instruments.datasheet import FloatArray

__all__ = ["LEVEL", "Outlier", "critical", "outliers"]

LEVEL = 0.05
_LEAST_N = 5
_MOST_FRAC = 0.1  # of all values that may stand apart; more are no outliers but a second population


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlier:
    """A value that stands apart.

    Attributes:
        place: in the values.
        statistic: its distance from the mean of those that were left, in their standard deviations.
        critical: what a good sample has at most.
    """

    place: int
    statistic: float
    critical: float


def critical(n: npt.ArrayLike, *, level: float = LEVEL, sides: int = 2) -> FloatArray:
    """What the statistic of Grubbs has at most in a normal sample of n, but for `level` of all samples; n >= 3.

    Source: NIST/SEMATECH e-Handbook, 1.3.5.17.1; of `sides` 1 when only the largest could stand apart.
    """
    count = np.asarray(n, dtype=np.float64)
    squared = special.stdtrit(count - 2, level / (sides * count)) ** 2
    return np.asarray((count - 1) / np.sqrt(count) * np.sqrt(squared / (count - 2 + squared)))


def outliers(values: FloatArray, *, level: float = LEVEL) -> tuple[Outlier, ...]:
    """Those that stand apart, the farthest first, by the generalised test of Rosner: two do not hide each other.

    Args:
        values: one a unit, no NaN, shape (n,).
        level: chance that a normal sample has any.

    Source: Rosner 1983; NIST/SEMATECH e-Handbook, 1.3.5.17.3.
    """
    n = len(values)
    if n < _LEAST_N:
        return ()
    # The farthest from the mean is the least or the greatest that is left, so two marks and two sums are enough.
    order = np.argsort(values, kind="stable")
    ordered = values[order] - values.mean()
    low, high, total, squares = 0, n - 1, float(ordered.sum()), float(ordered @ ordered)
    found: list[Outlier] = []
    last = 0
    for limit in critical(np.arange(n, n - max(math.ceil(_MOST_FRAC * n), 1), -1), level=level):
        left_n = high - low + 1
        mean = total / left_n
        variance = max(squares - left_n * mean**2, 0.0) / (left_n - 1)
        place = high if ordered[high] - mean >= mean - ordered[low] else low
        away = abs(float(ordered[place]) - mean)
        statistic = away / math.sqrt(variance) if variance > 0 else 0.0
        found.append(Outlier(place=int(order[place]), statistic=statistic, critical=float(limit)))
        last = len(found) if statistic > limit else last
        total, squares = total - float(ordered[place]), squares - float(ordered[place]) ** 2
        low, high = (low, high - 1) if place == high else (low + 1, high)
    return tuple(found[:last])
