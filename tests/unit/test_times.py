"""The time a plan tells, by numbers worked out by hand."""

import json

import pytest

from sequencer import core
from sequencer.inputs.settling_rule import SettlingRule
from sequencer.inputs.step import Setpoint
from sequencer.planning.times import PointTime, Talk, point_times
from sequencer.reports.time_left import LivePace

RULE = SettlingRule(band=0.01, time_constant_s=1.0, minimum_s=2.0, maximum_s=60.0, before=4.0, expected=20.0)
TALK = Talk(
    set_s=0.5, close_check_s=0.2, read_s={"in": 0.3, "out": 0.4}, check_s={"in": 0.05, "out": 0.05},
    kept_s=0.01, begin_s=2.0,
)  # fmt: skip


def setpoint(**changes):
    facts = {"frac": 1.0, "role": "reading", "direction": "up", "cycle": 1, "point": 0, "readings_n": 5}
    return Setpoint(**facts | changes)


def time_of(rule=RULE, known=None, **changes):
    (found,) = point_times([(1, setpoint(**changes), rule)], TALK, last="out", known=known)
    return found


def test_a_step_settles_when_its_lag_is_within_the_band_and_is_read_at_every_tap():
    # ln 1600 = 7.378 time constants, 1 % late, half of the 0.4 s from reading to reading, and 0.5 s to set it.
    assert time_of().settles_s == pytest.approx(1.01 * 7.378 + 0.2 + 0.5, abs=1e-3)
    # Five times: readings 0.7, checks 0.1, kept 0.02; before the level is left 0.2.
    assert time_of().reads_s == pytest.approx(5 * 0.82 + 0.2)


def test_nothing_is_set_and_little_waited_for_at_an_end_pair():
    # Eight readings 0.4 s apart, the first at once, its end 0.4 s later.
    still = SettlingRule(band=0.01, time_constant_s=1.0, minimum_s=0.5, maximum_s=60.0, before=20.0, expected=20.0)
    assert time_of(still, role="end pair").settles_s == pytest.approx(7 * 0.4 + 0.4)


def test_a_capture_is_read_at_one_tap_as_fast_as_it_goes():
    assert time_of(is_quick=True, tap="out", readings_n=50).reads_s == pytest.approx(50 * 0.4 + 0.1 + 0.2)


def test_pace_end_and_date_of_readings_are_heeded():
    assert time_of(is_waited_for=False, every_s=2.0).settles_s == 0.5
    assert time_of(is_waited_for=False, every_s=2.0).reads_s == pytest.approx(4 * 2 + 0.82 + 0.2)
    assert time_of(is_waited_for=False, readings_n=1000, lasts_s=10.5).reads_s == pytest.approx(10 + 0.2)
    late = time_of(due_s=100.0)
    assert late.settles_s + late.reads_s == pytest.approx(100 + 5 * 0.82 + 0.2)


def test_what_earlier_runs_took_goes_before_the_model():
    assert time_of(known={1: PointTime(3.0, 4.0)}) == PointTime(3.0, 4.0)


def test_the_rest_goes_as_slowly_as_what_was_taken():
    pace = LivePace([PointTime(10.0, 5.0)] * 10)
    assert pace.left_s(0) == 150
    for number in (1, 2, 3):
        pace.settled(number, 20.0)
        pace.read(number, 5.0)
    # The plan counts as two points: (20 + 60) / (20 + 30) = 1.6 times slower to settle.
    assert pace.left_s(3) == pytest.approx(7 * (16 + 5))
    assert pace.left_s(3, now_s=6.0) == pytest.approx(7 * (16 + 5) - 6)
    pace.settled(4, 16.0)
    assert pace.left_s(3, now_s=2.0) == pytest.approx(6 * 16 + 7 * 5 - 2)
    assert pace.left_s(10) == 0


def test_earlier_runs_tell_the_time_and_damaged_records_do_not(tmp_path):
    planned = core.plan("reversed-current", "simulated", results=tmp_path)
    assert planned.timed_by_n == 0
    folder = tmp_path / "2026-01-01T08-00-00_A_x"
    (folder / "inputs").mkdir(parents=True)
    (folder / "inputs" / "sequence.yaml").write_text(planned.sequence.document.text)
    lines = [
        {"kind": "opened", "type": planned.sheet.type, "is_simulated": True},
        {"kind": "settled", "number": 1, "state": "steady", "at_s": 2.0, "after_s": 3.0},
        {"kind": "reading", "number": 1, "at_s": 9.0},
    ]
    (folder / "journal.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))
    damaged = tmp_path / "2026-01-02T08-00-00_B_x"
    (damaged / "inputs").mkdir(parents=True)
    (damaged / "inputs" / "sequence.yaml").write_text(planned.sequence.document.text)
    (damaged / "journal.jsonl").write_bytes(b'{"kind": "opened", \xff\n{"kind": "settled", "number": "x"}\n')
    (tmp_path / "a file").write_text("no record")
    again = core.plan("reversed-current", "simulated", results=tmp_path)
    assert again.timed_by_n == 1
    assert (again.points[0].settles_s, again.points[0].reads_s) == (3.0, 4.0)
    assert again.points[1] == planned.points[1]
    assert core.plan("reversed-current", "simulated", results=tmp_path / "none").timed_by_n == 0


def test_the_time_of_a_person_is_in_the_plan():
    planned = core.plan("pulse-to-current-by-hand", "by-hand")
    # Exercise and traverse set the source eleven times, and eleven readings are typed, end pairs among them.
    by_person_s = 11 * 15 + 11 * 8
    settling_s = sum(point.rule.maximum_s for point in planned.points)
    assert by_person_s < planned.estimate_s < by_person_s + settling_s
    assert any("15 s to set and 8 s to read" in each for each in planned.warnings)
