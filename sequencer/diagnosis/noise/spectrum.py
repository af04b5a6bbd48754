"""Main lines of the spectrum of an evenly sampled trace."""

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from sequencer.evaluation.figures.per_point import FloatArray
from sequencer.readings.waveform import step_of

__all__ = [
    "Line",
    "amplitude_at",
    "amplitudes",
    "evenly",
    "less_mean",
    "lines_in",
    "main_lines",
    "peaks_in",
    "stands_out",
    "without_wander",
]

_MOST_N = 2**20
_OFF_GRID = 0.1  # of an interval
_NEAR_N = 9
_BLOCK_N = 256  # amplitudes that the noise is the median of
_LACKING = 0.2  # of the samples that may lack
_WHOLE_MAINS_S = 0.1
_LONG_N, _STRETCH = 16, 0.25  # samples that lack together; of all samples one stretch has at least
_BESIDE, _STANDS_OUT = (2, 16), 6.0  # amplitudes to either side; times their median
_LEAKS = 1e-3  # of the strongest line
_ABOVE = 8.0  # times the median amplitude: white noise of a million samples stays below


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line: frequency, and the amplitude (half of peak to peak) of its sine in the unit of the trace."""

    rate_Hz: float
    amplitude: float


def evenly(values: FloatArray, times_s: FloatArray) -> tuple[FloatArray, float] | None:
    """Values at one interval throughout, those that lack drawn straight, and the interval; None where it has none.

    Where a longer stretch was not recorded, the longest one that was is taken: a straight line in its place would part
    each line of the spectrum into many.

    Args:
        values: shape (n,), no NaN; of more than 2 ** 20 the first so many are taken.
        times_s: shape (n,), rising.
    """
    values, times_s = values[:_MOST_N], times_s[:_MOST_N]
    whole = _longest(times_s)
    values, times_s = values[whole], times_s[whole]
    length_s = float(times_s[-1] - times_s[0])
    steps = np.diff(times_s)
    # Times may be written with few digits: their median step, times a million, is no length.
    steps /= step_of(times_s)
    many = int(np.maximum(np.round(steps, out=steps), 1, out=steps).sum())
    del steps
    places = times_s - times_s[0]
    places /= length_s
    places *= many
    away = np.round(places)
    away -= places
    if many + 1 > (1 + _LACKING) * len(values) or max(away.max(), -away.min()) > _OFF_GRID:
        return None
    del away
    return (values if len(values) == many + 1 else np.interp(np.arange(many + 1), places, values)), length_s / many


def _longest(times_s: FloatArray) -> slice:
    """The longest stretch that was recorded; all of it where none is long enough."""
    ends = np.flatnonzero(np.diff(times_s) > _LONG_N * step_of(times_s)) + 1
    bounds = np.array([0, *ends.tolist(), len(times_s)])
    longest = int(np.argmax(np.diff(bounds)))
    first, last = bounds[longest], bounds[longest + 1]
    return slice(first, last) if last - first >= _STRETCH * len(times_s) else slice(None)


def amplitudes(values: FloatArray) -> FloatArray:
    """Amplitude at each multiple of one over the length, from 0, Hann window; none where the values are few or flat.

    Args:
        values: shape (n,), evenly spaced; of more than 2 ** 20 the first so many are taken.
    """
    y = values[:_MOST_N]
    if len(y) < 32 or np.ptp(y) == 0:
        return np.empty(0)
    window = _hann(len(y))
    whole = float(window.sum())
    window *= y - y.mean()
    # In the precision of the values: that of a long trace leaves no more room.
    parts = fft.rfft(window.astype(y.dtype, copy=False), overwrite_x=True)
    del window
    found = np.abs(parts).astype(np.float64, copy=False)
    found *= 2
    found /= whole
    return np.asarray(found)


def _hann(n: int) -> FloatArray:
    """Hann window, shape (n,), n > 1; numpy's own takes four times the room meanwhile."""
    window = np.arange(1 - n, n, 2, dtype=np.float64)
    window *= np.pi
    window /= n - 1
    np.cos(window, out=window)
    window *= 0.5
    window += 0.5
    return window


def without_wander(values: FloatArray, interval_s: float, *, least_s: float) -> FloatArray:
    """Values less their running mean over whole periods of mains, of 50 and of 60 Hz, which stay; shape as `values`.

    Args:
        values: shape (n,), evenly spaced.
        interval_s: between two.
        least_s: the mean is at least twice as long.
    """
    width_n = round(_WHOLE_MAINS_S * max(np.ceil(2 * least_s / _WHOLE_MAINS_S), 1) / interval_s)
    return less_mean(values, width_n)


