"""Quantities as people write them, and the one way from a quantity to a number.

pint does the dimensions, by the names in `unit_names`. Here stand the text forms: "12 mA", "4 .. 20 mA",
"0.5 degC + 0.1 % of reading". Speed in rpm has a dimension of its own, so it never becomes a frequency without pulses
per revolution; a temperature difference is never taken for a temperature, nor a gauge for an absolute pressure.
"""

import contextlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, TypeAlias

import pint

from instruments.errors import InputError, shortened
from instruments.sensor_classes import class_of
from instruments.texts import without_rest
from instruments.unit_names import bare, registry, symbol, unit_of

if TYPE_CHECKING:
    Quantity: TypeAlias = pint.Quantity[float]
else:
    Quantity: TypeAlias = pint.Quantity

__all__ = [
    "CLASS",
    "DIGITS",
    "Quantity",
    "Span",
    "Term",
    "Terms",
    "canonical",
    "difference",
    "is_alike",
    "is_width",
    "magnitude",
    "mismatch",
    "quantity",
    "rescale",
    "show",
    "span",
    "terms",
    "width",
]

# [0-9], since \d takes the figures of every script.
_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_QUANTITY = re.compile(rf"\s*({_NUMBER})\s*([^\d\s.,+-].*?)?\s*")
_SPAN = re.compile(rf"\s*({_NUMBER})\s*(\S*?)\s*(?:\.\.\.?|…|–|\bto\b|-(?=\s*[0-9]))\s*({_NUMBER})\s*([^\d\s].*?)?\s*")
_LONGEST = 200
_LARGEST = 1e30  # far beyond any signal, and far from where a change of prefix overflows
_NARROWEST = 1e-30  # what is divided by less overflows
_NARROWEST_FRAC = 1e-12  # of its ends: a range narrower than that is rounding
_OF = re.compile(r"(.+?)\s+of\s+(.+)")
_FULL_SCALE = re.compile(r"%\s*(?:of\s+)?(?:full[\s-]?scale|f\.?s\.?)", re.IGNORECASE)
_ABSOLUTE = re.compile(r"(.*(?:%|percent|ppm))\s+abs(?:olute)?")
_DIGITS = re.compile(rf"({_NUMBER})\s*(?:digits?|dgts?|counts?)", re.IGNORECASE)
_SHARES = {"percent", "ppm"}
_SHARE = re.compile(rf"({_NUMBER}\s*%)\s*[^\W\d].*")
_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")
_THOUSANDS = re.compile(r"(?<=[0-9]),[0-9]{3}(?![0-9])")
DIGITS = "digits"
CLASS = "class"
_BY_NAME = {DIGITS: '"2 digits"', CLASS: '"IEC 60751 class A"'}
_SPAN_FORM = 'two numbers and a unit, such as "4 .. 20 mA"'


def _plain(text: str) -> str:
    """A text with the minus sign of printed data sheets as "-"; raises InputError if it is far too long."""
    if len(text) > _LONGEST:
        raise InputError(f'"{shortened(text)}" is too long', allowed=f"at most {_LONGEST} letters")
    return text.replace("\u2212", "-")


@lru_cache(maxsize=4096)
def canonical(unit: str) -> str:
    """The short symbol of a unit ("ohm" -> "Ω", "degC" -> "°C"); raises InputError if it is none."""
    return symbol(unit_of(unit)) or "1"


def _make(number: str, unit: str) -> Quantity:
    value = float(number)
    if not abs(value) <= _LARGEST:
        raise InputError(f"{shortened(number)} is too large a number", allowed=f"at most {_LARGEST:g}")
    return registry().Quantity(value, unit_of(unit))


def quantity(text: str, *, like: str = "") -> Quantity:
    """A number and its unit, as people write it: "1200 rpm", "50 ms", "23 °C", "5 %".

    Args:
        text: number, then unit.
        like: a unit whose dimension is asked for; "" takes any.

    Raises:
        InputError: no number, no unit, an unknown unit, or another dimension than `like`.
    """
    match = _QUANTITY.fullmatch(_plain(text))
    if match is None:
        meant = _with_points(text, quantity)
        hint = "" if meant else "write a number, then its unit"
        what = f'"{shortened(text)}" is not a number with a unit'
        raise InputError(what, allowed=_example(like), todo=hint, part=text, meant=meant)
    number, unit = match.groups()
    if not unit:
        units = {"s": ("s", "min"), "": ()}.get(like, (like,))
        meant = tuple(f"{shortened(number)} {each}" for each in units)
        todo = "" if meant else "add the unit"
        raise InputError(f'"{shortened(text)}" has no unit', allowed=_example(like), todo=todo, part=text, meant=meant)
    found = _make(number, unit)
    if like and not is_alike(unit, like):
        todo = f"give it in {like}{mismatch(unit, like)}"
        raise InputError(f'"{shortened(text)}" is not in {like}', allowed=_example(like), todo=todo)
    return found


