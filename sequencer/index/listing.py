"""A page of records as a list shows them, and which of them may be removed. Nothing is removed here, or anywhere."""

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, select

from sequencer.index.filters import Filters
from sequencer.index.models import Baseline, Cause, Instrument, Place, Record
from sequencer.inputs.serials import look_key, serial_key
from sequencer.reports.listing import Listing, RecordLine

__all__ = ["SORTS", "alike", "listed", "removable", "spellings"]

SORTS = {
    "date": Record.started_at,
    "serial": Record.serial_key,
    "type": Record.type,
    "verdict": Record.verdict,
    "bench": Record.bench,
    "operator": Record.operator,
}
_OWN = [
    Record.folder,
    Record.serial,
    Record.tag,
    Record.type,
    Record.sequence,
    Record.bench,
    Record.operator,
    Record.state,
    Record.verdict,
    Record.status,
    Record.reason,
    Record.condition,
    Record.said,
    Record.digest,
    Record.revision,
    Record.is_simulated,
]


def listed(
    connection: Connection,
    filters: Filters,
    *,
    host: str,
    sort: str = "date",
    is_reversed: bool = False,
    page: int = 1,
    per_page: int = 20,
) -> Listing:
    """A page of the records asked for.

    Args:
        connection: of the index.
        filters: which records.
        host: this computer, which is not named.
        sort: one of `SORTS`; by date the newest first, else from A to Z; of the same the newest first.
        is_reversed: the other way round.
        page: from 1.
        per_page: records on one.
    """
    where = filters.condition_of
    found_n = connection.scalar(select(func.count()).select_from(Record).where(where)) or 0
    column = SORTS[sort]
    is_down = (sort == "date") != is_reversed
    last = (Record.started_at, Record.folder, Record.id)
    down = [each.desc().nulls_last() for each in last]  # what is unreadable has no date, and stands last everywhere
    up = [each.asc().nulls_last() for each in last]
    first = column.desc() if is_down else column.asc()
    order = [first.nulls_last(), *(down if sort != "date" or is_down else up)]
    rows = _rows(connection, where, order, limit=per_page, offset=(page - 1) * per_page)
    return Listing(
        lines=_lines(connection, rows, host),
        found_n=found_n,
        page=page,
        per_page=per_page,
        spellings=spellings(connection, filters.serial) if filters.serial else (),
        alike=alike(connection, filters.serial) if filters.serial and not found_n else (),
    )


def alike(connection: Connection, serial: str) -> tuple[str, ...]:
    """The serials that may be taken for one that has no record at all; () where it has one."""
    known = [*connection.scalars(select(Record.serial).distinct().order_by(Record.serial))]
    if serial_key(serial) in map(serial_key, known):
        return ()
    looks = look_key(serial)
    return tuple(each for each in known if look_key(each) == looks)


def spellings(connection: Connection, serial: str) -> tuple[tuple[str, int], ...]:
    """The ways in which a serial is written, with the records of each, where there are several; else ()."""
    asked = select(Record.serial, func.count()).where(
        Record.serial_key == serial_key(serial), Record.condition != "copied"
    )
    found = [
        (each, number) for each, number in connection.execute(asked.group_by(Record.serial).order_by(Record.serial))
    ]
    return tuple(found) if len(found) > 1 else ()


def removable(connection: Connection, filters: Filters, *, before: datetime, host: str, question: str) -> Listing:
    """The records that were begun before a day and that nothing else needs; they are whole, and over.

    Of the others that are as old it is counted why they stay.
    """
    where = filters.condition_of & (Record.started_at < before)
    rows = _rows(connection, where, [Record.started_at.asc(), Record.folder.asc()])
    pinned = set(connection.scalars(select(Baseline.digest)))
    all_of = select(Record.id, Record.serial_key, Record.started_at, Record.before, Record.digest)
    every = connection.execute(all_of.order_by(Record.started_at, Record.folder)).all()
    last = {each.serial_key: each.id for each in every if each.started_at is not None}
    why = {row.id: _stays(row, pinned, last) for row in rows}
    # One that stays needs its as-found run, which may need another.
    while needed := {each.before for each in every if each.before and why.get(each.id, "stays")}:
        more = {each.id for each in every if each.digest in needed and why.get(each.id) == ""}
        if not more:
            break
        why |= dict.fromkeys(more, "the as-found run of a record that stays")
    lines = [row for row in rows if not why[row.id]]
    stay = Counter(reason for reason in why.values() if reason)
    return Listing(
        lines=_lines(connection, lines, host),
        found_n=len(lines),
        page=1,
        per_page=max(len(lines), 1),
        question=question,
        stay_n=tuple(stay.most_common()),
    )


def _stays(row: Any, pinned: set[str], last: dict[str, int]) -> str:  # noqa: ANN401  a row
    if row.condition == "missing":
        return "missing already"
    if row.condition != "whole":
        return "altered or unreadable: look into them first"
    if row.status == "not over":
        return "not over"
    if row.digest and row.digest in pinned:
        return "named as a baseline"
    if last.get(row.serial_key) == row.id:
        return "the last of their unit"
    return ""


def _rows(
    connection: Connection,
    where: Any,  # noqa: ANN401  a condition
    order: Sequence[Any],
    limit: int | None = None,
    offset: int = 0,
) -> Sequence[Any]:
    columns = (Record.id, Record.serial_key, Record.started_at, Place.host, Place.path, *_OWN)
    asked = select(*columns).join(Place).where(where).order_by(*order).offset(offset)
    return connection.execute(asked.limit(limit) if limit is not None else asked).all()


def _lines(connection: Connection, rows: Sequence[Any], host: str) -> tuple[RecordLine, ...]:
    ids = [row.id for row in rows]
    causes = _words(connection, select(Cause.record_id, Cause.cause).where(Cause.is_named), Cause, ids)
    used = _words(connection, select(Instrument.record_id, Instrument.name), Instrument, ids)
    return tuple(
        RecordLine(
            **{column.key: getattr(row, column.key) for column in _OWN if column.key != "folder"},
            folder=f"{row.path}/{row.folder}",
            host="" if row.host == host else row.host,
            begun=row.started_at,
            causes=tuple(causes.get(row.id, ())),
            instruments=tuple(used.get(row.id, ())),
        )
        for row in rows
    )


def _words(connection: Connection, asked: Any, table: Any, ids: Sequence[int]) -> dict[int, list[str]]:  # noqa: ANN401
    found: dict[int, list[str]] = {}
    for first in range(0, len(ids), 500):
        part = asked.where(table.record_id.in_(ids[first : first + 500])).order_by(table.record_id, table.number)
        for record, word in connection.execute(part):
            found.setdefault(record, []).append(word)
    return found
