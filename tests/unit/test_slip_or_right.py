"""Which of two columns holds the slip: the setpoints beside them tell, or the order and the grid of the inputs.

The plants are written down here: 0 to 20 mV give 0 to 10 V, so each mV gives 0.5 V; exact to the last digit written.
"""

import math

import numpy as np
import pytest

from sequencer import core
from sequencer.inputs.files import load_type_sheet
from sequencer.readings.csv_import import from_csv
from sequencer.readings.table import write_csv

AMPLIFIER = """type: strain amplifier (invented)
input: {range: 0 .. 20 mV}
output: {range: 0 .. 10 V}
characteristic: linear
tolerance: 0.1 % of span
time constant: 300 ms
settling: {minimum: 1 s, maximum: 60 s}
supply: 24 V DC
"""
CHAIN = """type: mash agitator chain (invented)
taps:
  - {tap: demand, range: 0 .. 10 V}
  - {tap: speed, range: 0 .. 3000 rpm}
  - {tap: pulse, range: 0 .. 2000 Hz}
  - {tap: returned, range: 4 .. 20 mA}
stages:
  - {stage: drive, time constant: 1 s, tolerance: 0.5 % of span}
  - {stage: wheel, pulses per revolution: 40, tolerance: 0.1 % of span}
  - {stage: rate, time constant: 300 ms, tolerance: 0.2 % of span}
tolerance: 0.6 % of span
settling: {minimum: 1 s, maximum: 60 s}
supply: 24 V DC
load: 250 ohm
"""
UP = np.linspace(0, 100, 9)
PCT = np.concatenate((UP, UP[-2::-1]))
MV, VOLTS = [f"{0.2 * pct:.3f}" for pct in PCT], [f"{0.1 * pct:.3f}" for pct in PCT]


@pytest.fixture
def judged(tmp_path):
    def judge(columns, type_sheet=AMPLIFIER):
        sheet, path = tmp_path / "type.yaml", tmp_path / "hand.csv"
        sheet.write_text(type_sheet, encoding="utf-8")
        rows = [";".join(row) for row in zip(*columns.values(), strict=True)]
        path.write_text("\n".join([";".join(columns), *rows]), encoding="utf-8")
        return core.by_hand(path, sheet)

    return judge


def table(*, has_setpoints, inputs=MV, outputs=VOLTS, headings=("injected [mV]", "returned [V]")):
    setpoints = {"setpoint": [f"{pct:g}" for pct in PCT]} if has_setpoints else {}
    return setpoints | {headings[0]: inputs, headings[1]: outputs}


def scaled(texts, factor, digits):
    return [f"{float(each) * factor:.{digits}f}" for each in texts]


@pytest.mark.parametrize("has_setpoints", [True, False])
@pytest.mark.parametrize("row", [2, 3, 5, 12])
def test_an_output_is_corrected_where_its_input_is_where_it_was_set(judged, has_setpoints, row):
    # 0.375 V at 7.5 mV, set to 37.5 %: 3.75 V were meant; 0.75 mV would give 0.375 V too, but at 3.75 %.
    outputs = [*VOLTS]
    outputs[row] = f"{float(VOLTS[row]) / 10:.4f}"
    found = judged(table(has_setpoints=has_setpoints, outputs=outputs))
    right, where = f"{float(VOLTS[row]):.6g} V", f'line {row + 2}, column "returned [V]"'
    assert found.findings.ranking[0].names == ("decimal slip",)
    assert found.advice.startswith(f"Correct the readings first: {where}, {right} in place of")
    assert "injected" not in found.advice


@pytest.mark.parametrize("has_setpoints", [True, False])
def test_an_input_is_corrected_where_it_is_not_where_it_was_set(judged, has_setpoints):
    inputs = [*MV]
    inputs[3] = "0.750"
    found = judged(table(has_setpoints=has_setpoints, inputs=inputs))
    assert 'line 5, column "injected [mV]", 7.5 mV in place of 0.75 mV' in found.advice
    assert "returned" not in found.advice


def test_where_nothing_tells_both_cells_are_named(judged):
    # 16 mV beside 0.8 V, points out of order and off any grid: 1.6 mV or 8 V were meant.
    found = judged({"injected [mV]": ["3.000", "8.000", "16.000", "6.000", "11.700", "19.300"],
                    "returned [V]": ["1.500", "4.000", "0.800", "3.000", "5.850", "9.650"]})  # fmt: skip
    assert found.findings.stage.endswith("(what was written down, not the unit)")
    assert "check both against the notes" in found.advice
    assert "8 V in place of 0.8 V" in found.advice
    assert "1.6 mV in place of 16 mV" in found.advice