def _with_points(text: str, parse: Callable[[str], object]) -> tuple[str, ...]:
    """A text with points for its decimal commas, or without the commas that may divide thousands; () if it has none.

    Args:
        text: as it was given.
        parse: takes what is right, raises InputError else.
    """
    meant = [_COMMA.sub(".", text), *([_COMMA.sub("", text)] if _THOUSANDS.search(text) else [])]
    found = []
    for each in (text for text in meant if "," not in text) if "," in text else ():  # else it would ask itself again
        with contextlib.suppress(InputError):
            parse(each)
            found.append(each)
    return tuple(found)


def _example(like: str) -> str:
    return f'such as "12 {like}"' if like else 'such as "12 mA" or "50 ms"'


def difference(text: str, *, like: str = "") -> Quantity:
    """As `quantity`, but "0.5 degC" is a difference of two temperatures, 0.5 kelvin wide, and 1 kPa(a) one of 1 kPa."""
    return _as_difference(quantity(text, like=like))


def _as_difference(level: Quantity) -> Quantity:
    names = {"degree_Celsius": "delta_degree_Celsius", "degree_Fahrenheit": "delta_degree_Fahrenheit"}
    return registry().Quantity(level.magnitude, names.get(str(level.units)) or bare(level.units))


@lru_cache(maxsize=4096)
def is_alike(unit: str, other: str) -> bool:
    """True if both units measure the same kind of thing (mA and A; not Hz and rpm)."""
    return bool(unit_of(unit).dimensionality == unit_of(other).dimensionality)


def is_width(unit: str, of: str) -> bool:
    """True if a difference of two levels in the unit `of` can be given in a unit: 0.5 K of degC, 1 kPa of kPa(a)."""
    return is_alike(unit, _difference_unit(of))


def width(level: Quantity, in_unit: str) -> float:
    """The number of a difference in a unit of levels: 1 K in degF is 1.8; raises InputError as `magnitude`."""
    return magnitude(_as_difference(level), _difference_unit(in_unit))


def mismatch(unit: str, other: str) -> str:
    """Why two units differ that have one dimension but for what a pressure is measured against; "" else."""
    if is_alike(unit, other) or not is_alike(_difference_unit(unit), _difference_unit(other)):
        return ""
    return ": an absolute pressure is a gauge pressure plus the atmospheric one at the bench, which is not known here"


def magnitude(level: Quantity, in_unit: str, *, where: str = "") -> float:
    """The number of a level in a unit: the one way from Quantity to float.

    Raises:
        InputError: the level has another dimension.
    """
    try:
        factor = _factor(level.units, in_unit)
        return float(level.to(unit_of(in_unit)).magnitude) if factor is None else float(level.magnitude * factor)
    except (pint.DimensionalityError, pint.OffsetUnitCalculusError) as error:
        todo = f"give it in {in_unit}{mismatch(str(level.units), in_unit)}"
        raise InputError(f"{show(level)} is not a level in {in_unit}", where=where, todo=todo) from error


@lru_cache(maxsize=4096)
def _factor(unit: pint.Unit, in_unit: str) -> float | None:
    """What pint multiplies numbers of one unit by; None where they are shifted as well, as temperatures are.

    A conversion by pint takes ten times as long as all else that a level takes on its way to an instrument.

    Raises:
        pint.DimensionalityError: they differ in dimension.
    """
    one, two = (registry().Quantity(each, unit).to(unit_of(in_unit)).magnitude for each in (1.0, 2.0))
    return float(one) if two == 2 * one else None


@lru_cache(maxsize=4096)
def rescale(from_unit: str, to_unit: str) -> tuple[float, float]:
    """Factor and shift that turn numbers of one unit into the other: `to = factor * from + shift`.

    For loops where a Quantity for each reading would cost more than the reading.

    Raises:
        InputError: the units differ in dimension.
    """
    shift = magnitude(registry().Quantity(0.0, unit_of(from_unit)), to_unit)
    return magnitude(registry().Quantity(1.0, unit_of(from_unit)), to_unit) - shift, shift


