"""Lags and damped swings, weighed by the probability of few readings (Bayes' theorem).

A shape is a time constant and a pulsation; its amplitudes and the level it comes to are integrated out in closed form.
Times are in nominal time constants.
"""

from dataclasses import dataclass
from math import exp, inf, log, sqrt

import numpy as np

from sequencer.running.settling_bounds import FloatArray

__all__ = ["LAGS", "SWINGS", "Kind", "Likely", "Readings", "Share", "exceeded", "weighed"]

# Picked on simulated runs; tests/bench/bench_settling.py prints what they give on other seeds.
_WIDE, _WIDE_SHARE = 0.9, 0.1  # spread of the logarithm of the time constant where a type sheet is wrong, and how many
_NOISES: FloatArray = np.array([0.1, 0.3, 0.6])  # standard deviations of a reading, in bands, that are thought of
_START = 0.3  # of the step: what dead time and rise leave unknown of where the equation stood at the beginning
_GATE = 3.5  # standard deviations of chi-square, beyond its mean
_CREST = 10.0  # times the largest that was read, that a swing may have been
_MOST_FOLDS = 60.0  # factors of e that are told apart
_NEGLIGIBLE = 15.0  # logarithm of the odds
_FINE_N = 14  # steps of the grid of lags, about its best, for each of the coarse ones
_CLASS, _LEAST = 0.01, 1e-9  # what is to come is told to so much, and down to so much of the largest
# Upper ends of classes of a normal deviate, and the share in each.
_DEVIATES: FloatArray = np.array([0.5, 1.5, 2.5, 3.5, 4.5])
_SHARES: FloatArray = np.array([0.691462, 0.241730, 0.060598, 0.005977, 0.000233])


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """Grid of shapes of one kind: exp(-u / tau), or that times cos and sin of (turn u).

    Attributes:
        x: logarithms of time constants, evenly spaced.
        turns: pulsations; (0,) = a lag.
        own: share of what is still to go that a unit may be off its equation, or a shape of the grid off the unit.
    """

    x: FloatArray
    turns: FloatArray
    own: float

    @property
    def is_lag(self) -> bool:
        return not self.turns.any()


