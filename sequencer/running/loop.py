"""Drives the bench through a plan: set, wait until settled, read; everything through the journal.

It never prints and never computes a figure. Whatever ends it, the outputs go to the safe level first (`safety.py`).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeAlias

from instruments.bench import Bench
from instruments.dcc_item import refuse_other
from instruments.errors import (
    CommunicationLostError,
    InstrumentError,
    LivezeroError,
    StoppedError,
    UnsafeError,
)
from instruments.roles import Operator
from sequencer.inputs.step import FURTHER, READING
from sequencer.journal.together import Journals
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Plan, Point
from sequencer.running.conditions import Conditions
from sequencer.running.confirmations import Stop, ask_first, confirm, signals_stop, undisturbed
from sequencer.running.events import Closed, Listener, MadeSafe, Planned, PointBegun, Remarked
from sequencer.running.group import Group, Unit
from sequencer.running.logbook import Logbook
from sequencer.running.outcome import Outcome, StopBySequenceError, outcome_of
from sequencer.running.point import Reader, Visit
from sequencer.running.position import Position
from sequencer.running.safety import Output, Safety
from sequencer.running.standing import answer_asked_for, wait_asked_for
from sequencer.running.turns import Turns

__all__ = ["Further", "Rest", "Unit", "Wanted", "run_plan", "run_units"]

_LOOK_EVERY_S = 10.0  # at the source, while nothing but time passes


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Points beyond the plan that follow from what was read.

    Args:
        points: in order, numbered on from all that were taken; () = none.
        taken: how often each, by number, was taken before, where a run was cut off in the middle of them.
    """

    points: tuple[Point, ...] = ()
    taken: Mapping[int, int] = field(default_factory=dict)


Further: TypeAlias = Callable[[int | None], Wanted]
"""What is wanted beyond the plan after a step, by its number, and by None once all steps are through."""


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
    """Run a plan on an open bench with one unit.

    Args:
        plan: what to do.
        bench: opened for this plan; safe when this returns, unless the status is "not safe".
        serial: of the unit.
        operator: confirms the cautions, and serves keyed instruments.
        journal: takes every exchange, settling and reading.
        listener: takes every event.
        rest: what is left of the plan, where a run that was cut off is resumed; None = all of it.
        further: asked after the points of each step, and once all are taken, before the outputs go to their safe
            levels; each time again after each answer, until there are no more points; None = nobody wants any.

    Returns:
        The outcome; a dead instrument, a refused level, a stop by a person are outcomes, not exceptions. What is
        raised after all is a fault of livezero, and the bench was made safe before it.
    """
    unit = Unit(serial=serial, journal=journal, listener=listener, taken=rest.taken if rest is not None else {})
    (outcome,) = run_units(
        plan, bench, (unit,), operator=operator, journal=journal, listener=listener, rest=rest, further=further
    )
    return outcome


def run_units(  # noqa: PLR0913  all but what is run by keyword
    plan: Plan,
    bench: Bench,
    units: Sequence[Unit],
    *,
    operator: Operator,
    journal: Journal | Journals,
    listener: Listener,
    rest: Rest | None = None,
    further: Further | None = None,
    drops_failed: bool = False,
) -> tuple[Outcome, ...]:
    """Run a plan on an open bench with one unit, or with several that the source drives together.

    Args:
        plan: as for `run_plan`, and so are bench, operator, rest and further.
        bench: see there.
        units: at least one.
        operator: see there.
        journal: of the unit; of several the journals of all, as one.
        listener: takes every event that belongs to all.
        rest: see there; what was taken before stands in the units.
        further: see there; of one unit only.
        drops_failed: give up a unit that is dead, or certain to fail (`dropping`).

    Returns:
        The outcome of each unit, in order; else as `run_plan`.
    """
    with signals_stop() as stop:
        log = Logbook(journal=journal, listener=listener, clock=bench.clock, stop=stop)
        run = _Run(plan, bench, units, operator=operator, log=log, stop=stop, rest=rest, further=further)
        if drops_failed:
            run.group.drops_failed()
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
        outcomes = run.close(outcome, is_stopped=isinstance(ended, (StoppedError, KeyboardInterrupt)))
    if ended is not None and not isinstance(ended, (LivezeroError, KeyboardInterrupt, StopBySequenceError)):
        if unsafe is not None:
            raise unsafe from ended
        raise ended
    return outcomes


