"""Records written into the index: each as a whole, in the place of what stood there of the same folder before."""

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update

from sequencer.index.facts import Facts, Stamp
from sequencer.index.models import PARTS, Record

__all__ = ["forget", "keep", "kept_digest", "kept_stamps", "mark_missing"]

_MOST = 500  # names in one statement


def kept_stamps(connection: Connection, place_id: int) -> dict[str, tuple[Stamp, str, str]]:
    """Of each folder that is kept of a place its stamp, its digest, and its condition."""
    columns = (Record.folder, Record.changed_ns, Record.addenda_bytes, Record.journal_bytes)
    rows = connection.execute(select(*columns, Record.digest, Record.condition).where(Record.place_id == place_id))
    return {folder: (Stamp(*stamp), digest, condition) for folder, *stamp, digest, condition in rows}


def kept_digest(connection: Connection, place_id: int, folder: str) -> str:
    """The digest that is kept of a record; "" = none."""
    asked = select(Record.digest).where(Record.place_id == place_id, Record.folder == folder)
    return str(connection.scalar(asked) or "")


def keep(connection: Connection, place_id: int, facts: Sequence[Facts]) -> None:
    """Write records of a place; `place_id` as of `Here.row_id`, so that no other process writes of it meanwhile."""
    ids = _ids(connection, place_id, [each.record["folder"] for each in facts])
    before = [each for each in facts if each.record["folder"] in ids]
    for each in before:
        number = ids[each.record["folder"]]
        for table in PARTS.values():
            connection.execute(delete(table).where(table.record_id == number))
        connection.execute(update(Record).where(Record.id == number).values(each.record))
    new = [each for each in facts if each.record["folder"] not in ids]
    if new:
        rows = [{"place_id": place_id} | each.record for each in new]
        made = connection.scalars(insert(Record).returning(Record.id, sort_by_parameter_order=True), rows)
        ids |= dict(zip((each.record["folder"] for each in new), made, strict=True))
    for name, table in PARTS.items():
        parts: list[dict[str, Any]] = []
        for each in facts:
            number = ids[each.record["folder"]]
            for row in each.parts.get(name, ()):
                row["record_id"] = number
                parts.append(row)
        if parts:
            connection.execute(insert(table), parts)


def mark_missing(connection: Connection, place_id: int, folders: Iterable[str]) -> None:
    """Say of records that their folder is gone; what is known of them stays."""
    ids = _ids(connection, place_id, folders)
    values = {"condition": "missing", "said": "its folder is gone", "changed_ns": 0}
    for part in _portions(list(ids.values())):
        connection.execute(update(Record).where(Record.id.in_(part)).values(values))


def forget(connection: Connection, place_id: int, folders: Iterable[str]) -> None:
    """Take records out of the index."""
    for part in _portions(list(_ids(connection, place_id, folders).values())):
        for table in PARTS.values():
            connection.execute(delete(table).where(table.record_id.in_(part)))
        connection.execute(delete(Record).where(Record.id.in_(part)))


def _ids(connection: Connection, place_id: int, folders: Iterable[str]) -> dict[str, int]:
    """The numbers of those records that are kept, by folder."""
    found: dict[str, int] = {}
    for part in _portions(list(folders)):
        rows = connection.execute(
            select(Record.folder, Record.id).where(Record.place_id == place_id, Record.folder.in_(part))
        )
        found |= {row.folder: row.id for row in rows}
    return found


def _portions(values: list[Any]) -> Iterable[list[Any]]:
    return (values[first : first + _MOST] for first in range(0, len(values), _MOST))