@pytest.mark.parametrize("has_setpoints", [True, False])
@pytest.mark.parametrize(
    ("inputs", "headings", "do"),
    [
        # The numbers are volts under [mV]: 3.75 is no 3.75 mV.
        (MV, ("injected [mV]", "returned [mV]"), 'write [V] as the unit of column "returned [mV]" of line 1'),
        # 0.0075 V under [mV]: 0.04 % of the range where 37.5 % was set.
        (scaled(MV, 1e-3, 5), ("injected [mV]", "returned [V]"),
         'write [V] as the unit of column "injected [mV]" of line 1'),
    ],
)  # fmt: skip
def test_the_unit_is_wrong_of_the_column_that_is_not_as_set(judged, has_setpoints, inputs, headings, do):
    found = judged(table(has_setpoints=has_setpoints, inputs=inputs, headings=headings))
    assert found.findings.ranking[0].names == ("unit of a column",)
    assert do in found.advice


@pytest.mark.parametrize("has_setpoints", [True, False])
def test_a_gain_of_a_thousandth_is_no_slip_of_the_input(judged, has_setpoints):
    # As many digits as the meter had at 10 V, and three fewer: 3.75 mV beside 7.5 mV, at 37.5 %.
    for digits in (6, 5):
        found = judged(table(has_setpoints=has_setpoints, outputs=scaled(VOLTS, 1e-3, digits)))
        assert found.findings.ranking[0].names == ("unit of a column",)
        assert "injected" not in found.findings.cause
        assert found.advice.startswith('Check the column against the notes first: column "returned [V]" of line 1')
        assert "else the unit has that factor" in found.advice


def test_a_unit_by_a_narrow_range_names_both_columns(judged):
    # 6 to 9 mV give 3 to 4.5 V; written as 3 to 4.5 mV, either column may be the wrong one.
    mV = np.linspace(6, 9, 7)
    found = judged({"injected [mV]": [f"{x:.3f}" for x in mV], "returned [mV]": [f"{0.5 * x:.4f}" for x in mV]})
    assert found.advice.startswith("Check both columns against the notes first: ")
    assert 'write [V] as the unit of column "returned [mV]" of line 1' in found.advice
    assert 'write [uV] as the unit of column "injected [mV]" of line 1' in found.advice


@pytest.mark.parametrize(
    "pair", [("speed [rpm]", "pulse [Hz]"), ("demand [V]", "speed [rpm]"), ("demand [V]", "returned [mA]")]
)
def test_any_two_columns_of_a_chain_that_were_exchanged_lead(judged, pair):
    # 3000 rpm at 10 V; 40 pulses a turn: 1 rpm gives 2/3 Hz; 2000 Hz give 20 mA.
    columns = {
        "demand [V]": 0.1 * PCT,
        "speed [rpm]": 30 * PCT,
        "pulse [Hz]": 20 * PCT,
        "returned [mA]": 4 + 0.16 * PCT,
    }
    one, other = pair
    written = columns | {one: columns[other], other: columns[one]}
    found = judged({name: [f"{each:.3f}" for each in values] for name, values in written.items()}, CHAIN)
    assert found.findings.ranking[0].names == ("swapped columns",)
    assert f'exchange the headings of column "{one}" of line 1 and column "{other}" of line 1' in found.advice


def test_a_speed_in_turns_a_second_is_a_slip_of_its_column(judged):
    # 50 turns a second are 3000 rpm, 40 pulses each 2000 Hz.
    columns = {"demand [V]": VOLTS, "speed [rpm]": scaled(MV, 2.5, 3), "pulse [Hz]": scaled(MV, 100, 1)}
    found = judged(columns | {"returned [mA]": [f"{4 + 0.16 * pct:.3f}" for pct in PCT]}, CHAIN)
    assert found.findings.names == ("unit of a column",)
    assert 'column "speed [rpm]" of line 1, each number times 60 (1/s for rpm)' in found.findings.check


def test_setpoints_stay_in_the_table_and_old_tables_have_none(tmp_path):
    sheet = tmp_path / "type.yaml"
    sheet.write_text(AMPLIFIER, encoding="utf-8")
    unit = load_type_sheet(str(sheet))[0].datasheet()
    for name, has_setpoints in (("with", True), ("without", False)):
        path, kept = tmp_path / f"{name}.csv", tmp_path / f"{name}-kept.csv"
        columns = table(has_setpoints=has_setpoints)
        rows = [";".join(row) for row in zip(*columns.values(), strict=True)]
        path.write_text("\n".join([";".join(columns), *rows]), encoding="utf-8")
        write_csv(from_csv(path, unit), kept)
        again = from_csv(kept, unit)
        stated = again[again["tap"] == "input"]["stated_pct"].tolist()
        assert stated == (PCT.tolist() if has_setpoints else pytest.approx([math.nan] * PCT.size, nan_ok=True))
        assert ("stated_pct" in kept.read_text(encoding="utf-8").splitlines()[0]) is has_setpoints
