"""Start-up drift, hold, ripple and limits on the simulated bench: each says what its fault was told to do."""

import json
import math
import re

import numpy as np
import pytest

from instruments.clock import VirtualClock
from instruments.errors import InputError, PlanError
from sequencer.reports.html import html
from sequencer.reports.json_document import document
from sequencer.reports.terminal import summary
from sequencer.steps.limits.evaluation import Level, Limits, Side, judged

TRAVERSE = "- traverse: {points: 5, cycles: 2, readings: 2}"
EXERCISE = "- exercise: {cycles: 1}"
ISOLATOR = {"range: 0 .. 1000 Hz, limits: 0 .. 1200 Hz": "range: 4 .. 20 mA, limits: 0 .. 24 mA"}
KEYED_BENCH = """\
bench: hand-held source and meter
instruments:
  hand source: {description: keyed-source}
  hand meter: {description: keyed-meter}
taps:
  input: {set by: hand source}
  output: {read by: hand meter}
"""


def step(text):
    return {TRAVERSE: f"{TRAVERSE}\n  - {text}"}


def first(text):
    return {EXERCISE: f"- {text}"}


def fault(text):
    return {"faults: []": f"faults: [{text}]"}


def shown(content):
    """What all views say: the terminal at 80 columns, the page, the document."""
    text = summary(content, colour=False)
    assert max(map(len, text.splitlines())) <= 80
    return " ".join(text.split()), html(content), json.loads(json.dumps(document(content), allow_nan=False))["steps"]


# -- start-up drift --------------------------------------------------------------------------------------------------


def test_start_up_drift_is_that_of_the_warm_up(small, run, answers):
    # 0.8 % (1 - exp(-t / 900 s)): 0.8 exp(-1/3) below its last after 5 min, within 0.1 % from 31 min on (closed form).
    operator = answers()
    plan = small(
        sequence=first("start up drift: {at: 50 %, after: [5 min, 1 h, 3 h], every: 10 min, at most: 0.2 %}"),
        bench=fault("{fault: warm-up, size: 0.8 %, tau: 900 s}"),
    )
    assert plan.estimate_s == pytest.approx(3 * 3600, rel=0.02)
    ran = run(plan, operator=operator)
    assert "switch it on now" in operator.questions[0].text
    content = ran.record.content
    (found,) = content.steps["start_up_drift"]
    assert found.drift.instants[0].away == pytest.approx(-0.8 * math.exp(-300 / 900), abs=0.01)
    assert (found.drift.was_out_at_s, found.drift.is_within_from_s) == pytest.approx((1800, 2400), abs=5)
    text, page, told = shown(content)
    assert "after 5 min: -0.57" in text
    assert "NOT kept" in text
    assert "Time since switching on in h" in page
    assert told["start_up_drift"][0]["within_from_s"] == pytest.approx(2400, abs=5)
    assert content.evaluation.verdict.result == "fail"


def test_start_up_drift_comes_first_or_not_at_all(small):
    with pytest.raises(PlanError, match="in step 3: the unit is warm by then"):
        small(sequence=step("start up drift: {at: 50 %}"))


# -- hold ------------------------------------------------------------------------------------------------------------


def test_a_drift_is_told_with_its_slope_and_held_against_its_limit(small, run):
    plan = small(
        sequence=step("hold: {at: 90 %, lasts: 4 h, every: 2 min, at most: 0.2 %, change at most: 0.5 %}"),
        bench=fault("{fault: drift, rate: 0.05 %}"),
    )
    assert plan.points[-1].estimate_s == pytest.approx(4 * 3600, rel=0.01)
    content = run(plan).record.content
    (found,) = content.steps["hold"]
    assert len(found.times_s) == 121
    assert found.per_day_pct == pytest.approx(24 * 0.05, abs=found.U_per_day_pct)
    assert found.U_per_day_pct < 0.1
    # 24 means over 4 h: the first and last lie 23/24 of it apart.
    assert found.change_pct == pytest.approx(0.05 * 4 * 23 / 24, abs=0.01)
    text, page, told = shown(content)
    told_pct = float(re.search(r"drift at 90 % ([0-9.]+)", " ".join(text.split()))[1])
    assert told_pct == pytest.approx(24 * 0.05, abs=found.U_per_day_pct)
    assert "NOT kept" in text
    assert "Allan deviation" in page
    assert told["hold"][0]["is_distinct"]


