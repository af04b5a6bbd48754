"""Up and down in columns side by side, as one row a reading in the order that they were taken."""

from collections.abc import Sequence
from dataclasses import replace

from instruments.errors import ReadingsError
from sequencer.readings.csv_times import is_time
from sequencer.readings.decimal_marks import figures
from sequencer.readings.headings import Heading
from sequencer.readings.raw_table import Rows

__all__ = ["unfolded"]

_EMPTY = {"", "-", "--", "–", "—"}
_BESIDE = ("error", "expected", "setpoint", "nominal")  # meanings of columns that a traverse may have of its own
Block = tuple[int, str]  # cycle, way


def unfolded(
    headings: Sequence[Heading], rows: Rows, columns: dict[str, list[int]], where: str
) -> tuple[list[Heading], Rows, dict[str, int]]:
    """Headings, rows and the column of each tap of a table where each row is one reading.

    Each traverse follows the one before: the rows of one that runs against the order of the table are turned round. A
    column that is of no traverse is of all. Times that stand beside several readings are those of none. A blank is a
    point that was not read; not so at the ends of a traverse where the other one has a reading: there it turned.

    Raises:
        ReadingsError: columns of one tap in different units.
    """
    blocks = _blocks(headings, columns)
    if not blocks:
        return list(headings), rows, {tap: found[0] for tap, found in columns.items()}
    by_tap = {tap: {_block(at, headings, found): at for at in found} for tap, found in columns.items()}
    beside = {name: [at for at, each in enumerate(headings) if each.meaning == name and each.way] for name in _BESIDE}
    beside = {name: found for name, found in beside.items() if found}
    by_name = {name: {_block(at, headings, found): at for at in found} for name, found in beside.items()}
    own = {at for found in (*columns.values(), *beside.values()) for at in found}
    shared = [
        at
        for at, each in enumerate(headings)
        if at not in own and not (is_time(each.name, each.unit) and len(blocks) > 1)
    ]
    for tap, found in columns.items():
        _refuse_units(tap, [headings[at] for at in found], where)
    first = next(iter(columns))
    places_of = {block: [_of_block(each, block) for each in by_tap.values()] for block in blocks}
    read = {block: _lines_read(rows, places, headings) for block, places in places_of.items()}
    result: Rows = []
    for block, places in places_of.items():
        also = [by_block.get(block) for by_block in by_name.values()]
        block_rows = rows if _runs(rows, _of_block(by_tap[first], block)) in {block[1], ""} else rows[::-1]
        ends = {block_rows[0][0], block_rows[-1][0]}
        turned = {line for other in blocks if other != block for line in ends & read[other]}
        for line, row in block_rows if read[block] else ():
            moved = [_cell(row, at) for at in places]
            if line in read[block] or (moved[0] not in _EMPTY and line not in turned):
                cells = [*moved, *(_cell(row, at) for at in also), block[1], str(block[0])]
                result.append((line, [*cells, *(_cell(row, at) for at in shared)]))
    taps = [_joined([headings[at] for at in found]) for found in columns.values()]
    stated = [*(_joined([headings[at] for at in found]) for found in beside.values())]
    stated += [_named("direction"), _named("cycle"), *(headings[at] for at in shared)]
    return [*taps, *stated], result, {tap: at for at, tap in enumerate(columns)}


def _lines_read(rows: Rows, places: Sequence[int | None], headings: Sequence[Heading]) -> set[int]:
    """The lines with something in the columns of one traverse."""
    own = [at for at in places if at is not None and headings[at].way]
    return {line for line, row in rows if any(_cell(row, at) not in _EMPTY for at in own)}


def _blocks(headings: Sequence[Heading], columns: dict[str, list[int]]) -> list[Block]:
    """Cycle and way of each traverse that has a column of its own, in the order taken."""
    found: dict[Block, int] = {}
    for places in columns.values():
        for at in places:
            if headings[at].way:
                block = _block(at, headings, places)
                found[block] = min(at, found.get(block, at))
    return sorted(found, key=lambda block: (block[0], found[block]))


def _block(at: int, headings: Sequence[Heading], places: Sequence[int]) -> Block:
    """Cycle and way of a column; without a number, the second column of a way is of the second cycle."""
    way = headings[at].way
    before = sum(headings[each].way == way for each in places if each < at)
    return headings[at].number or before + 1, way


def _of_block(places: dict[Block, int], block: Block) -> int | None:
    """The column of a tap for a traverse: its own, or the one that is of all."""
    return places.get(block, next((at for (_, way), at in places.items() if not way), None))


def _runs(rows: Rows, at: int | None) -> str:
    """Which way the inputs of a table run: "up", "down", or "" where it cannot be seen."""
    values = [float(number) for _, row in rows if (number := figures(_cell(row, at)))]
    if len(values) < 2 or values[0] == values[-1]:
        return ""
    return "up" if values[-1] > values[0] else "down"


def _cell(row: Sequence[str], at: int | None) -> str:
    return row[at].strip() if at is not None and at < len(row) else ""


def _refuse_units(tap: str, headings: Sequence[Heading], where: str) -> None:
    units = {each.unit for each in headings if each.unit}
    if len(units) > 1:
        raise ReadingsError(
            f"columns of {tap} in different units: {', '.join(each.written for each in headings)}",
            where=where,
            todo="give them one unit, or write each reading in a row of its own",
        )


def _joined(headings: Sequence[Heading]) -> Heading:
    """One heading for the columns of a tap."""
    written = '" or "'.join(dict.fromkeys(each.written for each in headings))
    return replace(headings[0], written=written, way="", number=0, unit=next((h.unit for h in headings if h.unit), ""))


def _named(name: str) -> Heading:
    return Heading(written=name, name=name, unit="", meaning=name)
