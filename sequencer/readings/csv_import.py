"""Readings from CSV: a table that a run wrote, or one that a person took by hand."""

import csv
import io
import math
from collections import Counter
from collections.abc import Hashable, Iterable, Sequence
from pathlib import Path
from typing import get_args

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from instruments.errors import ReadingsError, nearest
from instruments.texts import from_cell
from sequencer.inputs.step import Direction, Role
from sequencer.readings.csv_cells import is_unread, meanings, tap_column
from sequencer.readings.csv_plausibility import Row, table_doubts
from sequencer.readings.csv_times import is_time, table_times
from sequencer.readings.file_text import decoded, heading, raw_bytes
from sequencer.readings.table import COLUMNS, tidy

__all__ = ["from_csv"]

_LARGEST_BYTES = 50_000_000
_LONGEST_LINE = 20_000
_MOST_ERRORS = 20
_MOST_ROWS_BY_HAND = 20_000
_SAME_PCT = 0.5  # of span; a hand source is set nearer than that, and 0 % and 1 % of a square root are two points
_INPUT = ("injected", "input", "applied", "set", "stimulus", "in", "eingang")
_OUTPUT = ("returned", "output", "measured", "indicated", "read", "response", "out", "ausgang")
_GIVEN = {"direction": ("richtung", "direction"), "cycle": ("zyklus", "cycle")}
_OTHER = ("setpoint", *_GIVEN, "remark", "note", "point", "date")


def from_csv(path: Path, sheet: DataSheet, *, serial: str = "") -> pd.DataFrame:
    """A table of readings from CSV: one that a run wrote, or one taken by hand.

    By hand: one row a point in the order taken, a header with a column for the first and one for the last tap
    ("injected", "input", "returned", "output", or the names of taps), units in brackets; "direction" and "cycle" where
    the order does not tell; "time" if you like (`table_times`); remarks, blank rows and lines that begin with # are
    passed over. Comma, semicolon or tab between columns; a decimal comma where the columns are not divided by commas.
    UTF-8, or as Windows saves it.

    Args:
        path: the file.
        sheet: the unit.
        serial: of the unit.

    Raises:
        ReadingsError: unreadable, no column for a tap, a value that is no number, a unit of another dimension.
    """
    text = decoded(raw_bytes(path, _LARGEST_BYTES)).replace("\0", "")
    numbered = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip(" ,;\t") and not line.lstrip().startswith("#")
    ]
    if len(numbered) < 2:
        raise ReadingsError("holds no readings", where=str(path), allowed="a header and a row for each point")
    for number, line in numbered:
        if len(line) > _LONGEST_LINE:
            raise ReadingsError(
                "is too long a line", where=f"{path}:{number}", allowed=f"at most {_LONGEST_LINE} characters"
            )
    divider = next((each for each in ";\t" if each in numbered[0][1]), ",")
    header = [cell.strip() for cell in _split(numbered[0][1], divider)]
    if {"tap", "value", "point", "cycle"} <= set(header):
        return _own(path, text)
    if len(numbered) > _MOST_ROWS_BY_HAND:
        raise ReadingsError("has too many rows", where=str(path), allowed=f"at most {_MOST_ROWS_BY_HAND}")
    cells = [(number, _split(line, divider)) for number, line in numbered[1:]]
    _raise_all(
        ReadingsError(
            f"has {len(row)} cells under {len(header)} headings",
            where=f"{path}:{number}",
            todo="with a decimal comma, put semicolons or tabs between the columns",
        )
        for number, row in cells
        if any(cell.strip() for cell in row[len(header) :])
    )
    return _by_hand(path, (numbered[0][0], header), cells, sheet, serial)


def _raise_all(errors: Iterable[ReadingsError]) -> None:
    """Raise the errors of a table at once, those of one line in order; nothing where there is none."""
    found = list(errors)
    if not found:
        return
    first, *others = found[:_MOST_ERRORS]
    if len(found) > _MOST_ERRORS:
        others.append(ReadingsError(f"and {len(found) - _MOST_ERRORS} more errors"))
    raise ReadingsError(first.what, where=first.where, allowed=first.allowed, todo=first.todo, others=tuple(others))


def _split(line: str, divider: str) -> list[str]:
    return next(csv.reader(io.StringIO(line), delimiter=divider))


def _own(path: Path, text: str) -> pd.DataFrame:
    """A table that a run wrote, to the last digit."""
    try:
        table = tidy(
            {name: _typed(name, cell) for name, cell in row.items() if name in COLUMNS and cell}
            for row in csv.DictReader(io.StringIO(text, newline=""))
        )
    except (ValueError, TypeError, OverflowError, csv.Error) as error:
        raise ReadingsError(
            "has the columns of a run's table but not its contents",
            where=str(path),
            todo=(str(error).splitlines() or [type(error).__name__])[0],
        ) from error
    allowed = {"direction": {"up", "down", ""}, "role": set(get_args(Role))}
    for name in ("step", "cycle", "point", "attempt", "reading", "direction", "role"):
        is_wrong = ~table[name].isin(allowed[name]) if name in allowed else table[name].isna()
        if is_wrong.any():
            raise ReadingsError(
                f"has no {name} in {int(is_wrong.sum())} rows where a run writes one",
                where=str(path),
                allowed=", ".join(sorted(filter(None, allowed.get(name, {"a whole number"})))),
                todo="take the table as the run wrote it, or name the columns as for readings by hand",
            )
    return table


