"""What is kept of a run for good: a folder that is never overwritten, and from which everything is computed again.

inputs/         sequence, type sheet, bench and instrument descriptions as they were used
journal.jsonl   every exchange, settling and reading in order
readings.csv    the tidy table
figures.json    figures and verdict
digest.json     SHA-256 of each of these files and over all of them; with it the record is sealed
report.html     made from the record, so it is not part of the digest
addenda.jsonl   remarks and corrections after sealing, chained to the digest
"""

import json
import os
import platform
import re
from dataclasses import asdict, dataclass, replace
from html import escape
from importlib import metadata
from pathlib import Path
from typing import Any

import pandas as pd

from instruments.bench import visa_library
from instruments.errors import LivezeroError, ReadingsError, RecordError
from instruments.simulated.instrument import is_simulated
from instruments.texts import as_json
from instruments.version import __version__
from sequencer.diagnosis.action import advice, may_adjust, other_basis
from sequencer.diagnosis.capture import captures
from sequencer.diagnosis.examine import examined
from sequencer.diagnosis.result import Content, InstrumentLine, Trace
from sequencer.evaluation.adjustment import adjustment
from sequencer.evaluation.budget import basis_from
from sequencer.evaluation.evaluate import evaluate
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.files import load_type_sheet
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.journal.lines import beyond_us, end_of, remedy, run_lines
from sequencer.journal.readings import from_journal
from sequencer.journal.writer import entries
from sequencer.planning.bench_statements import basis_of
from sequencer.planning.plan import Plan, receiver_of
from sequencer.readings.table import write_csv
from sequencer.record import addenda
from sequencer.record import digest as integrity
from sequencer.reports.json_document import document
from sequencer.reports.words import duration

__all__ = [
    "Record",
    "create",
    "is_sealed",
    "load",
    "opening",
    "seal",
    "used",
    "versions",
]

