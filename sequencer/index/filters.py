"""Which records are asked for, as a condition of a query."""

import re
from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, and_, func, select, true

from instruments.errors import InputError
from sequencer.index.models import Cause, Instrument, Place, Record
from sequencer.inputs.serials import serial_key

__all__ = ["Filters", "as_instant"]

# Of each that is a column of `records`: the column, how what is given stands in it, and how that is spelled.
_COLUMNS: dict[str, tuple[Any, str, Callable[[str], str]]] = {
    "serial": (Record.serial_key, "{}", serial_key),
    **{name: (func.lower(getattr(Record, name)), "{}", str.lower) for name in ("tag", "verdict", "state", "condition")},
    **{name: (func.lower(getattr(Record, name)), "*{}*", str.lower) for name in ("type", "bench", "operator")},
    "text": (Record.words, "*{}*", str.casefold),
}
_DAY = re.compile(r"(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Filters:
    """What records have to be; "" = any. A star stands for any letters.

    Args:
        serial: as written in any case, with any blanks: "q1" finds "Q1".
        tag: whole; `verdict`, `state` and `condition` likewise.
        type: a part of it; `cause` (of those that are named), `bench`, `operator`, `instrument` (name, identity or
            number of its certificate) and `text` (anything that was said) likewise.
        since: ISO date or time, UTC unless it has a zone; a day or a month from its begin.
        until: the same; a day or a month up to its end.
        place: the folder of records, by the name that is written in it.
    """

    serial: str = ""
    tag: str = ""
    type: str = ""
    verdict: str = ""
    cause: str = ""
    since: str = ""
    until: str = ""
    bench: str = ""
    operator: str = ""
    instrument: str = ""
    text: str = ""
    state: str = ""
    condition: str = ""
    place: str = ""

    def __post_init__(self) -> None:
        self._between()  # what is no date is told where it is written, not where it is used

    @property
    def condition_of(self) -> ColumnElement[bool]:
        """The condition of a row of `records`."""
        found = [
            _like(column, pattern.format(given))
            for name, (column, pattern, spelled) in _COLUMNS.items()
            if (given := spelled(getattr(self, name)))
        ]
        if self.cause:
            named = _like(func.lower(Cause.cause), f"*{self.cause.lower()}*")
            found.append(Record.id.in_(select(Cause.record_id).where(Cause.is_named, named)))
        if self.instrument:
            used = _like(Instrument.key, f"*{self.instrument.casefold()}*")
            found.append(Record.id.in_(select(Instrument.record_id).where(used)))
        if self.place:
            found.append(Record.place_id.in_(select(Place.id).where(Place.uuid == self.place)))
        since, until = self._between()
        if since is not None:
            found.append(Record.started_at >= since)
        if until is not None:
            found.append(Record.started_at < until)
        return and_(true(), *found)

    def _between(self) -> tuple[datetime | None, datetime | None]:
        since = as_instant(self.since, "--since")[0] if self.since else None
        until = as_instant(self.until, "--until")[1] if self.until else None
        return since, until

    @property
    def given(self) -> dict[str, str]:
        """Those that are asked for, by name."""
        return {each.name: value for each in fields(self) if (value := getattr(self, each.name))}


def as_instant(text: str, where: str) -> tuple[datetime, datetime]:
    """Begin and end (not in it) of a year, a month, a day or an instant, UTC without a zone; raises InputError."""
    try:
        if found := _DAY.fullmatch(text.strip()):
            year, month, day = (int(each) if each else None for each in found.groups())
            assert year is not None
            begin = datetime(year, month or 1, day or 1)  # noqa: DTZ001  UTC, as the index has it
            return begin, _after(begin, has_month=month is not None, has_day=day is not None)
        instant = datetime.fromisoformat(text.strip())
    except (ValueError, OverflowError) as error:
        raise InputError(
            f'"{text}" is no date', where=where, allowed='"2026", "2026-01", "2026-01-05" or "2026-01-05T08:00"'
        ) from error
    instant = instant.astimezone(UTC).replace(tzinfo=None) if instant.tzinfo else instant
    return instant, instant + timedelta(microseconds=1)


def _after(begin: datetime, *, has_month: bool, has_day: bool) -> datetime:
    if has_day:
        return begin + timedelta(days=1)
    if has_month and begin.month < 12:
        return begin.replace(month=begin.month + 1)
    return begin.replace(year=begin.year + 1, month=1)


def _like(column: Any, pattern: str) -> ColumnElement[bool]:  # noqa: ANN401  a column or a function of one
    """Equal; or with stars for any letters, alike."""
    if "*" not in pattern:
        found: ColumnElement[bool] = column == pattern
        return found
    escaped = pattern.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_").replace("*", "%")
    return column.like(escaped, escape="\\")  # type: ignore[no-any-return]
