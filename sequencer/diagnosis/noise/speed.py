"""How the speed of a pulse train changes: slowly one way or another, or to and fro as something that is regulated."""

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, signal

from sequencer.evaluation.figures.per_point import BoolArray, FloatArray, IntArray

__all__ = ["Speed", "jitter_of", "speed_of"]

_FIT_N = 50_000  # periods that a change of speed is told by; of more, some
_FAR, _FAR_LEAST = 6.0, 1e-4  # in medians of how far a period is off; as a share
_NEAR_N = 7  # periods that one is held against
_BLOCKS_N = 1024  # means of neighbouring periods that a swing is told by
_FEWEST_SWINGS, _MOST_SWINGS, _TRIED_N = 1.5, 8.5, 85  # in the record; fewer are a change, more a swing of the period
_NEARER_N, _NEARER_TRIED_N = 2, 11
_OVERTONES_N = 3  # sines of a swing: a speed that swings far has periods that are no sine
_TAKEN = 0.9  # of the squares about a line, jitter taken off, that a swing takes
_FIRST = 4.0  # times the squares of the overtones: these alone are a swing that comes too often
_WORTH = 0.002  # amplitude of a swing that is worth a word, as a share of the rate
_OVER_JITTER = 5.0  # times what jitter makes of a sine through as many
_SMOOTH_N, _LEAST_SMOOTH_N, _SMOOTH_DEGREE = 31, 9, 3  # periods that a smooth course goes through, and as what
_CHANCE = 3.0  # standard deviations of the correlation of neighbours
_LEAST_SIZES = 4  # periods for each size that is fitted
_LEAST_SHARE = 1e-7  # of a period: what is less is rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class Speed:
    """The speed of a train.

    Attributes:
        smooth_s: the period as the speed alone would have it, shape (n,).
        degree: of the polynomial that it follows; what a swing takes counts as one.
        swing_every_s: how often it swings; NaN where it does not.
        swing: amplitude of that, as a share of the rate; 0 where it does not.
    """

    smooth_s: FloatArray
    degree: int
    swing_every_s: float = math.nan
    swing: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Blocks:
    """Means of neighbouring periods.

    Attributes:
        at_s: middle of each, shape (m,).
        logs: logarithm of the period, shape (m,).
        noise: variance of these by jitter, from second differences: whatever changes slowly has none.
        length_s: from the first to the last one.
    """

    at_s: FloatArray
    logs: FloatArray
    noise: float
    length_s: float

    def criterion(self, squares: float, sizes_n: int) -> float:
        """Bayesian information criterion (Schwarz 1978, from memory) of sizes that leave so many squares."""
        many = len(self.logs)
        return many * math.log(max(squares / many, self.noise, _LEAST_SHARE**2)) + sizes_n * math.log(many)


def speed_of(
    begins_s: FloatArray,
    periods_s: FloatArray,
    is_single: BoolArray,
    degree: int,
    *,
    pulses_per_revolution: int | None = None,
) -> Speed:
    """The period as the speed alone would have it, and how it swings.

    Args:
        begins_s: when each period begins, shape (n,).
        periods_s: shape (n,).
        is_single: of one pulse, without fault, shape (n,).
        degree: of the polynomial that a change may follow at most: it leaves whatever comes back often.
        pulses_per_revolution: of the wheel, whose revolutions are no swing of the speed; None = not known.
    """
    at_s = begins_s + periods_s / 2
    sound = np.flatnonzero(is_single)
    low_s, high_s = float(periods_s[sound].min()), float(periods_s[sound].max())  # no curve goes beyond what occurs
    smooth_s, used = _polynomial(at_s, periods_s, sound, degree)
    smooth_s = np.clip(smooth_s, low_s, high_s)
    most_n = _MOST_SWINGS
    if pulses_per_revolution:  # the overtones of a swing too are slower than the wheel
        most_n = min(most_n, len(periods_s) / pulses_per_revolution / (_OVERTONES_N + 1))
    if most_n <= _FEWEST_SWINGS:
        return Speed(smooth_s=smooth_s, degree=used)
    blocks = _blocks(at_s[sound], periods_s[sound])
    left = blocks.logs - np.log(np.interp(blocks.at_s, at_s, smooth_s))
    found = _swing(blocks, blocks.criterion(float(left @ left), used + 1), most_n)
    if found is None:
        return Speed(smooth_s=smooth_s, degree=used)
    rate_Hz, sizes, swing = found
    swung_s = np.exp(_basis(at_s - blocks.at_s[0], rate_Hz, blocks.length_s, len(sizes)) @ sizes)
    return Speed(smooth_s=np.clip(swung_s, low_s, high_s), degree=1, swing_every_s=1 / rate_Hz, swing=swing)


