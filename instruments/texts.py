"""Text from outside (serials, names, remarks, replies of instruments, files) on its way out: one way for each medium.

HTML and SVG are escaped where they are made (template, drawing); here stands what no escaping of theirs does: letters
that a terminal acts on, that turn the direction of a line, or that cannot be seen. They are written out, never dropped.
"""

import json
import math
import re
from decimal import Decimal
from typing import Any

__all__ = [
    "COMPUTED_DIGITS",
    "NOTHING",
    "as_cell",
    "as_json",
    "as_page",
    "counted",
    "finite_or_none",
    "from_cell",
    "is_measurable",
    "json_value",
    "of_span",
    "sized",
    "to_digits",
    "visible",
    "without_rest",
]

NOTHING = "nothing measurable"
_BEYOND_ASCII = re.compile(r"[^ -~]")
# The blanks that numbers and units are set with; they do not print, but do no harm either.
_BLANKS = "\N{NO-BREAK SPACE}\N{THIN SPACE}\N{NARROW NO-BREAK SPACE}"
# What a spreadsheet takes for a formula, or passes over to find one; the wide forms count in some.
_FORMULA = re.compile(r"[\s']*[=+\-@\uff1d\uff0b\uff0d\uff20]")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
# A number or a range of two, with units, as instruments and people write them. A unit is letters: one that ends in a
# figure, as m3, names a cell to a spreadsheet, and signs beyond "/" are its operators.
_LEVEL = r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?"
_SYMBOL = r"[A-Za-zµμΩ\u2126°%Δ]+(?:[0-9][A-Za-z]+)?[²³]?"
_UNIT = rf"[ {_BLANKS}]?(?:1/)?{_SYMBOL}(?:[/·]{_SYMBOL}){{0,3}}"
_LEVELS = re.compile(rf"{_LEVEL}(?:{_UNIT})?(?: ?\.\. ?{_LEVEL}(?:{_UNIT})?)?")
_REST = 1e-12
COMPUTED_DIGITS = 12
"""Of figures in a document: arithmetic leaves 15 right, and its steps take a few."""


def visible(text: str, *, keep: str = "") -> str:
    r"""A text with every letter that does not print written out, as "\x1b" or "\u202e".

    Args:
        text: any text, lone surrogates too.
        keep: letters that stay although they do not print, such as a line end.
    """
    return _BEYOND_ASCII.sub(
        lambda found: found[0] if found[0].isprintable() or found[0] in keep else ascii(found[0])[1:-1], text
    )


def counted(number: int, noun: str) -> str:
    """A number of things: "1 point", "2 points"."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def without_rest(value: float) -> float:
    """The value, or 0 where it is so small that it can only be the rest of a rounding.

    Below 1e-12 no unit that people write for a signal leaves anything that an instrument sets or reads.
    """
    return 0.0 if abs(value) < _REST else value


def to_digits(number: float, digits: int = 15, *, scale: float = 0.0) -> float:
    """A number that was computed, without the rest of binary arithmetic: 0.0040001 A is 4.0001 mA.

    Args:
        number: any, NaN too.
        digits: that count; 15 of a decimal number are kept by a binary one, fewer by a difference of two.
        scale: what it was computed from, where that is larger: the digits are counted from there. 20.0002875 less 20
            is 0.0002875 at a scale of 20; 296.15 K is 23 °C at one of 296.15.
    """
    largest = max(abs(number), scale)
    return round(number, digits - 1 - math.floor(math.log10(largest))) if 0 < largest < math.inf else number


def sized(value: float, digits: int = 3, *, is_signed: bool = False) -> str:
    """A number to so many significant digits, without powers of ten from 1e-6 up to 1e9: "370", "0.00012".

    A rounding rest is 0.
    """
    value = without_rest(value)
    sign = "+" if is_signed else ""
    text = f"{value:{sign}.{digits}g}"
    return f"{Decimal(text):{sign}f}" if "e" in text and 1e-6 <= abs(value) < 1e9 else text


def finite_or_none(value: float) -> float | None:
    """A number as JSON has it: NaN and infinity are null."""
    return float(value) if math.isfinite(value) else None


def is_measurable(frac: float) -> bool:
    """False for a share of the span below a millionth, where only arithmetic is left."""
    return abs(frac) >= 1e-6


def of_span(pct: float, digits: int = 3, *, is_signed: bool = False) -> str:
    """A size in % of span: "0.37 % of span", or nothing."""
    return NOTHING if not is_measurable(pct / 100) else f"{sized(pct, digits, is_signed=is_signed)} % of span"


def as_page(page: str) -> str:
    """An HTML page or fragment, whole: its own signs all print, so only text from outside can change."""
    return visible(page, keep=f"\n\t{_BLANKS}")


def json_value(value: Any, *, digits: int | None = None, scale: float = 0.0) -> Any:  # noqa: ANN401  of a document
    """A value as JSON can hold it: a number that is not finite is None, in lists, tuples and dicts too.

    Tuples become lists, numbers and arrays of numpy those of Python.

    Args:
        value: whatever a document holds.
        digits: that computed numbers are given with, of the larger of itself and `scale` (`to_digits`); None = as they
            are, such as readings.
        scale: of what the numbers were computed from.
    """
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return value if digits is None else to_digits(value, digits, scale=scale) + 0.0  # never -0.0
    if isinstance(value, (list, tuple)):
        return [json_value(each, digits=digits, scale=scale) for each in value]
    if isinstance(value, dict):
        return {name: json_value(each, digits=digits, scale=scale) for name, each in value.items()}
    return value


def as_json(document: object, *, indent: int | None = None) -> str:
    """A document as JSON that a terminal may show: what does not print is escaped by JSON's own rules.

    Raises:
        ValueError: a number that is not finite, which JSON has not; `json_value` takes those out.
    """
    text = json.dumps(document, indent=indent, ensure_ascii=False, allow_nan=False)
    return _BEYOND_ASCII.sub(
        lambda found: found[0] if found[0].isprintable() or found[0] == "\n" else json.dumps(found[0])[1:-1], text
    )


def as_cell(text: str) -> str:
    """A text as a cell of CSV, an apostrophe before what a spreadsheet takes for a formula.

    Numbers stay numbers, and stay as they are with a unit or as a range too.
    """
    line = visible(text, keep=f"\n{_BLANKS}")  # some writers of CSV do not quote a carriage return
    return f"'{line}" if _FORMULA.match(line) and not _LEVELS.fullmatch(line) else line


def from_cell(cell: str) -> str:
    """The text of a cell that `as_cell` wrote."""
    # Earlier tables have the apostrophe before a level with a unit too, so a bare number alone is left as it is.
    is_marked = cell.startswith("'") and _FORMULA.match(cell) and not _NUMBER.fullmatch(cell[1:])
    return cell[1:] if is_marked else cell
