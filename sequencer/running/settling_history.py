"""What a run has learnt of its unit's pace: how long a point waits whose own output tells nothing.

A point that was held tells nothing to others, nor does one that never came to rest.
"""

from dataclasses import replace
from math import isfinite
from statistics import median

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling import Settled

__all__ = ["Pace"]

# The bound of what is still to go comes within the tolerance so much later than the error (tests/bench/bench_settling).
_LATE = 1.05


class Pace:
    """Learns from each point of a run, for the rules of those that follow."""

    def __init__(self) -> None:
        self._paces_s: list[float] = []
        self._level: float | None = None
        self._left: float | None = None

    def move(self) -> None:
        """The input leaves the level where the output was read last."""
        self._left = self._level

    def rule(self, stated: SettlingRule) -> SettlingRule:
        """The rule of a point, with what was learnt."""
        return replace(stated, pace_s=median(self._paces_s) if self._paces_s else 0.0, stood_at=self._left)

    def learn(self, rule: SettlingRule, settled: Settled) -> None:
        """Take how a point settled by its rule."""
        self._level = next((value for _, value in reversed(settled.trace) if isfinite(value)), None)
        # A step of few tolerances takes the time of receiver and noise, which is no pace.
        if settled.is_steady and not settled.held_s and rule.folds > 1:
            self._paces_s.append((settled.moved_s / _LATE - rule.dead_time_s) / rule.folds)
