"""The history of a unit from tidy frames: what breaks the line, what counts, what is advised, and how it is told."""

import math
import re
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from instruments.errors import ReadingsError
from sequencer.history.advised import advised
from sequencer.history.timeline import Repair, timeline
from sequencer.reports.sections import html
from sequencer.reports.terminal import sections_text
from sequencer.reports.unit_history import history_document, told

START = datetime(2022, 1, 5, 8, tzinfo=UTC)
TOLERANCE, U = 0.2, 0.02


def run(number, months, state, zero, span=0.0, **more):
    """A record whose error is zero + span x input; verdict by simple acceptance."""
    verdict = "fail" if max(abs(zero), abs(zero + span)) > TOLERANCE else "pass"
    record = {
        "record": f"r{number}",
        "folder": f"folder-{number}",
        "serial": "GF-104",
        "tag": "FT-104",
        "type": "glycol flow converter (invented)",
        "tolerance": "0.2 % of span",
        "state": state,
        "started_at": START + timedelta(days=30.4375 * months),
        "verdict": verdict,
        "status": "complete",
        "bench": "bench 1",
        "operator": "A. Cellarman",
        "instruments": ["source S-1", "meter M-1"],
        "condition": "whole",
    } | more
    figures = [
        {"record": f"r{number}", "stage": "", "figure": name, "value": value, "U": U, "low": None, "high": None}
        | {"unit": "% of span"}
        for name, value in (("zero error", zero), ("span error", span), ("hysteresis", 0.03))
    ]
    errors = [
        {"record": f"r{number}", "stage": "", "setpoint_pct": at, "direction": "up", "cycle": 1, "U": U}
        | {"error": zero + span * at / 100, "tolerance_pct": TOLERANCE, "is_judged": True}
        for at in (0.0, 50.0, 100.0)
    ]
    return record, figures, errors


def history(*runs, repairs=()):
    records, figures, errors = zip(*runs, strict=True)
    return timeline(
        pd.DataFrame(records),
        pd.DataFrame([row for rows in figures for row in rows]),
        pd.DataFrame([row for rows in errors for row in rows]),
        repairs=repairs,
    )


def drifting(times=4):
    """0.01 % of span a month, set back to 0 at each visit; as found every 12 months."""
    runs = [run(0, 0, "as left", 0.0)]
    for number in range(1, times):
        runs += [
            run(2 * number, 12 * number, "as found", 0.12),
            run(2 * number + 1, 12 * number + 0.01, "as left", 0.0),
        ]
    return runs


def test_an_adjustment_breaks_the_line():
    found = history(*drifting())
    (zero, span, _) = found.drifts
    # 0.12 % in 12 months less the hour; by hand.
    assert zero.line.slope == pytest.approx(0.12 / (12 * 30.4375 / 365.25), rel=2e-3)
    assert abs(span.line.slope) < 1e-12
    assert [each.piece for each in found.runs] == [0, 0, 1, 1, 2, 2, 3]
    # Three stretches of two runs, u of each U / 2: u = 0.01 sqrt(2 / 3) for a year; k 1.96 for 95 %.
    assert zero.line.U(0.95) == pytest.approx(1.959964 * 0.01 * math.sqrt(2 / 3), rel=2e-3)


def test_a_repair_breaks_it_too():
    runs = [run(0, 0, "as found", 0.0), run(1, 12, "as found", 0.1), run(2, 24, "as found", 0.0)]
    repaired = Repair(at=START + timedelta(days=20 * 30), part="input board", by="B. Fitter")
    whole, broken = history(*runs), history(*runs, repairs=[repaired])
    assert abs(whole.drifts[0].line.slope) < 0.01
    assert broken.drifts[0].line.slope == pytest.approx(0.1, rel=1e-3)
    assert "input board" in sections_text(told(broken, None))


def test_after_a_repair_the_drift_begins_anew():
    # +0.05 % of span a year, and -0.10 after a new board (made up): one slope through both would be near none.
    before = [run(number, 12 * number, "as found", 0.05 * number) for number in range(4)]
    after = [run(4 + number, 42 + 12 * number, "as found", 0.15 - 0.1 * number) for number in range(4)]
    repaired = Repair(at=START + timedelta(days=40 * 30.4375), part="input board", by="B. Fitter")
    found = history(*before, *after, repairs=[repaired])
    line = found.drifts[0].line
    year = 12 * 30.4375 / 365.25
    assert line.slope == pytest.approx(-0.1 / year, rel=1e-6)
    assert line.n == 4
    assert not line.is_before_repair
    assert "from 4 runs since the last repair alone" in sections_text(told(found, None))


