"""Any bytes give a table or an error that a user can act on, in bounded time."""

import sys

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from instruments.datasheet import DataSheet, Stage, Tap
from instruments.errors import InputError, ReadingsError
from sequencer.evaluation.evaluate import evaluate
from sequencer.inputs.files import load_type_sheet
from sequencer.readings.csv_import import from_csv

SHEET = DataSheet(
    type="x",
    taps=(Tap(name="input", low=0, high=1000, unit="Hz"), Tap(name="output", low=4, high=20, unit="mA")),
    stages=(Stage(name="unit"),),
)
TYPE, _ = load_type_sheet("pulse-to-current")

CELLS = st.one_of(
    st.sampled_from(
        ["", "-", "0", "4", "12,5", "1e3", "20 mA", "up", "down", '"', "''", "1;2", "nan", "#", "\t", "²", "٣"]
    ),
    st.floats(-1e4, 1e4).map(repr),
    st.text(max_size=8),
)
HEADINGS = st.sampled_from(["input", "output", "input [Hz]", "output [mA]", "output [A]", "cycle", "direction",
                            "remark", "output [", "[]", "input (Hz", "tap", "value", "point", "role"])  # fmt: skip
TABLES = st.builds(
    lambda header, rows, divider: "\n".join(divider.join(row) for row in [header, *rows]).encode("utf-8", "replace"),
    st.lists(HEADINGS, min_size=1, max_size=6),
    st.lists(st.lists(CELLS, max_size=6), max_size=12),
    st.sampled_from([",", ";", "\t"]),
)


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return tmp_path_factory.mktemp("hand") / "hand.csv"


def read(path, raw):
    """The table, or what is wrong with it; any other error than one of input comes through."""
    path.write_bytes(raw)
    try:
        table = from_csv(path, SHEET)
        evaluate(table, TYPE)
    except (InputError, ReadingsError) as error:
        return str(error) or pytest.fail("an error without a word")
    return table


@settings(max_examples=150, deadline=2000)
@given(st.one_of(st.binary(max_size=200), TABLES))
@example(b'input,output\n0,4\n"5,12\n')
@example(b"input,output\n\x1c0,4\x85\x0b9,9\n")
@example("input,output\n\u30000,4\n".encode())
@example(b"input,output\n1e-320,4\n5e-324,1e308\n")
@example(b"input,output\n0,1e308\n1000,-1e308\n500,1e308\n")
@example(b"tap,value,point,cycle\n,,,\n")
@example(b"tap,value,point,cycle,step,attempt,reading,role\nx,1,1,1,1,1,1,reading\n")
@example(b"tap,value,point,cycle,step,attempt,reading,role\noutput,inf,1,1,1,1,1,reading\n")
def test_any_bytes_give_a_table_or_an_error_of_ours(path, raw):
    read(path, raw)


SLOW = {
    "a heading of blanks": b"x(" + b" " * 15_000 + b"](,output\n0,4\n",
    "a heading of brackets": b"input" + b"[(" * 7_000 + b",output\n0,4\n",
    "a cell of digits": b"input,output\n0," + b"9" * 19_000 + b"x\n",
    "a cell of blanks": b"input,output\n0,5 a" + b" " * 19_000 + b"b\n",
    "a power in a cell": b"input,output\n0,5 mA**9**9**9**9\n",
    "a power in a heading": b"input,output [m*9**9**9**9]\n0,5\n",
    "many columns": b",".join([b"c"] * 9_000) + b"\n" + b",".join([b"1"] * 9_000) + b"\n",
    "columns of many names": b",".join(b"c%d" % n for n in range(500)) + b"\n" + b",".join([b"1"] * 500) + b"\n",
    "many rows": b"input,output\n" + b"0,4\n1000,20\n" * 10_000,
    "many points in no order": b"input,output\n"
    + b"".join(b"%d,4\n" % (number * 7919 % 10007) for number in range(2000)),
    "one line": b"a" * 40_000_000,
    "nothing but zeros": b"\0" * 1_000_000,
    "as many cycles as points": b"cycle,input,output\n" + b"".join(b"%d,%d,4\n" % (n, 10 * n) for n in range(1, 9999)),
}


@pytest.mark.parametrize("raw", SLOW.values(), ids=SLOW.keys())
def test_what_is_made_to_take_long_does_not(path, raw):
    # Work is counted in calls, which no busy machine changes; 5.5 million at most here. Time: tests/bench/.
    calls_n = 0

    def counted(frame, event, _):
        nonlocal calls_n
        calls_n += event in {"call", "c_call"}
        assert calls_n < 20_000_000, f"no end in {frame.f_code.co_qualname}"

    sys.setprofile(counted)
    try:
        read(path, raw)
    finally:
        sys.setprofile(None)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(0, 1000), min_size=2, max_size=30), st.sampled_from([",", ";", "\t"]))
def test_every_number_that_was_written_comes_back_in_its_row(path, inputs, divider):
    rows = [f"{x!r}{divider}{4 + x / 100!r}" for x in inputs]
    table = read(path, "\n".join([f"input{divider}output", *rows]).encode())
    assert table[table["tap"] == "input"]["value"].tolist() == inputs
    assert table[table["tap"] == "output"]["value"].tolist() == [4 + x / 100 for x in inputs]
