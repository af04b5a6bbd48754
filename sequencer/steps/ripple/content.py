"""Ripple in readings that were taken in a row: sines that stand out of the noise, and what the meter hides of others.

What scatters from reading to reading without a rhythm, as the noise of meter and unit does, is told beside the ripple
and not counted as such. Arrays in, figures out.
"""

import math
from dataclasses import dataclass

import numpy as np

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.burst import LEAST_N
from sequencer.diagnosis.noise.kinds.mains import MAINS_OFF
from sequencer.diagnosis.noise.kinds.sine import strongest
from sequencer.diagnosis.noise.sines import alias_Hz, false_alarm, fit_sines, kept_by_aperture
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["Blind", "Line", "Ripple", "ripple"]

_MOST_LINES = 3
_ALARM = 1e-4  # chance that white noise gives a line as strong
_FEWEST_TURNS = 2
_ORDERS = (1, 2, 3, 6, 12)  # of mains: rectifiers of one and three phases ripple at 2, 6 and 12 (common practice)
_AS_GOOD = 0.98  # of the squares that the line takes where it is seen
_LEAST_KEPT = 0.05  # of an amplitude by the aperture: less is rounding
_HIDDEN = 0.5  # of an amplitude: more is hidden, and nothing seen is no proof
_K = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One sine in the readings.

    Attributes:
        seen_Hz: below half the reading rate.
        amplitude: half of peak to peak, as read.
        mains_Hz: multiples of mains that would be read as that, with the share that the aperture passes.
    """

    seen_Hz: float
    amplitude: float
    mains_Hz: tuple[tuple[float, float], ...]

    @property
    def likely(self) -> tuple[float, float] | None:
        """The multiple of mains that needs to be smallest to be read so, and what passes of it; None = no such one."""
        best = max(self.mains_Hz, key=lambda each: each[1], default=(0.0, 0.0))
        return best if best[1] >= _LEAST_KEPT else None

    @property
    def whole(self) -> float:
        """Amplitude before the aperture, if it is that multiple; else as read."""
        return self.amplitude if self.likely is None else self.amplitude / self.likely[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Blind:
    """A frequency that is watched for: the share that `passes` the aperture, and whether it is an alias of 0 Hz."""

    rate_Hz: float
    passes: float
    appears_Hz: float
    is_at_rest: bool

    @property
    def is_hidden(self) -> bool:
        """Whether it could be there and not be seen."""
        return self.is_at_rest or self.passes < _HIDDEN


@dataclass(frozen=True, slots=True, kw_only=True)
class Ripple:
    """What swings, in the unit of the readings.

    Attributes:
        lines: that stand out of the noise, strongest first.
        peak_to_peak: of the sum of the lines, as read.
        rms: of the same.
        whole: peak to peak before the aperture, if the lines are of mains.
        U: expanded uncertainty of `peak_to_peak`.
        least: peak to peak of a line that would just have been found.
        noise_sd: of what is left: meter and unit together.
        read_peak_to_peak: largest less smallest reading.
        watched: multiples of mains, and what the meter passes of each.
        interval_s: from reading to reading (median).
        aperture_s: of one reading.
    """

    lines: tuple[Line, ...]
    peak_to_peak: float
    rms: float
    whole: float
    U: float
    least: float
    noise_sd: float
    read_peak_to_peak: float
    watched: tuple[Blind, ...]
    interval_s: float
    aperture_s: float


def ripple(
    values: FloatArray, times_s: FloatArray, *, mains_Hz: tuple[float, ...], aperture_s: float, resolution: float = 0.0
) -> Ripple:
    """Ripple in readings in a row.

    Args:
        values: shape (n,), no NaN.
        times_s: shape (n,), rising.
        mains_Hz: frequencies of mains that it may come from.
        aperture_s: time that the meter averages over for one reading.
        resolution: one step of the last digit.

    Raises:
        ReadingsError: too few readings.
    """
    n = len(values)
    if n < LEAST_N:
        raise ReadingsError(f"{n} readings tell no ripple", allowed=f"{LEAST_N} or more", todo="take more")
    t = times_s - times_s[0]
    interval_s = float(np.median(np.diff(t)))
    seen, rest = _lines(values - values.mean(), t, interval_s, resolution)
    amplitudes = fit_sines(values, t, seen)[0] if seen else np.empty(0)
    lines = tuple(
        Line(seen_Hz=rate, amplitude=float(size), mains_Hz=_mains(values, t, rate, mains_Hz, aperture_s))
        for rate, size in sorted(zip(seen, amplitudes.tolist(), strict=True), key=lambda each: -each[1])
    )
    noise_sd = float(rest.std(ddof=1 + 2 * len(seen)))
    floor = max(noise_sd, resolution / math.sqrt(12))
    share = 1 - (_ALARM / max(n // 2, 2)) ** (2 / (n - 3))
    return Ripple(
        lines=lines,
        peak_to_peak=2 * sum(each.amplitude for each in lines),
        rms=math.sqrt(sum(each.amplitude**2 for each in lines) / 2),
        whole=2 * sum(each.whole for each in lines),
        U=_K * 2 * floor * math.sqrt(2 * max(len(lines), 1) / n),
        least=2 * floor * math.sqrt(2 * share / (1 - share)),
        noise_sd=noise_sd,
        read_peak_to_peak=float(np.ptp(values)),
        watched=_watched(mains_Hz, aperture_s, interval_s, float(t[-1])),
        interval_s=interval_s,
        aperture_s=aperture_s,
    )


def _lines(y: FloatArray, t: FloatArray, interval_s: float, resolution: float) -> tuple[tuple[float, ...], FloatArray]:
    """Frequencies that stand out one after the other, and what is left."""
    n = len(y)
    seen: tuple[float, ...] = ()
    rest = y
    while len(seen) < _MOST_LINES and float(rest.std()) > 0:
        rate_Hz, share = strongest(rest, t, _FEWEST_TURNS / float(t[-1]), 0.5 / interval_s, n / 2)
        amplitudes, left = fit_sines(y, t, (*seen, rate_Hz))
        # A swing of less than a digit is the digit.
        if false_alarm(share, n, n // 2) > _ALARM or amplitudes[-1] < resolution / 2:
            break
        seen, rest = (*seen, rate_Hz), left
    return seen, rest


def _mains(
    y: FloatArray, t: FloatArray, seen_Hz: float, mains_Hz: tuple[float, ...], aperture_s: float
) -> tuple[tuple[float, float], ...]:
    """Multiples of mains that explain the readings, at the times they were taken, as well as the frequency seen."""
    _, share = strongest(y, t, seen_Hz * 0.999, seen_Hz * 1.001, 1.0)
    found = []
    for rate_Hz in sorted({order * each for each in mains_Hz for order in _ORDERS}):
        off_Hz = MAINS_OFF * rate_Hz
        near_Hz, taken = strongest(y, t, rate_Hz - off_Hz, rate_Hz + off_Hz, max(2 * off_Hz * float(t[-1]), 1.0))
        if taken >= _AS_GOOD * share:
            found.append((rate_Hz, kept_by_aperture(near_Hz, aperture_s)))
    return tuple(found)


def _watched(mains_Hz: tuple[float, ...], aperture_s: float, interval_s: float, lasts_s: float) -> tuple[Blind, ...]:
    """Mains and its double, and what these readings show of each."""
    rates = sorted({order * each for each in mains_Hz for order in (1, 2)})
    return tuple(
        Blind(
            rate_Hz=rate,
            passes=kept_by_aperture(rate, aperture_s),
            appears_Hz=(appears := alias_Hz(rate, interval_s)),
            is_at_rest=appears * lasts_s < _FEWEST_TURNS,
        )
        for rate in rates
    )
