"""Readings from CSV: a table that a run wrote, or one that a person took by hand."""

import csv
import io
import re
from pathlib import Path

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from instruments.errors import InputError, ReadingsError
from instruments.keyed import entry
from instruments.units import is_alike, rescale
from instruments.yamlfile import nearest
from sequencer.readings import COLUMNS, tidy

__all__ = ["from_csv"]

_LARGEST_BYTES = 50_000_000
_MOST_ROWS = 200_000
_INPUT = ("injected", "input", "applied", "set", "stimulus")
_OUTPUT = ("returned", "output", "measured", "indicated", "read", "response")
_OTHER = ("setpoint", "direction", "cycle", "remark", "note", "point", "time", "date")
_HEADER = re.compile(r"\s*([^\[\](),]+?)\s*(?:[\[(,]\s*([^\])]*?)\s*[\])]?)?\s*")


def from_csv(path: Path, sheet: DataSheet, *, serial: str = "") -> pd.DataFrame:
    """A table of readings from CSV: one that a run wrote, or one taken by hand.

    By hand: one row a point in the order taken, a header with a column for the first and one for the last tap ("injected",
    "input", "returned", "output", or the names of taps), units in brackets; "direction" and "cycle" if they are not plain
    from the order; remarks, blank rows and lines that begin with # are passed over. Comma, semicolon or tab between
    columns; a decimal comma where the columns are not divided by commas.

    Args:
        path: the file.
        sheet: the unit.
        serial: of the unit.

    Raises:
        ReadingsError: unreadable, no column for a tap, a value that is no number, a unit of another dimension; with line.
    """
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise ReadingsError("is too large", where=str(path), allowed=f"at most {_LARGEST_BYTES} bytes")
        text = path.read_bytes().decode("utf-8-sig", errors="replace").replace("\0", "")
    except OSError as error:
        raise ReadingsError(f"cannot be read: {error.strerror}", where=str(path), todo="check the name") from error
    numbered = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip(" ,;\t") and not line.lstrip().startswith("#")
    ]
    if len(numbered) < 2:
        raise ReadingsError("holds no readings", where=str(path), allowed="a header and a row for each point")
    if len(numbered) > _MOST_ROWS:
        raise ReadingsError("has too many rows", where=str(path), allowed=f"at most {_MOST_ROWS}")
    divider = max(";\t,", key=numbered[0][1].count)
    cells = [(number, next(csv.reader(io.StringIO(line), delimiter=divider))) for number, line in numbered]
    header = [cell.strip() for cell in cells[0][1]]
    if {"tap", "value", "point", "cycle"} <= set(header):
        return _own(path)
    return _by_hand(path, header, cells[0][0], cells[1:], sheet, serial)


def _own(path: Path) -> pd.DataFrame:
    """A table that a run wrote."""
    try:
        table = pd.read_csv(path, dtype=dict.fromkeys((n for n, k in COLUMNS.items() if k == "str"), "str"))
        return tidy(table.to_dict("records"))  # type: ignore[arg-type]
    except (ValueError, KeyError, TypeError) as error:
        raise ReadingsError(
            "has the columns of a run's table but not its contents", where=str(path), todo=str(error).splitlines()[0]
        ) from error


def _by_hand(
    path: Path,
    header: list[str],
    header_line: int,
    cells: list[tuple[int, list[str]]],
    sheet: DataSheet,
    serial: str,
) -> pd.DataFrame:
    where = f"{path}:{header_line}"
    headings = [_heading(cell) for cell in header]
    names, units = [name for name, _ in headings], [unit for _, unit in headings]
    columns = _tap_columns(names, sheet, where)
    values: dict[str, list[float]] = {tap: [] for tap in columns}
    for tap, column in columns.items():
        spec = next(each for each in sheet.taps if each.name == tap)
        unit = units[column] or spec.unit
        values[tap] = [_cell(path, number, row, column, unit, spec.unit) for number, row in cells]
    kept = [index for index in range(len(cells)) if any(not np.isnan(values[tap][index]) for tap in columns)]
    if not kept:
        raise ReadingsError("holds no number", where=where)
    first = sheet.taps[0].name
    x_pct = 100 * sheet.taps[0].fraction(np.array([values[first][index] for index in kept]))
    given = {name: names.index(name) for name in ("direction", "cycle") if name in names}
    directions, cycles, roles = _order(x_pct)
    if "direction" in given:
        directions = [_direction(path, *_at(cells[index], given["direction"])) for index in kept]
        roles = ["reading"] * len(kept)
        cycles = _cycles(directions, roles)
    if "cycle" in given:
        cycles = [_whole(path, *_at(cells[index], given["cycle"])) for index in kept]
    points, setpoints = _points(x_pct)
    seen: dict[tuple[int, str, int, str], int] = {}
    rows: list[dict[str, object]] = []
    for place, index in enumerate(kept):
        visit = (cycles[place], directions[place], points[place], roles[place])
        seen[visit] = seen.get(visit, 0) + 1
        for tap in columns:
            spec = next(each for each in sheet.taps if each.name == tap)
            value = values[tap][index]
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
                    "signal": float(spec.to_signal(np.array(value))),
                    "signal_unit": spec.signal_unit,
                    "settling": "by the operator",
                    "instrument": "by hand",
                    "note": "" if not np.isnan(value) else "empty",
                    "raw": _at(cells[index], columns[tap])[1],
                }
            )
    return tidy(rows)


