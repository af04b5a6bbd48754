"""What is refused before anything is energised, and what a plan says."""

import pytest

from instruments.errors import PlanError
from sequencer.planning.bench_statements import reaction_s
from sequencer.record.load import load
from sequencer.reports.json_document import plan_document
from sequencer.reports.terminal import plan_text

SMALLER = {"0 .. 1000 Hz, limits: 0 .. 1200 Hz": "0 .. 800 Hz, limits: 0 .. 1000 Hz"}
TRAVERSE = "traverse: {points: 5, cycles: 2, readings: 2}"


def test_the_points_in_order_with_level_expected_and_tolerance(small):
    plan = small()
    assert [point.number for point in plan.points] == list(range(1, 24))
    reading = [point for point in plan.points if point.role == "reading"]
    assert [point.value for point in reading[:5]] == [0, 250, 500, 750, 1000]
    assert [point.expected for point in reading[:3]] == [(0, 4), (250, 8), (500, 12)]
    assert {round(point.tolerance, 12) for point in reading} == {0.032}  # 0.2 % of 16 mA
    assert plan.estimate_s == pytest.approx(plan.begin_s + sum(point.estimate_s for point in plan.points))


def test_the_uncertainty_ratio_is_that_worked_out_by_hand(small, by_trials):
    # At 1000 Hz and 20 mA. Reference: 0.001 % of 1000 Hz + 1 mHz = 11 mHz, at 16 uA/Hz 0.176 uA. Meter, 100 mA range:
    # 0.005 % of 20 mA + 0.001 % of 100 mA = 2 uA. Half a step of each: 8 nA and 50 nA. Still to go: 20 % of the
    # tolerance of 32 uA. All rectangular (GUM 4.3.7).
    (point,) = {each.tur for each in small().points if each.setpoint.frac == 1.0 and each.role == "reading"}
    assert point == pytest.approx(32 / by_trials(0.176, 0.008, 2.0, 0.05, 6.4), rel=0.015)


@pytest.mark.parametrize(
    ("points", "says", "allowed"),
    [
        ("[0 %, 50 %, 121 %]", r"121 % \(1210 Hz\) lies outside the limits of the unit", "0 .. 1200 Hz"),
        ("[-1 %, 50 %, 100 %]", r"-1 % \(-10 Hz\) lies outside the limits of the unit", "0 .. 1200 Hz"),
    ],
)
def test_a_point_outside_the_limits_of_the_unit_is_refused_with_its_place(small, points, says, allowed):
    with pytest.raises(PlanError, match=says) as refused:
        small(sequence={"points: 5": f"points: {points}"})
    assert refused.value.allowed == allowed
    assert "small.yaml:7" in refused.value.where
    assert refused.value.exit_code == 2


def test_a_point_at_the_limit_itself_is_taken(small):
    plan = small(sequence={"points: 5": "points: [0 %, 125 %]"}, type_sheet=SMALLER)
    assert max(point.value for point in plan.points) == 1000


def test_a_point_beyond_the_range_of_the_unit_takes_a_range_of_the_source_that_reaches_it(small):
    ranges = {
        points: str(small(sequence={"points: 5": f"points: {points}"}).wires[0].source.entry.range)
        for points in ("[0 %, 100 %]", "[0 %, 110 %]")
    }
    assert ranges == {"[0 %, 100 %]": "0 .. 1000 Hz", "[0 %, 110 %]": "0 .. 100 kHz"}


def test_a_safe_level_outside_the_limits_of_the_unit_is_refused(small):
    change = {"0 .. 1000 Hz, limits: 0 .. 1200 Hz": "100 .. 1000 Hz, limits: 50 .. 1200 Hz"}
    with pytest.raises(PlanError, match='the safe level of "source", 0 Hz, lies outside the limits of the unit') as no:
        small(type_sheet=change)
    assert no.value.allowed == "50 .. 1200 Hz"
    assert "small.bench.yaml:5" in no.value.where
    assert small(type_sheet=change, bench={"SIMULATED SOURCE": "SIMULATED SOURCE, safe level: 60 Hz"}).points


def test_a_safe_level_beside_the_range_of_a_unit_without_limits_is_taken(small):
    assert small(type_sheet={"0 .. 1000 Hz, limits: 0 .. 1200 Hz": "100 .. 1000 Hz"}).points


def test_without_limits_the_range_is_the_limit(small):
    with pytest.raises(PlanError, match=r"101 % \(1010 Hz\) lies outside the limits of the unit"):
        small(type_sheet={", limits: 0 .. 1200 Hz": ""}, sequence={"points: 5": "points: [0 %, 101 %]"})


def test_the_limits_in_the_bench_file_hold_as_well(small):
    with pytest.raises(PlanError, match="limits in the bench file"):
        small(bench={"identity: SIMULATED SOURCE": "identity: SIMULATED SOURCE, limits: 0 .. 800 Hz"})


