"""A record read back, tried, and added to once it is sealed: a remark, the correction of a reading."""

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from instruments.errors import InputError, RecordError
from instruments.units import magnitude, quantity
from sequencer.diagnosis.result import Content
from sequencer.jobs.drive import tried
from sequencer.readings.table import valid_rows
from sequencer.record.addenda import add
from sequencer.record.layout import type_sheet_of
from sequencer.record.load import Record, load

__all__ = ["by_trials", "correct", "load_record", "remark"]


def load_record(folder: Path | str) -> Record:
    """A record, its figures computed again from its journal; raises RecordError."""
    return load(Path(folder))


def by_trials(folder: Path | str, *, limit: int) -> Content:
    """The content of a record with its uncertainties tried, at most so often at a point; raises RecordError."""
    return tried(load_record(folder), limit).content


def remark(folder: Path | str, text: str, *, by: str) -> dict[str, Any]:
    """Add a remark to a record that is sealed; the report shows it. Returns what was added.

    Raises:
        InputError: no name, or no text.
        RecordError: there is no record, it is not sealed, or it cannot be written.
    """
    _refuse_nameless(by, text, "a remark")
    folder = Path(folder)
    load(folder)
    return add(folder, "remark", date=_now(), by=by.strip(), text=text.strip())


def correct(folder: Path | str, *, point: int, tap: str, reading: int, to: str, by: str, why: str) -> dict[str, Any]:
    """Correct a reading of a record that is sealed: figures are computed with it from now on; what was read stays.

    Args:
        folder: of the record.
        point: number of the point, as in readings.csv.
        tap: name of the tap; "" = the last one.
        reading: which one at the point, from 1.
        to: what the instrument should have shown, with its unit: "12.013 mA".
        by: who corrects.
        why: the reason, which the report shows.

    Returns:
        What was added.

    Raises:
        InputError: no name or reason, no such reading, or another unit.
        RecordError: there is no record, it is not sealed or was altered, or it cannot be written.
    """
    _refuse_nameless(by, why, "a correction")
    folder = Path(folder)
    record = load(folder)
    if record.content.alterations:
        raise RecordError(
            f"the record was altered: {record.content.alterations[0]}",
            where=str(folder),
            todo="correct nothing in it; livezero verify tells all that was altered",
        )
    taps = type_sheet_of(folder).datasheet().taps
    at = next((each for each in taps if each.name == (tap or taps[-1].name)), None)
    rows = valid_rows(record.table)
    rows = rows[(rows["number"] == point) & (rows["reading"] == reading) & (rows["tap"] == (at.name if at else tap))]
    if at is None or rows.empty:
        raise InputError(
            f'there is no reading {reading} at point {point}, tap "{tap or taps[-1].name}"',
            where=str(folder),
            allowed=f"taps {', '.join(each.name for each in taps)}; points and readings as in readings.csv",
        )
    row: dict[str, Any] = {str(name): each for name, each in rows.iloc[-1].items()}
    signal = magnitude(quantity(to, like=at.reading_unit), at.reading_unit)
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


def _refuse_nameless(by: str, text: str, what: str) -> None:
    if not by.strip() or not text.strip():
        raise InputError(f"{what} without a {'name' if not by.strip() else 'text'}", todo="say who, and what for")


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
