"""Slips in a table of readings taken by hand: decimal points, transposed digits, swapped or copied rows, setpoints.

Each is said with its line, no value is changed. What a run asks about on the spot (`doubts.py`) is told here.
"""

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from instruments.datasheet import DataSheet, Tap
from instruments.entry import entry
from instruments.errors import InputError
from sequencer.readings.plausibility import REMEMBERED, Expectation, Seen, doubt, slips

__all__ = ["Row", "table_doubts"]

_MOST_OF_A_KIND = 3
_MOST_LOOKED_INTO = 200  # rows of one tap that are off; with more of them it is no matter of slips
_OFF_PCT = 2.0  # of the range: a setpoint column is held against the input no closer
_BESIDE_PCT = 10.0  # an input so far outside the range is the likelier slip
_BY_LUCK = {"far", "transposed digits", "row", "channel"}  # what the error of a unit may look like at one point
_SLIPS = (0.1, 10.0, 0.01, 100.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row as it was written: line, value of each tap (NaN = empty), the cell with its unit, the setpoint's cell."""

    line: int
    values: Mapping[str, float]
    cells: Mapping[str, str]
    setpoint: str = ""


def table_doubts(rows: Sequence[Row], sheet: DataSheet) -> dict[int, str]:
    """What looks like a slip, by line of the row that it is told at.

    Args:
        rows: in the order taken; a value at the first tap in each.
        sheet: the unit.
    """
    found = [*_readings(rows, sheet), *_commas(rows, sheet), *_setpoints(rows, sheet.taps[0])]
    kinds: dict[str, list[tuple[int, str]]] = {}
    for line, kind, text in found:
        kinds.setdefault(kind, []).append((line, text))
    told: dict[int, list[str]] = {}
    for same in kinds.values():
        few = same if len(same) <= _MOST_OF_A_KIND else same[:1]
        more = [str(line) for line, _ in same[len(few) :]]
        for line, text in few:
            also = f" So in {len(more)} more lines, to line {more[-1]}." if more else ""
            told.setdefault(line, []).append(f"line {line}: {text}{also}")
    return {line: "; ".join(texts) for line, texts in told.items()}


def _readings(rows: Sequence[Row], sheet: DataSheet) -> Iterator[tuple[int, str, str]]:
    """Line, kind and text of each doubt at a tap behind the first, or else at the input of that row."""
    first = sheet.taps[0]
    inputs = np.array([row.values[first.name] for row in rows])
    expected = {tap.name: sheet.ideal(inputs, last=index) for index, tap in enumerate(sheet.taps)}
    for tap in sheet.taps[1:]:
        if tap.name not in rows[0].values:
            continue
        seen: deque[Seen] = deque(maxlen=REMEMBERED)
        off_n = 0
        ideals = expected[tap.name].tolist()
        offs = [row.values[tap.name] - ideal for row, ideal in zip(rows, ideals, strict=True)]
        swapped = _swapped(rows, tap, expected[tap.name])
        for index, row in enumerate(rows):
            value, ideal = row.values[tap.name], ideals[index]
            if np.isnan(value) or off_n > _MOST_LOOKED_INTO:
                continue
            at = Expectation(
                signal=ideal,
                low=tap.low,
                high=tap.high,
                unit=tap.unit,
                others={each: float(levels[index]) for each, levels in expected.items() if each != tap.name},
                neighbours=(*ideals[max(index - 1, 0) : index], *ideals[index + 1 : index + 2]),
            )
            off_n += abs(value - ideal) > at.allowed
            if index in swapped:
                text = f"{row.cells[tap.name]} and {rows[index + 1].cells[tap.name]} fit the other's row: rows swapped?"
                yield row.line, f"swapped {tap.name}", text
            elif index - 1 not in swapped:
                found = doubt(value, at, seen, typed=row.cells[tap.name])
                is_alone = not _is_smooth(offs, index, at.allowed)
                wrong = _input(row, sheet, tap, at) if is_alone else ""
                if wrong and (found is None or found.kind == "far" or _is_outside(row, first)):
                    yield row.line, f"input {tap.name}", wrong
                elif found is not None and (is_alone or found.kind not in _BY_LUCK):
                    yield row.line, f"{found.kind} {tap.name}", found.text
            seen.append(Seen(ideal, value))


def _is_smooth(offs: Sequence[float], index: int, allowed: float) -> bool:
    """True if the error of a row goes on from those beside it: then it is one of the unit, and no slip."""
    before, after = offs[max(index - 2, 0) : index], offs[index + 1 : index + 3]
    if before and after:
        expected = (before[-1] + after[0]) / 2
    elif len(before) + len(after) == 2:
        near, far = (before[1], before[0]) if before else (after[0], after[1])
        expected = 2 * near - far
    else:
        return False
    return abs(offs[index] - expected) <= allowed


def _swapped(rows: Sequence[Row], tap: Tap, expected: np.ndarray) -> set[int]:
    """First of each two neighbouring rows that fit each other's input and not their own."""
    width = Expectation(signal=0.0, low=tap.low, high=tap.high, unit=tap.unit).allowed
    found: set[int] = set()
    for index, (one, other) in enumerate(pairwise(rows)):
        a, b = one.values[tap.name], other.values[tap.name]
        is_crossed = abs(a - expected[index + 1]) <= width and abs(b - expected[index]) <= width
        if (
            is_crossed
            and min(abs(a - expected[index]), abs(b - expected[index + 1])) > width
            and index - 1 not in found
        ):
            found.add(index)
    return found


def _is_outside(row: Row, first: Tap) -> bool:
    pct = 100 * float(first.fraction(np.array(row.values[first.name])))
    return not -_BESIDE_PCT <= pct <= 100 + _BESIDE_PCT


def _input(row: Row, sheet: DataSheet, tap: Tap, at: Expectation) -> str:
    """What is wrong with the input of a row if a slip in it explains the reading; "" if none does."""
    first, value = sheet.taps[0], row.values[tap.name]
    if abs(value - at.signal) <= at.allowed:
        return ""
    written = row.cells[first.name]
    given = row.values[first.name]
    for factor in _SLIPS:
        if given and _fits(sheet, tap, given * factor, value, at):
            return _input_text(row, sheet, tap, "decimal point", f"{given * factor:.6g} {first.unit}")
    for swapped in slips(written):
        try:
            candidate = entry(swapped, first.unit)
        except InputError:
            continue
        if _fits(sheet, tap, candidate, value, at):
            return _input_text(row, sheet, tap, "two digits transposed", swapped)
    return ""


def _fits(sheet: DataSheet, tap: Tap, candidate: float, value: float, at: Expectation) -> bool:
    names = [each.name for each in sheet.taps]
    ideal = float(sheet.ideal(np.array(candidate), last=names.index(tap.name)))
    is_inside = -1e-9 <= float(sheet.taps[0].fraction(np.array(candidate))) <= 1 + 1e-9
    return is_inside and abs(ideal - value) <= at.allowed / 2


def _input_text(row: Row, sheet: DataSheet, tap: Tap, reason: str, fits: str) -> str:
    first = sheet.taps[0].name
    given, returned = f"{row.cells[first]} at {first}", f"{row.cells[tap.name]} at {tap.name}"
    return f"{given} does not go with {returned}: {reason}? {fits} would fit."


def _commas(rows: Sequence[Row], sheet: DataSheet) -> Iterator[tuple[int, str, str]]:
    """A column where some numbers have a decimal comma and others a point."""
    for tap in sheet.taps:
        lines = {mark: [row.line for row in rows if mark in row.cells.get(tap.name, "")] for mark in ",."}
        if all(lines.values()):
            mark, name = (",", "comma") if len(lines[","]) <= len(lines["."]) else (".", "point")
            text = f"decimal comma and decimal point are mixed at {tap.name} (here a {name}): is it one number"
            yield lines[mark][0], f"commas {tap.name}", f"{text}, or are thousands divided?"


def _setpoints(rows: Sequence[Row], first: Tap) -> Iterator[tuple[int, str, str]]:
    """Setpoints that contradict the input, in % of the range or in its unit, whichever fits more rows."""
    stated: list[tuple[Row, float]] = []
    for row in rows:
        try:
            stated.append((row, entry(row.setpoint.replace("%", "").strip(), first.unit)))
        except InputError:
            continue  # no number, so nothing to hold against the input
    if len(stated) < 2:
        return
    inputs = 100 * first.fraction(np.array([row.values[first.name] for row, _ in stated]))
    values = np.array([value for _, value in stated])
    ways = {"%": np.abs(values - inputs), first.unit: np.abs(100 * first.fraction(values) - inputs)}
    unit, off = min(ways.items(), key=lambda way: -int((way[1] <= _OFF_PCT).sum()))
    is_off = off > _OFF_PCT
    if is_off.mean() > 0.5:
        yield stated[0][0].line, "setpoint", "the column of setpoints fits the inputs neither in % nor in their unit"
        return
    for (row, value), is_wrong, pct in zip(stated, is_off, inputs, strict=True):
        if is_wrong:
            given = f"{row.cells[first.name]} at {first.name} is {pct:.4g} % of the range"
            yield row.line, "setpoint", f"{given}, but the setpoint is {value:g} {unit}: which is right?"
