"""Points and commas in the numbers of a table: which divides the decimals, and which the thousands.

"1.000" is a thousand where the table has decimal commas, and one where it has decimal points. A single cell cannot
tell; the column, then the table, then the range of the tap do, and where none does nothing is guessed.
"""

import re
from collections.abc import Iterable

__all__ = ["MARKS", "decimal_mark", "figures", "is_either", "stated_marks", "with_point"]

MARKS = frozenset(".,")
# Blanks and apostrophes between thousands say nothing of the decimals (`instruments.entry` takes them out).
_BETWEEN = re.compile(r"(?<=[0-9])[ '\N{THIN SPACE}\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}\u2019](?=[0-9]{3})")
_NUMBER = re.compile(r"[+-]?([0-9.,]*[0-9](?:[.,](?![0-9A-Za-z]))?)([eE][+-]?[0-9])?")
_FIGURES = re.compile(r"\s*([+-]?[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?)")
_THOUSANDS = re.compile(r"[1-9][0-9]{0,2}(?:([.,])[0-9]{3})(?:\1[0-9]{3})*")


def decimal_mark(cell: str) -> str:
    """The mark that divides the decimals of a number for sure; "" where it has none, or may be either."""
    found = _NUMBER.match(_BETWEEN.sub("", cell))
    body = found[1] if found else ""
    marks = MARKS & set(body)
    if len(marks) == 2:
        last = max(marks, key=body.rfind)
        whole, _, decimals = body.rpartition(last)
        return last if decimals.isdecimal() and _THOUSANDS.fullmatch(whole) else ""
    if not marks or found is None:
        return ""
    (mark,) = marks
    if body.count(mark) > 1:
        return _other(mark) if _THOUSANDS.fullmatch(body) else ""
    return "" if _THOUSANDS.fullmatch(body) and not found[2] else mark


def is_either(cell: str) -> bool:
    """True if the one mark in a number may divide its decimals or its thousands: "1.000", "12,050 Hz"."""
    found = _NUMBER.match(_BETWEEN.sub("", cell))
    body = found[1] if found else ""
    return len([letter for letter in body if letter in MARKS]) == 1 and not decimal_mark(cell)


def stated_marks(cells: Iterable[str]) -> frozenset[str]:
    """The decimal marks that are in use among cells for sure."""
    return frozenset(filter(None, map(decimal_mark, cells)))


def with_point(cell: str, mark: str) -> str:
    """A cell whose decimal mark is known, with a decimal point and undivided thousands; unit and blanks stay."""
    found = _NUMBER.match(cell)
    if found is None:
        return cell
    at = found.span(1)
    return cell[: at[0]] + found[1].replace(_other(mark), "").replace(mark, ".") + cell[at[1] :]


def figures(cell: str) -> str:
    """The number that a cell begins with, with a decimal point; "" where there is none.

    Where a mark may be either, it is taken for that of the decimals.
    """
    mark = decimal_mark(cell) or ("," if "," in cell else ".")
    found = _FIGURES.match(with_point(cell.replace("\N{MINUS SIGN}", "-"), mark))
    return found[1] if found else ""


def _other(mark: str) -> str:
    return "," if mark == "." else "."