_BUILT_ON = ("numpy", "pandas", "pint", "pydantic", "pyvisa", "pyvisa-py", "pyvisa-sim", "pyyaml")


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A record as it is read back: its table, what was evaluated, and everything a report shows."""

    folder: Path
    table: pd.DataFrame
    content: Content

    @property
    def evaluation(self) -> Evaluation | None:
        """Figures and verdict; None where nothing could be evaluated."""
        return self.content.evaluation

    def _repr_html_(self) -> str:
        from sequencer.reports.notebook import evaluation_html  # noqa: PLC0415  only a notebook asks

        return evaluation_html(self.evaluation) if self.evaluation is not None else escape(self.content.reason)


def versions() -> dict[str, str]:
    """Version of livezero, of Python, and of each package it is built on."""
    found = {"livezero": __version__, "python": platform.python_version()}
    return found | {name: metadata.version(name) for name in _BUILT_ON}


def create(results: Path, plan: Plan, *, date: str, serial: str) -> Path:
    """A new folder under `results` with the inputs as used.

    Args:
        results: where records land; made if it is not there.
        plan: what will be run.
        date: ISO date and time, for the name.
        serial: of the unit, for the name; only letters, figures, dot and dash of it are taken.

    Raises:
        RecordError: it cannot be made.
    """
    stamp = re.sub(r"[^0-9T]", "-", date[:19])
    name = "_".join(
        re.sub(r"[^A-Za-z0-9.-]+", "-", part).strip(".-")[:40] or "unit"
        for part in (stamp, serial, plan.sequence.document.path.stem)
    )
    try:
        results.mkdir(parents=True, exist_ok=True)
        folder = _first_free(results, name)
        inputs = folder / "inputs"
        (inputs / "descriptions").mkdir(parents=True)
        _put(inputs / "sequence.yaml", plan.sequence.document.text)
        _put(inputs / "type.yaml", plan.sequence.sheet_document.text)
        _put(inputs / "bench.yaml", plan.bench.document.text)
        for number, (instrument, description) in enumerate(plan.bench.descriptions.items(), start=1):
            plain = re.sub(r"[^A-Za-z0-9-]+", "-", instrument)[:40]
            text = description.model_dump_json(by_alias=True, indent=1)
            _put(inputs / "descriptions" / f"{number}-{plain}.json", text)
    except OSError as error:
        raise RecordError(
            f"the record cannot be written: {error.strerror}", where=str(results), todo="check disk and rights"
        ) from error
    return folder


def _put(path: Path, text: str) -> None:
    """Write a file so that it outlives a power cut."""
    with path.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _first_free(results: Path, name: str) -> Path:
    for number in range(1, 1000):
        folder = results / (name if number == 1 else f"{name}_{number}")
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        return folder
    raise RecordError("a thousand records of one second", where=str(results / name), todo="clear them away")


def as_found_of(results: Path, *, serial: str, type_: str) -> dict[str, str] | None:
    """Folder and digest of the last as-found run of a unit that was finished and sealed; None if there is none.

    Args:
        results: where records are kept.
        serial: of the unit.
        type_: of the unit.
    """
    for digest in sorted(results.glob("*/digest.json"), reverse=True):
        try:
            opened = next(entries(digest.parent / "journal.jsonl"))
            kept = json.loads(digest.read_text(encoding="utf-8"))["sha256"]
            status = json.loads((digest.parent / "figures.json").read_text(encoding="utf-8"))["status"]
        except (LivezeroError, OSError, ValueError, KeyError, TypeError, StopIteration):
            continue  # a damaged record is no as-found run
        is_it = (opened.get("serial"), opened.get("type"), opened.get("state")) == (serial, type_, "as found")
        if is_it and status in {"complete", "stopped by the sequence"}:
            return {"folder": digest.parent.name, "sha256": kept}
    return None


def opening(
    plan: Plan,
    *,
    date: str,
    serial: str,
    operator: str,
    state: str,
    as_found: dict[str, str] | None = None,
    low_tur_accepted: str = "",
) -> dict[str, Any]:
    """What the first line of the journal says, so that a report can be made of the record alone."""
    file = plan.sequence.file
    basis = basis_of(
        plan.bench,
        plan.wires,
        plan.sequence.sheet,
        coverage=file.coverage,
        rule=file.decision_rule,
        date=date,
        low_tur_accepted=low_tur_accepted,
    )
    sets = {
        wire.source.instrument: f"sets {wire.tap}, range {wire.source.entry.range}"
        for wire in plan.wires
        if wire.source
    }
    lines = []
    for name, instrument in plan.bench.file.instruments.items():
        uses = [sets[name]] if name in sets else []
        uses += [
            f"reads {wire.tap}, range {wire.receiver.entry.range}"
            for wire in plan.wires
            if wire.receiver and wire.receiver.instrument == name
        ]
        if uses:
            what = plan.bench.descriptions[name].instrument
            lines.append({"name": name, "what": what, "resource": instrument.resource, "use": "; ".join(uses)})
    return {
        "serial": serial,
        "operator": operator,
        "state": state,
        "type": plan.sheet.type,
        "as_found": as_found,
        "sequence": plan.sequence.file.sequence,
        "standard": plan.sequence.file.standard,
        "basis": asdict(basis),
        "bench": plan.bench.file.bench,
        "is_simulated": plan.bench.file.is_simulated,
        "instruments": lines,
        "cautions": list(plan.cautions),
        "warnings": [*plan.warnings, *_simulated(plan)],
        "receivers": _receivers(plan),
        "planned_n": sum(point.role == "reading" for point in plan.points),
        "versions": versions(),
    }


def used(folder: Path, plan: Plan) -> dict[str, Any]:
    """What the first line of the journal says beyond that, so that a run that was cut off can be resumed as planned."""
    simulation = plan.bench.file.simulation
    return {
        "inputs": integrity.inputs_of(folder),
        "described": list(plan.bench.descriptions),
        "backend": visa_library(plan.bench),
        "simulation": None if simulation is None else simulation.model_dump(mode="json", by_alias=True),
    }


def _receivers(plan: Plan) -> dict[str, dict[str, float]]:
    """Resolution, in the unit of the tap's signal, and time of a reading of what reads each tap."""
    found = {}
    for wire, tap in zip(plan.wires, plan.sheet.taps, strict=True):
        if wire.receiver is not None:
            resolution, takes_s = receiver_of(plan.bench, wire, tap)
            found[wire.tap] = {"resolution": resolution, "takes_s": takes_s}
    return found


