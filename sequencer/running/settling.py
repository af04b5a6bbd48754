"""Tells from the readings after a setpoint change when a unit has settled.

The question asked is: how large can the residual settling error be, at most? Once that bound is within the tolerance
the unit is steady. A test whether change is visible in the noise would be late on a quiet unit, early on a noisy one.

It reads no clock and no instrument, and does not wait: the run samples and calls `Settling.add`. It cannot see a slow
second time constant that hides below the tolerance; such a tail has to be declared (`SettlingRule.tail_s`). Where the
output is held at a limit it tells nothing of what moves before it: there a wait by what is known takes its place
(`SettlingRule.step_takes_s`).
"""

from bisect import bisect_left
from dataclasses import dataclass
from enum import StrEnum
from math import inf, isfinite, nan

import numpy as np

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling_bounds import Fallback, Fits, Seen, fitted_line
from sequencer.running.settling_few import Few
from sequencer.running.settling_swings import Swings

__all__ = ["Settled", "Settling", "State"]

# Picked on simulated runs; tests/bench/bench_settling.py prints what they give on other seeds.
_CONFIRM_FIT_N = 1
_YOUNG = 1.2
_DENSE_N = 12
_CONFIRM_N = 2  # readings in a row
_END = 0.05  # of the range: so near to its end, or beyond, an output may be held; NE 43 and some zero error
_BLOCKS_N = 8  # and fewest readings


class State(StrEnum):
    """How a settling stands; all but MOVING are final."""

    MOVING = "moving"
    STEADY = "steady"
    NOISY = "steady but noisy"
    NEVER = "never settled"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """How a settling ended, or stands; levels in the unit of the readings, NaN = not known.

    Attributes:
        state: how.
        after_s: how long it took.
        to_go: upper bound of the residual settling error.
        noise_sd: standard deviation of single readings.
        time_constant_s: best fitting one.
        time_constant_u: its relative standard uncertainty.
        trace: time and level of each reading.
        moved_s: until then more than the tolerance may have been still to go.
        held_s: how much of `after_s` it looked steady and was not believed, since its output stood at an end of its
            range, or where it stood before.
        waited_s: how much of `after_s` it could not be read, since other units were; where it was on its way meanwhile
            is not known.
    """

    state: State
    after_s: float
    to_go: float
    noise_sd: float
    time_constant_s: float
    trace: tuple[tuple[float, float], ...]
    moved_s: float = 0.0
    held_s: float = 0.0
    time_constant_u: float = nan
    waited_s: float = 0.0

    @property
    def is_steady(self) -> bool:
        """The residual settling error is within the tolerance."""
        return self.state is State.STEADY