def test_a_unit_that_only_flickers_is_not_said_to_drift(small, run):
    plan = small(
        sequence=step("hold: {at: 50 %, lasts: 6 h, every: 2 min, at most: 0.05 %}"),
        bench=fault("{fault: flicker, size: 0.1 %}"),
    )
    content = run(plan).record.content
    (found,) = content.steps["hold"]
    assert not found.drift.is_distinct
    # A plain line would call the uncertainty of this drift many times too small.
    assert found.drift.U_per_s > 3 * 2 * found.drift.u_ols_per_s
    text, _, _ = shown(content)
    assert "no drift that can be told from" in text
    assert "more readings in this time do not help" in text
    assert content.evaluation.verdict.result != "pass"


def test_a_person_can_hold_a_unit_at_a_pace_of_people(small, run, answers, monkeypatch):
    monkeypatch.setattr("instruments.bench.RealClock", VirtualClock)

    def typed(question):
        return f"{question.expected:.2f}" if question.kind == "reading" else "yes"

    plan = small(bench_text=KEYED_BENCH, sequence=step("hold: {at: 50 %, lasts: 5 h, every: 30 min}"))
    ran = run(plan, operator=answers(*[typed] * 400))
    (found,) = ran.record.content.steps["hold"]
    assert len(found.times_s) == 11
    assert found.times_s[-1] == pytest.approx(5 * 3600, rel=0.05)
    # Readings that never differ hide a change of one digit, 0.001 mA of 16 mA as the meter is described, in 5 h.
    assert found.U_per_day_pct == pytest.approx(100 * 0.001 / 16 * 24 / 5, rel=0.05)


# -- ripple ----------------------------------------------------------------------------------------------------------


def test_ripple_of_mains_is_seen_through_the_aperture_of_the_meter(small, run):
    # 1 % at 60 Hz through 20 ms: sin(1.2 pi) / (1.2 pi) = 15.6 % of it (closed form).
    content = run(
        small(
            sequence=step("ripple: {at: [20 %, 80 %], readings: 300, mains: 60 Hz, at most: 0.1 %}"),
            bench=fault("{fault: mains pickup, amplitude: 1 %, frequency: 60 Hz}"),
        )
    ).record.content
    left = abs(math.sin(1.2 * math.pi) / (1.2 * math.pi))
    found = content.steps["ripple"]
    assert [each.at_pct for each in found] == pytest.approx([20, 80])
    for each in found:
        assert each.ripple.peak_to_peak == pytest.approx(2 * left, rel=0.05)
        assert each.ripple.whole == pytest.approx(2.0, rel=0.05)
    text, page, told = shown(content)
    assert "60 Hz (16 % passes)" in text
    assert "NOT kept" in text
    assert page.count("Reading less mean") == 2
    assert told["ripple"][0]["lines"][0]["seen_Hz"] == pytest.approx(10, abs=0.1)


def test_no_ripple_at_a_meter_that_is_blind_to_it_is_no_pass(small, run):
    content = run(
        small(
            sequence=step("ripple: {at: 50 %, readings: 200, mains: 50 Hz, at most: 0.1 %}"),
            bench=fault("{fault: mains pickup, amplitude: 1 %, frequency: 50 Hz}"),
        )
    ).record.content
    (found,) = content.steps["ripple"]
    assert found.ripple.lines == ()
    text, _, _ = shown(content)
    assert "the meter hides 50 Hz, 100 Hz" in text
    assert "oscilloscope" in text
    assert content.evaluation.verdict.result == "not determinable"


