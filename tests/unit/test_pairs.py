"""Two causes at once that leave the line of zero and span: named, and no trim offered while they may be there."""

import numpy as np
import pytest
from segments import ISOLATOR, UP_DOWN, caused, series_with

from sequencer import core
from sequencer.diagnosis.examine import examine
from sequencer.diagnosis.model.chain import weighing
from sequencer.evaluation.budget import Basis
from sequencer.readings.csv_import import from_csv

RISING = """\
type: level converter
input: {range: 0 .. 100 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""
FALLING = RISING.replace("4 .. 20 mA", "20 .. 4 mA")
VOLTS = RISING.replace("4 .. 20 mA", "0 .. 10 V")
CLEARED = Basis(bench_cleared="A. Brewer: second meter at the terminals")
SCATTER = np.random.default_rng(4).normal(0, 5e-5, (UP_DOWN.size, 3))


@pytest.fixture
def examined(type_sheet, by_hand):
    """The result for a right unit whose output is read as `reads` makes it of the true level."""

    def made(reads, text=RISING, basis=None):
        sheet = type_sheet(text)
        low, high = (sheet.datasheet().taps[-1].value(np.array([0.0, 1.0]))).tolist()
        pcts = [*range(0, 101, 10), *range(90, -1, -10)]
        rows = [(pct, f"{reads(low + (high - low) * pct / 100):.4f}") for pct in pcts]
        return examine(from_csv(by_hand("input;output", rows), sheet.datasheet()), sheet, basis=basis)

    return made


@pytest.mark.parametrize("text", [RISING, FALLING], ids=["rising", "falling"])
@pytest.mark.parametrize(
    ("reads", "suspects"),
    [
        # A meter that shows I (1 + g) + o: 1.2 % of reading and 0.4 % of the span of 16 mA.
        pytest.param(lambda mA: 1.012 * mA + 0.064, {"meter gain", "load resistor wrong"}, id="meter"),
        # 1 % of the current passes the receiver, and zero is 0.5 % of 16 mA too high.
        pytest.param(lambda mA: 0.99 * (mA + 0.08), {"meter gain", "leak across receiver"}, id="leak and zero"),
        # Zero and span of the unit itself: the very same line as the meter's.
        pytest.param(lambda mA: mA + 0.112 + 0.012 * (mA - 4), {"meter gain", "load resistor wrong"}, id="unit"),
    ],
)
def test_a_line_that_meter_or_wiring_leave_too_is_no_reason_to_turn(examined, text, reads, suspects):
    found = examined(reads, text)
    assert found.evaluation.verdict.result == "fail"
    assert found.adjustment is None
    named = {part for name in found.findings.names for part in name.split(" + ")}
    assert suspects | {"zero and span"} <= named
    assert "Do not adjust before." in found.advice
    assert "second meter" in found.advice
    assert (
        "If it is zero and span: turn zero, then span, then run as left; --bench-cleared says by how much."
        in found.advice
    )


def test_once_bench_and_wiring_are_cleared_zero_and_span_are_turned(examined):
    # Read 4.112 and 20.304 mA: 0.7 % and 1.9 % of 16 mA too much, so 1.2 % of it is span.
    found = examined(lambda mA: 1.012 * mA + 0.064, basis=CLEARED)
    assert found.findings.names == ("zero and span",)
    assert (found.adjustment.zero, found.adjustment.span) == pytest.approx((-0.112, -0.192), abs=1e-4)


def test_of_a_voltage_a_gain_of_the_meter_is_a_span_error(examined):
    # 0 V stays 0 V: no reading tells 1 % of reading from 1 % of span.
    found = examined(lambda volt: 1.01 * volt, VOLTS)
    assert {"span error", "meter gain"} <= set(found.findings.names)
    assert found.adjustment is None


def hypotheses_of(level):
    """Of the isolator, 4 to 20 mA, whose output is read as this level in mA; shape (visits,)."""
    y = ((level - 4) / 16)[:, np.newaxis] + SCATTER
    sheet = core.load("current-isolator").sheet
    return weighing(series_with(y), ISOLATOR, sheet, Basis()).hypotheses


def test_each_suspect_comes_once_with_the_trim_that_makes_its_line_the_one_that_was_read():
    read = 1.012 * (4 + 16 * UP_DOWN) + 0.064
    pairs = {each.name: each for each in hypotheses_of(read) if " + " in each.name}
    assert {"load resistor wrong + zero shift", "leak across transmitter + span error"} <= set(pairs)
    # 0.05 of a tolerance of 0.1 % of span is 5e-5; the good unit's own zero may take as much of it.
    for name in ("load resistor wrong + zero shift", "leak across transmitter + span error"):
        assert 4 + 16 * pairs[name].predicted == pytest.approx(read, abs=0.05 * 0.016)
        assert not pairs[name].is_of_bench  # half of it is of the unit
    assert "disconnect" in pairs["leak across transmitter + span error"].check.lower()
    resistor, shift = caused("load resistor wrong").weight, caused("zero shift").weight
    assert pairs["load resistor wrong + zero shift"].weight == pytest.approx(0.02 * resistor * shift)
    # A leak takes current away: 1.2 % more cannot be one. What the meter may do alone is named alone.
    assert not any("receiver" in name or "meter" in name for name in pairs)


def test_beside_a_single_cause_no_second_one_is_made_up():
    shifted = hypotheses_of(4 + 16 * UP_DOWN + 0.16)
    assert not [each.name for each in shifted if " + " in each.name]


def test_where_nothing_reads_the_input_the_source_may_be_wrong():
    y = (UP_DOWN + 0.01)[:, np.newaxis] + SCATTER
    set_only = series_with(y)
    name = ISOLATOR.taps[0].name
    for values in (set_only.raw, set_only.value, set_only.sd, set_only.text, set_only.place):
        del values[name]
    sheet = core.load("current-isolator").sheet
    found = weighing(set_only, ISOLATOR, sheet, Basis()).hypotheses
    source = max((each for each in found if each.name == "source error"), key=lambda each: each.log_odds)
    shift = next(each for each in found if each.name == "zero shift")
    assert source.is_of_bench
    cleared = weighing(set_only, ISOLATOR, sheet, CLEARED).hypotheses
    assert not any(each.name in {"source error", "meter offset"} for each in cleared)
    assert source.predicted == pytest.approx(shift.predicted, abs=1e-6)  # 1 % at the input is 1 % at the output
