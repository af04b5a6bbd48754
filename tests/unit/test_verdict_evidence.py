"""What a verdict says of evidence that is put together by hand: result, and reason word by word.

Errors in parts of the tolerance T = 0.032 mA, 0.2 % of 16 mA; U = 0.0064 mA = 0.2 T unless said otherwise, so that by
ILAC-G8:09/2019 4.2.3 a pass ends at 0.8 T and a fail begins at 1.2 T.
"""

import math

import numpy as np
import pandas as pd
import pytest

from sequencer.evaluation.budget import Basis, Statement
from sequencer.evaluation.figures.conformity import judge
from sequencer.evaluation.judgement import Judgement
from sequencer.evaluation.stage_errors import StageResult
from sequencer.evaluation.verdict import WITHOUT_U, Evidence, verdict, worst_visit
from sequencer.inputs.decision_rules import RULES

NAN = float("nan")
T = 0.032
# One tail of the normal distribution beyond 2: 2.275 %.
BY_RULE = (
    "ILAC-G8:09/2019 non-binary (false accept at most 2.28 % for pass, false reject at most 2.28 % for fail; "
    "at one point, 95.45 % coverage, many degrees of freedom)"
)
GUARD = "ILAC-G8:09/2019 guard band"
UNCRITICAL = "ILAC-G8:09/2019 uncritical"
NO_END_PAIRS = pd.DataFrame({"setpoint_pct": [], "error": [], "result": []})


def visit(over_T, at_pct, direction="up", *, tolerance=T, **more):
    """One visit; `over_T` times T is its error, NaN = not read."""
    error = over_T * T
    row = {"setpoint_pct": at_pct, "input_pct": at_pct, "direction": direction, "error": error, "tolerance": tolerance}
    row |= {"error_pct": 100 * error / 16, "used_pct": 100 * over_T, "is_steady": True, "U": 0.2 * T}
    return row | {"is_judged": not math.isnan(error), "is_within": abs(over_T) <= 1} | more


def three(over_T=0.5, **more):
    """The whole range, with its worst in the middle."""
    return [visit(0.1, 0), visit(over_T, 50, **more), visit(-0.1, 100)]


def evidence(rows, *, rule="ILAC-G8:09/2019 non-binary", U=0.2, dof=np.inf, result=None, **more):
    """Judged by a rule where `U`, in parts of T, is not None; else by `result`, numbers of the point verdicts."""
    visits = pd.DataFrame(rows)
    if U is None:
        visits["U"] = NAN
    error, tolerance = visits["error"].to_numpy(), visits["tolerance"].to_numpy()
    conformity = None
    found = np.array(result) if result is not None else np.where(np.abs(error) <= tolerance, 0, 3)
    if U is not None:
        conformity = judge(error, U * T, rule=RULES[rule], lower=-tolerance, upper=tolerance, dof=dof)
        found = conformity.verdict if result is None else found
    judgement = Judgement(
        result=found,
        is_unresolved=~visits["is_judged"].to_numpy(),
        least=np.full(len(visits), 0.01),
        conformity=conformity,
    )
    given = {"visits": visits, "judgement": judgement, "end_pairs": NO_END_PAIRS, "unit": "mA", "basis": Basis()}
    return Evidence(**given | {"planned_n": len(visits)} | more)


def said(*given, **more):
    found = verdict(evidence(*given, **more))
    return found.result, found.reason


WORST = "; worst +0.016 mA, U = 0.0064 mA (+0.1 % of span, 50 % of the tolerance) at 50 % upscale"


def test_a_pass_says_how_many_and_the_worst():
    found = verdict(evidence(three()))
    assert (found.result, found.reason) == ("pass", f"all 3 points within the tolerance{WORST}")
    assert (found.rule, found.reservations, found.accepted, found.is_pass) == (BY_RULE, (), "", True)


def test_the_rule_says_what_it_bounds_at_the_fewest_degrees_of_freedom_of_what_is_judged():
    # One tail of t with four degrees of freedom beyond 3 k, k = 2.869 of 95.45 % (GUM table G.2): scipy, 501 ppm.
    rows = [*three(), visit(NAN, 75)]
    found = verdict(evidence(rows, rule="ILAC-G8:09/2019 6 sigma", dof=np.array([40, 4, 1e9, 2])))
    assert found.rule == (
        "ILAC-G8:09/2019 6 sigma (false accept at most 501 ppm; at one point, 95.45 % coverage, 4 degrees of freedom)"
    )
    unknown = verdict(evidence(three(), rule="ILAC-G8:09/2019 6 sigma", dof=NAN)).rule
    assert unknown.endswith("(false accept below 1 ppm; at one point, 95.45 % coverage, many degrees of freedom)")


