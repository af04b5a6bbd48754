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
    "NOTHING",
    "as_cell",
    "as_json",
    "as_page",
    "counted",
    "from_cell",
    "is_measurable",
    "json_value",
    "of_span",
    "sized",
    "visible",
]

NOTHING = "nothing measurable"
_BEYOND_ASCII = re.compile(r"[^ -~]")
# The blanks that numbers and units are set with; they do not print, but do no harm either.
_BLANKS = "\N{NO-BREAK SPACE}\N{THIN SPACE}\N{NARROW NO-BREAK SPACE}"
# What a spreadsheet takes for a formula, or passes over to find one; the wide forms count in some.
_FORMULA = re.compile(r"[\s']*[=+\-@\uff1d\uff0b\uff0d\uff20]")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


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


def sized(value: float, digits: int = 3, *, is_signed: bool = False) -> str:
    """A number to so many significant digits, without powers of ten from 1e-6 up to 1e9: "370", "0.00012"."""
    sign = "+" if is_signed else ""
    text = f"{value:{sign}.{digits}g}"
    return f"{Decimal(text):{sign}f}" if "e" in text and 1e-6 <= abs(value) < 1e9 else text


def is_measurable(frac: float) -> bool:
    """False for a share of the span below a millionth, where only arithmetic is left."""
    return abs(frac) >= 1e-6


def of_span(pct: float, digits: int = 3, *, is_signed: bool = False) -> str:
    """A size in % of span: "0.37 % of span", or nothing."""
    return NOTHING if not is_measurable(pct / 100) else f"{sized(pct, digits, is_signed=is_signed)} % of span"


def as_page(page: str) -> str:
    """An HTML page or fragment, whole: its own signs all print, so only text from outside can change."""
    return visible(page, keep=f"\n\t{_BLANKS}")


def json_value(value: Any) -> Any:  # noqa: ANN401  whatever a document holds
    """A value as JSON can hold it: a number that is not finite is None, in lists, tuples and dicts too.

    Tuples become lists, numbers and arrays of numpy those of Python.
    """
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, (list, tuple)):
        return [json_value(each) for each in value]
    if isinstance(value, dict):
        return {name: json_value(each) for name, each in value.items()}
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

    Numbers stay numbers.
    """
    line = visible(text, keep=f"\n{_BLANKS}")  # some writers of CSV do not quote a carriage return
    return f"'{line}" if _FORMULA.match(line) and not _NUMBER.fullmatch(line) else line


def from_cell(cell: str) -> str:
    """The text of a cell that `as_cell` wrote."""
    is_marked = cell.startswith("'") and _FORMULA.match(cell) and not _NUMBER.fullmatch(cell[1:])
    return cell[1:] if is_marked else cell
