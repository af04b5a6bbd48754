"""The index of records: where it is, built anew from the folders, and what is asked of it."""

import os
import platform
import re
from collections.abc import Mapping
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import select

from instruments.errors import InputError, RecordError, nearest
from sequencer.index.database import Database
from sequencer.index.filters import Filters
from sequencer.index.frames import Frames
from sequencer.index.listing import listed, removable
from sequencer.index.looking import Looked, Progress, build, look
from sequencer.index.models import Record
from sequencer.index.naming import Named, named_record
from sequencer.index.place import here
from sequencer.inputs.serials import serial_key
from sequencer.jobs.hand_over import NAMED_BY
from sequencer.journal.lines import run_lines
from sequencer.record.digest import sealed_digest
from sequencer.record.layout import JOURNAL, is_place, journal_of
from sequencer.record.unit_log import log
from sequencer.reports.listing import Listing

__all__ = [
    "build_index",
    "find_record",
    "index_of",
    "list_deeds",
    "list_records",
    "list_removable",
    "pin_baseline",
    "records",
    "repaired",
]


def index_of(results: Path | str, index: str = "") -> Database:
    """The index of a folder of records: the one that is named, else that of the environment, else in the folder.

    Raises:
        InputError: what is named is no database.
    """
    named = index or os.environ.get(NAMED_BY, "")
    return Database.of(Path(results), "" if named == "none" else named)


def build_index(
    results: Path | str = "results",
    *,
    index: str = "",
    forgets_missing: bool = False,
    progress: Progress | None = None,
) -> Looked:
    """Build the index anew from the folders; tells which records are altered or gone.

    Args:
        results: folder of the records.
        index: URL or path; "" = as `index_of`.
        forgets_missing: what is gone is taken out of the index.
        progress: told how many of how many records were read.

    Raises:
        InputError: what is named is no database.
        RecordError: there is no such folder, or the index cannot be reached.
    """
    database = index_of(results, index)
    try:
        return build(database, Path(results), forgets_missing=forgets_missing, progress=progress)
    except RecordError:
        if not Path(results).is_dir() or not database.set_aside():
            raise
    return build(database, Path(results), forgets_missing=forgets_missing, progress=progress)


def records(results: Path | str = "results", *, index: str = "", is_fresh: bool = True, **asked: object) -> Frames:
    """Records as tidy DataFrames, which are read when they are asked for.

    Args:
        results: folder of the records.
        index: URL or path; "" = as `index_of`.
        is_fresh: look first for what is new in the folder.
        asked: as of `Filters`: serial, tag, type, verdict, cause, since, until, bench, operator, instrument, text, ...

    Raises:
        InputError: there is no such filter, a date is none, or what is named is no database.
        RecordError: there is no such folder, or the index cannot be reached.

    Example:
        >>> found = sequencer.records(serial="GF-104")
        >>> found.records["verdict"].tolist()
        ['conditional pass']
        >>> found.figures[["figure", "value", "unit"]].shape
        (16, 3)
    """
    filters = _filters(asked)
    database = index_of(results, index)
    if is_fresh:
        look(database, Path(results))
    return Frames(database, filters)


def _filters(asked: Mapping[str, object]) -> Filters:
    known = [each.name for each in fields(Filters)]
    for name in asked.keys() - set(known):
        near = nearest(name, known)
        raise InputError(
            f'records are not asked for by "{name}"',
            allowed=", ".join(known),
            todo=f'write "{near}"' if near else "",
        )
    return Filters(**{name: str(value).strip() for name, value in asked.items() if value is not None})


def list_records(
    results: Path | str = "results",
    *,
    index: str = "",
    sort: str = "date",
    is_reversed: bool = False,
    page: int = 1,
    per_page: int = 20,
    **asked: str,
) -> Listing:
    """A page of records, as `records` and `listing.listed`; raises as the former."""
    filters = Filters(**asked)
    database = index_of(results, index)
    look(database, Path(results))
    with database.reading() as connection:
        return listed(
            connection,
            filters,
            host=platform.node(),
            sort=sort,
            is_reversed=is_reversed,
            page=page,
            per_page=per_page,
        )


def list_deeds(results: Path | str = "results", *, index: str = "", **asked: str) -> list[dict[str, Any]]:
    """Who did what when to the records that are asked for, and to their units between them, in order of time.

    Each has `at` (UTC), `by`, `what`, `text`, `serial`, `record` (its folder, "" of a repair); raises as `records`.
    """
    filters = Filters(**asked)
    database = index_of(results, index)
    look(database, Path(results))
    found = Frames(database, filters)
    units = set(map(serial_key, found.records["serial"]))
    of_records = found.deeds.merge(found.records[["record", "serial", "folder"]], on="record")
    lines = [
        {name: row[name] for name in ("at", "by", "what", "text", "serial")} | {"record": Path(row["folder"]).name}
        for row in of_records.to_dict("records")
    ]
    lines += [
        {name: row[name] for name in ("at", "by", "serial")}
        | {"what": "repair", "text": f"{row['part']}: {row['text']}".removesuffix(": "), "record": ""}
        for row in found.repairs.to_dict("records")
        if serial_key(row["serial"]) in units
    ]
    return sorted(lines, key=lambda line: (pd.isna(line["at"]), line["at"]))


_AGE = re.compile(r"(\d{1,4}) *(years?|months?|days?)")
_DAYS = {"year": 365.25, "month": 30.4375, "day": 1.0}


