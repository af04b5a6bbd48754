"""What the headings of a table taken by hand mean: which column is which tap's, and which are not read."""

import re
from collections.abc import Sequence

from instruments.datasheet import DataSheet
from instruments.errors import ReadingsError, nearest
from sequencer.readings.csv_times import is_time

__all__ = ["GIVEN", "columns_not_read", "tap_columns"]

_INPUT = ("injected", "input", "applied", "set", "stimulus", "in", "eingang")
_OUTPUT = ("returned", "output", "measured", "indicated", "read", "response", "out", "ausgang")
GIVEN = {"direction": ("richtung", "direction"), "cycle": ("zyklus", "cycle")}
_OTHER = ("setpoint", *GIVEN, "remark", "note", "point", "date")
_NUMBERED = re.compile(r"[\s_#.]*\d+$")  # "returned 2" is a second one of them
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?$")


def tap_columns(names: Sequence[str], sheet: DataSheet, where: str) -> dict[str, int]:
    """The column of each tap, by the names of the headings.

    Raises:
        ReadingsError: a tap at an end of the unit has none, or a tap has more than one.
    """
    taps = [tap.name for tap in sheet.taps]
    columns = {tap: names.index(tap.casefold()) for tap in taps if tap.casefold() in names}
    for tap, words in ((taps[0], _INPUT), (taps[-1], _OUTPUT)):
        for word in words:
            if tap not in columns and word in names:
                columns[tap] = names.index(word)
    missing = [tap for tap in (taps[0], taps[-1]) if tap not in columns]
    if missing:
        known = sorted({*taps, *_INPUT, *_OUTPUT})
        odd = [name for name in names if name not in {*known, *_OTHER} and not is_time(name, "")]
        guess = next((nearest(name, known) for name in odd if nearest(name, known)), "")
        raise ReadingsError(
            f"no column for {' and '.join(missing)} among: {', '.join(names)}",
            where=where,
            allowed=f'"{taps[0]}" or "injected", "{taps[-1]}" or "returned", units in brackets: returned [mA]',
            todo=f'write "{guess}"' if guess else "name the columns in the first row",
        )
    found = {tap: columns[tap] for tap in taps if tap in columns}
    for tap in found:
        _refuse_a_second(tap, names, taps, where)
    return found


def _refuse_a_second(tap: str, names: Sequence[str], taps: Sequence[str], where: str) -> None:
    """One reading a row and tap: of two columns one would be left out without a word."""
    words = {tap.casefold()}
    words |= set(_INPUT if tap == taps[0] else _OUTPUT if tap == taps[-1] else ()) - {
        other.casefold() for other in taps if other != tap
    }
    alike = [name for name in names if _NUMBERED.sub("", name) in words]
    if len(alike) > 1:
        raise ReadingsError(
            f"{len(alike)} columns for {tap}: {', '.join(alike)}",
            where=where,
            allowed="one column for each tap, one reading in each row",
            todo='give each further reading a row of its own, or name the column "note" if it is not to be read',
        )


def columns_not_read(
    headings: Sequence[str], names: Sequence[tuple[str, str]], cells: Sequence[Sequence[str]], columns: dict[str, int]
) -> str:
    """A remark that names the columns of numbers which are no tap's and none that is known; "" where there is none."""
    read = set(columns.values())
    found = [
        f'"{headings[at].strip()}"'
        for at, (name, unit) in enumerate(names)
        if at not in read
        and name not in _OTHER
        and not is_time(name, unit)
        and any(_NUMBER.match(row[at].strip()) for row in cells if at < len(row))
    ]
    return f"not read: column {' and '.join(found)}" if found else ""