def test_limits_of_the_bench_in_another_unit_are_refused_with_their_place(small):
    with pytest.raises(PlanError, match=r'limits of "source" are in mA, but it sets Hz here') as refused:
        small(bench={"identity: SIMULATED SOURCE": "identity: SIMULATED SOURCE, limits: 0 .. 22 mA"})
    assert "small.bench.yaml:5" in refused.value.where


def test_a_tap_further_down_has_limits_too(small):
    assert small(type_sheet={"4 .. 20 mA}": "4 .. 20 mA, limits: 3.5 .. 21 mA}"}).points
    with pytest.raises(PlanError, match=r'110 %.* lies outside the limits of the tap "output"'):
        small(
            type_sheet=SMALLER | {"4 .. 20 mA}": "4 .. 20 mA, limits: 3.5 .. 21 mA}"},
            sequence={"points: 5": "points: [0 %, 110 %]"},
        )


def test_every_point_that_is_refused_comes_at_once_and_once(small):
    with pytest.raises(PlanError) as refused:
        small(sequence={"points: 5": "points: [-2 %, 0 %, 121 %, 122 %]"})
    assert [each.what.split(" ")[0] for each in (refused.value, *refused.value.others)] == ["-2", "121", "122"]


@pytest.mark.parametrize(
    ("steps", "says"),
    [
        ("exercise: {cycles: 2}", "no step of this sequence takes a reading"),
        (f"{TRAVERSE}\n  - {TRAVERSE}", "2 steps of this sequence lead the unit through its range"),
    ],
)
def test_what_no_figure_would_be_made_of_is_refused(small, steps, says):
    with pytest.raises(PlanError, match=says):
        small(sequence={TRAVERSE: steps})


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        (
            {"input: {set by: source, read by: reference}": "input: {read by: reference}"},
            'nothing sets the tap "input"',
        ),
        ({"  output: {read by: meter}\n": ""}, 'nothing reads the tap "output"'),
    ],
)
def test_a_bench_that_cannot_is_refused(small, changed, says):
    with pytest.raises(PlanError, match=says):
        small(bench=changed)


def test_a_range_that_no_instrument_has_is_refused(small):
    with pytest.raises(PlanError, match=r'"source" sets no 0 \.\. 2000 kHz as tap "input" needs'):
        small(type_sheet={"0 .. 1000 Hz, limits: 0 .. 1200 Hz": "0 .. 2000 kHz"})


def test_a_plan_warns_where_nothing_reads_the_input(small):
    assert any("nothing reads the tap" in each for each in small(bench={", read by: reference": ""}).warnings)
    assert not any("nothing reads the tap" in each for each in small().warnings)


def test_a_plan_warns_of_a_bench_that_is_too_poor_for_the_tolerance(small, by_trials):
    assert not any("TUR" in each for each in small().warnings)
    # Half widths of 2 uA (meter), 0.18 uA (reference), 0.64 uA (still to go), all rectangular.
    poor = small(type_sheet={"0.2 % of span": "0.02 % of span"})
    assert any("is only 1.5 times as good as the tolerance (TUR); 4 is wanted" in each for each in poor.warnings)
    assert poor.tur == pytest.approx(3.2 / by_trials(2.0, 0.18, 0.64), abs=0.02)
    hopeless = small(type_sheet={"0.2 % of span": "0.01 % of span"})
    assert any("no verdict is possible at" in each for each in hopeless.warnings)


def test_a_settling_band_is_never_finer_than_the_receiver_shows(small):
    plan = small(sequence={"settled within: 20 %": "settled within: 0.001 %"})
    assert {point.rule.band for point in plan.points} == {1e-4}  # 0.1 uA, the resolution of the 100 mA range


ROOT_OF_1_Hz = {"0.2 % of span": "1 Hz", "time constant": "characteristic: square root\ntime constant"}


def test_at_0_of_a_square_root_the_plan_says_that_there_is_no_uncertainty_and_so_no_verdict(small):
    plan = small(type_sheet=ROOT_OF_1_Hz)
    bottom = [point for point in plan.points if point.setpoint.frac == 0 and point.role == "reading"]
    # 1 Hz of 1000 Hz gives 16 mA * root(1 / 1000) at 0, where the slope has no bound.
    assert {round(point.tolerance, 9) for point in bottom} == {round(16 * 0.001**0.5, 9)}
    assert all(point.tur is None and point.rule.band > 0 for point in bottom)
    (said,) = [each for each in plan.warnings if "not determinable" in each]
    assert said.startswith("at 0 % the uncertainty is not determinable")


def test_a_run_says_no_more_at_0_of_a_square_root_than_its_plan(small, run):
    planned = small(type_sheet=ROOT_OF_1_Hz)
    assert "TUR:       not known at every point, see the warnings" in plan_text(planned)
    without_U = {point.setpoint.frac for point in planned.points if point.role == "reading" and point.U is None}
    found = load(run(planned).folder).evaluation
    assert without_U == {frac / 100 for frac in found.visits.loc[found.visits["U"].isna(), "setpoint_pct"]} == {0.0}
    assert found.verdict.result == "not determinable"
    assert "no bound there), and ILAC-G8:09/2019 non-binary needs it, at 0 % upscale" in found.verdict.reason


