"""When a unit counts as settled, as the plan asks it at one point."""

from dataclasses import dataclass
from math import log

__all__ = ["SettlingRule"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SettlingRule:
    """When a unit counts as settled; levels in the unit of the readings.

    Attributes:
        band: residual settling error that is allowed; below the resolution the wait becomes long.
        time_constant_s: nominal, from the type sheet; 0 = not known, or none.
        minimum_s: never steady before this; dead time is part of it.
        maximum_s: given up from this on.
        resolution: smallest step the receiver shows; 0 = finer than matters.
        dead_time_s: readings before this tell nothing and are only kept in the trace.
        tail_s: time constant of a slow tail behind the main one (self-heating, creep); None = none declared.
        before: level before the setpoint change; with `expected` it shows a unit that has not moved yet.
        expected: level the unit should come to.
        ends: of the range of the output, lower first, where it may be held while what is before it moves; None = it is
            not held, and nothing is read there.
        pace_s: what other changes of this unit took for each factor of e on their way into the band; 0 = none seen.
        stood_at: level that was read before the setpoint change; None = none was.
        learnt_s: time constant that other changes of this unit had in this run; 0 = none is known.
        learnt_spread: standard deviation of its logarithm.
    """

    band: float
    time_constant_s: float
    minimum_s: float
    maximum_s: float
    resolution: float = 0.0
    dead_time_s: float = 0.0
    tail_s: float | None = None
    before: float | None = None
    expected: float | None = None
    ends: tuple[float, float] | None = None
    pace_s: float = 0.0
    stood_at: float | None = None
    learnt_s: float = 0.0
    learnt_spread: float = 0.0

    @property
    def folds(self) -> float:
        """By how many factors of e the step is larger than the band; 0 for a small step, or one not known."""
        if self.before is None or self.expected is None:
            return 0.0
        return log(max(abs(self.expected - self.before) / self.band, 1.0))

    @property
    def step_takes_s(self) -> float:
        """How long a step of this size takes; until then an output that may be held is not believed."""
        pace_s = max(self.time_constant_s, self.pace_s)
        return self.dead_time_s + pace_s * self.folds

    @property
    def interval_s(self) -> float:
        """How often to sample: a tenth of the time constant, from 20 ms to 5 s."""
        scale_s = self.time_constant_s or self.minimum_s or self.maximum_s / 20
        return min(max(0.1 * scale_s, 0.02), 5.0)

    @property
    def stuck_s(self) -> float:
        """Until then a unit that has not left `before` is not believed: its dead time may be longer than stated."""
        return min(self.minimum_s + 5 * (self.time_constant_s or self.minimum_s), 0.8 * self.maximum_s)
