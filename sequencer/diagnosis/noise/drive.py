"""What a drive adds to the noise at a tap: bursts with the drive off and on, set beside each other."""

import math
from dataclasses import dataclass

import numpy as np

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.burst import LEAST_N, kurtosis
from sequencer.diagnosis.noise.kinds.mains import MAINS_OFF
from sequencer.diagnosis.noise.kinds.sine import strongest
from sequencer.diagnosis.noise.sines import alias_Hz, fit_sines
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["DriveEffect", "DriveLine", "drive_effect", "drive_line"]

_LOUDER = 1.25  # times as large: less is not worth a word
_CERTAIN = 3.0  # standard errors
_LEFT = 1 / 3  # of a line with the drive off, up to which it comes with the drive
_NEAR_N = 4  # independent frequencies about a line that is known
_ORDERS_N = 10  # harmonics of mains that may be taken for a line of the drive
_LEAST_FLATNESS = 0.5  # kurtosis less one: of two levels it is nil, and a standard deviation has an error all the same
_APART_SDS, _APART_SHARE = 3.0, 0.02  # from level to level; of the larger one
_ROUNDING = 1e-12  # of the largest reading


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveEffect:
    """Noise with the drive on against off.

    Attributes:
        ratio: sd on over sd off, neither below what the resolution alone gives.
        z_ratio: logarithm of the ratio over its standard error, kurtosis allowed for.
        levels: median with the drive off, and on, unit of the readings.
        by_level: how many times as large the noise may be by the levels alone, if it goes with them; 1 where they are
            alike.
    """

    ratio: float
    z_ratio: float
    levels: tuple[float, float]
    by_level: float

    @property
    def is_louder(self) -> bool:
        """More noise with the drive on: beyond chance (3 standard errors), and enough to matter."""
        share = 1 - math.log(self.by_level) / math.log(self.ratio) if self.ratio > self.by_level else 0.0
        return share * self.z_ratio > _CERTAIN and self.ratio > _LOUDER * self.by_level

    @property
    def is_unclear(self) -> bool:
        """It looks louder, but may be so by chance."""
        return self.ratio > _LOUDER and not self.is_louder

    @property
    def is_by_level(self) -> bool:
        """The levels are apart, and may be all that makes the difference."""
        return self.by_level > 1 and not self.is_louder


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveLine:
    """A line that is there with the drive on and not with it off.

    Attributes:
        rate_Hz: where it appears, below half the reading rate.
        interval_s: from one reading to the next.
        left: its amplitude with the drive off, as a share of that with the drive on.
        mains: a harmonic of mains that would appear there as well, such as "5 x 60 Hz"; "" if none of the first ten.
    """

    rate_Hz: float
    interval_s: float
    left: float
    mains: str


def drive_effect(off: FloatArray, on: FloatArray, *, resolution: float = 0.0) -> DriveEffect:
    """Compare the noise of two bursts taken with the drive off and on.

    Args:
        off: shape (m,), any unit; NaN = not read.
        on: shape (n,), same unit.
        resolution: smallest step shown.

    Raises:
        ReadingsError: fewer than `LEAST_N` readings in one of them.
    """
    off, on = off[np.isfinite(off)], on[np.isfinite(on)]
    if min(len(off), len(on)) < LEAST_N:
        raise ReadingsError("too few readings with the drive off or on", allowed=f"at least {LEAST_N} of each")
    least = max(resolution / math.sqrt(12), _ROUNDING * float(np.abs(on).max()), 1e-300)
    ratio = max(float(on.std(ddof=1)), least) / max(float(off.std(ddof=1)), least)
    # Variance of ln s is (kurtosis - 1) / 4n for large n.
    error = math.sqrt(sum(max(kurtosis(each) - 1, _LEAST_FLATNESS) / (4 * len(each)) for each in (off, on)))
    levels = float(np.median(off)), float(np.median(on))
    away = abs(levels[1] - levels[0])
    sds = max(float(off.std(ddof=1)), float(on.std(ddof=1)), resolution)
    are_apart = away > _APART_SDS * sds and away > _APART_SHARE * max(abs(each) for each in levels)
    sizes = sorted(abs(each) for each in levels)
    by_level = sizes[1] / max(sizes[0], 1e-300) if are_apart else 1.0
    return DriveEffect(ratio=ratio, z_ratio=math.log(ratio) / error, levels=levels, by_level=by_level)


def drive_line(
    off: tuple[FloatArray, FloatArray], on: tuple[FloatArray, FloatArray], rate_Hz: float
) -> DriveLine | None:
    """Whether a line comes with the drive; None where the drive off leaves more than a third of it.

    Args:
        off: readings and times in s with the drive off; each of shape (m,), any unit.
        on: the same with the drive on.
        rate_Hz: the line, as `noise_of` found it with the drive on.
    """
    amplitudes = []
    for values, times_s in (off, on):
        is_read = np.isfinite(values)
        y, t = values[is_read], times_s[is_read]
        width_Hz = 1 / float(t[-1] - t[0])
        near_Hz, _ = strongest(y, t, max(rate_Hz - width_Hz, width_Hz / 4), rate_Hz + width_Hz, _NEAR_N)
        amplitudes.append(float(fit_sines(y, t, (near_Hz,))[0][0]))
    left = amplitudes[0] / amplitudes[1] if amplitudes[1] else math.inf
    if left > _LEFT:
        return None
    interval_s = float(np.median(np.diff(on[1])))
    near = [
        f"{order} x {mains_Hz:g} Hz"
        for mains_Hz in (50.0, 60.0)
        for order in range(1, _ORDERS_N + 1)
        if abs(alias_Hz(order * mains_Hz, interval_s) - rate_Hz)
        < order * mains_Hz * MAINS_OFF + 1 / float(on[1][-1] - on[1][0])
    ]
    return DriveLine(rate_Hz=rate_Hz, interval_s=interval_s, left=left, mains=near[0] if near else "")
