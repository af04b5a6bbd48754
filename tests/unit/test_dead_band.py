"""A dead band, from a step that turns back or as stated: what it is, and what ISA-51.1 takes off the hysteresis."""

import json

import numpy as np
import pytest

from instruments.errors import InputError
from instruments.texts import json_value
from sequencer.evaluation.dead_band import dead_band_pct
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
    assert len(at_50.repeats_pct) == 3
    # One step of 0.1 %, and a little more for the scatter: the middle of it is not farther off than half.
    assert at_50.band_pct == pytest.approx(width_pct, abs=at_50.within_pct)
    assert 0.05 <= at_50.within_pct < 0.08
    assert at_50.most_pct == pytest.approx(1.0, abs=1e-3)


def test_one_that_sticks_has_the_travel_until_it_jumps(small, run):
    ran = run(small(bench=faults("fault: stiction, width: 0.45 %"), sequence=step("at: [30 %, 60 %], step: 0.1 %")))
    for each in found(ran):
        # It came up in one move of 1 %, so it stuck at the turn itself.
        assert each.band_pct == pytest.approx(0.45, abs=each.within_pct)


def test_a_healthy_unit_answers_at_the_first_step(small, run):
    ran = run(small(sequence=step("at: 50 %, step: 0.1 %, most: 0.5 %, repeats: 1")))
    (at_50,) = found(ran)
    assert at_50.band_pct - at_50.within_pct == pytest.approx(0, abs=1e-9)
    assert at_50.band_pct + at_50.within_pct == pytest.approx(0.1, abs=1e-3)


def test_one_that_is_wider_than_the_way_back_is_not_determinable_and_says_what_to_do(small, run):
    ran = run(small(bench=faults(play(2)), sequence=ISA | step()))
    (at_50,) = found(ran)
    assert np.isnan(at_50.band_pct)
    told = " ".join(summary(ran.record.content, colour=False).split())
    assert 'the output did not answer within 1 %; give a larger "most"' in told
    figure = ran.record.evaluation.figure("hysteresis")
    assert figure.value is None
    assert figure.remark == 'dead band not found, and this definition takes it off: give its step a larger "most"'
    assert json_value(document(ran.record.content))["dead_bands"][0]["band_pct"] is None


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
    assert "from below to 1 place, then back in 10 steps of 0.1 %; 3 times each, 3 readings at each step" in said
    content = run(planned).record.content
    lines = summary(content, colour=False).splitlines()
    assert "dead band, in % of the input span" in lines
    assert any(line.startswith("  at 50 %: 0.3") and "(repeats 0.3" in line for line in lines)
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
