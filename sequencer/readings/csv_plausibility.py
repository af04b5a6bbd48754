"""What contradicts itself in a table of readings taken by hand: decimal marks, and setpoints against the inputs.

Each is said with its line, no value is changed. Whether a reading is a slip is for the causes to say, which weigh it
against what the unit may do (`diagnosis/model/slips.py`).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from instruments.datasheet import DataSheet, FloatArray, Tap
from instruments.entry import entry
from instruments.errors import InputError
from sequencer.readings.decimal_marks import MARKS

__all__ = ["Row", "Setpoints", "setpoint_column", "stated_pct", "table_doubts"]

_MOST_OF_A_KIND = 3
_OFF_PCT = 2.0  # of the range: a setpoint column is held against the input no closer
_MOST_OFF_SHARE = 0.5  # of the rows; with more of them it is a column of something else
_BESIDE_PCT = 10.0  # an input so far outside the range is the likelier slip
_WIDE_PCT = 50.0  # of the range: setpoints that fit no input are setpoints if they cover so much of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row as it was written.

    Attributes:
        line: in the file.
        values: at each tap, NaN = empty.
        cells: as written, with their units.
        plain: the same with a decimal point and undivided thousands.
        setpoint: what stands in the column of setpoints.
    """

    line: int
    values: Mapping[str, float]
    cells: Mapping[str, str]
    plain: Mapping[str, str] = field(default_factory=dict)
    setpoint: str = ""

    def value(self, tap: str) -> float:
        """What stands at a tap, NaN = nothing."""
        return self.values[tap]


def table_doubts(rows: Sequence[Row], sheet: DataSheet) -> dict[int, str]:
    """What contradicts itself in a table, by line of the row that it is reported at.

    Args:
        rows: in the order taken; a value at the first tap in each.
        sheet: the unit.
    """
    found = [*_commas(rows, sheet), *_setpoints(rows, sheet.taps[0])]
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


def _commas(rows: Sequence[Row], sheet: DataSheet) -> Iterator[tuple[int, str, str]]:
    """A column where some numbers have a decimal comma and others a point."""
    for tap in sheet.taps:
        lines = {mark: [row.line for row in rows if _decimal_mark(row, tap.name) == mark] for mark in sorted(MARKS)}
        if all(lines.values()):
            mark, name = (",", "comma") if len(lines[","]) <= len(lines["."]) else (".", "point")
            text = f"decimal comma and decimal point are mixed at {tap.name} (here a {name}): is it one number"
            yield lines[mark][0], f"commas {tap.name}", f"{text}, or are thousands divided?"


def _decimal_mark(row: Row, tap: str) -> str:
    """The mark that was taken for the one of the decimals; "" where there are none."""
    typed = row.cells.get(tap, "")
    return max(MARKS, key=typed.rfind) if "." in row.plain.get(tap, "") and MARKS & set(typed) else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setpoints:
    """The column of setpoints: the rows that have one, its unit as it fits the inputs best, and how far it is off them.

    Attributes:
        rows: that hold a number there.
        values: as written.
        unit: "%" of the range, or that of the input.
        pct: the same in % of the range.
        off_pct: how far the input lies off each.
    """

    rows: tuple[Row, ...]
    values: FloatArray
    unit: str
    pct: FloatArray
    off_pct: FloatArray

    @property
    def is_off(self) -> "np.typing.NDArray[np.bool_]":
        """Rows whose input contradicts it."""
        return self.off_pct > _OFF_PCT

    @property
    def fits(self) -> bool:
        """Whether it has to do with the inputs at all."""
        return bool(self.is_off.mean() <= _MOST_OFF_SHARE)


def setpoint_column(rows: Sequence[Row], first: Tap) -> Setpoints | None:
    """The setpoints that stand in a table, in % of the range or in its unit; None where there are none, or no fit."""
    found = _read_setpoints(rows, first)
    return found if found is not None and found.fits else None


def stated_pct(rows: Sequence[Row], first: Tap) -> dict[int, float]:
    """By line, the setpoint that stands there, in % of the range; also where the inputs contradict the whole column."""
    found = _read_setpoints(rows, first)
    if found is None:
        return {}
    pct = found.pct
    if not found.fits:
        ways = (found.values, 100 * first.fraction(found.values))
        inside = [way for way in ways if (np.abs(way - 50) <= 50 + _BESIDE_PCT).all() and np.ptp(way) >= _WIDE_PCT]
        if not inside:
            return {}
        pct = max(inside, key=np.ptp)
    return {row.line: float(each) for row, each in zip(found.rows, pct, strict=True)}


def _read_setpoints(rows: Sequence[Row], first: Tap) -> Setpoints | None:
    stated: list[tuple[Row, float]] = []
    for row in rows:
        try:
            stated.append((row, entry(row.setpoint.replace("%", "").strip(), first.unit)))
        except InputError:
            continue  # no number, so nothing to hold against the input
    if len(stated) < 2:
        return None
    inputs = 100 * first.fraction(np.array([row.values[first.name] for row, _ in stated]))
    values = np.array([value for _, value in stated])
    ways = {"%": values, first.unit: 100 * first.fraction(values)}
    unit, pct = min(ways.items(), key=lambda way: -int((np.abs(way[1] - inputs) <= _OFF_PCT).sum()))
    return Setpoints(
        rows=tuple(row for row, _ in stated), values=values, unit=unit, pct=pct, off_pct=np.abs(pct - inputs)
    )


def _setpoints(rows: Sequence[Row], first: Tap) -> Iterator[tuple[int, str, str]]:
    """Setpoints that contradict the input."""
    stated = _read_setpoints(rows, first)
    if stated is None:
        return
    if not stated.fits:
        yield stated.rows[0].line, "setpoint", "the column of setpoints fits the inputs neither in % nor in their unit"
        return
    for row, value, is_wrong in zip(stated.rows, stated.values, stated.is_off, strict=True):
        if is_wrong:
            pct = 100 * float(first.fraction(np.array(row.values[first.name])))
            given = f"{row.cells[first.name]} at {first.name} is {pct:.4g} % of the range"
            yield row.line, "setpoint", f"{given}, but the setpoint is {value:g} {stated.unit}: which is right?"
