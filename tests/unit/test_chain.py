"""What is wrong over a whole chain: sums over all cuts against trying each, and faults at several places at once."""

from itertools import chain, combinations

import numpy as np
import pytest
from fleet import CHAIN, measured, prepared
from segments import UP_DOWN, caused, segment_with

from instruments.simulated.faults import fault
from sequencer import core
from sequencer.diagnosis.diagnose import diagnose
from sequencer.diagnosis.examine import examine
from sequencer.diagnosis.model.chain import _undone, likeliest, log_sums
from sequencer.diagnosis.summary import account
from sequencer.readings.csv_import import from_csv

SPANS = [(0, 1, 0.7), (1, 2, -0.4), (1, 3, 1.9), (2, 3, 0.2), (0, 2, -1.5), (2, 3, 1.1)]


def cuts(spans, first, end):
    """Every set of runs between two joints that do not overlap, by trying all sets."""
    inside = [each for each in range(len(spans)) if first <= spans[each][0] and spans[each][1] <= end]
    sets = chain.from_iterable(combinations(inside, count) for count in range(len(inside) + 1))
    for chosen in sets:
        covered = [segment for each in chosen for segment in range(*spans[each][:2])]
        if len(covered) == len(set(covered)):
            yield chosen


def weight(chosen):
    return sum(SPANS[each][2] for each in chosen)


def test_sums_over_all_cuts_are_those_of_trying_each():
    forward, backward = log_sums(SPANS, 3)
    for joint in range(4):
        assert forward[joint] == pytest.approx(np.log(sum(np.exp(weight(each)) for each in cuts(SPANS, 0, joint))))
        assert backward[joint] == pytest.approx(np.log(sum(np.exp(weight(each)) for each in cuts(SPANS, joint, 3))))


def test_the_likeliest_cut_is_the_best_of_all():
    assert likeliest(SPANS, 3) == max(cuts(SPANS, 0, 3), key=weight) == (0, 2)
    assert likeliest([(0, 1, -0.1)], 2) == ()


def test_a_misreading_is_undone_but_steps_are_not_read_backwards():
    segment = segment_with(np.round(UP_DOWN / 0.07) * 0.07)
    back = _undone(caused("meter offset"), segment)
    # 0.5 % of 16 mA: 12.08 mA is shown of 12 mA.
    truth = back.act(np.array([[0.005]]), segment, 0).equation(np.array([[4.08, 12.08, 20.08]]))
    assert truth[0] == pytest.approx([4, 12, 20])
    resolution = caused("meter resolution")
    assert resolution.applies(segment, 0)
    assert _undone(resolution, segment) is None


def findings_of(*faults, result="fail"):
    table = measured(CHAIN, faults, seed=7)
    planned, basis = prepared(CHAIN)
    return diagnose(table, planned.sequence.sheet, result=result, basis=basis), planned.sequence.sheet.datasheet()


SLIP = fault("slip", slip_pct=3)
SPAN = fault("span error", span_pct=2)


@pytest.mark.parametrize(
    ("faults", "named"),
    [
        ((SLIP, SPAN), {"drive": "slip", "converter": "span error"}),
        ((SLIP, fault("tachometer marks", factor=2)), {"drive": "slip", "speed": "tachometer marks"}),
        ((SPAN, fault("tachometer marks", factor=0.5)), {"converter": "span error", "speed": "tachometer marks"}),
        (
            (fault("pulses per revolution wrong", actual=59, expected=60), SPAN),
            {"pickup": "pulses per revolution wrong", "converter": "span error"},
        ),
        (
            (SLIP, fault("pulses per revolution wrong", actual=50, expected=60), SPAN),
            {"drive": "slip", "pickup": "pulses per revolution wrong", "converter": "span error"},
        ),
    ],
    ids=["two stages", "misread before", "misread behind", "neighbours", "three stages"],
)
def test_every_place_that_something_is_wrong_at_is_named(faults, named):
    found, sheet = findings_of(*faults)
    told = account(found, sheet)
    assert {each.stage.split(" (")[0] for each in told.stages} == set(named)
    assert all(each.weight > 0.5 for each in found.leading)
    names = {each.best.place: each.names for each in found.leading}
    assert all(name in names[place] for place, name in named.items())


def test_the_place_that_most_of_the_error_comes_from_is_named_first():
    found, sheet = findings_of(fault("slip", slip_pct=1.5), SPAN)
    assert [each.stage for each in account(found, sheet).stages] == ["converter", "drive"]
    # What is misread between the ends is not in what comes out, however much it is.
    found, sheet = findings_of(SLIP, fault("tachometer marks", factor=2))
    assert [each.stage for each in account(found, sheet).stages] == ["drive", "speed (bench, not the unit)"]


def test_a_good_chain_has_no_fault():
    found, sheet = findings_of(result="pass")
    assert not account(found, sheet).is_fault
    assert found.leading[0].weight > 0.9


def test_a_counter_that_counts_each_pulse_twice_is_no_pair_of_wrong_ranges(tmp_path):
    # Twice the pulses, and the current as it should be: 500 Hz shown at 5 mA where the speed is half of 500 rpm.
    rows = [f"{4 + 0.16 * p},{12 * p},{24 * p},{4 + 0.16 * p}" for p in (*range(0, 101, 10), *range(90, -1, -10))]
    path = tmp_path / "hand.csv"
    path.write_text("\n".join(("demand [mA],speed [rpm],pulse [Hz],returned [mA]", *rows)))
    sheet = prepared(CHAIN)[0].sequence.sheet
    result = examine(from_csv(path, sheet.datasheet(), serial="LZ-1"), sheet)
    assert [each.stage for each in result.findings.stages] == ["pulse (bench, not the unit)"]
    assert "reads 2 times the signal" in result.findings.cause
    assert result.evaluation.suspect_taps == ("pulse",)


THREE = """\
type: pressure to current by way of volts (invented)
taps:
  - {tap: pressure, range: 0 .. 400 kPa}
  - {tap: volts, range: 0 .. 10 V}
  - {tap: loop, range: 4 .. 20 mA}
stages:
  - {stage: sensor, tolerance: 0.3 % of span}
  - {stage: converter, tolerance: 0.2 % of span}
tolerance: 0.5 % of span
"""


def test_causes_that_can_stand_together_are_no_more_probable_than_sure(tmp_path):
    # A voltmeter that reads 1.6 % low: its gain, alone or with a second cause of the same group.
    volts = (0.0028, 2.4559, 4.9189, 7.3815, 9.8382, -0.0033, 2.4609, 4.9211, 7.3815, 9.8400)
    loop = (4.009, 8.002, 12.019, 16.030, 20.035, 3.994, 8.014, 12.029, 16.027, 20.034)
    pressure = (0, 100, 200, 300, 400) * 2
    path, sheet = tmp_path / "hand.csv", tmp_path / "three.yaml"
    rows = [f"{p},{v},{mA}" for p, v, mA in zip(pressure, volts, loop, strict=True)]
    path.write_text("\n".join(("pressure [kPa],volts [V],loop [mA]", *rows)))
    sheet.write_text(THREE)
    found = core.by_hand(path, core.load_type(sheet)).findings
    assert "meter gain" in found.names
    assert 0.99 < found.ranking[0].weight <= 1
