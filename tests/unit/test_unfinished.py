"""A run that did not finish: found, resumed at the cycle that was interrupted, or closed; nothing read is ever lost.

Points of the small sequence, counted by hand: 1-2 exercise; cycle 1: 3-7 up, 8 end pair, 9-12 down, 13 end pair;
cycle 2: 14-17 up, 18 end pair, 19-22 down, 23 end pair. Two taps are read twice at each, so four readings a point.
"""

import json
import os
import shutil
import signal

import pytest

from instruments.errors import InstrumentError, RecordError, StoppedError, UnsafeError, WrongInstrumentError
from instruments.session import Session
from sequencer import core
from sequencer.jobs import drive
from sequencer.jobs.interrupted import kept_plan, rest_of
from sequencer.journal.writer import Journal, chain_faults, entries
from sequencer.readings.table import valid_rows
from sequencer.running.outcome import Outcome

CYCLE_1, CYCLE_2 = list(range(3, 24)), list(range(14, 24))


def lines_of(folder):
    return list(entries(folder / "journal.jsonl"))


@pytest.fixture
def cut(small, tmp_path):
    """The record of a run that was killed after so many readings (None: after its last line), as it lies there."""

    def made(readings_n, *, tail=b"", **plan):
        results = tmp_path / "results"
        whole = core.run(small(**plan), serial="GF-104", results=tmp_path / "whole", operator_name="A. Cellarman")
        folder = results / "cut"
        shutil.copytree(whole.record.folder / "inputs", folder / "inputs")
        lines = (whole.record.folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
        if readings_n is not None:
            read = [number for number, line in enumerate(lines) if line.startswith(b'{"kind": "reading"')]
            lines = lines[: read[readings_n - 1] + 1 if readings_n else read[0] - 20]
        (folder / "journal.jsonl").write_bytes(b"".join(lines) + tail)
        (folder / "unsealed").touch()
        return folder

    return made


@pytest.mark.parametrize(
    ("readings_n", "points"),
    [
        pytest.param(0, [1, 2, *CYCLE_1], id="while it was exercised"),
        pytest.param(1, [1, 2, *CYCLE_1], id="at the first reading"),
        pytest.param(30, [1, 2, *CYCLE_1], id="on the way down of cycle 1"),
        pytest.param(43, [1, 2, *CYCLE_1], id="one reading short of cycle 1"),
        pytest.param(44, [1, 2, *CYCLE_2], id="cycle 1 complete"),
        pytest.param(50, [1, 2, *CYCLE_2], id="on the way up of cycle 2"),
        pytest.param(83, [1, 2, *CYCLE_2], id="one reading short of the end"),
        pytest.param(84, [], id="every point read"),
    ],
)
def test_what_is_left_is_the_exercise_and_the_whole_interrupted_cycle(cut, readings_n, points):
    folder = cut(readings_n)
    (found,) = core.cut_off(folder.parent)
    assert (found.folder, found.is_closed) == (folder, False)
    assert [point.number for point in rest_of(folder, kept_plan(folder), lines_of(folder)).points] == points


def test_a_resumed_run_keeps_what_was_read_and_judges_the_cycle_taken_in_one_go(cut):
    folder = cut(50)  # 44 of cycle 1, six of cycle 2
    before = core.load_record(folder).readings
    done = core.resume(folder, operator_name="B. Cellarman")
    table = done.record.readings
    assert (done.outcome.status, done.evaluation.verdict.result, done.exit_code) == ("complete", "pass", 0)
    assert table.iloc[:50].equals(before)  # nothing that was acknowledged is changed
    assert len(table) == 50 + 40  # ten points of cycle 2, four readings each
    assert table["at_s"].is_monotonic_increasing
    # What counts of cycle 2 was taken in one go, after the run was resumed.
    counted = valid_rows(table)
    counted = counted[counted["cycle"] == 2]
    assert list(counted["number"].unique()) == CYCLE_2
    assert counted["at_s"].min() > before["at_s"].max()
    assert core.verify(folder).is_intact
    assert core.cut_off(folder.parent) == ()


@pytest.mark.parametrize(
    ("readings_n", "points"),
    [
        pytest.param(84 + 16, [1, 2, 24, 25], id="between the bursts"),
        pytest.param(84 + 20, [1, 2, 24, 25], id="in the second burst"),
        pytest.param(84 + 32, [], id="every reading taken"),
    ],
)
def test_of_a_capture_both_bursts_are_taken_anew_and_nothing_before_it(cut, readings_n, points):
    # One tap is read at a capture, 16 times: point 24 with the drive off, point 25 with the drive on.
    last = "- traverse: {points: 5, cycles: 2, readings: 2}"
    folder = cut(readings_n, sequence={last: f"{last}\n  - capture: {{readings: 16, drive: off and on}}"})
    assert [point.number for point in rest_of(folder, kept_plan(folder), lines_of(folder)).points] == points
    done = core.resume(folder)
    assert (done.outcome.status, done.evaluation.verdict.result) == ("complete", "pass")
    (found,) = done.record.content.steps["capture"]
    assert [len(each.values) for each in found.bursts] == [16, 16]
    assert core.verify(folder).is_intact


def test_the_gap_stands_in_journal_and_report(cut):
    folder = cut(50)
    core.resume(folder, operator_name="B. Cellarman")
    (resumed,) = [line for line in entries(folder / "journal.jsonl") if line["kind"] == "resumed"]
    assert (resumed["cycle"], resumed["from_point"], resumed["operator"]) == (2, 14, "B. Cellarman")
    said = (
        "resumed on a new simulated bench by B. Cellarman: exercise (preconditioning) repeated, "
        "then cycle 2 from point 14"
    )
    assert core.load_record(folder).content.remarks[0] == said
    assert said in (folder / "report.html").read_text(encoding="utf-8")


def test_on_a_real_bench_the_report_says_how_long_it_stood(cut):
    folder = cut(50)
    with Journal(folder / "journal.jsonl", again=True) as journal:
        journal.write(
            "resumed",
            sync=True,
            date="2026-03-02T10:00:00+00:00",
            gap_s=720.0,
            cycle=2,
            from_point=14,
            operator="",
            is_new_simulation=False,
        )
    assert core.load_record(folder).content.remarks[0] == (
        "resumed after 12 min: exercise (preconditioning) repeated, then cycle 2 from point 14"
    )


def test_a_run_cut_off_again_and_again_is_completed_all_the_same(cut):
    folder = cut(50)
    path = folder / "journal.jsonl"
    for _ in range(3):
        had = path.read_bytes()
        core.resume(folder)
        lines = path.read_bytes()[len(had) :].splitlines(keepends=True)
        read = [number for number, line in enumerate(lines) if line.startswith(b'{"kind": "reading"')]
        for each in folder.iterdir():
            if each.name not in {"inputs", "journal.jsonl"}:
                each.unlink()
        path.chmod(0o644)
        path.write_bytes(had + b"".join(lines[: read[9]]))  # killed once more, nine readings on
    done = core.resume(folder)
    assert done.evaluation.verdict.result == "pass"
    assert done.record.readings["attempt"].max() == 5
    assert len(done.record.readings) == 50 + 3 * 9 + 40


@pytest.mark.parametrize("tail", [b'{"kind": "reading", "serial": "GF', b"\0" * 40, b"\xff{"], ids=str)
def test_a_line_that_was_cut_off_is_kept_and_named(cut, tail):
    folder = cut(50, tail=tail)
    done = core.resume(folder)
    assert done.outcome.status == "complete"
    (resumed,) = [line for line in entries(folder / "journal.jsonl") if line["kind"] == "resumed"]
    assert resumed["torn"] == tail.decode("utf-8", "replace")
    assert chain_faults(folder / "journal.jsonl") == ()


def test_a_line_that_lacks_its_end_alone_counts(cut):
    folder = cut(50)
    path = folder / "journal.jsonl"
    path.write_bytes(path.read_bytes().rstrip(b"\n"))
    core.resume(folder)
    assert len(core.load_record(folder).readings) == 50 + 40
    assert core.verify(folder).is_intact


def test_a_bench_with_a_fault_is_resumed_with_that_fault(cut):
    folder = cut(50, bench={"faults: []": "faults: [{fault: zero shift, zero: 1 %}]"})
    done = core.resume(folder)
    zero = next(figure for figure in done.evaluation.figures if figure.name == "zero error")
    assert zero.value == pytest.approx(1.0, abs=0.05)  # the size that was put in
    assert done.evaluation.verdict.result == "fail"


def test_seed_and_faults_given_at_the_command_are_kept_too(small, tmp_path, monkeypatch):
    plan = small()
    bench = plan.bench.with_simulation(seed=5, faults=({"fault": "zero shift", "zero": "1 %"},))
    told = []

    def killed(event):
        told.append(event)
        if len(told) == 200:
            raise SystemExit  # nothing after this line reaches the journal

    monkeypatch.setattr("sequencer.running.loop._Run.close", lambda *_, **__: None)
    with pytest.raises(SystemExit):
        core.run(core.plan(plan.sequence, bench), serial="x", results=tmp_path / "results", listener=killed)
    (found,) = core.cut_off(tmp_path / "results")
    kept = kept_plan(found.folder).bench.file.simulation
    assert (kept.seed, kept.faults) == (5, ({"fault": "zero shift", "zero": "1 %"},))


def test_closing_marks_it_interrupted_judges_what_is_there_and_seals_it(cut):
    folder = cut(50)
    done = core.close(folder)
    reason = "cut off after a reading at point 15, and closed without being resumed"
    assert (done.outcome.status, done.outcome.reason) == ("interrupted", reason)
    assert done.evaluation.verdict.result == "not determinable"
    assert len(done.record.readings) == 50
    assert core.verify(folder).is_intact
    assert core.cut_off(folder.parent) == ()
    for again in (core.resume, core.close):
        with pytest.raises(RecordError, match="the run is over, and its record sealed"):
            again(folder)


@pytest.mark.parametrize("end", [core.resume, core.close], ids=["resumed", "closed"])
def test_a_run_that_was_over_and_not_sealed_is_sealed(cut, end):
    folder = cut(None)
    (found,) = core.cut_off(folder.parent)
    assert found.place == "before it was sealed"
    assert end(folder).evaluation.verdict.result == "pass"
    assert core.verify(folder).is_intact


def test_half_a_seal_is_no_seal(cut):
    folder = cut(None)
    (folder / "figures.json").write_text('{"half')
    (folder / "digest.json.new").write_text('{"half')
    assert [each.folder for each in core.cut_off(folder.parent)] == [folder]
    core.resume(folder)
    assert core.verify(folder).is_intact


def test_a_run_that_goes_on_is_none_that_was_cut_off(cut):
    folder = cut(50)
    with Journal(folder / "journal.jsonl", again=True):
        assert core.cut_off(folder.parent) == ()
        with pytest.raises(RecordError, match="is being written by another process"):
            core.resume(folder)
    assert len(core.cut_off(folder.parent)) == 1


def test_a_damaged_journal_is_not_passed_over(cut):
    folder = cut(50)
    lines = (folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (folder / "journal.jsonl").write_bytes(b"".join([*lines[:40], b"\0\0\0\n", *lines[41:]]))
    (found,) = core.cut_off(folder.parent)
    assert found.folder == folder
    assert found.damage.endswith("journal.jsonl:41: is not a line of a journal")


def test_what_was_cut_off_before_its_first_line_is_passed_over(cut, tmp_path):
    folder = cut(50)
    (folder / "journal.jsonl").write_bytes(b'{"kind": "opened", "da')
    (tmp_path / "results" / "no record").mkdir()
    assert core.cut_off(tmp_path / "results") == ()
    with pytest.raises(RecordError, match="the journal has no first line"):
        core.resume(folder)


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("inputs/sequence.yaml", "the record was altered: inputs/sequence.yaml has changed"),
        ("inputs/descriptions/1-source.json", "the record was altered: inputs/descriptions/1-source.json has changed"),
        ("journal.jsonl", r"the record was altered: journal\.jsonl:\d+: was changed"),
    ],
)
def test_an_altered_record_is_not_resumed_but_can_be_closed(cut, name, says):
    folder = cut(50)
    path = folder / name
    path.write_text(path.read_text().replace("0", "1", 1) if name != "journal.jsonl" else _changed(path))
    with pytest.raises(RecordError, match=says) as refused:
        core.resume(folder)
    assert refused.value.todo == f"livezero close {folder} keeps what is there"
    assert not any(line["kind"] == "resumed" for line in entries(folder / "journal.jsonl"))
    done = core.close(folder)
    assert "its outputs were not made safe: the record was altered" in done.outcome.reason
    assert done.exit_code == 2


