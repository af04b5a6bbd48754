"""One function for each thing a user can do; command, page and library call these and nothing below them."""

import contextlib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import yaml

from instruments.benchcheck import InstrumentCheck, check
from instruments.benchfile import BenchFile, LoadedBench
from instruments.benchfile import load_bench as load_bench_file
from instruments.clock import Clock, RealClock
from instruments.description import DESCRIPTIONS, Description
from instruments.errors import InputError, RecordError
from instruments.filemodel import FileModel
from instruments.locks import bench_held
from instruments.shipped import shipped
from instruments.simulated.server import serve
from instruments.simulated.setup import simulated_bench
from instruments.units import show, terms
from instruments.wiring import wire
from instruments.yamlfile import find, read
from sequencer.diagnosis.action import advice, other_basis
from sequencer.diagnosis.comparison import Comparison, Side
from sequencer.diagnosis.comparison import compare as set_side_by_side
from sequencer.diagnosis.examine import examined
from sequencer.diagnosis.result import Content
from sequencer.diagnosis.waveform import TraceResult, trace_result
from sequencer.evaluation.budget import COVERAGE
from sequencer.evaluation.evaluate import evaluate as evaluate_table
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.decision_rules import DEFAULT_RULE
from sequencer.inputs.files import LoadedSequence, load_sequence, load_type_sheet
from sequencer.inputs.sequence_file import sequence_model
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.jobs.interrupted import kept_plan
from sequencer.jobs.record_jobs import Verification, correct, remark, verify
from sequencer.jobs.runs import (
    CutOff,
    Nobody,
    RunResult,
    acceptance,
    close,
    cut_off,
    make_safe,
    report_path,
    resume,
    run,
    tried,
    with_trials,
    write_page,
    write_report,
)
from sequencer.planning.bench_statements import basis_of
from sequencer.planning.plan import Plan
from sequencer.planning.plan import plan as planned
from sequencer.planning.risk_table import RiskTable, risk_table
from sequencer.readings.csv_import import from_csv
from sequencer.readings.waveform_file import read_trace
from sequencer.record import record as records
from sequencer.record.digest import JOURNAL, inputs_of
from sequencer.record.record import Record
from sequencer.reports.display import show_in_notebooks
from sequencer.reports.json_document import document
from sequencer.running.confirmations import signals_stop

__all__ = [
    "CutOff",
    "Nobody",
    "RunResult",
    "ServedBench",
    "Verification",
    "by_hand",
    "by_trials",
    "check_bench",
    "close",
    "compare",
    "copy_shipped",
    "correct",
    "cut_off",
    "document",
    "evaluate",
    "kept_plan",
    "load",
    "load_bench",
    "load_record",
    "load_type",
    "make_safe",
    "plan",
    "plan_document",
    "remark",
    "report",
    "report_path",
    "resume",
    "risk",
    "run",
    "schema",
    "shipped_names",
    "simulate",
    "trace",
    "verify",
    "write_comparison",
    "write_report",
]

show_in_notebooks()

BENCHES = Path(__file__).resolve().parent.parent / "instruments" / "benches"


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


def load_record(folder: Path | str) -> Record:
    """A record, its figures computed again from its journal; raises RecordError."""
    return records.load(Path(folder))


def report(folder: Path | str) -> Path:
    """Write the report of a record again; returns its path, raises RecordError."""
    return write_report(load_record(folder).content, report_path(Path(folder)))


def write_comparison(compared: Comparison, path: Path) -> Path:
    """Write a comparison as one HTML file; returns its path, raises RecordError. Never inside a record."""
    from sequencer.reports.side_by_side import html  # noqa: PLC0415  jinja2 only where a page is made

    if any((folder / JOURNAL).exists() for folder in path.resolve().parents):
        raise RecordError("lies inside a record", where=str(path), todo="write it elsewhere; a record stays as it is")
    return write_page(html(compared), path)


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
            low_tur_accepted=acceptance(low_tur_accepted),
        )
    found = evaluate_table(table, sheet, basis=basis)
    origin = "a table" if isinstance(readings, pd.DataFrame) else Path(readings).name
    findings = examined(table, sheet, found)
    content = Content(
        evaluation=found,
        advice=advice(found, "by hand", "", findings),
        findings=findings,
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
        remarks=(*_noted(table), *other_basis(found, sheet, findings)),
        traces=(),
        versions=records.versions(),
        digest="",
        folder="",
    )
    return with_trials(content, sheet.datasheet(), monte_carlo)