def _simulated(plan: Plan) -> list[str]:
    """What a simulated bench was given; it must never be taken for a find."""
    simulation = plan.bench.file.simulation
    if not plan.bench.file.is_simulated or simulation is None:
        return []
    faults = [", ".join(f"{key} {text}" for key, text in fault.items()) for fault in simulation.faults]
    return [f"simulated with seed {simulation.seed}; {'; '.join(faults) or 'no fault'}"]


def is_sealed(folder: Path) -> bool:
    """True once a run is over and its record complete."""
    return (folder / integrity.DIGEST).exists()


def seal(folder: Path) -> Record:
    """Write table, figures and digest of a run that is over, and read the record back.

    Raises:
        RecordError: it cannot be written.
    """
    record = load(folder)
    try:
        write_csv(record.table, folder / "readings.csv")
        _put(folder / "figures.json", as_json(document(record.content), indent=1) + "\n")
        digest = integrity.digest_of(folder)
        new = folder / f"{integrity.DIGEST}.new"
        _put(new, json.dumps(digest, indent=1) + "\n")
        new.replace(folder / integrity.DIGEST)  # there or not there, never half of it: with it the record is sealed
        for name in (*digest["files"], integrity.DIGEST):  # what was found is locked; only the report is written again
            (folder / name).chmod(0o444)
    except OSError as error:
        raise RecordError(
            f"the record cannot be written: {error.strerror}", where=str(folder), todo="make room on the disk"
        ) from error
    return replace(record, content=replace(record.content, digest=digest["sha256"]))


def load(folder: Path, *, as_sealed: bool = False) -> Record:
    """A record, its table read from the journal and its figures computed again.

    A run that was cut off is a record too: what was read until then is there.

    Args:
        folder: of the record.
        as_sealed: leave out what was corrected after sealing.

    Raises:
        RecordError: there is no record, or it is damaged.
        InputError: its type sheet is at fault.
    """
    journal = folder / "journal.jsonl"
    if not journal.is_file():
        raise RecordError(
            "is not a record: there is no journal in it", where=str(folder), todo="name a folder in results"
        )
    sheet, _ = load_type_sheet(str((folder / "inputs" / "type.yaml").resolve()))
    lines = list(run_lines(journal))
    if not lines or lines[0]["kind"] != "opened":
        raise RecordError("the journal has no first line", where=str(journal))
    try:
        more = [] if as_sealed else addenda.added(folder)
        table = addenda.corrected(from_journal(journal, sheet.datasheet()), more)
        content = _content(folder, lines, table, sheet)
        content = replace(content, remarks=(*map(addenda.words_of, more), *_judged(folder, more), *content.remarks))
    except (ArithmeticError, AttributeError, LookupError, OSError, RecursionError, TypeError, ValueError) as error:
        raise RecordError(f"the journal lacks {error}", where=str(journal), todo=remedy(lines[0])) from error
    return Record(folder=folder, table=table, content=content)


def _judged(folder: Path, more: list[dict[str, Any]]) -> tuple[str, ...]:
    """The verdict that was sealed, where a correction since may have made another of it."""
    if not any(line["kind"] == "correction" for line in more):
        return ()
    verdict = json.loads((folder / "figures.json").read_text(encoding="utf-8"))["verdict"]["result"]
    return (f"the verdict as sealed, without the corrections: {verdict}",)


