"""Whether a bench is in control: what its check unit says today, and what a run on it is remarked with."""

from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest

from sequencer.history.check_unit import check_unit
from sequencer.reports.control_chart import control_document, told
from sequencer.reports.sections import html
from sequencer.reports.terminal import sections_text

START = datetime(2026, 1, 5, 8, tzinfo=UTC)
STEADY = [0.0, 0.01, -0.01, 0.005, -0.005, 0.01, 0.0, -0.01, 0.005, -0.005]


def checked(zeros, *, bench="bench 1", **more):
    records = [
        {"record": n, "folder": f"f{n}", "serial": "CU-1", "bench": bench, "condition": "whole", "status": "complete"}
        | {"started_at": START + timedelta(days=n), "is_simulated": False}
        for n, _ in enumerate(zeros)
    ]
    figures = [
        {"record": n, "stage": "", "figure": name, "unit": "% of span", "value": value * scale, "U": 0.01}
        for n, value in enumerate(zeros)
        for name, scale in (("zero error", 1.0), ("span error", 0.5))
    ]
    return check_unit(pd.DataFrame(records), pd.DataFrame(figures), serial="CU-1", bench="bench 1", **more)


def last_day(zeros):
    return (START + timedelta(days=len(zeros) - 1)).date()


@pytest.mark.parametrize(
    ("zeros", "is_in_control", "said"),
    [
        ([*STEADY, 0.004], True, ""),
        ([*STEADY, 0.2], False, "zero error beyond 3 sigma"),
        (STEADY[:5], None, "was run 5 times on this bench, 9 are the least"),
        ([], None, "was never run on this bench"),
    ],
)
def test_what_a_run_today_is_remarked_with(zeros, is_in_control, said):
    found = checked(zeros) if zeros else checked(STEADY, bench="bench 2")
    assert found.is_in_control is is_in_control
    remark = found.remark(last_day(zeros) if zeros else date(2026, 1, 5))
    assert (said in remark) if said else remark == ""


def test_a_bench_that_was_not_checked_today_is_told():
    found = checked([*STEADY, 0.0])
    assert "not today" in found.remark(date(2027, 1, 5))
    assert "of today, 2027-01-05, nothing is known" in " ".join(
        sections_text(told(found, today=date(2027, 1, 5))).split()
    )


def test_the_last_run_never_widens_its_own_limits():
    found = checked([*STEADY, 5.0])
    assert found.charts[0].limits.n == len(STEADY)
    assert found.charts[0].limits.upper < 0.1


def test_a_bench_that_slides_does_not_take_its_limits_along():
    found = checked([*STEADY, *(0.01 * n for n in range(30))], base_n=10)
    assert found.is_in_control is False


def test_page_terminal_and_json_say_the_same():
    found = checked([*STEADY, 0.2])
    text, document = sections_text(told(found)), control_document(found)
    assert "OUT OF CONTROL" in text
    assert max(map(len, text.splitlines())) <= 80
    assert html(told(found), title="x").count("<svg") == 4
    assert document["is_in_control"] is False
    assert document["charts"][0]["signals"] == [
        {"run": 11, "rule": "beyond 3 sigma"},
        {"run": 11, "rule": "moving range beyond its limit"},
    ]