def _typed(name: str, cell: str) -> float | str:
    """A cell as its column has it; raises ValueError."""
    if COLUMNS[name] == "str":
        return from_cell(cell)
    number = int(cell) if COLUMNS[name] == "Int64" else float(cell)
    if not math.isfinite(number):
        raise ValueError(f"{cell} in column {name}")
    return number


def _by_hand(
    path: Path, header: tuple[int, list[str]], cells: list[tuple[int, list[str]]], sheet: DataSheet, serial: str
) -> pd.DataFrame:
    where = f"{path}:{header[0]}"
    headings = [heading(cell) for cell in header[1]]
    names = [name for name, _ in headings]
    columns = _tap_columns(names, sheet, where)
    first = sheet.taps[0].name
    specs = {
        tap.name: tap_column(
            path=str(path),
            written=header[1][columns[tap.name]],
            unit=headings[columns[tap.name]][1],
            spec=tap,
        )
        for tap in sheet.taps
        if tap.name in columns
    }
    misread = {tap: error for tap, column in specs.items() if (error := column.wrong_unit(header[0])) is not None}
    faults = [(header[0], error) for error in misread.values()]
    values = {
        tap: [math.nan] * len(cells)
        if tap in misread
        else specs[tap].values([(line, _at(row, column)) for line, row in cells], faults)
        for tap, column in columns.items()
    }
    kept = [index for index in range(len(cells)) if any(not np.isnan(values[tap][index]) for tap in columns)]
    if not kept and not faults:
        raise ReadingsError("holds no number", where=where)
    has_fault = {line for line, _ in faults}
    for index in kept if first not in misread else ():
        line = cells[index][0]
        if np.isnan(values[first][index]) and line not in has_fault:
            missing = ReadingsError(
                f'no value at "{first}", so nothing can be expected of the output',
                where=f"{path}:{line}",
                todo="fill it in, or take the row out",
            )
            faults.append((line, missing))
    given = {name: names.index(word) for name, words in _GIVEN.items() for word in words if word in names}
    stated = {
        name: meanings(str(path), name, [(cells[at][0], _at(cells[at][1], column)) for at in kept], faults)
        for name, column in given.items()
    }
    is_clock = [is_time(*each) and at not in columns.values() for at, each in enumerate(headings)]
    at_s = _times_read(str(path), header, is_clock, [cells[index] for index in kept], faults)
    _raise_all(error for _, error in sorted(faults, key=lambda fault: fault[0]))
    x_pct = 100 * sheet.taps[0].fraction(np.array([values[first][index] for index in kept]))
    points, setpoints = _points(x_pct)
    directions, cycles, roles = _order(x_pct, points)
    if "direction" in stated:
        directions = stated["direction"]
        roles = ["reading"] * len(kept)
        cycles, times = _cycles(directions, roles), _times(list(zip(directions, points, strict=True)))
        if max(cycles) > max(times) + 1:  # sorted by input, not in the order taken
            cycles = times
    if "cycle" in stated:
        cycles = [int(each) for each in stated["cycle"]]
    setpoint = names.index("setpoint") if "setpoint" in names else len(names)
    written = [
        Row(
            line=cells[index][0],
            values={tap: values[tap][index] for tap in columns},
            cells={tap: specs[tap].with_unit(_at(cells[index][1], column)) for tap, column in columns.items()},
            setpoint=_at(cells[index][1], setpoint),
        )
        for index in kept
    ]
    notes = _joined(_unread(written), table_doubts(written, sheet), _untimed(at_s, [row.line for row in written]))
    seen: dict[tuple[int, str, int, str], int] = {}
    rows: list[dict[str, object]] = []
    for place, index in enumerate(kept):
        visit = (cycles[place], directions[place], points[place], roles[place])
        seen[visit] = seen.get(visit, 0) + 1
        for tap in columns:
            spec, value = specs[tap].spec, values[tap][index]
            rows.append(
                {
                    "serial": serial,
                    "number": place + 1,
                    "step": 1,
                    "step_name": "by hand",
                    "cycle": cycles[place],
                    "direction": directions[place],
                    "point": points[place],
                    "role": roles[place],
                    "attempt": 1,
                    "correction": 0,
                    "reading": seen[visit],
                    "tap": tap,
                    "setpoint_pct": setpoints[points[place]],
                    "commanded": values[first][index],
                    "value": value,
                    "unit": spec.unit,
                    "signal": float(spec.to_reading(np.array(value))),
                    "signal_unit": spec.reading_unit,
                    "at_s": at_s[place],
                    "settling": "by the operator",
                    "instrument": "by hand",
                    "note": notes.get(cells[index][0], "") if tap == first else "empty" if np.isnan(value) else "",
                    "raw": _at(cells[index][1], columns[tap]),
                }
            )
    return tidy(rows)


