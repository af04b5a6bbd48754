"""Upper bound of the residual settling error of a unit that swings on its way: a damped oscillation, fitted.

c + exp(-s t) (a cos w t + b sin w t): c, a and b by least squares, s and w by Gauss-Newton's steps from the fit before;
the first of all is looked for on a grid. As with exponentials the oldest fit that holds counts, so it begins later
where the readings before do not belong to it (dead time).
"""

from bisect import bisect_left
from dataclasses import dataclass
from math import inf, log, pi, sqrt

import numpy as np

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling_bounds import COVERAGE, GATE, FloatArray, Seen, drift_of

__all__ = ["Swings"]

# Picked on simulated runs; tests/bench/bench_settling.py prints what they give on other seeds. Spans in time constants.
_FIT_N = 12  # fewest readings for five parameters
_FIT_SPAN = 2.0
_LATER = 0.5  # a fit that does not hold begins so much later
_STEPS_N = 4  # of Gauss-Newton
_SIGNIFICANT = 10.0  # standard errors: a swing that is smaller is none
_AHEAD_N = 96  # moments of the coming period at which the error is looked at: its peak is seen to 1 - cos(pi / 96)
_RATES = 1 / np.geomspace(0.5, 3.0, 6)
_PULSATIONS = np.geomspace(0.7, 12.0, 16)
_SLOWEST = 1 / 8  # a decay slower than that, in 1 over time constants, is none
_AGAIN = 0.4  # of the time after which the error will be within the band: until then no new fit is worth its time


@dataclass(frozen=True, slots=True)
class _Fit:
    """A fit at one moment: decay and pulsation in 1/s, with how the readings hold it."""

    rate: float
    pulsation: float
    bound: float
    is_held: bool