def test_the_worst_is_given_with_four_digits_and_u_with_two():
    # 0.5039 T = 0.0161248 mA, 0.10078 % of 16 mA.
    assert said(three(0.5039, setpoint_pct=33.3, input_pct=33.3, U=0.006437))[1].endswith(
        "; worst +0.01612 mA, U = 0.0064 mA (+0.101 % of span, 50 % of the tolerance) at 33.3 % upscale"
    )


@pytest.mark.parametrize("over_T", [1e-13, -1e-13, 0.0])
def test_an_error_that_is_arithmetic_is_said_to_be_none(over_T):
    # 1e-13 T is 3.2e-15 mA: no instrument shows that.
    rows = [visit(over_T * share, at_pct, U=0.0064) for share, at_pct in ((0.1, 0), (1.0, 50), (-0.1, 100))]
    assert "; worst 0 mA, U = 0.0064 mA (0 % of span, 0 % of the tolerance) at " in said(rows)[1]


def test_nothing_known_of_the_instruments_says_nothing_of_u():
    found = verdict(evidence(three(-0.5), U=None))
    assert found.result == "pass"
    assert found.rule == WITHOUT_U
    assert found.reason == (
        "all 3 points within the tolerance; worst -0.016 mA (-0.1 % of span, 50 % of the tolerance) at 50 % upscale"
    )


def test_the_worst_visit_of_a_unit_that_fails_is_one_that_fails():
    # 415 % of the tolerance beneath an uncertainty of as much is not determinable, and no reason of a fail.
    rows = pd.DataFrame(
        {
            "setpoint_pct": [0.0, 25.0, 50.0],
            "used_pct": [6.0, -132.0, 415.0],
            "is_judged": [True, True, True],
            "verdict": ["pass", "fail", "not determinable"],
        }
    )
    assert worst_visit(rows)["setpoint_pct"] == 25
    assert worst_visit(rows.drop(columns="verdict"))["setpoint_pct"] == 50


def test_the_worst_visit_uses_most_of_its_tolerance_either_way_and_is_judged():
    rows = pd.DataFrame([visit(0.1, 0), visit(-0.9, 25), visit(0.5, 50), visit(5, 75, is_judged=False)])
    assert worst_visit(rows)["setpoint_pct"] == 25
    assert worst_visit(rows[rows["setpoint_pct"] > 50]) is None


def test_a_place_without_direction_names_none():
    assert said(three(direction=""))[1].endswith("at 50 %")


@pytest.mark.parametrize(
    ("over_T", "result", "reason"),
    [
        (0.9, "conditional pass", "all 3 points within the tolerance, but 1 nearer to its limit than U"),
        (1.1, "conditional fail", "1 point outside the tolerance, by less than U"),
        (1.3, "fail", "1 of 3 points outside the tolerance"),
    ],
)
def test_each_verdict_counts_its_points(over_T, result, reason):
    found = verdict(evidence(three(over_T)))
    assert found.result == result
    assert found.reason.startswith(f"{reason}; worst +0.0")
    assert not found.is_pass


def test_a_fail_counts_all_that_are_outside_and_two_points_are_plural():
    rows = [*three(1.3), visit(-1.1, 75)]
    assert said(rows)[1].startswith("2 of 4 points outside the tolerance;")
    assert said([*three(1.1), visit(-1.1, 75)])[1].startswith("2 points outside the tolerance, by less than U;")


@pytest.mark.parametrize(
    ("rule", "over_T", "result", "reason"),
    [
        (GUARD, 0.9, "fail", f"1 of 3 points nearer to the limit than {GUARD} accepts"),
        (GUARD, 1.1, "fail", "1 of 3 points outside the tolerance"),
        (UNCRITICAL, 1.1, "pass", f"1 of 3 points outside the tolerance, by no more than {UNCRITICAL} accepts"),
    ],
)
def test_a_rule_of_two_verdicts_says_what_it_did(rule, over_T, result, reason):
    found, why = said(three(over_T), rule=rule)
    assert found == result
    assert why.startswith(f"{reason}; worst")


