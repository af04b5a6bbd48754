"""Trims of zero and span against numbers worked out by hand, and where none is offered."""

import re
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.diagnosis.action import offered
from sequencer.diagnosis.examine import examine
from sequencer.evaluation.adjustment import adjustment
from sequencer.evaluation.budget import Basis, Limits, Statement
from sequencer.evaluation.evaluate import evaluate
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.csv_import import from_csv

SHEET = """\
type: pulse rate converter
input: {range: 0 .. 1000 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
"""
LOOP = SHEET.replace("0 .. 1000 Hz", "4 .. 20 mA")
REVERSED_IN = SHEET.replace("0 .. 1000 Hz", "20 .. 4 mA")
REVERSED_OUT = SHEET.replace("4 .. 20 mA", "20 .. 4 mA")
VOLT = SHEET.replace("0 .. 1000 Hz", "0 .. 10 V").replace("4 .. 20 mA", "0 .. 1 V")
WARM = SHEET.replace("0 .. 1000 Hz", "50 .. 150 degC")
PCTS = tuple(range(0, 101, 10))


def rows(sheet, error_pct, pcts=PCTS):
    """Up through the points and down again, errors in % of output span; `error_pct` of input in % and direction."""
    first, last = sheet.datasheet().taps
    order = [(pct, "up") for pct in pcts] + [(pct, "down") for pct in reversed(pcts[:-1])]
    return [
        (
            first.low + first.span * pct / 100,
            last.low + last.span * pct / 100 + abs(last.span) * error_pct(pct, way) / 100,
        )
        for pct, way in order
    ]


@pytest.fixture
def found(type_sheet, by_hand):
    def made(error_pct, text=SHEET, *, pcts=PCTS, u=None):
        sheet = type_sheet(text)
        table = from_csv(by_hand("input;output", rows(sheet, error_pct, pcts)), sheet.datasheet())
        return evaluate(table, sheet, basis=None if u is None else basis_of(u))

    return made


@pytest.fixture
def offers(type_sheet, by_hand):
    def made(error_pct, text=SHEET, *, u=None, cleared=""):
        sheet = type_sheet(text)
        table = from_csv(by_hand("input;output", rows(sheet, error_pct)), sheet.datasheet())
        basis = Basis() if u is None else basis_of(u)
        return examine(table, sheet, basis=replace(basis, bench_cleared=cleared)).adjustment

    return made


def basis_of(u):
    limits = Limits(of_reading=0.0, floor=u * 3**0.5)
    nothing = Limits(of_reading=0.0, floor=0.0)
    return Basis(
        statements=(
            Statement(tap="input", instrument="f", accuracy=nothing, resolution=0.0),
            Statement(tap="output", instrument="m", accuracy=limits, resolution=0.0),
        )
    )


def figures_of(step):
    return [float(each) for each in re.findall(r"[+-]?\d+\.\d+", step)]


def test_a_zero_and_a_span_error_go_altogether(found):
    trims = adjustment(found(lambda x, _: 0.5 - 0.008 * x))
    # 0.5 % and -0.8 % of 16 mA are 0.08 and -0.128 mA; the ends read 4.08 and 19.952 and shall read 4 and 20.
    assert (trims.zero, trims.zero_pct) == pytest.approx((-0.08, -0.5))
    assert (trims.span, trims.span_pct) == pytest.approx((0.128, 0.8))
    assert (trims.at_bottom, trims.at_top) == pytest.approx((4.0, 20.0))
    assert (trims.as_left, trims.as_left_pct) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert trims.is_enough
    assert trims.steps[0] == "At 0 %: turn zero until 4.000 mA."  # 0 Hz in: span does not move it
    assert trims.steps[1] == "At 100 %: turn span until 20.000 mA."


def test_of_a_bow_half_is_left_by_a_shift_of_minus_half(found):
    # c 4 x (1 - x): the line at c / 2 leaves c / 2 at both ends and in the middle.
    trims = adjustment(found(lambda x, _: 0.8 * 4 * x / 100 * (1 - x / 100)))
    assert trims.zero_pct == pytest.approx(-0.4, abs=1e-9)
    assert trims.span_pct == pytest.approx(0, abs=1e-9)
    assert trims.as_left_pct == pytest.approx(0.4)
    assert (trims.at_bottom, trims.at_top) == pytest.approx((4 - 0.064, 20 - 0.064))
    assert not trims.is_enough
    assert "no trim takes that away" in trims.steps[-1]


def test_of_hysteresis_half_is_left(found):
    # Up -0.15 %, down +0.15 % between the ends, over a zero error of 1 %.
    trims = adjustment(found(lambda x, way: 1 + (0.15 if way == "down" else -0.15) * (0 < x < 100)))
    assert trims.zero_pct == pytest.approx(-1.0)
    assert trims.as_left_pct == pytest.approx(0.15)
    assert trims.is_enough
    assert "Expect a worst error of 0.15 % of span; then run again as left." in trims.steps