def test_nobody_types_a_ripple(small):
    with pytest.raises(PlanError, match="no instrument with an interface"):
        small(bench_text=KEYED_BENCH, sequence=step("ripple: {at: 50 %}"))
    with pytest.raises(PlanError) as refused:
        small(bench_text=KEYED_BENCH, sequence=step("ripple: {at: 50 %}\n  - ripple: {at: 90 %}"))
    (other,) = refused.value.others  # both at once, and how to run the rest
    assert refused.value.where != other.where
    assert "runs all the others" in refused.value.todo


# -- limits ----------------------------------------------------------------------------------------------------------

LIMITS = "limits: {below: -5 %, above: 110 %, levels: NE 43, broken sensor: up, recovery: 1 s, recovery at most: 1 s}"


def limits_of(small, run, *faults, text=LIMITS, operator=None):
    plan = small(type_sheet=ISOLATOR, sequence=step(text), bench=fault(", ".join(faults)))
    ran = run(plan, operator=operator)
    (found,) = ran.record.content.steps["limits"]
    return ran, found


def test_the_output_stops_at_3_8_and_20_5_mA_and_fails_upscale_with_an_open_input(small, run, answers):
    operator = answers()
    ran, found = limits_of(small, run, "{fault: open input, level: 21.5 mA}", operator=operator)
    below, above = found.sides
    assert (below.level.value, above.level.value) == pytest.approx((3.8, 20.5), abs=0.002)
    assert (below.begins_pct, above.begins_pct) == pytest.approx((-1.25, 103.125), abs=0.05)
    assert below.is_held
    assert above.is_held
    assert (below.level.read_as, above.level.read_as, found.opened.read_as) == (
        "measuring", "measuring", "failure high",
    )  # fmt: skip
    assert max(below.recovery_s, above.recovery_s) < 0.5
    text, page, told = shown(ran.record.content)
    assert "failure information, high" in text
    assert text.count(": kept") == 5
    # It stops at the very edges, and 2 uA is what the meter can tell: kept, and no plain pass.
    verdict = ran.record.evaluation.verdict
    assert verdict.result == "conditional pass"
    assert sum("at the edge within U" in each for each in verdict.reservations) == 2
    assert "21 mA, failure" in page
    assert told["limits"][0]["sides"][0]["way"] == "below"
    asked = [each.text for each in operator.questions]
    assert "disconnect the sensor input" in asked[-2]
    assert "connect the sensor input of the unit again" in asked[-1]
    # Nothing is on while a person is at the wires: off before the first question, on after the second.
    assert not [each for each in ran.events("Remarked") if "Read once more" in each.text]
    on = [place for place, each in enumerate(ran.sent) if each in {"OUTP ON", "OUTP OFF"}]
    assert [ran.sent[place] for place in on][-3:].count("OUTP ON") == 1


def test_a_unit_without_alarm_fails_where_one_is_required(small, run):
    ran, found = limits_of(small, run)
    assert found.opened.value == pytest.approx(3.8, abs=0.002)
    assert ran.record.evaluation.verdict.result == "fail"
    assert "output with open input" in ran.record.evaluation.verdict.reason


def test_an_output_that_stops_between_measuring_and_failure_is_not_measuring(small, run):
    ran, found = limits_of(small, run, "{fault: clamp by design, low: 3.7 mA, high: 20.8 mA}")
    assert [each.level.read_as for each in found.sides] == ["undefined", "undefined"]
    assert ran.record.evaluation.verdict.result == "fail"


