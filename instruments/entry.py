"""What a person types as a reading: the number in it, and what is doubted of it."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from instruments.texts import to_digits
from instruments.units import is_alike, magnitude, quantity

__all__ = ["OVERLOAD", "Doubt", "Doubting", "entry"]

_BARE = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
# Between thousands: blanks (plain, thin, no-break) and apostrophes.
_BETWEEN = " \N{THIN SPACE}\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}'\N{RIGHT SINGLE QUOTATION MARK}"
_GROUPED = re.compile(rf"[+-]?[0-9]{{1,3}}(?:[{_BETWEEN}][0-9]{{3}})+(?![0-9])")
OVERLOAD = {"ol", "o.l", "o.l.", "0l", "0.l", "overload"}  # as displays show it


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """A reading that looks like a slip: which kind, what is told of it, and whether going on could do harm."""

    kind: str
    text: str
    is_unsafe: bool = False


Doubting: TypeAlias = Callable[[float, str], Doubt | None]  # of a value, and how it was typed


def entry(text: str, unit: str) -> float:
    """The number that a person typed, with or without its unit; a single comma is taken for the decimal point.

    Thousands may be divided by blanks or apostrophes ("12 050", "12'050"), not by points or commas.

    Raises:
        InputError: no number, or a unit of another dimension.
    """
    typed = text.strip()
    if grouped := _GROUPED.match(typed):
        typed = re.sub(r"[^0-9+-]", "", grouped[0]) + typed[grouped.end() :]
    if typed.count(",") == 1 and "." not in typed:
        typed = typed.replace(",", ".")
    if _BARE.fullmatch(typed):
        typed = f"{typed} {unit}"
    level = quantity(typed, like=unit)
    value = magnitude(level, unit)
    if value == level.magnitude:  # in the unit asked for: to the last digit as it was typed
        return value
    return to_digits(value, scale=abs(value) + 273.15 if is_alike(unit, "K") else 0.0)  # changed by way of kelvin
