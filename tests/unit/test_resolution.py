"""The resolution by a search: steps of the output, or what they are not wider than."""

import json

import pytest

from instruments.errors import InputError
from sequencer.reports.html import html
from sequencer.reports.json_document import document
from sequencer.reports.terminal import summary

TRAVERSE = "- traverse: {points: 5, cycles: 2, readings: 2}"


def step(settings):
    return {TRAVERSE: f"{TRAVERSE}\n  - resolution: {{{settings}}}"}


def test_steps_of_the_output_are_found_with_their_height_and_shown(small, run):
    # y = q round(y / q) with q = 0.5 % of the span of 16 mA: 0.08 mA, 0.5 % of the input from one to the next.
    rounded = {"faults: []": "faults: [{fault: meter resolution, step: 0.5 %}]"}
    ran = run(small(bench=rounded, sequence=step("at: 50 %, step: 0.1 %, most: 2 %, at most: 1 %")))
    content = ran.record.content
    (at_50,) = content.steps["resolution"]
    assert at_50.low_pct <= 0.5 <= at_50.high_pct
    assert at_50.within_pct <= 0.1
    assert at_50.step == pytest.approx(0.08, abs=0.002)
    assert at_50.settings_n < 40
    lines = summary(content, colour=False).splitlines()
    assert max(len(line) for line in lines) <= 80
    assert "the output moves in steps of 0.08 mA" in " ".join(" ".join(lines).split())
    assert "<h2>Resolution</h2>" in html(content)
    told = json.loads(json.dumps(document(content)["steps"]["resolution"]))
    assert told[0]["at_pct"] == pytest.approx(50)
    assert "1 further limit kept" in ran.record.evaluation.verdict.reason


def test_one_without_steps_is_not_more_than_the_step_that_was_tried(small, run):
    ran = run(small(sequence=step("at: 50 %, step: 0.2 %, repeats: 1")))
    (at_50,) = ran.record.content.steps["resolution"]
    assert at_50.low_pct == 0
    assert at_50.high_pct == pytest.approx(0.2, abs=0.01)


def test_places_that_would_run_into_each_other_are_refused(small):
    with pytest.raises(InputError, match='more than twice "most" apart'):
        small(sequence=step("at: [50 %, 51.5 %]"))


@pytest.mark.parametrize("step_pct", [0.25, 0.4, 0.7])
def test_a_display_whose_readings_go_to_and_fro_on_a_step_hides_no_step(small, run, step_pct):
    # y = q round(y / q) by the catalogue of faults: the output stands still for q, wherever the search began on it.
    for seed in (1, 2, 3):
        ran = run(
            small(
                bench={
                    "seed: 11, faults: []": f"seed: {seed}, faults: [{{fault: meter resolution, step: {step_pct} %}}]"
                },
                sequence={TRAVERSE: f"{TRAVERSE}\n  - resolution: {{at: 50 %, step: 0.05 %, most: 2 %}}"},
            )
        )
        (at_50,) = ran.record.content.steps["resolution"]
        assert at_50.low_pct <= step_pct <= at_50.high_pct
        assert at_50.settings_n < 40
