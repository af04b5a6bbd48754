"""Errors and expected outputs that stand in a table, held against ours: who is wrong shows at once, and why.

An error may be meant in % of span, in % of the reading that is expected, or in the unit of the output; what most rows
agree with is what was meant.
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from instruments.datasheet import DataSheet, FloatArray
from instruments.errors import InputError
from instruments.texts import sized
from instruments.units import is_alike, rescale
from sequencer.readings.csv_plausibility import Row, stated_pct
from sequencer.readings.decimal_marks import figures
from sequencer.readings.headings import Heading

__all__ = ["fits_outputs", "stated_errors", "stated_outputs"]

_MOST_TOLD = 3
_AT_SETPOINT = ", at the setpoint"
_AGREE_SHARE = 0.5  # of the rows: then it is that error which was meant
_HALF_DIGITS = 1.05  # of the last digit of the column and of what it was worked out from


def stated_outputs(column: Heading, cells: Sequence[str], rows: Sequence[Row], sheet: DataSheet) -> dict[int, str]:
    """A remark at each row whose expected output is another than that of the type sheet.

    Args:
        column: of the expected outputs.
        cells: one a row.
        rows: a value at the first tap in each.
        sheet: the unit.
    """
    last = sheet.taps[-1]
    given, ideal, off = _outputs(column, cells, rows, sheet)
    wrong = np.flatnonzero(off > 0).tolist()
    texts = [
        (rows[at].line, f"{sized(given[at], 6)} {last.unit} is expected, by the type sheet {sized(ideal[at], 6)}")
        for at in wrong
    ]
    return _told(column, texts)


def fits_outputs(column: Heading, cells: Sequence[str], rows: Sequence[Row], sheet: DataSheet) -> bool:
    """Whether most numbers of a column are the outputs that the type sheet expects; arguments as `stated_outputs`."""
    given, _, off = _outputs(column, cells, rows, sheet)
    is_stated = np.isfinite(given)
    return bool((off[is_stated] <= 0).sum() > _AGREE_SHARE * max(is_stated.sum(), 1))


def _outputs(
    column: Heading, cells: Sequence[str], rows: Sequence[Row], sheet: DataSheet
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Outputs that a column states, those of the type sheet, and how much farther they are apart than digits let them.

    People expect them of the setpoint as well as of the input that they read; the one that is closer is meant.
    """
    last = sheet.taps[-1]
    ideal, nominal = _ideals(rows, sheet)
    values, places = _numbers(cells)
    factor, shift = _to(column.unit, last.unit)
    shares = column.unit.startswith("%") and last.unit != "%"
    given = last.value(values / 100) if shares else factor * values + shift
    apart = np.fmin(np.abs(given - ideal), np.abs(given - nominal))
    return given, ideal, apart - _allowed(places * (abs(last.span) / 100 if shares else factor))


def stated_errors(
    column: Heading, cells: Sequence[str], rows: Sequence[Row], sheet: DataSheet
) -> tuple[str, dict[int, str]]:
    """What the errors of a column are meant in ("" = like none), and a remark at each row where ours is another.

    Args:
        column: of the errors.
        cells: one a row.
        rows: a value at the first tap in each.
        sheet: the unit.
    """
    last = sheet.taps[-1]
    ideal, nominal = _ideals(rows, sheet)
    output = np.array([row.value(last.name) for row in rows])
    values, places = _numbers(cells)
    ways = dict(_ways(column.unit, output - ideal, ideal, sheet))
    if np.isfinite(nominal).any():  # people take the error of the setpoint as well
        at_setpoint = _ways(column.unit, output - nominal, nominal, sheet)
        ways |= {f"{name}{_AT_SETPOINT}": errors for name, errors in at_setpoint.items()}
    if not ways or not np.isfinite(values).any():
        return "", {}
    rounding = {
        name: _allowed(places) + _rounding(rows, last.name, name.removesuffix(_AT_SETPOINT), ideal, sheet)
        for name in ways
    }
    is_known = np.isfinite(values) & np.isfinite(output)
    agree = {name: np.abs(values - ours) <= rounding[name] for name, ours in ways.items()}
    opposite = {name: np.abs(values + ours) <= rounding[name] for name, ours in ways.items()}
    best = max(agree, key=lambda name: int(agree[name][is_known].sum()))
    if opposite[best][is_known].sum() > max(agree[best][is_known].sum(), _AGREE_SHARE * is_known.sum()):
        text = f'column "{column.written}" is expected less measured; errors here are measured less expected'
        return best, {rows[0].line: text}
    if agree[best][is_known].sum() < _AGREE_SHARE * is_known.sum():
        at = int(np.argmax(is_known & ~agree[best]))
        ours = ", ".join(f"{sized(ways[name][at], 3)} {name}" for name in ways if not name.endswith(_AT_SETPOINT))
        text = f'column "{column.written}" is none of our errors: line {rows[at].line} says {cells[at]}, ours is {ours}'
        return "", {rows[0].line: text}
    wrong = np.flatnonzero(is_known & ~agree[best]).tolist()
    texts = [(rows[at].line, f"it says {cells[at]}, ours is {sized(ways[best][at], 3)} {best}") for at in wrong]
    return best, _told(column, texts)