def test_where_a_share_of_the_reading_leaves_no_tolerance_the_plan_shows_the_line_to_write(small):
    plan = small(type_sheet={"0.2 % of span": "1 % of reading"})
    (said,) = [each for each in plan.warnings if "gets no verdict there" in each]
    assert said.startswith("at 0 % the tolerance (0 mA at least) is less than the bench can resolve")
    written = said.rsplit("tolerance: ", 1)[1]
    # Meter: 0.005 % of 4 mA + 0.001 % of 100 mA = 1.2 uA; reference 1 mHz is 16 nA; still to go 20 % of the 1 % of
    # 250 Hz, 8 uA, which stands out: U = 1.65 * 8.09 / root 3 = 7.7 uA. Four times that is 0.19 % of 16 mA, so 0.2 %.
    assert written == "1 % of reading + 0.2 % of span"
    assert not [each for each in small(type_sheet={"0.2 % of span": written}).warnings if "no verdict" in each]
    assert not [each for each in small().warnings if "no verdict" in each]


def test_a_sequence_without_cautions_gets_the_general_ones_of_its_kind_and_the_plan_says_so(small):
    plan = small()
    assert any("lists no cautions: the general ones are asked" in each for each in plan.warnings)
    assert any("Local codes" in each for each in plan.cautions)
    assert any("live loop" in each for each in plan.cautions)  # 4 .. 20 mA
    assert not any("rotating machine" in each for each in plan.cautions)
    turning = small(type_sheet={"small pulse rate converter": "pump drive"})
    assert any("rotating machine" in each for each in turning.cautions)
    own = small(sequence={"settled within": "cautions: [Guards are fitted.]\nsettled within"})
    assert own.cautions == ("Guards are fitted.",)
    assert not any("lists no cautions" in each for each in own.warnings)


def test_a_safe_level_beyond_the_range_that_the_points_take_is_refused(small):
    # The points take 0 .. 1000 Hz; in that range the source would refuse 1100 Hz, and the run end "not safe".
    with pytest.raises(PlanError, match="1100 Hz, lies outside the range of the source") as refused:
        small(bench={"identity: SIMULATED SOURCE": "identity: SIMULATED SOURCE, safe level: 1100 Hz"})
    assert refused.value.allowed == "0 .. 1000 Hz"


def test_a_plan_that_would_last_for_months_is_refused(small):
    # 2 moves of exercise, then 9 moves in each of 7 cycles that move the input: more than 60 waits of 12 h.
    long = {"minimum: 80 ms, maximum: 3 s": "minimum: 12 h, maximum: 24 h"}
    assert small(type_sheet=long).estimate_s > 10 * 86_400
    with pytest.raises(PlanError, match=r"it would take \d\d days") as refused:
        small(type_sheet=long, sequence={"cycles: 2": "cycles: 7"})
    assert refused.value.allowed == "at most 30 days"


PT100 = {"0 .. 1000 Hz, limits: 0 .. 1200 Hz": "0 .. 120 degC, sensor: {rtd: Pt100}"}


def test_the_first_point_comes_from_no_signal_which_may_be_far_below_the_range(small):
    # IEC 60751: 100 ohm at 0 degC, 146.07 ohm at 120 degC; 0 ohm is none of its: 4 - 16 * 100 / 46.07 = -30.73 mA.
    first, second, *_ = small(type_sheet=PT100).points
    assert first.rule.before == pytest.approx(-30.73, abs=0.005)
    assert first.rule.ends == (4.0, 20.0)
    assert first.rule.step_takes_s > 8 * first.rule.time_constant_s
    assert (second.rule.before, second.rule.ends) == (pytest.approx(first.expected[-1]), None)


def test_where_no_signal_is_the_bottom_of_the_range_the_first_point_comes_from_there(small):
    first = small().points[0]  # 0 Hz is 4 mA
    assert (first.rule.before, first.rule.ends) == (4.0, None)


def test_a_plan_states_how_soon_the_source_is_told_off(small, described):
    # The promise: one time-out of the source, here 5 s, for silence, and a second later all is told.
    plan = small()
    assert reaction_s(plan.bench, plan.wires) == 6.0
    assert "safe level and off are sent within 6 s of a fault" in plan_text(plan)
    assert plan_document(plan)["reaction_s"] == 6.0
    slow = described("meter", {"timeout: 5 s": "timeout: 9 s"})
    plan = small(bench={"  meter: {description: generic-scpi-meter": f"  meter: {{description: {slow}"})
    assert reaction_s(plan.bench, plan.wires) == 6.1  # its readings take 0.1 s at most
    assert any("meter must answer within the time-out of the source" in each for each in plan.warnings)
    slow = described("meter", {"timeout: 5 s": "timeout: 17 s", "    takes: 100 ms": "    takes: 12 s"})
    plan = small(bench={"  meter: {description: generic-scpi-meter": f"  meter: {{description: {slow}"})
    assert reaction_s(plan.bench, plan.wires) == 18.0  # a reading, the time-out of the source, and the second
    assert not any("must answer within" in each for each in plan.warnings)
