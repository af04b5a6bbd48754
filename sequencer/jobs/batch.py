"""Many units of one type in one go: all at once where the source drives them together, else one after another.

Each unit keeps a record of its own, as any run does; the batch is what they have in common (`diagnosis.batch`).
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from instruments.bench import Bench
from instruments.errors import InputError, LivezeroError, NoReadingError, StoppedError
from instruments.roles import Operator
from instruments.session import Teller
from sequencer.diagnosis.batch import BatchContent, InBatch, of_batch
from sequencer.inputs.serials import serial_of
from sequencer.jobs.batch_again import Again, unfinished
from sequencer.jobs.drive import HeldBench, Nobody, RunResult, bench_of, kept
from sequencer.jobs.interrupted import kept_plan
from sequencer.jobs.pages import write_batch
from sequencer.jobs.plan import acceptance, clearance
from sequencer.jobs.run import begun
from sequencer.jobs.safe import Say, make_safe
from sequencer.planning.plan import Plan
from sequencer.planning.together import why_plan_one_by_one
from sequencer.record.batch import Batch, create_batch, load_batch, records_of
from sequencer.record.layout import is_sealed
from sequencer.record.load import load
from sequencer.running.confirmations import ask_first
from sequencer.running.events import Event
from sequencer.running.loop import Unit
from sequencer.running.outcome import Outcome

__all__ = [
    "BatchListener",
    "BatchResult",
    "batch",
    "batch_report",
    "left_of",
    "open_records_of",
    "places_for",
    "resume_batch",
]

BatchListener = Callable[[str, Event], None]
"""Takes the serial of a unit, "" for what belongs to all, and an event."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchResult:
    """A batch that is over, or was stopped.

    Attributes:
        folder: of the batch.
        content: what the units have in common, and what stands out; read from the records.
        results: of the units that were run now, by serial.
        error: that ended it before its end; None if none did.
        page: of the batch; None if it could not be written, then `unwritten` says why.
    """

    folder: Path
    content: BatchContent
    results: Mapping[str, RunResult]
    error: LivezeroError | None
    page: Path | None
    unwritten: LivezeroError | None = None

    @property
    def can_resume(self) -> bool:
        """Some unit is not over."""
        return bool(self.content.open_n)

    @property
    def exit_code(self) -> int:
        """0 if all units pass; else 4 not made safe, 130 interrupted, 3 bench fault or not kept, 1 not all pass."""
        codes = {each.exit_code for each in self.results.values()}
        if self.error is not None:
            codes.add(self.error.exit_code)
        for code in (4, 130, 3):
            if code in codes:
                return code
        if self.unwritten is not None:
            return 3
        return 0 if self.content.is_pass else 1


def places_for(plan: Plan, units_n: int) -> tuple[int | None, ...]:
    """The places of so many units on a bench, in order; None each where a person moves the leads.

    Raises:
        InputError: the bench has fewer places.
    """
    units = plan.bench.file.units
    if units is None:
        return (None,) * units_n
    if units_n > len(units.places):
        raise InputError(
            f"{units_n} units for a bench with {len(units.places)} places",
            where=plan.bench.where("units", "channels"),
            todo="make several batches, or give channels to more places",
        )
    return units.places[:units_n]


def batch(  # noqa: PLR0913  all but the plan by keyword
    plan: Plan,
    *,
    serials: Sequence[str],
    results: Path | str = "results",
    state: Literal["as found", "as left", ""] = "",
    operator_name: str = "",
    operator: Operator | None = None,
    listener: BatchListener | None = None,
    trace: Teller | None = None,
    low_tur_accepted: str = "",
    bench_cleared: str = "",
    drops_failed: bool = False,
) -> BatchResult:
    """Run a plan with many units on its bench, and keep a record of each.

    Args:
        plan: what to do; its bench says by `units` how they are connected, else a person moves the leads.
        serials: of the units, in the order of the places.
        results: folder under which records and batch are kept.
        state: as for `run`, of every unit; so are the names, acceptance and clearance.
        operator_name: see there.
        operator: see there; asked to move the leads too.
        listener: takes every event.
        trace: as for `run`.
        low_tur_accepted: as for `run`.
        bench_cleared: as for `run`.
        drops_failed: give up a unit that is dead or certain to fail.

    Raises:
        InputError: a serial is no serial or given twice, or the bench has fewer places.
        InstrumentError: another run holds the bench, or a resource cannot be opened; nothing was energised.
        RecordError: the batch cannot be written.
    """
    names: list[str] = []
    for each in serials:
        names.append(serial_of(each, names, where="--serials"))
    if not names:
        raise InputError("there is no unit in this batch", todo="give the serials of its units")
    places = places_for(plan, len(names))
    is_driven_together = plan.bench.file.units is not None and plan.bench.file.units.driven == "together"
    is_together = is_driven_together and not why_plan_one_by_one(plan)
    said = {
        "operator": operator_name,
        "state": state,
        "low_tur_accepted": acceptance(low_tur_accepted),
        "bench_cleared": clearance(bench_cleared),
    }
    begun_with = Batch(
        name="",
        date=datetime.now(UTC).isoformat(timespec="seconds"),
        sequence=plan.sequence.document.path.stem,
        bench=plan.bench.file.bench,
        serials=tuple(names),
        places=places,
        is_together=is_together,
        said=said,
        drops_failed=drops_failed,
    )
    folder, begun_with = create_batch(Path(results), begun_with)
    work = _Work(plan, folder, begun_with, operator=operator or Nobody(), listener=listener, trace=trace)
    return work.done(_units_of(begun_with))