def _content(folder: Path, lines: list[dict[str, Any]], table: pd.DataFrame, sheet: TypeSheet) -> Content:
    opened = lines[0]
    end = end_of(lines)
    status = end["status"] if end else "interrupted"
    reason = end["reason"] if end else _cut_off(table)
    identities: dict[str, str] = next((line["identities"] for line in lines if line["kind"] == "identified"), {})
    evaluation: Evaluation | None = None
    try:
        evaluation = evaluate(
            table,
            sheet,
            standard=opened["standard"],
            planned_n=opened["planned_n"],
            basis=basis_from(opened["basis"]),
            unfinished="" if status == "complete" else reason,
        )
    except ReadingsError as error:
        if status == "complete":
            status, reason = "bench fault", error.what
    before, found = _before(folder, opened)
    findings = None if evaluation is None else examined(table, sheet, evaluation)
    return Content(
        evaluation=evaluation,
        advice=advice(evaluation, status, reason, findings, can_resume=end is None or end["kind"] == "interrupted"),
        findings=findings,
        serial=opened["serial"],
        type=sheet.type,
        sequence=opened["sequence"],
        date=opened["date"],
        operator=opened["operator"],
        state=opened["state"],
        status=status,
        reason=reason,
        # A simulated bench that is served looks real to whoever runs on it, but for what its instruments say.
        is_simulated=opened["is_simulated"] or any(map(is_simulated, identities.values())),
        bench=opened["bench"],
        instruments=tuple(
            InstrumentLine(
                name=line["name"],
                what=line["what"],
                resource=line["resource"],
                identity=identities.get(line["name"], ""),
                use=line["use"],
            )
            for line in opened["instruments"]
        ),
        cautions=tuple(opened["cautions"]),
        remarks=(
            *(f"interrupted: {line['reason']}" for line in lines if line["kind"] == "interrupted" and line is not end),
            *(_resumed(line) for line in lines if line["kind"] == "resumed"),
            *filter(None, [beyond_us(lines)]),
            *opened["warnings"],
            *found,
            *(_remark(line) for line in lines if line["kind"] == "remark"),
            *other_basis(evaluation, sheet, findings),
        ),
        traces=_traces(lines, table),
        versions=opened["versions"],
        adjustment=adjustment(evaluation) if evaluation is not None and may_adjust(evaluation, findings) else None,
        captures=captures(table, sheet.datasheet(), opened.get("receivers") or {}),
        before=before,
        before_folder=(opened.get("as_found") or {}).get("folder", ""),
        digest=integrity.sealed_digest(folder),
        alterations=integrity.alterations(folder),
        folder=str(folder),
    )


def _cut_off(table: pd.DataFrame) -> str:
    place = f"after a reading at point {table['number'].iloc[-1]}" if len(table) else "before the first reading"
    return f"the run was cut off {place}: its journal has no closing line"


def _before(folder: Path, opened: dict[str, Any]) -> tuple[Evaluation | None, tuple[str, ...]]:
    """The as-found run beside an as-left one, and what is to be said of it."""
    if opened["state"] != "as left":
        return None, ()
    found = opened.get("as_found")
    if not found:
        return None, ("no as-found run of this unit is kept here: what was adjusted cannot be told",)
    there = folder.parent / Path(found["folder"]).name
    try:
        # An altered one might name yet another, and so on for ever.
        if next(entries(there / "journal.jsonl")).get("state") != "as found":
            return None, (f"{found['folder']} is not an as-found run",)
        record = load(there)
    except LivezeroError as error:
        return None, (f"the as-found run {found['folder']} cannot be read: {error.what}",)
    altered = () if _is_as_sealed(there, found["sha256"]) else ("the as-found run was altered since",)
    return record.evaluation, altered


def _is_as_sealed(folder: Path, digest: str) -> bool:
    return integrity.sealed_digest(folder) == digest and not integrity.alterations(folder)


def _resumed(line: dict[str, Any]) -> str:
    after = "on a new simulated bench" if line["is_new_simulation"] else f"after {duration(line['gap_s'])}"
    by = f" by {line['operator']}" if line["operator"] else ""
    if line["cycle"] is None:
        return f"resumed {after}{by}: every point had been read"
    return f"resumed {after}{by}: exercise again, then cycle {line['cycle']} anew from point {line['from_point']}"


def _remark(line: dict[str, Any]) -> str:
    return f"point {line['number']}: {line['text']}" if line.get("number") else str(line["text"])


def _traces(lines: list[dict[str, Any]], table: pd.DataFrame) -> tuple[Trace, ...]:
    """How each point that was read settled."""
    visits = table.drop_duplicates("number").set_index("number") if len(table) else table
    found: dict[int, Trace] = {}
    for line in lines:
        if line["kind"] != "settled" or line["number"] not in visits.index:
            continue
        visit = visits.loc[line["number"]]
        found[line["number"]] = Trace(  # of a point that was taken again, the last
            number=line["number"],
            setpoint_pct=float(visit["setpoint_pct"]),
            direction=str(visit["direction"]),
            cycle=int(visit["cycle"]),
            role=str(visit["role"]),
            state=line["state"],
            after_s=line["after_s"],
            to_go=line["to_go"],
            samples=tuple((at_s, value) for at_s, value in line["trace"] if value is not None),
        )
    return tuple(found.values())
