"""Readings from CSV: a table that a run wrote, or one that a person took by hand."""

import csv
import io
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray, Tap
from instruments.errors import ReadingsError
from instruments.texts import from_cell, to_digits
from sequencer.inputs.step import READING, roles
from sequencer.readings.csv_cells import TapColumn, is_unread, meanings, tap_column
from sequencer.readings.csv_headings import GIVEN, columns_not_read, tap_columns
from sequencer.readings.csv_plausibility import Row, setpoint_column, stated_pct, table_doubts
from sequencer.readings.csv_times import is_time, table_times
from sequencer.readings.decimal_marks import decimal_mark, stated_marks, with_point
from sequencer.readings.file_text import decoded, heading, raw_bytes, without_nul
from sequencer.readings.order import Order, Points, cycles_of, grouped, in_order, times_of, unpaired
from sequencer.readings.table import BY_HAND, COLUMNS, tidy

__all__ = ["from_csv"]

_LARGEST_BYTES = 50_000_000
_LONGEST_LINE = 20_000
_MOST_ERRORS = 20
_MOST_ROWS_BY_HAND = 20_000
_MOST_DECIMALS = 10


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
    text = without_nul(decoded(raw_bytes(path, _LARGEST_BYTES)), path)
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
    allowed = {"direction": {"up", "down", ""}, "role": roles()}
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """A table by hand as it was written.

    Attributes:
        path: of the file.
        line: of the headings.
        headings: as written.
        names: and the units in them, as `heading` gives them.
        cells: each row with its line.
        columns: of the taps that it has, by their names.
    """

    path: str
    line: int
    headings: list[str]
    names: list[tuple[str, str]]
    cells: list[tuple[int, list[str]]]
    columns: dict[str, int]

    def column(self, at: int) -> list[tuple[int, str]]:
        """The cells of one column, with their lines."""
        return [(line, row[at].strip() if at < len(row) else "") for line, row in self.cells]

    def named(self, *words: str) -> int | None:
        """The column of one of these names that is no tap's; None if there is none."""
        found = (at for at, (name, _) in enumerate(self.names) if name in words and at not in self.columns.values())
        return next(found, None)

    def of_rows(self, kept: list[int]) -> "_Table":
        """The same with some rows only."""
        return replace(self, cells=[self.cells[index] for index in kept])


def _by_hand(
    path: Path, header: tuple[int, list[str]], cells: list[tuple[int, list[str]]], sheet: DataSheet, serial: str
) -> pd.DataFrame:
    names = [heading(cell) for cell in header[1]]
    columns = tap_columns([name for name, _ in names], sheet, f"{path}:{header[0]}")
    table = _Table(path=str(path), line=header[0], headings=header[1], names=names, cells=cells, columns=columns)
    faults: list[tuple[int, ReadingsError]] = []
    specs = {
        tap.name: tap_column(
            path=table.path, written=header[1][columns[tap.name]], unit=names[columns[tap.name]][1], spec=tap
        )
        for tap in sheet.taps
        if tap.name in columns
    }
    rows, kept = _rows(table, specs, faults)
    table = table.of_rows(kept)
    stated = {
        name: meanings(table.path, name, table.column(at), faults)
        for name, words in GIVEN.items()
        if (at := table.named(*words)) is not None
    }
    at_s = _times_read(table, faults)
    _raise_all(error for _, error in sorted(faults, key=lambda fault: fault[0]))
    points, order = _order(rows, sheet, stated)
    notes = _joined(
        {rows[0].line: "; ".join(filter(None, (points.remark, unpaired(order, points))))},
        _unread(rows),
        {rows[0].line: columns_not_read(table.headings, table.names, [cells for _, cells in table.cells], columns)},
        table_doubts(rows, sheet),
        _untimed(at_s, [row.line for row in rows]),
    )
    return tidy(_as_read(table, rows, specs, serial=serial, points=points, order=order, at_s=at_s, notes=notes))


def _rows(
    table: _Table, specs: dict[str, TapColumn], faults: list[tuple[int, ReadingsError]]
) -> tuple[list[Row], list[int]]:
    """The rows that hold a number, and their indices."""
    misread = {tap: error for tap, spec in specs.items() if (error := spec.wrong_unit(table.line)) is not None}
    faults += [(table.line, error) for error in misread.values()]
    typed = {tap: table.column(column) for tap, column in table.columns.items()}
    marks = stated_marks(cell for cells in typed.values() for _, cell in cells)
    plain = {tap: cells if tap in misread else specs[tap].plain(cells, marks, faults) for tap, cells in typed.items()}
    values = {
        tap: [math.nan] * len(cells) if tap in misread else specs[tap].values(cells, faults)
        for tap, cells in plain.items()
    }
    kept = [index for index in range(len(table.cells)) if any(not np.isnan(each[index]) for each in values.values())]
    if not kept and not faults:
        raise ReadingsError("holds no number", where=f"{table.path}:{table.line}")
    first = next(iter(specs))
    has_fault = {line for line, _ in faults}
    for line in (table.cells[index][0] for index in kept if first not in misread and np.isnan(values[first][index])):
        if line not in has_fault:
            missing = ReadingsError(
                f'no value at "{first}", so nothing can be expected of the output',
                where=f"{table.path}:{line}",
                todo="fill it in, or take the row out",
            )
            faults.append((line, missing))
    at = table.named("setpoint")
    setpoints = [""] * len(table.cells) if at is None else [cell for _, cell in table.column(at)]
    usual = next(iter(marks)) if len(marks) == 1 else "."
    rows = [
        Row(
            line=table.cells[index][0],
            values={tap: each[index] for tap, each in values.items()},
            cells={tap: specs[tap].with_unit(each[index][1]) for tap, each in typed.items()},
            plain={tap: specs[tap].with_unit(each[index][1]) for tap, each in plain.items()},
            setpoint=with_point(setpoints[index], decimal_mark(setpoints[index]) or usual),
        )
        for index in kept
    ]
    return rows, kept


