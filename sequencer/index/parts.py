"""All records of an index in parts, so that any number of them can be copied without being in memory at once."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, bindparam, func, select

from sequencer.index.database import Database
from sequencer.index.filters import Filters
from sequencer.index.models import Record

__all__ = ["Part", "parts", "types_of"]


_SHAPE = 2
"""One higher with each change of the columns that are copied, so that what was copied before is copied anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part(Filters):
    """The records whose numbers in the index lie in a range.

    Args:
        first: number of the first; `last` likewise.
        mark: changes with whatever was changed in one of them.
    """

    first: int = 0
    last: int = 0
    mark: str = ""

    @property
    def condition_of(self) -> ColumnElement[bool]:
        """The condition of a row of `records`."""
        return Record.id.between(bindparam("first", self.first), bindparam("last", self.last)) & (
            Record.condition != "copied"
        )

    @property
    def shape(self) -> tuple[tuple[str, bool], ...]:
        """That of all parts."""
        return (("part", False),)

    @property
    def values(self) -> dict[str, Any]:
        """Those of the condition, by the names they are bound to."""
        return {"first": self.first, "last": self.last}

    @property
    def name(self) -> str:
        """A name that two different contents do not share."""
        return f"{_SHAPE}-{self.first:09d}-{self.mark}"


def parts(database: Database, size: int) -> Iterator[Part]:
    """Every record, in parts of at most so many."""
    with database.reading() as connection:
        last = connection.execute(select(func.max(Record.id))).scalar() or 0
        ranges = [(first, first + size - 1) for first in range(1, last + 1, size)]
        marks = [_mark(connection, *each) for each in ranges]
    for (first, end), mark in zip(ranges, marks, strict=True):
        if mark:
            yield Part(first=first, last=end, mark=mark)


def _mark(connection: Connection, first: int, last: int) -> str:
    """What tells one state of the records in a range from another; "" where there is none."""
    # Sums of times would overflow, so they are taken by what is left of them.
    asked = select(
        func.count(),
        func.sum(Record.changed_ns % 1_000_003),
        func.sum(Record.addenda_bytes),
        func.sum(Record.revision),
        func.sum(func.length(Record.condition)),
    ).where(Record.id.between(first, last))
    counted, *sums = connection.execute(asked).one()
    return "-".join(f"{int(each):x}" for each in (counted, *sums)) if counted else ""


def types_of(database: Database) -> dict[str, int]:
    """How many records there are of each type, by its name."""
    with database.reading() as connection:
        rows = connection.execute(
            select(Record.type, func.count())
            .where(Record.condition != "copied")
            .group_by(Record.type)
            .order_by(Record.type)
        ).all()
    return {name: int(number) for name, number in rows if name}
