"""Lags and damped swings, weighed by the probability of few readings (Bayes' theorem).

A shape is a time constant and a pulsation; its amplitudes and the level it comes to are integrated out in closed form.
Times are in nominal time constants.
"""

from dataclasses import dataclass
from math import exp, log, sqrt
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from sequencer.running.settling_bounds import FloatArray

__all__ = ["LAGS", "SWINGS", "Kind", "Likely", "Readings", "exceeded", "log_prior", "weighed"]

IntArray: TypeAlias = npt.NDArray[np.int64]

# Picked on simulated runs; tests/bench/bench_settling.py prints what they give on other seeds.
_WIDE, _WIDE_SHARE = 0.9, 0.1  # spread of the logarithm of the time constant where a type sheet is wrong, and how many
_NOISES: FloatArray = np.array([0.1, 0.3, 0.6])  # standard deviations of a reading, in bands, that are thought of
_START = 0.3  # of the step: what dead time and rise leave unknown of where the equation stood at the beginning
_GATE = 3.5  # standard deviations of chi-square, beyond its mean
_CREST = 10.0  # times the largest that was read, that a swing may have been
_MOST_FOLDS = 60.0  # factors of e that are told apart
_NEGLIGIBLE = 15.0  # logarithm of the odds
_CLASS, _LEAST = 0.01, 1e-9  # what is to come is told to so much, and down to so much of the largest
# Upper ends of classes of a normal deviate, and the share in each.
_DEVIATES: FloatArray = np.array([0.5, 1.5, 2.5, 3.5, 4.5])
_SHARES: FloatArray = np.array([0.691462, 0.241730, 0.060598, 0.005977, 0.000233])


class Kind:
    """Grid of shapes of one kind: exp(-u / tau), or that times cos and sin of (turn u).

    Attributes:
        x: logarithms of time constants, evenly spaced.
        rates: their inverses, 1 / tau.
        step: between them.
        turns: pulsations; (0,) = a lag.
        own: share of what is still to go that a unit may be off its equation, or a shape of the grid off the unit.
        coarse: every so many of them are enough to find which are likely.
        decay: rate over pulsation, shape (x.size, turns.size); an extremum stands by its arctangent before a crest of the cosine.
        lead: that arctangent.
    """

    def __init__(self, *, x: FloatArray, turns: FloatArray, own: float, coarse: int = 1) -> None:
        self.x, self.turns, self.own, self.coarse = x, turns, own, coarse
        self.rates, self.step = np.exp(-x), float(x[1] - x[0])
        self.is_lag = not turns.any()
        self.decay = self.rates[:, None] / np.maximum(turns, 1e-9)
        self.lead = np.arctan(self.decay)
        self.crest = np.cos(self.lead)


