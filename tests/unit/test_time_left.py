"""The time that is told before and during a run, against what the run took on the clock of its bench."""

import json

import pytest

from instruments.clock import RealClock
from sequencer import core
from sequencer.planning.searches import TimeBeyond
from sequencer.planning.times import PointTime
from sequencer.reports.progress import Progress
from sequencer.reports.time_left import LivePace
from sequencer.running.events import MadeSafe, Planned

TRAVERSE = "- traverse: {points: 5, cycles: 2, readings: 2}"
SEARCH = "dead band: {at: [10 %, 50 %, 90 %], step: 0.05 %, most: 2 %}"


def stepped(*steps):
    return {TRAVERSE: "\n  ".join((TRAVERSE, *(f"- {step}" for step in steps)))}


def play(width):
    return {"faults: []": f"faults: [{{fault: dead band, width: {width} %}}]"}


def watched(run, planned):
    """Instant, time told to be left, points done and in all, at every event up to where the outputs are safe."""
    progress, seen = Progress(planned, RealClock()), []

    def listen(event, found):
        progress.take(event)
        if found.simulated and not isinstance(event, MadeSafe):
            seen.append((progress._clock.now(), progress.left_s, progress.done_n, progress.all_n, event))

    ran = run(planned, on_event=listen)
    assert ran.outcome.status == "complete"
    begun = next(number for number, each in enumerate(seen) if isinstance(each[-1], Planned))
    return seen[begun:]


def test_the_live_time_begins_at_what_the_plan_told_and_counts_down_over_all_steps(small, run):
    planned = small(
        sequence=stepped(
            SEARCH, "wait: {for: 30 min, because: it warms up}", "hold: {at: 70 %, lasts: 5 h, every: 5 min}"
        ),
        bench=play(0.63),
    )
    seen = watched(run, planned)
    end_s = seen[-1][0]
    assert seen[0][1] == pytest.approx(planned.estimate_s, rel=0.01)
    assert planned.estimate_s == pytest.approx(end_s, rel=0.01)  # 5.5 h of it are stated
    for now_s, left_s, *_ in seen:
        assert left_s == pytest.approx(end_s - now_s, rel=0.1, abs=60)
    done = [each[2] for each in seen]
    assert done == sorted(done)  # the count never falls back
    assert all(one <= other for _, _, one, other, _ in seen)
    assert seen[-1][2] == seen[-1][3] > len(planned.points)  # what the search added is added to the total


@pytest.mark.parametrize("width", [0.32, 0.63, 1.2])
def test_a_search_is_told_as_it_goes_in_the_middle_of_its_range(small, run, width):
    planned = small(sequence={TRAVERSE: f"- {SEARCH}"}, bench=play(width))
    seen = watched(run, planned)
    assert planned.estimate_s == pytest.approx(seen[-1][0], rel=0.25)  # what noise asks for is not known before
    assert planned.least_s < planned.estimate_s < planned.most_s
    rest = [(each[1], seen[-1][0] - each[0]) for each in seen]
    # The rest is never told as nothing while there is one.
    assert all(told > 0.3 * true for told, true in rest if true > 0.05 * rest[0][1])


def test_the_shortest_search_is_told_as_it_goes_where_a_unit_answers_at_once(small, run):
    planned = small(sequence={TRAVERSE: f"- {SEARCH}"})
    assert planned.least_s == pytest.approx(watched(run, planned)[-1][0], rel=0.15)


def test_what_waits_until_a_stated_time_is_not_scaled():
    # A hold of a day beside points that take twice as long as told: by hand.
    pace = LivePace([PointTime(10.0, 5.0)] * 4 + [PointTime(10.0, 86405.0, 86400.0)])
    for number in (1, 2):
        pace.settled(number, 20.0)
        pace.read(number, 10.0)
    # Two points' worth of doubt: (20 + 40) / (20 + 20) = 1.5 for settling, and for readings alike.
    assert pace.left_s(2) == pytest.approx(3 * 1.5 * 15 + 86400)


def test_a_search_that_goes_on_is_never_told_to_be_over():
    told = TimeBeyond(least_s=30.0, expected_s=90.0, most_s=300.0)
    pace = LivePace([PointTime(1.0, 1.0)], {1: told})
    assert pace.left_s(0) == 2 + 90
    pace.settled(1, 1.0)
    pace.read(1, 1.0)
    assert pace.left_s(1, step=1) == 90
    pace.went_beyond(1, 30.0)
    assert pace.left_s(1, step=1) == 60
    pace.went_beyond(1, 135.0)  # half of what lies between the shortest and the most: 60 of 270 s of 135 are left
    assert pace.left_s(1, step=1) == pytest.approx(30)
    assert pace.left_s(1, step=2) == 0  # it is over


