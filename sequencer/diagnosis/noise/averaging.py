"""How far averaging helps: Allan deviation of readings taken one after the other, and what a counter resolves."""

import math
from dataclasses import dataclass

import numpy as np

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["Averaging", "CLOCK_Hz", "allan_deviation", "averaging", "counter_resolution"]

CLOCK_Hz = 1e7
"""Time base of an ordinary reciprocal counter."""

_LEAST_PAIRS = 8  # an Allan deviation from fewer differences is no guide to where drift begins
_LAST_N = 4  # of the longest means, over which it falls or does not
_FLAT = 0.25  # slope between that of white noise, a half, and that of 1/f noise, which is none


@dataclass(frozen=True, slots=True, kw_only=True)
class Averaging:
    """What the mean of m neighbouring readings is worth.

    Attributes:
        means_n: m = 1, 2, 4 ..., as far as the readings reach.
        deviation: overlapping Allan deviation of means of m, unit of the readings, same shape.
        best_n: the m of the smallest deviation.
        is_falling: True where the deviation still falls at the longest m: more readings would help further.
        is_flat: True where it neither falls nor rises there, as with 1/f noise: more readings do not help.
        sd: of one reading about the mean of all, n - 1.
        interval_s: from one reading to the next (median); NaN where no times are known.
    """

    means_n: tuple[int, ...]
    deviation: tuple[float, ...]
    best_n: int
    is_falling: bool
    is_flat: bool
    sd: float
    interval_s: float

    def needed_n(self, target: float) -> int | None:
        """Readings to average for a deviation of at most `target`; None where drift takes over before.

        Beyond what was measured it falls as one over the square root, if it is still falling there.
        """
        for means_n, deviation in zip(self.means_n, self.deviation, strict=True):
            if deviation <= target:
                return means_n
        if not self.is_falling or target <= 0:
            return None
        return math.ceil(self.means_n[-1] * (self.deviation[-1] / target) ** 2)


def allan_deviation(values: FloatArray, means_n: int) -> float:
    """Overlapping Allan deviation of the means of `means_n` neighbouring readings; NaN where there are too few.

    Args:
        values: shape (n,), evenly spaced, any unit; n >= 2 `means_n`.
        means_n: readings in each mean.

    Source: NIST SP 1065 (Riley), overlapping Allan variance for fractional frequency (from memory).
    """
    if len(values) < 2 * means_n or means_n < 1:
        return math.nan
    running = np.concatenate(([0.0], np.cumsum(values - values.mean())))
    means = (running[means_n:] - running[:-means_n]) / means_n
    changes = means[means_n:] - means[:-means_n]
    return math.sqrt(float(np.mean(changes**2)) / 2)


def averaging(values: FloatArray, times_s: FloatArray | None = None) -> Averaging:
    """Allan deviation for 1, 2, 4 ... readings, and where it is smallest.

    Args:
        values: shape (n,), in the order taken; NaN = not read, passed over.
        times_s: shape (n,); None = not known.

    Raises:
        ReadingsError: fewer than two readings.
    """
    is_read = np.isfinite(values)
    kept = values[is_read]
    if len(kept) < 2:
        raise ReadingsError("an average needs two readings", todo="take more")
    means_n = [1]
    while len(kept) - 4 * means_n[-1] + 1 >= _LEAST_PAIRS and 6 * means_n[-1] <= len(kept):
        means_n.append(2 * means_n[-1])
    deviation = [allan_deviation(kept, each) for each in means_n]
    slope = _last_slope(means_n, deviation)
    return Averaging(
        means_n=tuple(means_n),
        deviation=tuple(deviation),
        best_n=means_n[int(np.argmin(deviation))],
        is_falling=slope < -_FLAT,
        is_flat=abs(slope) <= _FLAT,
        sd=float(kept.std(ddof=1)),
        interval_s=math.nan if times_s is None else float(np.median(np.diff(times_s[is_read]))),
    )


def _last_slope(means_n: list[int], deviation: list[float]) -> float:
    """Slope of the logarithms over the longest means: -1/2 of white noise, 0 of 1/f, 1 of drift; 0 where not known.

    Of the longest there are few, so each weighs as many of them there are.
    """
    x = np.log2(np.array(means_n[-_LAST_N:], dtype=float))
    y = np.array(deviation[-_LAST_N:])
    if len(x) < 2 or (y <= 0).any():
        return 0.0
    return float(np.polynomial.Polynomial.fit(x, np.log2(y), 1, w=2 ** (-x / 2)).deriv()(0.0))


def counter_resolution(rate_Hz: float, gate_s: float, *, clock_Hz: float | None = None) -> float:
    """Smallest step of a frequency counter, Hz.

    Args:
        rate_Hz: what is counted.
        gate_s: gate time.
        clock_Hz: time base of a reciprocal counter; None = it counts the pulses in the gate.

    Returns:
        1 / gate for direct counting; rate / (clock x gate) for a reciprocal counter, whose gate is at least a period.
    """
    if clock_Hz is None:
        return 1 / gate_s
    return rate_Hz / (clock_Hz * max(gate_s, 1 / rate_Hz)) if rate_Hz > 0 else 0.0
