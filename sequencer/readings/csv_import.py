"""Readings from CSV: a table that a run wrote, or one that a person took by hand."""

import csv
import io
import math
from collections.abc import Iterator
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
from sequencer.readings.csv_plausibility import Row, setpoint_column, stated_pct, table_doubts
from sequencer.readings.csv_times import is_time, table_times
from sequencer.readings.decimal_marks import stated_marks
from sequencer.readings.faults import raise_all
from sequencer.readings.hand_table import HandTable, checked, joined, nominal_resolved, setpoints_of
from sequencer.readings.heading_columns import columns_not_read
from sequencer.readings.layout import laid_out
from sequencer.readings.order import Order, Points, cycles_of, grouped, in_order, times_of, unpaired
from sequencer.readings.raw_table import WORKBOOKS, RawTable, of_frame, of_text, of_workbook, text_of
from sequencer.readings.table import BY_HAND, COLUMNS, is_tidy, tidy

__all__ = ["Imported", "from_csv", "from_frame", "read_table"]

_MOST_ROWS_BY_HAND = 20_000
_MOST_DECIMALS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """A tidy table of readings, and how the table that it came from was understood; "" where a run wrote it."""

    table: pd.DataFrame
    understood: str = ""


def from_csv(path: Path, sheet: DataSheet, *, serial: str = "") -> pd.DataFrame:
    """The tidy table of `read_table`."""
    return read_table(path, sheet, serial=serial).table


def read_table(path: Path, sheet: DataSheet, *, serial: str = "", worksheet: str = "") -> Imported:
    """A table of readings from CSV or a workbook: one that a run wrote, or one taken by hand.

    By hand: one row a point in the order taken, a header with a column for the first and one for the last tap
    ("injected", "input", "returned", "output", their likes in six languages, or the names of taps), with units;
    "direction" and "cycle" where the order does not tell, or up and down in columns side by side; "time" if you like
    (`table_times`); remarks, blank rows and lines that begin with # are passed over, a protocol above the headings and
    signatures below become a remark. Comma, semicolon or tab between columns, or as `sep=` in the first line says; a
    decimal comma where the columns are not divided by commas. UTF-8, or as Windows saves it.

    Args:
        path: the file.
        sheet: the unit.
        serial: of the unit.
        worksheet: of a workbook; "" = its first.

    Raises:
        ReadingsError: unreadable, no column for a tap, a value that is no number, a unit of another dimension.
    """
    if path.suffix.casefold() in WORKBOOKS:
        return _by_hand(of_workbook(path, worksheet), sheet, serial)
    if worksheet:
        raise ReadingsError("has no worksheets", where=str(path), todo="leave the worksheet out")
    text = text_of(path)
    raw = of_text(text, path)
    if is_tidy(cell.strip() for cell in raw.ways[0][0][1]):
        return Imported(table=_own(path, text))
    return _by_hand(raw, sheet, serial)


def from_frame(frame: pd.DataFrame, sheet: DataSheet, *, serial: str = "") -> Imported:
    """The same from a DataFrame whose columns are headed as those of a table by hand.

    Raises:
        ReadingsError: as `read_table`.
    """
    return _by_hand(of_frame(frame), sheet, serial)


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