def test_a_run_that_a_later_version_began_is_not_resumed_by_this_one(small, tmp_path, monkeypatch):
    monkeypatch.setattr("sequencer.record.create.__version__", "99.2.0")

    def stop(event):
        if type(event).__name__ == "ReadingTaken":
            raise KeyboardInterrupt

    folder = core.run(small(), serial="x", results=tmp_path / "results", listener=stop).record.folder
    with pytest.raises(RecordError, match=r"written by livezero 99\.2\.0, read by") as refused:
        core.resume(folder)
    assert refused.value.todo == f"resume it with the livezero that began it, or livezero close {folder}"


@pytest.fixture
def interrupted(small, tmp_path):
    """The record of a run that Ctrl-C stopped in the middle of a point, or at an event before its first reading."""

    def made(*, point=15, at="ReadingTaken"):
        def stop(event):
            if type(event).__name__ == at and (at == "Planned" or event.point.number == point):
                raise KeyboardInterrupt

        return core.run(small(), serial="GF-104", results=tmp_path / "results", listener=stop)

    return made


def test_an_interrupted_run_is_found_and_resumed_as_one_that_was_cut_off(interrupted):
    done = interrupted()
    folder = done.record.folder
    assert (done.outcome.status, done.outcome.can_resume, done.exit_code) == ("interrupted", True, 130)
    assert "Go on with livezero resume, or end it with livezero close" in done.record.content.advice
    assert (folder / "report.html").is_file()
    (found,) = core.cut_off(folder.parent)
    assert (found.story, found.is_closed) == ("was interrupted: Ctrl-C at point 15 of 23", False)
    before = core.load_record(folder).readings
    again = core.resume(folder)
    assert (again.outcome.status, again.evaluation.verdict.result) == ("complete", "pass")
    assert again.record.readings.iloc[: len(before)].equals(before)
    assert again.record.content.remarks[:2] == (
        "interrupted: Ctrl-C at point 15 of 23",
        "resumed on a new simulated bench: exercise (preconditioning) repeated, then cycle 2 from point 14",
    )
    assert core.verify(folder).is_intact