def test_no_point_that_can_be_judged_is_no_pass():
    assert said([visit(NAN, 0)], planned_n=0, U=None, result=[4]) == (
        "not determinable",
        "1 point was not read (0 % upscale)",
    )
    rows = pd.DataFrame([visit(0.1, 0)]).iloc[:0]
    assert said(rows.astype({"is_judged": bool, "is_within": bool, "is_steady": bool}), U=None, planned_n=0) == (
        "not determinable",
        "no point could be judged",
    )


def test_points_not_read_are_named_with_their_number():
    rows = [visit(0.1, 0), visit(0.5, 50), visit(NAN, 50, "down"), visit(-0.1, 100)]
    worst = WORST.replace("worst", "worst so far")
    assert said(rows, planned_n=None) == ("not determinable", f"1 point was not read (50 % downscale){worst}")
    assert said(rows, planned_n=6) == ("not determinable", f"3 points were not read (50 % downscale){worst}")
    assert said(three(), planned_n=4) == ("not determinable", f"1 point was not read{worst}")
    assert said(three(), planned_n=2)[0] == "pass"  # more than planned, as after a further point


def test_points_not_settled_are_named():
    rows = [visit(0.1, 0), visit(0.5, 50, is_steady=False), visit(-0.1, 100)]
    assert said(rows) == (
        "not determinable",
        f"1 of 3 points not settled within the time limit (50 % upscale){WORST}",
    )


def test_a_run_that_did_not_finish_is_no_pass_whatever_it_saw():
    stopped = "stopped by the operator"
    assert said(three(), unfinished=stopped) == (
        "not determinable",
        f"the run did not finish ({stopped}); all 3 points within the tolerance{WORST}",
    )
    assert said(three(0.9), unfinished=stopped)[0] == "not determinable"
    assert said(three(1.3), unfinished=stopped)[0] == "fail"
    assert "did not finish" not in said(three(1.3), unfinished=stopped)[1]


def test_u_above_the_tolerance_names_the_places_and_what_to_write():
    rows = three()
    worst = "; worst +0.016 mA, U = 0.0064 mA (+0.1 % of span, 50 % of the tolerance) at 50 % upscale"
    result, reason = said(rows, U=1.25, tolerance_to_write="0.4 % of span")
    assert result == "not determinable"
    assert reason == (
        "U = 0.04 mA exceeds the tolerance -0.032 to 0.032 mA, at 0 % upscale, 50 % upscale, 100 % upscale "
        f"(if the data sheet of the type allows it, write: tolerance: 0.4 % of span){worst}"
    )


def test_figures_are_given_for_the_places_that_have_them():
    # At 100 % the tolerance is 0.04 mA, elsewhere 0.032 mA; U is 0.048 mA.
    rows = [visit(0.1, 0), visit(0.5, 50), visit(-0.1, 100, tolerance=0.04)]
    assert said(rows, U=1.5)[1].startswith(
        "U = 0.048 mA exceeds the tolerance -0.032 to 0.032 mA, at 0 % upscale, 50 % upscale, and likewise with other "
        "figures at 100 % upscale; worst"
    )


def test_an_unknown_u_is_the_reason_at_its_own_places_only():
    # At 50 % nothing is known of U; at 100 % it exceeds the tolerance.
    rows = [visit(0.1, 0), visit(0.5, 50, U=NAN), visit(-0.1, 100, U=2 * T)]
    found = evidence(rows, U=np.array([0.2, NAN, 2.0]), unknown="output meter accuracy")
    assert verdict(found).reason.startswith(
        "the uncertainty is not determinable (output meter accuracy), and ILAC-G8:09/2019 non-binary needs it, at 50 % "
        "upscale; U = 0.064 mA exceeds the tolerance -0.032 to 0.032 mA, at 100 % upscale; worst "
    )


UNJUDGED = {"is_judged": False, "tolerance": 0.0012344}


RESOLUTION = "0.00235 mA at 10 % upscale is less than the resolution of the output, half a step of 0.02 mA; worst"