def show(level: Quantity, digits: int = 6) -> str:
    """A level as people write it: "12.5 mA"; a rounding rest is 0."""
    return f"{without_rest(level.magnitude):.{digits}g} {symbol(level.units)}".strip()


@dataclass(frozen=True, slots=True)
class Span:
    """A range from `low` to `high` in one unit; `low` is above `high` for a reversed signal ("20 .. 4 mA")."""

    low: float
    high: float
    unit: str

    @property
    def width(self) -> float:
        """Upper less lower end, never negative."""
        return abs(self.high - self.low)

    @property
    def bottom(self) -> float:
        """The smaller end."""
        return min(self.low, self.high)

    @property
    def top(self) -> float:
        """The larger end."""
        return max(self.low, self.high)

    def within(self, unit: str) -> "Span":
        """The same range in another unit of its dimension."""
        factor, shift = rescale(self.unit, unit)
        return Span(factor * self.low + shift, factor * self.high + shift, canonical(unit))

    def holds(self, value: float, *, slack: float = 1e-9) -> bool:
        """True if a value, in this unit, lies inside, ends included; NaN does not. `slack` is a share of the width."""
        margin = slack * self.width
        return self.bottom - margin <= value <= self.top + margin

    def __str__(self) -> str:
        # A change of unit with a shift leaves a rest where an end is 0; in a range as narrow as that it is none.
        low, high = (without_rest(end) if self.width > 1e-9 else end for end in (self.low, self.high))
        return f"{low:.12g} .. {high:.12g} {self.unit}"


def span(text: str, *, like: str = "") -> Span:
    """A range: "4 .. 20 mA", "4 to 20 mA", "-40 .. 120 degC", reversed "20 .. 4 mA", "500 mV .. 5 V".

    Raises:
        InputError: not two numbers and a unit, an unknown unit, no width, or another dimension than `like`.
    """
    match = _SPAN.fullmatch(_plain(text))
    if match is None or "," in (match[4] or ""):  # of "0 .. 2,4 bar"
        meant = _with_points(text, span)
        todo = "" if meant else "write the two ends and the unit"
        raise InputError(f'"{shortened(text)}" is not a range', allowed=_SPAN_FORM, todo=todo, part=text, meant=meant)
    low_text, low_unit, high_text, unit = match.groups()
    if not unit:
        meant = (f"{low_text} .. {high_text} {low_unit}",) if low_unit else ()
        todo = "" if meant else "add the unit from the data plate"
        what = f'range "{shortened(text)}" has no unit' + (" at its end" if low_unit else "")
        raise InputError(what, allowed=_SPAN_FORM, todo=todo, part=text, meant=meant)
    high = quantity(f"{high_text} {unit}", like=like)
    low = magnitude(_make(low_text, low_unit or unit), unit)
    if abs(high.magnitude - low) <= max(_NARROWEST_FRAC * max(abs(low), abs(high.magnitude)), _NARROWEST):
        raise InputError(f'range "{shortened(text)}" has no width', allowed="two different ends")
    return Span(low, float(high.magnitude), canonical(unit))


@dataclass(frozen=True, slots=True)
class Term:
    """One part of a tolerance or an accuracy: `value` in `unit` of `base`; base "" is absolute, else unit is "%".

    Of base "digits" the value is their number, and the unit ""; of base "class" it is 1, and the unit the name of the
    tolerance class of a sensor.
    """

    value: float
    unit: str
    base: str

    def __str__(self) -> str:
        if self.base == CLASS:
            return self.unit
        if self.base == DIGITS:
            return f"{self.value:g} {DIGITS}"
        if self.base:
            return f"{self.value:g} {self.unit} of {self.base}"
        unit = canonical(self.unit).removeprefix("Δ").removeprefix("delta_")
        return f"{self.value:g} {unit}{' absolute' if self.unit in _SHARES else ''}"


@dataclass(frozen=True, slots=True)
class Terms:
    """A half width written as a sum of parts, each with its base: "0.5 degC + 0.1 % of reading"."""

    parts: tuple[Term, ...]

    def __str__(self) -> str:
        return " + ".join(str(part) for part in self.parts)

    def fits(self, unit: str) -> bool:
        """True if each absolute part has the dimension of a unit."""
        return all(part.base or is_width(part.unit, unit) for part in self.parts)

    def has(self, base: str) -> bool:
        """True if a part is of a base."""
        return any(part.base == base for part in self.parts)

    def half_width(self, unit: str, **bases: float) -> float:
        """The half width in `unit`, each base given as a number in that unit.

        Args:
            unit: unit of the answer.
            bases: value of each base by its name, blanks as underscores; of digits, that of one; of a class, its width.

        Raises:
            InputError: an absolute part has another dimension.
        """
        half = 0.0
        for part in self.parts:
            if part.base:
                share = part.value if part.base in {DIGITS, CLASS} else part.value / 100
                half += share * abs(bases[part.base.replace(" ", "_")])
            else:
                half += width(registry().Quantity(part.value, unit_of(part.unit)), unit)
        return half


