"""Sequences within a sequence: their steps in place, their cautions asked, their files kept; what cannot be refused."""

import shutil

import pytest

from instruments.errors import InputError, PlanError, RecordError
from sequencer import core
from sequencer.inputs.files import load_sequence
from sequencer.jobs.interrupted import kept_plan

TYPE = "pulse-to-current"
OUTER = """\
sequence: outer
type sheet: pulse-to-current
cautions: [the one of the outer, the one of both]
steps:
  - exercise: {cycles: 1}
"""
TRAVERSE = """\
sequence: a traverse to be included
type sheet: what-is-not-asked-for
cautions: [the one of the traverse, the one of both]
steps:
  - traverse: {readings: 2, points: 3}
"""
CAPTURE = (
    "sequence: noise\ntype sheet: any\nsteps:\n  - capture:\n  - dead band: {most: 1 %, step: 0.5 %, repeats: 1}\n"
)


@pytest.fixture
def written(tmp_path):
    """The outer sequence with some entries more, beside the files that it can include; loaded."""

    def made(*entries, **files):
        for name, text in {"traverse": TRAVERSE, "noise": CAPTURE, **files}.items():
            (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
        path = tmp_path / "outer.yaml"
        path.write_text(OUTER + "".join(f"  - {each}\n" for each in entries), encoding="utf-8")
        return load_sequence(str(path))

    return made


def test_the_steps_stand_in_place_and_the_cautions_are_joined(written):
    loaded = written("include: traverse.yaml", "include: noise.yaml")
    assert [(number, name) for number, name, _ in loaded.steps()] == [
        (1, "exercise"), (2, "traverse"), (3, "capture"), (4, "dead_band"),
    ]  # fmt: skip
    assert loaded.sheet.type == load_sequence(TYPE).sheet.type
    assert core.plan(loaded, "simulated").cautions == (
        "the one of the outer", "the one of both", "the one of the traverse",
    )  # fmt: skip


def test_where_the_outer_lists_no_cautions_the_general_ones_are_asked_beside_those_of_the_included(written, tmp_path):
    written("include: traverse.yaml")
    path = tmp_path / "outer.yaml"
    path.write_text(path.read_text().replace("cautions: [the one of the outer, the one of both]\n", ""))
    cautions = core.plan(str(path), "simulated").cautions
    assert "the one of the traverse" in cautions
    assert any("Local codes" in each for each in cautions)


def test_settings_of_the_included_steps_give_way_to_those_beside_the_name(written):
    loaded = written("include: {sequence: traverse.yaml, points: 5, cycles: 1, order: random}")
    traverse = next(settings for _, name, settings in loaded.steps() if name == "traverse")
    assert (traverse.points, traverse.cycles, traverse.order, traverse.readings) == (5, 1, "random", 2)


@pytest.mark.parametrize("order", ["random", "bit-reversed"])
def test_another_order_stands_beside_what_the_included_says_of_the_usual_one(written, order):
    usual = TRAVERSE.replace("points: 3", "points: 3, direction: both, end pair: yes")
    loaded = written(f"include: {{sequence: traverse.yaml, order: {order}}}", traverse=usual)
    (_, _, settings) = next(each for each in loaded.steps() if each[1] == "traverse")
    assert (settings.order, settings.points, settings.readings) == (order, 3, 2)


def test_an_override_reaches_through_what_is_included_there_and_the_outer_one_wins(written):
    middle = "sequence: middle\ntype sheet: any\nsteps:\n  - include: {sequence: noise.yaml, readings: 20, at: 30 %}\n"
    loaded = written("include: traverse.yaml", "include: {sequence: middle.yaml, readings: 33}", middle=middle)
    capture, dead_band = (settings for _, name, settings in loaded.steps() if name in {"capture", "dead_band"})
    assert (capture.readings, capture.at, dead_band.readings, dead_band.at) == (33, (0.3,), 33, (0.3,))


@pytest.mark.parametrize(
    ("entry", "place", "says"),
    [
        ("include: nowhere.yaml", "outer.yaml:6:5", 'there is no sequence "nowhere.yaml"'),
        ("include: outer.yaml", "outer.yaml:6:5", '"outer.yaml" which includes "outer.yaml"'),
        ("include: a.yaml", "b.yaml:4:5", '"a.yaml" which includes "b.yaml" which includes "a.yaml"'),
        ("include:", "outer.yaml:6:5", "the path or name of a sequence"),
        ("include: {points: 5}", "outer.yaml:6:5", '"sequence" is missing'),
        ("include: {sequence: noise.yaml, radings: 20}", "outer.yaml:6:37", 'write "readings"'),
        ("include: {sequence: noise.yaml, readings: two}", "outer.yaml:6:37", "a whole number"),
        ("include: faulty.yaml", "faulty.yaml:4:16", "a whole number"),
        ("includ: noise.yaml", "outer.yaml:6:5", 'write "include: noise.yaml"'),
    ],
)
def test_what_cannot_be_included_is_refused_with_its_place(written, entry, place, says):
    a, b = (f"sequence: s\ntype sheet: t\nsteps:\n  - include: {other}.yaml\n" for other in ("b", "a"))
    faulty = "sequence: s\ntype sheet: t\nsteps:\n  - exercise: {cycles: some}\n"
    with pytest.raises(InputError, match=says) as refused:
        written(entry, a=a, b=b, faulty=faulty)
    assert refused.value.where.endswith(place)


def test_a_place_beyond_the_limits_is_told_where_it_is_written(written):
    loaded = written("include: traverse.yaml", "include: {sequence: noise.yaml, at: 124 %}")
    with pytest.raises(PlanError, match="lies outside the limits of the unit") as refused:
        core.plan(loaded, "simulated")
    assert refused.value.where.endswith("noise.yaml:4:5")


@pytest.fixture
def cut(written, tmp_path):
    """The record of a run with included sequences that was cut off in its traverse; the files it had are gone."""
    loaded = written("include: {sequence: traverse.yaml, cycles: 2}", "include: {sequence: noise.yaml, readings: 16}")
    whole = core.run(core.plan(loaded, "simulated"), serial="GF-104", results=tmp_path / "whole")
    folder = tmp_path / "cut"
    shutil.copytree(whole.record.folder / "inputs", folder / "inputs")
    lines = (whole.record.folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    read = [number for number, line in enumerate(lines) if line.startswith(b'{"kind": "reading"')]
    (folder / "journal.jsonl").write_bytes(b"".join(lines[: read[20]]))
    for path in tmp_path.glob("*.yaml"):
        path.unlink()
    return folder, core.plan(loaded, "simulated")


def test_a_record_keeps_each_file_and_is_resumed_from_these(cut):
    folder, planned = cut
    assert sorted(path.name for path in (folder / "inputs" / "included").iterdir()) == [
        "1-traverse.yaml", "2-noise.yaml",
    ]  # fmt: skip
    assert (folder / "inputs" / "included" / "1-traverse.yaml").read_text() == TRAVERSE
    again = kept_plan(folder)
    assert [point.setpoint for point in again.points] == [point.setpoint for point in planned.points]
    done = core.resume(folder)
    assert (done.outcome.status, done.evaluation.verdict.result) == ("complete", "pass")
    assert set(done.record.content.steps) == {"capture", "dead_band"}
    assert core.verify(folder).is_intact


def test_a_record_whose_included_file_was_changed_or_is_gone_is_not_resumed(cut):
    folder, _ = cut
    path = folder / "inputs" / "included" / "2-noise.yaml"
    path.write_text(CAPTURE.replace("repeats: 1", "repeats: 2"))
    with pytest.raises(RecordError, match=r"2-noise\.yaml has changed"):
        core.resume(folder)
    path.unlink()
    with pytest.raises(RecordError, match=r"2-noise\.yaml has changed"):
        core.resume(folder)


def test_of_two_that_have_a_traverse_each_one_is_left_out(written, tmp_path):
    second = TRAVERSE.replace("readings: 2", "readings: 3") + "  - hold: {at: 50 %, lasts: 2 min, every: 10 s}\n"
    with pytest.raises(PlanError, match="2 steps of this sequence lead the unit through its range") as refused:
        core.plan(written("include: traverse.yaml", "include: second.yaml", second=second), "simulated")
    assert '"without: traverse"' in refused.value.todo
    loaded = written("include: traverse.yaml", "include: {sequence: second.yaml, without: traverse}", second=second)
    assert [name for _, name, _ in loaded.steps()] == ["exercise", "traverse", "hold"]
    done = core.run(core.plan(loaded, "simulated"), serial="A", results=tmp_path / "results")
    assert core.verify(done.record.folder).is_intact
    assert [name for _, name, _ in kept_plan(done.record.folder).sequence.steps()] == ["exercise", "traverse", "hold"]


def test_what_cannot_be_left_out_is_named(written):
    with pytest.raises(InputError, match='no step "travers" to leave out') as refused:
        written("include: {sequence: traverse.yaml, without: [travers]}")
    assert 'write "traverse"' in refused.value.todo
    with pytest.raises(InputError, match="no step of what is included is left"):
        written("include: {sequence: traverse.yaml, without: [traverse]}")
