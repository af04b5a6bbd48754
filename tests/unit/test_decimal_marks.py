"""A point between thousands is none between decimals: 1.000 beside 12,5 is a thousand."""

import pytest

from instruments.datasheet import DataSheet, Stage, Tap
from instruments.errors import ReadingsError
from sequencer.readings.csv_import import from_csv
from sequencer.readings.decimal_marks import decimal_mark, is_either, with_point


@pytest.mark.parametrize(
    ("cell", "mark"),
    [
        ("12,5", ","), ("12.5", "."), ("1.000,5", ","), ("1,000.5", "."), ("1.000.000", ","), ("1,000,000", "."),
        ("0.250", "."), ("1250.125", "."), ("12.0501", "."), ("4.003e-3", "."), ("12,", ","), ("-12,50 mA", ","),
        ("1 000,5", ","), ("1'000.5", "."), ("1.000", ""), ("-12,050 Hz", ""), ("1000", ""), ("", ""), ("OL", ""),
        ("1.2.3", ""), ("1,00.5", ""), ("8,O5", ""),
    ],
)  # fmt: skip
def test_what_a_number_says_of_its_own_mark(cell, mark):
    assert decimal_mark(cell) == mark


@pytest.mark.parametrize(
    ("cell", "is_so"), [("1.000", True), ("12,050 Hz", True), ("1.00", False), ("1.000.000", False)]
)
def test_a_mark_before_three_digits_may_be_either(cell, is_so):
    assert is_either(cell) is is_so


def test_a_cell_keeps_its_unit():
    assert with_point("1.000,5 mA", ",") == "1000.5 mA"
    assert with_point("-1,000 Hz", ".") == "-1000 Hz"


def sheet(high):
    return DataSheet(
        type="x",
        taps=(Tap(name="input", low=0, high=high, unit="Hz"), Tap(name="output", low=4, high=20, unit="mA")),
        stages=(Stage(name="unit"),),
    )


@pytest.fixture
def inputs(tmp_path):
    def read(cells, outputs, *, high=1000.0):
        path = tmp_path / "hand.csv"
        rows = [f"{one};{other}" for one, other in zip(cells, outputs, strict=True)]
        path.write_text("\n".join(["input [Hz];output [mA]", *rows]), encoding="utf-8")
        table = from_csv(path, sheet(high))
        return [table.loc[table["tap"] == tap, "value"].tolist() for tap in ("input", "output")]

    return read


COMMAS, POINTS = ["4,01", "12,02", "20,03"], ["4.01", "12.02", "20.03"]
OUTPUTS = [4.01, 12.02, 20.03]


@pytest.mark.parametrize(
    ("cells", "outputs", "expected"),
    [
        pytest.param(["0", "500", "1.000"], COMMAS, [0, 500, 1000], id="thousands in a table with commas"),
        pytest.param(["0", "500", "1,000"], POINTS, [0, 500, 1000], id="thousands in a table with points"),
        pytest.param(["0", "500,5", "1.000,5"], POINTS, [0, 500.5, 1000.5], id="the column before the table"),
        pytest.param(["0", "12,5", "1.250"], COMMAS, [0, 12.5, 1250], id="beside a decimal comma"),
        pytest.param(["0", "1.000", "2.000"], POINTS, [0, 1, 2], id="decimals in a table with points"),
        pytest.param(["0,000", "1,000", "2,000"], COMMAS, [0, 1, 2], id="decimals in a table with commas"),
        pytest.param(["0", "1.000.000", "1.250"], COMMAS, [0, 1e6, 1250], id="two marks are thousands"),
    ],
)
def test_thousands_are_told_from_decimals_by_column_and_table(inputs, cells, outputs, expected):
    assert inputs(cells, outputs, high=1250.0) == [expected, OUTPUTS]


def test_where_column_and_table_say_nothing_the_range_does(inputs):
    # 4003 mA is no output of 4 to 20 mA.
    assert inputs([0, 500, 1000], ["4.003", "12.002", "20,001"])[1] == [4.003, 12.002, 20.001]


def test_where_nothing_tells_the_error_shows_both(inputs):
    with pytest.raises(ReadingsError, match=r'"1\.000" may be 1000 or 1\.000 \(column "input \[Hz\]"\)') as refused:
        inputs(["0", "500", "1.000"], ["4", "12", "20"])
    assert refused.value.where.endswith(":4")
    assert refused.value.todo == "write 1000, or 1.0000"


def test_a_stray_mark_does_not_make_thousands_of_decimals(inputs):
    # One decimal comma among points: 8003 mA would be nonsense, 8.003 mA is read by nobody unasked.
    with pytest.raises(ReadingsError, match=r"may be 8003 or 8\.003"):
        inputs(["0", "250", "500"], ["4,01", "8.003", "12.002"])


def test_an_own_correction_is_taken_as_it_is_shown(inputs):
    assert inputs(["0", "500", "1.0000"], ["4", "12", "20"])[0] == [0, 500, 1]


@pytest.mark.parametrize("cells", [["0", "1.000", "12.050"], ["0", "1,000", "12,050"]])
@pytest.mark.parametrize("outputs", [["4", "12", "20"]])
def test_each_correction_that_is_offered_is_read_as_what_was_meant(inputs, cells, outputs):
    with pytest.raises(ReadingsError) as refused:
        inputs(cells, outputs, high=12500.0)
    told = [refused.value, *refused.value.others]
    for way in (0, 1):
        typed = [cells[0], *(each.todo.removeprefix("write ").split(", or ")[way] for each in told)]
        shown = [each.what.partition(" may be ")[2].partition(" (")[0].split(" or ")[way] for each in told]
        assert inputs(typed, outputs, high=12500.0)[0] == [0, *map(float, shown)]
        assert sorted({float(shown[0]), float(shown[1])}) in ([1, 12.05], [1000, 12050])
