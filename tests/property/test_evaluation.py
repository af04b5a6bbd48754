"""What must hold of figures whatever the unit: from the table in to the figures out."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from instruments.yamlfile import parse
from sequencer.evaluation.evaluate import evaluate
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.table import tidy

LINES = ("non-linearity, independent", "non-linearity, terminal-based", "non-linearity, zero-based")
SPREADS = ("hysteresis", "non-repeatability", *LINES, "span error")


def sheet(low=4.0, high=20.0, tolerance="0.5 % of span"):
    text = f"type: x\ninput: {{range: 0 .. 1000 Hz}}\noutput: {{range: {low} .. {high} mA}}\ntolerance: {tolerance}\n"
    return parse(text, Path("x.yaml")).into(TypeSheet)


def judged(errors_pct, *, low=4.0, high=20.0, tolerance="0.5 % of span", shuffled=None):
    """Errors in % of span, of shape (cycles, 2, points), as readings of a unit with this range."""
    points_n = errors_pct.shape[-1]
    rows = []
    for cycle, direction, point in np.ndindex(errors_pct.shape):
        x_pct = 100 * point / (points_n - 1)
        output = low + (high - low) * x_pct / 100 + abs(high - low) * errors_pct[cycle, direction, point] / 100
        place = {"step": 1, "cycle": cycle + 1, "direction": ("up", "down")[direction], "point": point, "attempt": 1}
        place |= {"role": "reading", "reading": 1, "setpoint_pct": x_pct, "settling": "steady"}
        rows.append(place | {"tap": "input", "unit": "Hz", "value": 10 * x_pct})
        rows.append(place | {"tap": "output", "unit": "mA", "value": output})
    if shuffled is not None:
        shuffled.shuffle(rows)
    return evaluate(tidy(rows), sheet(low, high, tolerance))


def values(found, names=SPREADS):
    return [found.figure(name).value for name in names]


@st.composite
def some_errors(draw):
    shape = (draw(st.integers(3, 4)), 2, draw(st.integers(3, 6)))
    cells = st.lists(st.floats(-2, 2, width=32), min_size=int(np.prod(shape)), max_size=int(np.prod(shape)))
    return np.array(draw(cells)).reshape(shape)


few = settings(max_examples=12, deadline=None)


@few
@given(some_errors())
def test_up_equal_to_down_is_no_hysteresis(errors):
    errors[:, 1] = errors[:, 0]
    assert judged(errors).figure("hysteresis").value == pytest.approx(0, abs=1e-12)


@few
@given(some_errors())
def test_equal_cycles_are_perfectly_repeatable(errors):
    errors[:] = errors[:1]
    assert judged(errors).figure("non-repeatability").value == pytest.approx(0, abs=1e-12)


@few
@given(some_errors(), st.floats(-5, 5))
def test_a_shift_moves_the_zero_error_and_no_spread(errors, shift):
    before, after = judged(errors), judged(errors + shift)
    assert after.figure("zero error").value - before.figure("zero error").value == pytest.approx(shift, abs=1e-9)
    for name in ("hysteresis", "non-repeatability", "span error", *LINES[:1]):
        assert abs(after.figure(name).value) == pytest.approx(abs(before.figure(name).value), abs=1e-9)
    gains = [each.figure("gain by least squares").value for each in (before, after)]
    assert gains[0] == pytest.approx(gains[1], abs=1e-11)


@few
@given(some_errors(), st.floats(-5, 5))
def test_a_gain_moves_the_span_error_and_the_gain_alone(errors, gain_pct):
    ramp = gain_pct * np.linspace(0, 1, errors.shape[-1])
    before, after = judged(errors), judged(errors + ramp)
    assert after.figure("span error").value - before.figure("span error").value == pytest.approx(gain_pct, abs=1e-9)
    change = after.figure("gain by least squares").value - before.figure("gain by least squares").value
    assert change == pytest.approx(gain_pct / 100, abs=1e-10)
    for name in ("hysteresis", "zero error", "non-linearity, independent"):
        assert abs(after.figure(name).value) == pytest.approx(abs(before.figure(name).value), abs=1e-9)


@few
@given(some_errors(), st.sampled_from([(0.0, 20.0), (0.0, 1.0), (20.0, 4.0), (-10.0, 10.0)]))
def test_figures_in_percent_do_not_depend_on_the_range(errors, ends):
    one, other = judged(errors), judged(errors, low=ends[0], high=ends[1])
    assert values(other) == pytest.approx(values(one), abs=1e-9)
    assert other.verdict.result == one.verdict.result


@few
@given(some_errors(), st.floats(0.1, 10))
def test_errors_times_k_are_figures_times_k(errors, factor):
    one, other = judged(errors), judged(errors * factor)
    assert [abs(each) for each in values(other)] == pytest.approx(
        [factor * abs(each) for each in values(one)], abs=1e-8
    )


@few
@given(some_errors(), st.randoms(use_true_random=False))
def test_the_order_of_the_rows_does_not_matter(errors, random):
    one = judged(errors)
    assert judged(errors, shuffled=random).visits.equals(one.visits)


@few
@given(some_errors())
def test_a_unit_passes_if_and_only_if_its_largest_error_is_within(errors):
    largest = np.abs(errors).max()
    assume(abs(largest - 0.5) > 1e-6)
    assert judged(errors).verdict.is_pass == (largest < 0.5)


@few
@given(some_errors(), st.data())
def test_a_hole_anywhere_never_turns_into_a_pass_nor_into_a_number(errors, data):
    errors = errors / 10  # all within
    hole = tuple(data.draw(st.integers(0, size - 1)) for size in errors.shape)
    errors[hole] = np.nan
    found = judged(errors)
    assert found.verdict.result == "not determinable"
    assert found.visits["error"].isna().sum() == 1
    assert all(each.value is None or np.isfinite(each.value) for each in found.figures)
