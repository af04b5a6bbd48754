"""Runs as a user has them: begun, resumed, closed; each ends in a record that is sealed, with its report.

It holds the bench, opens it, and keeps the journal; what is done on the bench is in `running`.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Literal

from instruments.bench import Bench, open_bench
from instruments.datasheet import DataSheet
from instruments.errors import AbsentError, InputError, LivezeroError, RecordError, UnsafeError
from instruments.keyed import KeyedSource
from instruments.locks import bench_held, holder
from instruments.roles import Operator, Question
from instruments.session import Exchange, Teller
from sequencer.diagnosis.result import Content
from sequencer.evaluation.monte_carlo import trials
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.files import load_type_sheet
from sequencer.jobs.further_points import pursued
from sequencer.jobs.interrupted import CutOff, find_cut_off, kept_plan, opened_of, rest_of
from sequencer.journal.lines import end_of, run_lines
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Plan
from sequencer.record import record as records
from sequencer.record.digest import JOURNAL, REPORT
from sequencer.record.record import Record
from sequencer.running.confirmations import undisturbed
from sequencer.running.events import Found, Listener
from sequencer.running.loop import run_plan
from sequencer.running.outcome import Outcome

__all__ = [
    "CutOff",
    "Nobody",
    "RunResult",
    "acceptance",
    "close",
    "cut_off",
    "make_safe",
    "report_path",
    "resume",
    "run",
    "write_report",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResult:
    """A run that is over: how it ended, and its record."""

    outcome: Outcome
    record: Record

    @property
    def evaluation(self) -> Evaluation | None:
        """Figures and verdict; None where nothing could be evaluated."""
        return self.record.evaluation

    @property
    def exit_code(self) -> int:
        """0 pass; 1 judged and not passed; 3 bench fault, made safe; 4 not made safe; 130 interrupted."""
        if self.outcome.error is not None:
            return self.outcome.error.exit_code if self.outcome.status != "bench fault" else 3
        return 0 if self.evaluation is not None and self.evaluation.verdict.is_pass else 1

    def _repr_html_(self) -> str:
        return self.record._repr_html_()


class Nobody:
    """An operator where nobody is there to ask: the run stops at the first question that it cannot do without."""

    def ask(self, question: Question) -> str:
        """Raise AbsentError with the question."""
        raise AbsentError(
            f"nobody is there to answer: {question.text}",
            todo="run at a terminal, or confirm the cautions with --confirm",
        )


def _opened(plan: Plan, operator: Operator, tell: Teller) -> Bench:
    return open_bench(plan.bench, sheet=plan.sheet, wires=plan.wires, limits=plan.limits, operator=operator, tell=tell)


class _Exchanges:
    """Takes what goes over the lines: kept until the journal is open, then handed to it; and to whoever watches."""

    def __init__(self, watch: Teller | None) -> None:
        self._watch = watch
        self._waiting: list[Exchange] = []
        self._journal: Journal | None = None

    def into(self, journal: Journal) -> None:
        self._journal = journal
        for exchange in self._waiting:
            journal.exchange(exchange)

    def __call__(self, exchange: Exchange) -> None:
        if self._journal is None:
            self._waiting.append(exchange)
        else:
            self._journal.exchange(exchange)
        if self._watch is not None:
            self._watch(exchange)


def run(  # noqa: PLR0913  all but the plan by keyword
    plan: Plan,
    *,
    serial: str,
    results: Path | str = "results",
    state: Literal["as found", "as left", ""] = "",
    operator_name: str = "",
    operator: Operator | None = None,
    listener: Listener | None = None,
    trace: Teller | None = None,
    low_tur_accepted: str = "",
    monte_carlo: int | None = None,
    pursue: bool = False,
) -> RunResult:
    """Run a plan on its bench, and keep the record.

    Args:
        plan: what to do.
        serial: of the unit.
        results: folder under which the record is kept.
        state: as found, as left, or neither.
        operator_name: for the record.
        operator: confirms cautions and serves keyed instruments; None = nobody is there.
        listener: takes every event.
        trace: takes every exchange with an instrument.
        low_tur_accepted: "NAME: reason" of the person who accepts a test uncertainty ratio below 1.5; "" = nobody.
        monte_carlo: at most so many trials at a point, beside the first-order uncertainties; None = none.
        pursue: where two causes are left in question, take the points that tell them apart, and look again.

    Returns:
        The outcome with the record; a bench fault or a stop is an outcome. The report is written too. A run that was
        stopped after its first reading is not sealed: `resume` goes on with it, `close` ends it.

    Raises:
        InputError: no serial, an acceptance without name or reason, or a simulated fault that is not in the catalogue.
        InstrumentError: another run holds the bench, or a resource cannot be opened; nothing was energised.
        RecordError: the record cannot be written.
    """
    if not serial.strip():
        raise InputError("the serial of the unit is missing", allowed="what stands on its plate", todo="give --serial")
    accepted = acceptance(low_tur_accepted)
    asked = operator or Nobody()
    started = datetime.now(UTC)
    told = _Exchanges(trace)
    with bench_held(plan.bench, job=_job(plan, serial)), _opened(plan, asked, told) as bench:
        # On virtual time the date is the virtual one, so that one seed gives one record to the last digit.
        date = bench.clock.date() if plan.bench.file.is_simulated else started
        earlier = None
        if state == "as left":
            earlier = records.as_found_of(Path(results), serial=serial.strip(), type_=plan.sheet.type)
        folder = records.create(Path(results), plan, date=started.isoformat(), serial=serial)
        with Journal(folder / JOURNAL) as journal:
            said = records.opening(
                plan,
                date=date.isoformat(),
                serial=serial.strip(),
                operator=operator_name,
                state=state,
                as_found=earlier,
                low_tur_accepted=accepted,
            )
            journal.opened(date, **said, **records.used(folder, plan), process=_process(plan))
            told.into(journal)
            outcome = run_plan(
                plan,
                bench,
                serial=serial.strip(),
                operator=asked,
                journal=journal,
                listener=listener or (lambda _: None),
                further=partial(pursued, plan, folder) if pursue else None,
            )
    return _kept(folder, outcome, listener, trials_n=monte_carlo)


def acceptance(accepted: str) -> str:
    """Who accepts a low test uncertainty ratio, and why, as it is kept; raises InputError where one is not said."""
    name, _, reason = (part.strip() for part in accepted.partition(":"))
    if accepted.strip() and not (name and reason):
        raise InputError(
            "who accepts the low TUR, and why, is not said",
            where="--accept-low-tur",
            allowed="NAME: reason",
            todo='give such as "A. Brewer: the next better meter is away for calibration"',
        )
    return f"{name}: {reason}" if name else ""


def tried(record: Record, limit: int | None) -> Record:
    """A record with its uncertainties tried, as `with_trials`; raises InputError where its type sheet is at fault."""
    if limit is None:
        return record
    sheet = load_type_sheet(str((record.folder / "inputs" / "type.yaml").resolve()))[0].datasheet()
    return replace(record, content=with_trials(record.content, sheet, limit))


def with_trials(content: Content, sheet: DataSheet, limit: int | None) -> Content:
    """A content with its uncertainties tried, at most `limit` times at a point; as it is where that is None."""
    if limit is None or content.evaluation is None:
        return content
    return replace(content, trials=trials(content.evaluation, sheet, limit=limit))


def cut_off(results: Path | str = "results") -> tuple[CutOff, ...]:
    """The runs under a folder that a crash, a power cut or a person ended and that can go on, the oldest first."""
    return find_cut_off(Path(results))


def make_safe(folder: Path | str, *, operator: Operator | None = None) -> dict[str, str]:
    """Bring the outputs of a run that was cut off to their safe levels, on the bench that its record keeps.

    Returns:
        The safe level by instrument; nothing of a simulated bench, which went with its process.

    Raises:
        RecordError: the record was altered, so that its bench is not known.
        InstrumentError: another run holds the bench, or an output cannot be reached.
        UnsafeError: an output was reached, and could not be made safe.
    """
    plan = kept_plan(Path(folder))
    if plan.bench.file.is_simulated:
        return {}
    job = f"making safe after {Path(folder).name}"
    with bench_held(plan.bench, job=job), _opened(plan, operator or Nobody(), lambda _: None) as bench:
        for source in bench.sources.values():
            if source.name in bench.instruments:
                bench.instruments[source.name].meet()  # what is sent next must go to the source, and to no other
            elif isinstance(source, KeyedSource):
                source.left_by_others()
        return bench.make_safe()


def resume(
    folder: Path | str,
    *,
    operator_name: str = "",
    operator: Operator | None = None,
    listener: Listener | None = None,
    trace: Teller | None = None,
    monte_carlo: int | None = None,
    pursue: bool = False,
) -> RunResult:
    """Go on with a run that was cut off or interrupted, by the plan and on the bench that its record keeps.

    The exercise is done again, the cycle that was interrupted is taken anew (see `unfinished`). On a simulated bench a
    new one with the same seed takes over, its time set to that of the journal.

    Args:
        folder: of the record.
        operator_name: for the record.
        operator: as for `run`.
        listener: as for `run`.
        trace: as for `run`.
        monte_carlo: as for `run`.
        pursue: as for `run`; also where every point of the sequence had been read.

    Raises:
        RecordError: the run is over, or still goes on, or the record was altered.
        InputError: an input that is kept is at fault.
        PlanError: the plan is not possible any more.
        InstrumentError: another run holds the bench, or a resource cannot be opened; nothing was energised.
    """
    folder = Path(folder)
    _refuse_what_is_sealed(folder)
    opened = opened_of(folder)
    asked = operator or Nobody()
    told = _Exchanges(trace)
    with Journal(folder / JOURNAL, again=True) as journal:
        lines = list(run_lines(folder / JOURNAL))
        end = end_of(lines)
        if end is None or end["kind"] == "interrupted":
            plan = kept_plan(folder)
            rest = rest_of(folder, plan)
            with bench_held(plan.bench, job=_job(plan, opened["serial"])), _opened(plan, asked, told) as bench:
                last = datetime.fromisoformat(_last_date(lines))
                if plan.bench.file.is_simulated:
                    bench.clock.sleep((last - bench.clock.date()).total_seconds())
                reads = [point for point in rest.points if point.role != "exercise"]
                journal.write(
                    "resumed",
                    sync=True,
                    date=bench.clock.date().isoformat(timespec="milliseconds"),
                    gap_s=max((bench.clock.date() - last).total_seconds(), 0.0),
                    cycle=reads[0].setpoint.cycle if reads else None,
                    from_point=reads[0].number if reads else None,
                    is_new_simulation=plan.bench.file.is_simulated,
                    operator=operator_name,
                    torn=journal.torn,
                    versions=records.versions(),
                    process=_process(plan),
                )
                told.into(journal)
                outcome = run_plan(
                    plan,
                    bench,
                    serial=opened["serial"],
                    operator=asked,
                    journal=journal,
                    listener=listener or (lambda _: None),
                    rest=rest,
                    further=partial(pursued, plan, folder) if pursue else None,
                )
        else:
            outcome = Outcome(status=end["status"], reason=end["reason"])
    return _kept(folder, outcome, listener, trials_n=monte_carlo)


def close(folder: Path | str, *, operator: Operator | None = None) -> RunResult:
    """End a run that was cut off or interrupted: evaluate what is there, seal it.

    One that was cut off has its bench made safe first; one that was interrupted left it safe.

    Returns:
        The outcome with the record; the error of an outcome is what kept the bench from being made safe.

    Raises:
        RecordError: the run is over, or still goes on, or its journal is no journal.
    """
    folder = Path(folder)
    _refuse_what_is_sealed(folder)
    opened_of(folder)
    with Journal(folder / JOURNAL, again=True) as journal:
        lines = list(run_lines(folder / JOURNAL))
        end = end_of(lines)
        if end is None or end["kind"] == "interrupted":
            outcome = _given_up(folder, lines, operator)
            journal.write(
                "closed",
                sync=True,
                date=datetime.now(UTC).isoformat(timespec="milliseconds"),
                status=outcome.status,
                reason=outcome.reason,
                torn=journal.torn,
            )
        else:
            outcome = Outcome(status=end["status"], reason=end["reason"])
    return _kept(folder, outcome)


def _given_up(folder: Path, lines: list[dict[str, Any]], operator: Operator | None) -> Outcome:
    end = end_of(lines)
    if end is not None and end["status"] != "not safe":  # whoever uses its outputs now is not disturbed
        return Outcome(status=end["status"], reason=f"{end['reason']}, and closed without being resumed")
    points = [line["number"] for line in lines if line["kind"] == "reading"]
    place = f"after a reading at point {points[-1]}" if points else "before the first reading"
    story = end["reason"] if end is not None else f"cut off {place}"
    reason = f"{story}, and closed without being resumed"
    try:
        make_safe(folder, operator=operator)
    except UnsafeError as error:
        return Outcome(status="not safe", reason=f"{error.what}; {reason}", error=error)
    except LivezeroError as error:
        return Outcome(
            status="interrupted", reason=f"{reason}; its outputs were not made safe: {error.what}", error=error
        )
    return Outcome(status="interrupted", reason=reason)


def _refuse_what_is_sealed(folder: Path) -> None:
    if not (folder / JOURNAL).is_file():
        raise RecordError(
            "is not a record: there is no journal in it", where=str(folder), todo="name a folder in results"
        )
    if records.is_sealed(folder):
        raise RecordError("the run is over, and its record sealed", where=str(folder), todo="begin a new run")


def _process(plan: Plan) -> dict[str, object] | None:
    """Which process drives the bench, for whoever looks into the journal; one seed makes one journal, so not there."""
    return None if plan.bench.file.is_simulated else holder()


def _last_date(lines: list[dict[str, Any]]) -> str:
    """The latest date that stands in a journal."""
    return str(
        next(line.get("at") or line.get("date") for line in reversed(lines) if line.get("at") or line.get("date"))
    )


def _job(plan: Plan, serial: str) -> str:
    return f"{plan.sequence.document.path.stem} of {serial.strip()}"


def _kept(
    folder: Path, outcome: Outcome, listener: Listener | None = None, *, trials_n: int | None = None
) -> RunResult:
    try:
        with undisturbed():  # outputs are safe; an impatient Ctrl-C must not cost the record
            record = records.load(folder) if outcome.can_resume else records.seal(folder)
            record = tried(record, trials_n)
            write_report(record.content, report_path(folder))
    except RecordError as error:
        if outcome.error is not None:  # an output that is not safe must not hide behind a full disk
            raise outcome.error from error
        raise
    found = record.content.findings
    if listener is not None and found is not None:
        weight = found.ranking[0].weight if found.ranking else None
        listener(Found(stage=found.stage, cause=found.cause, names=found.names, weight=weight, check=found.check))
    return RunResult(outcome=outcome, record=record)


def report_path(folder: Path) -> Path:
    """Where the report of a record goes; a link in its place is taken away, so that nothing is written through it.

    Raises:
        RecordError: it cannot be taken away.
    """
    path = folder / REPORT
    try:
        if path.is_symlink() or path.is_fifo():
            path.unlink()
    except OSError as error:
        raise RecordError(
            f"a link stands in place of the report: {error.strerror}", where=str(path), todo="take it away"
        ) from error
    return path


def write_report(content: Content, path: Path) -> Path:
    """Write a report as one HTML file; returns its path, raises RecordError."""
    from sequencer.reports.html import html  # noqa: PLC0415  jinja2 only where a page is made

    return write_page(html(content), path)


def write_page(text: str, path: Path) -> Path:
    """Write a page; returns its path, raises RecordError."""
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RecordError(
            f"the report cannot be written: {error.strerror}", where=str(path), todo="check disk and rights"
        ) from error
    return path
