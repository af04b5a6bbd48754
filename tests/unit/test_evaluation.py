"""From a table to figures and verdict, against numbers worked out by hand."""

import json

import numpy as np
import pytest

from instruments.errors import InputError, ReadingsError
from sequencer.evaluation.evaluate import evaluate
from sequencer.readings.csv_import import from_csv
from sequencer.readings.table import tidy

PULSE = """\
type: pulse rate converter
input: {range: 0 .. 1000 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""
REVERSED = PULSE.replace("0 .. 1000 Hz", "0 .. 10 V").replace("4 .. 20 mA", "20 .. 4 mA")
ROOT = """\
type: flow transmitter
input: {range: 0 .. 250 mbar}
output: {range: 4 .. 20 mA}
characteristic: {square root: {cut off: 5 %}}
tolerance: 0.5 % of span
"""
CHAIN = """\
type: pump loop
taps:
  - {tap: demand, range: 4 .. 20 mA}
  - {tap: speed, range: 0 .. 1200 rpm}
  - {tap: pulse, range: 0 .. 1200 Hz}
  - {tap: returned, range: 4 .. 20 mA}
stages:
  - {stage: drive, tolerance: 0.5 % of span}
  - {stage: pickup, pulses per revolution: 60, tolerance: 0.1 % of span}
  - {stage: converter, tolerance: 0.2 % of span}