LAGS = Kind(x=np.arange(log(0.2), log(6.0), 0.06), turns=np.zeros(1), own=0.01)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """What is known before the readings.

    Attributes:
        of_all: share of units of this kind.
        middle: logarithm of the time constant that is expected.
        spread: its standard deviation.
    """

    of_all: float
    middle: float
    spread: float

    def log_p(self, x: FloatArray) -> FloatArray:
        """Logarithm of the probability density at each logarithm of a time constant."""
        near = np.exp(-0.5 * ((x - self.middle) / self.spread) ** 2) / self.spread
        wide = np.exp(-0.5 * (x / _WIDE) ** 2) / _WIDE
        return np.asarray(np.log(self.of_all * ((1 - _WIDE_SHARE) * near + _WIDE_SHARE * wide)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Likely:
    """Shapes that are not negligible.

    Attributes:
        log_p: logarithm of the probability, up to a constant that is the same for all kinds.
        peak: the largest error to come.
        sd: its standard deviation.
        x: mean logarithm of the time constant by the readings alone.
        x_sd: its standard deviation.
    """

    log_p: FloatArray
    peak: FloatArray
    sd: FloatArray
    x: float
    x_sd: float

    @property
    def most(self) -> float:
        """Of the likeliest one."""
        return float(self.log_p.max())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Solved:
    """All shapes, by noise, time constant and pulsation; amplitudes at the first reading.

    Attributes:
        chi: chi-square with the best amplitudes and level.
        log_p: logarithm of the probability of the readings.
        a: amplitude of the cosine, or of the lag.
        b: of the sine; zeros for lags.
        var_a: variance of `a`.
        var_b: of `b`.
    """

    chi: FloatArray
    log_p: FloatArray
    a: FloatArray
    b: FloatArray
    var_a: FloatArray
    var_b: FloatArray


def weighed(readings: Readings, kind: Kind, share: Share) -> Likely | None:
    """The shapes of a kind that are likely; None where none holds the readings."""
    x, cells = kind.x, np.full(kind.x.size, log((kind.x[1] - kind.x[0]) / kind.turns.size))
    solved = _solved(readings, kind, x)
    if kind.is_lag:  # a large step tells the time constant far closer than the grid
        best = float(x[int((solved.log_p + share.log_p(x)[:, None]).max(axis=(0, 2)).argmax())])
        x, cells = _refined(x, best)
        solved = _solved(readings, kind, x)
    freedom = max(readings.u.size + (readings.began is not None) - (2 if kind.is_lag else 3), 1)
    if float(solved.chi[-1].min()) > _most_chi(freedom):  # at last for the largest noise
        return None
    alone = solved.log_p + cells[:, None]
    log_p = alone + share.log_p(x)[:, None]
    likely = np.nonzero(log_p > log_p.max() - _NEGLIGIBLE)
    peak, sd = _to_come(solved, kind, x, float(readings.u[-1]), likely)
    p = np.exp(alone - alone.max()).sum(axis=(0, 2))
    p /= p.sum()
    mean = float(p @ x)
    return Likely(log_p=log_p[likely], peak=peak, sd=sd, x=mean, x_sd=sqrt(float(p @ (x - mean) ** 2)))


def _most_chi(freedom: int) -> float:
    return freedom + _GATE * sqrt(2 * freedom)


def _refined(x: FloatArray, best: float) -> tuple[FloatArray, FloatArray]:
    """A grid that is fine about the best of a coarse one, and the logarithms of the widths of its cells."""
    step = float(x[1] - x[0])
    fine = best + step / _FINE_N * np.arange(-1.5 * _FINE_N + 0.5, 1.5 * _FINE_N)
    apart = x[np.abs(x - best) > 1.25 * step]
    return np.concatenate((apart, fine)), np.log(np.repeat((step, step / _FINE_N), (apart.size, fine.size)))


def _solved(readings: Readings, kind: Kind, x: FloatArray) -> _Solved:
    """Each shape under each noise: amplitudes normal about 0, as large as was seen, and any level."""
    u, y, band = readings.u, readings.y, readings.band
    rates = np.exp(-x)[:, None]
    e = np.exp(-np.minimum(rates * u, _MOST_FOLDS))
    # Late readings are noise over next to nothing: they do not make a step larger than all that was seen.
    size = np.maximum(np.minimum((np.abs(y) / e).max(axis=1), _CREST * float(np.abs(y).max())), band)
    beside = 0.0
    if readings.began is not None:
        began_u, began = readings.began
        before = np.exp(np.minimum(-rates * began_u, _MOST_FOLDS))
        size = np.maximum(size, abs(began) / before[:, 0])
        u, y, e = np.append(u, began_u), np.append(y, began), np.concatenate((e, before), axis=1)
        beside = np.append(np.zeros(u.size - 1), (_START * began) ** 2)
    own = readings.floor + (_NOISES * band) ** 2
    variance = own[:, None, None] + ((kind.own * size[:, None] * e) ** 2 + beside)
    w = 1 / variance
    we, wy, inverse_size = w * e, w * y, (1 / size**2)[:, None]
    w_sum, wy_sum = w.sum(axis=2, keepdims=True), wy.sum(axis=2, keepdims=True)
    wey, wee = wy * e, we * e
    angle = kind.turns * u[:, None]
    cos = np.cos(angle)
    # Normal equations with the level eliminated.
    c_1, c_y = we @ cos, wey @ cos
    a_a = wee @ (cos * cos) - c_1 * c_1 / w_sum + inverse_size
    r_a = c_y - c_1 * (wy_sum / w_sum)
    chi = (wy * y).sum(axis=2, keepdims=True) - wy_sum * wy_sum / w_sum
    volume = np.log(variance).sum(axis=2, keepdims=True) + np.log(w_sum)
    if kind.is_lag:
        a, zero = r_a / a_a, np.zeros_like(a_a)
        chi = chi - a * r_a
        volume = volume + np.log(a_a / inverse_size)
        return _Solved(chi=chi, log_p=-0.5 * (chi + volume), a=a, b=zero, var_a=1 / a_a, var_b=zero)
    sin = np.sin(angle)
    s_1, s_y = we @ sin, wey @ sin
    b_b = wee @ (sin * sin) - s_1 * s_1 / w_sum + inverse_size
    a_b = wee @ (cos * sin) - c_1 * s_1 / w_sum
    r_b = s_y - s_1 * (wy_sum / w_sum)
    determinant = a_a * b_b - a_b * a_b
    a, b = (b_b * r_a - a_b * r_b) / determinant, (a_a * r_b - a_b * r_a) / determinant
    chi = chi - a * r_a - b * r_b
    volume = volume + np.log(determinant / inverse_size**2)
    return _Solved(
        chi=chi, log_p=-0.5 * (chi + volume), a=a, b=b, var_a=b_b / determinant, var_b=a_a / determinant
    )


def _to_come(
    solved: _Solved, kind: Kind, x: FloatArray, gone: float, likely: tuple[np.ndarray, ...]
) -> tuple[FloatArray, FloatArray]:
    """Largest error after the last reading, at the time `gone`, and its standard deviation, for the likely shapes."""
    rate = np.exp(-x[likely[1]])
    left = np.exp(-np.minimum(rate * gone, _MOST_FOLDS))
    if kind.is_lag:
        return np.abs(solved.a[likely]) * left, np.sqrt(solved.var_a[likely]) * left
    a, b, turn = solved.a[likely], solved.b[likely], kind.turns[likely[2]]
    size = np.hypot(a, b) * left
    phase = turn * gone - np.arctan2(b, a)
    decay = rate / turn
    lead = np.arctan(decay)  # an extremum stands so far before the crest of the cosine
    crest = size * np.exp(-decay * np.mod(-lead - phase, np.pi)) * np.cos(lead)
    sd = np.sqrt(np.maximum(solved.var_a[likely], solved.var_b[likely])) * left
    return np.maximum(size * np.abs(np.cos(phase)), crest), sd


def exceeded(risk: float, *kinds: Likely) -> float:
    """What is exceeded with the risk, over all shapes and noises."""
    most = max((each.most for each in kinds), default=-inf)
    log_p, peak, sd = (np.concatenate([getattr(each, name) for each in kinds]) for name in ("log_p", "peak", "sd"))
    values = (peak[:, None] + sd[:, None] * _DEVIATES).ravel()
    shares = (np.exp(log_p - most)[:, None] * _SHARES).ravel()
    largest = float(values.max())
    below = (np.log(np.maximum(values, _LEAST * largest) / largest) / -_CLASS).astype(np.int64)
    beyond = np.cumsum(np.bincount(below, shares))
    return largest * exp(-_CLASS * int(np.searchsorted(beyond, risk * beyond[-1])))
