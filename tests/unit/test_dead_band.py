"""A dead band, from a step that turns back or as stated: what it is, and what ISA-51.1 takes off the hysteresis."""

import json

import numpy as np
import pytest

from instruments.errors import InputError
from instruments.texts import json_value
from sequencer.evaluation.dead_band import dead_band_pct, dead_bands
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.table import tidy
from sequencer.reports.html import html
from sequencer.reports.json_document import document
from sequencer.reports.terminal import plan_text, summary

TRAVERSE = "- traverse: {points: 5, cycles: 2, readings: 2}"
ISA = {"settled within: 20 %": "settled within: 20 %\nstandard: ISA-51.1-1979"}


def step(settings="at: 50 %, step: 0.1 %, most: 1 %"):
    return {TRAVERSE: f"{TRAVERSE}\n  - dead band: {{{settings}}}"}


def faults(*texts):
    return {"faults: []": f"faults: [{', '.join(f'{{{text}}}' for text in texts)}]"}


def play(width_pct):
    return f"fault: dead band, width: {width_pct} %"


def found(ran):
    return ran.record.content.steps["dead_band"]


@pytest.mark.parametrize("width_pct", [0.33, 0.6])
def test_a_unit_with_a_known_dead_band_has_that(small, run, width_pct):
    ran = run(small(bench=faults(play(width_pct)), sequence=step()))
    (at_50,) = found(ran)
    assert at_50.at_pct == pytest.approx(50)
    # The width of the simulated play, and half an interval of 10 % of it or half a step of 0.1 %.
    assert at_50.low_pct <= width_pct <= at_50.high_pct
    assert at_50.within_pct <= max(0.1 * width_pct, 0.05) * 1.1
    assert at_50.manner == "play"
    # Three approaches for themselves: 3 (2 + 10) visits of a walk back in steps of 0.1 %.
    assert len(at_50.repeats_pct) == 3
    assert at_50.settings_n < 18


def test_one_that_sticks_has_the_travel_until_it_jumps(small, run):
    ran = run(small(bench=faults("fault: stiction, width: 0.45 %"), sequence=step("at: [30 %, 60 %], step: 0.1 %")))
    assert len(found(ran)) == 2
    for each in found(ran):
        # It came up in one move of 2 %, so it stuck at the turn itself.
        assert each.low_pct <= 0.45 <= each.high_pct
        assert each.manner == "sticks and jumps"


def test_a_healthy_unit_answers_at_the_first_step(small, run):
    ran = run(small(sequence=step("at: 50 %, step: 0.1 %, most: 0.5 %, repeats: 1")))
    (at_50,) = found(ran)
    assert at_50.low_pct == 0
    assert at_50.high_pct == pytest.approx(0.1, abs=2e-3)  # the input is measured, to 0.001 %
    assert at_50.band_pct == pytest.approx(at_50.high_pct / 2)


def test_one_that_is_elastic_answers_at_once_by_less_than_the_way(small, run):
    # D turns over 2 % of range: dy/dx = 1 - 100 (h) 2 x (1 - x) = 0.6 at mid-range for h = 0.8 %.
    ran = run(small(bench=faults("fault: hysteresis, size: 0.8 %"), sequence=step("at: 50 %, step: 0.1 %, repeats: 1")))
    (at_50,) = found(ran)
    assert at_50.low_pct == 0
    assert 0.6 <= at_50.follows < 0.8
    told = " ".join(summary(ran.record.content, colour=False).split())
    assert "answers at once, but by" in told


def test_one_that_is_wider_than_the_way_back_is_not_determinable_and_says_what_to_do(small, run):
    ran = run(small(bench=faults(play(2)), sequence=ISA | step()))
    (at_50,) = found(ran)
    assert np.isnan(at_50.band_pct)
    assert at_50.is_never
    told = " ".join(summary(ran.record.content, colour=False).split())
    assert 'the output did not answer within 1 %; give a larger "most"' in told
    figure = ran.record.evaluation.figure("hysteresis")
    assert figure.value is None
    assert figure.remark == 'dead band not found, and this definition takes it off: give its step a larger "most"'
    assert json_value(document(ran.record.content))["dead_bands"][0]["band_pct"] is None


@pytest.mark.parametrize(
    ("limit", "result", "words"),
    [
        ("0.5 %", "conditional pass", "1 further limit kept"),  # as the traverse of a unit with so much play
        ("0.2 %", "fail", "at most 0.2 %"),
        ("0.33 %", "not determinable", "it lies from 0."),
    ],
)
def test_a_limit_is_kept_or_not_where_the_whole_interval_is(small, run, limit, result, words):
    ran = run(small(bench=faults(play(0.33)), sequence=step(f"at: 50 %, step: 0.1 %, repeats: 1, at most: {limit}")))
    assert ran.record.evaluation.verdict.result == result
    assert words in ran.record.evaluation.verdict.reason


