"""Upper bound of the residual settling error where a time constant sees only few readings.

A damped oscillation read so seldom looks like noise, or by chance like a lag: no single fit is to be trusted. Shapes,
lags and swings, are weighed by the probability of the readings (`settling_shapes`), and the bound is a quantile of what
is to come over all of them. That is done only where it may tell something new: not while the readings still move by
more than any shape leaves within the tolerance, not again for readings that no shape held, and swings only where lags
alone are within the tolerance or do not hold.
"""

from math import exp, inf, log, nan

import numpy as np

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling_bounds import Seen
from sequencer.running.settling_shapes import LAGS, SWINGS, Likely, Readings, exceeded, log_prior, weighed

__all__ = ["Few"]

# Picked on simulated runs; tests/bench/bench_settling.py prints what they give on other seeds.
_SPARSE = 0.4  # time constants between readings: denser ones give enough for a fit without any supposition
_MOST_N = 24
_FEWEST_N = 3
_AFTER_MISFIT_N = 6  # fewest readings once older ones do not belong to them
_SPREAD = 0.35  # of the logarithm of a time constant about the stated one: within 0.5 to 2 times it by 95 %
_SWINGS_SHARE, _SWINGS_SHARE_LEARNT = 0.1, 0.002  # of units that swing: of all, and of those seen to be lags
_RISK = 5e-4  # that more than the bound comes
_FASTEST = 0.4  # time constant, of the nominal one, of a unit whose last readings lie apart and that is settled
_AGAIN = 0.5  # of the time after which the error will be within the band: until then no weighing is worth its time
_CREST = 5.0  # times the largest error to come, that a swing may have been before


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
        self._first = 0  # readings before it are known not to belong to a shape with those after it
        self._ask_s, self._last = 0.0, inf
        middle, spread, swings = 0.0, _SPREAD, _SWINGS_SHARE
        if rule.learnt_s > 0 and rule.time_constant_s > 0:
            middle, spread, swings = log(rule.learnt_s / rule.time_constant_s), rule.learnt_spread, _SWINGS_SHARE_LEARNT
        self._lags = log_prior(LAGS, 1 - swings, middle, spread)
        self._swings = log_prior(SWINGS, swings, middle, spread)

    @property
    def is_asked(self) -> bool:
        """Readings are so far apart that their scatter cannot be told from motion."""
        tau_s, times = self._rule.time_constant_s, self._seen.times
        return bool(tau_s) and len(times) >= _FEWEST_N and times[-1] - times[-3] >= 2 * _SPARSE * tau_s

    def bound(self) -> float:
        """Bound from the oldest readings that hold; infinite where readings are dense, none hold, or they move on."""
        if not self.is_asked or self._moves_on():
            return inf
        if self._seen.at_s < self._ask_s:
            return self._last
        n = len(self._seen.times)
        first = max(self._first, n - self._sparse_n())
        if n - first < (_AFTER_MISFIT_N if first else _FEWEST_N):
            return inf
        found = self._bound(first)
        if found is None:
            first, found = self._after_misfit(first)
        self._first = first
        self._last = inf if found is None else found
        return self._last

    def _moves_on(self) -> bool:
        """The last two readings are farther apart than with anything that is within the tolerance now."""
        (a_s, b_s), (a, b) = self._seen.times[-2:], self._seen.values[-2:]
        folds = (b_s - a_s) / (_FASTEST * self._rule.time_constant_s)
        return log(max(abs(b - a) / (_CREST * self._rule.band), 1.0)) > folds

    def _sparse_n(self) -> int:
        """How many of the last readings are so far apart; denser ones before them would count as often as they are."""
        times, n = self._seen.times[-_MOST_N:], _FEWEST_N
        while n < len(times) and times[1 - n] - times[-n - 1] >= 2 * _SPARSE * self._rule.time_constant_s - 1e-9:
            n += 1
        return n

    def _after_misfit(self, misfit: int) -> tuple[int, float | None]:
        """The first reading from which they hold, and the bound from there; where the later ones do, so do fewer."""
        last = len(self._seen.times) - _AFTER_MISFIT_N
        if last <= misfit or (found := self._bound(last)) is None:
            return max(misfit, last), None
        while last - misfit > 1:
            middle = (misfit + last) // 2
            earlier = self._bound(middle)
            if earlier is None:
                misfit = middle
            else:
                last, found = middle, earlier
        return last, found

    def _bound(self, first: int) -> float | None:
        """Bound from the readings from this one on; None where no shape holds them."""
        rule, tau_s = self._rule, self._rule.time_constant_s
        self.fitted_s = self.fitted_u = nan
        t, y = np.array(self._seen.times[first:]) / tau_s, np.array(self._seen.values[first:])
        began = None
        if not first and rule.stood_at is not None:
            began = (-float(t[0]), rule.stood_at - float(y[-1]))
        readings = Readings(u=t - t[0], y=y - y[-1], began=began, band=rule.band, floor=self._seen.floor)
        lags = weighed(readings, LAGS, self._lags)
        if lags is None:
            swings = weighed(readings, SWINGS, self._swings)
            return None if swings is None else self._of(swings)
        self._take_lag(lags)
        alone = self._of(lags)
        if alone > rule.band:
            return alone
        swings = weighed(readings, SWINGS, self._swings)
        if swings is None:
            return alone
        if swings.most > lags.most:
            self.fitted_s = self.fitted_u = nan
        return max(alone, exceeded(_RISK, lags, swings))

    def _of(self, likely: Likely) -> float:
        """Bound, and when the next is worth its time."""
        lasts_s = self._rule.time_constant_s * likely.lasts(self._rule.band)
        self._ask_s = self._seen.at_s + _AGAIN * lasts_s
        return exceeded(_RISK, likely)

    def _take_lag(self, lags: Likely) -> None:
        """Keep what the readings alone say of the time constant."""
        self.fitted_s, self.fitted_u = self._rule.time_constant_s * exp(lags.alone[0]), lags.alone[1]