def resume_batch(
    folder: Path | str,
    *,
    operator: Operator | None = None,
    operator_name: str = "",
    listener: BatchListener | None = None,
    trace: Teller | None = None,
    acknowledged_by: str = "",
    say: Say | None = None,
    plan: Plan | None = None,
) -> BatchResult:
    """Go on with a batch that was cut off or interrupted: all its units that are not over, by the plan they keep.

    Args:
        folder: of the batch.
        operator: as for `batch`.
        operator_name: who goes on, for the records.
        listener: as for `batch`.
        trace: as for `batch`.
        acknowledged_by: as for `resume`.
        say: as for `resume`.
        plan: for units that were not begun, where none was; else the plan that the records keep counts.

    Raises:
        UnsafeError: a source that was left on is not proved safe; the records are as they were.
        RecordError: it is no batch, all its units are over, or a record was altered.
        InputError: no unit was begun and no plan is given.
    """
    folder = Path(folder)
    kept_batch, records = load_batch(folder), records_of(folder)
    for record in records.values():
        make_safe(record, operator=operator, acknowledged_by=acknowledged_by, say=say)
    first = next(iter(records.values()), None)
    used = plan if first is None else kept_plan(first)
    if used is None:
        raise InputError(
            "no unit of this batch was begun", where=str(folder), todo="begin a new batch with the same serials"
        )
    work = _Work(used, folder, kept_batch, operator=operator or Nobody(), listener=listener, trace=trace)
    work.operator_name = operator_name
    open_ones = [each for each in _units_of(kept_batch) if not _is_over(records.get(each[0]))]
    return work.done(open_ones)


def open_records_of(folder: Path | str) -> tuple[Path, ...]:
    """The records of a batch that are not over; raises RecordError for what is no batch."""
    return tuple(record for record in records_of(Path(folder)).values() if not is_sealed(record))


def left_of(folder: Path | str) -> tuple[Plan | None, int]:
    """The plan of a batch, None where no unit was begun, and how many units are not over. Raises as `kept_plan`."""
    folder = Path(folder)
    records = records_of(folder)
    first = next(iter(records.values()), None)
    left_n = sum(not _is_over(records.get(serial)) for serial in load_batch(folder).serials)
    return (None if first is None else kept_plan(first)), left_n


def _is_over(record: Path | None) -> bool:
    return record is not None and is_sealed(record)


def _units_of(kept_batch: Batch) -> list[tuple[str, int | None]]:
    return list(zip(kept_batch.serials, kept_batch.places, strict=True))


def batch_report(folder: Path | str, *, to: Path | None = None) -> tuple[BatchContent, Path]:
    """Read the records of a batch again, and write its page; returns what they have in common, and the page.

    `to` is another file for the page, HTML or PDF by its name; None = that in the folder of the batch.

    Raises:
        RecordError: it is no batch, a record cannot be read, or the page cannot be written.
    """
    folder = Path(folder)
    content = _content_of(folder)
    return content, write_batch(content, folder, to=to)


def _content_of(folder: Path, results: Mapping[str, RunResult] = {}) -> BatchContent:
    kept_batch, records = load_batch(folder), records_of(folder)
    units = []
    for serial, place in _units_of(kept_batch):
        content, fault = None, ""
        if serial in results:
            content = results[serial].record.content
        elif serial in records:
            try:
                content = load(records[serial]).content
            except LivezeroError as error:
                fault = f"{error.where}: {error.what}" if error.where else error.what
        units.append(InBatch(serial=serial, place=place, content=content, fault=fault))
    return of_batch(
        units, name=kept_batch.name, date=kept_batch.date, bench=kept_batch.bench, is_together=kept_batch.is_together
    )