def test_isa_takes_the_dead_band_of_the_step_off_the_hysteresis(small, run):
    # Lens of h = 0.8 % at 50 %, and play of 0.4 %: 1.2 % between the ways, of which ISA-51.1 leaves the lens.
    both = faults("fault: hysteresis, size: 0.8 %", play(0.4))
    whole = run(small(bench=both)).record.evaluation.figure("hysteresis")
    assert whole.value == pytest.approx(1.2, abs=0.02)
    ran = run(small(bench=both, sequence=ISA | step("at: 50 %, step: 0.05 %, most: 1 %, repeats: 2")))
    (at_50,) = found(ran)
    assert ran.record.evaluation.figure("hysteresis").value == pytest.approx(0.8, abs=at_50.within_pct + 0.02)
    assert ran.record.evaluation.figure("hysteresis").remark == ""


def test_isa_takes_the_stated_dead_band_off(small, run):
    both = faults("fault: hysteresis, size: 0.8 %", play(0.4))
    stated = {"tolerance:": "dead band: 0.4 %\ntolerance:"}
    ran = run(small(bench=both, type_sheet=stated, sequence=ISA))
    assert ran.record.evaluation.figure("hysteresis").value == pytest.approx(0.8, abs=0.02)


def test_without_either_it_says_what_is_missing(small, run):
    figure = run(small(sequence=ISA)).record.evaluation.figure("hysteresis")
    assert figure.value is None
    assert 'state "dead band" in the type sheet, or add a "dead band" step' in figure.remark


def test_figures_and_verdict_are_those_of_the_traverse(small, run):
    plain, stepped = run(small()).record, run(small(sequence=step("at: 50 %, step: 0.2 %, most: 0.6 %"))).record
    assert stepped.evaluation.verdict == plain.evaluation.verdict
    assert stepped.evaluation.figures == plain.evaluation.figures


def test_what_is_shown(small, run):
    planned = small(bench=faults(play(0.33)), sequence=step())
    said = " ".join(plan_text(planned).split())
    assert "from below to 1 place, then back by as little as the output answers" in said
    content = run(planned).record.content
    lines = summary(content, colour=False).splitlines()
    assert "dead band, in % of the input span, with 95 % confidence" in lines
    assert any(line.startswith("  at 50 %: 0.3") and "; play" in line for line in lines)
    assert max(len(line) for line in lines) <= 80
    assert "<h2>Dead band</h2>" in html(content)
    (told,) = json.loads(json.dumps(document(content)["dead_bands"]))
    assert told["at_pct"] == pytest.approx(50)
    assert len(told["repeats_pct"]) == 3


@pytest.mark.parametrize(
    ("settings", "wrong"),
    [
        ("at: [50 %, 50 %]", "each place once"),
        ("at: -24.5 %", "stays from -25 % to 125 %"),
        ("step: 0.001 %, most: 1 %", "2 to 500 steps"),
        ("step: 1 %, most: 1 %", "2 to 500 steps"),
        ("repeats: 0", "greater than or equal to 1"),
        ("within: 0.1 %", "greater than or equal to"),
        ("confidence: 40 %", "greater than or equal to"),
    ],
)
def test_settings_that_cannot_be_are_refused(small, settings, wrong):
    with pytest.raises(InputError, match=wrong):
        small(sequence=step(settings))


def test_behind_a_square_root_it_is_carried_by_the_slope():
    # Output = sqrt(x): a travel of d at x changes it by d / (2 sqrt x): 0.1 % at 25 % is 0.1 %, at 100 % 0.05 %.
    sheet = TypeSheet.model_validate(
        {
            "type": "root",
            "input": {"range": "0 .. 100 mbar"},
            "output": {"range": "4 .. 20 mA"},
            "characteristic": "square root",
            "tolerance": "0.5 % of span",
            "dead band": "0.1 %",
        }
    )
    found = dead_band_pct(tidy([]), sheet, sheet.datasheet(), np.array([25.0, 100.0]))
    assert found == pytest.approx([0.1, 0.05], rel=1e-3)


def walked(width_pct, *, repeats=2):
    """Rows of a walk back from 50 % in ten steps of 0.1 %, as records of before have them; play in closed form."""
    rows, number = [], 0
    for cycle in range(1, repeats + 1):
        number += 1  # from below, not read
        for back in range(11):
            number += 1
            travel = back / 10
            output_pct = 50 - max(travel - width_pct, 0)
            rows += [
                {
                    "serial": "GF-104", "number": number, "step": 3, "step_name": "dead band", "cycle": cycle,
                    "direction": "down" if back else "up", "point": back, "role": "dead band", "attempt": 1,
                    "correction": 0, "reading": reading, "tap": "output", "setpoint_pct": 50 - travel,
                    "value": round(4 + 0.16 * output_pct + 0.0005 * (reading - 2), 6), "at_s": 10.0 * number + reading,
                }
                for reading in (1, 2, 3)
            ]  # fmt: skip
    return tidy(rows)


def test_a_record_of_a_walk_in_fixed_steps_is_read_the_same_way(type_sheet):
    sheet = type_sheet(
        "type: plain\ninput: {range: 0 .. 100 Hz}\noutput: {range: 4 .. 20 mA}\ntolerance: 0.2 % of span\n"
    ).datasheet()
    (at_50,) = dead_bands(walked(0.33), sheet)
    assert at_50.low_pct <= 0.33 <= at_50.high_pct
    # Between the last step without and the first with an answer, and what the scatter hides beside it.
    assert at_50.high_pct == pytest.approx(0.4)
    assert at_50.low_pct > 0.2
    (dead,) = dead_bands(walked(2.0), sheet)
    assert dead.is_never
