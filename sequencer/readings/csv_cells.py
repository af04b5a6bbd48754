"""What the cells of a table of readings taken by hand mean: values, directions, cycles, and where nothing was read."""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from instruments.datasheet import Tap
from instruments.entry import OVERLOAD, entry
from instruments.errors import InputError, ReadingsError, shortened
from instruments.texts import to_digits
from instruments.unit_names import USUAL
from instruments.units import canonical, is_alike, mismatch, rescale
from sequencer.readings.decimal_marks import MARKS, decimal_mark, is_either, stated_marks, with_point
from sequencer.readings.heading_words import DOWN, UP, folded

__all__ = ["LONGEST_CELL", "TapColumn", "is_unread", "meanings", "tap_column"]

LONGEST_CELL = 60  # longer ones take patterns and the parser of units more time than a number is worth
_PER_MINUTE = re.compile(r"(?:(?<![0-9])1|U|r|rev)?\s?/\s?min|min(?:\^|\*\*)?(?:-1|\u207b\u00b9)", re.IGNORECASE)
_IN_NUMBERS = set("0123456789.,+-eE '\u2019\u2009\u00a0\u202f")
_BESIDE_FRAC = 0.1  # of the range: what lies further out is no reading of this tap
_BLANK = {"", "-", "--", "\u2013", "\u2014"}
_DIRECTIONS = {"up": {*UP, "u", "+", "\u2191"}, "down": {*DOWN, "d", "\u2193"}}
_MOST_WORDS = 3
_MOST_DIGITS = 4
_MINUS = {"-", "\u2212", "\u2013"}
_UNREAD = OVERLOAD | {"over", "overflow", "over range", "overrange", "ovl", "ovld", "err", "error", "n/a", "n.a."}


