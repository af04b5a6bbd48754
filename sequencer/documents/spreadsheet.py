"""Tables as files of other programs: a workbook (.xlsx), Parquet, CSV.

The unit of each column stands in a row of its own below the names (workbook, CSV), and as metadata of the file
(workbook, Parquet). No text is a formula to a spreadsheet: in a workbook it is typed as text, in CSV an apostrophe
stands before it.
"""

import csv
import io
import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import pandas as pd

from instruments.errors import InputError
from instruments.texts import as_cell, visible
from sequencer.documents.extra import needed
from sequencer.documents.tables import Table

__all__ = ["csv_text", "parquet", "workbook"]

_MOST_ROWS, _MOST_LETTERS = 1_048_576, 32_767  # of a sheet and of a cell: limits of the file format
_WIDEST = 46


def csv_text(table: Table) -> str:
    """A table as CSV: names, then units, then rows; what is missing is empty."""
    written = io.StringIO()
    rows = csv.writer(written, lineterminator="\n")
    rows.writerow(map(as_cell, table.frame.columns))
    rows.writerow([as_cell(table.units[name]) for name in table.frame.columns])
    rows.writerows([_cell_text(each) for each in row] for row in table.frame.itertuples(index=False))
    return written.getvalue()


def _cell_text(value: Any) -> str:  # noqa: ANN401  what a table holds
    value = _plain(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.isoformat()
    return "" if value is None else as_cell(value) if isinstance(value, str) else repr(value)


def _plain(value: Any) -> bool | int | float | str | datetime | None:  # noqa: ANN401  what a table holds
    """A value of a table as one of Python's; None where it is missing."""
    if hasattr(value, "item"):
        value = value.item()
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and not math.isfinite(value)):
        return None
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime(warn=False)
    return value if isinstance(value, (bool, int, float)) else str(value)


def parquet(table: Table, facts: Mapping[str, str]) -> bytes:
    """A table as a Parquet file: the unit of each column is its metadata "unit", the facts are those of the file.

    Raises:
        InputError: the library is not installed.
    """
    arrow = needed("pyarrow", what="a Parquet file")
    writer = needed("pyarrow.parquet", what="a Parquet file")
    made = arrow.Table.from_pandas(table.frame, preserve_index=False)
    fields = [
        column.with_metadata({"unit": table.units[column.name]} if table.units[column.name] else {})
        for column in made.schema
    ]
    known = {name.encode(): text.encode("utf-8", "replace") for name, text in facts.items()}
    schema = arrow.schema(fields, metadata={**(made.schema.metadata or {}), **known})
    written = io.BytesIO()
    writer.write_table(made.cast(schema), written)
    return written.getvalue()


def workbook(tables: Mapping[str, Table], facts: Mapping[str, str]) -> bytes:
    """Tables as a workbook, a sheet each, and the facts on one of their own before them.

    Raises:
        InputError: the library is not installed, or a table has more rows than a sheet.
    """
    library = needed("xlsxwriter", what="a workbook")
    written = io.BytesIO()
    book = library.Workbook(written, {"in_memory": True})
    looks = {
        "name": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}),
        "unit": book.add_format({"italic": True, "font_color": "#556372"}),
        "text": book.add_format({"quote_prefix": True}),
        "time": book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"}),
    }
    about = book.add_worksheet("record")
    about.set_column(0, 0, 28)
    about.set_column(1, 1, 90)
    for row, (name, text) in enumerate(facts.items()):
        _write_text(about, row, 0, name, looks["name"])
        _write_text(about, row, 1, text, looks["text"])
        book.set_custom_property(name, visible(text)[:255], "text")
    book.set_properties({"title": visible(f"record of {facts.get('serial', 'a unit')}")})
    for table in tables.values():
        _write_sheet(book.add_worksheet(table.name), table, looks)
        units = ", ".join(f"{name} [{unit}]" for name, unit in table.units.items() if unit)
        book.set_custom_property(f"units of {table.name}", visible(units)[:255], "text")
    book.close()
    return written.getvalue()


def _write_sheet(sheet: Any, table: Table, looks: Mapping[str, Any]) -> None:  # noqa: ANN401  of a library without types
    if len(table.frame) + 2 > _MOST_ROWS:
        raise InputError(
            f"the table {table.name} has {len(table.frame)} rows, more than a sheet takes",
            allowed=f"{_MOST_ROWS - 2} rows",
            todo="write it as .parquet or .csv",
        )
    for column, name in enumerate(table.frame):
        _write_text(sheet, 0, column, str(name), looks["name"])
        _write_text(sheet, 1, column, table.units[str(name)], looks["unit"])
        values = [_plain(each) for each in table.frame[name]]
        longest = max((len(f"{each:.9g}" if isinstance(each, float) else str(each)) for each in values), default=0)
        sheet.set_column(column, column, min(max(longest, len(str(name)), len(table.units[str(name)])) + 1, _WIDEST))
        for row, value in enumerate(values, start=2):
            if isinstance(value, bool):
                sheet.write_boolean(row, column, value)
            elif isinstance(value, datetime):  # a sheet knows no zone: the row of units names it
                sheet.write_datetime(row, column, value.replace(tzinfo=None), looks["time"])
            elif isinstance(value, (int, float)):
                sheet.write_number(row, column, value)
            elif value:
                _write_text(sheet, row, column, value, looks["text"])
    sheet.freeze_panes(2, 0)
    sheet.autofilter(1, 0, len(table.frame) + 1, len(table.frame.columns) - 1)


def _write_text(sheet: Any, row: int, column: int, text: str, look: Any) -> None:  # noqa: ANN401
    """A text as a text, whatever it looks like; one that is longer than a cell ends in dots."""
    shown = visible(text, keep="\n")
    if not shown:
        sheet.write_blank(row, column, None, look)
        return
    shown = shown if len(shown) <= _MOST_LETTERS else f"{shown[: _MOST_LETTERS - 3]}..."
    sheet.write_string(row, column, shown, look)
