"""A record by what a person knows of it: the serial of its unit, and which one; or the first digits of its digest."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select

from instruments.errors import RecordError, nearest
from sequencer.index.filters import as_instant
from sequencer.index.listing import alike, spellings
from sequencer.index.models import Place, Record
from sequencer.inputs.serials import as_written, serial_key
from sequencer.reports.listing import SHORT_DIGEST

__all__ = ["HOW", "Named", "named_record"]

HOW = "SERIAL, SERIAL@as-found, SERIAL@as-left, SERIAL@2026-01-05, or the first 8 digits of its digest"
_DIGEST = re.compile(rf"[0-9a-fA-F]{{{SHORT_DIGEST},64}}")
_STATES = {"as-found": "as found", "as-left": "as left"}


@dataclass(frozen=True, slots=True)
class Named:
    """A record that was named: its folder, and what is to be said of how it was found."""

    folder: Path
    said: str


def named_record(connection: Connection, name: str, results: Path, place_uuid: str, *, is_open: bool = False) -> Named:
    """The record that a name stands for: of several the last that was begun.

    Args:
        connection: of the index.
        name: as `HOW`.
        results: folder of records; `place_uuid` of the same.
        place_uuid: see `results`.
        is_open: of those alone that are not over.

    Raises:
        RecordError: there is none, several are meant, or it is kept on another computer.
        InputError: what stands behind the @ is neither a state nor a date.
    """
    rows, said = _found(connection, name)
    if is_open:
        rows = [row for row in rows if row.status == "not over"]
    here = _each_once([row for row in rows if row.condition != "missing" and _is_here(row, place_uuid)])
    if not here:
        raise _none(connection, name, rows, is_open=is_open)
    row = here[-1]
    others = f", the last of {len(here)}" if len(here) > 1 else ""
    state = f" {row.state}" if row.state else ""
    begun = "" if row.started_at is None else f" of {row.started_at:%Y-%m-%d %H:%M}"
    folder = (results if row.uuid == place_uuid else Path(row.path)) / row.folder
    return Named(folder, f"{row.serial}{state}{begun}{others}: {row.folder}{said}")


def _each_once(rows: Sequence[Any]) -> list[Any]:
    """Without the copies of those that are there too."""
    counted = {row.digest for row in rows if row.condition != "copied"}
    return [row for row in rows if row.condition != "copied" or row.digest not in counted]


def _found(connection: Connection, name: str) -> tuple[list[Any], str]:
    """The records that a name stands for, the oldest first, and what else is to be said."""
    serial, _, which = name.rpartition("@")
    if not serial or _rows(connection, Record.serial_key == serial_key(name)):
        serial, which = name, ""
    rows = _rows(connection, Record.serial_key == serial_key(serial))
    if not rows and not which and _DIGEST.fullmatch(name):
        return _rows(connection, Record.digest.startswith(name.lower())), ""
    said = ""
    if written := spellings(connection, serial):
        exact = [row for row in rows if row.serial == serial]
        told = " and ".join(f"{as_written(each)} ({number} records)" for each, number in written)
        if not exact:
            raise RecordError(
                f'"{serial}" is written in several ways: {told}',
                where=name,
                todo="write it as the one that is meant; livezero records lists both",
            )
        rows, said = exact, f'; it is written {told}, taken is "{serial}"'
    if which in _STATES:
        rows = [row for row in rows if row.state == _STATES[which]]
    elif which:
        since, until = as_instant(which, name)
        rows = [row for row in rows if row.started_at is not None and since <= row.started_at < until]
    return rows, said


def _rows(connection: Connection, where: Any) -> list[Any]:  # noqa: ANN401  a condition
    columns = (
        Record.folder,
        Record.serial,
        Record.state,
        Record.status,
        Record.condition,
        Record.started_at,
        Record.digest,
    )
    asked = select(*columns, Place.uuid, Place.host, Place.path).join(Place).where(where)
    return list(connection.execute(asked.order_by(Record.started_at, Record.folder)))


def _is_here(row: Any, place_uuid: str) -> bool:  # noqa: ANN401
    return bool(row.uuid == place_uuid) or (Path(row.path) / row.folder).is_dir()


def _none(connection: Connection, name: str, rows: Sequence[Any], *, is_open: bool) -> RecordError:
    if rows:
        row = rows[-1]
        where = f"{row.host}: {row.path}/{row.folder}"
        if row.condition == "missing":
            return RecordError("its folder is gone", where=where, todo="put it back from a copy")
        return RecordError("is kept on another computer", where=where, todo="use it there, or livezero export it there")
    serial = name.partition("@")[0]
    serials = list(connection.scalars(select(Record.serial).distinct().order_by(Record.serial).limit(2000)))
    near = next(iter(alike(connection, serial)), None) or nearest(serial, serials)
    what = "there is no record that is not over" if is_open else "there is neither such a folder nor such a record"
    return RecordError(
        what,
        where=name,
        allowed=f"the folder of a record, {HOW}",
        todo=f'meant "{near}"?' if near and serial_key(near) != serial_key(name) else "livezero records lists them",
    )
