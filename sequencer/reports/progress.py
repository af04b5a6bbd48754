"""Where a run is, from its events: point, worst error so far, time left. Nothing here shows anything.

The worst error is provisional: it holds the mean of a point's readings against the ideal for the *commanded* input,
while the evaluation takes the measured one.
"""

import math
from collections import deque
from collections.abc import Callable

from instruments.clock import Clock
from sequencer.inputs.step import READING, registry
from sequencer.planning.plan import Plan, Point
from sequencer.reports.as_text import decimals_for, duration, fixed, plain, way
from sequencer.reports.time_left import LivePace
from sequencer.running.events import (
    Answered,
    Event,
    Planned,
    PointBegun,
    PointSettled,
    ReadingTaken,
    SampleTaken,
    Waited,
)

__all__ = ["MINUS", "AtPoint", "Progress", "place"]

_KEPT_N = 400
MINUS = "-"


class AtPoint:
    """What is known of the point where a run is.

    Attributes:
        point: where.
        attempt: from 1.
        state: what goes on there, in words.
        samples: levels while waiting, the newest last.
        after_s: time since the setpoint change.
        to_go: the residual settling error, at most.
        error: of the mean of its readings, once it is complete.
    """

    def __init__(self, point: Point, attempt: int) -> None:
        self.point = point
        self.attempt = attempt
        self.state = "moving"
        self.samples: deque[float] = deque(maxlen=_KEPT_N)
        self.after_s = self.to_go = self.error = math.nan
        self._sum = 0.0
        self._read_n = 0

    def read(self, event: ReadingTaken) -> bool:
        """Take a reading at the last tap; True with the last of its point."""
        if math.isfinite(event.value):
            self._sum += event.value
            self._read_n += 1
        readings_n = self.point.setpoint.readings_n
        self.state = f"reading {event.reading} of {readings_n}"
        if event.reading < readings_n:
            return False
        if self._read_n and not self.point.setpoint.is_quick:
            self.error = self.mean - self.point.expected[-1]
        return True

    @property
    def used_pct(self) -> float:
        """The error in % of the tolerance; NaN where none is judged."""
        is_judged = self.point.role == READING and self.point.tolerance > 0
        return 100 * self.error / self.point.tolerance if is_judged else math.nan

    @property
    def value(self) -> float:
        """The last sample; NaN before the first."""
        return self.samples[-1] if self.samples else math.nan

    @property
    def mean(self) -> float:
        """Mean of the readings of the point; NaN before the first."""
        return self._sum / self._read_n if self._read_n else math.nan

    def level(self, value: float, *, is_signed: bool = False) -> str:
        """A level in the unit of the output, to the digits that the tolerance asks for."""
        return fixed(value, decimals_for(self.point.tolerance), minus=MINUS, is_signed=is_signed)