LAGS = Kind(x=np.arange(log(0.2), log(6.0), 0.005), turns=np.zeros(1), own=0.01, coarse=12)
SWINGS = Kind(x=np.arange(log(0.3), log(4.0), 0.15), turns=np.arange(0.8, 9.0, 0.15), own=0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Readings that are weighed.

    Attributes:
        u: times from the first of them.
        y: levels from the last of them.
        began: time and level of the change, where they are known and belong to the readings.
        band: residual settling error that is allowed.
        floor: least variance of a reading.
    """

    u: FloatArray
    y: FloatArray
    began: tuple[float, float] | None
    band: float
    floor: float


def log_prior(kind: Kind, of_all: float, middle: float, spread: float) -> FloatArray:
    """Logarithm of the probability of each shape before the readings, times the number of pulsations, shape (x.size,).

    Args:
        kind: of shapes.
        of_all: share of units of this kind.
        middle: logarithm of the time constant that is expected.
        spread: its standard deviation.
    """
    near = np.exp(-0.5 * ((kind.x - middle) / spread) ** 2) / spread
    wide = np.exp(-0.5 * (kind.x / _WIDE) ** 2) / _WIDE
    return np.asarray(np.log(of_all / kind.turns.size * ((1 - _WIDE_SHARE) * near + _WIDE_SHARE * wide)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Likely:
    """Shapes that are not negligible.

    Attributes:
        log_p: logarithm of the probability, up to a constant that is the same for all kinds.
        peak: the largest error to come.
        sd: its standard deviation.
        x: logarithm of the time constant.
        alone: mean logarithm of the time constant by the readings alone, and its standard deviation.
    """

    log_p: FloatArray
    peak: FloatArray
    sd: FloatArray
    x: FloatArray
    alone: tuple[float, float]

    @property
    def most(self) -> float:
        """Probability of the likeliest one, as `log_p`."""
        return float(self.log_p.max())

    def lasts(self, level: float) -> float:
        """Time in which the likeliest one comes from where it is to the level; 0 where it is within."""
        at = int(self.log_p.argmax())
        return exp(float(self.x[at])) * log(max(float(self.peak[at]) / level, 1.0))


@dataclass(frozen=True, slots=True)
class _Solved:
    """Shapes under each noise, shape (noises, shapes of one pulsation, pulsations); amplitudes at the first reading.

    Attributes:
        chi: chi-square with the best amplitudes and level.
        log_p: logarithm of the probability of the readings.
        a: amplitude of the cosine, or of the lag.
        b: of the sine; as `a` for lags.
        var_a: variance of `a`.
        var_b: of `b`.
    """

    chi: FloatArray
    log_p: FloatArray
    a: FloatArray
    b: FloatArray
    var_a: FloatArray
    var_b: FloatArray


def weighed(readings: Readings, kind: Kind, prior: FloatArray) -> Likely | None:
    """The shapes of a kind that are likely; None where none holds the readings.

    Args:
        readings: at least three.
        kind: of shapes.
        prior: as `log_prior` gives it.
    """
    at, cells = np.arange(kind.x.size), np.array(log(kind.step))
    if kind.coarse > 1:  # a large step tells the time constant far closer than a short grid
        at = at[:: kind.coarse]
        rough = _solved(readings, kind, at, _NOISES[-1:]).log_p[0, :, 0] + prior[at]
        at, cells = _refined(at, int(at[int(rough.argmax())]), kind)
    solved = _solved(readings, kind, at, _NOISES)
    freedom = max(readings.u.size + (readings.began is not None) - (2 if kind.is_lag else 3), 1)
    if float(solved.chi[-1].min()) > freedom + _GATE * sqrt(2 * freedom):  # at last for the largest noise
        return None
    alone = solved.log_p + cells
    log_p = alone + prior[at][:, None]
    likely = np.flatnonzero(log_p > log_p.max() - _NEGLIGIBLE)
    return _likely(readings, kind, at, solved, log_p, alone, likely)


def _refined(coarse: IntArray, best: int, kind: Kind) -> tuple[IntArray, FloatArray]:
    """Shapes that are dense about the best of a coarse grid, and the logarithms of the widths of their cells."""
    apart = coarse[np.abs(coarse - best) > kind.coarse]
    half = kind.coarse + kind.coarse // 2
    dense = np.arange(max(best - half, 0), min(best + half, kind.x.size))
    widths = np.full((apart.size + dense.size, 1), log(kind.step))
    widths[: apart.size] += log(kind.coarse)
    return np.concatenate((apart, dense)), widths


def _solved(readings: Readings, kind: Kind, at: IntArray, noises: FloatArray) -> _Solved:
    """Each shape under each noise: amplitudes normal about 0, as large as was seen, and any level."""
    u, y, band = readings.u, readings.y, readings.band
    rates = kind.rates[at][:, None]
    e = np.exp(-np.minimum(rates * u, _MOST_FOLDS))
    # Late readings are noise over next to nothing: they do not make a step larger than all that was seen.
    seen = np.abs(y)
    size = np.maximum(np.minimum((seen / e).max(axis=1), _CREST * float(seen.max())), band)
    own = readings.floor + (noises * band) ** 2
    if readings.began is None:
        variance = own[:, None, None] + (kind.own * size[:, None] * e) ** 2
    else:
        began_u, began = readings.began
        before = np.exp(np.minimum(-rates * began_u, _MOST_FOLDS))
        size = np.maximum(size, abs(began) / before[:, 0])
        u, y, e = np.append(u, began_u), np.append(y, began), np.concatenate((e, before), axis=1)
        variance = own[:, None, None] + (kind.own * size[:, None] * e) ** 2
        variance[:, :, -1] += (_START * began) ** 2
    shape = (noises.size, at.size, -1)
    variance = variance.reshape(-1, u.size)
    w = 1 / variance
    we = (w.reshape(shape) * e).reshape(w.shape)
    w_sum, wy_sum = w.sum(axis=1), w @ y
    inverse_size = np.tile(size**-2, noises.size)[:, None]
    mean = (wy_sum / w_sum)[:, None]
    chi = (w @ (y * y) - wy_sum * mean[:, 0])[:, None]
    volume = (np.log(variance).sum(axis=1) + np.log(w_sum))[:, None]
    wee, wey = (we.reshape(shape) * e).reshape(w.shape), we * y
    # Normal equations with the level eliminated.
    if kind.is_lag:
        c_1 = we.sum(axis=1, keepdims=True)
        a_a = wee.sum(axis=1, keepdims=True) - c_1 * c_1 / w_sum[:, None] + inverse_size
        r_a = wey.sum(axis=1, keepdims=True) - c_1 * mean
        a = b = r_a / a_a
        var_a = var_b = 1 / a_a
        chi = chi - a * r_a
        volume = volume + np.log(a_a / inverse_size)
    else:
        angle = u[:, None] * kind.turns
        cos, sin, n = np.cos(angle), np.sin(angle), kind.turns.size
        waves = np.concatenate((cos, sin), axis=1)
        of_1, of_y = we @ waves, wey @ waves
        products = wee @ np.concatenate((waves * waves, cos * sin), axis=1)
        products -= np.concatenate((of_1 * of_1, of_1[:, :n] * of_1[:, n:]), axis=1) / w_sum[:, None]
        of_y -= of_1 * mean
        products[:, : 2 * n] += inverse_size
        a_a, b_b, a_b = products[:, :n], products[:, n : 2 * n], products[:, 2 * n :]
        r_a, r_b = of_y[:, :n], of_y[:, n:]
        determinant = a_a * b_b - a_b * a_b
        var_a, var_b = b_b / determinant, a_a / determinant
        a_b = a_b / determinant
        a, b = var_a * r_a - a_b * r_b, var_b * r_b - a_b * r_a
        chi = chi - a * r_a - b * r_b
        volume = volume + np.log(determinant / inverse_size**2)
    log_p = -0.5 * (chi + volume)
    return _Solved(*(each.reshape(shape) for each in (chi, log_p, a, b, var_a, var_b)))


def _likely(readings, kind, at, solved, log_p, alone, likely) -> Likely:
    """Largest error after the last reading and its standard deviation, for the likely shapes."""
    gone = float(readings.u[-1])
    pulsations_n = kind.turns.size
    of_x = at[likely // pulsations_n % at.size]
    left = np.exp(-np.minimum(kind.rates * gone, _MOST_FOLDS))[of_x]
    a, var = solved.a.ravel()[likely], solved.var_a.ravel()[likely]
    mean, spread = 0.0, 0.0
    if kind.is_lag:
        peak = np.abs(a) * left
        p = np.exp(alone - alone.max()).sum(axis=(0, 2))
        p /= p.sum()
        x = kind.x[at]
        mean = float(p @ x)
        spread = sqrt(float(p @ (x - mean) ** 2))
    else:
        b, of_turn = solved.b.ravel()[likely], likely % pulsations_n
        var = np.maximum(var, solved.var_b.ravel()[likely])
        shape = of_x * pulsations_n + of_turn
        angle = kind.turns * gone
        cos, sin = np.cos(angle)[of_turn], np.sin(angle)[of_turn]
        now, beside = a * cos + b * sin, a * sin - b * cos
        phase = np.arctan2(beside, now)
        later = np.exp(-kind.decay.ravel()[shape] * np.mod(-kind.lead.ravel()[shape] - phase, np.pi))
        size = np.sqrt(now * now + beside * beside)
        peak = left * np.maximum(np.abs(now), size * later * kind.crest.ravel()[shape])
    return Likely(log_p=log_p.ravel()[likely], peak=peak, sd=np.sqrt(var) * left, x=kind.x[of_x], alone=(mean, spread))


def exceeded(risk: float, *kinds: Likely) -> float:
    """What is exceeded with the risk, over all shapes and noises."""
    most = max(each.most for each in kinds)
    log_p, peak, sd = (
        np.concatenate([getattr(each, name) for each in kinds]) if len(kinds) > 1 else getattr(kinds[0], name)
        for name in ("log_p", "peak", "sd")
    )
    values = (peak[:, None] + sd[:, None] * _DEVIATES).ravel()
    shares = (np.exp(log_p - most)[:, None] * _SHARES).ravel()
    largest = float(values.max())
    below = (np.log(np.maximum(values, _LEAST * largest) / largest) / -_CLASS).astype(np.int64)
    beyond = np.cumsum(np.bincount(below, shares))
    return largest * exp(-_CLASS * int(np.searchsorted(beyond, risk * beyond[-1])))
