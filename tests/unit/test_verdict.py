"""The five verdicts by the rules as their documents print them, and what weakens one.

ILAC-G8:09/2019 4.2 (fetched): with w = U a result e against the limit T is a pass up to T - w, a conditional pass up to
T, a conditional fail up to T + w, a fail beyond. Here T = 32 uA (0.2 % of 16 mA) and U = 0.2 T unless said otherwise.
"""

import json
import math
import re
from dataclasses import replace

import pytest

from sequencer.diagnosis.action import advice
from sequencer.evaluation.budget import Basis, Limits, Statement
from sequencer.evaluation.evaluate import evaluate
from sequencer.readings.csv_import import from_csv

PULSE = """\
type: pulse rate converter
input: {range: 0 .. 1000 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""
CHAIN = """\
type: two stages
taps:
  - {tap: speed, range: 0 .. 1200 rpm}
  - {tap: pulse, range: 0 .. 1200 Hz}
  - {tap: returned, range: 4 .. 20 mA}
stages:
  - {stage: pickup, pulses per revolution: 60, tolerance: 0.1 % of span}
  - {stage: converter, tolerance: 5 % of span}
tolerance: 5 % of span
"""
NON_BINARY = "ILAC-G8:09/2019 non-binary"
T = 0.032


def meter(tap, u, *, accuracy=True, **more):
    """An instrument whose standard uncertainty is `u`, normal: certified with k = 2."""
    nothing = Limits(of_reading=0.0, floor=0.0)
    certified = {"certificate": Limits(of_reading=0.0, floor=2 * u)} if accuracy else {}
    known = {"accuracy": nothing if accuracy else None, "resolution": 0.0} | certified | more
    return Statement(tap=tap, instrument=f"{tap} meter", **known)


def basis(U_over_T=0.2, *, rule=NON_BINARY, date="2026-01-05", first=None, last=None):
    """All of it from the output meter; 95.45 % of a normal distribution is k = 2.000."""
    ends = (first or meter("input", 0.0), last or meter("output", U_over_T * T / 2))
    return Basis(statements=ends, rule=rule, date=date)


@pytest.fixture
def judged(type_sheet, by_hand):
    """A unit with one error, in parts of T, at 50 %; each point read in two cycles that agree."""

    def made(error_over_T, basis, *, cycles_n=2, text=PULSE, **more):
        sheet = type_sheet(text)
        rows = [(0, 4.0), (500, 12.0 + error_over_T * T), (1000, 20.0)]
        rows = rows + (rows[1::-1] + rows[1:]) * (cycles_n - 1)
        return evaluate(from_csv(by_hand("input;output", rows), sheet.datasheet()), sheet, basis=basis, **more)

    return made


@pytest.mark.parametrize(
    ("error_over_T", "result"),
    [
        (0.7, "pass"),
        (0.79, "pass"),
        (0.81, "conditional pass"),
        (0.9, "conditional pass"),
        (-0.9, "conditional pass"),
        (1.0, "conditional pass"),
        (1.1, "conditional fail"),
        (-1.19, "conditional fail"),
        (1.21, "fail"),
        (1.3, "fail"),
    ],
)
def test_each_side_of_each_limit_by_ilac_g8(judged, error_over_T, result):
    found = judged(error_over_T, basis())
    assert found.worst["U"] == pytest.approx(0.2 * T, rel=1e-4)
    assert found.worst["tur"] == pytest.approx(5, rel=1e-4)
    assert found.verdict.result == result
    assert found.verdict.is_pass == (result == "pass")
    assert found.verdict.rule.startswith(NON_BINARY)
    assert found.worst["verdict"] == result


@pytest.mark.parametrize(
    ("error_over_T", "says"),
    [
        (0.7, "all 7 points within the tolerance; worst +0.0224 mA, U = 0.0064 mA (+0.14 % of span, 70 % of"),
        (0.9, "all 7 points within the tolerance, but 3 nearer to its limit than U"),
        (1.1, "3 points outside the tolerance, by less than U"),
        (1.3, "3 of 7 points outside the tolerance; worst"),
    ],
)
def test_the_reason_has_the_worst_point_with_its_uncertainty(judged, error_over_T, says):
    assert says in judged(error_over_T, basis()).verdict.reason


@pytest.mark.parametrize("error_over_T", [0.0, 0.7, 0.99])
def test_an_uncertainty_above_the_tolerance_gives_no_verdict(judged, error_over_T):
    found = judged(error_over_T, basis(1.25))
    assert found.verdict.result == "not determinable"
    assert "U = 0.04 mA exceeds the tolerance -0.032 to 0.032 mA" in found.verdict.reason
    assert "Take better instruments" in advice(found, "by hand", "")


def test_an_overdue_certificate_makes_a_pass_conditional_and_names_instrument_and_date(judged):
    last = meter("output", 0.1 * T, certificate_due="2025-12-31")
    found = judged(0.5, basis(last=last))
    assert found.verdict.result == "conditional pass"
    assert found.verdict.reservations == ("calibration certificate expired: output meter (due 2025-12-31)",)
    assert "output meter (due 2025-12-31)" in found.verdict.reason
    assert "output meter (due 2025-12-31)" in advice(found, "by hand", "")
    assert judged(0.5, basis(last=last, date="2025-12-31")).verdict.result == "pass"
    assert judged(1.3, basis(last=last)).verdict.result == "fail"  # it makes nothing better


def test_two_things_that_weaken_a_pass_are_both_said(judged):
    found = judged(0.9, basis(last=meter("output", 0.1 * T, certificate_due="2025-12-31")))
    assert found.verdict.result == "conditional pass"
    assert "nearer to its limit than U" in found.verdict.reason
    assert "calibration certificate expired" in found.verdict.reason
    said = advice(found, "by hand", "")
    assert "nearer to the limit than the measurement uncertainty; calibration certificate expired" in said


# Practice of the trade: no plain pass below a TUR of 1.5 unless a person answers for it; TUR is T over U.
@pytest.mark.parametrize(("U_over_T", "tur"), [(0.79, "1.26"), (0.67, "1.49")])
def test_a_low_tur_makes_a_pass_conditional_until_a_person_accepts_it_by_name(judged, U_over_T, tur):
    found = judged(0.1, basis(U_over_T))
    assert found.verdict.result == "conditional pass"
    assert found.verdict.reservations == (f"TUR {tur} is below 1.5, not accepted by a named person",)
    assert "not accepted by a named person" in found.verdict.reason
    told = replace(basis(U_over_T), low_tur_accepted="A. Brewer: the better meter is away")
    accepted = judged(0.1, told).verdict
    assert (accepted.result, accepted.reservations) == ("pass", ())
    assert f"TUR {tur} is below 1.5, accepted by A. Brewer: the better meter is away" in accepted.reason
    # It makes no other doubt go away, and is not said where it changes nothing.
    assert judged(0.5, told).verdict.result == "conditional pass"
    assert judged(1.9, told).verdict.result == "fail"
    assert judged(1.9, told).verdict.accepted == ""


def test_a_tur_of_a_half_above_one_is_enough(judged):
    found = judged(0.1, replace(basis(0.66), low_tur_accepted="A. Brewer: not needed"))
    assert (found.verdict.result, found.verdict.accepted) == ("pass", "")
    assert judged(0.1, basis(0.66)).verdict.result == "pass"


def test_without_an_accuracy_a_rule_that_needs_it_gives_no_verdict(judged):
    found = judged(0.5, basis(last=meter("output", 0.0, accuracy=False)))
    assert found.verdict.result == "not determinable"
    assert "(output: output meter accuracy: uncertainty not known), and ILAC-G8" in found.verdict.reason
    assert "State what the description of an instrument lacks" in advice(found, "by hand", "")


def test_without_an_accuracy_simple_acceptance_gives_one_with_reservation(judged):
    rule = "ILAC-G8:09/2019 simple acceptance"
    found = judged(0.5, basis(last=meter("output", 0.0, accuracy=False), rule=rule))
    assert found.verdict.result == "conditional pass"
    assert "output meter accuracy: uncertainty not known" in found.verdict.reservations[0]


def test_one_reading_a_point_makes_a_pass_conditional(judged):
    found = judged(0.5, basis(), cycles_n=1)
    assert found.verdict.result == "conditional pass"
    assert found.verdict.reservations == ("one reading a point, one cycle: the scatter of the readings is not known",)


def test_with_nothing_stated_the_tolerance_alone_decides_and_says_so(judged):
    found = judged(0.99, None, cycles_n=1)
    assert (found.verdict.result, found.verdict.reservations) == ("pass", ())
    assert "measurement uncertainty not taken into account" in found.verdict.rule
    assert judged(1.01, None).verdict.result == "fail"


@pytest.mark.parametrize(
    ("rule", "error_over_T", "result", "says"),
    [
        ("ILAC-G8:09/2019 simple acceptance", 0.99, "pass", "all 7 points within"),
        ("ILAC-G8:09/2019 simple acceptance", 1.01, "fail", "3 of 7 points outside"),
        ("ILAC-G8:09/2019 guard band", 0.79, "pass", "all 7 points within"),
        ("ILAC-G8:09/2019 guard band", 0.81, "fail", "3 of 7 points nearer to the limit than"),
        ("ILAC-G8:09/2019 3 sigma", 0.69, "pass", "all 7 points within"),  # w = 1.5 U
        ("ILAC-G8:09/2019 3 sigma", 0.71, "fail", "nearer to the limit than ILAC-G8:09/2019 3 sigma accepts"),
        ("ILAC-G8:09/2019 6 sigma", 0.39, "pass", "all 7 points within"),  # w = 3 U
        ("ILAC-G8:09/2019 6 sigma", 0.41, "fail", "nearer to the limit"),
        ("ILAC-G8:09/2019 uncritical", 1.19, "pass", "3 of 7 points outside the tolerance, by no more than"),
        ("ILAC-G8:09/2019 uncritical", 1.21, "fail", "3 of 7 points outside"),
        ("ISO 14253-1:2017", 0.83, "pass", "all 7 points within"),  # w = 0.83 U: 0.834 T
        ("ISO 14253-1:2017", 0.84, "conditional pass", "nearer to its limit"),
        ("ISO 14253-1:2017", 1.16, "conditional fail", "by less than U"),
        ("ISO 14253-1:2017", 1.17, "fail", "outside"),
        ("root sum square", 0.979, "pass", "all 7 points within"),  # sqrt(1 - 0.2^2) = 0.9798
        ("root sum square", 0.981, "fail", "nearer to the limit"),
        # TUR 5 is above 4.6, where this rule needs no guard band.
        ("ANSI/NCSL Z540.3 handbook method 6", 0.999, "pass", "all 7 points within"),
    ],
)
def test_every_rule_is_asked_for_by_name(judged, rule, error_over_T, result, says):
    found = judged(error_over_T, basis(rule=rule))
    assert found.verdict.result == result
    assert found.verdict.rule.startswith(rule)
    assert says in found.verdict.reason


# At 0 Hz "of reading" leaves no tolerance. U of the meter is 0.2 T = 6.4 uA: more is out, less nobody can tell.
@pytest.mark.parametrize(
    ("error_mA", "result"), [(0.0, "not determinable"), (0.0063, "not determinable"), (0.0065, "fail"), (-1.0, "fail")]
)
def test_where_a_share_of_the_reading_leaves_no_tolerance_u_decides(type_sheet, by_hand, error_mA, result):
    sheet = type_sheet(PULSE.replace("0.2 % of span", "0.4 % of reading"))
    rows = [(0, 4.0 + error_mA), (500, 12.0), (1000, 20.0), (500, 12.0), (0, 4.0 + error_mA)]
    found = evaluate(from_csv(by_hand("input;output", [*rows, *rows[1:]]), sheet.datasheet()), sheet, basis=basis())
    assert (found.visits["is_judged"] == (found.visits["setpoint_pct"] > 0)).all()
    assert found.verdict.result == result, found.verdict.reason
    assert "at 0 %" in found.verdict.reason
    # Four times U are 25.6 uA: 0.16 % of span, so 0.2 %.
    assert found.tolerance_to_write == "0.4 % of reading + 0.2 % of span"
    assert "State in the type sheet" in advice(found, "by hand", "") or result == "fail"


def test_more_than_u_beyond_the_tolerance_is_out_though_u_exceeds_it(judged):
    # U = 1.25 T: nothing passes, but an error of 2.3 T is more than T + U = 2.25 T.
    assert judged(2.2, basis(1.25)).verdict.result == "not determinable"
    found = judged(2.3, basis(1.25))
    assert found.verdict.result == "fail"
    assert found.worst["verdict"] == "fail"


def test_at_the_zero_of_a_square_root_without_cut_off_there_is_no_verdict(type_sheet, by_hand):
    flow = PULSE.replace("0 .. 1000 Hz", "0 .. 100 mbar").replace("0.2 % of span", "1 % of reading")
    sheet = type_sheet(flow + "characteristic: square root\n")
    rows = [(0, 4.0), (25, 12.0), (100, 20.0), (25, 12.0), (0, 4.0), (25, 12.0), (100, 20.0)]
    table = from_csv(by_hand("input;output", rows), sheet.datasheet())
    first = meter("input", 0.001)
    found = evaluate(table, sheet, basis=basis(first=first))
    assert math.isnan(found.visits["U"][0])
    assert found.verdict.result == "not determinable"
    assert found.verdict.reason.startswith("the tolerance of 0 mA at 0 % upscale, 0 % downscale is less than")


def test_a_stage_outside_its_own_tolerance_fails_a_unit_that_is_within(type_sheet, by_hand):
    sheet = type_sheet(CHAIN)
    # 0.2 % of 1200 Hz at the pickup, against 0.1 %; end to end 0.2 % against 5 %.
    rows = [(0, 0, 4), (600, 602.4, 12.032), (1200, 1200, 20)]
    found = evaluate(from_csv(by_hand("speed;pulse;returned", rows), sheet.datasheet()), sheet)
    assert found.verdict.result == "fail"
    assert 'stage "pickup" is outside its own tolerance, +0.2 % of span at 50 %' in found.verdict.reason


@pytest.mark.parametrize(
    ("at_zero", "stage", "result"),
    [(0.001, "not determinable", "conditional pass"), (3.0, "fail", "fail")],
)
def test_a_stage_whose_tolerance_is_a_share_of_zero_is_out_or_a_reservation(
    type_sheet, by_hand, at_zero, stage, result
):
    # Speeds typed in whole rpm, pulses to 1 mHz: half a step of each explains 0.5005 Hz.
    sheet = type_sheet(CHAIN.replace("tolerance: 0.1 % of span", "tolerance: 1 % of reading"))
    rows = [(0, at_zero, 4), (600, 602.4, 12.032), (1200, 1200.001, 20)]
    found = evaluate(from_csv(by_hand("speed;pulse;returned", rows), sheet.datasheet()), sheet)
    assert [each.result for each in found.stages] == [stage, "pass"]
    assert "at 0 %" in found.stages[0].reason
    assert found.verdict.result == result
    if result != "fail":
        assert found.verdict.reservations == (f'stage "pickup" is not determinable: {found.stages[0].reason}',)


def test_points_that_were_not_read_leave_it_open_unless_it_failed_already(judged):
    found = judged(0.5, basis(), planned_n=9)
    assert found.verdict.result == "not determinable"
    assert found.verdict.reason.startswith("2 points were not read")
    assert judged(1.3, basis(), planned_n=9).verdict.result == "fail"
    assert judged(1.1, basis(), planned_n=9).verdict.result == "conditional fail"


def test_a_point_that_never_settled_leaves_it_open(type_sheet, by_hand):
    sheet = type_sheet(PULSE)
    rows = [(0, 4.0), (500, 12.0), (1000, 20.0)]
    table = from_csv(by_hand("input;output", rows), sheet.datasheet())
    table.loc[table["setpoint_pct"] == 50, "settling"] = "never settled"
    found = evaluate(table, sheet, basis=basis())
    assert found.verdict.result == "not determinable"
    assert found.verdict.reason.startswith("1 of 3 points not settled within the time limit")
    assert advice(found, "complete", "").endswith(". Lengthen the settling, and run again.")


def test_an_input_far_from_its_setpoint_blames_the_bench(type_sheet, by_hand):
    sheet = type_sheet(PULSE)
    table = from_csv(by_hand("input;output", [(0, 4), (500, 12), (1000, 20)]), sheet.datasheet())
    table.loc[table["point"] == 1, "setpoint_pct"] = 56.0
    found = evaluate(table, sheet, basis=basis())
    assert found.verdict.result == "not determinable"
    assert "lies up to 6 % of span from its setpoint" in found.verdict.reason


@pytest.mark.parametrize(
    "rows",
    [
        pytest.param([(0, 4.0)], id="single point"),
        pytest.param([(500, 12.0), (500, 12.0)], id="two equal setpoints"),
        pytest.param([(500, 12.0), (500, 12.1)], id="two equal setpoints that differ"),
        pytest.param([(0, 4.0), (1000, 20.0)], id="two points"),
        pytest.param([(0, 4.0), (500, 12.0), (1000, 20.0), (500, 12.0), (0, 4.0), (1000, 20.0)], id="perfect"),
        pytest.param([(0, 4.0), (500, ""), (1000, 20.0)], id="a reading is missing"),
    ],
)
@pytest.mark.parametrize(
    "ends",
    [
        pytest.param({}, id="u"),
        pytest.param({"last": meter("output", 0.0)}, id="no u at all"),
        pytest.param({"last": meter("output", 0.0, accuracy=False)}, id="u unknown"),
    ],
)
def test_what_cannot_be_told_is_never_a_number(type_sheet, by_hand, rows, ends):
    from sequencer.core import by_hand as judged_by_hand
    from sequencer.reports.html import html
    from sequencer.reports.json_document import document
    from sequencer.reports.terminal import summary

    sheet = type_sheet(PULSE)
    table = from_csv(by_hand("input;output", rows), sheet.datasheet())
    found = evaluate(table, sheet, basis=basis(**ends))
    content = replace(judged_by_hand(table, sheet), evaluation=found, advice=advice(found, "by hand", ""))
    told = json.dumps(document(content), allow_nan=False)
    for text in (told, summary(content, width=80, colour=False), found.verdict.reason, content.advice, *found.tests):
        assert not re.search(r"\b(nan|inf)\b", text, re.IGNORECASE), text
    assert ">nan<" not in html(content)
    for each in found.figures:
        assert each.value is not None or each.remark, each.name


def test_what_is_not_determinable_says_why_and_what_would_give_a_verdict(type_sheet, by_hand):
    # 1 % of reading: nothing at 0 Hz; 0.08 mA at 8 mA, of which the 0.1 mA as typed resolves 0.05 mA.
    sheet = type_sheet(PULSE.replace("0.2 % of span", "0.3 % of reading"))
    rows = [("0", "4.0"), ("250", "8.0"), ("500", "12.0"), ("1000", "20.0")]
    found = evaluate(from_csv(by_hand("input;output", rows), sheet.datasheet()), sheet)
    # 0.3 % of 250 Hz is 0.012 mA, of 500 Hz 0.024 mA, of 1000 Hz 0.048 mA: all less than half of 0.1 mA.
    assert found.verdict.reason == (
        "the tolerance of 0 mA at 0 % upscale, 0.012 mA at 25 % upscale, 0.024 mA at 50 % upscale, 0.048 mA at 100 % "
        "upscale is less than the resolution of the output, half a step of 0.1 mA"
    )
    assert advice(found, "by hand", "").endswith(". Read the output to more digits, and evaluate again.")


def test_what_was_not_read_is_to_be_read(type_sheet, by_hand):
    sheet = type_sheet(PULSE)
    rows = [("0", "4.000"), ("250", "8.000"), ("500", ""), ("750", "16.000"), ("1000", "20.000")]
    found = evaluate(from_csv(by_hand("input;output", rows), sheet.datasheet()), sheet)
    assert advice(found, "by hand", "").endswith(". Read the missing points, and evaluate again.")
    assert "settling" not in advice(found, "by hand", "")


def test_the_worst_point_is_named_once_and_is_the_worst(type_sheet, by_hand):
    sheet = type_sheet(PULSE.replace("0.2 % of span", "1 % of reading"))
    rows = [("0", "5.000"), ("250.0", "8.001"), ("500.0", "12.000"), ("1000.0", "20.000")]
    reason = evaluate(from_csv(by_hand("input;output", rows), sheet.datasheet()), sheet).verdict.reason
    assert reason.startswith("+1 mA at 0 % upscale, where the tolerance is 0 mA")
    assert "worst" not in reason
    rows[2] = ("500.0", "12.500")  # 0.08 mA allowed
    reason = evaluate(from_csv(by_hand("input;output", rows), sheet.datasheet()), sheet).verdict.reason
    assert "; worst of the others +0.5 mA" in reason


def test_no_setpoint_is_named_with_the_rest_of_a_measured_input(type_sheet, by_hand):
    sheet = type_sheet(PULSE)
    rows = [("-0.00833333", "4.000"), ("500.0712", "12.500"), ("1000", "20.000")]
    found = evaluate(from_csv(by_hand("input;output", rows), sheet.datasheet()), sheet)
    assert found.verdict.reason.endswith("at 50.01 % upscale")
