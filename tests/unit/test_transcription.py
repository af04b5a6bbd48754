"""A slip that was recognised leads: the cause is the table, and the advice is to correct it, with line and column.

The plant is written down here: 4 to 20 mA for 0 to 1000 Hz (0 to 120 degC), some microamperes of scatter.
"""

import json

import numpy as np
import pytest

from sequencer import core
from sequencer.diagnosis.examine import examine
from sequencer.readings.csv_import import from_csv

UP = np.arange(0, 101, 10.0)
X = np.concatenate((UP, UP[-2::-1]))
MA = 4 + 0.16 * X + np.random.default_rng(1).normal(0, 0.002, X.size)
PULSES, PT100 = "pulse-to-current", "pt100-to-current"


@pytest.fixture
def judged(tmp_path):
    def judge(headings, inputs, outputs, *, sheet=PULSES):
        path = tmp_path / "hand.csv"
        rows = [f"{x:.6g};{y:.7g}".replace("nan", "") for x, y in zip(inputs, outputs, strict=True)]
        path.write_text("\n".join(["# taken on Tuesday", headings, *rows]), encoding="utf-8")
        return core.by_hand(path, sheet)

    return judge


@pytest.mark.parametrize(
    ("headings", "inputs", "outputs", "name", "do"),
    [
        ("input [Hz];output [A]", 10 * X, MA, "unit of a column",
         'write [mA] as the unit of column "output [A]" of line 2'),
        ("input [Hz];output [mA]", 10 * X, MA / 1e3, "unit of a column",
         'write [A] as the unit of column "output [mA]"'),
        ("input [Hz];output [mA]", 10 * X, MA / 4, "unit of a column",
         'write [V] as the unit of column "output [mA]"'),
        ("input [kHz];output [mA]", 10 * X, MA, "unit of a column", 'write [Hz] as the unit of column "input [kHz]"'),
        ("input [Hz];output [mA]", X / 100, MA, "unit of a column", 'write [kHz] as the unit of column "input [Hz]"'),
        ("input [Hz];output [mA]", 10 * X, 10 * MA, "decimal point of a column", "each number times 0.1"),
        ("input [Hz];output [mA]", 10 * X, -MA, "sign of a column", "each number times -1"),
        ("input;output", MA, 10 * X, "swapped columns",
         'exchange the headings of column "input" of line 2 and column'),
        # 4 to 20 mA written as 0 to 100 %: 0.16 mA for each percent.
        ("input [Hz];output [mA]", 10 * X, (MA - 4) / 0.16, "unit of a column",
         'write [%] as the unit of column "output [mA]"'),
        # The same beside a span error of 5 %: first the table, then the unit.
        ("input [Hz];output [A]", 10 * X, 4 + 1.05 * (MA - 4), "unit of a column", "write [mA] as the unit"),
        ("input [Hz];output [A]", [0, 1000], [4.001, 20.001], "unit of a column", "write [mA] as the unit"),
    ],
)  # fmt: skip
def test_a_slip_in_a_whole_column_leads(judged, headings, inputs, outputs, name, do):
    found = judged(headings, inputs, outputs)
    assert found.findings.ranking[0].names == (name,)
    assert found.findings.ranking[0].weight > 0.9
    assert found.findings.cause.startswith(name)
    assert do in found.advice
    assert found.advice.startswith("Correct the table first: ")
    assert found.findings.check == found.advice
    assert found.adjustment is None


def test_a_unit_that_changes_in_a_column_is_one_slip_of_all_its_rows(judged):
    # From the row of line 15 on in A: nine numbers, more than are corrected one by one.
    changed = np.where(np.arange(X.size) >= 12, MA / 1e3, MA)
    found = judged("input [Hz];output [mA]", 10 * X, changed)
    last = X.size + 2
    said = f'line 15, column "output [mA]" to line {last}, {X.size - 12} numbers times 1000'
    assert found.findings.names == ("decimal slip",)
    assert said in found.advice