def test_an_interrupted_run_is_not_sealed_until_it_is_closed(interrupted):
    folder = interrupted().record.folder
    found = core.verify(folder)
    assert (found.sha256, found.findings) == ("", ())
    assert not (folder / "digest.json").exists()
    done = core.close(folder)
    assert (done.outcome.status, done.exit_code) == ("interrupted", 1)
    assert done.outcome.reason == "Ctrl-C at point 15 of 23, and closed without being resumed"
    assert core.verify(folder).is_intact
    with pytest.raises(RecordError, match="the run is over, and its record sealed"):
        core.resume(folder)


def test_closing_an_interrupted_run_leaves_the_bench_alone(interrupted, monkeypatch):
    # It was left safe; by now somebody else may use its instruments.
    folder = interrupted().record.folder
    monkeypatch.setattr("sequencer.jobs.close.make_safe", lambda *_, **__: pytest.fail("the bench was opened"))
    assert core.close(folder).outcome.error is None


@pytest.mark.parametrize(("at", "point"), [("Planned", 0), ("SampleTaken", 2)], ids=["prepared", "exercised"])
def test_a_run_interrupted_before_its_first_reading_is_over(interrupted, at, point):
    done = interrupted(at=at, point=point)
    assert not done.outcome.can_resume
    assert core.verify(done.record.folder).is_intact
    assert core.cut_off(done.record.folder.parent) == ()