def _times_read(
    path: str,
    header: tuple[int, list[str]],
    is_clock: list[bool],
    cells: list[tuple[int, list[str]]],
    faults: list[tuple[int, ReadingsError]],
) -> list[float]:
    """Seconds since the first row by the first column of times; NaN where none stand."""
    if not any(is_clock):
        return [math.nan] * len(cells)
    column = is_clock.index(True)
    written = header[1][column]
    found, wrong = table_times(
        path, (header[0], written), heading(written)[1], [(line, _at(row, column)) for line, row in cells]
    )
    faults += wrong
    return found


def _unread(rows: list[Row]) -> dict[int, str]:
    """A remark at each row where something else than a number stands for a reading that was not there."""
    found: dict[int, str] = {}
    for row in rows:
        words = [f'"{cell}" at {tap}' for tap, cell in row.cells.items() if cell and is_unread(cell)]
        if words:
            found[row.line] = f"line {row.line}: {' and '.join(words)} taken for no reading"
    return found


def _untimed(at_s: list[float], lines: list[int]) -> dict[int, str]:
    """A remark at the first row without a time, where others have one."""
    is_lacking = np.isnan(at_s)
    if not is_lacking.any() or is_lacking.all():
        return {}
    line = lines[int(is_lacking.argmax())]
    return {line: f"line {line}: no time here, so the times of the other rows are not made use of"}


def _joined(*remarks: dict[int, str]) -> dict[int, str]:
    """Remarks by line of their row, those of one row in one text."""
    lines = sorted({line for each in remarks for line in each})
    return {line: "; ".join(each[line] for each in remarks if line in each) for line in lines}


def _tap_columns(names: list[str], sheet: DataSheet, where: str) -> dict[str, int]:
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
    return {tap: columns[tap] for tap in taps if tap in columns}


def _at(row: list[str], column: int) -> str:
    return row[column].strip() if column < len(row) else ""


def _points(x_pct: FloatArray) -> tuple[list[int], dict[int, float]]:
    """Index of the point each input belongs to, and its mean: neighbours less than `_SAME_PCT` apart are one point."""
    known = np.sort(x_pct)
    starts = known[np.concatenate(([True], np.diff(known) > _SAME_PCT))]
    points = np.searchsorted(starts, x_pct, side="right") - 1
    means = np.bincount(points, weights=x_pct) / np.bincount(points)
    return [int(point) for point in points], {point: float(mean) for point, mean in enumerate(means)}


def _order(x_pct: FloatArray, points: list[int]) -> tuple[list[str], list[int], list[str]]:
    """Direction, cycle and role of each row from the order of the inputs; direction "" where it tells nothing."""
    directions, roles = ["up"] * len(x_pct), ["reading"] * len(x_pct)
    is_moved = np.abs(np.diff(x_pct, prepend=np.inf)) > _SAME_PCT
    turned_at: list[int] = []
    going: Direction | None = None

    def pair(index: int, towards: Direction) -> None:
        """The row before a turn is an end pair if the input was not moved to it."""
        if not is_moved[index]:
            roles[index], directions[index] = "end pair", towards

    for index in range(1, len(x_pct)):
        if not is_moved[index]:
            directions[index] = directions[index - 1]
            continue
        now: Direction = "up" if x_pct[index] > x_pct[index - 1] else "down"
        if going is not None and now != going:
            turned_at.append(index - 1)
            pair(index - 1, now)
        directions[index] = going = now
    last = max(points)
    if len(x_pct) > 3 and sum(0 < points[index] < last for index in turned_at) > len(x_pct) / 3:
        return [""] * len(x_pct), _times(points), ["reading"] * len(x_pct)  # no traverse to be seen
    if not turned_at:
        return [going or "up"] * len(x_pct), [1] * len(x_pct), roles
    pair(len(x_pct) - 1, "up" if going == "down" else "down")
    return directions, _cycles(directions, roles), roles


def _times(places: Sequence[Hashable]) -> list[int]:
    """How often each place has come up so far, itself included."""
    seen: Counter[Hashable] = Counter()
    times = []
    for place in places:
        seen[place] += 1
        times.append(seen[place])
    return times


def _cycles(directions: list[str], roles: list[str]) -> list[int]:
    """A cycle is an upscale traverse and the downscale traverse that follows, the end pair at its bottom included."""
    cycles, cycle, before = [], 1, ""
    for direction, role in zip(directions, roles, strict=True):
        if role == "reading":
            if direction == "up" and before == "down":
                cycle += 1
            before = direction
        cycles.append(cycle)
    return cycles
