"""The terminal's text of a result and a plan: 80 columns, what matters first, no escape sequence unless asked."""

import importlib.util
import re
from pathlib import Path

import pytest

from sequencer import core
from sequencer.reports.terminal import plan_text, summary

spec = importlib.util.spec_from_file_location("made_for_html", Path(__file__).parent / "test_report_html.py")
made = importlib.util.module_from_spec(spec)
spec.loader.exec_module(made)


@pytest.mark.parametrize("shown", made.DEGENERATE.values(), ids=made.DEGENERATE.keys())
@pytest.mark.parametrize("width", [60, 80])
def test_no_line_is_wider_than_asked(shown, width):
    assert max(len(line) for line in summary(shown, width=width, colour=False).splitlines()) <= width


@pytest.mark.parametrize("shown", made.DEGENERATE.values(), ids=made.DEGENERATE.keys())
def test_without_colour_nothing_but_plain_text(shown):
    text = summary(shown, colour=False)
    assert re.search(r"[\x00-\x09\x0b-\x1f\x7f]", text) is None
    assert "−" not in text
    assert "nan" not in text


def test_the_first_three_lines_are_verdict_worst_and_what_to_do():
    assert summary(made.DEGENERATE["bad, simulated"], colour=False).splitlines()[:3] == [
        "FAIL (SIMULATED BENCH), GF-104, as found, flow converter",
        "worst -0.0500 mA, -0.313 % of span, 156 % of the tolerance, at 50 % upscale",
        "do: Leave it as it is.",
    ]


def test_colour_only_adds_to_what_is_said():
    shown = made.DEGENERATE["bad, simulated"]
    coloured = summary(shown, colour=True)
    assert "\x1b[1;31mFAIL\x1b[0m" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == summary(shown, colour=False)


def test_text_from_outside_cannot_move_the_cursor():
    text = summary(made.content(made.GOOD, serial="\x1b[2J\x07evil", remarks=("a\x1b]0;b\nc",)), colour=False)
    assert "\x1b" not in text
    assert "\x07" not in text


def test_readings_outside_are_marked():
    lines = summary(made.content(made.BAD), colour=False).splitlines()
    (row,) = [line for line in lines if line.lstrip().startswith("50 %")]
    assert row.split() == ["50", "%", "500.00", "11.9501", "-0.312", "!156", "12.0201", "+0.125", "63"]


def test_a_figure_that_cannot_be_determined_says_why():
    text = summary(made.DEGENERATE["up only, three points"], colour=False)
    assert re.search(r"hysteresis +not determinable: no downscale readings", text)


def test_an_unsafe_output_comes_before_the_verdict():
    text = summary(made.content(made.GOOD, status="not safe", reason="no answer"), colour=False)
    assert text.splitlines()[0] == "OUTPUT NOT SAFE: no answer; switch it off by hand"


@pytest.mark.parametrize("sequence", ["pulse-to-current", "glycol-pump-loop", "differential-pressure-flow"])
def test_a_plan_fits_and_names_what_must_be_known_before_energising(sequence):
    planned = core.plan(sequence, "simulated")
    text = plan_text(planned)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert len(text.splitlines()) < 60
    for part in ("safe level", "limits of the unit", "TUR", "exercise", "traverse", "cautions", "takes:"):
        assert part in text
    said = " ".join(text.split())
    assert all(" ".join(caution.split()) in said for caution in planned.cautions)
