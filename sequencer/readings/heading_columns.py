"""Which column of a table is which tap's, what the others hold, and which are not read."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from instruments.datasheet import DataSheet, Tap
from instruments.errors import InputError, ReadingsError, nearest
from instruments.units import is_alike
from sequencer.readings.csv_times import is_time
from sequencer.readings.heading_words import ENDS, WORDS
from sequencer.readings.headings import Heading, is_unit

__all__ = ["Columns", "columns_not_read", "columns_of", "is_complete", "role_words"]

_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?$")
_LEAST_MEANT = 5  # letters of a word that one of another spelling may be meant for
_CHECKED = {"error", "expected"}
_KNOWN = {"setpoint", "nominal", "direction", "cycle", "remark", *_CHECKED}


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """What the columns of a table hold.

    Attributes:
        headings: with the meaning that each has in this table.
        of_tap: the columns of readings of each tap; more than one only where each is of a traverse of its own.
    """

    headings: list[Heading]
    of_tap: dict[str, list[int]]


def columns_of(headings: Sequence[Heading], sheet: DataSheet, where: str) -> Columns:
    """What each column holds.

    Raises:
        ReadingsError: a tap at an end of the unit has none, a tap has two for one thing, or a column may be either's.
    """
    taps = [_tap_of(each, sheet) for each in headings]
    found = _found(headings, taps, sheet)
    if missing := _without_column(found, sheet):
        raise _missing(missing, headings, taps, sheet, where)
    for tap, columns in found.items():
        ways = [(headings[at].way, headings[at].number) for at in columns]
        is_each_its_own = all(way for way, _ in ways) and (len(set(ways)) == len(ways) or not any(n for _, n in ways))
        if len(columns) > 1 and not is_each_its_own:
            raise ReadingsError(
                f"{len(columns)} columns for {tap}: {', '.join(headings[at].written for at in columns)}",
                where=where,
                allowed="one column for each tap, or for each of its traverses: up [mA], down [mA]; one reading a cell",
                todo=f"{_listed(headings, columns)} may each be {tap}: {_to_tell_apart(tap)}, what was to be set or is "
                'expected "nominal"; each further reading has a row of its own',
            )
    read = {at: tap for tap, columns in found.items() for at in columns}
    resolved = [
        replace(each, meaning=read.get(at) or _beside(each, taps[at], sheet)) for at, each in enumerate(headings)
    ]
    return Columns(headings=resolved, of_tap=found)


def is_complete(headings: Sequence[Heading], sheet: DataSheet) -> bool:
    """True if both taps at the ends of the unit have a column."""
    return not _without_column(_found(headings, [_tap_of(each, sheet) for each in headings], sheet), sheet)


def _without_column(found: dict[str, list[int]], sheet: DataSheet) -> list[str]:
    return [tap.name for tap in (sheet.taps[0], sheet.taps[-1]) if tap.name not in found]


def _tap_of(each: Heading, sheet: DataSheet) -> Tap | None:
    """The tap of a column: by its words, else by its unit if only one has it, else as its words are usually meant."""
    ends = {"input": sheet.taps[0], "output": sheet.taps[-1]}
    named = {**ends, **{tap.name.casefold(): tap for tap in sheet.taps}}
    if each.end:
        return named[each.end]
    if not (each.meaning in {"actual", "nominal"} or each.way or each.is_symbol):
        return None
    alike = [tap for tap in sheet.taps if _is_of(each.unit, tap)]
    if len(alike) == 1:
        return alike[0]
    return ends.get(each.usual_end or ("output" if each.way and not each.meaning else ""))


def _found(headings: Sequence[Heading], taps: Sequence[Tap | None], sheet: DataSheet) -> dict[str, list[int]]:
    """The columns of readings of each tap: those of words, else those of a unit alone, else what was to be set."""
    found: dict[str, list[int]] = {}
    for tap in sheet.taps:
        own = [at for at, each in enumerate(taps) if each is tap]
        nominal = [at for at in own if headings[at].meaning == "nominal" and tap is sheet.taps[0]]
        symbols = [at for at in own if headings[at].is_symbol]
        said = [at for at in own if headings[at].meaning in {"", "actual"} and not headings[at].is_symbol]
        if columns := said or (symbols if len(symbols) == 1 else ()) or (() if symbols else nominal):
            found[tap.name] = list(columns)
    return found


def _beside(each: Heading, tap: Tap | None, sheet: DataSheet) -> str:
    """The meaning of a column that is not read; "" where it says nothing of this table."""
    if each.meaning == "nominal":
        first, last = sheet.taps[0], sheet.taps[-1]
        return "nominal" if tap is None else "setpoint" if tap is first else "expected" if tap is last else ""
    if each.meaning == "error":
        return "error" if each.end in {"", "output", sheet.taps[-1].name.casefold()} else ""
    return each.meaning if each.meaning in _KNOWN else ""


def _is_of(unit: str, tap: Tap) -> bool:
    for own in (tap.unit, tap.reading_unit):
        try:
            if unit and is_alike(unit, own):
                return True
        except InputError:
            continue
    return False


def _missing(
    missing: Sequence[str], headings: Sequence[Heading], taps: Sequence[Tap | None], sheet: DataSheet, where: str
) -> ReadingsError:
    names = [each.written for each in headings]
    first, last = sheet.taps[0].name, sheet.taps[-1].name
    words = {word for known in (*WORDS.values(), *(each for both in ENDS.values() for each in both)) for word in known}
    known = sorted({tap.name for tap in sheet.taps} | {word for word in words if len(word) >= _LEAST_MEANT})
    odd = [each.name for each in headings if not each.is_known and not is_time(each.name, each.unit)]
    guess = next((nearest(name, known) for name in odd if nearest(name, known)), "")
    return ReadingsError(
        f"no column for {' and '.join(missing)} among: {', '.join(names)}",
        where=where,
        allowed=f'"{first}" or "injected", "{last}" or "returned", units in brackets: returned [mA]',
        todo=f'write "{guess}"' if guess else _either(missing, headings, taps, sheet) or _lacking(missing, headings),
    )


def _lacking(missing: Sequence[str], headings: Sequence[Heading]) -> str:
    is_all_known = all(each.is_known or not each.written.strip() for each in headings)
    return f"add a column of {' and '.join(missing)}" if is_all_known else "name the columns in the first row"


def _either(missing: Sequence[str], headings: Sequence[Heading], taps: Sequence[Tap | None], sheet: DataSheet) -> str:
    """What columns may be that were not taken for anything; "" where there are none."""
    first, last = sheet.taps[0].name, sheet.taps[-1].name
    said = []
    for name in missing:
        own = [at for at, each in enumerate(headings) if _is_only(_unit(each), name, sheet)]
        unnamed = [at for at in own if headings[at].is_symbol or not headings[at].is_known]
        nominal = [at for at in own if headings[at].meaning == "nominal"]
        if unnamed:
            each, do = ("each ", _to_tell_apart(name)) if len(unnamed) > 1 else ("", f'write "{name}" above it')
            said.append(f"{_listed(headings, unnamed)} may {each}be {name}, by the unit: {do}")
        elif nominal:
            said.append(f"{_listed(headings, nominal)} is what is expected of {name}: add what was read there")
    open_ = [at for at, each in enumerate(headings) if taps[at] is None and each.is_symbol]
    if open_:
        said.append(f"{_listed(headings, open_)} may be {first} or {last}: name the columns so")
    nominal = [at for at, each in enumerate(headings) if taps[at] is None and each.meaning == "nominal"]
    if nominal:
        said.append(
            f"{_listed(headings, nominal)} may be what was set at {first}, or what is expected of {last}: "
            f'write "{first}", or "expected" and a column of {first} beside it'
        )
    return "; ".join(said)


def _is_only(unit: str, name: str, sheet: DataSheet) -> bool:
    """True if a unit is that of this tap and of no other."""
    return [tap.name for tap in sheet.taps if _is_of(unit, tap)] == [name]


def _unit(each: Heading) -> str:
    """The unit of a heading; of one whose words say nothing, its last word if that is a unit: "Meter 1 mA"."""
    words = each.written.split()
    return each.unit or (words[-1] if len(words) > 1 and is_unit(words[-1]) else "")


def _to_tell_apart(name: str) -> str:
    """What to write above several columns that may each be a tap's."""
    return (
        f'write "{name}" above the one to be read and "note" above the others; "{name} up" and "{name} down" above '
        f'two traverses, "{name} up 1" and "{name} up 2" above two runs upwards'
    )