def less_mean(values: FloatArray, width_n: int) -> FloatArray:
    """Values less their running mean over so many, taken twice; shape as `values`."""
    slow = values
    for _ in range(2):
        slow = ndimage.uniform_filter1d(slow, min(max(width_n, 1), len(values)), mode="mirror")
    return np.asarray(values - slow)


def stands_out(line: Line, amplitude: FloatArray, step_Hz: float) -> bool:
    """Whether a line is far stronger than what lies close to either side: noise that wanders has peaks, and no lines.

    Args:
        line: of the spectrum.
        amplitude: of the spectrum, shape (m,), from 0.
        step_Hz: from one to the next.
    """
    at = round(line.rate_Hz / step_Hz)
    near, far = _BESIDE
    beside = np.concatenate((amplitude[max(at - far, 1) : max(at - near, 1)], amplitude[at + near + 1 : at + far + 1]))
    return not len(beside) or line.amplitude > _STANDS_OUT * float(np.median(beside))


def main_lines(values: FloatArray, interval_s: float, *, most: int = 5) -> tuple[Line, ...]:
    """The strongest lines above the noise, strongest first.

    Args:
        values: shape (n,), evenly spaced; of more than 2 ** 20 the first so many are taken.
        interval_s: between two.
        most: how many lines at most.

    Hann window, amplitude and frequency by a parabola through the logarithms of three neighbours.
    """
    return lines_in(amplitudes(values), min(len(values), _MOST_N) * interval_s, most=most)


def lines_in(amplitude: FloatArray, length_s: float, *, most: int) -> tuple[Line, ...]:
    """The same, of a spectrum from `amplitudes`.

    Args:
        amplitude: shape (m,).
        length_s: samples that it is of, times their interval.
        most: how many lines at most.
    """
    rates_Hz, heights = peaks_in(amplitude, length_s)
    order = np.argsort(-heights, kind="stable")[:most]
    # Side lobes and leakage of the strongest are no lines of their own.
    order = order[heights[order] > _LEAKS * heights.max(initial=0.0)]
    pairs = zip(rates_Hz[order].tolist(), heights[order].tolist(), strict=True)
    return tuple(Line(rate_Hz=rate_Hz, amplitude=height) for rate_Hz, height in pairs)


def peaks_in(amplitude: FloatArray, length_s: float) -> tuple[FloatArray, FloatArray]:
    """Frequency and amplitude of each peak above the noise, rising in frequency; each of shape (k,).

    Args:
        amplitude: from `amplitudes`, shape (m,).
        length_s: samples that it is of, times their interval.
    """
    if not len(amplitude):
        return np.empty(0), np.empty(0)
    noise = np.maximum(_background(amplitude), 1e-9 * float(amplitude.max()))
    inner = amplitude[2:-1]
    is_peak = (inner > amplitude[1:-2]) & (inner >= amplitude[3:]) & (inner > _ABOVE * noise[2:-1])
    peaks = np.flatnonzero(is_peak) + 2
    left, middle, right = (np.log(np.maximum(amplitude[peaks + each], 1e-300)) for each in (-1, 0, 1))
    bend = left - 2 * middle + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    return (peaks + shift) / length_s, np.exp(middle - 0.25 * (left - right) * shift)


def _background(amplitude: FloatArray) -> FloatArray:
    """Median amplitude about each frequency: the noise of pulses that come irregularly is not white."""
    blocks_n = max(len(amplitude) // _BLOCK_N, 1)
    whole_n = len(amplitude) // blocks_n
    medians = np.median(amplitude[: blocks_n * whole_n].reshape(blocks_n, whole_n), axis=1)
    return np.asarray(np.interp(np.arange(len(amplitude)), (np.arange(blocks_n) + 0.5) * whole_n, medians))


def amplitude_at(values: FloatArray, interval_s: float, rate_Hz: float, width_Hz: float) -> float:
    """Largest amplitude about a frequency, whether a line stands there or not.

    Args:
        values: shape (n,), evenly spaced; of more than 2 ** 20 the first so many are taken.
        interval_s: between two.
        rate_Hz: where.
        width_Hz: how far to either side.
    """
    y = values[:_MOST_N]
    window = _hann(len(y))
    turns = 2j * np.pi * interval_s * np.arange(len(y))
    parts = (y - y.mean()) * window
    near_Hz = rate_Hz + width_Hz * np.linspace(-1, 1, _NEAR_N)
    return max(2 * abs(complex(parts @ np.exp(-each * turns))) / float(window.sum()) for each in near_Hz.tolist())
