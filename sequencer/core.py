"""One function for each thing a user can do; command, page and library call these and nothing below them."""

import contextlib
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import pandas as pd
import yaml

from instruments.bench import open_bench
from instruments.benchcheck import InstrumentCheck, check
from instruments.benchfile import BenchFile, LoadedBench
from instruments.benchfile import load_bench as load_bench_file
from instruments.clock import Clock, RealClock
from instruments.datasheet import DataSheet
from instruments.description import DESCRIPTIONS, Description
from instruments.errors import InputError, RecordError, StoppedError
from instruments.roles import Operator, Question
from instruments.session import Exchange
from instruments.shipped import shipped
from instruments.simulated.server import serve
from instruments.simulated.setup import simulated_bench
from instruments.units import show
from instruments.wiring import wire
from instruments.yamlfile import FileModel, find, read
from sequencer import record as records
from sequencer.advice import advice
from sequencer.budget import COVERAGE, basis_of
from sequencer.byhand import from_csv
from sequencer.evaluation import Evaluation
from sequencer.evaluation import evaluate as evaluate_table
from sequencer.events import Event
from sequencer.figures.conformity import DEFAULT_RULE
from sequencer.journal import Journal
from sequencer.models import LoadedSequence, TypeSheet, load_sequence, load_type_sheet, sequence_model
from sequencer.planning import Plan
from sequencer.planning import plan as planned
from sequencer.record import Record, document
from sequencer.reports.content import Content
from sequencer.risk_curve import RiskTable, risk_table
from sequencer.running.gate import signals_stop, undisturbed
from sequencer.running.loop import Outcome, run_plan
from sequencer.trials import trials

__all__ = [
    "RunResult",
    "ServedBench",
    "by_hand",
    "by_trials",
    "check_bench",
    "copy_shipped",
    "document",
    "evaluate",
    "load",
    "load_bench",
    "load_record",
    "load_type",
    "plan",
    "plan_document",
    "report",
    "risk",
    "run",
    "schema",
    "shipped_names",
    "simulate",
    "write_report",
]

BENCHES = Path(__file__).resolve().parent.parent / "instruments" / "benches"


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
    """An operator where nobody is there to ask: the run stops at the first question."""

    def ask(self, question: Question) -> str:
        """Raise StoppedError with the question."""
        raise StoppedError(
            f"nobody is there to answer: {question.text}",
            todo="run at a terminal, or confirm the cautions with --confirm",
        )


def load(sequence: str | Path) -> LoadedSequence:
    """A sequence by path, or by the name of one that comes with livezero; raises InputError."""
    return load_sequence(str(sequence))


def load_type(sheet: str | Path) -> TypeSheet:
    """A type sheet by path, or by the name of one that comes with livezero; raises InputError."""
    return load_type_sheet(str(sheet))[0]


def load_bench(bench: str | Path) -> LoadedBench:
    """A bench file by path, or by the name of one that comes with livezero ("simulated"); raises InputError."""
    return load_bench_file(find(str(bench), what="bench file", folder=BENCHES))


def plan(sequence: LoadedSequence | str | Path, bench: LoadedBench | str | Path) -> Plan:
    """What will happen, for how long, and whether this bench can do it.

    Raises:
        InputError: a file is at fault.
        PlanError: the bench cannot do it, or the unit could be harmed.
    """
    loaded = sequence if isinstance(sequence, LoadedSequence) else load(sequence)
    return planned(loaded, bench if isinstance(bench, LoadedBench) else load_bench(bench))