def test_a_tolerance_of_next_to_nothing_is_an_obstacle_with_what_it_lies_below():
    rows = [visit(0.1, 0, **UNJUDGED), visit(0.2, 10, **UNJUDGED | {"tolerance": 0.0023456, "U": 0.0123}), *three()[1:]]
    result, reason = said(rows, result=[4, 4, 0, 0], tolerance_to_write="1 % of reading")
    assert result == "not determinable"
    assert reason.startswith(
        "the tolerance of 0.00123 mA at 0 % upscale, 0.00235 mA at 10 % upscale is less than U = 0.012 mA (if the data "
        "sheet of the type allows it, write: tolerance: 1 % of reading); worst +0.016 mA"
    )
    rows[1]["U"] = NAN
    assert RESOLUTION in said(rows, result=[4, 4, 0, 0])[1]
    assert RESOLUTION in said(rows, result=[4, 4, 0, 0], U=None)[1]


def test_what_is_out_at_such_a_tolerance_fails_with_the_largest_error():
    rows = [visit(10, 0, **UNJUDGED), visit(-19.997, 10, **UNJUDGED), visit(0, 20, **UNJUDGED), *three()[1:]]
    result, reason = said(rows, result=[3, 3, 4, 0, 0])
    assert result == "fail"
    assert reason == (
        "-0.6399 mA at 0 % upscale, 10 % upscale, where the tolerance is 0.00123 mA and U = 0.0064 mA does not explain "
        "it"
    )
    rows[0]["error"] = 0.7
    assert said(rows, result=[3, 3, 4, 0, 0])[1].startswith("+0.7 mA at 0 % upscale, 10 % upscale, where")
    rows[0]["error"] = 0.32
    both = said([*rows, visit(1.3, 75)], result=[3, 3, 4, 0, 0, 3])[1]
    assert both.startswith("1 of 3 points outside the tolerance, and -0.6399 mA at")


def end_pairs(*results):
    """Second readings, the first at 0 % and the second at 100 %."""
    errors = [NAN if each is None else 0.01 for each in results]
    return pd.DataFrame({"setpoint_pct": [0.0, 100.0][: len(results)], "error": errors, "result": [*results]})


SECOND = "the second reading of the end pair at 100 %"


@pytest.mark.parametrize(
    ("second", "result", "reason"),
    [
        ("fail", "fail", f"{SECOND} outside the tolerance"),
        ("conditional fail", "conditional fail", f"{SECOND} outside the tolerance, by less than U"),
        ("not determinable", "not determinable", f"{SECOND} not determinable"),
        (
            "conditional pass",
            "conditional pass",
            f"all 3 points within the tolerance, but {SECOND} nearer than U",
        ),
        ("pass", "pass", "all 3 points within the tolerance"),
        (None, "pass", "all 3 points within the tolerance"),
    ],
)
def test_second_readings_of_end_pairs_count_as_points_do(second, result, reason):
    assert said(three(), end_pairs=end_pairs("pass", second)) == (result, f"{reason}{WORST}")


def test_points_come_before_second_readings():
    assert said(three(0.9), end_pairs=end_pairs("conditional pass"))[1].startswith(
        "all 3 points within the tolerance, but 1 "
    )
    assert said(three(1.1), end_pairs=end_pairs("conditional fail"))[1].startswith("1 point outside")
    assert said(three(1.1), end_pairs=end_pairs("fail"))[0] == "fail"


def stage(result, *, reason="", name="pickup", first="speed", last="pulse"):
    return StageResult(
        name=name,
        first=first,
        last=last,
        worst_pct=0.2,
        worst_at_pct=50.0,
        tolerance_pct=0.1,
        result=result,
        reason=reason,
    )


def test_a_stage_outside_fails_the_unit():
    found = verdict(evidence(three(), stages=(stage("pass", name="other"), stage("fail", reason="no tolerance"))))
    assert (found.result, found.reservations) == ("fail", ())
    assert found.reason == (
        'stage "pickup" is outside its own tolerance, +0.2 % of span at 50 %, though end to end all 3 points are within'
        f"{WORST}"
    )


@pytest.mark.parametrize("result", ["pass", "conditional pass", "conditional fail"])
def test_a_stage_that_is_not_outside_fails_nothing(result):
    assert said(three(), stages=(stage(result, reason="near its limit"),)) == (
        "pass",
        f"all 3 points within the tolerance{WORST}",
    )


def test_a_stage_that_cannot_be_judged_is_a_reservation_where_it_says_why():
    stages = (
        stage("not determinable", reason="no U"),
        stage("not determinable", name="quiet"),
        stage("pass", reason="x"),
    )
    found = verdict(evidence(three(), stages=stages))
    assert found.reservations == ('stage "pickup" is not determinable: no U',)
    assert found.result == "conditional pass"
    assert found.reason.endswith('at 50 % upscale; with reservation: stage "pickup" is not determinable: no U')


