"""The time told of many units, against what they took on the clock of their bench."""

import pytest

from instruments.clock import RealClock
from sequencer import core
from sequencer.planning.many_units import units_time
from sequencer.reports.batch_time_left import BatchTimeLeft
from sequencer.reports.terminal import plan_text
from sequencer.running.events import MadeSafe, Planned, PointBegun

SERIALS = tuple(f"A{number}" for number in range(1, 17))


def watched(planned, units_n, results, **changes):
    """Instant and time told to be left at every event of a batch, up to where its outputs are safe."""
    left, seen = BatchTimeLeft(planned, units_n, RealClock()), []

    def listen(_, event):
        left.take(event)
        if left._here is not None and not isinstance(event, MadeSafe):
            seen.append((left._clock.now(), left.left_s, event))

    result = core.batch(planned, serials=SERIALS[:units_n], results=results, listener=listen, **changes)
    assert result.error is None
    assert not result.can_resume
    begun = next(number for number, each in enumerate(seen) if isinstance(each[-1], Planned))
    return seen[begun:]


def short(sequence, folder):
    """A shipped sequence with one cycle up and down, of which the others are repetitions."""
    shipped = core.load(sequence).document.path
    text = shipped.read_text()
    assert "cycles: 3, readings: 5" in text
    file = folder / shipped.name
    file.write_text(
        text.replace("cycles: 3, readings: 5", "cycles: 1, readings: 5").replace(
            "type sheet: types", f"type sheet: {shipped.parent.as_posix()}/types"
        )
    )
    return file


@pytest.mark.parametrize("units_n", [1, 4, 16])
@pytest.mark.parametrize("sequence", ["current-isolator", "pt100-to-current"])
def test_what_is_told_is_what_the_units_take(sequence, units_n, tmp_path):
    planned = core.plan(short(sequence, tmp_path), "simulated-batch")
    seen = watched(planned, units_n, tmp_path / "results")
    begun_s, end_s = seen[0][0], seen[-1][0]
    # 15 % is what is promised of the time that a plan tells.
    assert units_time(planned, units_n).estimate_s == pytest.approx(end_s - begun_s, rel=0.15)
    for now_s, left_s, event in seen:
        if isinstance(event, PointBegun):
            assert left_s == pytest.approx(end_s - now_s, rel=0.2, abs=0.05 * (end_s - begun_s))


def test_the_plan_tells_the_time_of_a_full_batch_and_of_one_after_another():
    planned = core.plan("current-isolator", "simulated-batch")
    told = units_time(planned, 16)
    found = core.plan_document(planned)["units"]
    assert (found["number"], found["at_once"], found["estimate_s"]) == (16, True, pytest.approx(told.estimate_s))
    assert sum(each["estimate_s"] for each in found["steps"]) == pytest.approx(told.estimate_s - planned.begin_s)
    assert "for 16 units at once" in plan_text(planned)
    assert core.plan_document(core.plan("current-isolator", "simulated"))["units"] is None
    one_by_one = core.plan("current-isolator-type-test", "simulated-batch")  # a step of it follows one unit
    assert units_time(one_by_one, 16).estimate_s == pytest.approx(16 * one_by_one.estimate_s)
    assert "for 16 units one after another" in plan_text(one_by_one)