def test_until_two_runs_tell_one_since_the_repair_the_drift_is_that_before_it_and_says_so():
    runs = [run(number, 12 * number, "as found", 0.05 * number) for number in range(4)]
    repaired = Repair(at=START + timedelta(days=40 * 30.4375), part="input board", by="B. Fitter")
    found = history(*runs, run(4, 42, "as found", 0.0), repairs=[repaired])
    line = found.drifts[0].line
    assert line.is_before_repair
    assert line.slope == pytest.approx(0.05 / (12 * 30.4375 / 365.25), rel=1e-6)
    assert line.level == pytest.approx(0.0)  # what it is now, and not what it was then
    assert "by its drift before the last repair" in advised(found).methods[0].said


def test_one_that_was_dropped_has_jumped_and_has_its_drift_and_advice_all_the_same():
    # Nine years at 0.01 %, then dropped: +0.6 %; set back. Nothing drifts (made up).
    steady = [run(number, 12 * number, "as found", 0.01 + 0.002 * (-1) ** number) for number in range(9)]
    found = history(
        *steady,
        run(9, 108, "as found", 0.6),
        run(10, 108.1, "as left", 0.0),
        run(11, 120, "as found", 0.02),
    )
    ((after, until, size),) = found.drifts[0].jumps
    assert (after, until) == (found.runs[8].at, found.runs[9].at)
    assert size == pytest.approx(0.6 - 0.012, abs=0.01)
    assert abs(found.drifts[0].line.slope) < 0.005
    assert "zero error jumped by +0.588 % of span" in "".join(told(found, None).sentences)
    # One out of ten: 0.6 x 15 from the staircase, and no "adjust before it goes back" for one that stands at 10 %.
    assert advised(found).months > 3


def test_what_is_altered_or_unfinished_is_told_and_counts_for_nothing():
    runs = drifting()
    spoilt = [run(90, 6, "as found", 9.0, condition="altered"), run(91, 7, "as found", 9.0, status="interrupted")]
    found = history(*runs, *spoilt)
    assert found.drifts[0].line.slope == pytest.approx(history(*runs).drifts[0].line.slope, rel=1e-12)
    assert len(found.events) == 0
    assert len([each for each in found.remarks if "counts for no drift" in each]) == 2


def test_out_of_tolerance_tells_since_when_it_is_in_doubt():
    found = history(run(0, 0, "as left", 0.0), run(1, 6, "as found", 0.1), run(2, 12, "as found", 0.3))
    (event,) = found.events
    assert event.run.folder == "folder-2"
    assert event.last_good == found.runs[1].at
    assert found.runs[2].used_pct == pytest.approx(150)


def test_advice_says_too_few_and_names_its_methods():
    few = advised(history(run(0, 0, "as left", 0.0), run(1, 12, "as found", 0.1)))
    assert math.isnan(few.months)
    assert "too few: 1 run as found" in few.said
    assert few.methods == ()
    many = advised(history(*drifting(5)), target=0.9)
    assert "OIML D 10" in many.source
    names = [each.name for each in many.methods]
    assert [name.split(" ")[0] for name in names] == ["control", "automatic", "share"]
    # 0.01 a month meets 0.2 after 20 months; the interval of one further reading, sooner.
    assert 15 < many.methods[0].months < 20
    # Found in (60 % of tolerance) after 12 months each time: that speaks for one step, 12 x 1.25 = 15 (by hand).
    assert many.methods[1].months == pytest.approx(12 * 1.25, rel=2e-3)
    assert math.isnan(many.methods[2].months)  # none out: one unit says nothing of 90 %
    assert many.months == pytest.approx(min(each.months for each in many.methods[:2]))


def test_names_of_instruments_are_not_broken_into_a_narrow_column():
    long = {"instruments": ["source: WORKSHOP,PRECISION SOURCE,S-4711,1.0", "meter: WORKSHOP,MULTIMETER,S-4712,2.0"]}
    text = sections_text(
        told(history(run(0, 0, "as left", 0.0, **long, bench="the bench of the instrument workshop")), None)
    )
    assert "instruments: source: WORKSHOP,PRECISION SOURCE,S-4711,1.0;" in text
    assert "WORKSHOP,MULTIMETER,S-4712,2.0" in text
    assert max(map(len, text.splitlines())) <= 80


