"""Steps that readings lie on, worked out by hand; what looks like steps and is none."""

import numpy as np
import pytest

from sequencer.diagnosis.model.lattice import lattice, most_steps

TENTHS = np.linspace(0, 1, 11)
UP_DOWN = np.concatenate((TENTHS, TENTHS[-2::-1]))
# Steps of 0.07 of the span, rounded down: 0.1 is 1.43 of them, 0.7 is ten, 1 is 14.29.
STEPS = np.array([0, 1, 2, 4, 5, 7, 8, 10, 11, 12, 14])
# What a meter adds: 0.04 % of span, by turns up and down.
DIGITS = 4e-4 * (-1.0) ** np.arange(UP_DOWN.size)
T = 0.001


@pytest.mark.parametrize("beside", [0.0, 0.0004, -0.0003])
@pytest.mark.parametrize("tolerance", [0.001, 0.01])
def test_readings_on_steps_give_the_step_and_where_the_first_one_lies(tolerance, beside):
    found = lattice(0.07 * STEPS + beside + DIGITS[:11], TENTHS, TENTHS, tolerance)
    # The line through readings against their count: the digits move its slope by 1e-5 of the span, its start by 1e-4.
    slope, _ = np.polyfit(STEPS, 0.07 * STEPS + DIGITS[:11], 1)
    assert found[0, 0] == pytest.approx(slope, abs=1e-9)
    assert found[0] == pytest.approx([0.07, beside], abs=1e-4)


def test_inputs_may_come_down_again_and_twice():
    seen, asked = 0.07 * np.concatenate((STEPS, STEPS[-2::-1])) + DIGITS, UP_DOWN
    assert lattice(seen, asked, asked, T)[0] == pytest.approx([0.07, 0.0], abs=1e-4)
    seen, asked = np.tile(seen, 2), np.tile(asked, 2)
    assert lattice(seen, asked, asked, T)[0] == pytest.approx([0.07, 0.0], abs=1e-4)


def test_inputs_may_come_in_any_order():
    order = np.random.default_rng(2).permutation(22)
    seen, asked = np.tile(0.07 * STEPS + DIGITS[:11], 2)[order], np.tile(TENTHS, 2)[order]
    assert lattice(seen, asked, asked, T)[0] == pytest.approx([0.07, 0.0], abs=1e-4)


def test_uneven_inputs_and_what_bends_make_even_steps_no_uneven_ones():
    # Set unevenly, read as set: steps of 0.01 of the span and more are looked for, and passed as the input moves.
    uneven = np.array([0, 0.05, 0.2, 0.24, 0.45, 0.5, 0.61, 0.72, 0.8, 0.95, 1])
    assert lattice(uneven + DIGITS[:11], uneven, uneven, 0.014).shape == (0, 2)
    # Squares of eleven even inputs are hundredths: passed unevenly, but the ideal output moves as unevenly.
    assert lattice(TENTHS**2 + DIGITS[:11], TENTHS**2, TENTHS, 0.014).shape == (0, 2)
    # Two slopes, 3 and 5 steps of 0.025 at a time: once, where they meet, the next move is another than the last.
    knee = 0.025 * np.cumsum([0, 3, 3, 3, 3, 3, 5, 5, 5, 5, 5])
    assert lattice(knee + DIGITS[:11], TENTHS, TENTHS, 0.014).shape == (0, 2)


@pytest.mark.parametrize(
    ("tolerance", "seen"),
    [
        pytest.param(0.01, TENTHS, id="what was asked"),
        pytest.param(0.01, 0.1 + 0.8 * TENTHS, id="a line of even steps"),
        # Steps of 0.7 % of span and more are looked for; thirds of one are on none.
        pytest.param(0.01, TENTHS + 0.0023 * np.array([0, 3, -4, 1, 5, -2, 4, -5, 2, -1, -3]), id="scatter"),
        pytest.param(
            0.001, 0.07 * STEPS + 0.0006 + DIGITS[:11], id="its first step lies beyond the zero of a good unit"
        ),
    ],
)
def test_evenly_spaced_readings_and_what_lies_on_none_are_no_steps(tolerance, seen):
    assert lattice(seen, TENTHS, TENTHS, tolerance).shape == (0, 2)


def test_an_output_that_is_held_is_on_no_step_for_it():
    # It stands still at its limit while it is asked for more: that alone is uneven.
    assert lattice(np.minimum(UP_DOWN, 0.6) + DIGITS, UP_DOWN, UP_DOWN, T).shape == (0, 2)
    assert lattice(np.maximum(UP_DOWN, 0.3) + DIGITS, UP_DOWN, UP_DOWN, T).shape == (0, 2)


def test_few_readings_and_narrow_steps_tell_none():
    assert lattice(0.07 * STEPS[:4], TENTHS[:4], TENTHS[:4], T).shape == (0, 2)
    # Three levels are three however often they are read: 0, 25 and 87.5 % are 0, 2 and 7 eighths.
    three, asked = np.tile([0, 0.25, 0.875, 0.25], 5), np.tile([0, 0.25, 1, 0.25], 5)
    assert lattice(three + np.resize(DIGITS, 20), asked, asked, T).shape == (0, 2)
    # Steps narrower than 0.7 of the tolerance are ordinary; more than 600 in the range no reading tells.
    assert most_steps(0.01) == pytest.approx(1 / 0.007)
    assert most_steps(0.001) == most_steps(0.0) == 600
    assert lattice(0.07 * STEPS, TENTHS, TENTHS, 1.0).shape == (0, 2)