class Swings:
    """Damped oscillation, fitted when it is asked for and not more often than it is worth.

    Attributes:
        is_held: the last fit left no more than the noise, and its swing stands out of it.
    """

    def __init__(self, rule: SettlingRule, seen: Seen) -> None:
        self._rule = rule
        self._seen = seen
        self._begin_s = rule.dead_time_s
        self._fit: _Fit | None = None
        self._ask_s = 0.0
        self.is_held = False

    def bound(self) -> float:
        """Bound of the residual error from now on; infinite where no swing is seen."""
        if self._seen.at_s < self._ask_s:
            return self._fit.bound if self._fit is not None and self._fit.is_held else inf
        scale_s = self._seen.scale_s
        times = self._seen.times
        first = bisect_left(times, max(self._begin_s, times[0] + _LATER * scale_s))
        n = len(times) - first
        self.is_held = False
        if n < _FIT_N or times[-1] - times[first] < _FIT_SPAN * scale_s:
            return inf
        t, y = np.array(times[first:]), np.array(self._seen.values[first:])
        self._fit = self._fitted(t - t[0], y)
        self._ask_s = self._seen.at_s + 0.25 * scale_s
        if self._fit is None or not self._fit.is_held:
            self._fit = None
            self._begin_s = t[0] + 0.25 * _LATER * scale_s
            return inf
        self.is_held = True
        if self._fit.bound > self._rule.band:
            self._ask_s = self._seen.at_s + _AGAIN * log(self._fit.bound / self._rule.band) / self._fit.rate
        else:
            self._ask_s = self._seen.at_s
        return self._fit.bound

    def _fitted(self, t: FloatArray, y: FloatArray) -> _Fit | None:
        """The best fit from where the one before stood, or from the grid; None where it leads nowhere."""
        scale_s = self._seen.scale_s
        if self._fit is not None:
            rate, pulsation = self._fit.rate, self._fit.pulsation
        else:
            rate, pulsation = _from_grid(t, y, _RATES / scale_s, _PULSATIONS / scale_s)
        for _ in range(_STEPS_N):
            basis = _basis(t, rate, pulsation)
            solved = _solved(basis.T @ basis, basis.T @ y)
            if solved is None:
                return None
            _, a, b = solved.tolist()
            slopes = _slopes(t, basis, a, b)
            jacobian = np.column_stack((basis, slopes))
            normal = jacobian.T @ jacobian
            rest = y - basis @ solved
            step = _solved(normal, jacobian.T @ rest)
            if step is None:
                return None
            d_rate, d_pulsation = float(step[3]), float(step[4])
            most = 0.3
            d_rate = min(max(d_rate, -most * rate), most * rate)
            d_pulsation = min(max(d_pulsation, -most * pulsation), most * pulsation)
            rate, pulsation = rate + d_rate, pulsation + d_pulsation
            if abs(d_rate) < 1e-3 * rate and abs(d_pulsation) < 1e-3 * pulsation:
                break
        return self._judged(t, y, rate, pulsation)

    def _judged(self, t: FloatArray, y: FloatArray, rate: float, pulsation: float) -> _Fit | None:
        """How the readings hold a fit, and what it leaves to go."""
        scale_s = self._seen.scale_s
        if not (_SLOWEST / scale_s < rate and t[-1] * pulsation > pi):
            return None
        basis = _basis(t, rate, pulsation)
        solved = _solved(basis.T @ basis, basis.T @ y)
        if solved is None:
            return None
        _, a, b = solved.tolist()
        jacobian = np.column_stack((basis, _slopes(t, basis, a, b)))
        try:
            inverse = np.linalg.inv(jacobian.T @ jacobian)
        except np.linalg.LinAlgError:
            return None
        rest = y - basis @ solved
        rss, freedom = float(rest @ rest), t.size - 5
        is_held = rss <= GATE * self._seen.noise_variance * freedom
        variance = max(rss / freedom, self._seen.digit_variance)
        amplitude = sqrt(a * a + b * b)
        is_held &= amplitude * amplitude > _SIGNIFICANT**2 * variance * (inverse[1, 1] + inverse[2, 2])
        ahead = t[-1] + np.arange(_AHEAD_N) * (2 * pi / pulsation / _AHEAD_N)
        coming = _basis(ahead, rate, pulsation)
        coming[:, 0] = 0.0  # the level is not to go
        gradient = np.column_stack((coming, _slopes(ahead, coming, a, b)))
        error = np.sqrt(variance * np.maximum(((gradient @ inverse) * gradient).sum(axis=1), 0.0))
        bound = float((np.abs(coming @ solved) + COVERAGE * error).max())
        if bound <= self._rule.band:
            bound += drift_of(t, rest, self._seen.floor, scale_s)
        return _Fit(rate, pulsation, bound, is_held)


def _basis(t: FloatArray, rate: float, pulsation: float) -> FloatArray:
    e = np.exp(-rate * t)
    return np.column_stack((np.ones(t.size), e * np.cos(pulsation * t), e * np.sin(pulsation * t)))


def _slopes(t: FloatArray, basis: FloatArray, a: float, b: float) -> FloatArray:
    """How the model changes with rate and pulsation, shape (n, 2)."""
    return np.column_stack((-t * (a * basis[:, 1] + b * basis[:, 2]), t * (b * basis[:, 1] - a * basis[:, 2])))


def _solved(normal: FloatArray, right: FloatArray) -> FloatArray | None:
    try:
        return np.asarray(np.linalg.solve(normal, right))
    except np.linalg.LinAlgError:
        return None


def _from_grid(t: FloatArray, y: FloatArray, rates: FloatArray, pulsations: FloatArray) -> tuple[float, float]:
    """Rate and pulsation of a grid that leave least."""
    rate, pulsation = (each.ravel() for each in np.meshgrid(rates, pulsations))
    e = np.exp(-rate[:, None] * t)
    angle = pulsation[:, None] * t
    basis = np.stack((np.ones_like(e), e * np.cos(angle), e * np.sin(angle)), axis=1)
    level = y - y.mean()
    normal = basis @ basis.transpose(0, 2, 1)
    normal[:, [0, 1, 2], [0, 1, 2]] *= 1 + 1e-9
    right = basis @ level
    gained = (right * np.linalg.solve(normal, right[..., None])[..., 0]).sum(axis=1)
    best = int(gained.argmax())
    return float(rate[best]), float(pulsation[best])
