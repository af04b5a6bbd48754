"""Numbers of a batch: what each unit shows in a line, what stands out, and what all have in common. Arrays in, out.

Median and median absolute deviation, so that up to half of the units may be anything. It knows no record.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

__all__ = ["FEWEST_UNITS", "Common", "common_of", "critical", "fitted", "robust", "stands_out", "worth_pct"]

FEWEST_UNITS = 6
_SD = 1.4826  # of a normal curve, over its median absolute deviation
_MEDIAN_SE = 1.2533  # standard error of a median over that of a mean, of a normal curve
_WORTH = 0.1  # of the tolerance: what is nearer than that stands out for nobody
_SURE_N = 4.0  # standard errors
_MOST = 0.9  # of the units

# By how many robust standard deviations one of n units of a normal batch lies from the median at most, in 99 of 100
# batches; from 200 000 drawn batches each. A fixed limit such as 3.5 would cry in every fifth batch of ten.
_LIMITS = ((6, 10.1), (8, 8.0), (10, 6.94), (12, 6.30), (16, 5.63), (24, 4.99), (32, 4.78), (48, 4.50), (64, 4.38))
_LIMIT_BEYOND = 4.31


def critical(units_n: int) -> float:
    """The limit for so many units; infinite for fewer than six, of which none can be said to stand out."""
    if units_n < FEWEST_UNITS:
        return math.inf
    if units_n > _LIMITS[-1][0]:
        return _LIMIT_BEYOND
    known_n, limits = zip(*_LIMITS, strict=True)
    return float(np.interp(math.log(units_n), np.log(known_n), limits))


def robust(values: FloatArray) -> tuple[float, float]:
    """Median and robust standard deviation of what is known; NaN where nothing is."""
    known = values[np.isfinite(values)]
    if not len(known):
        return math.nan, math.nan
    middle = float(np.median(known))
    return middle, _SD * float(np.median(np.abs(known - middle)))


def stands_out(values: FloatArray, *, least: float) -> FloatArray:
    """How far each unit lies from the median, in robust standard deviations, where it stands out; else 0.

    Args:
        values: one a unit; NaN = not known.
        least: what is nearer to the median does not stand out, however alike the others are.
    """
    middle, sd = robust(values)
    units_n = int(np.isfinite(values).sum())
    away = np.abs(values - middle)
    far = away / max(sd, 1e-12 * max(abs(middle), 1.0))
    is_out = np.isfinite(values) & (far > critical(units_n)) & (away >= least)
    return np.where(is_out, far, 0.0)


def fitted(setpoint_frac: FloatArray, error_pct: FloatArray) -> tuple[float, float]:
    """Error at 0 % and change of it up to 100 % by least squares, % of span; NaN where fewer than two points are known.

    Args:
        setpoint_frac: of each point, 0..1.
        error_pct: of each, NaN = not read.
    """
    known = np.isfinite(error_pct)
    x, y = setpoint_frac[known], error_pct[known]
    if len(x) < 2 or np.ptp(x) <= 0:
        return math.nan, math.nan
    slope, zero = np.polyfit(x, y, 1)
    return float(zero), float(slope)


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """An error that the units have in common.

    Attributes:
        size_pct: its median, % of span.
        spread_pct: robust standard deviation between the units.
        se_pct: standard error of the median.
        alike_n: units that have it, at least half as large and with the same sign.
        of_n: units it is known of.
    """

    size_pct: float
    spread_pct: float
    se_pct: float
    alike_n: int
    of_n: int


def common_of(values: FloatArray, *, tolerance_pct: float) -> Common | None:
    """What nine of ten units share, four standard errors from nothing and a tenth of the tolerance; None if nothing.

    Args:
        values: one a unit, % of span; NaN = not known.
        tolerance_pct: % of span; NaN = none.
    """
    known = values[np.isfinite(values)]
    if len(known) < FEWEST_UNITS // 2:
        return None
    middle, sd = robust(known)
    se = _MEDIAN_SE * sd / math.sqrt(len(known))
    alike_n = int((known * math.copysign(1, middle) >= abs(middle) / 2).sum())
    least = _WORTH * tolerance_pct if math.isfinite(tolerance_pct) else 0.0
    if abs(middle) <= max(_SURE_N * se, least) or alike_n < _MOST * len(known):
        return None
    return Common(size_pct=middle, spread_pct=sd, se_pct=se, alike_n=alike_n, of_n=len(known))


def worth_pct(tolerance_pct: float) -> float:
    """What is worth naming beside a tolerance, % of span."""
    return _WORTH * tolerance_pct if math.isfinite(tolerance_pct) else 0.0