def test_no_room_for_the_drift_is_the_shortest_interval():
    # 0.01 % of span a month, never adjusted: 0.19 of 0.2 after 19 months, and its interval (U 0.02) is beyond at once.
    runs = [run(number, 4.75 * number, "as found", 0.0475 * number) for number in range(5)]
    found = advised(history(*runs))
    assert found.months == 0
    assert found.said.startswith("none: adjust before it goes back; then ")
    assert "no room for a drift" in found.said
    # After 4.75 months each, found in, in, in, between (95 %): 4.75 x 1.25 = 5.94 (by hand).
    assert found.months_adjusted == pytest.approx(4.75 * 1.25, rel=2e-3)
    assert "none" in [
        row[2] for section in told(history(*runs), found).sections for row in section.rows if len(row) == 3
    ]


def test_after_an_adjustment_the_drift_eats_the_room_again():
    # 0.08 % of span a year, found after 24 months each; the last adjustment left 0.03, so that 0.19 of 0.2 is used up.
    runs = [run(0, 0, "as left", 0.0)]
    for number, (found_error, left_error) in enumerate([(0.16, 0.0), (0.16, 0.03)], 1):
        runs += [
            run(2 * number, 24 * number, "as found", found_error),
            run(2 * number + 1, 24 * number + 0.01, "as left", left_error),
        ]
    found = advised(history(*runs, run(6, 72, "as found", 0.19)))
    assert found.months == 0
    # By hand: the staircase gives 24 x 1.25 = 30 months; from 0.03 on 0.2 is met after 0.17 / 0.08 years, 25.5 months.
    assert 15 < found.months_adjusted < 25.5
    assert "by drift" in found.said


def test_a_unit_that_stands_out_of_tolerance_gets_no_interval():
    steady = [run(number, 12 * number, "as found", 0.02) for number in range(4)]
    found = advised(history(*steady, run(4, 48, "as found", 0.21)))
    assert found.months == 0
    assert found.said.startswith("none: adjust before it goes back")
    assert "out of tolerance when it was measured last" in found.said
    left = advised(history(*steady, run(4, 48, "as found", 0.21), run(5, 48.01, "as left", 0.0)))
    assert "out of tolerance when it was measured last" not in left.said
    assert "find why it leaves no room" in left.said  # a jump of 0.19 within a year leaves none within 0.2
    few = advised(history(run(0, 0, "as left", 0.0), run(1, 12, "as found", 0.21)))  # too few to say more
    assert (few.months, math.isnan(few.months_adjusted)) == (0, True)


def test_the_interval_is_left_out_where_it_may_not_stand():
    found = history(*drifting())
    assert "interval" not in sections_text(told(found, None)).lower().replace("95 % interval", "")
    assert "17025:2017, 7.8.4.3" in sections_text(told(found, advised(found)))
    assert "interval" not in history_document(found, None)


def test_page_and_terminal_tell_the_same():
    found = history(*drifting(), repairs=[Repair(at=START, part="<b>fuse</b>", by="B", text="blown")])
    text, page = sections_text(told(found, advised(found))), html(told(found, advised(found)), title="GF-104")
    assert max(map(len, text.splitlines())) <= 80
    assert "&lt;b&gt;fuse" in page
    assert "<b>fuse" not in page
    assert "<svg" in page
    assert "the most so far 60 % on 2023-01-05" in " ".join(text.split())


@pytest.mark.parametrize("months", [(0,), (0, 12), (0, 12, 36)])
def test_the_markers_of_a_run_stand_close_together(months):
    found = history(*(run(number, at, "as found", 0.02) for number, at in enumerate(months)))
    page = html(told(found, None), title="GF-104")
    # The drawing is 612 units wide inside its frame: four markers of 10 each that lie over each other in part.
    spans = {float(x) for x in re.findall(r'<line x1="([0-9.]+)" y1="[0-9.]+" x2="\1"[^>]*stroke-width="1"', page)}
    last = max(spans)
    assert len(spans) >= 4
    assert 5 < last - sorted(spans)[-4] < 30


def test_a_unit_without_a_record_says_what_to_do():
    none = history(*drifting())
    assert none.runs
    with pytest.raises(ReadingsError, match="no record of this unit"):
        timeline(pd.DataFrame(), pd.DataFrame(), pd.DataFrame())


def test_one_run_is_a_history_too():
    found = history(run(0, 0, "as found", 0.05))
    text = sections_text(told(found, advised(found)))
    assert "too few" in text
    assert "drift of zero error: not known" in " ".join(text.split())