@pytest.mark.parametrize("error", [StoppedError("not confirmed"), InstrumentError("is off")], ids=["person", "meter"])
def test_a_resume_that_comes_to_no_point_can_be_tried_again(interrupted, monkeypatch, error):
    folder = interrupted().record.folder

    def fail(_):
        raise error

    with monkeypatch.context() as patch:
        patch.setattr("instruments.bench.Bench.prepare", fail)
        done = core.resume(folder)
    assert done.outcome.error is error
    assert done.outcome.can_resume
    assert core.resume(folder).evaluation.verdict.result == "pass"


def test_an_interrupted_run_that_was_resumed_and_then_killed_is_one_that_was_cut_off(interrupted):
    # Nobody made its outputs safe any more.
    folder = interrupted().record.folder
    with Journal(folder / "journal.jsonl", again=True) as journal:
        journal.write(
            "resumed", sync=True, date="2026-03-02T10:00:00+00:00", gap_s=1.0, cycle=2, from_point=14, operator="",
            is_new_simulation=False,
        )  # fmt: skip
    (found,) = core.cut_off(folder.parent)
    assert found.story == "was cut off after a reading at point 15"


def _changed(path):
    lines = path.read_text().splitlines()
    at = next(number for number, line in enumerate(lines) if line.startswith('{"kind": "reading"'))
    entry = json.loads(lines[at])
    lines[at] = json.dumps(entry | {"value": 1.0}, ensure_ascii=False)
    return "\n".join(lines) + "\n"