def _polynomial(at_s: FloatArray, periods_s: FloatArray, sound: IntArray, degree: int) -> tuple[FloatArray, int]:
    """Period along a polynomial of the rate in time, of degree one in a steady run up; and the degree that it takes."""
    some = sound[:: -(-len(sound) // _FIT_N)]
    at, rates_Hz = at_s[some], 1 / periods_s[some]
    fit = np.polynomial.Polynomial.fit

    def fitted(kept: BoolArray, order: int) -> tuple[FloatArray, FloatArray]:
        curve = fit(at[kept], rates_Hz[kept], order, w=1 / rates_Hz[kept])
        return curve(at_s), rates_Hz / np.maximum(curve(at), 1e-3 * rates_Hz) - 1

    # A few periods that are far off, as about a weak tooth, say nothing of the speed; at the ends least of all.
    away = rates_Hz / ndimage.median_filter(rates_Hz, size=min(_NEAR_N, len(rates_Hz)), mode="mirror") - 1
    kept = np.abs(away - np.median(away)) <= max(_FAR * float(np.median(np.abs(away - np.median(away)))), _FAR_LEAST)
    best, best_curve, used, many = math.inf, np.full(len(at_s), 1 / float(np.median(periods_s[some]))), 0, kept.sum()
    for order in range(min(degree, int(many) // 3) + 1):
        curve, off = fitted(kept, order)
        said = many * math.log(max(float(np.mean(off[kept] ** 2)), _LEAST_SHARE**2)) + (order + 1) * math.log(many)
        if said < best and curve.min() > 0:
            best, best_curve, used = said, curve, order
    return 1 / best_curve, used


def _blocks(at_s: FloatArray, single_s: FloatArray) -> _Blocks:
    """Means of neighbouring periods, as many as are looked at."""
    width = -(-len(single_s) // _BLOCKS_N)
    whole = len(single_s) // width * width
    at, logs = (each[:whole].reshape(-1, width).mean(axis=1) for each in (at_s, np.log(single_s)))
    bends = np.diff(logs, 2)
    noise = (1.4826 * float(np.median(np.abs(bends)))) ** 2 / 6 if len(bends) else math.inf
    return _Blocks(at_s=at, logs=logs, noise=noise, length_s=float(at[-1] - at[0]))


def _swing(blocks: _Blocks, by_polynomial: float, most_n: float) -> tuple[float, FloatArray, float] | None:
    """A line and a swing with its overtones, where these tell the speed better than a polynomial; None where not.

    Returns:
        Its frequency, the sizes of level, slope, cosines and sines, and its amplitude.
    """
    if len(blocks.logs) < _LEAST_SIZES * (2 * _OVERTONES_N + 3) or not blocks.length_s > 0:
        return None
    line = np.polynomial.Polynomial.fit(blocks.at_s, blocks.logs, 1)(blocks.at_s)
    of_line = float(((blocks.logs - line) ** 2).sum())
    if of_line < _TAKEN * len(blocks.logs) * _WORTH**2 / 2:
        return None  # too steady for any swing that is worth a word

    def fitted(rate_Hz: float, sizes_n: int) -> tuple[float, FloatArray]:
        basis = _basis(blocks.at_s - blocks.at_s[0], rate_Hz, blocks.length_s, sizes_n)
        sizes = np.asarray(np.linalg.lstsq(basis, blocks.logs, rcond=None)[0], dtype=np.float64)
        rest = blocks.logs - basis @ sizes
        return float(rest @ rest), sizes

    def nearest(sizes_n: int) -> float:
        best_Hz, tried_n = (_FEWEST_SWINGS + most_n) / 2 / blocks.length_s, _TRIED_N
        reach_Hz = (most_n - _FEWEST_SWINGS) / 2 / blocks.length_s
        for _ in range(_NEARER_N + 1):
            rates_Hz = np.linspace(best_Hz - reach_Hz, best_Hz + reach_Hz, tried_n)
            squares = [fitted(each, sizes_n)[0] for each in rates_Hz.tolist()]
            best_Hz, reach_Hz = float(rates_Hz[int(np.argmin(squares))]), float(rates_Hz[1] - rates_Hz[0])
            tried_n = _NEARER_TRIED_N
        return best_Hz

    tried = [(nearest(sizes_n), sizes_n) for sizes_n in (4, 2 + 2 * _OVERTONES_N)]
    best_Hz, sizes_n = min(tried, key=lambda each: blocks.criterion(fitted(*each)[0], each[1] + 1))
    squares, sizes = fitted(best_Hz, sizes_n)
    if blocks.criterion(squares, sizes_n + 1) > by_polynomial:
        return None
    by_jitter = len(blocks.logs) * blocks.noise
    of_line, left = (max(each - by_jitter, 0.0) for each in (of_line, squares))
    first, overtones = float(sizes[2:4] @ sizes[2:4]), float(sizes[4:] @ sizes[4:])
    amplitude = math.sqrt(first)
    least = max(_WORTH, _OVER_JITTER * math.sqrt(2 * blocks.noise / len(blocks.logs)))
    if amplitude < least or left > (1 - _TAKEN) * of_line or first < _FIRST * overtones:
        return None
    swung = _basis(blocks.at_s - blocks.at_s[0], best_Hz, blocks.length_s, sizes_n)[:, 2:] @ sizes[2:]
    return best_Hz, sizes, math.tanh(float(np.ptp(swung)) / 2)  # of rates whose logarithms lie so far apart


def _basis(at_s: FloatArray, rate_Hz: float, length_s: float, sizes_n: int) -> FloatArray:
    """Level, slope, and so many cosines and sines at a frequency and its multiples, shape (n, sizes_n)."""
    turns = 2 * np.pi * rate_Hz * at_s
    sines = [each(order * turns) for order in range(1, sizes_n // 2) for each in (np.cos, np.sin)]
    return np.stack((np.ones_like(at_s), at_s / length_s, *sines), axis=1)


def jitter_of(relative: FloatArray, swing_n: float) -> tuple[float, float]:
    """Standard deviation of single periods about a smooth course, and a swing that is known; and what of it adds up.

    Args:
        relative: periods about the speed, shape (n,), in order.
        swing_n: periods after which they swing; NaN where they do not.

    Returns:
        Both robust, as a share. Where each edge is off by itself, nothing adds up: the next period makes up for it.
    """
    left, many = relative - np.median(relative), len(relative)
    if math.isfinite(swing_n):
        turns = 2 * np.pi * np.arange(many) / swing_n
        basis = np.stack((np.ones(many), np.cos(turns), np.sin(turns)), axis=1)
        left = left - basis @ np.linalg.lstsq(basis, left, rcond=None)[0]
    width = min(_SMOOTH_N, many // 2 * 2 - 1)
    kept = 1.0
    if width >= _LEAST_SMOOTH_N:
        weights = signal.savgol_coeffs(width, _SMOOTH_DEGREE)
        # The smooth course takes some of the jitter along: its weight on the period itself.
        left, kept = left - signal.savgol_filter(left, width, _SMOOTH_DEGREE), 1 - float(weights[width // 2])
        if many > 2 * width:
            left = left[width // 2 : -(width // 2)]  # at the ends it takes more
    jitter, pairs = _deviation(left) / math.sqrt(kept), _deviation(left[1:] + left[:-1])
    # Of two neighbours: twice the variance of one where they know nothing of each other, none where one makes up for
    # the other. Chance of so few is taken off.
    together = (pairs / max(_deviation(left), _LEAST_SHARE)) ** 2 - 1 - _CHANCE / math.sqrt(len(left))
    return jitter, jitter * math.sqrt(min(max(together, 0.0), 1.0))


def _deviation(values: FloatArray) -> float:
    """Standard deviation, robust."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
