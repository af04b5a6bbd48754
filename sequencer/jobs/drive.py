"""What every run shares: the bench held and opened, the journal fed, the record kept with its report.

What is done on the bench is in `running`.
"""

import contextlib
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path

from instruments.bench import Bench, open_bench
from instruments.clock import RealClock
from instruments.errors import LivezeroError, RecordError, UnsafeError
from instruments.interrupts import held_off
from instruments.latch import left_on
from instruments.locks import bench_held, holder, resources_of
from instruments.roles import Operator
from instruments.session import Exchange, Teller
from sequencer.diagnosis.examine import with_monte_carlo
from sequencer.evaluation.result import Evaluation
from sequencer.evaluation.verdict import Verdict
from sequencer.jobs.further_points import FurtherPoints
from sequencer.jobs.hand_over import hand_over
from sequencer.jobs.nobody import Nobody
from sequencer.jobs.pages import report_path, write_report
from sequencer.jobs.safe import see_to
from sequencer.jobs.watchdog import Asked, Watchdog
from sequencer.journal.together import Journals
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Plan
from sequencer.record.layout import is_sealed, type_sheet_of
from sequencer.record.load import load
from sequencer.record.record import Record
from sequencer.record.seal import seal
from sequencer.running.confirmations import undisturbed
from sequencer.running.events import Found, Listener
from sequencer.running.loop import Rest, Unit, Wanted, run_units
from sequencer.running.outcome import Outcome