def run(  # noqa: PLR0913  all but the plan by keyword
    plan: Plan,
    *,
    serial: str,
    results: Path | str = "results",
    state: Literal["as found", "as left", ""] = "",
    operator_name: str = "",
    operator: Operator | None = None,
    listener: Callable[[Event], None] | None = None,
    low_tur_accepted: str = "",
    monte_carlo: int | None = None,
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
        low_tur_accepted: "NAME: reason" of the person who accepts a test uncertainty ratio below 1.5; "" = nobody.
        monte_carlo: at most so many trials at a point, beside the first-order uncertainties; None = none.

    Returns:
        The outcome with the record; a bench fault or a stop is an outcome. The report is written too.

    Raises:
        InputError: no serial, an acceptance without name or reason, or a simulated fault that is not in the catalogue.
        InstrumentError: a resource cannot be opened; nothing was energised.
        RecordError: the record cannot be written.
    """
    if not serial.strip():
        raise InputError("the serial of the unit is missing", allowed="what stands on its plate", todo="give --serial")
    accepted = _by_name(low_tur_accepted)
    asked = operator or Nobody()
    started = datetime.now(UTC)
    told: list[Exchange] = []
    keep: list[Callable[[Exchange], None]] = [told.append]
    bench = open_bench(
        plan.bench,
        sheet=plan.sheet,
        wires=plan.wires,
        limits=plan.limits,
        operator=asked,
        tell=lambda exchange: keep[0](exchange),  # noqa: PLW0108  it changes once the journal is open
    )
    with bench:
        # On virtual time the date is the virtual one, so that one seed gives one record to the last digit.
        date = bench.clock.date() if plan.bench.file.is_simulated else started
        earlier = None
        if state == "as left":
            earlier = records.as_found_of(Path(results), serial=serial.strip(), type_=plan.sheet.type)
        folder = records.create(Path(results), plan, date=started.isoformat(), serial=serial)
        with Journal(folder / "journal.jsonl") as journal:
            said = records.opening(
                plan,
                date=date.isoformat(),
                serial=serial.strip(),
                operator=operator_name,
                state=state,
                as_found=earlier,
                low_tur_accepted=accepted,
            )
            journal.opened(date, **said)
            for exchange in told:
                journal.exchange(exchange)
            keep[0] = journal.exchange
            outcome = run_plan(
                plan,
                bench,
                serial=serial.strip(),
                operator=asked,
                journal=journal,
                listener=listener or (lambda _: None),
            )
    try:
        with undisturbed():  # outputs are safe; an impatient Ctrl-C must not cost the record
            record = records.seal(folder)
            record = replace(record, content=_tried(record.content, plan.sheet, monte_carlo))
            write_report(record.content, folder / "report.html")
    except RecordError as error:
        if outcome.error is not None:  # an output that is not safe must not hide behind a full disk
            raise outcome.error from error
        raise
    return RunResult(outcome=outcome, record=record)


def _by_name(accepted: str) -> str:
    """An acceptance as it is kept; raises InputError where it does not say who and why."""
    name, _, reason = (part.strip() for part in accepted.partition(":"))
    if accepted.strip() and not (name and reason):
        raise InputError(
            "who accepts the low TUR, and why, is not said",
            where="--accept-low-tur",
            allowed="NAME: reason",
            todo='give such as "A. Brewer: the next better meter is away for calibration"',
        )
    return f"{name}: {reason}" if name else ""


def load_record(folder: Path | str) -> Record:
    """A record, its figures computed again from its journal; raises RecordError."""
    return records.load(Path(folder))


def report(folder: Path | str) -> Path:
    """Write the report of a record again; returns its path, raises RecordError."""
    return write_report(load_record(folder).content, Path(folder) / "report.html")


def write_report(content: Content, path: Path) -> Path:
    """Write a report as one HTML file; returns its path, raises RecordError."""
    from sequencer.reports.html import html  # noqa: PLC0415  jinja2 only where a page is made

    text = html(content)
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RecordError(
            f"the report cannot be written: {error.strerror}", where=str(path), todo="check disk and rights"
        ) from error
    return path


def evaluate(
    readings: pd.DataFrame | Path | str, type_sheet: TypeSheet | Path | str, *, serial: str = ""
) -> Evaluation:
    """Figures and verdict of a table of readings, or of a CSV taken by hand.

    Raises:
        InputError: the type sheet is at fault.
        ReadingsError: the readings are.
    """
    found = by_hand(readings, type_sheet, serial=serial).evaluation
    assert found is not None
    return found


def by_hand(
    readings: pd.DataFrame | Path | str,
    type_sheet: TypeSheet | Path | str,
    *,
    serial: str = "",
    bench: LoadedBench | Path | str | None = None,
    low_tur_accepted: str = "",
    monte_carlo: int | None = None,
) -> Content:
    """As `evaluate`, with everything a report shows.

    Args:
        readings: a tidy table, or a CSV.
        type_sheet: of the unit.
        serial: of the unit.
        bench: whose instruments the readings were taken with; None = not known, so a verdict without uncertainty.
        low_tur_accepted: as in `run`.
        monte_carlo: as in `run`.

    Raises:
        InputError: the type sheet, the bench file or the acceptance is at fault.
        PlanError: the bench has no instrument for a tap.
        ReadingsError: the readings are.
    """
    sheet = type_sheet if isinstance(type_sheet, TypeSheet) else load_type(type_sheet)
    table = (
        readings if isinstance(readings, pd.DataFrame) else from_csv(Path(readings), sheet.datasheet(), serial=serial)
    )
    now = datetime.now(UTC).isoformat(timespec="seconds")
    loaded = bench if isinstance(bench, LoadedBench) or bench is None else load_bench(bench)
    basis = None
    if loaded is not None:
        basis = basis_of(
            loaded,
            wire(loaded, sheet.datasheet()),
            sheet,
            coverage=COVERAGE,
            rule=DEFAULT_RULE,
            date=now,
            low_tur_accepted=_by_name(low_tur_accepted),
        )
    found = evaluate_table(table, sheet, basis=basis)
    origin = "a table" if isinstance(readings, pd.DataFrame) else Path(readings).name
    content = Content(
        evaluation=found,
        advice=advice(found, "by hand", ""),
        serial=serial,
        type=sheet.type,
        sequence=f"readings from {origin}",
        date=now,
        operator="",
        state="",
        status="by hand",
        reason="readings that no run took",
        is_simulated=False,
        bench="not known" if loaded is None else loaded.file.bench,
        instruments=(),
        cautions=(),
        remarks=(),
        traces=(),
        versions=records.versions(),
        digest="",
        folder="",
    )
    return _tried(content, sheet.datasheet(), monte_carlo)


def _tried(content: Content, sheet: DataSheet, limit: int | None) -> Content:
    if limit is None or content.evaluation is None:
        return content
    return replace(content, trials=trials(content.evaluation, sheet, limit=limit))


def risk(planned: Plan, *, in_tolerance: float = 0.95) -> RiskTable:
    """How often a good unit will be rejected and a bad one accepted, over the guard band.

    Raises:
        InputError: the share is not between 0 and 1.
        PlanError: no uncertainty is known, or it exceeds the tolerance.
    """
    if not 0 < in_tolerance < 1:
        raise InputError("the share of good units is not between 0 and 100 %", todo="give such as 95 %")
    return risk_table(planned, in_tolerance=in_tolerance)


def by_trials(folder: Path | str, *, limit: int) -> Content:
    """The content of a record with its uncertainties tried, at most so often at a point; raises RecordError."""
    content = load_record(folder).content
    sheet, _ = load_type_sheet(str((Path(folder) / "inputs" / "type.yaml").resolve()))
    return _tried(content, sheet.datasheet(), limit)


def plan_document(planned: Plan) -> dict[str, Any]:
    """A plan as JSON values."""
    return {
        "sequence": planned.sequence.file.sequence,
        "type": planned.sheet.type,
        "bench": planned.bench.file.bench,
        "estimate_s": planned.estimate_s,
        "tur": planned.tur,
        "cautions": list(planned.cautions),
        "warnings": list(planned.warnings),
        "limits": {reason: str(limit) for reason, limit in planned.limits},
        "wiring": [
            {"tap": each.tap}
            | {
                use: port and {"instrument": port.instrument, "function": port.function, "range": str(port.entry.range)}
                for use, port in (("set_by", each.source), ("read_by", each.receiver))
            }
            | {"safe_level": show(each.safe_level) if each.safe_level is not None else None}
            for each in planned.wires
        ],
        "points": [
            {"number": point.number, "step": point.step_name, "role": point.role, "cycle": point.setpoint.cycle}
            | {"direction": point.setpoint.direction, "setpoint_pct": 100 * point.setpoint.frac, "value": point.value}
            | {"level": show(point.level, digits=9), "expected": list(point.expected)}
            | {"tolerance": None if math.isnan(point.tolerance) else point.tolerance, "tur": point.tur}
            | {"readings": point.setpoint.readings_n, "estimate_s": point.estimate_s}
            for point in planned.points
        ],
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class ServedBench:
    """A simulated bench behind real sockets: VISA resource by instrument, and the bench file that uses them."""

    resources: Mapping[str, str]
    bench_text: str
    clock: Clock

    def wait(self) -> None:
        """Until Ctrl-C or SIGTERM."""
        with signals_stop(), contextlib.suppress(KeyboardInterrupt):
            while True:
                self.clock.sleep(1.0)


@contextlib.contextmanager
def simulate(sequence: LoadedSequence | str | Path, bench: LoadedBench | str | Path) -> Iterator[ServedBench]:
    """Serve a simulated bench for the unit of a sequence over the loopback address, on free ports, in real time.

    Raises:
        InputError: a file is at fault, or the bench has no simulation.
    """
    loaded = bench if isinstance(bench, LoadedBench) else load_bench(bench)
    unit = sequence if isinstance(sequence, LoadedSequence) else load(sequence)
    if loaded.file.simulation is None:
        raise InputError(
            "this bench has no simulation", where=str(loaded.path), todo="take --bench simulated, or add one"
        )
    clock = RealClock()
    with serve(simulated_bench(loaded, unit.sheet.datasheet(), clock)) as served:
        yield ServedBench(resources=served.resources, bench_text=_served_text(loaded, served.resources), clock=clock)


def _served_text(loaded: LoadedBench, resources: Mapping[str, str]) -> str:
    """The bench file for a served bench: the same wiring and statements, its resources, through pyvisa-py."""
    file = loaded.file
    stated = file.model_dump(mode="json", by_alias=True, exclude_unset=True)
    instruments = {name: stated["instruments"][name] | {"resource": each} for name, each in resources.items()}
    taps = {
        tap: {"set by": wiring.set_by, "read by": wiring.read_by}
        for tap, wiring in file.taps.items()
        if {wiring.set_by, wiring.read_by} - {None} <= set(resources)
    }
    return yaml.safe_dump(
        {
            "bench": f"{file.bench}, served on this computer",
            "backend": "@py",
            "instruments": instruments,
            "taps": {tap: {key: each for key, each in uses.items() if each} for tap, uses in taps.items()},
        }
        | {key: stated[key] for key in ("ambient", "correlations") if key in stated},
        sort_keys=False,
        allow_unicode=True,
    )


def shipped_names() -> dict[str, dict[str, str]]:
    """Name and title of everything that comes along: sequences, type sheets, benches, instruments."""
    folders = {
        "sequences": (shipped("sequences"), "sequence"),
        "type sheets": (shipped("sequences", "types"), "type"),
        "benches": (BENCHES, "bench"),
        "instruments": (DESCRIPTIONS, "instrument"),
    }
    return {
        kind: {path.stem: str(read(path).content.get(key, "")) for path in sorted(folder.glob("*.yaml"))}
        for kind, (folder, key) in folders.items()
    }


def copy_shipped(folder: Path) -> tuple[Path, ...]:
    """Copy sequences, type sheets, benches and instrument descriptions to a folder; nothing there is overwritten.

    Raises:
        InputError: a file of that name is there already, or the folder cannot be written.
    """
    pairs = [(path, folder / path.name) for path in sorted(shipped("sequences").glob("*.yaml"))]
    pairs += [(path, folder / "types" / path.name) for path in sorted(shipped("sequences", "types").glob("*.yaml"))]
    pairs += [(path, folder / "benches" / path.name) for path in sorted(BENCHES.glob("*.yaml"))]
    pairs += [(path, folder / "instruments" / path.name) for path in sorted(DESCRIPTIONS.glob("*.yaml"))]
    there = [target for _, target in pairs if target.exists()]
    if there:
        raise InputError("is there already", where=str(there[0]), todo="name a new folder; nothing is overwritten")
    try:
        for source, target in pairs:
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(source.read_bytes())
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(folder)) from error
    return tuple(target for _, target in pairs)


def schema(kind: str) -> dict[str, Any]:
    """JSON Schema of a kind of file: "sequence", "type", "bench" or "instrument"."""
    models: dict[str, type[FileModel]] = {
        "sequence": sequence_model(),
        "type": TypeSheet,
        "bench": BenchFile,
        "instrument": Description,
    }
    found = models[kind].model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": f"livezero {kind}"} | {
        key: value for key, value in found.items() if key != "title"
    }


def check_bench(
    bench: LoadedBench | str | Path, sequence: LoadedSequence | str | Path | None = None
) -> tuple[InstrumentCheck, ...]:
    """Talk to every instrument of a bench: identity, error queue, every function and range, safe level.

    Nothing is energised. It is what proves a description.

    Args:
        bench: the bench.
        sequence: whose unit a simulated bench takes; None = one that uses every kind of instrument.

    Raises:
        InputError: a file is at fault.
        InstrumentError: the VISA backend cannot be used.
    """
    loaded = bench if isinstance(bench, LoadedBench) else load_bench(bench)
    if sequence is None:  # the chain uses most instruments, if the bench has its taps
        is_chain = {"demand", "returned"} <= set(loaded.file.taps)
        sequence = load("glycol-pump-loop" if is_chain else "pulse-to-current")
    unit = sequence if isinstance(sequence, LoadedSequence) else load(sequence)
    return check(loaded, unit.sheet.datasheet())
