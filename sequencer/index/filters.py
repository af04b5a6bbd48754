"""Which records are asked for, as a condition of a query."""

import re
from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import BindParameter, ColumnElement, and_, bindparam, exists, func, select, true

from instruments.errors import InputError, nearest
from sequencer.index.models import Cause, Instrument, Place, Record
from sequencer.inputs.serials import serial_key

__all__ = ["Filters", "as_instant"]

# Of each that is a text: the column, how what is given stands in it, and how that is spelled.
_COLUMNS: dict[str, tuple[Any, str, Callable[[str], str]]] = {
    "serial": (Record.serial_key, "{}", serial_key),
    **{name: (func.lower(getattr(Record, name)), "{}", str.lower) for name in ("tag", "verdict", "state", "condition")},
    **{name: (func.lower(getattr(Record, name)), "*{}*", str.lower) for name in ("type", "bench", "operator")},
    "text": (Record.words, "*{}*", str.casefold),
    "cause": (func.lower(Cause.cause), "*{}*", str.lower),
    "instrument": (Instrument.key, "*{}*", str.casefold),
    "place": (Place.uuid, "{}", str),
}
# Of each that stands in another table: the records that have it.
_ELSEWHERE: dict[str, Callable[[ColumnElement[bool]], ColumnElement[bool]]] = {
    "cause": lambda named: Record.id.in_(select(Cause.record_id).where(Cause.is_named, named)),
    "instrument": lambda used: Record.id.in_(select(Instrument.record_id).where(used)),
    "place": lambda there: Record.place_id.in_(select(Place.id).where(there)),
}
_BOUND = "asked_{}"
_EXACT = "asked_exactly"
# Of each that is one of a few words: these.
_WORDS = {
    "verdict": ("pass", "conditional pass", "conditional fail", "fail", "not determinable"),
    "state": ("as found", "as left"),
    "condition": ("whole", "altered", "unreadable", "missing", "copied"),
}
_DAY = re.compile(r"(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Filters:
    """What records have to be; "" = any. A star stands for any letters.

    Args:
        serial: as written in any case, with any blanks: "q1" finds "Q1"; one that has a star in it is found before
            the star stands for any letters.
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
        for name, words in _WORDS.items():
            given = getattr(self, name).lower()
            if given and "*" not in given and given not in words:
                near = nearest(given, words)
                raise InputError(
                    f'there is no {name} "{getattr(self, name)}"',
                    where=f"--{name}",
                    allowed=", ".join(words),
                    todo=f'write "{near}"' if near else "",
                )

    @property
    def condition_of(self) -> ColumnElement[bool]:
        """The condition of a row of `records`; what is asked for is bound by name, as in `values`."""
        found = [_condition(name, value, is_like=is_like) for name, value, is_like in self._bound()]
        if "*" in self.serial:
            found[0] = _exact_first(found[0], serial_key(self.serial))
        if not self.condition:
            found.append(Record.condition != "copied")  # a record counts once, in however many folders it lies
        return and_(true(), *found)

    @property
    def shape(self) -> tuple[tuple[str, bool], ...]:
        """What makes the condition but for the values: filters of one shape may share a statement."""
        return tuple((name, is_like) for name, _, is_like in self._bound())

    @property
    def values(self) -> dict[str, Any]:
        """Those of the condition, by the names they are bound to."""
        exact = {_EXACT: serial_key(self.serial)} if "*" in self.serial else {}
        return {_BOUND.format(name): value for name, value, _ in self._bound()} | exact

    def _bound(self) -> list[tuple[str, Any, bool]]:
        """Each that is asked for: its name, its value as the database has it, and whether that has stars."""
        found: list[tuple[str, Any, bool]] = []
        for name, (_, pattern, spelled) in _COLUMNS.items():
            if given := spelled(getattr(self, name)):
                wanted = pattern.format(given)
                found.append((name, _escaped(wanted) if "*" in wanted else wanted, "*" in wanted))
        ends = zip(("since", "until"), self._between(), strict=True)
        return found + [(name, end, False) for name, end in ends if end is not None]

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


def _condition(name: str, value: Any, *, is_like: bool) -> ColumnElement[bool]:  # noqa: ANN401  as it is bound
    bound: BindParameter[Any] = bindparam(_BOUND.format(name), value)
    if name == "since":
        return Record.started_at >= bound
    if name == "until":
        return Record.started_at < bound
    column = _COLUMNS[name][0]
    found = column.like(bound, escape="\\") if is_like else column == bound
    return _ELSEWHERE[name](found) if name in _ELSEWHERE else found


def _exact_first(pattern: ColumnElement[bool], serial: str) -> ColumnElement[bool]:
    """Serials of a pattern, but that one alone where a unit has the very letters, star and all, as its serial."""
    exact: BindParameter[Any] = bindparam(_EXACT, serial)
    other = Record.__table__.alias()
    return (Record.serial_key == exact) | (pattern & ~exists(select(other.c.id).where(other.c.serial_key == exact)))


def _escaped(pattern: str) -> str:
    """As SQL wants it: stars for any letters, all else as it is written."""
    return pattern.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_").replace("*", "%")
