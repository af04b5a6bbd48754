"""How a table of readings is laid out, as people have them, and the same as one row a reading.

A protocol may stand above the headings and signatures below the rows; units may have a line of their own; up and down
may stand in columns side by side. Where two readings of a heading are possible, the error shows both.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest

from instruments.datasheet import DataSheet
from instruments.errors import ReadingsError, shortened
from sequencer.readings.blocks import Titles, directed, titles_told, without_titles
from sequencer.readings.faults import raise_all
from sequencer.readings.formulas import cell_name
from sequencer.readings.heading_columns import columns_of, is_complete, role_words
from sequencer.readings.headings import Heading, is_unit, understood
from sequencer.readings.raw_table import RawTable, Rows
from sequencer.readings.side_by_side import unfolded

__all__ = ["Layout", "laid_out"]

_MOST_ABOVE = 60  # lines of a protocol above the headings
_MOST_TOLD = 8
_LONGEST_TOLD = 100
# A number, perhaps with a unit: no date, and no range.
_READING = re.compile(r"[+\u2212-]?(?:\d+(?:[.,'\u2019 ]\d+)*|[.,]\d+)(?:[eE][+-]?\d+)?\s*(?:[^\W\d]\S*|[%\u00b0]\S*)?")


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Head:
    """Headings as they may be meant: their first row, and the row that the readings begin in."""

    at: int
    headings: list[Heading]
    body: int


def laid_out(raw: RawTable, sheet: DataSheet) -> Layout:
    """Where the table stands in its rows, and which of its columns is which.

    Raises:
        ReadingsError: no headings that name the first and the last tap, two columns of one tap, a row longer than the
            headings.
    """
    complete = []
    for rows, titles in map(without_titles, raw.ways):
        for head in _heads(rows, sheet):
            if not is_complete(head.headings, sheet) or not any(_has_number(row) for _, row in rows[head.body :]):
                continue
            if _is_followed(head, rows, sheet):
                return _below(raw, rows, head, sheet, titles)
            complete.append((rows, head, titles))
    if complete:  # what stands below is told cell by cell
        rows, head, titles = complete[0]
        return _below(raw, rows, head, sheet, titles)
    rows = raw.ways[0]
    head = max(_heads(rows, sheet), key=lambda each: (sum(one.is_known for one in each.headings), -each.at))
    columns_of(head.headings, sheet, f"{raw.path}:{rows[head.at][0]}")
    raise ReadingsError("holds no number", where=f"{raw.path}:{rows[head.at][0]}")


def _heads(rows: Rows, sheet: DataSheet) -> Iterator[_Head]:
    """What may be the headings: one line, or with a second one below of units, or of what stands in each column."""
    taps = [tap.name for tap in sheet.taps]
    for at in range(min(_MOST_ABOVE, len(rows) - 1)):
        names = [cell.strip() for cell in rows[at][1]]
        below = [cell.strip() for cell in rows[at + 1][1]]
        plain = [understood(name, taps) for name in names]
        named = [understood(name, taps) for name in _over_units(names, below, taps)]
        if _is_line_of_units(below) and not _is_contradicted(named, below):
            yield _Head(at=at, headings=_with_units(named, below), body=at + 2)
        if _is_second_line(plain, below, taps):
            joined = [understood(name, taps) for name in _joined(names, below)]
            units = [cell.strip() for cell in rows[at + 2][1]] if at + 2 < len(rows) else []
            if _is_line_of_units(units):
                yield _Head(at=at, headings=_with_units(joined, units), body=at + 3)
            yield _Head(at=at, headings=joined, body=at + 2)
        yield _Head(at=at, headings=plain, body=at + 1)


def _is_followed(head: _Head, rows: Rows, sheet: DataSheet) -> bool:
    """True if readings of both ends stand below, the first of them before anything else in these columns.

    A line of a protocol that reads like headings, "input; 0..60 Hz; output; 4..20 mA", has other lines below.
    """
    try:
        of_tap = columns_of(head.headings, sheet, "").of_tap
    except ReadingsError:
        return True  # which columns are meant is for the user to say
    ends = (of_tap[sheet.taps[0].name], of_tap[sheet.taps[-1].name])
    body = [[[row[at].strip() for at in places if at < len(row)] for places in ends] for _, row in rows[head.body :]]
    first = next((cells for cells in body if any(map(any, cells))), [])
    return any(map(_is_read, first)) and all(any(map(_is_read, column)) for column in zip(*body, strict=True))


def _is_read(cells: Sequence[str]) -> bool:
    return any(_READING.fullmatch(cell) or cell.startswith("=") for cell in cells)


def _has_number(row: Sequence[str]) -> bool:
    return any(letter.isdigit() for cell in row for letter in cell) or any(cell.startswith("=") for cell in row)


def _is_line_of_units(cells: Sequence[str]) -> bool:
    """True if every cell is a unit, or two are units in brackets and the others no numbers: "No;[Hz];[mA]"."""
    others = [cell for cell in cells if cell and not _unit_in(cell)]
    units = [cell for cell in cells if _unit_in(cell)]
    is_all = bool(units) and not others
    return is_all or (sum(cell[0] in "[(" for cell in units) > 1 and not _has_number(others))


def _unit_in(cell: str) -> str:
    """The unit that a cell is, in brackets or without; "" where it is none."""
    unit = cell.strip("[]()")
    return unit if unit and (unit == "%" or is_unit(unit)) else ""


def _is_contradicted(headings: Sequence[Heading], units: Sequence[str]) -> bool:
    """True if a unit stands below a heading that has another one: they belong to different columns."""
    cells = [_unit_in(unit) for unit in units]
    return any(each.unit and unit and each.unit != unit for each, unit in zip(headings, cells, strict=False))


def _with_units(headings: Sequence[Heading], cells: Sequence[str]) -> list[Heading]:
    return [
        _with_unit(each, _unit_in(cell)) for each, cell in zip(headings, [*cells, *[""] * len(headings)], strict=False)
    ]


def _with_unit(each: Heading, unit: str) -> Heading:
    if each.unit or not unit:
        return each
    is_symbol = not each.is_known and not each.name
    return replace(each, unit=unit, written=f"{each.written} [{unit}]".strip(), is_symbol=is_symbol)


def _over_units(names: Sequence[str], units: Sequence[str], taps: Sequence[str]) -> Iterator[str]:
    """Headings above units; that of a traverse is one of several columns: "up;;down;" over "Hz;mA;Hz;mA"."""
    above = ""
    for name, unit in zip_longest(names, units, fillvalue=""):
        found = understood(name, taps)
        above = "" if name and (found.end or not found.way) else name or above
        yield name or (above if unit else "")


def _is_second_line(above: Sequence[Heading], cells: Sequence[str], taps: Sequence[str]) -> bool:
    """True if each cell is the rest of a heading above that spans several columns, or of a traverse above."""
    found = [understood(cell, taps) for cell in cells if cell]
    says_more = any(each.way or each.meaning in {"actual", "nominal"} for each in found) or any(
        each.way for each in above
    )
    return says_more and all(each.is_known for each in found)


def _joined(names: Sequence[str], below: Sequence[str]) -> Iterator[str]:
    """Headings of two lines; one above several columns is that of each."""
    above = ""
    for name, under in zip_longest(names, below, fillvalue=""):
        above = name or above
        yield f"{above} {under}" if under else name


def _below(raw: RawTable, rows: Rows, head: _Head, sheet: DataSheet, titles: Titles) -> Layout:
    line = rows[head.at][0]
    where = f"{raw.path}:{line}"
    columns = columns_of(head.headings, sheet, where)
    headings = columns.headings
    read = {column for each in columns.of_tap.values() for column in each}
    above = [_plain(row) for _, row in rows[head.at : head.body]]
    rest = rows[head.body :]
    rest = [each for each in rest if _plain(each[1]) not in above] if titles else rest  # once more above each traverse
    body, footer = _without_footer(rest, read)
    raise_all(
        ReadingsError(
            f"has {len(row)} cells under {len(headings)} headings",
            where=f"{raw.path}:{number}",
            todo="with a decimal comma, put semicolons or tabs between the columns",
        )
        for number, row in body
        if any(cell.strip() for cell in row[len(headings) :])
    )
    raise_all(_formulas(raw, body, [at for at, each in enumerate(headings) if each.meaning not in {"", "remark"}]))
    told = role_words(headings, columns.of_tap, sheet)
    width = len(headings)
    headings, body = directed(headings, body, titles, path=raw.path, read=read)
    told = f"{told}, {titles_told(titles)}" if len(headings) > width else told
    headings, cells, single = unfolded(headings, body, columns.of_tap, where)
    return Layout(
        path=raw.path,
        line=line,
        headings=headings,
        cells=cells,
        columns=single,
        remarks=tuple(filter(None, (_told("above it", rows[: head.at]), _told("below it", footer)))),
        understood=told,
    )


def _plain(row: Sequence[str]) -> list[str]:
    return [cell.strip() for cell in row if cell.strip()]


def _formulas(raw: RawTable, body: Rows, columns: Sequence[int]) -> Iterator[ReadingsError]:
    """A cell that holds a formula and no value, of the columns that count: blank, it would be a point not read."""
    for number, row in body:
        for at in columns:
            if at < len(row) and row[at].startswith("="):
                sheet = f'worksheet "{raw.worksheet}", ' if raw.worksheet else ""
                cell = f"{sheet}cell {cell_name(number - 1, at)}"
                yield ReadingsError(
                    f'{cell} holds "{shortened(row[at])}", a formula without its value',
                    where=f"{raw.path}:{number}",
                    todo="open the file in a spreadsheet program and save it there, or write the value",
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
