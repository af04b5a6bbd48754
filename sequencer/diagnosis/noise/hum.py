"""Strong hum of mains: its frequencies, and a trace without it."""

import itertools
from collections.abc import Sequence

import numpy as np

from sequencer.diagnosis.noise.inverter import MAINS_Hz, mains_of
from sequencer.diagnosis.noise.sines import fit_sines
from sequencer.diagnosis.noise.spectrum import Line
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["hum_rates", "without_hum"]

_STRONG = 0.08  # of the trace from end to end: a fifth of the swing of pulses and more
_OVERTONE = 0.03  # of the hum, from which on a multiple of it is taken out as well
_MOST_ORDER = 7
_LEAST_PERIODS = 5.0  # of mains in the record
_PART_N = 2**18  # samples that the sines are fitted to together
_FINE_N, _STEPS_N = 2**15, 24  # samples that the frequency is found from; steps of the search
_GOLDEN = (5**0.5 - 1) / 2


def hum_rates(lines: Sequence[Line], swing: float, length_s: float) -> tuple[float, ...]:
    """Frequencies of strong hum and of its multiples; () where there is none that is strong.

    Args:
        lines: of the trace.
        swing: of the trace, from end to end.
        length_s: of the trace.
    """
    for mains_Hz in MAINS_Hz:
        name = f"{mains_Hz:g} Hz mains"
        strong = [each for each in lines if mains_of(each.rate_Hz, 1 / length_s) == name]
        if mains_Hz * length_s < _LEAST_PERIODS or not strong or 2 * strong[0].amplitude < _STRONG * swing:
            continue
        hum = strong[0]
        orders = [
            order
            for order in range(2, _MOST_ORDER + 1)
            for each in lines
            if abs(each.rate_Hz - order * hum.rate_Hz) < 1 / length_s and each.amplitude > _OVERTONE * hum.amplitude
        ]
        return tuple(order * hum.rate_Hz for order in (1, *dict.fromkeys(orders)))
    return ()


def without_hum(values: FloatArray, times_s: FloatArray, rates_Hz: tuple[float, ...]) -> tuple[FloatArray, float]:
    """The trace less sines at these frequencies, the first one refined, and how far these moved it, from end to end.

    Args:
        values: shape (n,), no NaN.
        times_s: shape (n,), rising.
        rates_Hz: from `hum_rates`.
    """
    exact = _refined(values, times_s, rates_Hz[0])
    scaled = tuple(each * exact / rates_Hz[0] for each in rates_Hz)
    left = np.empty_like(values)
    moved = 0.0
    ends = np.linspace(0, len(values), -(-len(values) // _PART_N) + 1).astype(np.int64).tolist()
    for part in (slice(begin, end) for begin, end in itertools.pairwise(ends)):
        amplitudes, rest = fit_sines(values[part], times_s[part], scaled)
        left[part] = rest + values[part].mean()
        moved = max(moved, 2 * float(amplitudes.sum()))
    return left, moved


def _refined(values: FloatArray, times_s: FloatArray, rate_Hz: float) -> float:
    """The frequency near one at which a sine takes most of the squares (golden section)."""
    every = -(-len(values) // _FINE_N)
    y, t = values[::every], times_s[::every]
    width_Hz = 0.5 / float(t[-1] - t[0])

    def left(at_Hz: float) -> float:
        rest = fit_sines(y, t, (at_Hz,))[1]
        return float(rest @ rest)

    low, high = rate_Hz - width_Hz, rate_Hz + width_Hz
    for _ in range(_STEPS_N):
        first, second = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        low, high = (low, second) if left(first) < left(second) else (first, high)
    return (low + high) / 2