@pytest.mark.parametrize(
    ("text", "error_pct", "first", "then"),
    [
        # y_L + (m_found - m_wanted) x_L. In 4 .. 20, slope 1.008: 4 + 0.008 * 4.
        pytest.param(LOOP, lambda x, _: 0.008 * x, 4.032, 4.0, id="4-20 in"),
        pytest.param(LOOP, lambda x, _: 0.5 - 0.008 * x, 3.968, 4.0, id="4-20 in, zero and span"),
        # In 20 .. 4 mA, slope -1 found as -0.992: 4 + 0.008 * 20. Without it each pass would be five times worse.
        pytest.param(REVERSED_IN, lambda x, _: -0.008 * x, 4.16, 4.0, id="20-4 in"),
        # Without input at 0 % span does not move the bottom: one figure.
        pytest.param(REVERSED_OUT, lambda x, _: 0.008 * x, 20.0, None, id="reversed out, 0 Hz in"),
        pytest.param(WARM, lambda x, _: 0.008 * x, 4.0, None, id="a temperature has no zero to turn about"),
    ],
)
def test_the_first_target_is_the_one_that_span_brings_home(found, text, error_pct, first, then):
    steps = adjustment(found(error_pct, text)).steps
    assert figures_of(steps[0]) == pytest.approx([first] if then is None else [first, then])


@pytest.mark.parametrize(("low", "high"), [(4.0, 20.0), (50.0, 100.0), (20.0, 4.0), (-10.0, 10.0)])
@given(offset=st.floats(-0.5, 0.5), gain_off=st.floats(-0.05, 0.05))
@settings(max_examples=15, deadline=None)
def test_turning_as_told_leaves_a_straight_unit_right_in_one_pass(low, high, offset, gain_off):
    """A unit y = m x + b whose knobs change b, then m; the words to two digits more than a hand can turn."""
    sheet = TypeSheet.model_validate(
        {"type": "u", "input": {"range": f"{low} .. {high} V"}, "output": {"range": "4 .. 20 mA"}}
        | {"tolerance": "0.2 % of span"}
    )
    right = 16 / (high - low)
    m, b = right * (1 + gain_off), 4 - right * low + offset
    x = np.linspace(low, high, 5)
    evaluation = evaluate(from_lines(x, m * x + b, sheet), sheet)
    steps = adjustment(evaluation).steps
    b += figures_of(steps[0])[0] - (m * low + b)
    m = (figures_of(steps[1])[0] - b) / high
    # Each knob is turned to the nearest 1 uA.
    far = max(abs(low), abs(high)) / min(abs(low), abs(high))
    assert np.abs(m * x + b - (4 + right * (x - low))).max() <= 0.001 * (1 + far)


def from_lines(x, y, sheet):
    with TemporaryDirectory() as folder:
        path = Path(folder) / "hand.csv"
        path.write_text(
            "input;output\n" + "".join(f"{a!r};{b:.12f}\n" for a, b in zip(x.tolist(), y.tolist(), strict=True))
        )
        return from_csv(path, sheet.datasheet())


@given(
    errors=st.lists(st.floats(-1, 1), min_size=11, max_size=11),
    back=st.lists(st.floats(-1, 1), min_size=10, max_size=10),
)
@settings(max_examples=40, deadline=None)
def test_the_trims_applied_to_the_readings_leave_what_was_foretold(errors, back):
    sheet = TypeSheet.model_validate(
        {"type": "u", "input": {"range": "0 .. 1000 Hz"}, "output": {"range": "4 .. 20 mA"}}
        | {"tolerance": "0.2 % of span"}
    )
    x = np.array([*PCTS, *PCTS[-2::-1]]) / 100
    y = 4 + 16 * x + np.array([*errors, *back]) / 100 * 16
    trims = adjustment(evaluate(from_lines(1000 * x, y, sheet), sheet))
    left = y + trims.zero + trims.span * x - (4 + 16 * x)
    assert np.abs(left).max() == pytest.approx(trims.as_left, abs=1e-9)
    # No other line does better: turned a little further each way, it grows.
    for zero, span in ((0.001, 0), (-0.001, 0), (0, 0.001), (0, -0.001)):
        assert np.abs(left + zero + span * x).max() >= trims.as_left - 1e-9


def test_a_reversed_output_is_turned_in_its_own_unit(found):
    # Ends read 20.08 and 3.952: 20 and 4 are wanted; the output falls by 16.128 where it shall fall by 16.
    trims = adjustment(found(lambda x, _: 0.5 - 0.008 * x, REVERSED_OUT))
    assert (trims.at_bottom, trims.at_top) == pytest.approx((20.0, 4.0))
    assert (trims.zero, trims.span) == pytest.approx((-0.08, 0.128))


