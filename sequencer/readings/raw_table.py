"""A table as rows of cells of text, each with its line: from CSV, from a worksheet, from a DataFrame."""

import csv
import io
import math
import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path

import pandas as pd

from instruments.errors import ReadingsError, nearest
from sequencer.readings.decimal_marks import is_either
from sequencer.readings.file_text import decoded, raw_bytes, without_nul
from sequencer.readings.formulas import unvalued

__all__ = ["WORKBOOKS", "RawTable", "of_frame", "of_text", "of_workbook", "text_of"]

Rows = list[tuple[int, list[str]]]

WORKBOOKS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")
_LARGEST_BYTES = 50_000_000
_LONGEST_LINE = 20_000
_DIVIDERS = (";", "\t", ",")
_STATED = re.compile(r"\"?sep=(.)\"?", re.IGNORECASE)  # what spreadsheets write and read in the first line
_MOST_COLUMNS = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class RawTable:
    """Rows of cells, without blank ones and remarks.

    Attributes:
        path: where it comes from, as errors say it.
        ways: the rows, in each way that the lines may be divided; the likeliest first.
        worksheet: that they come from; "" = from none.
    """

    path: str
    ways: tuple[Rows, ...]
    worksheet: str = ""


def text_of(path: Path) -> str:
    """The text of a file; raises ReadingsError."""
    return without_nul(decoded(raw_bytes(path, _LARGEST_BYTES)), path)


def of_text(text: str, path: Path) -> RawTable:
    """The rows of a CSV, by each of the dividers that it may be meant with.

    Raises:
        ReadingsError: fewer than two lines with something in them, too long a line, or too many columns.
    """
    lines = list(enumerate(text.splitlines(), start=1))
    numbered = [(number, line) for number, line in lines if line.strip(" ,;\t") and not line.lstrip().startswith("#")]
    stated = _STATED.fullmatch(numbered[0][1].strip(" \t")) if numbered else None
    numbered = numbered[1:] if stated else numbered
    if len(numbered) < 2:
        raise ReadingsError("holds no readings", where=str(path), allowed="a header and a row for each point")
    for number, line in numbered:
        if len(line) > _LONGEST_LINE:
            raise ReadingsError(
                "is too long a line", where=f"{path}:{number}", allowed=f"at most {_LONGEST_LINE} characters"
            )
    first = next((each for each in _DIVIDERS if each in numbered[0][1]), ",")
    dividers = [stated[1]] if stated else [first, *(each for each in _DIVIDERS if each != first)]
    ways = [_divided(numbered, each) for each in dividers]
    narrow = tuple(rows for rows in ways if all(len(row) <= _MOST_COLUMNS for _, row in rows))
    if not narrow:
        at, row = next((at, row) for at, row in ways[0] if len(row) > _MOST_COLUMNS)
        raise ReadingsError(f"has {len(row)} columns", where=f"{path}:{at}", allowed=f"at most {_MOST_COLUMNS} columns")
    return RawTable(path=str(path), ways=narrow)


def _divided(numbered: list[tuple[int, str]], divider: str) -> Rows:
    return [(number, next(csv.reader(io.StringIO(line), delimiter=divider))) for number, line in numbered]


def of_workbook(path: Path, worksheet: str = "") -> RawTable:
    """The rows of a worksheet; a formula whose value nobody has worked out as "=...".

    Args:
        path: of an XLSX or ODS file and the like.
        worksheet: its name; "" = the first.

    Raises:
        ReadingsError: no such file or worksheet, or no workbook.
    """
    import python_calamine as calamine  # noqa: PLC0415  only where a workbook is read

    raw = raw_bytes(path, _LARGEST_BYTES)
    try:
        with calamine.CalamineWorkbook.from_filelike(io.BytesIO(raw)) as book:
            names = book.sheet_names
            if worksheet and worksheet not in names:
                guess = nearest(worksheet, names)
                raise ReadingsError(
                    f'has no worksheet "{worksheet}"',
                    where=str(path),
                    allowed=", ".join(names),
                    todo=f'did you mean "{guess}"?' if guess else "name one of them",
                )
            sheet = book.get_sheet_by_name(worksheet or names[0])
            cells = sheet.to_python(skip_empty_area=False)
    except (calamine.CalamineError, ValueError, IndexError, OSError) as error:
        raise ReadingsError(
            "is no workbook that can be read", where=str(path), todo="save it as XLSX, ODS or CSV once more"
        ) from error
    name = worksheet or names[0]
    where = str(path) if len(names) < 2 else f"{path} ({name})"
    rows = [(number, [_cell(each) for each in row[:_MOST_COLUMNS]]) for number, row in enumerate(cells, start=1)]
    for (at, column), formula in unvalued(raw, name).items():
        if at < len(rows) and column < len(rows[at][1]) and not rows[at][1][column]:
            rows[at][1][column] = formula
    kept = [(number, row) for number, row in rows if any(row) and not row[0].startswith("#")]
    if len(kept) < 2:
        others = [each for each in names if each != name]
        raise ReadingsError(
            "holds no readings",
            where=where,
            allowed="a header and a row for each point",
            todo=f"name another worksheet: {', '.join(others)}" if others else "",
        )
    return RawTable(path=where, ways=(kept,), worksheet=name)


def of_frame(frame: pd.DataFrame, where: str = "DataFrame") -> RawTable:
    """The rows of a DataFrame whose columns are named as those of a CSV; its rows count from 1 below the headings.

    An index that has a name is a column as well.

    Raises:
        ReadingsError: it has no rows, or no columns.
    """
    if any(name is not None and name not in frame.columns for name in frame.index.names):
        frame = frame.reset_index()
    if frame.empty:
        raise ReadingsError("holds no readings", where=where, allowed="a heading a column, and a row for each point")
    headings = (0, [str(name) for name in frame.columns])
    rows = [(at, [_cell(each) for each in row]) for at, row in enumerate(frame.itertuples(index=False), start=1)]
    return RawTable(path=where, ways=([headings, *((at, row) for at, row in rows if any(row))],))


def _cell(value: object) -> str:
    """A value as one would type it; a number with a decimal point, and so that it cannot be taken for thousands."""
    if isinstance(value, bool):
        return str(value).lower()
    if value is None or value is pd.NaT or value is pd.NA:
        return ""
    if isinstance(value, datetime):  # as those of pandas are
        return value.isoformat(sep=" ")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return f"{value.total_seconds():.15g} s"
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, float):
        text = "" if math.isnan(value) else f"{value:.15g}"
        return f"{text}0" if is_either(text) else text
    return str(value)
