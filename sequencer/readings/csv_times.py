"""The times in a table of readings taken by hand: of day, with a date, or as a number with a unit.

No guess: bare numbers may be seconds or minutes, so they are refused; what is written with colons is hours and minutes
unless the heading says min:s.
"""

import math
import re
from collections.abc import Sequence
from datetime import UTC, datetime

from instruments.entry import entry
from instruments.errors import InputError, ReadingsError
from instruments.units import is_alike, rescale

__all__ = ["is_time", "table_times"]

_WORDS = {
    *("time", "time of day", "date and time", "date/time", "datetime", "timestamp", "elapsed", "zeit", "uhrzeit"),
    *("heure", "temps écoulé", "hora", "tiempo", "ora", "orario", "tempo", "tijd", "tijdstip"),
}
_WITH_UNIT = {"t", "temps"}  # may be temperatures
_MINUTES = {"min:s", "mm:ss", "m:s", "m:ss", "min:sec"}
_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])(?::([0-5][0-9](?:[.,][0-9]+)?))?")
_STOPWATCH = re.compile(r"([0-9]{1,4}):([0-5][0-9](?:[.,][0-9]+)?)")
_DOTTED = re.compile(r"([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})[ T]+([0-9].*)")
_BARE = re.compile(r"[+-]?[0-9.,]+")
_DAY_S = 86_400.0
_ALLOWED = "10:32, 10:32:05, 2026-01-05 10:32:05, or numbers under a heading with a unit: time [s], time [min]"
_TODO = 'correct the cell, or name the column otherwise ("remark")'


def is_time(name: str, unit: str) -> bool:
    """Whether a heading is that of times, in six languages; "t" may be a temperature, unless its unit says time."""
    return name in _WORDS or (name in _WITH_UNIT and _is_of_time(unit))


def table_times(
    path: str, heading: tuple[int, str], unit: str, cells: Sequence[tuple[int, str]]
) -> tuple[list[float], list[tuple[int, ReadingsError]]]:
    """Seconds since the first time of a column, NaN where a cell is empty; and what is wrong, with its line.

    Args:
        path: of the table.
        heading: its line, and how it is written.
        unit: of the heading; "" if it has none.
        cells: line and text of each, in the order taken.
    """
    if unit not in _MINUTES and not _is_of_time(unit) and any(_BARE.fullmatch(cell) for _, cell in cells):
        error = ReadingsError(
            f'"{heading[1]}" does not say whether its numbers are seconds or minutes',
            where=f"{path}:{heading[0]}",
            allowed=_ALLOWED,
            todo="put the unit in brackets: time [s]",
        )
        return [math.nan] * len(cells), [(heading[0], error)]
    found: list[float] = []
    faults: list[tuple[int, ReadingsError]] = []
    kind, before, written, days = "", math.nan, "", 0
    for line, cell in cells:
        found.append(math.nan)
        if not cell:
            continue
        where = f"{path}:{line}"
        read = _read(cell, unit)
        if read is None:
            wrong = f'"{cell[:40]}" under "{heading[1]}" is not a time'
            faults.append((line, ReadingsError(wrong, where=where, allowed=_ALLOWED, todo=_TODO)))
            continue
        now_kind, seconds = read
        kind = kind or now_kind
        seconds += _DAY_S * days
        if kind == now_kind == "of day" and before - seconds > _DAY_S / 2:  # past midnight
            days += 1
            seconds += _DAY_S
        if now_kind != kind:
            wrong = f'"{cell}" is a time {now_kind}, those above are {kind}'
            faults.append((line, ReadingsError(wrong, where=where, todo="write all times in one way")))
        elif seconds <= before:
            how = "is that" if seconds == before else "lies before that"
            wrong = f'time "{cell}" {how} of the row above, "{written}"'
            allowed = "rows in the order taken, times that rise"
            todo = "correct the time, or write the seconds too; dates where a day lies between"
            faults.append((line, ReadingsError(wrong, where=where, allowed=allowed, todo=todo)))
        else:
            found[-1], before, written = seconds, seconds, cell
    first = next((each for each in found if not math.isnan(each)), 0.0)
    return [each - first for each in found], faults


def _read(cell: str, unit: str) -> tuple[str, float] | None:
    """Kind and seconds of a time as it was written; None if it is none."""
    if unit in _MINUTES:
        watch = _STOPWATCH.fullmatch(cell)
        return ("as min:s", 60 * float(watch[1]) + _seconds(watch[2])) if watch else None
    if clock := _CLOCK.fullmatch(cell):
        return "of day", 3600 * float(clock[1]) + 60 * float(clock[2]) + _seconds(clock[3] or "0")
    if (moment := _moment(cell)) is not None:
        return "with a date", moment
    scale = unit if _is_of_time(unit) else "s"
    try:
        return "as a number", rescale(scale, "s")[0] * entry(cell, scale)
    except InputError:
        return None


def _moment(cell: str) -> float | None:
    dotted = _DOTTED.fullmatch(cell)
    text = f"{dotted[3]}-{int(dotted[2]):02}-{int(dotted[1]):02} {dotted[4]}" if dotted else cell
    if ":" not in text:  # a date alone, or figures that could be one
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _seconds(text: str) -> float:
    return float(text.replace(",", "."))


def _is_of_time(unit: str) -> bool:
    try:
        return is_alike(unit, "s")
    except InputError:  # no unit, or none at all
        return False
