"""Figures that are largest values: what noise alone makes of them, and an interval for the unit itself.

The largest of many noisy values is larger than the largest of the true ones: a unit free of hysteresis shows some. So a
figure of a standard, printed as it is defined, has beside it what noise alone would give and what the unit has by the
most probable reading. The interval is found by inversion: every size of the unit's curve is tried with the noise of the
run, and the sizes that could have given what was found make up the interval (test inversion, parametric bootstrap).

How much noise adds depends on how many places are near the largest one, which the readings do not tell for sure. So the
lower end holds for a curve as flat as they allow, the upper end for one with as lone a peak.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray

__all__ = ["Extreme", "by_scale", "by_shift", "smoothed"]

# Chance that the true size lies below or above. At a unit that has none of it, only the first can go wrong: it takes 97
# %.
_BELOW, _ABOVE = 0.030, 0.0155
_SIZES_N = 6
# Standard deviations by which a place may be nearer to the largest one, or farther from it, than it was read. Found by
# trials with half sines, steps, ramps and lone peaks of 0 to 10 standard deviations: 95 to 98 % of all truths are held.
_REACH = 1.75
_IS_LARGEST = 1 - 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Extreme:
    """A largest value beside what noise makes of it, in the unit of the figure.

    Attributes:
        by_noise: what noise alone gives in half of all runs, of a unit that has none of it.
        corrected: of the unit itself: the size that gives more than was found as often as less.
        low: lower end of the interval for the unit itself.
        high: upper end.
        own_U: half of the interval from what is of each visit alone, without what all readings share.
    """

    by_noise: float
    corrected: float
    low: float
    high: float
    own_U: float

    def widened(self, U: float, *, least: float = -np.inf) -> "Extreme":
        """The same where all values may be off together by U, which moves a largest value by as much at most."""
        return Extreme(
            by_noise=self.by_noise,
            corrected=self.corrected,
            low=max(self.corrected - float(np.hypot(self.corrected - self.low, U)), least),
            high=self.corrected + float(np.hypot(self.high - self.corrected, U)),
            own_U=self.own_U,
        )

    def less(self, off: float) -> "Extreme":
        """The same of a size that something is taken off, as ISA-51.1 takes the dead band off the hysteresis."""
        sizes = (self.by_noise, self.corrected, self.low, self.high)
        by_noise, corrected, low, high = (max(each - off, 0.0) for each in sizes)
        return Extreme(by_noise=by_noise, corrected=corrected, low=low, high=high, own_U=self.own_U)


def by_scale(
    residuals: Callable[[FloatArray], FloatArray], curve: FloatArray, noise: FloatArray, by_noise: float
) -> Extreme | None:
    """For a figure that is nothing of no curve, and grows with it: hysteresis, linearity, a measured error.

    Args:
        residuals: of each row, shape (draws, places) both ways; the figure is the largest of them in size.
        curve: as it was read, shape (places,).
        noise: draws of its noise, shape (draws, places).
        by_noise: what noise alone makes of the figure as the standard defines it.

    Returns:
        None where the curve has no shape: it was nothing everywhere, and nothing scatters.
    """

    def largest(rows: FloatArray) -> FloatArray:
        return np.asarray(np.abs(residuals(rows)).max(axis=-1))

    left, left_noise = residuals(curve[None])[0], residuals(noise)
    size, sd = np.abs(left), left_noise.std(axis=0)
    found, spread = float(size.max()), float(np.quantile(np.abs(left_noise).max(axis=-1), 0.99))
    if not found > 0:
        if not spread > 0:
            return None
        return Extreme(by_noise=by_noise, corrected=0.0, low=0.0, high=spread, own_U=spread / 2)
    sizes = np.linspace(0.0, found + 1.5 * spread, _SIZES_N)

    def size_of(shape: FloatArray, probability: float) -> float:
        """Size of a curve of a shape that gives less than what was found with a probability."""
        rows = (sizes[:, None, None] / float(largest(shape[None])[0])) * shape + noise
        values = largest(rows.reshape(-1, shape.size)).reshape(_SIZES_N, -1)
        return _size_at(found, np.quantile(values, probability, axis=1), sizes)

    sign = np.where(left < 0, -1.0, 1.0)
    low = size_of(sign * np.minimum(size + _REACH * sd, found), 1 - _BELOW)
    high = size_of(sign * np.where(size >= found * _IS_LARGEST, found, np.maximum(size - _REACH * sd, 0.0)), _ABOVE)
    # A noise stated too large leaves no size that could have given so little: then what was found is the most.
    low, high = min(low, found), max(high, found)
    return Extreme(by_noise=by_noise, corrected=size_of(left, 0.5), low=low, high=high, own_U=(high - low) / 2)


def _size_at(found: float, values: FloatArray, sizes: FloatArray) -> float:
    """Size at which a quantile of the figure is what was found; 0 where it is more from the beginning."""
    rising = np.maximum.accumulate(values)
    return float(np.interp(found, rising, sizes, left=0.0))


def by_shift(
    found: float, curve: FloatArray, sd: FloatArray, highest: Callable[[FloatArray], FloatArray], *, sign: float = 1.0
) -> Extreme:
    """For a figure that moves along with the curve: the highest and the lowest error of any single reading.

    Args:
        found: its value.
        curve: mean errors, shape (places,), without what is no more than noise.
        sd: standard deviation of their noise, same shape.
        highest: draws of the highest reading of a curve, shape (draws,).
        sign: -1 for a lowest value: of value and curve the opposite is meant then.
    """
    curve, tail = sign * curve, (_BELOW + _ABOVE) / 2
    top = float(curve.max())

    def excess(level: FloatArray, probability: float) -> float:
        return float(np.quantile(highest(level) - top, probability))

    most = excess(np.minimum(curve + _REACH * sd, top), 1 - tail)
    least = excess(np.where(curve >= top, top, curve - _REACH * sd), tail)
    middle, value = excess(curve, 0.5), sign * found
    low, high = sorted((sign * (value - most), sign * (value - least)))
    return Extreme(
        by_noise=sign * middle, corrected=sign * (value - middle), low=low, high=high, own_U=(high - low) / 2
    )


def smoothed(curve: FloatArray, noise: FloatArray, x: FloatArray, *, degree: int) -> FloatArray:
    """A curve without what is no more than noise: its smooth part whole, of the rest what noise does not explain.

    Args:
        curve: as it was read, shape (places,).
        noise: draws of its noise, shape (draws, places).
        x: inputs of the places, shape (places,).
        degree: of the polynomial that is its smooth part.
    """
    width = float(np.ptp(x)) or 1.0
    basis, _ = np.linalg.qr(np.vander((x - x.mean()) / width, min(degree, len(np.unique(x)) - 1) + 1))
    rough = curve - basis @ (basis.T @ curve)
    rough_noise = noise - (noise @ basis) @ basis.T
    size, expected = float(rough @ rough), float((rough_noise**2).sum(axis=1).mean())
    return np.asarray(curve - rough * (1 - np.sqrt(max(1 - expected / size, 0.0)) if size > 0 else 0.0))
