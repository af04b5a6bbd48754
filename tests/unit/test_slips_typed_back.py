"""Slips in files that people write: each line that an error shows is typed back in place of the slip, and is taken."""

import re

import pytest

from instruments.errors import InputError
from sequencer.inputs.files import load_sequence, load_type_sheet

SHEET = """\
type: slip unit (invented)
input: 0 .. 2.4 bar
output: 4 .. 20 mA
characteristic: linear
tolerance: 0.5 % of span
time constant: 500 ms
settling: {minimum: 1 s, maximum: 60 s}
"""
SEQUENCE = """\
sequence: slip sequence
type sheet: base.yaml
steps:
  - exercise: {cycles: 1}
  - traverse: {points: 5, cycles: 1, readings: 2}
"""
TRAVERSE = "points: 5, cycles: 1, readings: 2"


@pytest.fixture
def loaded(tmp_path):
    def load(text):
        name = "sequence" if text.startswith("sequence") else "base"
        (tmp_path / "base.yaml").write_text(SHEET, encoding="utf-8")
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
        (load_sequence if name == "sequence" else load_type_sheet)(str(tmp_path / f"{name}.yaml"))

    return load


@pytest.mark.parametrize(
    ("right", "slip", "place", "lines"),
    [
        ("input: 0 .. 2.4 bar", "input: [0, 2.4, bar]", "2:1", ["input: 0 .. 2.4 bar"]),
        ("input: 0 .. 2.4 bar", "input: [0 bar, 2.4 bar]", "2:1", ["input: 0 bar .. 2.4 bar"]),
        ("input: 0 .. 2.4 bar", "input: 0 to 2.4 Bar", "2:1", ["input: 0 to 2.4 bar"]),
        ("input: 0 .. 2.4 bar", "input: 0 .. 2,4 bar", "2:1", ["input: 0 .. 2.4 bar"]),
        ("input: 0 .. 2.4 bar", "input: 0 .. 2,400 mbar", "2:1", ["input: 0 .. 2.400 mbar", "input: 0 .. 2400 mbar"]),
        ("output: 4 .. 20 mA", "output: 4 mA .. 20", "3:1", ["output: 4 .. 20 mA"]),
        ("characteristic: linear", "characteristic: sqrt", "4:1", ["characteristic: square root"]),
        ("characteristic: linear", "characteristic: lin", "4:1", ["characteristic: linear"]),
        ("characteristic: linear", "\tcharacteristic: linear", "4:1", ["characteristic: linear"]),
        ("time constant: 500 ms", "time constant: 0.5", "6:1", ["time constant: 0.5 s", "time constant: 0.5 min"]),
        ("time constant: 500 ms", "time constant: 0,5 s", "6:1", ["time constant: 0.5 s"]),
        ("minimum: 1 s, maximum", "minimum: 1 s maximum", "7:32", ["settling: {minimum: 1 s, maximum: 60 s}"]),
        ("maximum: 60 s}", "maximum: 60 s", "8:1", ["settling: {minimum: 1 s, maximum: 60 s}"]),
        *(
            ("tolerance: 0.5 % of span", slip, "5:1", [f"tolerance: 0.5 % of {base}" for base in bases])
            for bases in [("span", "reading", "output", "full scale")]
            for slip in ("tolerance: 0.5 %", "tolerance: 0.5 % v. Messspanne", "tolerance: 0.5 % of range")
        ),
        ("tolerance: 0.5 % of span", "tolerance: 0,5 % of span", "5:1", ["tolerance: 0.5 % of span"]),
        ("type sheet: base.yaml", "type sheet: bas.yaml", "2:1", ["type sheet: base.yaml"]),
        (TRAVERSE, "points: five", "5:16", ["points: 5"]),
        (TRAVERSE, "points: [0, 50, 100]", "5:16", ["points: [0 %, 50 %, 100 %]"]),
        (TRAVERSE, "points: [0 %, 50, 100]", "5:16", ["points: [0 %, 50 %, 100 %]"]),
        (TRAVERSE, "points: 5 cycles: 1", "5:32", ["- traverse: {points: 5, cycles: 1}"]),
        (TRAVERSE, "points: 5 cycles: 1 readings: 2", "5:32", ["- traverse: {points: 5, cycles: 1, readings: 2}"]),
        ("- exercise: {cycles: 1}", "exercise: {cycles: 1}", "5:3", ["- exercise: {cycles: 1}"]),
        ("- traverse:", "traverse:", "5:3", ["- traverse: {points: 5, cycles: 1, readings: 2}"]),
    ],
)
def test_each_line_that_is_shown_is_taken(loaded, right, slip, place, lines):
    original = SHEET if right in SHEET else SEQUENCE
    text = original.replace(right, slip)
    assert text != original
    with pytest.raises(InputError) as wrong:
        loaded(text)
    assert not wrong.value.others
    assert wrong.value.where.endswith(f":{place}")
    assert re.findall('"([^"]+)"', wrong.value.todo) == lines
    for line in lines:
        # A line of a file replaces the whole line with the slip, one of a group the part of it.
        whole = next(each for each in text.splitlines() if slip in each).strip()
        key = line.removeprefix("- ").partition(":")[0]
        is_whole = whole.removeprefix("- ").startswith(f"{key}:")
        loaded(text.replace(("\t" if slip[0] == "\t" else "") + whole if is_whole else slip, line))


def test_a_tab_is_named_with_its_place(loaded):
    with pytest.raises(InputError, match="a tab in the indentation") as wrong:
        loaded(SEQUENCE.replace("  - traverse", "  \t- traverse"))
    assert wrong.value.where.endswith(":5:3")


def test_what_cannot_be_mended_is_told_without_a_line(loaded):
    for slip in ("characteristic: curved", "characteristic: 'linear"):
        with pytest.raises(InputError) as wrong:
            loaded(SHEET.replace("characteristic: linear", slip))
        assert "write" not in wrong.value.todo
