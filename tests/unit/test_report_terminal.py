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


@pytest.mark.parametrize("result", made.VERDICTS)
def test_each_verdict_begins_the_text_with_its_word(result):
    shown = made.content(made.VERDICTS[result])
    assert summary(shown, colour=False).startswith(f"{result.upper()}, GF-104")
    assert f"m{result.upper()}\x1b[0m" in summary(shown, colour=True)


def test_U_rule_and_tur_stand_at_the_top():
    lines = summary(made.content(made.NEAR), colour=False).splitlines()
    assert lines[1].startswith("worst +0.0251 mA (U 0.011), +0.157 % of span")
    assert any(line.startswith("rule: ILAC-G8:09/2019 non-binary") for line in lines[:7])
    assert "TUR 2.7, the smallest (tolerance over U, 95.45 %)" in lines[:8]
    without = summary(made.content(made.GOOD), colour=False).splitlines()
    assert any(line.startswith("rule: simple acceptance") for line in without[:6])
    assert "TUR not known" in without[:6]


def test_reservations_follow_the_verdict_at_once():
    lines = summary(made.content(made.OVERDUE), colour=False).splitlines()
    assert lines[1] == "  reservation: calibration certificate expired: output meter (due 2025-12-31)"


def test_points_carry_U_and_a_mark_for_their_verdict():
    text = summary(made.content(made.NEAR), colour=False)
    assert "* conditional pass" in " ".join(text.split())
    (row,) = [line for line in text.splitlines() if line.lstrip().startswith("50 %")]
    assert row.split() == ["50", "%", "500.00", "0.072", "12.0251", "+0.157", "*79", "12.0251", "+0.157", "*79"]
    assert "!*113" in summary(made.content(made.OVER), colour=False)


def test_figures_carry_U():
    assert re.search(r"zero error +[+-]?0\.\d+ % of span, U 0\.0\d+", summary(made.content(made.SURE), colour=False))


def test_adjustment_is_shown_step_by_step_and_cannot_move_the_cursor():
    trims = made.adjustment(made.TILTED)
    evil = made.replace(trims, steps=(*trims.steps, "\x1b[2Jevil"))
    text = summary(made.content(made.TILTED, adjustment=evil), colour=False)
    assert "\x1b" not in text
    assert "  zero -0.0801 mA, -0.500 % of span\n  span +0.1500 mA, +0.938 % of span" in text
    assert all(f"  {number}. {step}" in text for number, step in enumerate(trims.steps, start=1))
    assert "opinion, apart from the result" in text


def test_as_found_stands_beside_as_left_a_line_a_figure():
    lines = summary(made.content(made.AS_LEFT, before=made.TILTED), colour=False).splitlines()
    start = lines.index("as found beside as left, in % of span")
    assert lines[start + 1].split() == ["as", "found", "as", "left"]
    assert lines[start + 2].split() == ["verdict", "fail", "pass"]
    assert any(re.fullmatch(r"  zero error +\+0\.500 +\S+", line) for line in lines[start:])


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


def test_bars_of_stages_add_up_to_the_total_in_plain_letters():
    lines = summary(made.SEVERAL, colour=False).splitlines()
    start = lines.index("error at the output at 80 % upscale, stage by stage, % of span (% of total)")
    assert lines[start + 1] == "  | no error, : tolerance +/-0.8, = brought in by a stage, # total"
    drive, zero, converter, upper, total = lines[start + 2 : start + 7]
    assert (drive.split()[:4], zero.strip().partition(" (")[0]) == (["drive", "+2.00", "(9", "%)"], "zero shift")
    assert (converter.split()[:4], upper.split()[:3]) == (
        ["converter", "+20.50", "(91", "%)"],
        ["upper", "range", "wrong"],
    )
    assert total.split()[:2] == ["total", "+22.50"]
    # Worked out beside the test of the drawing: the total begins with the first bar and ends with the last.
    assert drive.index("=") == total.index("#")
    assert drive.rindex("=") == converter.index("=")
    assert converter.rindex("=") == total.rindex("#")


def test_the_order_of_work_stands_under_what_to_do_and_opinions_under_the_verdict():
    lines = summary(made.SEVERAL, colour=False).splitlines()
    assert lines[2] == "opinion (ISO/IEC 17025:2017, 7.8.7), would be told otherwise by its check:"
    do, first, second = (next(n for n, line in enumerate(lines) if line.startswith(start)) for start in (
        "do: ", "    1. converter: upper range wrong", "    2. drive: zero shift"))  # fmt: skip
    assert do < first < second < next(n for n, line in enumerate(lines) if line.startswith("rule: "))
    alone = summary(made.ALONE, colour=False)
    assert "stage by stage" not in alone
    assert "    1. " not in alone