__all__ = ["HeldBench", "Nobody", "RunResult", "bench_of", "drive", "kept", "opened_bench", "process_of", "tried"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResult:
    """A run that is over: how it ended, and its record.

    Args:
        outcome: how it ended.
        record: read back.
        unwritten: why the record is not sealed, or has no report; None if nothing is missing.
        not_indexed: why it could not be handed over to the index; it is later. None if it was, or if there is none.

    Example:
        >>> plan = sequencer.plan("pulse-to-current-by-hand", "simulated")
        >>> result = sequencer.run(plan, serial="GF-109")
        >>> result.outcome.status, len(result.record.readings)
        ('complete', 22)
    """

    outcome: Outcome
    record: Record
    unwritten: LivezeroError | None = None
    not_indexed: LivezeroError | None = None

    @property
    def evaluation(self) -> Evaluation | None:
        """Figures and verdict; None where nothing could be evaluated."""
        return self.record.evaluation

    @property
    def verdict(self) -> Verdict:
        """What is said of the unit, with a traverse or without."""
        return self.record.content.verdict

    @property
    def exit_code(self) -> int:
        """0 pass; 1 judged, not passed; 3 bench fault, made safe, or not kept; 4 not made safe; 130 interrupted."""
        error = self.outcome.error
        if error is not None:
            is_fault = self.outcome.status == "bench fault" and not isinstance(error, UnsafeError)
            return 3 if is_fault else error.exit_code
        if not self.is_kept:
            return 3
        return 0 if self.verdict.is_pass else 1

    @property
    def is_kept(self) -> bool:
        """Its record is sealed, or waits to be resumed; a report can be written again at any time."""
        return self.outcome.can_resume or is_sealed(self.record.folder)

    def __fspath__(self) -> str:
        return str(self.record.folder)

    def _repr_html_(self) -> str:
        return self.record._repr_html_()


def drive(  # noqa: PLR0913  all but plan and beginning by keyword
    plan: Plan,
    begin: Callable[[Bench], AbstractContextManager[Journal]],
    *,
    serial: str,
    operator: Operator,
    listener: Listener | None,
    trace: Teller | None,
    pursue: bool,
    rest: Rest | None = None,
    place: int | None = None,
) -> tuple[Path, Outcome]:
    """Take a plan, or the rest of one, through its bench; returns the folder of its record, and how it ended.

    Args:
        plan: what to do.
        begin: gives the journal, its first line or that of the resumption written, once the bench is open.
        serial: of the unit.
        operator: as for `run`.
        listener: as for `run`.
        trace: as for `run`.
        pursue: as for `run`.
        rest: what is left of the plan; None = all of it.
        place: of the unit on a bench with several; None = the first.

    Raises:
        InstrumentError: another run holds the bench, or a resource cannot be opened; nothing was energised.
        UnsafeError: a run before this one left a source on, and it is not proved safe; no other was driven.
        RecordError: the record cannot be written.
    """
    tell = listener or (lambda _: None)

    @contextlib.contextmanager
    def begun(bench: Bench) -> Iterator[tuple[Unit, ...]]:
        with begin(bench) as journal:
            taken = rest.taken if rest is not None else {}
            yield (Unit(serial=serial, journal=journal, listener=tell, place=place, taken=taken),)

    job = f"{plan.sequence.document.path.stem} of {serial}"
    with bench_of(plan, job=job, operator=operator, trace=trace) as held:
        ((folder, outcome),) = held.run(begun, listener=tell, pursue=pursue, rest=rest)
    return folder, outcome


@contextlib.contextmanager
def bench_of(plan: Plan, *, job: str, operator: Operator, trace: Teller | None) -> Iterator["HeldBench"]:
    """The bench of a plan, held, guarded, and proved safe after runs before; nothing of it is open yet.

    Raises:
        InstrumentError: another run holds it.
        UnsafeError: a run before left a source on, and it is not proved safe.
    """
    watchdog = _watchdog(plan)
    with watchdog, bench_held(plan.bench, job=job):
        see_to(left_on(resources_of(plan.bench)))
        yield HeldBench(plan, watchdog, operator=Asked(operator, watchdog), told=_Exchanges(trace, watchdog))


class HeldBench:
    """A bench that is held: units are run on it, one group after another.

    Attributes:
        operator: as given, to whom the watchdog leaves their time.
    """

    def __init__(self, plan: Plan, watchdog: Watchdog, *, operator: Operator, told: "_Exchanges") -> None:
        self.operator = operator
        self._plan = plan
        self._watchdog = watchdog
        self._told = told

    def run(
        self,
        begin: Callable[[Bench], AbstractContextManager[tuple[Unit, ...]]],
        *,
        listener: Listener,
        pursue: bool = False,
        rest: Rest | None = None,
        drops_failed: bool = False,
    ) -> tuple[tuple[Path, Outcome], ...]:
        """Take the plan through the bench with the units that `begin` gives once it is open.

        Returns:
            Of each unit the folder of its record, and how it ended.
        """
        plan = self._plan
        self._told.begin()
        with opened_bench(plan, self.operator, self._told) as bench, begin(bench) as units:
            journals = [unit.journal for unit in units]
            journal = journals[0] if len(units) == 1 else Journals(journals)
            self._told.into(journal)
            if isinstance(bench.clock, RealClock):
                bench.clock.tell = self._watchdog.alive
            bench.driven_by(serial=", ".join(unit.serial for unit in units), record=journals[0].path.parent)
            further = None
            if len(units) == 1:
                beyond = FurtherPoints(plan, journals[0].path.parent, pursue=pursue)

                def further(step: int | None) -> Wanted:
                    with self._watchdog.excused():
                        return beyond(step)

            outcomes = run_units(
                plan,
                bench,
                units,
                operator=self.operator,
                journal=journal,
                listener=listener if len(units) > 1 else units[0].listener,
                rest=rest,
                further=further,
                drops_failed=drops_failed,
            )
        # Not where they began, if that was taken away.
        return tuple((each.path.parent, outcome) for each, outcome in zip(journals, outcomes, strict=True))


def _watchdog(plan: Plan) -> Watchdog:
    """What guards the run of a plan: nothing where no line leads to a source."""
    descriptions = [plan.bench.descriptions[name] for name in resources_of(plan.bench)]
    sources = [wire.source.instrument for wire in plan.all_wires if wire.source is not None]
    is_driven = any(plan.bench.descriptions[each].kind == "remote" for each in sources)
    longest_s = max((max(each.timeout, each.takes) for each in descriptions), default=0.0)
    return Watchdog(
        resources_of(plan.bench) if is_driven else {}, within_s=plan.bench.file.watchdog, longest_s=longest_s
    )


def opened_bench(plan: Plan, operator: Operator, tell: Teller) -> Bench:
    """The bench of a plan, open; it is made safe on leaving `with`."""
    return open_bench(
        plan.bench,
        sheet=plan.sheet,
        wires=plan.wires,
        limits=plan.limits,
        operator=operator,
        tell=tell,
        held=plan.held,
    )


class _Exchanges:
    """Takes what goes over the lines: kept until the journal is open, then handed to it; and to whoever watches."""

    def __init__(self, watch: Teller | None, watchdog: Watchdog) -> None:
        self._watch = watch
        self._watchdog = watchdog
        self._told_n = 0
        self._waiting: list[Exchange] = []
        self._journal: Journal | Journals | None = None

    def begin(self) -> None:
        """Another journal will follow; until then all is kept."""
        self._waiting.clear()
        self._journal = None

    def into(self, journal: Journal | Journals) -> None:
        self._journal = journal
        for exchange in self._waiting:
            journal.exchange(exchange)

    def __call__(self, exchange: Exchange) -> None:
        self._watchdog.alive()
        if self._journal is None:
            self._waiting.append(exchange)
        else:
            self._journal.exchange(exchange)
            for why in self._watchdog.restarts[self._told_n :]:
                self._told_n += 1
                with contextlib.suppress(RecordError):  # as with an exchange; the next line tells
                    self._journal.write("remark", sync=False, text=f"the watchdog {why}, and is started again")
        if self._watch is not None:
            self._watch(exchange)


def process_of(plan: Plan) -> dict[str, object] | None:
    """Which process drives the bench, for whoever looks into the journal; one seed makes one journal, so not there."""
    return None if plan.bench.file.is_simulated else holder()


def tried(record: Record, limit: int | None) -> Record:
    """A record with its uncertainties tried, as `with_monte_carlo`; raises InputError for its type sheet."""
    if limit is None:
        return record
    sheet = type_sheet_of(record.folder).datasheet()
    return replace(record, content=with_monte_carlo(record.content, sheet, limit))


def kept(
    folder: Path, outcome: Outcome, listener: Listener | None = None, *, monte_carlo: int | None = None
) -> RunResult:
    """A run that is over, its record sealed unless it can be resumed, its report written.

    What cannot be written is told in the result: it costs neither the verdict nor the readings. A signal waits until
    that is done: an impatient Ctrl-C must not cost the record. It stops nothing where an output is not safe, since that
    must be told.

    Raises:
        RecordError: the record cannot be read back.
    """
    unwritten: LivezeroError | None = None
    try:
        with undisturbed() if outcome.status == "not safe" else held_off():
            try:
                record = load(folder) if outcome.can_resume else seal(folder)
            except RecordError as error:
                record, unwritten = load(folder), error
            record = tried(record, monte_carlo)
            try:
                write_report(record.content, report_path(folder))
            except RecordError as error:
                unwritten = unwritten or error
    except (LivezeroError, OSError) as error:
        if outcome.error is not None:  # an output that is not safe must not hide behind a damaged record
            raise outcome.error from error
        raise
    found = record.content.findings
    if listener is not None and found is not None:
        weight = found.ranking[0].weight if found.ranking else None
        listener(Found(stage=found.stage, cause=found.cause, names=found.names, weight=weight, check=found.check))
    return RunResult(outcome=outcome, record=record, unwritten=unwritten, not_indexed=hand_over(record.folder))