def test_minutes_for_seconds_are_a_slip_of_the_column(judged):
    # 0 to 60 000 a minute are 0 to 1000 Hz.
    found = judged("input [Hz];output [mA]", 600 * X, MA)
    assert found.findings.names == ("unit of a column",)
    assert (
        'column "input [Hz]" of line 2, each number times 0.0166667 (1/min for Hz), if they bear it out' in found.advice
    )


def test_a_slip_leads_in_terminal_json_and_page(judged):
    from sequencer.reports.html import html
    from sequencer.reports.terminal import summary

    found = judged("input [Hz];output [A]", 10 * X, MA)
    text = summary(found, colour=False, width=200)
    assert text.index("cause: unit of a column") < text.index("do: Correct the table first") < text.index("figures by")
    document = json.loads(json.dumps(core.document(found)))
    assert document["advice"] == found.advice
    assert "double counting" not in json.dumps(document["findings"])
    assert "Correct the table first" in html(found)


def test_degrees_fahrenheit_under_celsius(judged):
    degC = 1.2 * X
    found = judged("input [degC];output [mA]", 32 + 1.8 * degC, MA, sheet=PT100)
    assert found.findings.ranking[0].names == ("unit of a column",)
    assert 'write [degF] as the unit of column "input [degC]" of line 2 (degF for degC)' in found.advice


@pytest.mark.parametrize(
    ("changed", "name", "place"),
    [
        ({12: 1.68}, "decimal slip", 'line 15, column "output [mA]", 16.8'),
        ({12: 61.8}, "transposed digits", 'line 15, column "output [mA]", 16.8'),
        ({4: 12.0, 5: 10.4}, "swapped rows", 'column "output [mA]"'),
    ],
)
def test_a_slip_in_one_number_leads_with_line_and_column(judged, changed, name, place):
    mA = np.round(MA, 2)
    for row, written in changed.items():
        mA[row] = written
    found = judged("input [Hz];output [mA]", 10 * X, mA)
    assert found.findings.ranking[0].names == (name,)
    assert found.advice.startswith("Correct the readings first: ")
    assert place in found.advice


def test_a_column_goes_as_it_is_said_to(judged):
    # What the advice says to write passes.
    found = judged("input [Hz];output [%]", 10 * X, (MA - 4) / 0.16)
    assert found.evaluation.verdict.is_pass


@pytest.mark.parametrize(
    ("span", "changed", "name", "places"),
    [
        # An input that was typed ten times too small: 700.11 Hz were meant; alone, and beside a span error of 3 %.
        (1, {("input", 7): "70.011"}, "decimal slip", ['line 10, column "input [Hz]", 700.11 Hz in place of 70.011']),
        (1.03, {("input", 7): "70.011"}, "decimal slip", ['column "input [Hz]", 700.11 Hz in place of 70.011 Hz']),
        (1, {("setpoint", 7): "40"}, "setpoint mistyped", ["line 10, column of setpoints, 70 % in place of 40 %"]),
        (1.03, {("setpoint", 7): "40"}, "setpoint mistyped", ["column of setpoints, 70 % in place of 40 %"]),
        # An open contact gives no 184 mA.
        (
            1, {("output", 2): "72.008", ("output", 9): "184.003"}, "decimal slip",
            ['line 5, column "output [mA]", 7.2008 mA in place of 72.008 mA',
             'line 12, column "output [mA]", 18.4003 mA in place of 184.003 mA'],
        ),
        (1, {("output", 5): "-12.003"}, "sign lost", ["12.003 mA in place of -12.003 mA"]),
        (1, {("output", 5): "15.003"}, "mistyped digit", ["12.003 mA in place of 15.003 mA"]),
        (1, {("input", 5): "12.003", ("output", 5): "500.11"}, "exchanged cells", ["exchange 12.003 and 500.11"]),
        # Two kinds at once, in two columns.
        (
            1, {("input", 3): "3001.1", ("output", 14): "31.603"}, "decimal slip + transposed digits",
            ['line 6, column "input [Hz]", 300.11 Hz in place of 3001.1 Hz',
             'line 17, column "output [mA]", 13.603 mA in place of 31.603 mA'],
        ),
    ],
)  # fmt: skip
def test_slips_in_any_column_lead_with_what_to_write(tmp_path, span, changed, name, places):
    def said(changed, span=1.0):
        inputs = [f"{10 * x + 0.11:.2f}" for x in X]
        outputs = [f"{4 + span * (mA - 4) + 0.002:.3f}" for mA in MA]
        columns = {"setpoint": [f"{x:g}" for x in X], "input": inputs, "output": outputs}
        for (column, row), text in changed.items():
            columns[column][row] = text
        path = tmp_path / "hand.csv"
        rows = [";".join(each) for each in zip(*columns.values(), strict=True)]
        path.write_text("\n".join(["# Tuesday", "setpoint;input [Hz];output [mA]", *rows]), encoding="utf-8")
        return core.by_hand(path, PULSES)

    assert said({}).evaluation.verdict.is_pass
    found = said(changed, span)
    assert found.findings.ranking[0].names == (name,)
    assert found.findings.stage.endswith("(what was written down, not the unit)")
    assert found.advice.startswith("Correct the readings first: ")
    for place in places:
        assert place in found.advice
    assert found.adjustment is None