tolerance: 0.8 % of span
"""


@pytest.fixture
def judged(type_sheet, by_hand):
    def found(sheet_text, header, rows, **more):
        sheet = type_sheet(sheet_text)
        return evaluate(from_csv(by_hand(header, rows), sheet.datasheet()), sheet, **more)

    return found


def pulses(judged, *rows, **more):
    return judged(PULSE, "input;output", rows, **more)


def figure(found, name):
    return found.figure(name).value


def test_the_measured_input_is_what_errors_are_of(judged):
    # 510 Hz were injected where 500 were meant: 12.16 mA is right, and so is the unit.
    found = pulses(judged, (0, 4), (510, 12.16), (1000, 20))
    assert found.input_by == "measured"
    assert found.visits["error"].abs().max() == pytest.approx(0, abs=1e-12)
    assert found.verdict.is_pass


def test_errors_in_every_unit_are_those_worked_out_by_hand(judged):
    found = pulses(judged, (0, 4.008), (500, 12.016), (1000, 19.976))
    assert found.visits["error"].tolist() == pytest.approx([0.008, 0.016, -0.024])
    assert found.visits["error_pct"].tolist() == pytest.approx([0.05, 0.1, -0.15])  # of 16 mA
    assert found.visits["used_pct"].tolist() == pytest.approx([25, 50, -75])  # of 0.032 mA
    assert found.worst["setpoint_pct"] == 100
    assert figure(found, "zero error") == pytest.approx(0.05)
    assert figure(found, "span error") == pytest.approx(-0.2)


def test_a_reversed_output_keeps_the_sign_of_measured_less_ideal(judged):
    # Ideal 20, 12, 4 mA. Read 0.016 mA too much at 0 %, too little at 100 %: errors +0.1 and -0.1 % of span.
    found = judged(REVERSED, "input [V];output [mA]", [(0, 20.016), (5, 12), (10, 3.984)])
    assert found.visits["error_pct"].tolist() == pytest.approx([0.1, 0, -0.1])
    assert figure(found, "zero error") == pytest.approx(0.1)
    assert figure(found, "span error") == pytest.approx(-0.2)
    # The output falls by 16.032 mA instead of 16: a gain of 1.002, and 20.016 - 20 mA at 0 %.
    assert figure(found, "gain by least squares") == pytest.approx(1.002)
    assert figure(found, "offset by least squares") == pytest.approx(0.016)
    assert found.output_span == 16


def test_covariance_of_offset_and_gain_has_the_sign_of_its_gain(judged):
    rows = [(0, 4.01), (250, 7.99), (500, 12.01), (750, 15.99), (1000, 20.01)]
    direct = pulses(judged, *rows)
    other = judged(REVERSED, "input;output", [(x / 100, 24 - y) for x, y in rows])
    # An offset goes with a smaller gain, whichever way the output runs: a mirrored unit has mirrored offset, same gain.
    assert figure(direct, "covariance of offset and gain") < 0
    assert figure(other, "covariance of offset and gain") == pytest.approx(
        -figure(direct, "covariance of offset and gain")
    )
    assert figure(other, "gain by least squares") == pytest.approx(figure(direct, "gain by least squares"))


def test_hysteresis_pairs_each_upscale_with_the_downscale_of_its_cycle(judged):
    # Cycle 1 apart by 0.016, cycle 2 by 0.032; the downscale of cycle 1 and the upscale of cycle 2 by 0.08 mA.
    cycle_1 = [(0, 4.0), (500, 12.0), (1000, 20.0), (500, 12.016), (0, 4.0)]
    cycle_2 = [(500, 11.936), (1000, 20.0), (500, 11.968), (0, 4.0)]
    found = pulses(judged, *cycle_1, *cycle_2)
    assert figure(found, "hysteresis") == pytest.approx(0.2)
    assert found.figure("hysteresis").at_pct == pytest.approx(50)


def test_an_end_pair_stands_beside_the_figures(judged):
    rows = [(0, 4.0), (500, 12.0), (1000, 20.0), (1000, 20.08), (500, 12.0), (0, 4.0), (0, 3.984)]
    found = pulses(judged, *rows)
    assert found.end_pairs[["setpoint_pct", "change"]].to_numpy() == pytest.approx(np.array([[0, -0.016], [100, 0.08]]))
    assert figure(found, "inaccuracy, highest") == pytest.approx(0)
    assert figure(found, "hysteresis") == pytest.approx(0)


def test_one_cycle_has_no_repeatability_and_says_why(judged):
    found = pulses(judged, (0, 4), (500, 12), (1000, 20), (500, 12), (0, 4))
    spread = found.figure("non-repeatability")
    assert spread.value is None
    assert spread.remark == "1 cycle only, 3 needed"


def test_upscale_only_has_no_hysteresis_and_says_why(judged):
    found = pulses(judged, (0, 4), (500, 12), (1000, 20))
    assert found.figure("hysteresis").value is None
    assert found.figure("hysteresis").remark == "no downscale readings"
    assert found.verdict.is_pass


def test_one_point_is_judged_and_has_no_line(judged):
    found = pulses(judged, (500, 12.016))
    assert found.verdict.result == "conditional pass"
    assert "readings at 1 points from 50 % to 50 % of the range only" in found.verdict.reason
    assert figure(found, "measured error") == pytest.approx(0.1)
    for name in ("span error", "non-linearity, independent", "gain by least squares", "hysteresis"):
        assert found.figure(name).value is None, name
        assert found.figure(name).remark, name


def test_without_the_upper_end_there_is_no_span_error_and_nothing_is_guessed(judged):
    found = pulses(judged, (0, 4), (250, 8), (500, 12), (750, 16))
    assert figure(found, "zero error") == pytest.approx(0)
    assert found.figure("span error").value is None
    assert "upper end at 75 % of input span, 100 % needed" in found.figure("span error").remark


@pytest.mark.parametrize("hole", [0, 1, 2, 3])
def test_a_point_that_was_not_read_leaves_no_pass(judged, hole):
    rows = [(0, 4), (500, 12), (1000, 20), (500, 12)]
    rows[hole] = (rows[hole][0], "")
    found = pulses(judged, *rows)
    assert found.verdict.result == "not determinable"
    assert "1 point was not read" in found.verdict.reason


def test_a_failure_needs_no_complete_table(judged):
    found = pulses(judged, (0, 4), (500, 12.1), (1000, ""))
    assert found.verdict.result == "fail"


def test_points_that_the_plan_had_and_nobody_read_leave_no_pass(judged):
    rows = [(0, 4), (500, 12), (1000, 20)]
    assert pulses(judged, *rows, planned_n=3).verdict.is_pass
    found = pulses(judged, *rows, planned_n=5)
    assert found.verdict.result == "not determinable"
    assert found.verdict.reason.startswith("2 points were not read")


def test_an_error_on_the_limit_to_the_last_bit_is_within(judged):
    assert pulses(judged, (0, 4.032), (500, 12.032), (1000, 19.968)).verdict.is_pass
    assert not pulses(judged, (0, 4.0320001), (500, 12)).verdict.is_pass


def reading(value, *, tap="output", unit="mA", point=0, **more):
    row = {"step": 1, "cycle": 1, "direction": "up", "point": point, "role": "reading", "attempt": 1, "reading": 1}
    return row | {"tap": tap, "unit": unit, "value": value, "setpoint_pct": 50.0 * point, "settling": "steady"} | more


def test_without_a_reading_of_the_input_the_command_counts_and_it_says_so(type_sheet):
    found = evaluate(tidy([reading(4.0), reading(12.0, point=1)]), type_sheet(PULSE))
    assert found.input_by == "commanded"
    assert found.visits["input"].tolist() == [0, 500]


def test_a_point_that_never_settled_leaves_no_pass(type_sheet):
    rows = [reading(4.0), reading(12.0, point=1, settling="never settled"), reading(20.0, point=2)]
    found = evaluate(tidy(rows), type_sheet(PULSE))
    assert found.verdict.result == "not determinable"
    assert "1 of 3 points not settled within the time limit" in found.verdict.reason
    assert found.visits["is_steady"].tolist() == [True, False, True]
    assert found.visits["output"].tolist() == [4, 12, 20]


def test_an_input_far_from_its_setpoint_leaves_no_verdict(type_sheet):
    # The output follows what was measured at the input, but the source was off: nothing was proved at 50 %.
    rows = [reading(0.0, tap="input", unit="Hz"), reading(4.0), reading(0.0, tap="input", unit="Hz", point=1)]
    found = evaluate(tidy([*rows, reading(4.0, point=1)]), type_sheet(PULSE))
    assert found.verdict.result == "not determinable"
    assert "50 % of span from its setpoint: check source, reference and wiring" in found.verdict.reason


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([], "there is no reading in the table"),
        ([reading(0.0, tap="input", unit="Hz")], 'no reading at the tap "output"'),
        ([reading(0.0), reading(1.0, tap="speed", unit="rpm")], "the type sheet has no tap speed"),
        ([reading(0.0, unit="V")], 'the readings at tap "output" are in V'),
        ([reading(4.0), reading(0.0, tap="input", unit="V")], 'the readings at tap "input" are in V'),
    ],
)
def test_a_table_of_another_unit_is_refused(type_sheet, rows, says):
    with pytest.raises(ReadingsError, match=says):
        evaluate(tidy(rows), type_sheet(PULSE))


def test_points_below_a_cut_off_are_judged_and_not_in_the_figures(judged):
    # Cut-off at 5 % of flow: 0.25 % of 250 mbar is 0.625 mbar. Ideal at 0 and 0.5 mbar 4 mA; at 2.5 mbar 10 % of flow.
    rows = [(0, 4.04), (0.5, 4.04), (2.5, 5.6), (62.5, 12), (250, 20)]
    found = judged(ROOT, "input;output", rows[:1] + rows[2:])
    assert found.visits["ideal"].tolist() == pytest.approx([4, 5.6, 12, 20])
    assert found.visits["error_pct"].tolist() == pytest.approx([0.25, 0, 0, 0], abs=1e-9)
    assert found.visits["is_judged"].all()
    assert figure(found, "inaccuracy, highest") == pytest.approx(0, abs=1e-9)
    assert found.figure("zero error").value is None
    assert found.verdict.is_pass
    low = judged(ROOT, "input;output", [(0.5, 4.1), *rows[2:]])
    assert low.verdict.result == "fail"


def test_at_0_of_a_square_root_a_share_of_the_reading_leaves_no_tolerance_and_an_error_fails(judged):
    # 1 % of 0 mbar is nothing. The input typed to 0.1 mbar may be 0.05 mbar off: 16 mA * root(0.05 / 250) = 0.226 mA,
    # and the output half a step of 0.1 mA: 0.276 mA can be explained.
    text = ROOT.replace("{square root: {cut off: 5 %}}", "square root").replace("0.5 % of span", "1 % of reading")
    for output, result in ((9.0, "fail"), (4.3, "fail"), (4.2, "not determinable"), (4.0, "not determinable")):
        found = judged(text, "input;output", [(0, output), (62.5, 12), (250, 20), (160, 16.8)])
        assert found.visits["is_judged"].tolist()[:1] == [False]
        assert found.verdict.result == result, output
        assert "at 0 %" in found.verdict.reason


def test_with_a_tolerance_of_the_reading_alone_a_unit_1_mA_out_at_0_fails_and_a_right_one_has_no_verdict(judged):
    text = PULSE.replace("0.2 % of span", "1 % of reading")
    rows = [(0, 4.0), (250.0, 8.001), (500.0, 12.0), (1000.0, 20.0)]
    wrong = judged(text, "input;output", [(0, 5.0), *rows[1:]])
    assert wrong.verdict.result == "fail"
    assert wrong.verdict.reason.startswith("+1 mA at 0 % upscale, where the tolerance is 0 mA")
    right = judged(text, "input;output", rows)
    assert right.verdict.result == "not determinable"
    # Half a step of 1 uA at the output; the input was typed in whole hertz, which tell no resolution. Ten steps are
    # 0.01 mA: 0.0625 % of 16 mA, so 0.1 %.
    assert right.tolerance_to_write == "1 % of reading + 0.1 % of span"
    assert right.tolerance_to_write in right.verdict.reason
    assert (
        "the tolerance of 0 mA at 0 % upscale is less than the resolution of the output, half a step of 0.001 mA"
        in (right.verdict.reason)
    )
    floor = text.replace("1 % of reading", right.tolerance_to_write)
    assert judged(floor, "input;output", rows).verdict.is_pass


def test_a_second_reading_at_an_end_counts_as_any_other(judged):
    rows = [(0, 4.0), (500, 12.0), (1000, 20.0), (1000, 20.03), (500, 12.0), (0, 4.0)]
    assert pulses(judged, *rows).verdict.is_pass
    rows[3] = (1000, 20.033)  # the tolerance is 0.032 mA
    found = pulses(judged, *rows)
    assert found.verdict.result == "fail"
    assert found.verdict.reason.startswith("the second reading of the end pair at 100 % outside the tolerance")


def test_a_reading_that_gave_no_value_beside_others_is_a_reservation(type_sheet):
    rows = [reading(4.0), reading(12.0, point=1), reading(20.0, point=2)]
    rows += [reading(float("nan"), point=1, reading=2), reading(12.0, point=1, reading=3)]
    found = evaluate(tidy(rows), type_sheet(PULSE), planned_n=3)
    assert found.verdict.result == "conditional pass"
    assert found.verdict.reservations == ('1 of 3 readings of "output" at 50 % upscale gave no value',)


def test_a_visit_where_only_the_input_was_read_is_one_that_was_not_read(type_sheet):
    rows = [reading(10.0 * at, tap="input", unit="Hz", point=at // 50) for at in (0, 50, 100)]
    rows += [reading(4.0), reading(20.0, point=2)]
    found = evaluate(tidy(rows), type_sheet(PULSE))
    assert found.verdict.result == "not determinable"
    assert found.verdict.reason.startswith("1 point was not read (50 % upscale)")


def speeds(demand_pct):
    return 12 * demand_pct


def chain_rows(drive=1.0, pickup=1.0, converter=1.0, tachometer=1.0):
    rows = []
    for pct in (0, 25, 50, 75, 100):
        speed = 12 * pct * drive
        pulse = speed * pickup
        rows.append((4 + 0.16 * pct, speed * tachometer, pulse, f"{4 + pulse / 75 * converter:.9f}"))
    return rows


HEADER = "demand;speed;pulse;returned"


@pytest.mark.parametrize(
    ("slip", "guilty"),
    [({"drive": 0.98}, "drive"), ({"pickup": 59 / 60}, "pickup"), ({"converter": 0.985}, "converter")],
)
def test_the_stage_whose_input_is_right_and_output_is_wrong_is_the_guilty_one(judged, slip, guilty):
    found = judged(CHAIN, HEADER, chain_rows(**slip))
    assert found.verdict.result == "fail"
    assert {stage.name: stage.result for stage in found.stages} == {
        name: "fail" if name == guilty else "pass" for name in ("drive", "pickup", "converter")
    }
    assert found.suspect_tap == ""
    (wrong,) = [stage for stage in found.stages if stage.result == "fail"]
    assert wrong.worst_at_pct == 100
    assert wrong.worst_pct == pytest.approx(100 * (next(iter(slip.values())) - 1))


def test_a_tap_that_disagrees_with_both_neighbours_while_they_agree_is_suspect(judged):
    found = judged(CHAIN, HEADER, chain_rows(tachometer=2.0))
    assert [stage.result for stage in found.stages] == ["not determinable", "not determinable", "pass"]
    assert found.suspect_tap == "speed"
    # End to end stays judged, and a pass has the reservation that two errors may compensate.
    assert found.verdict.result == "conditional pass"
    (reservation,) = found.verdict.reservations
    assert reservation.startswith('what reads the tap "speed" is suspect: stages "drive" and "pickup" are not determin')
    assert "compensate" in reservation
    failed = judged(CHAIN, HEADER, chain_rows(tachometer=2.0, converter=0.98))
    assert (failed.suspect_tap, failed.verdict.result) == ("speed", "fail")
    assert figure(found, "span error") == pytest.approx(0, abs=1e-9)


def test_a_stage_that_fails_is_told_though_a_point_is_missing_at_the_end(judged):
    rows = chain_rows(pickup=0.998)  # 0.2 % where 0.1 % is allowed; end to end 0.8 %
    rows[3] = (*rows[3][:3], "")
    found = judged(CHAIN, HEADER, rows)
    assert found.verdict.result == "fail"
    assert 'stage "pickup" is outside its own tolerance, -0.2 % of span' in found.verdict.reason


def test_a_tap_is_suspect_though_something_else_is_wrong_around_it(judged):
    # The tachometer reads double, and the drive turns 3 % slower: 0.97 * 2 - 1 = +94 %, 1 / 2 - 1 = -50 %, around -3 %.
    found = judged(CHAIN, HEADER, chain_rows(tachometer=2.0, drive=0.97))
    assert (found.suspect_tap, found.verdict.result) == ("speed", "fail")
    assert [stage.result for stage in found.stages] == ["not determinable", "not determinable", "pass"]


def test_where_two_taps_could_be_misread_both_are_suspect(judged):
    # +2 % at the speed and +2 % at the end: the tachometer and the converter, or the drive and what counts the pulses.
    found = judged(CHAIN, HEADER, chain_rows(tachometer=1.02, converter=1.02))
    assert found.suspect_taps == ("speed", "pulse")
    assert found.verdict.result == "fail"  # end to end, whichever it is
    assert {stage.result for stage in found.stages} == {"not determinable"}
    (reservation,) = found.verdict.reservations
    assert 'the tap "speed" or "pulse" is suspect' in reservation


def test_stage_errors_add_up_to_the_whole(judged):
    found = judged(CHAIN, HEADER, chain_rows(drive=0.999, pickup=1.0005, converter=1.001))
    # At 100 %: 0.999 * 1.0005 * 1.001 - 1 of span.
    assert found.worst["error_pct"] == pytest.approx(100 * (0.999 * 1.0005 * 1.001 - 1))
    assert sum(stage.worst_pct for stage in found.stages) == pytest.approx(found.worst["error_pct"], abs=1e-3)


def test_a_stage_outside_its_own_tolerance_fails_though_the_whole_is_within(judged):
    found = judged(CHAIN, HEADER, chain_rows(drive=0.996, converter=1.004))
    assert found.visits["is_within"].all()
    assert found.verdict.result == "fail"
    assert 'stage "converter" is outside its own tolerance' in found.verdict.reason


def test_two_stages_without_a_tap_between_are_taken_together(judged):
    rows = [(demand, pulse, returned) for demand, _, pulse, returned in chain_rows(drive=0.98)]
    found = judged(CHAIN, "demand;pulse;returned", rows)
    assert [(stage.name, stage.result) for stage in found.stages] == [
        ("drive + pickup", "not determinable"),
        ("converter", "pass"),
    ]


def test_a_figure_that_is_not_there_is_answered_with_the_nearest(judged):
    with pytest.raises(InputError, match=r'(?s)no figure "inacuracy".*hysteresis.*write "inaccuracy'):
        pulses(judged, (0, 4), (500, 12)).figure("inacuracy")


def test_every_figure_names_its_standard_and_carries_a_unit(judged):
    for each in pulses(judged, (0, 4), (500, 12), (1000, 20)).figures:
        assert each.unit
        assert each.definition
        assert each.value is not None or each.remark


def test_no_figure_is_not_a_number_even_with_next_to_nothing(judged):
    for rows in ([(500, 12)], [(0, 4), (0, "")], [(0, 4), (1000, "")], [(500, ""), (0, 4)]):
        for each in pulses(judged, *rows).figures:
            json.dumps([each.value, each.u_scatter, each.U, each.at_pct], allow_nan=False)