def _order(rows: list[Row], sheet: DataSheet, stated: dict[str, list[str]]) -> tuple[Points, Order]:
    """Which point each row is, and in which traverse it was read, from what is stated, else from the inputs."""
    first = sheet.taps[0]
    inputs = np.array([row.value(first.name) for row in rows])
    x_pct = 100 * first.fraction(inputs)
    keys = list(zip(*stated.values(), strict=True)) or [()] * len(rows)
    is_apart = np.array([False, *(one != other for one, other in pairwise(keys))])
    setpoints = setpoint_column(rows, first)
    points = grouped(
        x_pct,
        stated_pct=None if setpoints is None or len(setpoints.rows) < len(rows) else setpoints.pct,
        is_apart=is_apart,
        count_pct=100 * _last_digit(inputs) / abs(first.span),
        output=lambda pct: sheet.taps[-1].fraction(sheet.ideal(first.value(pct / 100))),
    )
    order = in_order(x_pct, points.of_row, is_apart)
    if "direction" in stated:
        directions, roles = stated["direction"], [READING] * len(rows)
        cycles = cycles_of(directions, roles)
        times = times_of(list(zip(directions, points.of_row, strict=True)))
        # Sorted by input, not in the order taken.
        cycles = times if max(cycles) > max(times) + 1 else cycles
        order = Order(directions=directions, cycles=cycles, roles=roles)
    if "cycle" in stated:
        order = replace(order, cycles=[int(each) for each in stated["cycle"]])
    return points, order


def _last_digit(values: FloatArray) -> float:
    """The place of the last digit of numbers that people wrote, such as 0.01."""
    for digits in range(_MOST_DECIMALS):
        if np.abs(np.round(values, digits) - values).max() <= 1e-12 * np.abs(values).max(initial=0.0):
            return float(10.0**-digits)
    return 0.0


def _as_read(
    table: _Table,
    rows: list[Row],
    specs: dict[str, TapColumn],
    *,
    serial: str,
    points: Points,
    order: Order,
    at_s: list[float],
    notes: dict[int, str],
) -> Iterator[dict[str, object]]:
    """One row of the tidy table a value."""
    first = next(iter(specs))
    stated = stated_pct(rows, specs[first].spec)
    visits = list(zip(order.cycles, order.directions, points.of_row, order.roles, strict=True))
    raw = {tap: table.column(column) for tap, column in table.columns.items()}
    for index, (row, visit, number) in enumerate(zip(rows, visits, times_of(visits), strict=True)):
        cycle, direction, point, role = visit
        for tap in row.cells:
            value = row.value(tap)
            spec = specs[tap].spec
            yield {
                "serial": serial,
                "number": index + 1,
                "step": 1,
                "step_name": BY_HAND,
                "cycle": cycle,
                "direction": direction,
                "point": point,
                "role": role,
                "attempt": 1,
                "correction": 0,
                "reading": number,
                "tap": tap,
                "setpoint_pct": points.setpoints[point],
                "commanded": row.value(first),
                "value": value,
                "unit": spec.unit,
                "signal": _signal(spec, value),
                "signal_unit": spec.reading_unit,
                "at_s": at_s[index],
                "settling": "by the operator",
                "instrument": "by hand",
                "range": f'line {row.line}, column "{specs[tap].written}" of line {table.line}',
                "note": notes.get(row.line, "") if tap == first else "empty" if np.isnan(value) else "",
                "raw": raw[tap][index][1],
                "stated_pct": stated.get(row.line, math.nan),
            }


def _times_read(table: _Table, faults: list[tuple[int, ReadingsError]]) -> list[float]:
    """Seconds since the first row by the first column of times; NaN where none stand."""
    is_clock = [is_time(*each) and at not in table.columns.values() for at, each in enumerate(table.names)]
    if not any(is_clock):
        return [math.nan] * len(table.cells)
    at = is_clock.index(True)
    found, wrong = table_times(table.path, (table.line, table.headings[at]), table.names[at][1], table.column(at))
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
    return {line: "; ".join(each[line] for each in remarks if each.get(line)) for line in lines}


def _signal(spec: Tap, value: float) -> float:
    """What the instrument showed, without a rest of the conversion; where there is none, as it was typed."""
    signal = float(spec.to_reading(np.array(value)))
    return signal if signal == value else to_digits(signal)