def _by_hand(raw: RawTable, sheet: DataSheet, serial: str) -> Imported:
    found = laid_out(raw, sheet)
    if len(found.cells) > _MOST_ROWS_BY_HAND:
        raise ReadingsError("has too many rows", where=raw.path, allowed=f"at most {_MOST_ROWS_BY_HAND}")
    table = HandTable(
        path=found.path, line=found.line, headings=found.headings, cells=found.cells, columns=found.columns
    )
    faults: list[tuple[int, ReadingsError]] = []
    specs = {
        tap.name: tap_column(path=table.path, written=heading.written, unit=heading.unit, spec=tap)
        for tap in sheet.taps
        if tap.name in found.columns
        for heading in [table.headings[found.columns[tap.name]]]
    }
    rows, kept = _rows(table, specs, faults)
    table = table.of_rows(kept)
    stated = {
        name: meanings(table.path, name, table.column(at), faults)
        for name in ("direction", "cycle")
        if (at := table.named(name)) is not None
    }
    at_s = _times_read(table, faults)
    raise_all(error for _, error in sorted(faults, key=lambda fault: fault[0]))
    table, rows, nominal, unknown = nominal_resolved(table, rows, sheet)
    points, order = _order(rows, sheet, stated)
    not_read = columns_not_read(table.headings, [cells for _, cells in table.cells], table.columns)
    meant, wrong_errors = checked(table, rows, sheet)
    notes = joined(
        {rows[0].line: "; ".join(filter(None, (points.remark, unpaired(order, points))))},
        _unread(rows),
        {rows[0].line: not_read},
        {rows[0].line: unknown},
        table_doubts(rows, sheet),
        wrong_errors,
        _untimed(at_s, [row.line for row in rows]),
    )
    tidied = tidy(_as_read(table, rows, specs, serial=serial, points=points, order=order, at_s=at_s, notes=notes))
    understood = "; ".join(filter(None, (found.understood, nominal, meant, *found.remarks)))
    return Imported(table=tidied, understood=understood)


def _rows(
    table: HandTable, specs: dict[str, TapColumn], faults: list[tuple[int, ReadingsError]]
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
    setpoints = setpoints_of(table, specs[first].spec, next(iter(marks)) if len(marks) == 1 else ".")
    rows = [
        Row(
            line=table.cells[index][0],
            values={tap: each[index] for tap, each in values.items()},
            cells={tap: specs[tap].with_unit(each[index][1]) for tap, each in typed.items()},
            plain={tap: specs[tap].with_unit(each[index][1]) for tap, each in plain.items()},
            setpoint=setpoints[index],
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
    table: HandTable,
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
    waiting = dict(notes)  # a line of columns side by side is several rows, and is remarked once
    raw = {tap: table.column(column) for tap, column in table.columns.items()}
    for index, (row, visit, number) in enumerate(zip(rows, visits, times_of(visits), strict=True)):
        cycle, direction, point, role = visit
        note = waiting.pop(row.line, "")
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
                "note": note if tap == first else "empty" if np.isnan(value) else "",
                "raw": raw[tap][index][1],
                "stated_pct": stated.get(row.line, math.nan),
            }


def _times_read(table: HandTable, faults: list[tuple[int, ReadingsError]]) -> list[float]:
    """Seconds since the first row by the first column of times; NaN where none stand."""
    is_clock = [
        is_time(each.name, each.unit) and at not in table.columns.values() for at, each in enumerate(table.headings)
    ]
    if not any(is_clock):
        return [math.nan] * len(table.cells)
    at = is_clock.index(True)
    found, wrong = table_times(
        table.path, (table.line, table.headings[at].written), table.headings[at].unit, table.column(at)
    )
    faults += wrong
    return found


def _unread(rows: list[Row]) -> dict[int, str]:
    """A remark at each row where something else than a number stands for a reading that was not there."""
    found: dict[int, str] = {}
    for row in rows:
        words = [f'"{cell}" at {tap}' for tap, cell in row.cells.items() if cell and is_unread(cell)]
        if words:
            text = f"line {row.line}: {' and '.join(words)} taken for no reading"
            found[row.line] = "; ".join(filter(None, (found.get(row.line), text)))
    return found


def _untimed(at_s: list[float], lines: list[int]) -> dict[int, str]:
    """A remark at the first row without a time, where others have one."""
    is_lacking = np.isnan(at_s)
    if not is_lacking.any() or is_lacking.all():
        return {}
    line = lines[int(is_lacking.argmax())]
    return {line: f"line {line}: no time here, so the times of the other rows are not made use of"}


def _signal(spec: Tap, value: float) -> float:
    """What the instrument showed, without a rest of the conversion; where there is none, as it was typed."""
    signal = float(spec.to_reading(np.array(value)))
    return signal if signal == value else to_digits(signal)
