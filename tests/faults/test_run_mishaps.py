"""One case a kind of mishap, at several exchanges of a whole run: the outcome, the safe output, the record."""

import json

import pytest

from instruments.simulated.bench import Mishap
from sequencer.record.seal import seal
from sequencer.reports.json_document import document

# Exchange of the whole bench: while instruments are met, set up, at an early point, in a cycle.
PLACES = (2, 24, 150)
KINDS = (
    "time-out",
    "late",
    "garbled",
    "empty",
    "overload",
    "not a number",
    "error",
    "dropped",
    "wrong identity",
    "power-cycled",
)
# A meter that lost its settings measures something else from then on; its replies do not say so.
MEASURES_ANOTHER_THING = "power-cycled"


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("kind", KINDS)
def test_a_mishap_ends_well_or_safe_and_never_in_a_wrong_number(small, run, kind, place):
    ran = run(small(), wrong=[Mishap(kind=kind, at_exchange=place)])
    assert ran.raised is None
    assert ran.outcome.status in {"complete", "bench fault"}
    assert ran.is_safe()
    record = ran.record
    assert record.content.status == ran.outcome.status
    assert record.content.reason == ran.outcome.reason
    if ran.outcome.status == "bench fault":
        assert ran.outcome.error.exit_code == 3
        assert "point" in ran.outcome.reason
        assert record.evaluation is None or record.evaluation.verdict.result == "not determinable"
    elif kind != MEASURES_ANOTHER_THING:
        assert record.evaluation.verdict.result == "pass"
        assert record.readings.query("tap == 'output'")["value"].dropna().between(3.99, 20.01).all()
    assert json.loads(json.dumps(document(seal(ran.folder).content), allow_nan=False))["status"] == ran.outcome.status


@pytest.mark.parametrize("place", [4, 12, 35])
@pytest.mark.parametrize("instrument", ["source", "reference", "meter"])
def test_an_instrument_that_dies_ends_the_run_and_only_a_dead_source_is_not_safe(small, run, instrument, place):
    wrong = [Mishap(kind="time-out", instrument=instrument, at_exchange=place, times_n=10_000)]
    ran = run(small(), wrong=wrong)
    assert ran.raised is None
    assert ran.outcome.status == ("not safe" if instrument == "source" else "bench fault")
    assert ran.outcome.error.exit_code == (4 if instrument == "source" else 3)
    assert ran.is_safe()  # commands without an answer reached the dead source; only the proof is missing
    assert ran.lines[-1]["kind"] == "closed"
    assert ran.record.content.status == ran.outcome.status


def test_two_mishaps_at_once_are_dealt_with_one_after_the_other(small, run):
    # A point is given up at its third mishap: these come at three points.
    wrong = [
        Mishap(kind="late", instrument="meter", at_exchange=50),
        Mishap(kind="garbled", instrument="source", at_exchange=60),
    ]
    ran = run(small(), wrong=[*wrong, Mishap(kind="empty", instrument="reference", at_exchange=50)])
    assert ran.outcome.status == "complete"
    assert ran.record.evaluation.verdict.result == "pass"
    assert sum("point approached again" in remark for remark in ran.record.content.remarks) == 2


def test_another_instrument_after_a_time_out_is_not_read(small, run):
    wrong = [
        Mishap(kind="wrong identity", instrument="meter", at_exchange=39),
        Mishap(kind="time-out", instrument="meter", at_exchange=40, matching="READ?"),
    ]
    ran = run(small(), wrong=wrong)
    assert ran.outcome.status == "bench fault"
    assert "ANOTHER,INSTRUMENT" in ran.outcome.reason
    assert ran.is_safe()


def test_an_overload_takes_the_next_wider_range_and_the_table_says_which(small, run):
    # 4 to 9 mA fits the 10 mA range; one overload there, and 100 mA is taken.
    plan = small(type_sheet={"4 .. 20 mA": "4 .. 9 mA"})
    ran = run(plan, wrong=[Mishap(kind="overload", instrument="meter", at_exchange=60, matching="READ?")])
    ranges = list(dict.fromkeys(ran.record.readings.query("tap == 'output'")["range"]))
    assert ranges == ["-10 .. 10 mA", "-100 .. 100 mA"]
    assert any("range changed to -100 .. 100 mA" in remark for remark in ran.record.content.remarks)
    assert ran.outcome.status == "complete"