def _ideals(rows: Sequence[Row], sheet: DataSheet) -> tuple[FloatArray, FloatArray]:
    """The output of each row by the type sheet, for the input that was read and for the setpoint (NaN = none)."""
    first = sheet.taps[0]
    pct = stated_pct(rows, first)
    setpoints = first.value(np.array([pct.get(row.line, math.nan) for row in rows]) / 100)
    return sheet.ideal(np.array([row.value(first.name) for row in rows])), sheet.ideal(setpoints)


def _ways(unit: str, error: FloatArray, ideal: FloatArray, sheet: DataSheet) -> Mapping[str, FloatArray]:
    """The errors of the rows, in each way that a unit leaves open."""
    last = sheet.taps[-1]
    span_pct = 100 * error / last.span
    with np.errstate(divide="ignore", invalid="ignore"):
        reading_pct = np.where(ideal == 0, math.nan, 100 * error / ideal)
    own = {last.unit: error}
    shares = {"% of span": span_pct, "% of reading": reading_pct}
    if not unit:
        return {**shares, **own}
    if unit.startswith("%"):
        is_said = [name for name in shares if name.split()[-1] in unit.casefold()]
        return {is_said[0]: shares[is_said[0]]} if len(is_said) == 1 else shares
    try:
        if is_alike(unit, last.unit):
            return {unit: error / rescale(unit, last.unit)[0]}
    except InputError:
        pass
    return {}


def _rounding(rows: Sequence[Row], tap: str, name: str, ideal: FloatArray, sheet: DataSheet) -> FloatArray:
    """What the last digit of the output, as written, is worth in the error."""
    places = np.array([_place(figures(row.plain.get(tap, ""))) for row in rows]) / 2
    if name == "% of span":
        return np.asarray(100 * places / abs(sheet.taps[-1].span))
    if name == "% of reading":
        return np.asarray(100 * places / np.maximum(np.abs(ideal), 1e-300))
    return places


def _numbers(cells: Sequence[str]) -> tuple[FloatArray, FloatArray]:
    """Values of cells, NaN where there is none, and the place of their last digit."""
    typed = [figures(cell) for cell in cells]
    return np.array([float(each or "nan") for each in typed]), np.array([_place(each) for each in typed])


def _place(number: str) -> float:
    """The place of the last digit of a number as written: 0.01 of "12.05"."""
    mantissa, _, power = number.lower().partition("e")
    return float(10.0 ** (int(power or 0) - len(mantissa.partition(".")[2])))


def _allowed(places: FloatArray) -> FloatArray:
    return np.asarray(_HALF_DIGITS * places / 2)


def _to(unit: str, to_unit: str) -> tuple[float, float]:
    try:
        return rescale(unit, to_unit) if unit and not unit.startswith("%") else (1.0, 0.0)
    except InputError:
        return 1.0, 0.0


def _told(column: Heading, texts: Sequence[tuple[int, str]]) -> dict[int, str]:
    shown = texts if len(texts) <= _MOST_TOLD else texts[:1]
    more = f"; so in {len(texts) - 1} more lines, to line {texts[-1][0]}" if len(texts) > _MOST_TOLD else ""
    return {line: f'line {line}, column "{column.written}": {text}{more}' for line, text in shown}