class _Run:
    """One run: its points in order, and what becomes of each."""

    def __init__(
        self,
        plan: Plan,
        bench: Bench,
        units: Sequence[Unit],
        *,
        operator: Operator,
        log: Logbook,
        stop: Stop,
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
        self._began_s: dict[int, float] = {}  # each step, by its number
        self._looked_s = 0.0  # at the source last
        self._safety = Safety()
        self.group = Group(plan, bench, units, log=log, stop=stop, operator=operator, alarm=self._tell_off)
        source = bench.sources[plan.sheet.taps[0].name]
        self._conditions = Conditions(plan.held, bench.sources, operator=operator, log=log)
        self._position = Position(
            plan,
            source,
            conditions=self._conditions,
            operator=operator,
            log=log,
            safety=self._safety,
            left=self.group.left,
        )
        if rest is not None:
            self.group.goes_on_after(max((bench.clock.date() - rest.began).total_seconds(), rest.passed_s))

    # -- from beginning to end ---------------------------------------------------------------------------------------

    def _refuse_certificates_of_others(self, identities: Mapping[str, str]) -> None:
        """Raise WrongInstrumentError where an instrument says it is another than its certificate is of."""
        for name, certificate in self._plan.bench.certificates.items():
            if certificate.item is not None and identities.get(name):
                refuse_other(certificate.item, identities[name], where=f'instrument "{name}"')

    def to_the_end(self) -> Outcome:
        """Prepare, confirm, energise, visit every point."""
        self._safety.enter(Output.MAKING_SAFE)  # preparing does, before anything is set up
        identities = self._bench.prepare()
        self._safety.enter(Output.SAFE)
        self._log.journal.write("identified", sync=True, identities=identities)
        self._refuse_certificates_of_others(identities)
        bench = self._bench
        self._log.tell(Planned(plan=self._plan, identities=identities, exchange_s=bench.exchange_s, clock=bench.clock))
        points = self._rest.points if self._rest else self._plan.points
        wanted = Wanted() if points else self._wanted_after_all()
        if not points and not wanted.points:
            return Outcome(status="complete", reason="every point had been read")
        if not self._plan.bench.file.is_simulated:  # a simulated bench can hurt nobody
            confirm(self._plan.cautions, self._operator)
        for wired in self._plan.wires:
            if wired.source is not None:
                self._position.source.select(wired.source.entry)
        self._conditions.select()
        self.group.select()
        self.group.connect_the_one()
        if not (points and points[0].setpoint.is_still and points[0].setpoint.is_off):
            self._position.energise()
        searched_n = 0
        if points:
            searched_n = self._visit_steps(points)
            wanted = self._wanted(None)
        read_n = 0
        while wanted.points:
            self._visit_all(wanted)
            if wanted.points[0].step_name == FURTHER:
                read_n += sum(point.role == READING for point in wanted.points)
            else:
                searched_n += len(wanted.points)
            wanted = self._wanted_after_all()
        more = f", {searched_n} more that followed from their readings" if searched_n else ""
        more += f", and {read_n} more to distinguish causes" if read_n else ""
        return Outcome(status="complete", reason=f"all {len(self._plan.points)} points taken{more}")

    def _visit_steps(self, points: tuple[Point, ...]) -> int:
        """Visit points step by step, each with what is wanted beyond it; returns how many those were.

        Where a run is gone on with, so are the searches of the steps before, which may have been cut off.
        """
        wanted_n, steps = 0, {point.step: None for point in self._plan.points}
        for step in steps:
            self._visit_all(Wanted(points=tuple(each for each in points if each.step == step)))
            while (wanted := self._wanted(step)).points:
                self._visit_all(wanted)
                wanted_n += len(wanted.points)
        return wanted_n

    def _wanted_after_all(self) -> Wanted:
        """What any step wants where all its points were read, else what somebody wants after seeing the readings."""
        for step in dict.fromkeys(point.step for point in self._plan.points):
            if (wanted := self._wanted(step)).points:
                return wanted
        return self._wanted(None)

    def _wanted(self, step: int | None) -> Wanted:
        """Points beyond the plan that a step, or somebody, wants after seeing the readings."""
        wanted = self._further(step) if self._further is not None else Wanted()
        self._points = (*self._points, *wanted.points)
        return wanted

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
        """What was keyed again last; it must not hide how the run ended."""
        try:
            self.group.take_corrections()
        except Exception as error:  # noqa: BLE001  a full disk, a listener that fails
            self._log.tell_anyhow(Remarked(point=self._log.point, text=f"a correction was not stored: {error}"))

    @property
    def place(self) -> str:
        """Where the run stands, in words."""
        point = self._log.point
        return f"at point {point.number} of {len(self._points)}" if point else "before the first point"

    def close(self, outcome: Outcome, *, is_stopped: bool) -> tuple[Outcome, ...]:
        """The last line of each journal; the outcomes with whether they can go on. Not interrupted by anything.

        Args:
            outcome: how it ended.
            is_stopped: a person or a signal ended it, whatever became of the outputs.
        """
        # Also a run that was to go on, and did not come to its first point: its instruments may be off still.
        was_barely_begun = outcome.status == "bench fault" and self._log.point is None
        can_resume = (is_stopped or outcome.status == "interrupted" or was_barely_begun) and self.group.has_read
        with undisturbed():
            self._safety.enter(Output.ENDED)
            outcomes = self.group.close(outcome, can_resume=can_resume)
            self._log.tell_anyhow(Closed(status=outcome.status, reason=outcome.reason))
        return outcomes

    # -- one point ---------------------------------------------------------------------------------------------------

    def _visit_all(self, wanted: Wanted) -> None:
        for reader in self.group.readers:
            reader.taken.update(wanted.taken)
        for point in wanted.points:
            self.group.at(point)
            if point.setpoint.ask and not point.setpoint.is_still:
                ask_first(point.setpoint.ask, self._operator)
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
                self._take(point, attempt)
            except CommunicationLostError as error:
                self._tell_off()
                for reader in self.group.readers:  # nobody has asked the source since
                    reader.log.note("discarded", attempt=attempt + reader.taken.get(point.number, 0))
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
        with self.group.serving(None):
            self._bench.tell_off()
        return True

    def _recover(self, point: Point) -> None:
        """Every line is cleared and identified again: a late answer must not be taken for the next one."""
        self._position.recover()
        self._bench.recover_receivers()
        self.group.recovered()
        self.group.connect_the_one()
        self._position.energise_again()
        self._position.come_back(point, points=self._points, wait=self.group.wait_at)

    def _take(self, point: Point, attempt: int) -> None:
        setpoint = point.setpoint
        if setpoint.is_still:
            self._stand(point, attempt)
            return
        start_s = self._bench.clock.now()
        self._began_s.setdefault(point.step, start_s)
        if self._safety.state is not Output.MAKING_SAFE:  # told off on its way here: the point is kept as not read
            self._position.go_to(point)
            if self._position.source.wait_stable(self._look):
                start_s = self._bench.clock.now()
        self._looked_s = start_s
        readers = tuple(self.group.readers)
        visits = self.group.visit(point, [self._visited(each, point, attempt, start_s) for each in readers], start_s)
        if setpoint.is_read:
            self._position.source.check(closely=True)  # before the level it should have stood at is left
            self._conditions.check()
            if setpoint.is_quick:  # asked after each reading it would lose its pace
                for reader in readers:
                    reader.check()
        for reader, visit in zip(readers, visits, strict=True):
            if setpoint.lasts_s or point.number > len(self._plan.points):
                reader.log.note("visited", attempt=visit.attempt)
        for reader, visit in zip(readers, visits, strict=True):
            self.group.look_at(reader, visit)

    def _stand(self, point: Point, attempt: int) -> None:
        """Leave the input as it stands, or off; ask, or let time pass."""
        if point.setpoint.is_off and self._safety.state is not Output.MAKING_SAFE:
            self._position.go_to(point)
        if point.setpoint.ask:
            answer_asked_for(point, self._operator, self._log, picture=self._plan.sequence.pictures.get(point.step))
            for reader in self.group.readers:
                reader.has_read = reader.has_read or point.setpoint.answer != "yes"
        else:
            wait_asked_for(point, self._log, self._bench.clock, look=self._position.source.check)
        for reader in self.group.readers:
            reader.log.note("visited", attempt=attempt + reader.taken.get(point.number, 0))

    def _visited(self, reader: Reader, point: Point, attempt: int, start_s: float) -> Turns[Visit]:
        """Wait until a unit has settled, and read it, in its turns."""
        setpoint = point.setpoint
        reader.take_corrections()
        visit = yield from reader.settle(point, attempt + reader.taken.get(point.number, 0), start_s)
        if setpoint.due_s:
            yield from self._wait_until(self._began_s[point.step] + setpoint.due_s)
        if setpoint.is_read:
            self.group.settled(point)
            yield from self._read_there(reader, visit)
        return visit

    def _read_there(self, reader: Reader, visit: Visit) -> Turns[None]:
        """The readings of a visit, at their pace, until all are taken or its time is over.

        The source was asked when it was set, and is asked before it is left; in between no more than now and then.
        """
        setpoint, clock = visit.point.setpoint, self._bench.clock
        for reading in range(1, setpoint.readings_n + 1):
            due_s = clock.now() + setpoint.every_s
            if not setpoint.is_quick and clock.now() - self._looked_s >= _LOOK_EVERY_S:
                self._look()
            reader.read_all(visit, reading)
            if setpoint.lasts_s and clock.now() - visit.start_s >= setpoint.lasts_s:
                return
            if setpoint.every_s and reading < setpoint.readings_n:
                yield from self._wait_until(due_s)

    def _look(self) -> None:
        """A stop that was asked for, or whatever is wrong with the source, comes in here."""
        self._log.check_stop()
        self._position.source.check()
        self._looked_s = self._bench.clock.now()

    def _wait_until(self, due_s: float) -> Turns[None]:
        """Time passes; the source is looked at meanwhile, and a stop that was asked for comes in between."""
        clock = self._bench.clock
        while (left_s := due_s - clock.now()) > 0:
            self._log.check_stop()
            if left_s > _LOOK_EVERY_S:
                self._look()
            yield min(due_s, clock.now() + _LOOK_EVERY_S)
