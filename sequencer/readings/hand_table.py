"""A table by hand as it is worked on: its cells by column, and what stands in it beside readings."""

from dataclasses import dataclass, replace

from instruments.datasheet import DataSheet, Tap
from sequencer.readings.csv_cells import tap_column
from sequencer.readings.csv_plausibility import Row, setpoint_column
from sequencer.readings.decimal_marks import decimal_mark, with_point
from sequencer.readings.headings import Heading
from sequencer.readings.raw_table import Rows
from sequencer.readings.stated_errors import fits_outputs, stated_errors, stated_outputs

__all__ = ["HandTable", "checked", "joined", "nominal_resolved", "setpoints_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HandTable:
    """A table by hand, with one row a reading.

    Attributes:
        path: where it comes from.
        line: of the headings.
        headings: of its columns.
        cells: each row with its line.
        columns: of the taps that it has, by their names.
    """

    path: str
    line: int
    headings: list[Heading]
    cells: Rows
    columns: dict[str, int]

    def column(self, at: int) -> list[tuple[int, str]]:
        """The cells of one column, with their lines."""
        return [(line, row[at].strip() if at < len(row) else "") for line, row in self.cells]

    def named(self, meaning: str) -> int | None:
        """The column of this meaning that is no tap's; None if there is none."""
        found = (at for at, each in enumerate(self.headings) if each.meaning == meaning)
        return next((at for at in found if at not in self.columns.values()), None)

    def of_rows(self, kept: list[int]) -> "HandTable":
        """The same with some rows only."""
        return replace(self, cells=[self.cells[index] for index in kept])


def setpoints_of(table: HandTable, first: Tap, usual: str) -> list[str]:
    """What was to be set in each row, or may have been, with a decimal point and the unit of its heading."""
    places = (table.named("setpoint"), table.named("nominal"))
    at = next((each for each in places if each is not None), None)
    if at is None:
        return [""] * len(table.cells)
    cells = [with_point(cell, decimal_mark(cell) or usual) for _, cell in table.column(at)]
    heading = table.headings[at]
    own = tap_column(path=table.path, written=heading.written, unit=heading.unit, spec=first)
    return [own.with_unit(cell) for cell in cells] if heading.unit and own.is_in_its_unit else cells


def nominal_resolved(table: HandTable, rows: list[Row], sheet: DataSheet) -> tuple[HandTable, list[Row], str, str]:
    """The same where nominal values, which may be of either end, are what they agree with; what they are; a remark."""
    at = table.named("nominal")
    if at is None:
        return table, rows, "", ""
    column, is_free = table.headings[at], table.named("setpoint") is None
    if is_free and setpoint_column(rows, sheet.taps[0]) is not None:
        meaning, means, unknown = "setpoint", "holds setpoints of the input", ""
    elif fits_outputs(column, [cell for _, cell in table.column(at)], rows, sheet):
        meaning, means, unknown = "expected", "holds expected outputs", ""
    else:
        meaning, means, unknown = "remark", "", "fits neither the inputs nor the outputs that the type sheet expects"
    if is_free and meaning != "setpoint":
        rows = [replace(row, setpoint="") for row in rows]
    headings = [replace(each, meaning=meaning) if each is column else each for each in table.headings]
    named = f'column "{column.written}" '
    return replace(table, headings=headings), rows, means and named + means, unknown and named + unknown


def checked(table: HandTable, rows: list[Row], sheet: DataSheet) -> tuple[str, dict[int, str]]:
    """What the user's own errors are meant in, and remarks where they, or the outputs expected, are not ours."""
    meant, remarks = "", []
    if (at := table.named("error")) is not None:
        meant, wrong = stated_errors(table.headings[at], [cell for _, cell in table.column(at)], rows, sheet)
        remarks.append(wrong)
    if (at := table.named("expected")) is not None:
        remarks.append(stated_outputs(table.headings[at], [cell for _, cell in table.column(at)], rows, sheet))
    return f"errors of the table in {meant}" if meant else "", joined(*remarks)


def joined(*remarks: dict[int, str]) -> dict[int, str]:
    """Remarks by line of their row, those of one row in one text."""
    lines = sorted({line for each in remarks for line in each})
    return {line: "; ".join(each[line] for each in remarks if each.get(line)) for line in lines}