class _Work:
    """The units of a batch, run in groups: all in one where the source drives them together, else one each."""

    def __init__(
        self,
        plan: Plan,
        folder: Path,
        kept_batch: Batch,
        *,
        operator: Operator,
        listener: BatchListener | None,
        trace: Teller | None,
    ) -> None:
        self._plan = plan
        self._folder = folder
        self._batch = kept_batch
        self._operator = operator
        self._listener = listener or (lambda _, __: None)
        self._trace = trace
        self._results: dict[str, RunResult] = {}
        self.operator_name = ""

    def done(self, units: Sequence[tuple[str, int | None]]) -> BatchResult:
        """Run units, keep their records, and write the page of the batch."""
        error: LivezeroError | None = None
        groups = [list(units)] if self._batch.is_together else [[each] for each in units]
        groups = [group for group in groups if group]
        job = f"{self._batch.name} of {len(units)} units"
        try:
            if groups:
                with bench_of(self._plan, job=job, operator=self._operator, trace=self._trace) as held:
                    for number, group in enumerate(groups):
                        if not self._run(held, group, is_first=number == 0):
                            break
        except KeyboardInterrupt as stopped:
            error = StoppedError(f"stopped by {stopped.args[0] if stopped.args else 'Ctrl-C'} between two units")
        except StoppedError as stopped:  # at the question to move the leads
            error = stopped
        return self._over(error)

    def _run(self, held: HeldBench, group: Sequence[tuple[str, int | None]], *, is_first: bool) -> bool:
        """Run a group; returns True if the next may follow."""
        records = records_of(self._folder)
        with unfinished({serial: records[serial] for serial, _ in group if serial in records}, self._plan) as again:
            for serial, (record, outcome) in again.over.items():  # over, and only not sealed yet
                self._results[serial] = kept(record, outcome)
            left = [each for each in group if each[0] not in again.over]
            if not left:
                return True
            if self._plan.bench.file.units is None and not self._plan.bench.file.is_simulated:
                ask_first(self._move_leads(left[0][0], is_first=is_first), held.operator)
            outcomes = held.run(
                lambda bench: self._begun(bench, left, again),
                listener=lambda event: self._listener("", event),
                rest=again.rest,
                drops_failed=self._batch.drops_failed,
            )
        for (serial, _), (record, outcome) in zip(left, outcomes, strict=True):
            self._results[serial] = kept(record, outcome)
        return all(_may_follow(outcome) for _, outcome in outcomes)

    def _move_leads(self, serial: str, *, is_first: bool) -> str:
        index = self._batch.serials.index(serial)
        before = "" if is_first else f" in place of {self._batch.serials[index - 1]}"
        return (
            f"Unit {index + 1} of {len(self._batch.serials)}: the source is off. Connect {serial}{before}, source and "
            "meter leads. Is it connected?"
        )

    @contextmanager
    def _begun(self, bench: Bench, group: Sequence[tuple[str, int | None]], again: Again) -> Iterator[tuple[Unit, ...]]:
        """The units of a group with their journals, the first line or that of the resumption written in each."""
        units = []
        with ExitStack() as stack:
            for serial, place in group:
                if serial in again.journals:
                    how = again.resumed(serial, self._plan, self.operator_name, bench)
                else:
                    said: dict[str, Any] = {"serial": serial, **self._batch.said}
                    of = self._batch.as_opened(serial)
                    results, sequence = self._folder.parent, self._batch.sequence
                    how = begun(self._plan, results, said, bench, batch=of, sequence=sequence)
                journal = stack.enter_context(how)
                units.append(
                    Unit(
                        serial=serial,
                        journal=journal,
                        listener=self._heard(serial),
                        place=place,
                        taken=again.taken(serial),
                    )
                )
            yield tuple(units)

    def _heard(self, serial: str) -> Callable[[Event], None]:
        return lambda event: self._listener(serial, event)

    def _over(self, error: LivezeroError | None) -> BatchResult:
        failed = next((each.outcome.error for each in self._results.values() if each.outcome.error is not None), error)
        content = _content_of(self._folder, self._results)
        page, unwritten = None, None
        try:
            page = write_batch(content, self._folder)
        except LivezeroError as fault:
            unwritten = fault
        return BatchResult(
            folder=self._folder,
            content=content,
            results=self._results,
            error=failed,
            page=page,
            unwritten=unwritten,
        )


def _may_follow(outcome: Outcome) -> bool:
    """What ended one unit's run does not concern the bench: its channels did not close."""
    return (outcome.error is None and not outcome.can_resume) or isinstance(outcome.error, NoReadingError)
