"""Tables for other programs, opened by those: openpyxl, pandas, pyarrow. Numbers are numbers, texts no formulas."""

import csv
import sys
from dataclasses import replace
from datetime import UTC, datetime

import openpyxl
import pandas as pd
import pyarrow.parquet
import pytest

from instruments.errors import InputError
from sequencer import core
from sequencer.documents.spreadsheet import workbook
from sequencer.documents.tables import TABLES, Table

HOSTILE = '=HYPERLINK("http://127.0.0.1","x")'


@pytest.fixture
def hostile(adjusted):
    """The record with texts that a spreadsheet would take for formulas."""
    record = adjusted
    content = replace(record.content, serial=HOSTILE, operator="+1+1", bench="@SUM(1)", type="-2\t\x07")
    return replace(record, content=content, readings=record.readings.assign(note=HOSTILE, serial="=1+1"))


def test_a_workbook_has_a_sheet_a_table_units_below_the_names_and_numbers_as_numbers(adjusted, tmp_path):
    record = adjusted
    book = openpyxl.load_workbook(core.write_document(record, tmp_path / "a.xlsx"))
    assert book.sheetnames == ["record", "visits", "points", "figures", "end pairs", "readings"]
    names, units, *rows = book["visits"].iter_rows()
    of = {name.value: unit.value for name, unit in zip(names, units, strict=True)}
    assert (of["error"], of["U"], of["error_pct"], of["setpoint_pct"]) == ("mA", "mA", "% of span", "%")
    assert of["verdict"] is None
    at = [each.value for each in names].index("error")
    assert {row[at].data_type for row in rows} == {"n"}
    assert [row[at].value for row in rows] == pytest.approx([*record.evaluation.visits["error"]], abs=1e-10)
    assert len(list(book["readings"].iter_rows())) == len(record.readings) + 2


def test_a_workbook_says_whose_it_is_and_its_units_in_its_properties(adjusted, tmp_path):
    book = openpyxl.load_workbook(core.write_document(adjusted, tmp_path / "a.xlsx"))
    kept = {each.name: each.value for each in book.custom_doc_props.props}
    assert kept["serial"] == "GF-104"
    assert kept["digest, SHA-256"] == adjusted.content.digest
    assert "error [mA]" in kept["units of visits"]
    facts = {row[0].value: row[1].value for row in book["record"].iter_rows()}
    assert facts["digest, SHA-256"] == adjusted.content.digest


def test_no_text_of_a_workbook_is_a_formula(hostile, tmp_path):
    book = openpyxl.load_workbook(core.write_document(hostile, tmp_path / "a.xlsx"))
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert {cell.data_type for cell in cells} <= {"s", "n", "b", "d"}
    serial = next(cell for cell in cells if cell.value == HOSTILE)
    assert serial.quotePrefix  # so it stays a text when somebody edits it
    assert not any(sheet._hyperlinks for sheet in book)
    assert r"-2\t\x07" in [cell.value for cell in cells]


def test_csv_has_names_units_and_rows_and_no_formula(hostile, tmp_path):
    path = core.write_document(hostile, tmp_path / "a.csv")
    names, units, first, *_ = csv.reader(path.read_text(encoding="utf-8").splitlines())
    assert dict(zip(names, units, strict=True))["error"] == "mA"
    assert first[names.index("serial")] == f"'{HOSTILE}"
    table = pd.read_csv(path, skiprows=[1])
    assert table["error"].to_numpy() == pytest.approx(hostile.evaluation.visits["error"].to_numpy(), abs=1e-10)
    assert table["is_within"].dtype == bool


@pytest.mark.parametrize("name", [each for each in TABLES if each != "stages"])
def test_each_table_can_be_had_as_parquet_with_the_unit_of_each_column(adjusted, tmp_path, name):
    path = core.write_document(adjusted, tmp_path / "a.parquet", table=name)
    table = pyarrow.parquet.read_table(path)
    assert table.schema.metadata[b"digest, SHA-256"] == adjusted.content.digest.encode()
    assert len(table)
    if name in {"visits", "points"}:
        assert table.schema.field("error").metadata[b"unit"] == b"mA"
        assert str(table.schema.field("error").type) == "double"
    pd.testing.assert_index_equal(pd.read_parquet(path).columns, pd.Index(table.column_names))


def test_dates_are_times_in_utc_to_other_programs(adjusted, tmp_path):
    # The digits of the record itself: 2026-01-05T08:00:00Z and so on.
    first = datetime.fromisoformat(str(adjusted.readings["at"].iloc[0])).astimezone(UTC)
    sheet = openpyxl.load_workbook(core.write_document(adjusted, tmp_path / "a.xlsx"))["readings"]
    at = [cell.value for cell in sheet[1]].index("at")
    assert sheet[2][at].value == "UTC"
    assert abs((sheet[3][at].value.replace(tzinfo=UTC) - first).total_seconds()) < 0.001
    for table in ("readings", "visits"):
        kept = pyarrow.parquet.read_table(core.write_document(adjusted, tmp_path / f"{table}.parquet", table=table))
        assert str(kept.schema.field("at" if table == "readings" else "date").type).endswith("tz=UTC]")
    text = core.write_document(adjusted, tmp_path / "a.csv", table="readings").read_text(encoding="utf-8")
    assert first.isoformat() in text


def test_stages_of_a_chain_are_a_table(kept_record, tmp_path):
    path = core.write_document(kept_record("failed-chain"), tmp_path / "a.csv", table="stages")
    table = pd.read_csv(path, skiprows=[1])
    assert [*table["first"]] == ["demand", "speed", "pulse"]
    assert table["worst_pct"].dtype == float


def test_a_record_without_a_result_has_its_readings(adjusted, tmp_path):
    record = replace(adjusted, content=replace(adjusted.content, evaluation=None, reason="nothing was read"))
    table = pd.read_csv(core.write_document(record, tmp_path / "a.csv"), skiprows=[1])
    assert len(table) == len(record.readings)
    with pytest.raises(InputError, match='no table "visits": nothing was evaluated'):
        core.write_document(record, tmp_path / "b.csv", table="visits")


def test_a_table_that_there_is_not_is_told_with_the_nearest(adjusted, tmp_path):
    with pytest.raises(InputError, match='there is no table "reding"') as refused:
        core.write_document(adjusted, tmp_path / "a.csv", table="reding")
    assert refused.value.todo == 'write "readings"'


def test_more_rows_than_a_sheet_takes_are_refused():
    many = Table(name="readings", frame=pd.DataFrame({"value": range(1_048_575)}), units={"value": "mA"})
    with pytest.raises(InputError, match="more than a sheet takes"):
        workbook({"readings": many}, {})


def test_a_text_longer_than_a_cell_ends_in_dots(tmp_path):
    table = Table(name="readings", frame=pd.DataFrame({"note": ["x" * 40_000]}), units={"note": ""})
    (tmp_path / "a.xlsx").write_bytes(workbook({"readings": table}, {"serial": "y" * 40_000}))
    text = openpyxl.load_workbook(tmp_path / "a.xlsx")["readings"]["A3"].value
    assert (len(text), text[-4:]) == (32_767, "x...")


@pytest.mark.parametrize(("name", "package"), [("a.xlsx", "xlsxwriter"), ("a.parquet", "pyarrow")])
def test_without_its_library_it_is_said_how_to_install_it(adjusted, tmp_path, monkeypatch, name, package):
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(InputError, match=f'needs the package "{package}"') as refused:
        core.write_document(adjusted, tmp_path / name)
    assert "livezero[documents]" in refused.value.todo
    core.write_document(adjusted, tmp_path / "a.csv")
