"""A traverse that goes on until its mean errors are known so well: what is said where no repetition will bring it."""

import re

import pytest

from sequencer import core
from sequencer.reports.terminal import plan_text

CYCLES = {"points: 5, cycles: 2, readings: 2": "points: 3, cycles: 2, readings: 2, until: UNTIL % of span, most: 3"}


@pytest.fixture
def until(small, tmp_path):
    def planned(wanted_pct):
        changes = {old: new.replace("UNTIL", wanted_pct) for old, new in CYCLES.items()}
        plan = small(sequence=changes)
        return plan, core.run(plan, serial="GF-104", results=tmp_path / "results")

    return planned


def test_what_the_instruments_put_out_of_reach_is_told_by_the_plan_and_reserves_the_verdict(until):
    plan, done = until("0.0001")
    (told,) = [each for each in plan.warnings if "out of reach" in each]
    assert told.startswith("step 2, traverse: U 0.0001 % of span is out of reach: the instruments alone bring")
    assert "which no repetition takes away" in told
    assert (done.verdict.result, done.exit_code) == ("conditional pass", 1)
    (reserved,) = done.verdict.reservations
    assert "0.0001 % of span as wanted: no number of cycles will do" in reserved
    assert re.search(r"most of it .*\(\d+ % of its variance\)", reserved)
    # What is told beforehand is what is found: U of one point by its certificates, resolution and settling.
    worst_pct = max(100 * point.U / 16 for point in plan.points if point.role == "reading")
    found_pct = float(re.search(r"instruments alone bring U ([\d.]+) %", reserved)[1])
    assert found_pct == pytest.approx(worst_pct, rel=0.15)
    assert core.verify(done.record.folder).is_intact
    assert done.record.evaluation.visits["cycle"].max() == 2  # none was added in vain


def test_what_is_reached_is_no_reservation(until):
    plan, done = until("0.5")
    assert not [each for each in plan.warnings if "out of reach" in each]
    assert (done.verdict.result, done.verdict.reservations) == ("pass", ())


def test_the_plan_tells_how_long_all_cycles_take(small):
    changes = {old: new.replace("UNTIL", "0.5") for old, new in CYCLES.items()}
    plan = small(sequence=changes)
    own_s = sum(point.estimate_s for point in plan.points if point.step == 2)
    assert plan.beyond[2].expected_s == 0
    assert plan.beyond[2].most_s == pytest.approx(own_s / 2)  # 2 cycles are planned, 3 may be taken
    assert "at most" in next(line for line in plan_text(plan).splitlines() if line.startswith("takes:"))
    assert core.plan_document(plan)["estimate_most_s"] == pytest.approx(plan.estimate_s + own_s / 2)
