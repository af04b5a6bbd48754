"""Lags and damped swings, weighed by the probability of few readings (Bayes' theorem).

A shape is a time constant and a pulsation; its amplitudes and the level it comes to are integrated out in closed form.
Times are in nominal time constants.
"""

from dataclasses import dataclass
from math import exp, log, sqrt

import numpy as np
import numpy.typing as npt

from sequencer.running.settling_bounds import FloatArray

__all__ = ["LAGS", "SWINGS", "Kind", "Likely", "Readings", "exceeded", "log_prior", "weighed"]

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
        own: share of what is still to go that a unit may be off its equation, or a shape of the grid off the unit.
        is_lag: no pulsation.
        taus: time constants, evenly spaced by their logarithm.
        turns: pulsations.
        x: logarithm of the time constant of each shape, shape (taus.size * turns.size,).
        turn: its pulsation.
        decay: its rate over its pulsation.
        lead: arctangent of that: so far before a crest of the cosine stands an extremum.
        crest: cosine of that.
    """

    def __init__(self, *, taus: FloatArray, turns: FloatArray, own: float) -> None:
        self.own, self.is_lag = own, not turns.any()
        self.taus, self.turns = taus, turns
        self.x, self.turn = np.repeat(np.log(taus), turns.size), np.tile(turns, taus.size)
        if not self.is_lag:
            self.decay = np.exp(-self.x) / self.turn
            self.lead = np.arctan(self.decay)
            self.crest = np.cos(self.lead)

    def envelopes(self, u: FloatArray) -> FloatArray:
        """What is still to go, shape (u.size, taus.size); never so little or so much that it overflows."""
        return np.asarray(np.exp(np.clip(u[:, None] / -self.taus, -_MOST_FOLDS, _MOST_FOLDS)))


LAGS = Kind(taus=np.geomspace(0.2, 6.0, 600), turns=np.zeros(1), own=0.01)
SWINGS = Kind(taus=np.geomspace(0.3, 4.0, 18), turns=np.arange(0.8, 9.0, 0.15), own=0.1)


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

    def variances(self, own: float) -> FloatArray:
        """Of each reading under each noise, shape (noises, readings); what a swing had at its zeros is not lost.

        Args:
            own: share of what is still to go.
        """
        away = np.abs(self.y)
        to_go = [0.0]
        for here, gone in zip(away.tolist(), np.exp(np.diff(self.u, prepend=0.0)).tolist(), strict=True):
            to_go.append(max(here, to_go[-1] / gone))
        size = np.maximum(np.maximum.accumulate(away[::-1])[::-1], to_go[1:])
        return np.asarray(self.floor + (_NOISES[:, None] * self.band) ** 2 + (own * size) ** 2)


def log_prior(kind: Kind, of_all: float, middle: float, spread: float) -> FloatArray:
    """Logarithm of the probability of each shape before the readings.

    Args:
        kind: of shapes.
        of_all: share of units of this kind.
        middle: logarithm of the time constant that is expected.
        spread: its standard deviation.
    """
    near = np.exp(-0.5 * ((kind.x - middle) / spread) ** 2) / spread
    wide = np.exp(-0.5 * (kind.x / _WIDE) ** 2) / _WIDE
    p = (1 - _WIDE_SHARE) * near + _WIDE_SHARE * wide
    return np.asarray(np.log(of_all * p / p.sum()))


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


def weighed(readings: Readings, kind: Kind, prior: FloatArray) -> Likely | None:
    """The shapes of a kind that are likely; None where none holds the readings.

    Amplitudes are normal about 0, as large as was seen, and any level is as likely; both are integrated out.

    Args:
        readings: at least three.
        kind: of shapes.
        prior: as `log_prior` gives it.
    """
    u, y, variance = readings.u, readings.y, readings.variances(kind.own)
    e = kind.envelopes(u)
    # Late readings are noise over next to nothing: they do not make a step larger than all that was seen.
    away = np.abs(y)
    size = np.maximum(np.minimum((away[:, None] / e).max(axis=0), _CREST * float(away.max())), readings.band)
    if readings.began is not None:
        at, began = readings.began
        before = kind.envelopes(np.array([at]))
        size = np.maximum(size, abs(began) / before[0])
        u, y, e = np.append(u, at), np.append(y, began), np.concatenate((e, before))
        variance = np.concatenate((variance, variance[:, :1] + (_START * began) ** 2), axis=1)
    size = np.repeat(size, kind.turns.size)
    fit = _lags_fit if kind.is_lag else _swings_fit
    weights = 1 / variance
    columns = e if kind.is_lag else (e[:, :, None] * np.exp(1j * kind.turns * u[:, None, None])).reshape(u.size, -1)
    chi, volume, a, b, var = fit(weights, y, columns, size)
    freedom = max(u.size - (2 if kind.is_lag else 3), 1)
    if float(chi[-1].min()) > freedom + _GATE * sqrt(2 * freedom):  # at last for the largest noise
        return None
    alone = -0.5 * (chi + volume + np.log(variance).sum(axis=1, keepdims=True))
    log_p = alone + prior
    likely = np.flatnonzero(log_p > log_p.max() - _NEGLIGIBLE)
    shapes = likely % kind.x.size
    now = columns[readings.u.size - 1][shapes]
    left = np.abs(now)
    a, sd = a.ravel()[likely], np.sqrt(var.ravel()[likely]) * left
    about = (0.0, 0.0)
    if kind.is_lag:
        peak = np.abs(a) * left
        p = np.exp(alone - alone.max()).sum(axis=0)
        p /= p.sum()
        mean = float(p @ kind.x)
        about = (mean, sqrt(float(p @ (kind.x - mean) ** 2)))
    else:
        coming = (a - 1j * b.ravel()[likely]) * now  # its real part is the error
        later = np.mod(-kind.lead[shapes] - np.angle(coming), np.pi)
        crest = np.abs(coming) * np.exp(-kind.decay[shapes] * later) * kind.crest[shapes]
        peak = np.maximum(np.abs(coming.real), crest)
    return Likely(log_p=log_p.ravel()[likely], peak=peak, sd=sd, x=kind.x[shapes], alone=about)


def _lags_fit(w: FloatArray, y: FloatArray, e: FloatArray, size: FloatArray) -> tuple[FloatArray, ...]:
    """Chi-square, logarithm of the volume, amplitude, again, and its variance, by noise and shape."""
    w_sum, wy = w.sum(axis=1, keepdims=True), w * y
    of_1, mean = w @ e, wy.sum(axis=1, keepdims=True) / w_sum
    normal = w @ (e * e) - of_1 * of_1 / w_sum + size**-2
    right = wy @ e - of_1 * mean
    a = right / normal
    chi = wy @ y[:, None] - mean * mean * w_sum - a * right
    return chi, np.log(normal * size**2) + np.log(w_sum), a, a, 1 / normal


def _swings_fit(
    w: FloatArray, y: FloatArray, waves: npt.NDArray[np.complex128], size: FloatArray
) -> tuple[FloatArray, ...]:
    """Chi-square, logarithm of the volume, amplitudes of cosine and sine and their larger variance, as for lags."""
    cos, sin = waves.real, waves.imag
    w_sum, wy = w.sum(axis=1, keepdims=True), w * y
    mean, small = wy.sum(axis=1, keepdims=True) / w_sum, size**-2
    of_c, of_s = w @ cos, w @ sin
    a_a = w @ (cos * cos) - of_c * of_c / w_sum + small
    b_b = w @ (sin * sin) - of_s * of_s / w_sum + small
    a_b = w @ (cos * sin) - of_c * of_s / w_sum
    r_a, r_b = wy @ cos - of_c * mean, wy @ sin - of_s * mean
    determinant = a_a * b_b - a_b * a_b
    a, b = (b_b * r_a - a_b * r_b) / determinant, (a_a * r_b - a_b * r_a) / determinant
    chi = wy @ y[:, None] - mean * mean * w_sum - a * r_a - b * r_b
    volume = np.log(determinant * size**4) + np.log(w_sum)
    return chi, volume, a, b, np.maximum(a_a, b_b) / determinant


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
