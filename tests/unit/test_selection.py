"""A run in part: which steps are taken, that what is left out is said, and that it gives no plain pass."""

import shutil

import pytest

from instruments.errors import InputError
from sequencer import core
from sequencer.inputs.selection import left_out_words, selected
from sequencer.jobs.interrupted import kept_plan

MORE = """\
  - capture: {readings: 16}
  - exercise: {cycles: 1}
  - dead band: {most: 1 %, step: 0.5 %, repeats: 1}
"""
TRAVERSE = "- traverse: {points: 5, cycles: 2, readings: 2}\n"


@pytest.fixture
def five(small):
    """1 exercise, 2 traverse, 3 capture, 4 exercise, 5 dead band."""
    return small(sequence={TRAVERSE: TRAVERSE + MORE})


@pytest.mark.parametrize(
    ("only", "first", "numbers"),
    [
        ("traverse", "", [2]),
        ("2", "", [2]),
        ("Dead Band, 2", "", [2, 5]),
        ("dead_band", "", [5]),
        pytest.param("exercise", "", [1, 4], id="all of a name"),
        ("", "3", [3, 4, 5]),
        ("", "capture", [3, 4, 5]),
        ("exercise,capture", "2", [3, 4]),
        ("", "", [1, 2, 3, 4, 5]),
    ],
)
def test_steps_are_named_by_number_or_name(five, only, first, numbers):
    found = selected(five.sequence, only=only, first=first)
    assert [number for number, _, _ in found.steps()] == numbers


ALL = "1 exercise, 2 traverse, 3 capture, 4 exercise, 5 dead band"


@pytest.mark.parametrize(
    ("only", "first", "says"),
    [
        ("traverze", "", 'do: write "traverse"'),
        ("6", "", 'there is no step "6"'),
        ("0", "", 'there is no step "0"'),
        ("", "exercise", 'there are 2 steps "exercise"'),
        ("exercise", "5", "no step is left"),
        (",", "", "no step is left"),
    ],
)
def test_what_names_no_step_is_refused_with_those_that_there_are(five, only, first, says):
    with pytest.raises(InputError, match=says) as refused:
        selected(five.sequence, only=only, first=first)
    assert refused.value.allowed == ALL


def test_without_the_traverse_there_is_no_verdict_and_no_pass(five, tmp_path):
    planned = core.plan(five.sequence, five.bench, only="capture")
    assert planned.warnings[0] == "in part, left out: 1 exercise, 2 traverse, 4 exercise, 5 dead band"
    done = core.run(planned, serial="GF-104", results=tmp_path)
    assert (done.outcome.status, done.exit_code, done.evaluation) == ("complete", 1, None)
    content = done.record.content
    assert content.status == "complete"
    assert content.verdict.reason == (
        "in part, left out: 1 exercise, 2 traverse, 4 exercise, 5 dead band; without the traverse no verdict"
    )
    assert content.advice == "Run the sequence as a whole for a verdict."
    assert len(content.steps["capture"]) == 1
    page = (done.record.folder / "report.html").read_text(encoding="utf-8")
    assert "in part, left out: 1 exercise, 2 traverse" in page
    assert core.verify(done.record.folder).is_intact


def test_with_the_traverse_a_pass_is_conditional(five, tmp_path):
    done = core.run(core.plan(five.sequence, five.bench, only="traverse,5"), serial="GF-104", results=tmp_path)
    verdict = done.evaluation.verdict
    assert (verdict.result, done.exit_code) == ("conditional pass", 1)
    assert verdict.reservations == ("in part, left out: 1 exercise, 3 capture, 4 exercise",)
    assert verdict.reason.endswith("with reservation: in part, left out: 1 exercise, 3 capture, 4 exercise")


def test_a_run_in_part_that_was_cut_off_goes_on_in_part(five, tmp_path):
    planned = core.plan(five.sequence, five.bench, only="traverse,capture")
    whole = core.run(planned, serial="GF-104", results=tmp_path / "whole")
    folder = tmp_path / "cut"
    shutil.copytree(whole.record.folder / "inputs", folder / "inputs")
    lines = (whole.record.folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    read = [number for number, line in enumerate(lines) if line.startswith(b'{"kind": "reading"')]
    (folder / "journal.jsonl").write_bytes(b"".join(lines[: read[50]]))
    again = kept_plan(folder)
    assert left_out_words(again.sequence) == "1 exercise, 4 exercise, 5 dead band"
    assert [point.setpoint for point in again.points] == [point.setpoint for point in planned.points]
    done = core.resume(folder)
    assert (done.outcome.status, done.evaluation.verdict.result) == ("complete", "conditional pass")
    assert {each.step_name for each in done.record.readings.itertuples()} == {"traverse", "capture"}
