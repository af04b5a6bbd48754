"""A record as it begins: a folder that is never overwritten, the inputs as used, and the first line of its journal."""

import json
import platform
import re
import tempfile
from dataclasses import asdict
from importlib import metadata
from pathlib import Path
from typing import Any

from instruments.bench import visa_library
from instruments.benchfile import LoadedBench
from instruments.certificate import LoadedCertificate
from instruments.datasheet import DataSheet
from instruments.errors import LivezeroError, RecordError
from instruments.version import __version__
from instruments.wiring import Wire
from sequencer.inputs.selection import left_out_words
from sequencer.inputs.step import READING
from sequencer.journal.writer import entries
from sequencer.planning.bench_statements import basis_of
from sequencer.planning.plan import Plan, receiver_of
from sequencer.record.digest import inputs_of
from sequencer.record.layout import (
    BENCH,
    CERTIFICATES,
    DESCRIPTIONS,
    DIGEST,
    FIGURES,
    INCLUDED,
    JOURNAL,
    PICTURES,
    SEQUENCE,
    TYPE,
    UNSEALED,
    write_synced,
)

__all__ = ["as_found_of", "create", "create_again", "first_free", "opening", "receivers_of", "used", "versions"]

_BUILT_ON = ("numpy", "pandas", "pint", "pydantic", "pyvisa", "pyvisa-py", "pyvisa-sim", "pyyaml")


def versions() -> dict[str, str]:
    """Version of livezero, of Python, and of each package it is built on."""
    found = {"livezero": __version__, "python": platform.python_version()}
    return found | {name: metadata.version(name) for name in _BUILT_ON}


def create(results: Path, plan: Plan, *, date: str, serial: str, sequence: str = "") -> Path:
    """A new folder under `results` with the inputs as used.

    Args:
        results: where records land; made if it is not there.
        plan: what will be run.
        date: ISO date and time, for the name.
        serial: of the unit, for the name; only letters, figures, dot and dash of it are taken.
        sequence: its file's name, where the plan is one that a record kept, which has another; "" = as in the plan.

    Raises:
        RecordError: it cannot be made.
    """
    stamp = re.sub(r"[^0-9T]", "-", date[:19])
    name = "_".join(
        re.sub(r"[^A-Za-z0-9.-]+", "-", part).strip(".-")[:40] or "unit"
        for part in (stamp, serial, sequence or plan.sequence.document.path.stem)
    )
    return _made(results, name, plan)


def create_again(folder: Path, plan: Plan) -> Path:
    """A record that was taken away during its run, its inputs written once more: in its place, or where that cannot be.

    Raises:
        RecordError: it cannot be made, not even among the temporary files.
    """
    try:
        return _made(folder.parent, folder.name, plan)
    except RecordError:
        return _made(Path(tempfile.gettempdir()), folder.name, plan)


def _made(results: Path, name: str, plan: Plan) -> Path:
    try:
        results.mkdir(parents=True, exist_ok=True)
        folder = first_free(results, name)
        (folder / DESCRIPTIONS).mkdir(parents=True)
        write_synced(folder / UNSEALED, "")
        write_synced(folder / SEQUENCE, plan.sequence.document.text)
        for number, document in enumerate(plan.sequence.included, start=1):
            (folder / INCLUDED).mkdir(exist_ok=True)
            write_synced(folder / INCLUDED / f"{number}-{_plain(document.path.stem)}.yaml", document.text)
        for number, picture in plan.sequence.pictures.items():
            (folder / PICTURES).mkdir(exist_ok=True)
            name = f"{number}-{_plain(picture.path.stem)}{picture.path.suffix.lower()}"
            write_synced(folder / PICTURES / name, picture.data)
        write_synced(folder / TYPE, plan.sequence.sheet_document.text)
        write_synced(folder / BENCH, plan.bench.document.text)
        for number, (instrument, description) in enumerate(plan.bench.descriptions.items(), start=1):
            plain = _plain(instrument)
            text = description.model_dump_json(by_alias=True, indent=1)
            write_synced(folder / DESCRIPTIONS / f"{number}-{plain}.json", text)
            certificate = plan.bench.certificates.get(instrument)
            if certificate is not None and certificate.is_own_file:
                (folder / CERTIFICATES).mkdir(exist_ok=True)
                kind = ".xml" if certificate.document.path.suffix.lower() == ".xml" else ".yaml"
                write_synced(folder / CERTIFICATES / f"{number}-{plain}{kind}", certificate.document.text)
    except OSError as error:
        raise RecordError(
            f"the record cannot be written: {error.strerror}",
            where=str(results),
            todo="check name, disk and rights, or name another folder",
        ) from error
    return folder


