"""Main lines of the spectrum of an evenly sampled trace."""

from dataclasses import dataclass

import numpy as np

from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["Line", "main_lines"]

_MOST_N = 2**20
_ABOVE = 8.0  # times the median amplitude: white noise of a million samples stays below


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line: frequency, and the amplitude (half of peak to peak) of its sine in the unit of the trace."""

    rate_Hz: float
    amplitude: float


def main_lines(values: FloatArray, interval_s: float, *, most: int = 5) -> tuple[Line, ...]:
    """The strongest lines above the noise, strongest first.

    Args:
        values: shape (n,), evenly spaced; of more than 2 ** 20 the first so many are taken.
        interval_s: between two.
        most: how many lines at most.

    Hann window, amplitude and frequency by a parabola through the logarithms of three neighbours.
    """
    y = values[:_MOST_N]
    n = len(y)
    if n < 32 or np.ptp(y) == 0:
        return ()
    window = np.hanning(n)
    amplitude = 2 * np.abs(np.fft.rfft((y - y.mean()) * window)) / window.sum()
    noise = max(float(np.median(amplitude)), 1e-9 * float(amplitude.max()))
    inner = amplitude[2:-1]
    is_peak = (inner > amplitude[1:-2]) & (inner >= amplitude[3:]) & (inner > _ABOVE * noise)
    found: list[Line] = []
    for peak in (np.flatnonzero(is_peak) + 2).tolist():
        left, middle, right = (float(np.log(max(each, 1e-300))) for each in amplitude[peak - 1 : peak + 2])
        bend = left - 2 * middle + right
        shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
        top = float(np.exp(middle - 0.25 * (left - right) * shift))
        found.append(Line(rate_Hz=(peak + shift) / (n * interval_s), amplitude=top))
    found.sort(key=lambda line: -line.amplitude)
    # Side lobes and leakage of the strongest are no lines of their own.
    return tuple(line for line in found if line.amplitude > 1e-3 * found[0].amplitude)[:most]
