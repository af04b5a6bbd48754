"""Upper bound of the residual settling error where a time constant sees only few readings.

A damped oscillation read so seldom looks like noise, or by chance like a lag: no single fit is to be trusted. All
shapes on a grid, lags and swings, are weighed by the probability of the readings (Bayes' theorem, amplitudes and level
integrated out), and the bound is a quantile of what is to come over all of them.
"""

from dataclasses import dataclass
from math import exp, inf, log, nan, sqrt

import numpy as np

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling_bounds import FloatArray, Seen

__all__ = ["Few"]

# Picked on simulated runs; tests/bench/bench_settling.py prints what they give on other seeds.
_SPARSE = 0.4  # time constants between readings: denser ones give enough for a fit without any supposition
_MOST_N = 24
_FEWEST_N = 3
_AFTER_MISFIT_N = 6  # fewest readings once older ones do not belong to them
_SPREAD = 0.35  # of the logarithm of a time constant about the stated one: within 0.5 to 2 times it by 95 %
_WIDE, _WIDE_SHARE = 0.9, 0.1  # and of the few type sheets that are simply wrong
_NOISES = (0.1, 0.3, 0.6)  # standard deviations of a reading, in bands, that are thought of
# Of what is still to go: no unit is its equation to the last digit, nor is a shape of the grid the unit.
_LAG_SHAPE, _SWING_SHAPE = 0.01, 0.1
_START = 0.3  # of the step: what dead time and rise leave unknown of where the equation stood at the beginning
_RISK = 5e-4  # that more than the bound comes
_SWINGS_SHARE, _SWINGS_SHARE_LEARNT = 0.1, 0.002  # of units that swing: of all, and of those seen to be lags
_GATE = 3.5  # standard deviations of chi-square, beyond its mean
_CREST = 10.0  # times the largest that was read, that a swing may have been
_MOST_FOLDS = 60.0  # factors of e that are told apart
_NEGLIGIBLE = 25.0  # logarithm of the odds
# Upper ends of classes of a normal deviate, and the share in each.
_DEVIATES = np.array([0.5, 1.5, 2.5, 3.5, 4.5])
_SHARES = np.array([0.691462, 0.241730, 0.060598, 0.005977, 0.000233])
# Logarithms of time constants, and pulsations, both in nominal time constants.
_LAGS: FloatArray = np.arange(log(0.2), log(6.0), 0.004)
_SWING_LAGS: FloatArray = np.arange(log(0.3), log(4.0), 0.1)
_TURNS: FloatArray = np.arange(0.8, 9.0, 0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Family:
    """Shapes of one kind, one a row: exp(-rate u), or that times cos and sin of (turn u).

    Attributes:
        x: logarithms of time constants.
        turn: pulsations; 0 = a lag.
        shape: share of what is still to go that a unit may be off its equation.
    """

    x: FloatArray
    turn: FloatArray
    shape: float

    @property
    def is_lag(self) -> bool:
        return not self.turn.any()

    def envelope(self, u: FloatArray) -> FloatArray:
        """What is still to go, shape (shapes, times); never so little or so much that it overflows."""
        return np.asarray(np.exp(np.clip(-np.exp(-self.x)[:, None] * u, -_MOST_FOLDS, _MOST_FOLDS)))

    def basis(self, u: FloatArray) -> FloatArray:
        """Amplitudes' columns and the level's, shape (shapes, 2 or 3, times)."""
        e = self.envelope(u)
        angle = self.turn[:, None] * u
        swings = (e,) if self.is_lag else (e * np.cos(angle), e * np.sin(angle))
        return np.stack((*swings, np.ones_like(e)), axis=1)


_LAG = _Family(x=_LAGS, turn=np.zeros_like(_LAGS), shape=_LAG_SHAPE)
_SWING = _Family(x=np.repeat(_SWING_LAGS, _TURNS.size), turn=np.tile(_TURNS, _SWING_LAGS.size), shape=_SWING_SHAPE)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Watched:
    """Readings that are weighed, times in nominal time constants from the first of them, levels from the last.

    Attributes:
        u: times.
        y: levels.
        begun: time and level of the change, where they are known and belong to the readings.
    """

    u: FloatArray
    y: FloatArray
    begun: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Weighed:
    """Shapes, by noise and shape.

    Attributes:
        log_p: logarithm of the probability, up to a constant that is the same for all families.
        peak: the largest error to come.
        sd: its standard deviation.
        is_held: some shape leaves no more than the largest noise.
    """

    log_p: FloatArray
    peak: FloatArray
    sd: FloatArray
    is_held: bool


class Few:
    """Lags and damped swings, weighed by the last readings.

    Attributes:
        fitted_s: best fitting time constant of a lag, by the readings alone; NaN while none was seen.
        fitted_u: its relative standard uncertainty.
    """

    def __init__(self, rule: SettlingRule, seen: Seen) -> None:
        self._rule = rule
        self._seen = seen
        self.fitted_s = self.fitted_u = nan
        self._is_learnt = rule.learnt_s > 0 and rule.time_constant_s > 0

    @property
    def is_asked(self) -> bool:
        """Readings are so far apart that their scatter cannot be told from motion."""
        tau_s, times = self._rule.time_constant_s, self._seen.times
        return bool(tau_s) and len(times) >= _FEWEST_N and times[-1] - times[-3] >= 2 * _SPARSE * tau_s

    def bound(self) -> float:
        """Bound from the oldest readings that hold; infinite where readings are dense, or none hold."""
        if not self.is_asked:
            return inf
        tau_s, stood_at = self._rule.time_constant_s, self._rule.stood_at
        last_n = self._sparse_n()
        times, values = self._seen.times[-last_n:], self._seen.values[-last_n:]
        is_whole = last_n == len(self._seen.times)
        for first in range(len(times)):
            is_from_start = is_whole and not first
            if len(times) - first < (_FEWEST_N if is_from_start else _AFTER_MISFIT_N):
                break
            t, y = np.array(times[first:]) / tau_s, np.array(values[first:])
            begun = (-float(t[0]), stood_at - float(y[-1])) if is_from_start and stood_at is not None else None
            found = self._bound(_Watched(u=t - t[0], y=y - y[-1], begun=begun))
            if found is not None:
                return found
        return inf

    def _sparse_n(self) -> int:
        """How many of the last readings are so far apart; denser ones before them would count as often as they are."""
        times, n = self._seen.times[-_MOST_N:], _FEWEST_N
        while n < len(times) and times[1 - n] - times[-n - 1] >= 2 * _SPARSE * self._rule.time_constant_s - 1e-9:
            n += 1
        return n

    def _bound(self, watched: _Watched) -> float | None:
        """Bound from these readings; None where no shape holds them."""
        self.fitted_s = self.fitted_u = nan
        share = _SWINGS_SHARE_LEARNT if self._is_learnt else _SWINGS_SHARE
        lags = self._weighed(watched, _LAG, 1 - share)
        if lags.is_held:
            self._take_lag(lags.log_p)
            alone = _exceeded(lags)
            if alone > self._rule.band:  # swings are looked at where they decide
                return alone
            swings = self._weighed(watched, _SWING, share)
            if swings.log_p.max() > lags.log_p.max():
                self.fitted_s = self.fitted_u = nan
            return max(alone, _exceeded(lags, swings))
        swings = self._weighed(watched, _SWING, share)
        return _exceeded(swings) if swings.is_held else None

    def _prior(self, x: FloatArray) -> FloatArray:
        """Logarithm of the probability of each logarithm of a time constant."""
        middle, spread = 0.0, _SPREAD
        if self._is_learnt:
            middle, spread = log(self._rule.learnt_s / self._rule.time_constant_s), self._rule.learnt_spread
        near = np.exp(-0.5 * ((x - middle) / spread) ** 2) / spread
        wide = np.exp(-0.5 * (x / _WIDE) ** 2) / _WIDE
        p = (1 - _WIDE_SHARE) * near + _WIDE_SHARE * wide
        return np.asarray(np.log(p / p.sum()))

    def _weighed(self, watched: _Watched, family: _Family, share: float) -> _Weighed:
        """Each shape under each noise: amplitudes normal about 0, as large as was seen, and any level."""
        basis, y, envelope = family.basis(watched.u), watched.y, family.envelope(watched.u)
        # Late readings are noise over next to nothing: they do not make a step larger than all that was seen.
        most = _CREST * float(np.abs(y).max())
        size = np.maximum(np.minimum((np.abs(y) / envelope).max(axis=1), most), self._rule.band)
        prior = self._prior(family.x) + log(share)
        amplitudes_n, begun = basis.shape[1] - 1, watched.begun
        if begun is not None:
            size = np.maximum(size, abs(begun[1]) / family.envelope(np.array(begun[:1]))[:, 0])
            basis = np.concatenate((family.basis(np.array(begun[:1])), basis), axis=2)
            y = np.concatenate((begun[1:], y))
        rows, freedom = [], max(y.size - amplitudes_n - 1, 1)
        is_held = False
        for noise in _NOISES:
            own = self._seen.floor + (noise * self._rule.band) ** 2
            variance = own + (family.shape * size[:, None] * envelope) ** 2
            if begun is not None:
                variance = np.concatenate((variance[:, :1] + (_START * begun[1]) ** 2, variance), axis=1)
            weighed = basis / variance[:, None, :]
            normal = weighed @ basis.transpose(0, 2, 1)
            normal[:, range(amplitudes_n), range(amplitudes_n)] += 1 / size[:, None] ** 2
            inverse, determinant = _inverse(normal)
            right = weighed @ y
            solved = (inverse @ right[..., None])[..., 0]
            rest = y - (solved[:, None, :] @ basis)[:, 0]
            sizes = ((solved[:, :amplitudes_n] / size[:, None]) ** 2).sum(axis=1)
            chi = (rest * rest / variance).sum(axis=1) + sizes
            volume = np.log(determinant) + np.log(variance).sum(axis=1) + 2 * amplitudes_n * np.log(size)
            peak, sd = _to_come(solved, inverse, envelope[:, -1], family, float(watched.u[-1]))
            rows.append((prior - 0.5 * (chi + volume), peak, sd))
            is_held = float(chi.min()) <= freedom + _GATE * sqrt(2 * freedom)  # at last for the largest
        log_p, peaks, sds = (np.array(each) for each in zip(*rows, strict=True))
        return _Weighed(log_p=log_p, peak=peaks, sd=sds, is_held=is_held)

    def _take_lag(self, log_p: FloatArray) -> None:
        """Keep what the readings alone say of the time constant."""
        alone = log_p - self._prior(_LAG.x)
        p = np.exp(alone - alone.max()).sum(axis=0)
        p /= p.sum()
        mean = float(p @ _LAG.x)
        self.fitted_s = self._rule.time_constant_s * exp(mean)
        self.fitted_u = sqrt(float(p @ (_LAG.x - mean) ** 2))


def _inverse(symmetric: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Inverses and determinants of positive definite matrices, shape (n, 2, 2) or (n, 3, 3), faster than by LAPACK.

    By cofactors.
    """
    m = symmetric
    if m.shape[-1] == 2:
        cofactors = np.array([[m[:, 1, 1], -m[:, 0, 1]], [-m[:, 0, 1], m[:, 0, 0]]])
    else:
        rows = [np.cross(m[:, (at + 1) % 3], m[:, (at + 2) % 3]) for at in range(3)]
        cofactors = np.array(rows).transpose(0, 2, 1)
    determinant = (m[:, 0] * cofactors[0].T).sum(axis=1)
    return np.asarray((cofactors / determinant).transpose(2, 0, 1)), determinant


def _to_come(
    solved: FloatArray, inverse: FloatArray, left: FloatArray, family: _Family, gone: float
) -> tuple[FloatArray, FloatArray]:
    """Largest error that comes after the last reading, and its standard deviation.

    Args:
        solved: amplitudes and level of each shape.
        inverse: their covariance.
        left: of the envelope at the last reading.
        family: the shapes.
        gone: time of the last reading.
    """
    if family.is_lag:
        return np.abs(solved[:, 0]) * left, np.sqrt(inverse[:, 0, 0]) * left
    size = np.hypot(solved[:, 0], solved[:, 1]) * left
    phase = family.turn * gone - np.arctan2(solved[:, 1], solved[:, 0])
    decay = np.exp(-family.x) / family.turn
    lead = np.arctan(decay)  # an extremum stands so far before the crest of the cosine
    crest = size * np.exp(-decay * np.mod(-lead - phase, np.pi)) * np.cos(lead)
    sd = np.sqrt(np.maximum(inverse[:, 0, 0], inverse[:, 1, 1])) * left
    return np.maximum(size * np.abs(np.cos(phase)), crest), sd


def _exceeded(*families: _Weighed) -> float:
    """What is exceeded with the risk, over all shapes and noises."""
    log_p = np.concatenate([each.log_p.ravel() for each in families])
    likely = log_p > log_p.max() - _NEGLIGIBLE
    peak, sd = (np.concatenate([getattr(each, name).ravel() for each in families])[likely] for name in ("peak", "sd"))
    values = (peak[:, None] + sd[:, None] * _DEVIATES).ravel()
    shares = (np.exp(log_p[likely] - log_p.max())[:, None] * _SHARES).ravel()
    order = np.argsort(values)[::-1]
    beyond = np.cumsum(shares[order])
    return float(values[order[min(int(np.searchsorted(beyond, _RISK * beyond[-1])), order.size - 1)]])
