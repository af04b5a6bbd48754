"""Drives the bench through a plan: set, wait until settled, read; everything through the journal.

It never prints and never computes a figure. Whatever ends it, the outputs go to the safe level first (`safety.py`).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypeAlias

from instruments.bench import Bench
from instruments.errors import (
    CommunicationLostError,
    InstrumentError,
    LivezeroError,
    StoppedError,
    UnsafeError,
)
from instruments.roles import Operator
from sequencer.inputs.step import READING
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Plan, Point
from sequencer.running.confirmations import confirm, signals_stop, undisturbed
from sequencer.running.events import Closed, Listener, MadeSafe, Planned, PointBegun, Remarked
from sequencer.running.logbook import Logbook
from sequencer.running.outcome import Outcome, StopBySequenceError, outcome_of
from sequencer.running.plausibility_check import Questioning
from sequencer.running.point import Reader
from sequencer.running.position import Position
from sequencer.running.safety import Output, Safety
from sequencer.running.settling_history import Pace

__all__ = ["Further", "Rest", "run_plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """What is left of a plan whose run was cut off.

    Args:
        points: still to be visited, in order.
        taken: how often each point, by number, was taken before; the next attempt counts on from there.
        began: when the run began, from which `at_s` counts on.
        passed_s: the last `at_s` before, below which it does not go although the date may: the clock was set back.
    """

    points: tuple[Point, ...]
    taken: Mapping[int, int]
    began: datetime
    passed_s: float = 0.0


Further: TypeAlias = Callable[[], tuple[Point, ...]]
"""Gives points to be taken beyond the plan, numbered on from it."""


def run_plan(
    plan: Plan,
    bench: Bench,
    *,
    serial: str,
    operator: Operator,
    journal: Journal,
    listener: Listener,
    rest: Rest | None = None,
    further: Further | None = None,
) -> Outcome:
    """Run a plan on an open bench.

    Args:
        plan: what to do.
        bench: opened for this plan; safe when this returns, unless the status is "not safe".
        serial: of the unit.
        operator: confirms the cautions, and serves keyed instruments.
        journal: takes every exchange, settling and reading.
        listener: takes every event.
        rest: what is left of the plan, where a run that was cut off is resumed; None = all of it.
        further: asked once all points are taken, before the outputs go to their safe levels, and again after each
            answer: points to be taken beyond the plan, until there are none; None = nobody wants any.

    Returns:
        The outcome; a dead instrument, a refused level, a stop by a person are outcomes, not exceptions. What is
        raised after all is a fault of livezero, and the bench was made safe before it.
    """
    with signals_stop() as stop:
        log = Logbook(journal=journal, listener=listener, clock=bench.clock, stop=stop)
        run = _Run(plan, bench, serial=serial, operator=operator, log=log, rest=rest, further=further)
        ended: BaseException | None = None
        outcome = None
        try:
            outcome = run.to_the_end()
            unsafe = run.make_safe()
        except BaseException as error:  # noqa: BLE001  raised again below if it is a fault of livezero
            ended = error
            unsafe = run.make_safe()
        if outcome is None or ended is not None or unsafe is not None:
            outcome = outcome_of(ended, unsafe, at=run.place, told=bench.told)
        outcome = run.close(outcome, is_stopped=isinstance(ended, (StoppedError, KeyboardInterrupt)))
    if ended is not None and not isinstance(ended, (LivezeroError, KeyboardInterrupt, StopBySequenceError)):
        if unsafe is not None:
            raise unsafe from ended
        raise ended
    return outcome


class _Run:
    """One run: its points in order, and what becomes of each."""

    def __init__(
        self,
        plan: Plan,
        bench: Bench,
        *,
        serial: str,
        operator: Operator,
        log: Logbook,
        rest: Rest | None,
        further: Further | None,
    ) -> None:
        self._plan = plan
        self._bench = bench
        self._operator = operator
        self._log = log
        self._rest = rest
        self._further = further
        self._points = plan.points
        self._safety = Safety()
        pace = Pace()
        source = bench.sources[plan.sheet.taps[0].name]
        self._position = Position(plan, source, operator=operator, log=log, safety=self._safety, pace=pace)
        questioning = Questioning(plan, operator, keep=log.note, remark=log.remark)
        self._reader = Reader(
            plan, bench, serial=serial, log=log, pace=pace, questioning=questioning, alarm=self._tell_off
        )
        self._reader.has_read = rest is not None
        if rest is not None:
            log.begin(max((bench.clock.date() - rest.began).total_seconds(), rest.passed_s))

    # -- from beginning to end ---------------------------------------------------------------------------------------

    def to_the_end(self) -> Outcome:
        """Prepare, confirm, energise, visit every point."""
        self._safety.enter(Output.MAKING_SAFE)  # preparing does, before anything is set up
        identities = self._bench.prepare()
        self._safety.enter(Output.SAFE)
        self._log.journal.write("identified", sync=True, identities=identities)
        self._log.tell(Planned(plan=self._plan, identities=identities))
        points = self._rest.points if self._rest else self._plan.points
        wanted = () if points else self._wanted()
        if not points and not wanted:
            return Outcome(status="complete", reason="every point had been read")
        if not self._plan.bench.file.is_simulated:  # a simulated bench can hurt nobody
            confirm(self._plan.cautions, self._operator)
        for wired in self._plan.wires:
            if wired.source is not None:
                self._position.source.select(wired.source.entry)
        self._reader.select()
        self._position.energise()
        self._visit_all(points)
        if points:
            wanted = self._wanted()
        read_n = 0
        while wanted:
            self._visit_all(wanted)
            read_n += sum(point.role == READING for point in wanted)
            wanted = self._wanted()
        more = f", and {read_n} more to distinguish causes" if read_n else ""
        return Outcome(status="complete", reason=f"all {len(self._plan.points)} points taken{more}")

    def _wanted(self) -> tuple[Point, ...]:
        """Points beyond the plan that somebody wants after seeing the readings."""
        further = self._further() if self._further is not None else ()
        self._points = (*self._points, *further)
        return further

    def make_safe(self) -> UnsafeError | None:
        """Outputs to the safe level; the error if that failed. Not interrupted by anything."""
        with undisturbed():
            if self._safety.state is not Output.MAKING_SAFE:  # preparing may have ended in the middle of it
                self._safety.enter(Output.MAKING_SAFE)
            try:
                done = self._bench.make_safe()
            except UnsafeError as error:
                self._safety.enter(Output.NOT_SAFE)
                return error
            finally:
                self._keep_last_corrections()
            self._safety.enter(Output.SAFE)
            for instrument, level in done.items():
                is_proved = instrument not in self._bench.told
                self._log.keep("safe", instrument=instrument, level=level, proved=is_proved)
                self._log.tell_anyhow(MadeSafe(instrument=instrument, level=level, is_proved=is_proved))
        return None

    def _keep_last_corrections(self) -> None:
        """What was keyed again on the way out; it must not hide how the run ended."""
        try:
            self._reader.take_corrections()
        except Exception as error:  # noqa: BLE001  a full disk, a listener that fails
            self._log.tell_anyhow(Remarked(point=self._log.point, text=f"a correction was not stored: {error}"))

    @property
    def place(self) -> str:
        """Where the run stands, in words."""
        point = self._log.point
        return f"at point {point.number} of {len(self._points)}" if point else "before the first point"

    def close(self, outcome: Outcome, *, is_stopped: bool) -> Outcome:
        """The last line of the journal; the outcome with whether it can go on. Not interrupted by anything.

        Args:
            outcome: how it ended.
            is_stopped: a person or a signal ended it, whatever became of the outputs.
        """
        # Also a run that was to go on, and did not come to its first point: its instruments may be off still.
        was_barely_begun = outcome.status == "bench fault" and self._log.point is None
        can_resume = (is_stopped or outcome.status == "interrupted" or was_barely_begun) and self._reader.has_read
        with undisturbed():
            self._safety.enter(Output.ENDED)
            kind = "interrupted" if can_resume else "closed"
            self._log.keep(kind, date=self._log.date(), status=outcome.status, reason=outcome.reason)
            self._log.tell_anyhow(Closed(status=outcome.status, reason=outcome.reason))
        return replace(outcome, can_resume=can_resume)

    # -- one point ---------------------------------------------------------------------------------------------------

    def _visit_all(self, points: tuple[Point, ...]) -> None:
        for point in points:
            self._log.point = point
            self._visit(point)

    def _visit(self, point: Point) -> None:
        """Take a point; after communication with an instrument was lost, re-establish it and take the point again.

        Sources are told safe level and off before anything else is done.
        """
        retries = self._plan.sequence.file.retries
        for attempt in range(1, retries + 2):
            self._log.check_stop()
            self._log.tell(PointBegun(point=point, attempt=attempt))
            try:
                if attempt > 1 or self._safety.state is Output.MAKING_SAFE:
                    self._recover(point)
                self._take(point, attempt + (self._rest.taken.get(point.number, 0) if self._rest else 0))
            except CommunicationLostError as error:
                self._tell_off()
                if attempt > retries:
                    raise InstrumentError(
                        f"{error.what}; given up after {attempt} attempts at one point",
                        where=error.where,
                        todo=error.todo,
                    ) from error
                self._log.remark(f"{error.where}: {error.what}; point discarded")
            else:
                return

    def _tell_off(self) -> bool:
        """Something is out of order: sources are told safe level and off now; False if there was nothing to tell."""
        if self._safety.state is not Output.ENERGISED or self._position.source.is_keyed:
            return False
        self._safety.enter(Output.MAKING_SAFE)
        self._bench.tell_off()
        return True

    def _recover(self, point: Point) -> None:
        """Every line is cleared and identified again: a late answer must not be taken for the next one."""
        self._position.recover()
        for receiver in self._bench.receivers.values():
            receiver.recover()
        self._reader.lost = ""
        self._position.energise_again()
        clock = self._bench.clock
        self._position.come_back(point, points=self._points, wait=lambda each: self._reader.wait(each, clock.now()))

    def _take(self, point: Point, attempt: int) -> None:
        start_s = self._bench.clock.now()
        if self._safety.state is not Output.MAKING_SAFE:  # told off on its way here: the point is kept as not read
            self._position.go_to(point)
        self._reader.take_corrections()
        visit = self._reader.settle(point, attempt, start_s)
        if point.setpoint.is_read:
            for reading in range(1, point.setpoint.readings_n + 1):
                if not point.setpoint.is_quick:
                    self._position.source.check()
                self._reader.read_all(visit, reading)
            self._position.source.check(closely=True)  # before the level it should have stood at is left
            if point.setpoint.is_quick:  # asked after each reading it would lose its pace
                self._reader.check()
        # A capture is taken of what never comes to rest, too.
        is_waited_for = not (visit.invalid or self._reader.last.is_keyed or point.setpoint.is_quick)
        if is_waited_for and not visit.settled.is_steady and self._plan.sequence.file.if_never_settled == "stop":
            raise StopBySequenceError(f"point {point.number} did not settle within the time limit")