def test_a_suspect_instrument_takes_the_stages_beside_it_out_of_the_verdict():
    pickup, converter = (
        stage("not determinable", reason="suspect"),
        stage("pass", name="converter", first="pulse", last="out"),
    )
    behind = stage("pass", name="behind", first="out", last="end")
    found = verdict(evidence(three(), stages=(pickup, converter, behind), suspect_taps=("pulse",)))
    rest = "not determinable, and errors of theirs that compensate would look the same"
    rest += "; read that tap with another instrument"
    assert found.reservations == (f'what reads the tap "pulse" is suspect: stages "pickup" and "converter" are {rest}',)
    one = verdict(evidence(three(), stages=(pickup, behind), suspect_taps=("pulse",)))
    assert one.reservations == (f'what reads the tap "pulse" is suspect: stage "pickup" is {rest}',)


def test_a_suspect_instrument_at_an_end_leaves_no_verdict():
    found = verdict(evidence(three(1.3), suspect_taps=("output",), is_suspect_at_ends=True))
    assert found.result == "not determinable"
    assert found.reason == (
        'what reads the tap "output" is suspect, and the errors end to end rest on it: check that instrument, or read '
        "the tap with another one"
    )
    assert said(three(), is_suspect_at_ends=True)[0] == "pass"
    assert said(three(), suspect_taps=("pulse",))[0] == "conditional pass"


@pytest.mark.parametrize(("off_pct", "is_astray"), [(5.0, False), (-5.0, False), (5.01, True), (-5.01, True)])
def test_more_than_5_percent_of_span_from_the_setpoint_blames_the_bench(off_pct, is_astray):
    found, why = said(three(1.3, input_pct=50 + off_pct))
    assert found == ("not determinable" if is_astray else "fail")
    if is_astray:
        assert why == (
            "at 1 of 3 points the input measured lies up to 5.01 % of span from its setpoint: check source, reference "
            "and wiring"
        )


def test_all_points_astray_are_counted_with_the_farthest():
    rows = [visit(0.1, 0, input_pct=6), visit(0.1, 50, input_pct=41), visit(0.1, 100)]
    assert said(rows)[1].startswith("at 2 of 3 points the input measured lies up to 9 % of span")


# TUR is T over U: 1 / 0.8 = 1.25, 1 / 0.7 = 1.428..., never rounded up to the limit.
@pytest.mark.parametrize(("U", "tur"), [(0.8, "1.25"), (0.7, "1.42"), (0.6667, "1.49")])
def test_a_low_tur_is_a_reservation_until_it_is_accepted(U, tur):
    low = f"TUR {tur} is below 1.5"
    found = verdict(evidence(three(0.1), U=U))
    assert (found.result, found.accepted) == ("conditional pass", "")
    assert found.reservations == (f"{low}, not accepted by a named person",)
    told = Basis(low_tur_accepted="A. Brewer: no other")
    taken = verdict(evidence(three(0.1), U=U, basis=told))
    assert (taken.result, taken.reservations) == ("pass", ())
    assert taken.accepted == f"{low}, accepted by A. Brewer: no other"
    assert taken.reason.endswith(f"at 0 % upscale; {taken.accepted}")
    failed = verdict(evidence(three(2), U=U, basis=told))
    assert (failed.result, failed.accepted) == ("fail", "")
    assert "accepted by" not in failed.reason


def test_a_tur_of_one_and_a_half_is_enough_and_no_acceptance_is_told():
    told = Basis(low_tur_accepted="A. Brewer: no other")
    found = verdict(evidence(three(0.1), U=1 / 1.5, basis=told))
    assert (found.result, found.accepted, found.reservations) == ("pass", "", ())


def test_the_tur_of_what_is_not_judged_does_not_count():
    rows = [visit(0, 0, **UNJUDGED), *three(0.1)]
    found = verdict(evidence(rows, result=[0, 0, 0, 0]))  # 0.0012344 / 0.0064 there
    assert found.reservations == ()