def _difference_unit(unit: str) -> str:
    return str(_as_difference(registry().Quantity(1.0, unit_of(unit))).units)


def _named(piece: str, bases: tuple[str, ...]) -> Term | None:
    """A part that has neither unit nor base: digits, or a class; None if it is none of those that may stand here."""
    if (digits := _DIGITS.fullmatch(piece)) and DIGITS in bases and float(digits.group(1)) >= 0:
        return Term(float(digits.group(1)), "", DIGITS)
    if CLASS in bases and (named := class_of(piece)):
        return Term(1.0, named, CLASS)
    return None


def terms(text: str, *, bases: tuple[str, ...], like: tuple[str, ...] = ()) -> Terms:
    """A tolerance or accuracy: parts joined by "+", each absolute, "x % of BASE", "n digits", or the class of a sensor.

    Args:
        text: such as "0.2 % of span" or "0.5 degC + 0.1 % of reading"; a leading "±" or "+-" is taken. Of what is
            itself in %, "0.5 % absolute".
        bases: the bases that may stand here.
        like: units of which an absolute part must have the dimension of one; () takes any.

    Raises:
        InputError: a part that is not of this form, an unknown base, a negative part, or nothing but zeros.
    """
    allowed = (
        " or ".join(_BY_NAME.get(base, f'"0.2 % of {base}"') for base in bases)
        + ', or a sum such as "0.5 mA + 0.1 % of reading"'
    )
    parts = []
    for each in re.sub(r"^\s*(?:±|\+/?-)", "", _plain(text)).split(" + "):
        piece = _FULL_SCALE.sub("% of full scale", each.strip())
        if named := _named(piece, bases):
            parts.append(named)
            continue
        of, absolute = _OF.fullmatch(piece), _ABSOLUTE.fullmatch(piece)
        share = _share((of or absolute or [piece, piece])[1], piece, bases, allowed)
        base = " ".join(of.group(2).split()) if of else ""
        if (of or absolute) and str(share.units) not in _SHARES:
            raise InputError(f'"{shortened(piece)}" takes a share in something else than %', allowed=allowed)
        if of and base not in bases:
            raise _of_what(f'"{shortened(base)}" is not a base of a percentage here', of[1], piece, bases, allowed)
        if not of and not absolute and str(share.units) in _SHARES:
            raise _of_what(f'"{shortened(piece)}" does not say of what', piece, piece, bases, allowed)
        if not of and like and not any(is_width(str(_as_difference(share).units), unit) for unit in like):
            raise InputError(f'"{shortened(piece)}" is not in {" or ".join(like)}', allowed=allowed)
        if share.magnitude < 0:
            raise InputError(f'"{shortened(piece)}" is negative', allowed="a half width, zero or more")
        if of:
            parts.append(Term(magnitude(share, "percent"), "%", base))
        else:
            wide = _as_difference(share)
            parts.append(Term(float(wide.magnitude), str(wide.units), ""))
    if not any(part.value for part in parts):
        raise InputError(f'"{shortened(text)}" is zero', allowed=allowed, todo="give the half width of the band")
    return Terms(tuple(parts))


def _share(text: str, piece: str, bases: tuple[str, ...], allowed: str) -> Quantity:
    """The number of a part; raises InputError, of "0.5 % FSO" with the bases that there are."""
    try:
        return quantity(text)
    except InputError as error:
        if (match := _SHARE.fullmatch(text)) is None:
            raise
        what = f'"{shortened(piece)}" does not say of what'
        raise _of_what(what, match[1], piece, bases, allowed) from error


def _of_what(what: str, share: str, piece: str, bases: tuple[str, ...], allowed: str) -> InputError:
    """The base of a percentage is not known: which it may be of."""
    meant = (*(f"{share} of {base}" for base in bases if base not in _BY_NAME), f"{share} absolute")
    return InputError(what, allowed=allowed, part=piece, meant=meant)
