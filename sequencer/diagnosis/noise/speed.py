"""How the speed of a pulse train changes: slowly one way or another, or to and fro as something that is regulated."""

import math

import numpy as np

from sequencer.evaluation.figures.per_point import BoolArray, FloatArray

__all__ = ["speed_of"]

_FIT_N = 50_000  # periods that a change of speed is told by; of more, some
_FAR, _FAR_LEAST = 6.0, 1e-4  # in medians of how far a period is off; as a share
_FEWEST_SWINGS, _MOST_SWINGS, _TRIED_N = 1.5, 6.5, 65  # in the record; fewer are a change, more a swing of the period
_NEARER_N, _NEARER_TRIED_N = 2, 11
_OVERTONES_N = 3  # sines of a swing: a speed that swings far has periods that are no sine
_HALVED = 0.5  # of the squares that the polynomial leaves, that a swing may leave
_TAKEN = 0.9  # of the squares about a line that a swing takes
_FIRST = 4.0  # times the squares of the overtones: these alone are a swing that comes too often
_WORTH = 0.03  # that nearly all periods differ by, from which on a swing is worth the search
_LEAST_SIZES = 4  # periods for each size that is fitted


def speed_of(
    begins_s: FloatArray,
    periods_s: FloatArray,
    is_single: BoolArray,
    degree: int,
    *,
    pulses_per_revolution: int | None = None,
) -> tuple[FloatArray, float]:
    """The period as the speed alone would have it, and how often the speed swings; NaN where it does not.

    Args:
        begins_s: when each period begins, shape (n,).
        periods_s: shape (n,).
        is_single: of one pulse, without fault, shape (n,).
        degree: of the polynomial that a change may follow: it leaves whatever comes back often.
        pulses_per_revolution: of the wheel, whose revolutions are no swing of the speed; None = not known.
    """
    smooth_s = _polynomial(periods_s, is_single, degree)
    most_n = _MOST_SWINGS
    if pulses_per_revolution:  # the overtones of a swing too are slower than the wheel
        most_n = min(most_n, len(periods_s) / pulses_per_revolution / (_OVERTONES_N + 1))
    if most_n <= _FEWEST_SWINGS:
        return smooth_s, math.nan
    swing = _swing(begins_s + periods_s / 2, periods_s, is_single, smooth_s, most_n)
    return (smooth_s, math.nan) if swing is None else swing


def _polynomial(periods_s: FloatArray, is_single: BoolArray, degree: int) -> FloatArray:
    index = np.arange(len(periods_s), dtype=np.float64)
    sound = np.flatnonzero(is_single)
    sound = sound[:: -(-len(sound) // _FIT_N)]
    at, said = index[sound], np.log(periods_s[sound])
    away = said - np.polynomial.Polynomial.fit(at, said, degree)(at)
    # A few periods that are far off, as about a weak tooth, say nothing of the speed.
    kept = np.abs(away - np.median(away)) <= max(_FAR * float(np.median(np.abs(away - np.median(away)))), _FAR_LEAST)
    degree = min(degree, int(kept.sum()) // 3)
    return np.asarray(np.exp(np.polynomial.Polynomial.fit(at[kept], said[kept], degree)(index)))


def _swing(
    at_s: FloatArray, periods_s: FloatArray, is_single: BoolArray, smooth_s: FloatArray, most_n: float
) -> tuple[FloatArray, float] | None:
    """A line and a swing with its overtones, where that leaves far less than a polynomial does; None where not."""
    sound = np.flatnonzero(is_single)
    sound = sound[:: -(-len(sound) // _FIT_N)]
    if len(sound) < _LEAST_SIZES * (2 * _OVERTONES_N + 3):
        return None
    shortest_s, longest_s = np.quantile(periods_s[sound], (0.05, 0.95))
    if longest_s < (1 + _WORTH) * shortest_s:
        return None
    said, length_s = np.log(periods_s), float(at_s[sound[-1]] - at_s[sound[0]])
    left = said[sound] - np.log(smooth_s[sound])
    by_polynomial = float(left @ left)
    about = said[sound] - np.polynomial.Polynomial.fit(at_s[sound], said[sound], 1)(at_s[sound])
    if not by_polynomial > 0:
        return None

    def fitted(rate_Hz: float) -> tuple[float, FloatArray]:
        basis = _basis(at_s[sound] - at_s[0], rate_Hz, length_s)
        sizes = np.asarray(np.linalg.lstsq(basis, said[sound], rcond=None)[0], dtype=np.float64)
        rest = said[sound] - basis @ sizes
        return float(rest @ rest), sizes

    best_Hz, step_Hz, tried_n = (_FEWEST_SWINGS + most_n) / 2 / length_s, 0.0, _TRIED_N
    reach_Hz = (most_n - _FEWEST_SWINGS) / 2 / length_s
    for _ in range(_NEARER_N + 1):
        rates_Hz = np.linspace(best_Hz - reach_Hz, best_Hz + reach_Hz, tried_n)
        squares = [fitted(each)[0] for each in rates_Hz.tolist()]
        best_Hz, step_Hz = float(rates_Hz[int(np.argmin(squares))]), float(rates_Hz[1] - rates_Hz[0])
        if min(squares) > by_polynomial:
            return None
        reach_Hz, tried_n = step_Hz, _NEARER_TRIED_N
    squares_left, sizes = fitted(best_Hz)
    of_line = float(about @ about)
    first, overtones = float(sizes[2:4] @ sizes[2:4]), float(sizes[4:] @ sizes[4:])
    if squares_left > min(_HALVED * by_polynomial, (1 - _TAKEN) * of_line) or first < _FIRST * overtones:
        return None
    return np.asarray(np.exp(_basis(at_s - at_s[0], best_Hz, length_s) @ sizes)), 1 / best_Hz


def _basis(at_s: FloatArray, rate_Hz: float, length_s: float) -> FloatArray:
    turns = 2 * np.pi * rate_Hz * at_s
    sines = [each(order * turns) for order in range(1, _OVERTONES_N + 1) for each in (np.cos, np.sin)]
    return np.stack((np.ones_like(at_s), at_s / length_s, *sines), axis=1)