class Progress:
    """Where a run is, from its events: point, trace, worst error so far, time left. It shows nothing.

    Args:
        plan: of the run.
        clock: real time; once the run begins, "time left" is about that of its bench.
    """

    def __init__(self, plan: Plan, clock: Clock) -> None:
        self.plan = plan
        self._clock = clock
        self._start_s = clock.now()
        self._last_tap = plan.sheet.taps[-1].name
        self.unit = plan.sheet.taps[-1].unit
        self._pace = _pace(plan)
        self._moved_s = self._start_s  # where the part of a point that goes on now began
        self.here: AtPoint | None = None
        self.worst: AtPoint | None = None
        self._planned_n = 0  # of the plan, done
        self._beyond: set[int] = set()  # beyond it, begun
        self._beyond_done: set[int] = set()

    @property
    def done_n(self) -> int:
        """How many points are done, those beyond the plan with them."""
        return self._planned_n + len(self._beyond_done)

    @property
    def all_n(self) -> int:
        """How many there are, with those that a search has added so far."""
        return len(self.plan.points) + len(self._beyond)

    def take(self, event: Event) -> bool:
        """Take an event; True if it completes a point."""
        if isinstance(event, Planned):
            self._take_clock(event)
            if event.exchange_s:
                self._take_measured(event)
        elif isinstance(event, PointBegun):
            self._begin(event)
        elif self.here is None:
            return False
        elif isinstance(event, SampleTaken):
            self.here.samples.append(event.value)
            self.here.after_s, self.here.to_go = event.after_s, event.to_go
        elif isinstance(event, ReadingTaken):
            is_last = event.tap == (event.point.setpoint.tap or self._last_tap)
            return is_last and self.here.read(event) and self._complete(self.here)
        elif isinstance(event, PointSettled):
            self.here.state = str(event.settled.state)
            self._pass(event.point, self._pace.settled)
            return not event.point.setpoint.is_read and self._complete(self.here)
        elif isinstance(event, Waited):
            because = event.point.setpoint.because
            self.here.state = f"waiting, {duration(event.left_s)} left" + (f": {plain(because)}" if because else "")
            return event.left_s <= 0 and self._complete(self.here)
        elif isinstance(event, Answered):
            self.here.state = f"answered: {plain(event.answer)}"
            return self._complete(self.here)
        return False

    def _take_clock(self, event: Planned) -> None:
        """The time of the bench is what the plan told; on a simulated one it is not that of the wall."""
        if event.clock is not None:
            self._start_s += event.clock.now() - self._clock.now()
            self._clock = event.clock
            self._moved_s = self._clock.now()

    def _begin(self, event: PointBegun) -> None:
        self.here = AtPoint(event.point, event.attempt)
        self._moved_s = self._clock.now()
        if self._is_beyond(event.point):
            self._beyond.add(event.point.number)
            self._pace.searched(event.point.step, self._searched(event.point))
        else:  # a run that is gone on with begins in the middle
            self._planned_n = max(self._planned_n, event.point.number - 1)

    def _searched(self, point: Point) -> tuple[float, float] | None:
        """The part of its search that a step is at."""
        settings = {number: given for number, _, given in self.plan.sequence.steps()}.get(point.step)
        return None if settings is None else registry()[point.step_name].searched(settings, point.setpoint)

    def _is_beyond(self, point: Point) -> bool:
        return point.number > len(self.plan.points)

    def _pass(self, point: Point, learn: Callable[[int, float], None]) -> None:
        """A part of a point is over."""
        passed_s = self._passed_s()
        if self._is_beyond(point):
            self._pace.went_beyond(point.step, passed_s)
        else:
            learn(point.number, passed_s)

    def _complete(self, here: AtPoint) -> bool:
        if here.point.setpoint.is_read:
            self._pass(here.point, self._pace.read)
        if self._is_beyond(here.point):
            self._beyond_done.add(here.point.number)
        else:
            self._planned_n = max(self._planned_n, here.point.number)
        if math.isfinite(here.used_pct) and (self.worst is None or abs(here.used_pct) > abs(self.worst.used_pct)):
            self.worst = here
        return True

    def _passed_s(self) -> float:
        """Time since this was asked last, or the point was begun."""
        now_s = self._clock.now()
        passed_s, self._moved_s = now_s - self._moved_s, now_s
        return passed_s

    def _take_measured(self, event: Planned) -> None:
        """What an exchange takes is known once the instruments were prepared."""
        if not self.plan.timed_by_n:  # an earlier run says more
            timed = self.plan.timed({}, measured_s=event.exchange_s)
            self._pace = _pace(timed)

    @property
    def left_s(self) -> float:
        """Real time left: the plan's estimate of what remains, corrected by how the part that is done went."""
        if self.here is None:
            passed_s = self._clock.now() - self._start_s
            return self._pace.left_s(0) + max(self.plan.begin_s - passed_s, 0.0)
        return self._pace.left_s(
            self._planned_n,
            now_s=self._clock.now() - self._moved_s,
            step=self.here.point.step,
            is_beyond=self._is_beyond(self.here.point),
        )


def _pace(plan: Plan) -> LivePace:
    return LivePace([point.time for point in plan.points], plan.beyond)


def place(point: Point) -> str:
    """A point in words: "40 % upscale, cycle 2"."""
    setpoint = point.setpoint
    return f"{100 * setpoint.frac:g} %{way(setpoint.direction)}, cycle {setpoint.cycle}"