@dataclass(frozen=True, slots=True, kw_only=True)
class TapColumn:
    """The column of a tap: where the table is, the heading as it was written, its unit (else the tap's), the tap."""

    path: str
    written: str
    unit: str
    spec: Tap

    def wrong_unit(self, line: int) -> ReadingsError | None:
        """What is wrong with the unit of the heading, in that line, and which would do; None if nothing is."""
        unit, spec = self.unit, self.spec
        try:
            if _PER_MINUTE.fullmatch(unit):  # of a tap in Hz, say
                wrong = f"{unit} may be a speed here, or pulses per minute"
            elif self._is_share(unit) and self._is_humidity:
                wrong = "% may be %RH here, or % of the range"
            elif self._is_share(unit) or is_alike(unit, spec.unit) or is_alike(unit, spec.reading_unit):
                return None
            else:
                wrong = f"{unit} is not a unit of {spec.unit}"
        except InputError as error:  # no unit at all
            wrong = error.what
        return ReadingsError(
            f'{wrong} (heading "{self.written}")',
            where=f"{self.path}:{line}",
            allowed=_units_of(spec),
            todo=_unit_todo(unit, spec),
        )

    @property
    def is_in_its_unit(self) -> bool:
        """Whether the unit of the heading is one of the quantity at the tap, and no share of its range."""
        return _is_unit_of(self.unit, self.spec.unit) and not self._is_share(self.unit)

    @property
    def _is_humidity(self) -> bool:
        """A tap in %RH where a % of its range is another number."""
        return _is_unit_of(self.spec.unit, "%RH") and (self.spec.low, self.spec.high) != (0.0, 100.0)

    def plain(
        self, cells: list[tuple[int, str]], table: frozenset[str], faults: list[tuple[int, ReadingsError]]
    ) -> list[tuple[int, str]]:
        """Cells, with their lines, as numbers with a decimal point and undivided thousands; as they are where none is.

        Args:
            cells: as written.
            table: decimal marks that are in use in the whole table.
            faults: takes what may be either, and nothing tells which.
        """
        column = stated_marks(cell for _, cell in cells)
        known = next((marks for marks in (column, table) if len(marks) == 1), frozenset[str]())
        found = []
        for line, cell in cells:
            mark = decimal_mark(cell)
            if is_either(cell) and not (mark := self._mark(cell, known)):
                ways = [with_point(cell, each) for each in ",."]
                wrong = ReadingsError(
                    f'"{cell}" may be {ways[0]} or {ways[1]} (column "{self.written}")',
                    where=f"{self.path}:{line}",
                    allowed="thousands undivided, or divided by blanks or apostrophes",
                    # A digit more behind the point leaves no doubt.
                    todo=f"write {', or '.join(f'{each}0' if '.' in each else each for each in ways)}",
                )
                faults.append((line, wrong))
            found.append((line, with_point(cell, mark) if mark else cell))
        return found

    def _mark(self, cell: str, known: frozenset[str]) -> str:
        """The decimal mark of a number that may have either; "" where nothing tells it, or what does is contradicted.

        Args:
            cell: as written.
            known: the one mark that the column or the table has; empty = none, or both.
        """
        (own,) = MARKS & set(cell)
        (other,) = MARKS - {own}
        if known == {own}:
            return own
        as_decimals, as_thousands = (self._is_in_range(with_point(cell, mark)) for mark in (own, other))
        if known:
            return "" if as_decimals and not as_thousands else other
        return "" if as_decimals and as_thousands else other if as_thousands else own

    def _is_in_range(self, cell: str) -> bool:
        (value,) = self.values([(0, cell)], [])
        return -_BESIDE_FRAC <= float(self.spec.fraction(np.array(value))) <= 1 + _BESIDE_FRAC

    def values(self, cells: list[tuple[int, str]], faults: list[tuple[int, ReadingsError]]) -> list[float]:
        """Cells as `plain` gives them, with their lines, as values; NaN where nothing was read, or at fault.

        They may hold what the instrument showed, such as volts across a shunt, or ohms; a % is one of the tap's range.
        """
        unit = self.spec.unit if self._is_share(self.unit) else self.unit
        is_shown = not _is_unit_of(unit, self.spec.unit)
        to_unit = self.spec.reading_unit if is_shown else self.spec.unit
        factor, shift = rescale(unit, to_unit)
        readings, shares = np.full((2, len(cells)), math.nan)
        for index, (line, cell) in enumerate(cells):
            try:
                if self._is_share(self.with_unit(cell)) and not self._is_humidity:
                    shares[index] = entry(cell, "%") / 100
                else:
                    readings[index] = factor * self._number(cell, unit) + shift
            except InputError as error:
                said = error.what if cell in error.what else f'"{shortened(cell)}": {error.what}'
                wrong = ReadingsError(
                    f'{said} (column "{self.written}")',
                    where=f"{self.path}:{line}",
                    allowed=f"a number in {to_unit}",
                    todo="correct the cell",
                )
                faults.append((line, wrong))
        typed = np.where(np.isnan(shares), readings, self.spec.value(shares))
        values = np.where(np.isnan(shares) & is_shown, self.spec.from_reading(readings), self.spec.from_typed(typed))
        found = [float(value) for value in values]
        is_as_typed = not is_shown and (factor, shift) == (1.0, 0.0) and self.spec.certified is None
        return found if is_as_typed else [to_digits(value) for value in found]

    def with_unit(self, cell: str) -> str:
        """A cell with the unit that it stands in; as it is where it has one of its own, or holds no reading."""
        is_bare = bool(cell) and not is_unread(cell) and not set(cell) - _IN_NUMBERS
        return f"{cell} {self.unit}" if is_bare else cell

    def _is_share(self, text: str) -> bool:
        """True if a unit, or a cell with its unit, is in % and the tap is not."""
        return text.endswith("%") and not _is_unit_of("%", self.spec.unit)

    def _number(self, cell: str, unit: str) -> float:
        if cell in _BLANK or is_unread(cell):
            return math.nan
        typed = cell if len(cell) <= LONGEST_CELL else f"{cell[:20]}..."
        return entry(_PER_MINUTE.sub(" rpm", typed) if _is_unit_of(unit, "rpm") else typed, unit)