def _listed(headings: Sequence[Heading], places: Sequence[int]) -> str:
    columns = f"column{'s' if len(places) > 1 else ''} {' and '.join(str(at + 1) for at in places)}"
    written = ", ".join(f'"{headings[at].written}"' for at in places)
    return f"{columns} ({written})"


def role_words(headings: Sequence[Heading], columns: dict[str, list[int]], sheet: DataSheet) -> str:
    """Which column was taken for what, in one line."""
    ways = {"up": ", upscale", "down": ", downscale", "": ""}
    said = []
    for tap in sheet.taps:
        for at in columns.get(tap.name, ()):
            each = headings[at]
            cycle = f", cycle {each.number}" if each.way and each.number else ""
            said.append((at, f"{tap.name} in {each.unit or tap.unit}{ways[each.way]}{cycle}"))
    read = {at for at, _ in said}
    said += [
        (at, each.meaning + (", checked" if each.meaning in _CHECKED else ""))
        for at, each in enumerate(headings)
        if at not in read and each.meaning in _KNOWN - {"remark"}
    ]
    times = [at for at, each in enumerate(headings) if is_time(each.name, each.unit) and at not in read]
    said += [(at, "time") for at in times[:1]]
    return "read: " + ", ".join(f'column {at + 1} "{headings[at].written}" = {words}' for at, words in sorted(said))


def columns_not_read(headings: Sequence[Heading], cells: Sequence[Sequence[str]], columns: dict[str, int]) -> str:
    """A remark that names the columns of numbers which are no tap's and none that is known; "" where there is none."""
    read = set(columns.values())
    found = [
        f'"{each.written.strip()}"'
        for at, each in enumerate(headings)
        if at not in read
        and each.meaning not in _KNOWN
        and not is_time(each.name, each.unit)
        and any(_NUMBER.match(row[at].strip()) for row in cells if at < len(row))
    ]
    return f"not read: column {' and '.join(found)}" if found else ""