def list_removable(results: Path | str = "results", *, kept_for: str, index: str = "", **asked: str) -> Listing:
    """The records that were kept for so long, "10 years", that they may be removed, and that nothing else needs.

    Nothing is removed.

    Raises:
        InputError: no such time, and as `records`.
        RecordError: as `records`.
    """
    found = _AGE.fullmatch(kept_for.strip())
    if found is None:
        raise InputError(f'"{kept_for}" is no time', where="--kept-for", allowed='"10 years", "18 months", "90 days"')
    days = int(found[1]) * _DAYS[found[2].removesuffix("s")]
    before = datetime.now(UTC).replace(tzinfo=None) - timedelta(days=days)
    filters = Filters(**asked)
    database = index_of(results, index)
    look(database, Path(results))
    question = f"begun before {before:%Y-%m-%d}, and may be removed (nothing is removed by livezero):"
    with database.reading() as connection:
        return removable(connection, filters, before=before, host=platform.node(), question=question)


def find_record(name: str, results: Path | str = "results", *, index: str = "", is_open: bool = False) -> Named:
    """The record that a person names: by its folder, by the serial of its unit, or by its digest.

    Args:
        name: a path, or as `naming.HOW`.
        results: folder of the records.
        index: URL or path; "" = as `index_of`.
        is_open: of those alone that are not over.

    Raises:
        InputError: what stands behind the @ is neither a state nor a date.
        RecordError: there is none, several are meant, or it is kept on another computer.
    """
    path, results = Path(name), Path(results)
    if is_place(path) or not results.is_dir():
        return Named(path, "")
    if os.path.exists(results / path / JOURNAL):  # noqa: PTH110  as `livezero index` names them
        return Named(results / path, "")
    database = index_of(results, index)
    try:
        look(database, results)
    except RecordError:
        if index or not os.environ.get(NAMED_BY):
            raise
        database = Database.of(
            results
        )  # the database of all benches is out of reach: what is here is found all the same
        look(database, results)
    with database.reading() as connection:
        return named_record(connection, name, results, here(results).uuid, is_open=is_open)


def repaired(
    results: Path | str,
    serial: str,
    *,
    part: str,
    by: str,
    text: str = "",
    date: str | None = None,
    is_first: bool = False,
    index: str = "",
) -> dict[str, Any]:
    """Keep what was done to a unit between its runs; returns the line. It can never be taken back.

    Args:
        results: folder of its records.
        serial: of the unit, as on its plate.
        part: that was repaired or changed.
        by: who did it.
        text: what was done.
        date: ISO date and time with its zone; None = now.
        is_first: the unit has no record yet.
        index: URL or path; "" = as `index_of`.

    Raises:
        InputError: no serial, part or name, a date to come, or a unit without a record that is not said to be one.
        RecordError: it cannot be written.
    """
    if not serial.strip() or not part.strip():
        raise InputError(f"a repair without a {'part' if serial.strip() else 'serial'}", todo="say which")
    when = {} if date is None else {"date": date}
    # A day that is written without a zone is that of the workshop, which may be ahead of UTC.
    if date is not None and datetime.fromisoformat(date) > datetime.now(UTC) + timedelta(days=1):
        raise InputError(f"{date[:10]} is still to come", where="--date", todo="give the day on which it was done")
    if not is_first:
        _refuse_unknown(serial, Path(results), index)
    fields = {"serial": serial.strip(), "part": part.strip(), "by": by.strip(), "text": text.strip()}
    return log(Path(results), "repair", **when, **fields)


def _refuse_unknown(serial: str, results: Path, index: str) -> None:
    """Refuse a serial that no record has; where the index is out of reach it is not asked. Raises InputError."""
    try:
        database = index_of(results, index)
        look(database, results)
        with database.reading() as connection:
            known = set(connection.scalars(select(Record.serial).distinct()))
    except RecordError:
        return
    if serial_key(serial) in map(serial_key, known):
        return
    near = nearest(serial.strip(), sorted(known))
    raise InputError(
        f'there is no record of a unit "{serial.strip()}"',
        where=str(results),
        todo=(f'meant "{near}"? ' if near else "") + "--no-record-yet keeps it of a unit that was never run",
    )


def pin_baseline(folder: Path | str, *, name: str, by: str, why: str, is_of_type: bool = False) -> dict[str, Any]:
    """Name a sealed record that others of its unit, or of its type, are held against; returns the line.

    Args:
        folder: of the record.
        name: of the baseline; the last one of a name counts.
        by: who chose it.
        why: it was chosen.
        is_of_type: for all units of its type; else for this unit alone.

    Raises:
        InputError: no name of it or of who chose it.
        RecordError: there is no record, it is not sealed, or it cannot be written.
    """
    folder = Path(folder)
    journal = journal_of(folder)
    digest = sealed_digest(folder)
    if not digest:
        raise RecordError("is not sealed yet", where=str(folder), todo=f"livezero resume {folder}, or livezero close")
    if not name.strip():
        raise InputError("a baseline without a name", todo="name it, such as delivery")
    opened = next(run_lines(journal))
    of = {"serial": "" if is_of_type else opened["serial"], "type": opened["type"]}
    said = {"name": name.strip(), "by": by.strip(), "why": why.strip()}
    return log(folder.parent, "baseline", **of, folder=folder.name, digest=digest, **said)
