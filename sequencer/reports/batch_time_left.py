"""The time that is left of a batch, from its events: what is told of its points, corrected by how those before went."""

from instruments.clock import Clock
from sequencer.planning.many_units import units_time
from sequencer.planning.plan import Plan
from sequencer.reports.time_left import LivePace
from sequencer.running.events import Closed, Event, Planned, PointBegun

__all__ = ["BatchTimeLeft"]


class BatchTimeLeft:
    """Where a batch is, and how long it will take yet.

    Args:
        plan: of the batch.
        units_n: how many units are left to be tested when it begins.
        clock: real time; once a run begins, that of its bench.
    """

    def __init__(self, plan: Plan, units_n: int, clock: Clock) -> None:
        self._plan = plan
        self._clock = clock
        self.told = units_time(plan, units_n)
        self._run_s = self.told.estimate_s / (1 if self.told.is_together else units_n)
        self._runs_left_n = 1 if self.told.is_together else units_n
        self._points = self.told.points
        self._pace = LivePace(self._points, plan.beyond)
        self._here: int | None = None  # number of a point
        self._step: int | None = None
        self._begun_s = clock.now()

    def take(self, event: Event) -> None:
        """Take an event of all units, or of the one that is tested."""
        if isinstance(event, Planned):
            self._clock = event.clock or self._clock
            told = self.told
            if event.exchange_s and not self._plan.timed_by_n:  # an earlier run says more
                timed = self._plan.timed({}, measured_s=event.exchange_s)
                told = units_time(timed, told.units_n, event.exchange_s)
            self._points = told.points
            self._pace = LivePace(self._points, self._plan.beyond)
            self._runs_left_n -= 1
            self._here, self._begun_s = 0, self._clock.now()
        elif isinstance(event, PointBegun):
            self._pass()
            self._here, self._step, self._begun_s = event.point.number, event.point.step, self._clock.now()
        elif isinstance(event, Closed):
            self._here = self._step = None

    @property
    def left_s(self) -> float:
        """What is left, in s on the clock of the bench."""
        rest_s = self._runs_left_n * self._run_s
        if self._here is None:
            return rest_s
        done_n = min(max(self._here - 1, 0), len(self._plan.points))
        now_s = self._clock.now() - self._begun_s if self._here else 0.0
        return rest_s + self._pace.left_s(done_n, now_s, step=self._step, is_beyond=self._is_beyond)

    @property
    def _is_beyond(self) -> bool:
        return self._here is not None and self._here > len(self._plan.points)

    def _pass(self) -> None:
        """The point that was begun before is over."""
        if not self._here:
            return
        passed_s = self._clock.now() - self._begun_s
        if not self._is_beyond:
            if not self._plan.points[self._here - 1].setpoint.is_read:
                return  # the exercise comes from rest, and tells little of the others
            # Readings are taken while others settle; what they take together is known, what settling takes is learnt.
            self._pace.settled(self._here, max(passed_s - self._points[self._here - 1].reads_s, 0.0))
        elif self._step is not None:
            self._pace.went_beyond(self._step, passed_s)
