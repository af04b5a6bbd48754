"""Upper bound of the residual settling error where a time constant sees only few readings.

Four readings are enough for an exponential whose time constant is about the stated one; three, where other changes of
this unit have told it, or where they are so far apart that it hardly matters, as of a unit that is one of many. Nothing
is known of the noise from so few: a fit has to hold as quiet readings would, and its bound is that of noisy ones.
"""

from itertools import pairwise
from math import exp, inf, log, nan, sqrt

import numpy as np

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling_bounds import COVERAGE, FloatArray, Seen

__all__ = ["Few"]

# Picked on simulated runs; tests/bench/bench_settling.py prints what they give on other seeds.
_SPARSE = 0.4  # time constants between readings: denser ones give enough for a fit without any supposition
_MOST_N = 8
_FEWEST_N, _FEWEST_SURE_N = 4, 3
_WIDE = 4.0  # stated time constants between readings: three are enough
_AFTER_MISFIT_N = 6  # fewest readings once older ones do not belong to them
_SPREAD = 0.35  # of the logarithm of a time constant about the stated one: within 0.5 to 2 times it by 95 %
_GATES = {3: 6.6, 4: 9.2, 5: 11.3, 6: 13.3, 7: 15.1, 8: 16.8}  # chi-square, 1 %, of n - 2 degrees of freedom
_QUIET, _NOISY = 0.2, 0.4  # noise in bands: what a fit may leave, and what its bound reckons with
_STEP = log(16.0) / 80
# Logarithms of time constants over the stated one, a quarter to four times it; and about the best of them: a large
# step tells far closer than that.
_COARSE: FloatArray = _STEP * np.arange(-40.0, 41.0)
_FINE: FloatArray = _STEP * np.linspace(-1.5, 1.5, 61)


class Few:
    """Exponentials through the last few readings, the time constant held by what is known of it.

    Attributes:
        fitted_s: best fitting time constant, by the readings alone; NaN while none was seen.
        fitted_u: its relative standard uncertainty.
    """

    def __init__(self, rule: SettlingRule, seen: Seen) -> None:
        self._rule = rule
        self._seen = seen
        self.fitted_s = self.fitted_u = nan
        self._fewest_n, self._middle, self._spread = _FEWEST_N, 0.0, _SPREAD
        if rule.learnt_s > 0 and rule.time_constant_s > 0:
            self._fewest_n, self._spread = _FEWEST_SURE_N, rule.learnt_spread
            self._middle = log(rule.learnt_s / rule.time_constant_s)

    def bound(self) -> float:
        """Bound from the oldest readings that hold; infinite where readings are dense, or none hold."""
        tau_s = self._rule.time_constant_s
        times, values = self._seen.times[-_MOST_N:], self._seen.values[-_MOST_N:]
        fewest_n = self._fewest_n
        last_s = times[-_FEWEST_SURE_N:]
        if len(last_s) == _FEWEST_SURE_N and all(b - a > _WIDE * tau_s for a, b in pairwise(last_s)):
            fewest_n = _FEWEST_SURE_N
        if not tau_s or len(times) < fewest_n or times[-1] - times[-3] < 2 * _SPARSE * tau_s:
            return inf
        is_whole = len(times) == len(self._seen.times)
        for first in range(len(times)):
            if len(times) - first < (fewest_n if is_whole and not first else _AFTER_MISFIT_N):
                break
            found = self._bound(np.array(times[first:]) / tau_s, np.array(values[first:]))
            if found is not None:
                return found
        return inf

    def _bound(self, t: FloatArray, y: FloatArray) -> float | None:
        """Bound from these readings, times in stated time constants; None where no exponential holds them."""
        variance = self._seen.floor + (_QUIET * self._rule.band) ** 2
        coarse = _fits(t, y, _COARSE, variance)
        x = np.concatenate((_COARSE, _COARSE[int((coarse[0] + self._penalty(_COARSE)).argmin())] + _FINE))
        alone, amplitude, spread, e = _fits(t, y, x, variance)
        if float((alone + self._penalty(x)).min()) > _GATES[t.size]:
            return None
        self._take_lag(x[_COARSE.size :], alone[_COARSE.size :])
        noisy = self._seen.floor + (_NOISY * self._rule.band) ** 2
        chi = alone * (variance / noisy) + self._penalty(x)
        left = COVERAGE**2 - (chi - float(chi.min()))
        error = np.sqrt(np.maximum(left, 0.0) * noisy / spread)
        return float(((np.abs(amplitude) + error) * e)[left >= 0].max())

    def _penalty(self, x: FloatArray) -> FloatArray:
        return np.asarray(((x - self._middle) / self._spread) ** 2)

    def _take_lag(self, x: FloatArray, alone: FloatArray) -> None:
        """Keep what the readings alone say of the time constant."""
        at = int(alone.argmin())
        if 0 < at < x.size - 1:
            before, here, after = alone[at - 1 : at + 2].tolist()
            bend = (before - 2 * here + after) / (2 * float(x[1] - x[0]) ** 2)
            self.fitted_s, self.fitted_u = self._rule.time_constant_s * exp(float(x[at])), 1 / sqrt(bend)


def _fits(t: FloatArray, y: FloatArray, x: FloatArray, variance: float) -> tuple[FloatArray, ...]:
    """Chi-square, amplitude, its spread, and what is left of it at the end, for each logarithm `x`, shape (x.size,)."""
    e = np.exp((t[0] - t) / np.exp(x)[:, None])
    away = e - e.mean(axis=1, keepdims=True)
    spread = np.maximum((away * away).sum(axis=1), 1e-12)
    z = y - y.mean()
    amplitude = (away @ z) / spread
    return (float(z @ z) - amplitude**2 * spread) / variance, amplitude, spread, e[:, -1]
