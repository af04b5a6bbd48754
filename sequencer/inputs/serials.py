"""Serials of the units of a batch: from an option, from a text or CSV file, or typed line by line. It opens no file.

A barcode reader types too: the code, then Enter, or Tab; an empty line ends the list.
"""

import csv
import re
import unicodedata
from collections.abc import Callable, Sequence

from instruments.errors import InputError, shortened
from instruments.texts import visible

__all__ = ["as_written", "from_table", "from_text", "look_key", "serial_key", "serial_of", "typed"]

_HEADINGS = ("serial", "serial number", "serial no", "s/n", "unit")
_LONGEST = 80
_MOST = 1000
_SYMBOLOGY = re.compile(r"^\][A-Za-z][0-9A-Za-z]")
_FNC1 = "\x1d"
# Letters that look alike on a plate, of capitals and small ones; the idea of a skeleton is that of Unicode UTS #39, and
# the pairs are a part of its confusables (from memory).
_CYRILLIC = dict(
    zip(
        "\u0430\u0432\u0435\u043a\u043c\u043d\u043e\u0440\u0441\u0442\u0443\u0445\u0455\u0456\u0458",
        "abekmhopctyxsij",
        strict=True,
    )
)
_GREEK = dict(
    zip(
        "\u03b1\u03b2\u03b5\u03b6\u03b7\u03b9\u03ba\u03bc\u03bd\u03bf\u03c1\u03c4\u03c5\u03c7",
        "abezhikmnoptyx",
        strict=True,
    )
)
_LOOKS = str.maketrans(_CYRILLIC | _GREEK)
_DIGITS = str.maketrans("oil|", "0111")
_DASHES = re.compile(r"[\u2010-\u2015\u2212]")


def serial_of(text: str, taken: Sequence[str], *, where: str = "") -> str:
    """One serial as it is kept.

    Args:
        text: as it was typed.
        taken: those before it.
        where: place, for the error.

    Raises:
        InputError: it is empty, too long, has letters that do not print, or was given before; letters of the two cases
            are not told apart, as on a plate.
    """
    serial = " ".join(text.split())
    if not serial:
        raise InputError("a serial is empty", where=where, allowed="what stands on the plate of the unit")
    if len(serial) > _LONGEST or visible(serial) != serial:
        raise InputError(
            f'"{shortened(serial)}" is no serial',
            where=where,
            allowed=f"at most {_LONGEST} letters that print",
            todo="read the code again",
        )
    twice = next((number for number, each in enumerate(taken, 1) if each.casefold() == serial.casefold()), None)
    if twice is not None:
        raise InputError(
            f'"{serial}" is given twice: it is unit {twice} already',
            where=where,
            todo="give each unit once; two units with one serial cannot be told apart later",
        )
    if len(taken) >= _MOST:
        raise InputError(f"more than {_MOST} serials", where=where, todo="make several batches of them")
    return serial


def from_text(text: str, *, where: str = "--serials") -> tuple[str, ...]:
    """The serials of a list with commas; raises InputError as `serial_of`."""
    found: list[str] = []
    for part in text.split(","):
        found.append(serial_of(part, found, where=where))
    return tuple(found)


def from_table(text: str, *, where: str) -> tuple[str, ...]:
    """The serials of a text file, one a line, or of a CSV file: its column "serial", else the first.

    Args:
        text: of the file; lines that are empty or begin with "#" are passed over.
        where: the file, for errors.

    Raises:
        InputError: as `serial_of`, with file and line; or there is none.
    """
    found: list[str] = []
    column: int | None = None
    delimiter = next((each for each in (";", "\t", ",") if each in text), ",")
    lines = text.removeprefix("\ufeff").splitlines()
    for number, line in enumerate(lines, start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        cells = next(csv.reader([line], delimiter=delimiter))
        if column is None:
            words = [cell.strip().casefold() for cell in cells]
            heading = next((words.index(each) for each in _HEADINGS if each in words), None)
            column = heading or 0
            if heading is not None:
                continue
        found.append(serial_of(cells[column] if column < len(cells) else "", found, where=f"{where}:{number}"))
    if not found:
        raise InputError("there is no serial in it", where=where, allowed="one a line, or a column named serial")
    return tuple(found)


def typed(
    ask: Callable[[int], str | None], *, most_n: int | None, refused: Callable[[InputError], None]
) -> tuple[str, ...]:
    """The serials that are typed, or read by a barcode reader, until an empty line, the end, or all places are taken.

    Args:
        ask: gives what is typed for the unit of this number, from 1; None = nothing more comes. A number is asked for
            until it has its unit: whoever puts the units in their places goes by it.
        most_n: places of the bench; None = any number.
        refused: takes what is wrong with a code, which is left out: it is typed again.
    """
    found: list[str] = []
    while most_n is None or len(found) < most_n:
        line = ask(len(found) + 1)
        if line is None or (found and not line.strip()):
            break
        for code in _codes(line):
            try:
                found.append(serial_of(code, found))
            except InputError as error:
                refused(error)
    if most_n is not None and len(found) > most_n:
        places = f"the bench has {most_n} places"
        refused(InputError(f"{places}, so these were left out: {', '.join(found[most_n:])}", todo="take them next"))
    return tuple(found[:most_n])


def _codes(line: str) -> list[str]:
    """The codes of a line: a reader may end each with a tab, and put its symbology in front ("]C1", ISO/IEC 15424)."""
    codes = (_SYMBOLOGY.sub("", each.strip().lstrip(_FNC1)) for each in line.split("\t"))
    return [code for each in codes if (code := each.strip(_FNC1 + " "))]


def serial_key(serial: str) -> str:
    """A serial as it is looked for: whatever case, width of letters, blanks and kind of dash it is written with."""
    plain = unicodedata.normalize("NFKC", serial).casefold()
    return _DASHES.sub("-", "".join(plain.split()))


def look_key(serial: str) -> str:
    """A serial as it looks: two of one key may be taken for each other, as O and 0, or I, l and 1."""
    return serial_key(serial).translate(_LOOKS).translate(_DIGITS)


def as_written(serial: str) -> str:
    """A serial beside others that look like it: what of it is no plain letter is named with its code point."""
    odd = dict.fromkeys(each for each in serial if not each.isascii())
    named = ", ".join(f"U+{ord(each):04X} {unicodedata.name(each, 'without a name')}" for each in odd)
    return f'"{serial}"{f" ({named})" if named else ""}'
