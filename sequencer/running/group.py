"""The units of one run: one, or several that the source drives together, served in turn.

Each has its own reader, settling, doubts and journal; what the source and the bench do is of all. It sets nothing.
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field, replace
from typing import TypeVar

from instruments.bench import Bench
from instruments.roles import Operator
from sequencer.journal.together import Journals
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Plan, Point
from sequencer.running.ahead import Ahead
from sequencer.running.confirmations import Stop
from sequencer.running.dropping import Hopeless
from sequencer.running.events import Dropped, Listener
from sequencer.running.logbook import Logbook
from sequencer.running.outcome import Outcome, StopBySequenceError
from sequencer.running.plausibility_check import Questioning
from sequencer.running.point import Reader, Visit
from sequencer.running.settling_history import Pace
from sequencer.running.turns import Turns, in_turn

__all__ = ["Group", "Unit"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit of a run.

    Args:
        serial: of it.
        journal: takes its settlings and readings, and with those of the other units what belongs to all.
        listener: takes its events.
        place: on the bench; None = the one that is wired, or the first.
        taken: how often each point, by number, was taken before, where a run is resumed.
    """

    serial: str
    journal: Journal
    listener: Listener
    place: int | None = None
    taken: Mapping[int, int] = field(default_factory=dict)


class Group:
    """The units of one run.

    Args:
        plan: what is run.
        bench: with its receivers.
        units: at least one.
        log: of what belongs to all.
        stop: what may have asked the run to stop.
        operator: whom to ask in doubt.
        alarm: told why, as soon as a receiver answers without sense; True if an output was told off.

    Attributes:
        readers: of the units that are still read, in order.
    """

    def __init__(
        self,
        plan: Plan,
        bench: Bench,
        units: Sequence[Unit],
        *,
        log: Logbook,
        stop: Stop,
        operator: Operator,
        alarm: Callable[[], bool],
    ) -> None:
        self._plan = plan
        self._bench = bench
        self._units = tuple(units)
        self._log = log
        self._operator = operator
        self._alarm = alarm
        self._logs = [
            log
            if len(units) == 1
            else Logbook(journal=each.journal, listener=each.listener, clock=bench.clock, stop=stop)
            for each in units
        ]
        self.readers = [self._reader(unit, own) for unit, own in zip(units, self._logs, strict=True)]
        self._all = tuple(self.readers)
        self._dropped: dict[str, str] = {}  # why, by serial
        self._hopeless: dict[str, Hopeless] = {}
        is_shared = len(units) > 1 and plan.wires[0].receiver is not None
        self._ahead = Ahead(plan, bench, log) if is_shared else None

    def _reader(self, unit: Unit, log: Logbook) -> Reader:
        questioning = Questioning(self._plan, self._operator, keep=log.note, remark=log.remark)
        return Reader(
            self._plan,
            self._bench,
            receivers=self._bench.seen_at(unit.place),
            serial=unit.serial,
            log=log,
            pace=Pace(),
            questioning=questioning,
            alarm=self._alarmed,
            taken=dict(unit.taken),
            stays=len(self._units) > 1,
        )

    @property
    def has_read(self) -> bool:
        """Something that a new run would have to read again."""
        return any(reader.has_read for reader in self._all)

    def goes_on_after(self, passed_s: float) -> None:
        """The run was begun before, so long ago."""
        for reader in self._all:
            reader.has_read = True
        for log in {id(each): each for each in (*self._logs, self._log)}.values():
            log.begin(passed_s)

    def drops_failed(self) -> None:
        """Units that are dead or certain to fail are given up from now on."""
        self._hopeless = {reader.serial: Hopeless(self._plan.sheet.taps[-1].span) for reader in self._all}

    # -- what is done for all ----------------------------------------------------------------------------------------

    def left(self) -> None:
        """The input leaves its level."""
        self._bench.moved()
        for reader in self.readers:
            reader.pace.move()

    def at(self, point: Point) -> None:
        """The run comes to a point."""
        for log in (*self._logs, self._log):
            log.point = point

    def select(self) -> None:
        """Function and range of every receiver."""
        for reader in self.readers:
            reader.select()
        if self._ahead is not None:
            self._ahead.select()

    def connect_the_one(self) -> None:
        """One unit alone is connected before its source is on, which may come by the scanner too."""
        if len(self._units) == 1:
            self._bench.connect(self._units[0].place)

    def take_corrections(self) -> None:
        """What was keyed again on the way out."""
        for reader in self._all:
            reader.take_corrections()

    def recovered(self) -> None:
        """Everything answers again."""
        for reader in self.readers:
            reader.lost = ""

    def _alarmed(self, why: str) -> bool:
        if not self._alarm():
            return False
        for reader in self.readers:  # no unit is read any more at this point
            reader.lost = why
        return True

    def serving(self, journal: Journal | None) -> AbstractContextManager[None]:
        """One unit is served, or None, all of them; nothing to tell apart where there is one."""
        journals = self._log.journal
        return journals.serving(journal) if isinstance(journals, Journals) else nullcontext()

    # -- in turn -----------------------------------------------------------------------------------------------------

    def visit(self, point: Point, visits: Sequence[Turns[Visit]], start_s: float) -> list[Visit]:
        """Serve the visits of a point, one a unit, in turn; an input that all share is read while they settle."""
        beside = []
        if self._ahead is not None and self._ahead.is_worth_it(point):
            settles_s = min(reader.settles_s(point) for reader in self.readers)
            beside.append(self._ahead.reading(point, start_s + settles_s))
        return self.in_turn(list(zip(self.readers, visits, strict=True)), beside=beside)

    def settled(self, point: Point) -> None:
        """A unit has settled, and is about to be read."""
        if self._ahead is not None:
            self._ahead.confirm(point)

    def wait_at(self, point: Point) -> None:
        """Wait until every unit has settled at a point that is not read."""
        start_s = self._bench.clock.now()
        self.in_turn([(reader, reader.wait(point, start_s)) for reader in self.readers])

    def in_turn(self, visits: Sequence[tuple[Reader, Turns[T]]], beside: Sequence[Turns[None]] = ()) -> list[T]:
        """Serve units in turn; what goes over a line meanwhile stands in the journal of the unit that is served.

        Args:
            visits: of each unit.
            beside: what else is to be served, for all of them.
        """

        def served(journal: Journal, visit: Turns[T]) -> Turns[T]:
            while True:
                with self.serving(journal):
                    try:
                        due_s = next(visit)
                    except StopIteration as stop:
                        found: T = stop.value
                        return found
                yield due_s

        own = {unit.serial: unit.journal for unit in self._units}
        return in_turn(self._bench.clock, [served(own[reader.serial], visit) for reader, visit in visits], beside)

    # -- giving up ---------------------------------------------------------------------------------------------------

    def look_at(self, reader: Reader, visit: Visit) -> None:
        """Give a unit up where the sequence, or whoever began the batch, says so; one alone stops the run."""
        point = visit.point
        # A capture is taken of what never comes to rest, too.
        is_waited_for = point.setpoint.is_waited_for and not (
            visit.invalid or reader.last.is_keyed or point.setpoint.is_quick
        )
        if is_waited_for and not visit.settled.is_steady and self._plan.sequence.file.if_never_settled == "stop":
            why = f"point {point.number} did not settle within the time limit"
            if len(self._units) == 1:
                raise StopBySequenceError(why)
            self._drop(reader, why)
        elif reader.serial in self._hopeless:
            why = self._hopeless[reader.serial].seen(point, tuple(reader.values))
            if why:
                self._drop(reader, f"{why}, last at point {point.number}")

    def _drop(self, reader: Reader, why: str) -> None:
        """The others go on. It stays wired, so its journal still takes what becomes of the outputs."""
        self._dropped[reader.serial] = why
        self.readers.remove(reader)
        reader.log.keep("dropped", number=reader.log.point.number if reader.log.point else None, reason=why)
        self._log.tell(Dropped(serial=reader.serial, reason=why))
        if isinstance(journals := self._log.journal, Journals):
            assert isinstance(reader.log.journal, Journal)
            journals.leave_out(reader.log.journal)
        if not self.readers:
            raise StopBySequenceError("no unit is left: " + why)

    def close(self, outcome: Outcome, *, can_resume: bool) -> tuple[Outcome, ...]:
        """The last line of each journal; the outcome of each unit."""
        outcomes = []
        for unit, log in zip(self._units, self._logs, strict=True):
            own, kind = replace(outcome, can_resume=can_resume), "interrupted" if can_resume else "closed"
            if unit.serial in self._dropped and outcome.status != "not safe":
                own = Outcome(status="stopped by the sequence", reason=f"dropped: {self._dropped[unit.serial]}")
                kind = "closed"
            log.keep(kind, date=log.date(), status=own.status, reason=own.reason)
            outcomes.append(own)
        return tuple(outcomes)
