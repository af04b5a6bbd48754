"""The step "step response": planned, run on the simulated bench, judged and shown."""

import json
import math
import re

import numpy as np
import pytest
from scipy.linalg import expm

from instruments.errors import InputError, PlanError
from sequencer.inputs.step import Seen
from sequencer.reports.html import html
from sequencer.reports.json_document import document
from sequencer.reports.terminal import summary
from sequencer.steps.step_response import STEP

TRAVERSE = "- traverse: {points: 5, cycles: 2, readings: 2}"
TAU_S = 0.2
SLOW = {
    "time constant: 20 ms": "time constant: 200 ms",
    "{minimum: 80 ms, maximum: 3 s}": "{minimum: 1 s, maximum: 9 s}",
}


def step(settings):
    return {TRAVERSE: f"- traverse: {{points: 2, cycles: 1, readings: 2}}\n  - step response: {{{settings}}}"}


def fault(text):
    return {"faults: []": f"faults: [{{{text}}}]"}


def test_each_move_starts_at_rest_and_is_read_as_it_moves(small):
    plan = small(sequence=step("repeats: 2"), type_sheet=SLOW)
    points = [point for point in plan.points if point.step_name == "step_response"]
    places = [(round(100 * each.setpoint.frac), each.role, each.setpoint.cycle) for each in points]
    start, jump = "before the step", "step response"
    assert places[:4] == [(10, start, 1), (90, jump, 1), (10, start, 2), (90, jump, 2)]
    # Large both ways and a small one, as IEC 61298-2 has them (from memory).
    assert [place[0] for place in places[4:]] == [90, 10, 90, 10, 45, 55, 45, 55]
    jumps = [each for each in points if each.role == jump]
    assert all(each.setpoint.lasts_s == pytest.approx(12 * TAU_S) for each in jumps)
    # Beside the record itself there is what setting and looking at the source take.
    assert all(12 * TAU_S <= each.estimate_s <= 12 * TAU_S + 0.5 for each in jumps)
    assert all(not each.setpoint.is_waited_for for each in jumps)


@pytest.mark.parametrize(
    ("settings", "match"),
    [
        ("moves: 10 %", "not a move"),
        ("moves: [10 % to 90 %, 10 % -> 90 %]", "each move once"),
        ("moves: 10 % to 10.1 %", "at least 0.5 %"),
        ("moves: 10 % to 140 %", "125 %"),
        ("lasts: 1 s, hold: 2 s", "shorter than"),
        ("at most: {speed: 1 s}", "speed"),
        ("moves: 10 % to 122 %", "outside the limits of the unit"),
        ("tap: shaft", 'reads the tap "shaft"'),
    ],
)
def test_settings_that_make_no_step_are_refused(small, settings, match):
    with pytest.raises((InputError, PlanError)) as refused:
        small(sequence=step(settings))
    assert re.search(match, str(refused.value) + str(getattr(refused.value, "allowed", "")))


def test_nobody_types_what_moves(small):
    meter = (
        'meter: {description: generic-scpi-meter, resource: "TCPIP::127.0.0.1::2::SOCKET", identity: SIMULATED METER}'
    )
    by_hand = {meter: "meter: {description: keyed-meter}"}
    with pytest.raises(PlanError, match="no instrument with an interface"):
        small(sequence=step("repeats: 1"), type_sheet=SLOW, bench=by_hand)


def test_the_lag_of_a_simulated_unit_is_found_judged_and_shown(small, run):
    settings = "moves: [10 % to 90 %, 90 % to 10 %], repeats: 1, at most: {T63: 0.1 s, settling: 2 s, overshoot: 2 %}"
    plan = small(sequence=step(settings), type_sheet=SLOW)
    record = run(plan).record
    content = record.content
    up, down = content.steps["step_response"]
    for move in (up, down):
        (answer,) = move.answers
        assert answer.fitted.name == "first order"
        # The plant's own lag (closed form), asked to 3 %; the source is at its level within 20 ms of its command.
        assert answer.fitted.parameters["tau"].value == pytest.approx(TAU_S, rel=0.01)
        assert move.estimate("rise").value == pytest.approx(TAU_S * math.log(9), rel=0.01)
        settled = move.estimate("settling")
        assert settled.value == pytest.approx(TAU_S * math.log(100), abs=2 * settled.u)
        assert not move.estimate("overshoot").is_known
    assert content.evaluation.verdict.result == "fail"
    assert "T63, 10 % to 90 %" in content.evaluation.verdict.reason
    text = summary(content, colour=False)
    assert max(map(len, text.splitlines())) <= 80
    assert "step response 90 % to 10 %" in text
    assert "at most 0.1 s: NOT kept" in " ".join(text.split())
    assert html(content).count("Step response 10 % to 90 %") >= 1
    told = json.loads(json.dumps(document(content), allow_nan=False))["step_responses"]
    assert [(each["from_pct"], each["to_pct"]) for each in told] == [(10, 90), (90, 10)]
    assert told[0]["repeats"][0]["system"]["parameters"]["tau"]["value"] == pytest.approx(TAU_S, rel=0.01)
    # A record that was taken again begins with the input at its end: no figure, and no limit kept by it.
    table = record.readings.copy()
    table.loc[table["role"] == "step response", "attempt"] = 2
    own = {number: settings for number, _, settings in plan.sequence.steps()}
    seen = Seen(table=table, sheet=plan.sheet, receivers={}, settings=own, type_sheet=plan.sequence.sheet)
    for limit in STEP.judged(STEP.evaluate(seen)):
        assert limit.is_met is None
        assert "interrupted" in limit.reason


def test_a_unit_that_swings_over_is_not_kept_within_its_limit(small, run):
    # Lag of 20 ms, then 1 / wn = 0.2 s with a damping of 0.4, so a period of 0.4 pi / sqrt(0.84) s: its peak by matrix
    # exponentials (scipy).
    a = np.array([[-50, 0, 0], [0, 0, 1], [25, -25, -4]])
    over = max(-(expm(a * at_s) @ np.array([1.0, 1.0, 0.0]))[1] for at_s in np.arange(0.4, 1.2, 0.005))
    settings = "moves: 10 % to 50 %, lasts: 5 s, repeats: 1, at most: {overshoot: 5 %}"
    slow = {"{minimum: 80 ms, maximum: 3 s}": "{minimum: 4 s, maximum: 9 s}"}
    swings = fault("fault: overshoot, period: 1.371109 s, damping: 0.4")
    content = run(small(sequence=step(settings), type_sheet=slow, bench=swings)).record.content
    (move,) = content.steps["step_response"]
    found = move.estimate("overshoot")
    assert found.value == pytest.approx(over, abs=0.01)
    assert content.evaluation.verdict.result == "fail"
    assert "overshoot" in content.evaluation.verdict.reason
