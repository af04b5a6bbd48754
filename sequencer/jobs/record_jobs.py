"""What can be done with a record that is sealed: prove that it is what was recorded, remark, correct a reading."""

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from instruments.entry import Doubt
from instruments.errors import InputError, RecordError
from instruments.units import magnitude, quantity
from sequencer.inputs.files import load_type_sheet
from sequencer.journal.writer import entries
from sequencer.readings.plausibility import Expectation, Seen, doubt
from sequencer.readings.table import valid_rows
from sequencer.record import record as records
from sequencer.record.addenda import add, added
from sequencer.record.digest import JOURNAL, alterations, digest_of, sealed_digest
from sequencer.reports.json_document import document

__all__ = ["Verification", "correct", "remark", "verify"]

_FIGURES = "figures.json"
# These depend on other records and on the place of this one, not on what was recorded here.
_ELSEWHERE = ("as_found", "remarks")


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """Whether a record is what was sealed.

    Args:
        folder: of the record.
        sha256: over the record as sealed; "" = it is not sealed.
        findings: what was altered, each with its file, and with its line in the journal; () = nothing.
        files_n: files that the digest covers.
        lines_n: lines of the journal.
        added_n: remarks and corrections after sealing.
    """

    folder: Path
    sha256: str
    findings: tuple[str, ...]
    files_n: int
    lines_n: int
    added_n: int

    @property
    def is_intact(self) -> bool:
        """True if it is sealed and nothing was altered."""
        return bool(self.sha256) and not self.findings


def verify(folder: Path | str) -> Verification:
    """Compute digests, chain and figures of a record again and tell what was altered.

    Raises:
        RecordError: there is no record.
    """
    folder = Path(folder)
    if not (folder / JOURNAL).is_file():
        raise RecordError(
            "is not a record: there is no journal in it", where=str(folder), todo="name a folder in results"
        )
    sha256, lines_n, added_n = "", 0, 0
    findings: list[str] = []
    try:
        sha256 = sealed_digest(folder)
        findings += alterations(folder)
        lines_n = sum(1 for _ in entries(folder / JOURNAL))
        added_n = len(added(folder))
        if sha256 and (folder / _FIGURES).is_file():
            findings += _figures_that_differ(folder, is_consequence=bool(findings) and not _names_figures(findings))
    except (RecordError, InputError) as error:  # damaged so that it cannot be read any more
        findings.append(f"{error.where}: {error.what}" if error.where else error.what)
    return Verification(
        folder=folder,
        sha256=sha256,
        findings=tuple(dict.fromkeys(findings)),
        files_n=len(digest_of(folder)["files"]),
        lines_n=lines_n,
        added_n=added_n,
    )


def _names_figures(findings: list[str]) -> bool:
    return any(each.startswith(_FIGURES) for each in findings)


def _figures_that_differ(folder: Path, *, is_consequence: bool) -> list[str]:
    """Where figures.json and what is computed again differ; counted only, where what they come from was altered."""
    try:
        kept = json.loads((folder / _FIGURES).read_text(encoding="utf-8"))
    except (ValueError, RecursionError):
        return [f"{_FIGURES}: is not JSON"]
    computed = json.loads(json.dumps(document(records.load(folder, as_sealed=True).content)))
    differ = [each for each in _different(kept, computed) if not each[0].startswith(_ELSEWHERE)]
    if is_consequence:
        return [f"{_FIGURES}: {len(differ)} numbers are others, computed again"] if differ else []
    by_other = "" if kept.get("versions") == records.versions() else " by other versions of the programs"
    return [
        f"{_FIGURES}: {name} is {_short(before)}, computed again{by_other} {_short(now)}"
        for name, before, now in differ
    ]