def test_a_slow_recovery_is_timed(small, run):
    # 5 % exp(-t / 1 s) is within 0.5 % after ln 10 = 2.3 s (closed form).
    text = "limits: {below: none, above: 110 %, recovery: 8 s, recovery at most: 2 s}"
    ran, found = limits_of(small, run, "{fault: slow recovery, size: 5 %, tau: 1 s}", text=text)
    (above,) = found.sides
    assert above.recovery_s == pytest.approx(math.log(10), abs=0.2)
    assert above.offset_pct == pytest.approx(0, abs=0.05)
    assert "NOT kept" in shown(ran.record.content)[0]


def test_hysteresis_is_no_effect_of_what_lies_beyond_the_range(small, run):
    # A play of 1 % would show as 1 % of span if the place were met from below before, from above after (closed form).
    _, found = limits_of(small, run, "{fault: backlash, width: 1 %}", text="limits: {above: 110 %, recovery: 1 s}")
    assert [side.offset_pct for side in found.sides] == pytest.approx([0, 0], abs=0.02)


def test_an_output_that_is_no_current_loop_has_its_limits_and_no_class(small, run):
    text = "limits: {below: none, above: 110 %, recovery: 1 s, held: 5}"
    plan = small(type_sheet=ISOLATOR | {"range: 4 .. 20 mA}\n": "range: 0 .. 10 V}\n"}, sequence=step(text))
    (found,) = run(plan).record.content.steps["limits"]
    (above,) = found.sides
    assert not above.is_held
    assert above.linear_to_pct == pytest.approx(110)
    assert above.level.read_as is None
    assert above.level.value == pytest.approx(11, abs=0.01)


def test_what_would_harm_the_unit_is_refused_with_what_is_allowed(small):
    with pytest.raises(PlanError, match=r"-5 % \(-50 Hz\) lies outside the limits of the unit") as refused:
        small(sequence=step("limits: {below: -5 %, above: 130 %}"))
    assert refused.value.allowed == "0 .. 1200 Hz"
    assert refused.value.todo.startswith('write "below: none" to leave that side out')
    assert small(sequence=step("limits: {below: none, above: 110 %}")).points


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("limits: {below: none, above: none}", "below"),
        ("limits: {below: 5 %}", "less than 0"),
        ("limits: {recovery: 1 s, recovery at most: 2 s}", "recovery at most"),
        ("hold: {lasts: 1 min, every: 1 min}", "8 to 20000 readings"),
        ("ripple: {at: [50 %, 50 %]}", "each place once"),
        ("ripple: {readings: 5}", "16"),
        ("start up drift: {after: [1 h, 5 min]}", "rise"),
        ("start up drift: {after: [1 h]}", "at least 2"),
    ],
)
def test_settings_that_cannot_be_are_refused(small, text, match):
    with pytest.raises(InputError, match=match):
        small(sequence=step(text))


@pytest.mark.parametrize(
    ("recovery_s", "paced_s", "is_met"),
    [(0.8, 0.1, True), (1.5, 0.1, False), (1.5, 0.9, None), (6.0, math.nan, None), (math.nan, 0.1, False)],
    ids=["in time", "late", "between two readings", "one typed reading", "not while watched"],
)
def test_a_late_reading_proves_no_slow_recovery(recovery_s, paced_s, is_met):
    level = Level(value=20.5, sd=0.0, swing=0.0, U=0.0, pct=103.125, read_as="measuring")
    side = Side(
        way="above", places_pct=np.array([110.0]), outputs_pct=np.array([103.125]), ideals_pct=np.array([110.0]),
        linear_to_pct=100.0, level=level, is_held=True, begins_pct=103.125, recovery_s=recovery_s, paced_s=paced_s,
        offset_pct=0.0, U_offset_pct=0.0,
    )  # fmt: skip
    found = Limits(
        step=1, unit="mA", sides=(side,), linear_within_pct=0.5, opened=None, reconnected_pct=math.nan, burnout="",
        is_judged=False, recovery_at_most_s=1.0,
    )  # fmt: skip
    assert [each.is_met for each in judged(found)] == [is_met]