class Settling:
    """Follows the readings after one setpoint change.

    The bound of the residual settling error comes from an exponential, fitted for each time constant of a grid: the
    largest error among all that the readings allow, and the neighbours of the best. Several fits run side by side,
    begun at different times; the oldest which leaves no more than the noise is asked, so that dead time, a second
    pole or a burst of ripple drop out.

    Where no fit holds, the smaller of two bounds takes its place: from the slope over the last three time constants,
    once held for 1.5 of them, for shapes that are no exponential; from the range of the readings over two time
    constants, for receivers too slow for a fit.
    """

    def __init__(self, rule: SettlingRule) -> None:
        self.rule = rule
        self._seen = Seen(rule)
        self._fits = Fits(rule, self._seen)
        self._swings = Swings(rule, self._seen)
        self._few = Few(rule, self._seen)
        self._fallback = Fallback(rule, self._seen)
        self._state = State.MOVING
        self._to_go = inf
        self._trace: list[tuple[float, float]] = []
        self._within_n, self._is_confirmed = 0, False
        self._moved_s = 0.0
        self._delay_s = 0.0
        self._is_held, self._held_s = False, 0.0

    @property
    def state(self) -> State:
        """How it stands after the last reading."""
        return self._state

    @property
    def is_confirming(self) -> bool:
        """The last reading was within the tolerance, and the next one may end the wait."""
        return (
            self._state is State.MOVING and 0 < self._within_n < _CONFIRM_N and self._seen.at_s >= self.rule.minimum_s
        )

    @property
    def to_go(self) -> float:
        """Upper bound of the residual settling error; infinite while nothing can be said."""
        return self._to_go

    @property
    def noise_sd(self) -> float:
        """Standard deviation of single readings, from second differences; NaN while fewer than three readings.

        Too large where the receiver is so slow that the motion shows in these differences.
        """
        return self._seen.noise_sd

    @property
    def time_constant_s(self) -> float:
        """Best fitting time constant; NaN while none was seen."""
        return self._fitted.fitted_s

    @property
    def _fitted(self) -> Fits | Few:
        return self._few if self._few.is_asked else self._fits

    def delayed(self, by_s: float) -> None:
        """It could not be read for so long, since other units were: its time limit moves by as much."""
        self._delay_s += by_s

    def settled(self) -> Settled:
        """What was found, with its evidence."""
        return Settled(
            state=self._state,
            after_s=self._seen.at_s,
            to_go=self._to_go,
            noise_sd=self.noise_sd,
            time_constant_s=self.time_constant_s,
            time_constant_u=self._fitted.fitted_u,
            trace=tuple(self._trace),
            moved_s=self._moved_s,
            held_s=self._held_s,
            waited_s=self._delay_s,
        )

    def add(self, at_s: float, value: float) -> State:
        """Take a reading and tell how it stands; readings after the end change nothing.

        Args:
            at_s: time since the setpoint change; must increase.
            value: NaN or infinite = invalid reading, only time passes.

        Raises:
            ValueError: `at_s` is not later than the reading before.
        """
        if self._state is not State.MOVING:
            return self._state
        if self._trace and not at_s > self._seen.at_s:
            raise ValueError(f"a reading at {at_s:g} s cannot follow one at {self._seen.at_s:g} s")
        if self._is_held:
            self._is_held, self._held_s = False, self._held_s + at_s - self._seen.at_s
        self._seen.at_s = at_s
        self._trace.append((at_s, value))
        if isfinite(value) and at_s >= self.rule.dead_time_s:
            self._take(value)
            if at_s >= self.rule.minimum_s and self._is_confirmed:
                self._is_held = self._is_in_doubt()
                if not self._is_held:
                    self._state = State.STEADY
        if self._state is State.MOVING and at_s >= self.rule.maximum_s + self._delay_s:
            self._state = State.NOISY if self._is_level() and not self._is_in_doubt() else State.NEVER
        return self._state

    def _take(self, value: float) -> None:
        """Bring noise, fits and the bound up to date with a valid reading."""
        self._fits.take(self._seen.take(value), value)
        to_go = self._fits.bound()
        confirm_n = _CONFIRM_FIT_N if len(self._seen.times) >= _DENSE_N else _CONFIRM_N
        if self._fits.is_asked and self._fits.from_s > self._seen.times[0] + _YOUNG * self._seen.scale_s:
            swing = self._swings.bound()
            if self._swings.is_held:
                to_go = swing
            confirm_n = _CONFIRM_N
        if self._few.is_asked:  # the scatter that a fit is held against is motion
            to_go, confirm_n = self._few.bound(), _CONFIRM_FIT_N
        if to_go == inf:
            to_go, confirm_n = self._fallback.bound(), _CONFIRM_N
        else:
            self._fallback.begin_again()
        if self.rule.tail_s is not None:
            to_go = max(to_go, self._fallback.tail_bound(self.rule.tail_s))
        self._to_go = to_go
        if self._to_go <= self.rule.band:
            self._within_n += 1
        else:
            self._within_n, self._moved_s = 0, self._seen.at_s
        self._is_confirmed = self._within_n >= confirm_n

    def _is_in_doubt(self) -> bool:
        """That it stands still is no sign that the unit has settled."""
        return self._may_be_held() or self._is_suspicious()

    def _may_be_held(self) -> bool:
        """The output stands at an end of its range or beyond, where it may be held while what is before it moves."""
        if self.rule.ends is None:
            return False
        low, high = self.rule.ends
        level = self._seen.values[-1]
        # Nothing is known of its pace yet, and beyond its range it is surely wrong or held: a slow unit gets its time.
        is_slow = not self.rule.pace_s and not low - self.rule.band <= level <= high + self.rule.band
        patience_s = self.rule.step_takes_s * (2 if is_slow else 1)
        return self._seen.at_s < patience_s and not _END < (level - low) / (high - low) < 1 - _END

    def _is_suspicious(self) -> bool:
        """The unit was set to move far and has not left its place; dead time may be longer than stated."""
        before, expected = self.rule.before, self.rule.expected
        if before is None or expected is None or self._seen.at_s >= max(self.rule.stuck_s, self.rule.step_takes_s):
            return False
        step = abs(expected - before)
        places = (before, self.rule.stood_at)  # stated, and read
        is_there = any(place is not None and abs(self._seen.values[-1] - place) < 0.1 * step for place in places)
        return is_there and step > 10 * self.rule.band

    def _is_level(self) -> bool:
        """No drift is seen in the second half of the record: what kept it from being steady is noise."""
        first = bisect_left(self._seen.times, self._seen.at_s / 2)
        if len(self._seen.times) - first < _BLOCKS_N:
            return False
        # Means of blocks, since ripple and slow noise are not independent from reading to reading.
        blocks = np.array([block.mean() for block in np.array_split(np.array(self._seen.values[first:]), _BLOCKS_N)])
        slope, error, _ = fitted_line(np.arange(_BLOCKS_N, dtype=np.float64), blocks, 0.0)
        return abs(slope) <= 3 * error