def _short(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _name(entry: object) -> str:
    return str(entry.get("name", "")) if isinstance(entry, dict) else ""


def _different(kept: object, computed: object, at: str = "") -> list[tuple[str, object, object]]:
    """Where two documents differ; numbers by more than the arithmetic of another computer makes."""
    if isinstance(kept, dict) and isinstance(computed, dict):
        names = [*kept, *(name for name in computed if name not in kept)]
        return [
            each
            for name in names
            for each in _different(kept.get(name), computed.get(name), f"{at}.{name}" if at else name)
        ]
    if isinstance(kept, list) and isinstance(computed, list) and len(kept) == len(computed):
        return [
            each
            for number, (one, other) in enumerate(zip(kept, computed, strict=True), start=1)
            for each in _different(one, other, f"{at}[{_name(other) or number}]")
        ]
    if isinstance(kept, float) and isinstance(computed, float):
        is_same = math.isclose(kept, computed, rel_tol=1e-6, abs_tol=1e-9)
    else:
        is_same = kept == computed
    return [] if is_same else [(at, kept, computed)]


def remark(folder: Path | str, text: str, *, by: str) -> dict[str, Any]:
    """Add a remark to a record that is sealed; the report shows it. Returns what was added.

    Raises:
        InputError: no name, or no text.
        RecordError: there is no record, it is not sealed, or it cannot be written.
    """
    _refuse_nameless(by, text, "a remark")
    folder = Path(folder)
    records.load(folder)
    return add(folder, "remark", date=_now(), by=by.strip(), text=text.strip())


def correct(
    folder: Path | str,
    *,
    point: int,
    tap: str,
    reading: int,
    to: str,
    by: str,
    why: str,
    is_meant: Callable[[str], bool] | None = None,
) -> dict[str, Any]:
    """Correct a reading of a record that is sealed: figures are computed with it from now on; what was read stays.

    Args:
        folder: of the record.
        point: number of the point, as in readings.csv.
        tap: name of the tap; "" = the last one.
        reading: which one at the point, from 1.
        to: what the instrument should have shown, with its unit: "12.013 mA".
        by: who corrects.
        why: the reason, which the report shows.
        is_meant: asked whether a value that looks like a slip itself is meant; None = nobody can be asked.

    Returns:
        What was added.

    Raises:
        InputError: no name or reason, no such reading, another unit, or a value that looks like a slip and is not
            confirmed.
        RecordError: there is no record, it is not sealed or was altered, or it cannot be written.
    """
    _refuse_nameless(by, why, "a correction")
    folder = Path(folder)
    record = records.load(folder)
    if record.content.alterations:
        raise RecordError(
            f"the record was altered: {record.content.alterations[0]}",
            where=str(folder),
            todo="correct nothing in it; livezero verify tells all that was altered",
        )
    sheet, index, row = _reading(record, point=point, tap=tap, reading=reading)
    at = sheet.taps[index]
    signal = magnitude(quantity(to, like=at.reading_unit), at.reading_unit)
    doubted = _doubted(record.table, sheet, index, row, signal, to)
    if doubted is not None and not (is_meant and is_meant(f"{doubted.text} Is it meant?")):
        raise InputError(
            f"nothing was corrected: {doubted.text}",
            where=str(folder),
            todo="" if is_meant else "correct the value; if it is meant, say so with --confirm",
        )
    before = float(row["signal"])
    return add(
        folder,
        "correction",
        date=_now(),
        by=by.strip(),
        why=why.strip(),
        number=point,
        attempt=int(row["attempt"]),
        reading=reading,
        tap=at.name,
        signal=signal,
        value=float(at.from_reading(np.array(signal))),
        raw=to,
        signal_unit=at.reading_unit,
        before=None if math.isnan(before) else before,
    )


def _reading(record: records.Record, *, point: int, tap: str, reading: int) -> tuple[DataSheet, int, dict[str, Any]]:
    """Data sheet of the unit, index of the tap, and the row of the reading that counts there; raises InputError."""
    folder = record.folder
    sheet = load_type_sheet(str((folder / "inputs" / "type.yaml").resolve()))[0].datasheet()
    names = [each.name for each in sheet.taps]
    name = tap or names[-1]
    rows = valid_rows(record.table)
    rows = rows[(rows["number"] == point) & (rows["reading"] == reading) & (rows["tap"] == name)]
    if name not in names or rows.empty:
        raise InputError(
            f'there is no reading {reading} at point {point}, tap "{name}"',
            where=str(folder),
            allowed=f"taps {', '.join(names)}; points and readings as in readings.csv",
        )
    return sheet, names.index(name), {str(column): each for column, each in rows.iloc[-1].items()}


def _doubted(
    table: pd.DataFrame, sheet: DataSheet, index: int, row: dict[str, Any], signal: float, typed: str
) -> Doubt | None:
    """What looks like a slip in a correction, held against what the unit should give and what it gave elsewhere."""
    tap = sheet.taps[index]
    rows = valid_rows(table)
    commanded = rows["commanded"].to_numpy(dtype=np.float64)

    def expected(number: int, inputs: FloatArray) -> FloatArray:
        each = sheet.taps[number]
        return each.to_reading(sheet.ideal(inputs, last=number) if number else inputs)

    levels = expected(index, commanded)
    is_here = ((rows["tap"] == tap.name) & rows["signal"].notna()).to_numpy()
    is_before = (rows["number"] < row["number"]).to_numpy()
    is_other = ((rows["number"] != row["number"]) | (rows["reading"] != row["reading"])).to_numpy()
    # The readings before it last, in order: they tell a copy; the others, what error the unit has.
    places = [*np.flatnonzero(is_here & is_other & ~is_before), *np.flatnonzero(is_here & is_before)]
    signals = rows["signal"].to_numpy(dtype=np.float64)
    here = np.array([float(row["commanded"])])
    low, high = (float(each) for each in tap.to_reading(np.array([tap.low, tap.high])))
    at = Expectation(
        signal=float(expected(index, here)[0]),
        low=low,
        high=high,
        unit=tap.reading_unit,
        others={
            each.name: float(expected(number, here)[0]) for number, each in enumerate(sheet.taps) if number != index
        },
    )
    return doubt(signal, at, [Seen(float(levels[each]), float(signals[each])) for each in places], typed=typed)


def _refuse_nameless(by: str, text: str, what: str) -> None:
    if not by.strip() or not text.strip():
        raise InputError(f"{what} without a {'name' if not by.strip() else 'text'}", todo="say who, and what for")


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