def test_places_that_are_done_tell_how_the_others_will_go():
    pace = LivePace([PointTime(1.0, 1.0)], {1: TimeBeyond(least_s=30.0, expected_s=90.0, most_s=300.0)})
    pace.searched(1, (0, 1 / 3))
    pace.went_beyond(1, 10.0)
    pace.searched(1, (1 / 3, 2 / 3))
    # Of 30 s told for each place 10 were taken: a third of that is believed, 2/3 * 90 + 10 = 70 s for all three.
    assert pace.left_s(1, step=1, is_beyond=True) == pytest.approx(2 / 3 * 70)


def learnt(small, run, tmp_path, **files):
    """The time a plan tells, what its run took, and what the plan tells with that record."""
    planned = small(**files)
    ran = run(planned)
    assert ran.outcome.status == "complete"
    taken_s = max(each["at_s"] for each in journalled(ran.folder) if each["kind"] == "reading")
    again = core.plan(planned.sequence, planned.bench, results=tmp_path / "results")
    return planned, taken_s, again


def journalled(folder):
    return [json.loads(line) for line in (folder / "journal.jsonl").read_text().splitlines()]


@pytest.mark.parametrize("width", [0.0, 0.32, 1.2])
def test_a_search_is_told_as_long_as_it_was_in_the_records(small, run, tmp_path, width):
    planned, taken_s, again = learnt(small, run, tmp_path, sequence={TRAVERSE: f"- {SEARCH}"}, bench=play(width))
    assert again.timed_by_n == 1
    assert again.estimate_s == pytest.approx(taken_s, rel=0.05)  # 15 % is asked for; the same unit on the same bench
    assert again.least_s <= again.estimate_s <= again.most_s
    assert abs(again.estimate_s - taken_s) < abs(planned.estimate_s - taken_s)


LOOP = """\
sequence: load of the loop
type sheet: {sheet}
cautions: [none here]
steps:
  - loop compliance: {{supply: [8 V, 12 V, 18 V, 24 V, 40 V], load: 0 .. 1200 ohm, to: 20 ohm}}
"""


@pytest.mark.parametrize("sheet", ["pt100-to-current", "voltage-to-current"])
def test_loop_compliance_tells_the_time_of_its_search(tmp_path, sheet):
    path = tmp_path / "loop.yaml"
    path.write_text(LOOP.format(sheet=sheet))
    planned = core.plan(path, "simulated-influences", faults="loop compliance")
    # Ohm's law: a unit that needs 10 V drives 100, 400 and 700 ohm at 12, 18 and 24 V, nothing at 8 V, all at 40 V.
    # Halving 1200 ohm to 20 takes six loads each.
    done = core.run(planned, serial="A", results=tmp_path / "results")
    readings = done.record.readings
    assert readings["number"].nunique() == 10 + 3 * 6
    assert planned.estimate_s == pytest.approx(readings["at_s"].max(), rel=0.15)
    assert planned.least_s < planned.estimate_s < planned.most_s


def test_a_search_that_found_nothing_to_look_for_is_told_to_take_nothing_next_time(tmp_path):
    path = tmp_path / "loop.yaml"
    path.write_text(LOOP.format(sheet="pt100-to-current"))
    done = core.run(core.plan(path, "simulated-influences"), serial="A", results=tmp_path / "results")
    again = core.plan(path, "simulated-influences", results=tmp_path / "results")
    assert again.estimate_s == pytest.approx(done.record.readings["at_s"].max(), rel=0.05)


def test_records_of_other_steps_or_of_changed_includes_teach_no_times(tmp_path):
    (tmp_path / "inner.yaml").write_text(LOOP.format(sheet="voltage-to-current").replace("24 V, 40 V", "24 V"))
    path = tmp_path / "outer.yaml"
    steps = "[{exercise: {cycles: 1}}, {include: inner.yaml}]"
    path.write_text(f"sequence: outer\ntype sheet: voltage-to-current\ncautions: [none here]\nsteps: {steps}\n")
    results = tmp_path / "results"
    core.run(core.plan(path, "simulated-influences", only="2"), serial="A", results=results)
    assert core.plan(path, "simulated-influences", results=results).timed_by_n == 0
    assert core.plan(path, "simulated-influences", only="2", results=results).timed_by_n == 1
    inner = (tmp_path / "inner.yaml").read_text()
    (tmp_path / "inner.yaml").write_text(inner.replace("steps:", "steps:\n  - traverse: {points: 3, cycles: 1}"))
    assert core.plan(path, "simulated-influences", only="2", results=results).timed_by_n == 0
