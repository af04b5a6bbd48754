"""What a run has learnt of its unit's pace: how long a point waits whose own output tells nothing.

A point that was held tells nothing to others, nor does one that never came to rest.
"""

from dataclasses import replace
from math import exp, isfinite, log
from statistics import median, stdev

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling import Settled

__all__ = ["Pace"]

# The bound of what is still to go comes within the tolerance so much later than the error (tests/bench/bench_settling).
_LATE = 1.03
_LEAST_LAGS_N = 3
_SURE = 0.1  # relative standard uncertainty of a time constant that is worth learning from
_SCATTER = 2.0  # a standard deviation of three values is up to so much too small, by 95 % (chi-square: 4.4 at 97.5 %)
_LEAST_SPREAD = 0.02
_MOST_SPREAD = 0.2


class Pace:
    """Learns from each point of a run, for the rules of those that follow."""

    def __init__(self) -> None:
        self._paces_s: list[float] = []
        self._lags: list[float] = []  # logarithms of time constants in s
        self._level: float | None = None
        self._left: float | None = None

    def move(self) -> None:
        """The input leaves the level where the output was read last."""
        self._left = self._level

    def rule(self, stated: SettlingRule) -> SettlingRule:
        """The rule of a point, with what was learnt."""
        learnt_s, spread = self._lag()
        return replace(
            stated,
            pace_s=median(self._paces_s) if self._paces_s else 0.0,
            stood_at=self._left,
            learnt_s=learnt_s,
            learnt_spread=spread,
        )

    def _lag(self) -> tuple[float, float]:
        """Time constant of the changes before and how far the next may be from it; zeros where they do not agree."""
        if len(self._lags) < _LEAST_LAGS_N:
            return 0.0, 0.0
        spread = max(_SCATTER * stdev(self._lags), _LEAST_SPREAD)
        return (exp(median(self._lags)), spread) if spread <= _MOST_SPREAD else (0.0, 0.0)

    def learn(self, rule: SettlingRule, settled: Settled) -> None:
        """Take how a point settled by its rule."""
        self._level = next((value for _, value in reversed(settled.trace) if isfinite(value)), None)
        if settled.is_steady and settled.time_constant_u <= _SURE:  # NaN is not
            self._lags.append(log(settled.time_constant_s))
        # A step of few tolerances takes the time of receiver and noise, which is no pace.
        if settled.is_steady and not settled.held_s and rule.folds > 1:
            self._paces_s.append((settled.moved_s / _LATE - rule.dead_time_s) / rule.folds)