@pytest.mark.parametrize(
    ("outputs", "name"),
    [
        (4 + (MA - 4) / 10, "upper range wrong"),  # a range that is ten times as wide is no slip: 4 mA stay 4 mA
        (0 * MA + 0.001, "meter fuse blown"),
    ],
)
def test_a_fault_of_unit_or_bench_is_no_slip(judged, outputs, name):
    found = judged("input [Hz];output [mA]", 10 * X, outputs)
    assert found.findings.ranking[0].names[0] == name
    assert not found.findings.ranking[0].is_only("transcription")


def test_a_good_table_has_no_slip(judged):
    found = judged("input [Hz];output [mA]", 10 * X, MA)
    assert not found.findings.is_fault
    (read,) = found.remarks
    assert read.startswith("read: ")


def test_an_error_that_comes_again_at_its_point_is_no_slip(judged):
    # 12 mA at 50 %, read twice in the two cycles as 15 mA: a neighbouring digit, but alike each time.
    inputs = np.concatenate((X, X[1:]))
    mA = np.round(4 + 0.16 * inputs + np.random.default_rng(2).normal(0, 0.002, inputs.size), 3)
    mA[np.isclose(inputs, 50)] += 3
    found = judged("input [Hz];output [mA]", 10 * inputs, mA)
    assert not found.findings.ranking[0].is_only("transcription")


def test_an_output_that_is_held_is_no_copied_reading(judged):
    mA = np.minimum(np.round(MA, 3), 16.123)
    found = judged("input [Hz];output [mA]", 10 * X, mA)
    assert "loop compliance" in found.findings.ranking[0].names


def test_a_good_table_with_points_missing_shows_no_fault(judged):
    found = judged("input [Hz];output [mA]", 10 * X, np.where(np.arange(X.size) == 3, np.nan, 4 + 0.16 * X))
    assert found.evaluation.verdict.result == "not determinable"
    assert not found.findings.is_fault


def test_a_temperature_of_0_degrees_that_was_typed_in_ohm_is_doubted_as_any_other(type_sheet, by_hand):
    # 100 (1 + 3.9083e-3 t - 5.775e-7 t^2) of a Pt100 (IEC 60751); the output is a root, and 0.87 % of 8 V too high.
    sheet = type_sheet(
        "type: invented\ninput: {range: 0 .. 200 degC, sensor: {rtd: Pt100}}\noutput: {range: 2 .. 10 V}\n"
        "tolerance: 0.1 % of span\n"
    )
    degC = np.linspace(0, 200, 11)
    ohm = 100 * (1 + 3.9083e-3 * degC - 5.775e-7 * degC**2)
    rows = [(f"{x:.3f}", f"{2.07 + 8 * np.sqrt(t / 200):.4f}") for x, t in zip(ohm, degC, strict=True)]
    found = examine(from_csv(by_hand("input [ohm];output [V]", rows), sheet.datasheet()), sheet).findings
    assert any("square root applied" in name for name in found.names)
