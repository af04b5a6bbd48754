"""How a table of readings is laid out, as people have them, and the same as one row a reading.

A protocol may stand above the headings and signatures below the rows; units may have a line of their own; up and down
may stand in columns side by side. Where two readings of a heading are possible, the error shows both.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest

from instruments.datasheet import DataSheet
from instruments.errors import ReadingsError
from sequencer.readings.faults import raise_all
from sequencer.readings.heading_columns import columns_of, first_missing, role_words
from sequencer.readings.headings import Heading, is_unit, understood
from sequencer.readings.raw_table import RawTable, Rows
from sequencer.readings.side_by_side import unfolded

__all__ = ["Layout", "laid_out"]

_MOST_ABOVE = 60  # lines of a protocol above the headings
_MOST_TOLD = 8
_LONGEST_TOLD = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A table with one row a reading.

    Attributes:
        path: where it comes from.
        line: of the headings.
        headings: of its columns.
        cells: each row with its line.
        columns: of the taps that it has, by their names.
        remarks: what stands above and below the table.
        understood: which column was taken for what.
    """

    path: str
    line: int
    headings: list[Heading]
    cells: Rows
    columns: dict[str, int]
    remarks: tuple[str, ...]
    understood: str


def laid_out(raw: RawTable, sheet: DataSheet) -> Layout:
    """Where the table stands in its rows, and which of its columns is which.

    Raises:
        ReadingsError: no headings that name the first and the last tap, two columns of one tap, a row longer than the
            headings.
    """
    for rows in raw.ways:
        for at in range(min(_MOST_ABOVE, len(rows) - 1)):
            headings, first = _headings(rows, at, sheet)
            if not first_missing(headings, sheet) and any(_has_number(row) for _, row in rows[first:]):
                return _below(raw.path, rows, at, headings, rows[first:], sheet)
    rows = raw.ways[0]
    at = max(range(min(_MOST_ABOVE, len(rows) - 1)), key=lambda each: (_known_n(rows, each, sheet), -each))
    headings, _ = _headings(rows, at, sheet)
    columns_of(headings, sheet, f"{raw.path}:{rows[at][0]}")
    raise ReadingsError("holds no number", where=f"{raw.path}:{rows[at][0]}")


def _known_n(rows: Rows, at: int, sheet: DataSheet) -> int:
    return sum(bool(each.meaning) for each in _headings(rows, at, sheet)[0])


def _has_number(row: Sequence[str]) -> bool:
    return any(letter.isdigit() for cell in row for letter in cell)


def _headings(rows: Rows, at: int, sheet: DataSheet) -> tuple[list[Heading], int]:
    """The headings that begin in a row, with a second line of units or of up and down; and where the readings begin."""
    taps = [tap.name for tap in sheet.taps]
    names = [cell.strip() for cell in rows[at][1]]
    below = [cell.strip() for cell in rows[at + 1][1]]
    found = [understood(name, taps) for name in names]
    if _is_line_of_units(below):
        units = [*below, *[""] * len(found)]
        return [_with_unit(each, unit) for each, unit in zip(found, units, strict=False)], at + 2
    if _is_line_of_ways(below, taps):
        return [understood(name, taps) for name in _joined(names, below)], at + 2
    return found, at + 1


def _is_line_of_units(cells: Sequence[str]) -> bool:
    units = [cell.strip("[]()") for cell in cells if cell]
    return bool(units) and all(is_unit(unit) or unit == "%" for unit in units)


def _with_unit(each: Heading, cell: str) -> Heading:
    unit = cell.strip("[]()")
    return each if each.unit or not unit else replace(each, unit=unit, written=f"{each.written} [{unit}]".strip())


def _is_line_of_ways(cells: Sequence[str], taps: Sequence[str]) -> bool:
    """True if up and down stand below headings that each span several columns."""
    found = [understood(cell, taps) for cell in cells if cell]
    return any(each.way for each in found) and all(each.way or each.meaning or each.is_symbol for each in found)


def _joined(names: Sequence[str], below: Sequence[str]) -> Iterator[str]:
    """Headings of two lines; one above several columns is that of each."""
    above = ""
    for name, under in zip_longest(names, below, fillvalue=""):
        above = name or above
        yield f"{above} {under}" if under else name


def _below(path: str, rows: Rows, at: int, headings: list[Heading], body: Rows, sheet: DataSheet) -> Layout:
    line = rows[at][0]
    where = f"{path}:{line}"
    columns = columns_of(headings, sheet, where)
    read = {column for each in columns.values() for column in each}
    body, footer = _without_footer(body, read)
    raise_all(
        ReadingsError(
            f"has {len(row)} cells under {len(headings)} headings",
            where=f"{path}:{number}",
            todo="with a decimal comma, put semicolons or tabs between the columns",
        )
        for number, row in body
        if any(cell.strip() for cell in row[len(headings) :])
    )
    told = role_words(headings, columns, sheet)
    headings, cells, single = unfolded(headings, body, columns, where)
    return Layout(
        path=path,
        line=line,
        headings=headings,
        cells=cells,
        columns=single,
        remarks=tuple(filter(None, (_told("above it", rows[:at]), _told("below it", footer)))),
        understood=told,
    )


def _without_footer(body: Rows, read: set[int]) -> tuple[Rows, Rows]:
    """The rows of readings, and those below with no figure where readings would stand: signatures, a result."""
    last = len(body)
    while last > 1 and not _has_number([cell for at, cell in enumerate(body[last - 1][1]) if at in read]):
        last -= 1
    return body[:last], body[last:]


def _told(where: str, rows: Rows) -> str:
    """A remark of lines beside the table, in their words; "" where there are none."""
    texts = [" ".join(cell.strip() for cell in row if cell.strip()) for _, row in rows]
    shown = [text if len(text) <= _LONGEST_TOLD else f"{text[:_LONGEST_TOLD]}..." for text in texts[:_MOST_TOLD]]
    more = f" and {len(texts) - _MOST_TOLD} more lines" if len(texts) > _MOST_TOLD else ""
    return f"{where}: {'; '.join(shown)}{more}" if shown else ""