def test_the_figures_to_turn_to_have_digits_enough_for_the_span(found):
    steps = adjustment(found(lambda *_: 0.5, VOLT)).steps
    assert steps[:2] == ("At 0 %: turn zero until 0.0000 V.", "At 100 %: turn span until 1.0000 V.")


def test_what_is_left_counts_with_its_uncertainty(found):
    # 0.15 % of span is left, T = 0.2 %; one rectangular quantity alone: U = 0.9545 * sqrt(3) * u = 1.653 u.
    def loop(x, way):
        return 1 + (0.15 if way == "down" else -0.15) * (0 < x < 100)

    assert adjustment(found(loop, u=0.02 / 100 * 16)).is_enough
    assert not adjustment(found(loop, u=0.035 / 100 * 16)).is_enough


def test_enough_is_asked_at_each_point_against_its_own_tolerance(found):
    # 2 % of output is 0.08 mA at the bottom and 0.4 mA at the top. Left: 0.1 mA in the middle, tolerance 0.24 there.
    text = SHEET.replace("0.2 % of span", "2 % of output")
    trims = adjustment(found(lambda x, _: 5 + (0.625 if x == 50 else -0.625) * (x in {30, 50, 70}), text))
    assert trims.as_left == pytest.approx(0.1)
    assert trims.is_enough
    assert not any("outside" in step for step in trims.steps)


@pytest.mark.parametrize("pcts", [(0, 100), (0, 50, 90), (10, 50, 100)], ids=["two points", "no top", "no bottom"])
def test_without_both_ends_and_a_point_between_there_is_none(found, pcts):
    assert adjustment(found(lambda *_: 0.5, pcts=pcts)) is None


def stale(x, way):
    """Every point shows the one before it, 10 % of span back."""
    return {"up": -10 if x else 0, "down": 10 if x < 100 else 0}[way]


@pytest.mark.parametrize(
    "error_pct",
    [
        pytest.param(lambda *_: 0.05, id="good"),
        pytest.param(lambda *_: 0.13, id="well within its tolerance"),
        pytest.param(stale, id="stale"),
        pytest.param(lambda x, way: 1.5 * (way == "down") * (0 < x < 100), id="hysteresis"),
        pytest.param(lambda x, _: -0.2 * x, id="range twice as wide as ordered"),
        pytest.param(lambda x, _: -25 + 0.25 * x, id="0-20 sent"),
        pytest.param(lambda x, _: 25 - 0.25 * x, id="4-20 sent for 0-20"),
        pytest.param(lambda *_: 15.0, id="shifted out of reach"),
        pytest.param(lambda x, _: min(0, 80 - x), id="clamped"),
        pytest.param(lambda x, _: 0.2 + 0.008 * x, id="load resistor"),
        pytest.param(lambda x, _: 0.8 * 4 * x / 100 * (1 - x / 100), id="bow"),
        pytest.param(lambda x, _: 50 - x, id="stuck"),
    ],
)
def test_no_trim_is_offered_for_what_no_trim_mends(offers, error_pct):
    assert offers(error_pct) is None


def test_no_trim_is_offered_for_a_lag(type_sheet, by_hand):
    sheet = type_sheet(SHEET)
    up, down = rows(sheet, lambda x, way: -1 if way == "up" and x else 0), rows(sheet, lambda *_: 1)
    # The second reading at the top, input unmoved, has come nearer.
    table = from_csv(by_hand("input;output", [*up[:11], (1000, 20.0), *down[11:]]), sheet.datasheet())
    assert examine(table, sheet).adjustment is None


def zero_and_span(x, _):
    return 0.4 - 0.011 * x


CLEARED = "A. Brewer: second meter at the terminals"


def test_no_trim_is_offered_where_there_is_no_verdict(offers):
    assert offers(zero_and_span, cleared=CLEARED) is not None
    assert offers(zero_and_span, u=0.06, cleared=CLEARED) is None  # U above the tolerance
    assert offered(None, None) is None


def test_a_trim_is_offered_for_zero_and_span_once_no_meter_can_have_made_them(offers):
    assert offers(zero_and_span) is None
    # 0.4 % and -1.1 % of span are turned back, and nothing is left.
    trims = offers(zero_and_span, cleared=CLEARED)
    assert (trims.zero_pct, trims.span_pct) == pytest.approx((-0.4, 1.1))
    assert trims.as_left_pct == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(
    "error_pct",
    [
        pytest.param(lambda *_: 0.5, id="zero: the meter may be out as well"),
        pytest.param(lambda x, _: 0.008 * x, id="span: so does a range that was set wrong"),
        pytest.param(lambda *_: 0.15, id="75 % of the tolerance used, and no fault found"),
        pytest.param(lambda x, _: 12 - 0.04 * x, id="beyond the reach of zero"),
    ],
)
def test_no_trim_is_offered_where_another_cause_reads_the_same(offers, error_pct):
    assert offers(error_pct) is None