def _heading(cell: str) -> tuple[str, str]:
    """Name and unit of a column: "returned [mA]", "input (Hz)", "output, mA"."""
    match = _HEADER.fullmatch(cell)
    if match is None:
        return cell.casefold(), ""
    return " ".join(match.group(1).casefold().split()), (match.group(2) or "").strip()


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
        odd = [name for name in names if name not in {*known, *_OTHER}]
        guess = next((nearest(name, known) for name in odd if nearest(name, known)), "")
        raise ReadingsError(
            f"no column for {' and '.join(missing)} among: {', '.join(names)}",
            where=where,
            allowed=f'"{taps[0]}" or "injected", "{taps[-1]}" or "returned", units in brackets: returned [mA]',
            todo=f'write "{guess}"' if guess else "name the columns in the first row",
        )
    return {tap: columns[tap] for tap in taps if tap in columns}


def _at(numbered: tuple[int, list[str]], column: int) -> tuple[int, str]:
    number, row = numbered
    return number, row[column].strip() if column < len(row) else ""


def _cell(path: Path, number: int, row: list[str], column: int, unit: str, to_unit: str) -> float:
    _, text = _at((number, row), column)
    if text in {"", "-", "--"}:
        return float("nan")
    try:
        value = entry(text, unit)
        if not is_alike(unit, to_unit):
            raise InputError(f"{unit} is not a unit of {to_unit}")
    except InputError as error:
        raise ReadingsError(
            error.what, where=f"{path}:{number}", allowed=f"a number in {to_unit}", todo="correct the cell"
        ) from error
    factor, shift = rescale(unit, to_unit)
    return factor * value + shift


def _direction(path: Path, number: int, text: str) -> str:
    words = {"up": "up", "u": "up", "upscale": "up", "rising": "up", "down": "down", "d": "down"}
    words |= {"downscale": "down", "falling": "down"}
    if text.casefold() not in words:
        raise ReadingsError(f'"{text}" is no direction', where=f"{path}:{number}", allowed="up or down")
    return words[text.casefold()]


def _whole(path: Path, number: int, text: str) -> int:
    if not text.isdigit() or len(text) > 4:
        raise ReadingsError(f'"{text}" is no cycle', where=f"{path}:{number}", allowed="1, 2, 3 ...")
    return int(text)


def _points(x_pct: FloatArray) -> tuple[list[int], dict[int, float]]:
    """Index of the point each input belongs to: inputs less than 1 % of span apart are one point."""
    known = np.sort(x_pct[~np.isnan(x_pct)])
    if not known.size:
        raise ReadingsError("no input was given", todo="fill the column of the first tap")
    starts = known[np.concatenate(([True], np.diff(known) > 1.0))]
    points = np.clip(np.searchsorted(starts, np.nan_to_num(x_pct, nan=starts[0]), side="right") - 1, 0, None)
    means = {int(point): float(x_pct[(points == point) & ~np.isnan(x_pct)].mean()) for point in set(points.tolist())}
    return [int(point) for point in points], means


def _order(x_pct: FloatArray) -> tuple[list[str], list[int], list[str]]:
    """Direction, cycle and role of each row from the order of the inputs; direction "" where it tells nothing."""
    directions, roles = ["up"] * len(x_pct), ["reading"] * len(x_pct)
    going, turns = "", 0
    for index in range(1, len(x_pct)):
        step = x_pct[index] - x_pct[index - 1]
        if abs(step) <= 1.0:  # not moved: a repeat, or at a turning point the end pair
            directions[index] = directions[index - 1]
            continue
        now = "up" if step > 0 else "down"
        if going and now != going:
            turns += 1
            if roles[index - 1] == "reading" and index >= 2 and abs(x_pct[index - 1] - x_pct[index - 2]) <= 1.0:
                roles[index - 1], directions[index - 1] = "end pair", now
        going = now
        directions[index] = now
    if len(x_pct) > 3 and turns > len(x_pct) / 3:  # no traverse to be seen
        points, _ = _points(x_pct)
        return [""] * len(x_pct), [points[: index + 1].count(point) for index, point in enumerate(points)], roles
    if going == "down" and turns == 0:
        directions = ["down"] * len(x_pct)
    return directions, _cycles(directions, roles), roles


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