def test_without_a_tolerance_on_both_sides_no_tur_is_low():
    found = evidence(three(0.1))
    one_sided = judge(found.visits["error"], 0.9 * T, rule=RULES[GUARD], upper=10.0)
    judgement = Judgement(
        result=one_sided.verdict, is_unresolved=np.zeros(3, bool), least=np.zeros(3), conformity=one_sided
    )
    given = {each: getattr(found, each) for each in ("visits", "end_pairs", "unit", "basis", "planned_n")}
    assert verdict(Evidence(**given, judgement=judgement)).reservations == ()


def test_each_reservation_is_said_in_turn_and_makes_a_pass_conditional():
    expired = Statement(tap="output", instrument="meter", accuracy=None, resolution=0.0, certificate_due="2025-12-31")
    found = verdict(
        evidence(
            three(),
            basis=Basis(statements=(expired,), date="2026-01-05"),
            is_scatter_unknown=True,
            unknown="no accuracy",
            without_value=("1 of 2 readings at 50 % gave no value",),
        )
    )
    assert found.reservations == (
        "calibration certificate expired: meter (due 2025-12-31)",
        "one reading a point, one cycle: the scatter of the readings is not known",
        "uncertainty not determinable, no accuracy",
        "1 of 2 readings at 50 % gave no value",
    )
    assert (
        found.reason == f"all 3 points within the tolerance{WORST}; with reservation: {'; '.join(found.reservations)}"
    )
    assert found.result == "conditional pass"


def test_scatter_and_unknown_u_matter_only_where_u_is_used():
    found = verdict(evidence(three(), U=None, is_scatter_unknown=True, unknown="no accuracy"))
    assert (found.result, found.reservations) == ("pass", ())


def test_a_reservation_makes_a_conditional_pass_no_worse_and_a_fail_no_better():
    assert said(three(0.9), without_value=("one missing",))[0] == "conditional pass"
    assert "with reservation: one missing" in said(three(0.9), without_value=("one missing",))[1]
    for over_T, result in ((1.1, "conditional fail"), (1.3, "fail")):
        found = verdict(evidence(three(over_T), without_value=("one missing",)))
        assert found.result == result
        assert "with reservation" not in found.reason


ONLY = "readings at {} points from {} % to {} % of the range only"


# By hand: ends within 10 % of the range, three points at least, nothing a quarter of the range beyond it.
@pytest.mark.parametrize(
    ("at_pct", "reservations"),
    [
        ((0, 50, 100), ()),
        ((10, 50, 90), ()),
        ((10.1, 50, 90), (ONLY.format(3, "10.1", 90),)),
        ((10, 50, 89.9), (ONLY.format(3, 10, "89.9"),)),
        ((0, 100), (ONLY.format(2, 0, 100),)),
        ((0, 100, 100), (ONLY.format(2, 0, 100),)),
        ((-25, 50, 125), ()),
        ((-25.1, 50, 100), ("readings far beyond the range",)),
        ((0, 50, 125.1), ("readings far beyond the range",)),
    ],
)
def test_by_hand_the_range_must_be_covered(at_pct, reservations):
    found = verdict(evidence([visit(0.1, each) for each in at_pct], planned_n=None))
    assert found.reservations == reservations
    assert found.result == ("conditional pass" if reservations else "pass")
    assert verdict(evidence([visit(0.1, each) for each in at_pct])).reservations == ()  # a plan meant it so


def test_what_was_not_read_covers_nothing():
    found = verdict(evidence([visit(0.1, 0), visit(0.1, 50), visit(NAN, 100)], planned_n=None))
    assert found.reservations == (ONLY.format(2, 0, 50),)
    assert verdict(evidence([visit(NAN, 0)], planned_n=None, U=None, result=[4])).reservations == ()


def test_twelve_places_are_named_and_the_rest_counted():
    rows = [visit(NAN, each) for each in range(12)] + [visit(0.1, 50)]
    twelve = ", ".join(f"{each} % upscale" for each in range(12))
    assert said(rows)[1].startswith(f"12 points were not read ({twelve});")
    rows += [visit(NAN, each) for each in range(80, 85)]
    assert said(rows)[1].startswith(f"17 points were not read ({twelve} and 5 more);")


def test_a_place_is_named_once_to_hundredths_and_never_minus_zero():
    rows = [visit(NAN, -0.001), visit(NAN, 33.333), visit(NAN, 33.3329), *three()]
    assert said(rows)[1].startswith("3 points were not read (0 % upscale, 33.33 % upscale);")