def trace(
    path: Path | str,
    *,
    column: str = "",
    interval_s: float | None = None,
    pulses_per_revolution: int | None = None,
    thresholds: tuple[float, float] | None = None,
) -> TraceResult:
    """What a trace from an oscilloscope (CSV, WAV) says: a pulse train and its faults, or noise and its kind.

    Args:
        path: the file.
        column: name of the column, or number of the channel from 1; "" = the first after the time.
        interval_s: from sample to sample, for a file without times.
        pulses_per_revolution: of the wheel.
        thresholds: lower and upper one, in the unit of the trace; None = found.

    Raises:
        ReadingsError: it cannot be read, or the thresholds do not lie in it.
    """
    lower, upper = thresholds or (None, None)
    found = read_trace(Path(path), column=column, interval_s=interval_s)
    return trace_result(found, pulses_per_revolution=pulses_per_revolution, lower=lower, upper=upper)


def _noted(table: pd.DataFrame) -> tuple[str, ...]:
    """What was doubted in a table taken by hand, a remark a row."""
    notes = table.loc[table["step_name"] == "by hand", "note"]
    return tuple(dict.fromkeys(note for note in notes if note not in {"", "empty"}))


def compare(
    a: Path | str,
    b: Path | str,
    *,
    type_sheet: TypeSheet | Path | str | None = None,
    bench: LoadedBench | Path | str | None = None,
    margin: str = "",
) -> Comparison:
    """Two records, or readings taken by hand, side by side; B less A.

    Args:
        a: folder of a record, or a CSV taken by hand.
        b: the other.
        type_sheet: of the unit, for a CSV.
        bench: whose instruments a CSV was taken with; None = not known, so nothing can be told.
        margin: within which they are to be equivalent, as a tolerance is written; "" = not asked.

    Raises:
        InputError: the margin is none, or a CSV has no type sheet.
        ReadingsError: different types or taps, no point in common, or a CSV at fault.
        RecordError: a record is damaged.
    """
    sides = [_side(Path(each), type_sheet, bench) for each in (a, b)]
    taps = sides[0].sheet.datasheet().taps
    units = (taps[-1].unit, taps[0].unit)
    within = terms(margin, bases=("span", "reading", "output"), like=units) if margin else None
    return set_side_by_side(*sides, margin=within)


def _side(path: Path, type_sheet: TypeSheet | Path | str | None, bench: LoadedBench | Path | str | None) -> Side:
    if path.is_dir():
        sheet, _ = load_type_sheet(str((path / "inputs" / "type.yaml").resolve()))
        return Side(
            content=load_record(path).content,
            sheet=sheet,
            sequence_digest=inputs_of(path).get("inputs/sequence.yaml", ""),
        )
    if type_sheet is None and path.is_file():
        raise InputError("readings taken by hand do not tell the type of unit", where=str(path), todo="give --type")
    if type_sheet is None:
        raise RecordError("there is no such record", where=str(path), todo="name a folder in results")
    sheet = type_sheet if isinstance(type_sheet, TypeSheet) else load_type(type_sheet)
    return Side(content=by_hand(path, sheet, serial=path.stem, bench=bench), sheet=sheet)


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
    return tried(load_record(folder), limit).content


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
        InstrumentError: another run holds the bench, or the VISA backend cannot be used.
    """
    loaded = bench if isinstance(bench, LoadedBench) else load_bench(bench)
    if sequence is None:  # the chain uses most instruments, if the bench has its taps
        is_chain = {"demand", "returned"} <= set(loaded.file.taps)
        sequence = load("glycol-pump-loop" if is_chain else "pulse-to-current")
    unit = sequence if isinstance(sequence, LoadedSequence) else load(sequence)
    with bench_held(loaded, job="bench check"):
        return check(loaded, unit.sheet.datasheet())
