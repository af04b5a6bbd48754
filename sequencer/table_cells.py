"""What the cells of a table of readings taken by hand mean: values, directions, cycles, and where nothing was read."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from instruments.datasheet import Tap
from instruments.errors import InputError, ReadingsError, shortened
from instruments.keyed import OVERLOAD, entry
from instruments.units import canonical, is_alike, rescale

__all__ = ["LONGEST_CELL", "TapColumn", "is_unread", "meanings"]

LONGEST_CELL = 60  # longer ones take patterns and the parser of units more time than a number is worth
_USUAL_UNITS = (
    "mA",
    "A",
    "mV",
    "V",
    "Hz",
    "kHz",
    "rpm",
    "ohm",
    "kohm",
    "degC",
    "degF",
    "K",
    "mbar",
    "bar",
    "kPa",
    "psi",
)
_BLANK = {"", "-", "--"}
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
            if is_alike(unit, spec.unit) or is_alike(unit, spec.reading_unit):
                return None
            wrong = f"{unit} is not a unit of {spec.unit}"
        except InputError as error:  # no unit at all
            wrong = error.what
        return ReadingsError(
            f'{wrong} (heading "{self.written}")',
            where=f"{self.path}:{line}",
            allowed=_units_of(spec),
            todo=_unit_todo(unit, spec),
        )

    def values(self, cells: list[tuple[int, str]], faults: list[tuple[int, ReadingsError]]) -> list[float]:
        """Cells, with their lines, as values; NaN where nothing was read, or at fault.

        They may hold what the instrument showed, such as volts across a shunt, or ohms.
        """
        is_shown = not _is_unit_of(self.unit, self.spec.unit)
        to_unit = self.spec.reading_unit if is_shown else self.spec.unit
        factor, shift = rescale(self.unit, to_unit)
        found = []
        for line, cell in cells:
            try:
                found.append(factor * self._number(cell) + shift)
            except InputError as error:
                found.append(math.nan)
                said = error.what if cell in error.what else f'"{shortened(cell)}": {error.what}'
                wrong = ReadingsError(
                    f'{said} (column "{self.written}")',
                    where=f"{self.path}:{line}",
                    allowed=f"a number in {to_unit}",
                    todo="correct the cell",
                )
                faults.append((line, wrong))
        return self.spec.from_reading(np.array(found)).tolist() if is_shown else found

    def with_unit(self, cell: str) -> str:
        """A cell with the unit that it stands in; as it is where it has one of its own, or holds no reading."""
        is_bare = bool(cell) and not is_unread(cell) and not set(cell) - set("0123456789.,+-eE ")
        return f"{cell} {self.unit}" if is_bare else cell

    def _number(self, cell: str) -> float:
        if cell in _BLANK or is_unread(cell):
            return math.nan
        return entry(cell if len(cell) <= LONGEST_CELL else f"{cell[:20]}...", self.unit)


def _unit_todo(unit: str, spec: Tap) -> str:
    if _is_unit_of(unit, "V") and _is_unit_of(spec.reading_unit, "A"):
        shunt = "correction: {shunt: 250 ohm, measured: 249.97 ohm, uncertainty: 20 mohm}"
        return f'read across a shunt? add {shunt} to "{spec.name}" in the type sheet; or correct the heading'
    return "correct the heading, or the type sheet"


def _units_of(spec: Tap) -> str:
    """Units that a column of a tap may stand in."""
    own = (spec.unit, spec.reading_unit)
    usual = (unit for unit in _USUAL_UNITS if any(_is_unit_of(unit, each) and canonical(unit) != each for each in own))
    return ", ".join(dict.fromkeys((*own, *usual)))


def _is_unit_of(unit: str, to_unit: str) -> bool:
    try:
        return is_alike(unit, to_unit)
    except InputError:
        return False


def meanings(path: str, name: str, cells: list[tuple[int, str]], faults: list[tuple[int, ReadingsError]]) -> list[str]:
    """The cells of the column "direction" or "cycle", with their lines, as what they mean."""
    found = []
    for line, cell in cells:
        try:
            found.append(_MEANINGS[name](f"{path}:{line}", cell))
        except ReadingsError as error:
            faults.append((line, error))
    return found


def is_unread(cell: str) -> bool:
    """True if a cell says that there was no reading, as displays and people write it; blanks and dashes are silent."""
    return cell.casefold().lstrip("+-") in _UNREAD or (len(cell) > 2 and not cell.strip("-–—"))


def _direction(where: str, text: str) -> str:
    words = {"up": "up", "u": "up", "upscale": "up", "rising": "up", "down": "down", "d": "down"}
    words |= {"downscale": "down", "falling": "down"}
    if text.casefold() not in words:
        raise ReadingsError(f'"{text}" is no direction', where=where, allowed="up or down")
    return words[text.casefold()]


def _whole(where: str, text: str) -> str:
    if not text.isdecimal() or len(text) > 4:
        raise ReadingsError(f'"{text}" is no cycle', where=where, allowed="1, 2, 3 ...")
    return text


_MEANINGS: dict[str, Callable[[str, str], str]] = {"direction": _direction, "cycle": _whole}
