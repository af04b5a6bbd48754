"""A record read back, tried, and added to once it is sealed: a remark, the correction of a reading."""

import math
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from instruments.entry import Doubt
from instruments.errors import InputError, RecordError
from instruments.units import magnitude, quantity
from sequencer.evaluation.budget import Basis
from sequencer.evaluation.certificates import with_certified
from sequencer.jobs.drive import tried
from sequencer.jobs.hand_over import hand_over
from sequencer.readings.plausibility import Expectation, Seen, doubt
from sequencer.readings.table import valid_rows
from sequencer.record.addenda import add
from sequencer.record.layout import type_sheet_of
from sequencer.record.load import load
from sequencer.record.record import Record

__all__ = ["by_trials", "correct", "load_record", "open", "remark"]


def open(name: Path | str, results: Path | str = "results") -> Record:  # noqa: A001  as it is called from outside
    """A record as it is kept, its figures computed again from its journal.

    Args:
        name: its folder; or the serial of its unit, of which the last run counts, or as "GF-104@as-found",
            "GF-104@2026-01-05"; or the first eight digits of its digest.
        results: where a serial is looked for.

    Raises:
        InputError: what stands behind the @ is neither a state nor a date.
        RecordError: there is none, several are meant, or it cannot be read.

    Example:
        >>> record = sequencer.open("GF-104")
        >>> record.evaluation.verdict.result
        'conditional pass'
        >>> record.readings[["tap", "value"]].shape
        (22, 2)
        >>> record.figures.loc["hysteresis", "unit"]
        '% of span'
        >>> print(record.diagnosis.cause)
        no fault found: nothing beyond what a good unit does
        >>> record.plot("hysteresis").svg[:4]
        '<svg'
    """
    from sequencer.jobs.index_jobs import find_record  # noqa: PLC0415  a database is loaded by those alone who ask it

    return load(find_record(str(name), results).folder)


def load_record(folder: Path | str) -> Record:
    """A record, its figures computed again from its journal; raises RecordError."""
    return load(Path(folder))


def by_trials(folder: Path | str, *, limit: int) -> Record:
    """A record with its uncertainties tried, at most so often at a point; raises RecordError."""
    return tried(load_record(folder), limit)


def remark(folder: Path | str, text: str, *, by: str) -> dict[str, Any]:
    """Add a remark to a record that is sealed; the report shows it. Returns what was added.

    Raises:
        InputError: no name, or no text.
        RecordError: there is no record, it is not sealed, or it cannot be written.
    """
    _refuse_nameless(by, text, "a remark")
    folder = Path(folder)
    load(folder)
    added = add(folder, "remark", date=_now(), by=by.strip(), text=text.strip())
    hand_over(folder)
    return added


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
        is_meant: asked whether a value that looks like a slip itself is meant; None = unattended.

    Returns:
        What was added.

    Raises:
        InputError: no name or reason, no such reading, another unit, or a value that looks like a slip and is not
            confirmed.
        RecordError: there is no record, it is not sealed or was altered, or it cannot be written.
    """
    _refuse_nameless(by, why, "a correction")
    folder = Path(folder)
    record = load(folder)
    _refuse_altered(record)
    sheet, index, row = _reading(record, point=point, tap=tap, reading=reading)
    at = sheet.taps[index]
    signal = magnitude(quantity(to, like=at.reading_unit), at.reading_unit)
    _refuse_what_is_not_meant(_doubted(record.readings, sheet, index, row, signal, to), folder, is_meant)
    before = float(row["signal"])
    added = add(
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
    hand_over(folder)
    return added


def _refuse_altered(record: Record) -> None:
    if record.content.alterations:
        raise RecordError(
            f"the record was altered: {record.content.alterations[0]}",
            where=str(record.folder),
            todo="correct nothing in it; livezero verify lists all that was altered",
        )


def _refuse_what_is_not_meant(doubted: Doubt | None, folder: Path, is_meant: Callable[[str], bool] | None) -> None:
    if doubted is not None and not (is_meant and is_meant(f"{doubted.text} Is it meant?")):
        raise InputError(
            f"nothing was corrected: {doubted.text}",
            where=str(folder),
            todo="" if is_meant else "correct the value; if it is meant, say so with --confirm",
        )


def _reading(record: Record, *, point: int, tap: str, reading: int) -> tuple[DataSheet, int, dict[str, Any]]:
    """Data sheet of the unit, index of the tap, and the row of the reading that counts there; raises InputError."""
    folder = record.folder
    basis = record.evaluation.basis if record.evaluation is not None else Basis()
    sheet = with_certified(type_sheet_of(folder).datasheet(), basis.statements)
    names = [each.name for each in sheet.taps]
    name = tap or names[-1]
    rows = valid_rows(record.readings)
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