def _plain(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9-]+", "-", name)[:40]


def first_free(results: Path, name: str) -> Path:
    """A new folder of that name, or with a number behind it; raises RecordError, or OSError if it cannot be made."""
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
    try:
        digests = sorted(results.glob(f"*/{DIGEST}"), reverse=True)
    except OSError:  # a name that is too long; whoever writes there says so
        return None
    for digest in digests:
        try:
            opened = next(entries(digest.parent / JOURNAL))
            kept = json.loads(digest.read_text(encoding="utf-8"))["sha256"]
            status = json.loads((digest.parent / FIGURES).read_text(encoding="utf-8"))["status"]
        except (LivezeroError, OSError, ValueError, KeyError, TypeError, StopIteration):
            continue  # a damaged record is no as-found run
        is_it = (opened.get("serial"), opened.get("type"), opened.get("state")) == (serial, type_, "as found")
        if is_it and status in {"complete", "stopped by the sequence"}:
            return {"folder": digest.parent.name, "sha256": kept}
    return None


def opening(  # noqa: PLR0913  all but the plan by keyword
    plan: Plan,
    *,
    date: str,
    serial: str,
    operator: str,
    state: str,
    tag: str = "",
    as_found: dict[str, str] | None = None,
    low_tur_accepted: str = "",
    bench_cleared: str = "",
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
        bench_cleared=bench_cleared,
    )
    sets = {
        wire.source.instrument: f"sets {wire.tap}, range {wire.source.entry.range}"
        for wire in plan.all_wires
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
            line = {"name": name, "what": what, "resource": instrument.resource, "use": "; ".join(uses)}
            lines.append(line | _certified(plan.bench.certificates.get(name)))
    return {
        "serial": serial,
        **({"tag": tag} if tag else {}),
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
        "receivers": receivers_of(plan.bench, plan.wires, plan.sheet),
        "left_out": sorted(plan.sequence.left_out),
        "left_out_named": left_out_words(plan.sequence),
        "planned_n": sum(point.role == READING for point in plan.points),
        "versions": versions(),
    }


def _certified(certificate: LoadedCertificate | None) -> dict[str, str]:
    """Number and dates of the certificate that an instrument has, where it has any."""
    if certificate is None:
        return {}
    file = certificate.file
    said = {"certificate": file.number, "calibrated": file.calibrated, "due": file.due}
    return {name: str(each) for name, each in said.items() if each}


def used(folder: Path, plan: Plan) -> dict[str, Any]:
    """What the first line of the journal says beyond that, so that a run that was cut off can be resumed as planned."""
    simulation = plan.bench.file.simulation
    return {
        "inputs": inputs_of(folder),
        "described": list(plan.bench.descriptions),
        "backend": visa_library(plan.bench),
        "simulation": None if simulation is None else simulation.model_dump(mode="json", by_alias=True),
    }


def receivers_of(bench: LoadedBench, wires: tuple[Wire, ...], sheet: DataSheet) -> dict[str, dict[str, float]]:
    """Resolution, in the unit of the tap's signal, and time of a reading of what reads each tap."""
    found = {}
    for wire, tap in zip(wires, sheet.taps, strict=True):
        if wire.receiver is not None:
            resolution, takes_s = receiver_of(bench, wire, tap)
            found[wire.tap] = {"resolution": resolution, "takes_s": takes_s}
    return found


def _simulated(plan: Plan) -> list[str]:
    """What a simulated bench was given; it must never be taken for a find."""
    simulation = plan.bench.file.simulation
    if not plan.bench.file.is_simulated or simulation is None:
        return []
    faults = [", ".join(f"{key} {text}" for key, text in fault.items()) for fault in simulation.faults]
    return [f"simulated with seed {simulation.seed}; {'; '.join(faults) or 'no fault'}"]