def tap_column(*, path: str, written: str, unit: str, spec: Tap) -> TapColumn:
    """The column of a tap by its heading; the unit of the tap where the heading has none, "1/min" of a speed as rpm."""
    is_speed = _is_unit_of(spec.unit, "rpm") and _PER_MINUTE.fullmatch(unit) is not None
    return TapColumn(path=path, written=written, unit="rpm" if is_speed else unit or spec.unit, spec=spec)


def _unit_todo(unit: str, spec: Tap) -> str:
    if _is_unit_of(unit, "V") and _is_unit_of(spec.reading_unit, "A"):
        shunt = "correction: {shunt: 250 ohm, measured: 249.97 ohm, uncertainty: 20 mohm}"
        return f'read across a shunt? add {shunt} to "{spec.name}" in the type sheet; or correct the heading'
    return f"correct the heading, or the type sheet{_why(unit, spec.unit)}"


def _why(unit: str, to_unit: str) -> str:
    try:
        return mismatch(unit, to_unit)
    except InputError:
        return ""


def _units_of(spec: Tap) -> str:
    """Units that a column of a tap may stand in."""
    own = (spec.unit, spec.reading_unit)
    usual = (unit for unit in USUAL if any(_is_unit_of(unit, each) and canonical(unit) != each for each in own))
    share = () if _is_unit_of("%", spec.unit) else ("% of the range",)
    return ", ".join(dict.fromkeys((*own, *usual, *share)))


def _is_unit_of(unit: str, to_unit: str) -> bool:
    try:
        return is_alike(unit, to_unit)
    except InputError:
        return False


def meanings(path: str, name: str, cells: list[tuple[int, str]], faults: list[tuple[int, ReadingsError]]) -> list[str]:
    """The cells of the column "direction" or "cycle", with their lines, as what they mean; one fault at most."""
    is_signed = any(cell == "+" for _, cell in cells)  # else "-" may as well stand for nothing
    found = ["down" if is_signed and cell in _MINUS else _MEANINGS[name](cell) for _, cell in cells]
    if wrong := [cell for cell, meant in zip(cells, found, strict=True) if not meant]:
        faults.append((wrong[0][0], _misread(path, name, wrong)))
    return found


def _misread(path: str, name: str, wrong: list[tuple[int, str]]) -> ReadingsError:
    """One error for all cells of a column that say nothing."""
    words = list(dict.fromkeys(f'"{shortened(cell)}"' for _, cell in wrong))
    more = len(words) - _MOST_WORDS
    listed = ", ".join(words[:_MOST_WORDS]) + (f" and {more} more" if more > 0 else "")
    is_not = f"is no {name}" if len(words) == 1 else f"are no {name}s"
    rows = f" ({len(wrong)} rows)" if len(wrong) > 1 else ""
    allowed, todo = _STATED[name]
    return ReadingsError(f"{listed} {is_not}{rows}", where=f"{path}:{wrong[0][0]}", allowed=allowed, todo=todo)


def is_unread(cell: str) -> bool:
    """True if a cell says that there was no reading, as displays and people write it; blanks and dashes are silent."""
    return cell.casefold().lstrip("+-") in _UNREAD or (len(cell) > 2 and not cell.strip("-–—"))


def _direction(text: str) -> str:
    word = folded(text)
    return next((direction for direction, words in _DIRECTIONS.items() if word in words), "")


def _whole(text: str) -> str:
    return text if text.isdecimal() and len(text) <= _MOST_DIGITS else ""


_MEANINGS: dict[str, Callable[[str], str]] = {"direction": _direction, "cycle": _whole}
_STATED = {
    "direction": ("up or down, also as German, French, Spanish, Italian or Dutch has it", "write up or down"),
    "cycle": ("1, 2, 3 ...", ""),
}
