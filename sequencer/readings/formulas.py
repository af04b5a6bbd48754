"""Formulas of a workbook whose values nobody has worked out: a program wrote the file, and no spreadsheet opened it.

Such a cell reads as blank, and a blank is a point that was not read. XLSX and ODS only: what saves the older forms
works its formulas out. Sources: ECMA-376 part 1, 18.3.1.4 (cell), 18.3.1.40 (formula); ODF 1.2 part 1, 19.642
(table:formula), 19.385 (office:value) (from memory).
"""

import io
import posixpath
import zipfile
import zlib
from collections.abc import Iterator
from xml.etree import ElementTree as ET

__all__ = ["cell_name", "unvalued"]

_MOST_BYTES = 50_000_000  # of a part, unpacked: far more than the rows that a table by hand may have
_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"
_TARGET = "{http://schemas.openxmlformats.org/package/2006/relationships}Relationship"
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"
Place = tuple[int, int]


def unvalued(raw: bytes, worksheet: str) -> dict[Place, str]:
    """Formulas without a value by row and column, counted from 0; none where the file is no XLSX or ODS.

    Args:
        raw: of the file.
        worksheet: its name.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as file:
            if "content.xml" in file.namelist():
                return dict(_of_ods(_part(file, "content.xml"), worksheet))
            if "xl/workbook.xml" in file.namelist():
                return dict(_of_xlsx(file, worksheet))
    except (zipfile.BadZipFile, zlib.error, EOFError, ET.ParseError, KeyError, ValueError, RuntimeError):
        pass  # whether it can be read at all says who reads the values
    return {}


def cell_name(row: int, column: int) -> str:
    """A cell as spreadsheets name it, "C4" of row 3 and column 2."""
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return f"{letters}{row + 1}"


def _part(file: zipfile.ZipFile, name: str) -> bytes:
    with file.open(name) as part:
        found = part.read(_MOST_BYTES + 1)
    return found if len(found) <= _MOST_BYTES else b""


def _of_xlsx(file: zipfile.ZipFile, worksheet: str) -> Iterator[tuple[Place, str]]:
    book = ET.fromstring(_part(file, "xl/workbook.xml"))  # noqa: S314  expat bounds entities
    links = ET.fromstring(_part(file, "xl/_rels/workbook.xml.rels"))  # noqa: S314
    link = next(each.get(f"{_RELATION}id") for each in book.iter(f"{_MAIN}sheet") if each.get("name") == worksheet)
    target = next(each.get("Target", "") for each in links.iter(_TARGET) if each.get("Id") == link)
    part = _part(file, posixpath.normpath(posixpath.join("/xl", target)).lstrip("/"))
    if b"<f" not in part:
        return
    for cell in ET.fromstring(part).iter(f"{_MAIN}c"):  # noqa: S314
        formula = cell.find(f"{_MAIN}f")
        # A formula may well give an empty text.
        if formula is not None and cell.get("t") != "str" and not cell.findtext(f"{_MAIN}v"):
            yield _place(cell.get("r", "")), f"={formula.text or ''}"


def _place(name: str) -> Place:
    """Row and column of "C4"; raises ValueError."""
    letters = name.rstrip("0123456789")
    column = 0
    for letter in letters:
        column = 26 * column + ord(letter) - ord("A") + 1
    return int(name[len(letters) :]) - 1, column - 1


def _of_ods(part: bytes, worksheet: str) -> Iterator[tuple[Place, str]]:
    if b":formula=" not in part:
        return
    tables = ET.fromstring(part).iter(f"{_TABLE}table")  # noqa: S314
    table = next(each for each in tables if each.get(f"{_TABLE}name") == worksheet)
    row = 0
    for line in table.iter(f"{_TABLE}table-row"):
        column = 0
        for cell in line:
            if cell.tag in {f"{_TABLE}table-cell", f"{_TABLE}covered-table-cell"}:
                formula = cell.get(f"{_TABLE}formula")
                if formula is not None and f"{_OFFICE}value-type" not in cell.attrib and not cell.findtext(f"{_TEXT}p"):
                    yield (row, column), f"={formula.partition('=')[2]}"
                column += int(cell.get(f"{_TABLE}number-columns-repeated", "1"))
        row += int(line.get(f"{_TABLE}number-rows-repeated", "1"))
