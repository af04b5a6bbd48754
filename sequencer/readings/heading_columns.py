"""Which column of a table is which tap's, and which are not read."""

import re
from collections.abc import Iterator, Sequence

from instruments.datasheet import DataSheet, Tap
from instruments.errors import InputError, ReadingsError, nearest
from instruments.units import is_alike
from sequencer.readings.csv_times import is_time
from sequencer.readings.heading_words import WORDS
from sequencer.readings.headings import Heading

__all__ = ["columns_not_read", "columns_of", "first_missing", "role_words"]

_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?$")
_LEAST_MEANT = 5  # letters of a word that one of another spelling may be meant for
_KNOWN = {"setpoint", "expected", "error", "direction", "cycle", "remark"}


def columns_of(headings: Sequence[Heading], sheet: DataSheet, where: str) -> dict[str, list[int]]:
    """The columns of each tap; more than one only where each is of a traverse of its own.

    Raises:
        ReadingsError: a tap at an end of the unit has none, a tap has two for one thing, or a column may be either's.
    """
    found = _found(headings, sheet)
    if missing := _without_column(found, sheet):
        raise _missing(missing, headings, sheet, where)
    for tap, columns in found.items():
        ways = [(headings[at].way, headings[at].number) for at in columns]
        is_each_its_own = all(way for way, _ in ways) and (len(set(ways)) == len(ways) or not any(n for _, n in ways))
        if len(columns) > 1 and not is_each_its_own:
            raise ReadingsError(
                f"{len(columns)} columns for {tap}: {', '.join(headings[at].name for at in columns)}",
                where=where,
                allowed="one column for each tap, or for each of its traverses: up [mA], down [mA]; one reading a cell",
                todo='give each further reading a row of its own, or name the column "note" if it is not to be read',
            )
    return found


def first_missing(headings: Sequence[Heading], sheet: DataSheet) -> list[str]:
    """Which of the taps at the ends of the unit have no column."""
    return _without_column(_found(headings, sheet), sheet)


def _without_column(found: dict[str, list[int]], sheet: DataSheet) -> list[str]:
    return [tap.name for tap in (sheet.taps[0], sheet.taps[-1]) if tap.name not in found]


def _found(headings: Sequence[Heading], sheet: DataSheet) -> dict[str, list[int]]:
    """Columns by the words of their headings; of taps without one, by their unit where only one can be meant."""
    first, last = sheet.taps[0], sheet.taps[-1]
    found: dict[str, list[int]] = {}
    for tap in sheet.taps:
        words = {tap.name.casefold(), *(["input"] if tap is first else []), *(["output"] if tap is last else [])}
        words -= {other.name.casefold() for other in sheet.taps if other is not tap}
        columns = [at for at, each in enumerate(headings) if each.meaning in words]
        if tap is last:
            columns += [at for at, each in enumerate(headings) if _is_output_by_way(each, first, last)]
        if columns:
            found[tap.name] = sorted(columns)
    ends = [tap for tap in (first, last) if tap.name not in found]
    for tap in ends:
        others = [other for other in sheet.taps if other is not tap]
        columns = list(_by_unit(headings, tap, others, is_input=tap is first))
        if len(columns) == 1:
            found[tap.name] = columns
    return {tap.name: found[tap.name] for tap in sheet.taps if tap.name in found}


def _is_output_by_way(each: Heading, first: Tap, last: Tap) -> bool:
    """Whether a column that says no more than "up [mA]" is the output's."""
    is_first = _is_of(each.unit, first) and not _is_of(each.unit, last)
    return bool(each.way) and not each.meaning and not is_first


def _by_unit(headings: Sequence[Heading], tap: Tap, others: Sequence[Tap], *, is_input: bool) -> Iterator[int]:
    """Columns that can only be this tap's: "f [Hz]", or of the input the setpoints that were set."""
    for at, each in enumerate(headings):
        is_meant = each.is_symbol or (is_input and each.meaning == "setpoint")
        if is_meant and _is_of(each.unit, tap) and not any(_is_of(each.unit, other) for other in others):
            yield at


def _is_of(unit: str, tap: Tap) -> bool:
    for own in (tap.unit, tap.reading_unit):
        try:
            if unit and is_alike(unit, own):
                return True
        except InputError:
            continue
    return False


def _missing(missing: Sequence[str], headings: Sequence[Heading], sheet: DataSheet, where: str) -> ReadingsError:
    names = [each.written for each in headings]
    first, last = sheet.taps[0].name, sheet.taps[-1].name
    strong = {word for words, _ in WORDS.values() for word in words if len(word) >= _LEAST_MEANT}
    known = sorted({tap.name for tap in sheet.taps} | strong)
    odd = [each.name for each in headings if not each.meaning and not is_time(each.name, each.unit)]
    guess = next((nearest(name, known) for name in odd if nearest(name, known)), "")
    either = [f'"{each.written}"' for each in headings if each.is_symbol or each.meaning == "setpoint"]
    todo = f'write "{guess}"' if guess else "name the columns in the first row"
    if either:
        todo = f"{' and '.join(either)} may be {first} or {last}: name the columns so"
    return ReadingsError(
        f"no column for {' and '.join(missing)} among: {', '.join(names)}",
        where=where,
        allowed=f'"{first}" or "injected", "{last}" or "returned", units in brackets: returned [mA]',
        todo=todo,
    )


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
        (at, each.meaning + (", checked" if each.meaning in {"error", "expected"} else ""))
        for at, each in enumerate(headings)
        if at not in read and each.meaning in _KNOWN - {"remark"}
    ]
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