@pytest.mark.skipif(os.name == "nt", reason="there a file that is open can neither be moved nor deleted")
@pytest.mark.parametrize("how", ["moved", "deleted", "all results moved"])
def test_a_results_folder_that_is_taken_away_costs_nothing_that_was_read(small, tmp_path, how):
    results, told = tmp_path / "results", []

    def take_away(event):
        is_first = "ReadingTaken" not in told
        told.append(type(event).__name__)
        if told[-1] == "ReadingTaken" and is_first:
            (folder,) = results.iterdir()
            if how == "moved":
                folder.rename(tmp_path / "moved")
            elif how == "deleted":
                shutil.rmtree(folder)
            else:
                results.rename(tmp_path / "moved")

    ran = core.run(small(), serial="GF-104", results=results, listener=take_away)
    assert ran.outcome.status == "bench fault"
    assert "was moved or deleted during the run" in ran.outcome.error.what
    assert ran.exit_code == 3
    assert told.count("ReadingTaken") == 1  # it stopped at the next line
    assert told[-3:] == ["MadeSafe", "Closed", "Found"]
    (folder,) = results.iterdir()
    assert ran.record.folder == folder
    lines = lines_of(folder)
    kinds = [line["kind"] for line in lines]
    assert kinds[0] == "opened"
    assert kinds[-2:] == ["safe", "closed"]
    assert kinds.count("reading") in {1, 2}  # what went over the line next may have been that of the second tap
    assert core.verify(folder).is_intact
    assert (folder / "report.html").is_file()


@pytest.mark.parametrize("name", ["meter", "source"])
def test_another_serial_of_the_same_model_is_refused_as_it_is_within_a_run(cut, monkeypatch, name):
    folder = cut(50)
    query, sent = Session.query, []

    def answered(self, command):
        if self.name == name:
            sent.append(command)
        reply = query(self, command)
        return f"{reply}-OTHER" if self.name == name and command == "*IDN?" else reply

    monkeypatch.setattr(Session, "query", answered)
    result = core.resume(folder)
    assert isinstance(result.outcome.error, WrongInstrumentError)
    assert '-OTHER", before as "' in result.outcome.error.what
    assert "put the instrument back" in result.outcome.error.todo
    assert set(sent) == {"*IDN?"}  # it was asked who it is, and nothing else
    assert result.outcome.can_resume
    monkeypatch.setattr(Session, "query", query)
    assert core.resume(folder).outcome.status == "complete"


def test_a_signal_while_a_run_that_is_not_safe_is_sealed_does_not_hide_that(cut, monkeypatch):
    folder = cut(None)
    sealing = drive.seal

    def interrupted(path):
        signal.raise_signal(signal.SIGINT)
        return sealing(path)

    monkeypatch.setattr(drive, "seal", interrupted)
    error = UnsafeError("source could not be brought to its safe level")
    result = drive.kept(folder, Outcome(status="not safe", reason="it stays on", error=error))
    assert result.exit_code == 4


def test_a_signal_while_a_record_is_sealed_comes_once_it_is(cut, monkeypatch):
    folder = cut(None)
    sealing = drive.seal

    def interrupted(path):
        signal.raise_signal(signal.SIGINT)
        return sealing(path)

    monkeypatch.setattr(drive, "seal", interrupted)
    with pytest.raises(KeyboardInterrupt):
        drive.kept(folder, Outcome(status="complete", reason="all points taken"))
    assert core.verify(folder).is_intact
    assert (folder / "report.html").is_file()
