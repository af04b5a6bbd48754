"""What lies between two taps: what it gives back, where its output is held, what counts as read; all by hand."""

from dataclasses import replace

import numpy as np
import pytest
from segments import OUTPUT, segment_with

from sequencer.diagnosis.model.segment import Act

X = np.array([0.0, 0.25, 0.5, 0.75, 1.0])


def act(place, equation):
    return Act(stage=0, place=place, equation=equation)


# A live zero of 4 mA lies at 0, and 20 mA at 1: no current is at -0.25.
PLACES = [
    ("input", lambda x: 2 * x, [0, 0.5, 1, 1.5, 2]),
    ("output", lambda y: y + 0.1, [0.1, 0.35, 0.6, 0.85, 1.1]),
    ("shape", lambda x: x**2, [0, 0.0625, 0.25, 0.5625, 1]),
    ("value", lambda mA: mA + 4, [0.25, 0.5, 0.75, 1, 1.25]),
    ("level", lambda mA: mA / 2, [-0.125, 0, 0.125, 0.25, 0.375]),
    ("level", lambda mA: mA - 12, [-0.25, -0.25, -0.25, 0, 0.25]),  # a current is never negative
    ("reading", lambda mA: mA - 12, [-0.75, -0.5, -0.25, 0, 0.25]),  # what a meter shows may be
]


@pytest.mark.parametrize(("place", "equation", "y"), PLACES)
def test_an_equation_acts_at_its_place(place, equation, y):
    assert segment_with(X, X).predict((act(place, equation),))[0] == pytest.approx(y)


def test_two_acts_follow_the_signal_and_not_the_order_in_which_they_are_given():
    scaled, shifted = act("input", lambda x: 2 * x), act("output", lambda y: y + 0.1)
    for acts in ((scaled, shifted), (shifted, scaled)):
        assert segment_with(X, X).predict(acts)[0] == pytest.approx(2 * X + 0.1)


def test_what_is_set_at_the_output_acts_behind_all_else_there():
    # A bow of 0.2 and then a shift of 0.1, a gain of 2: 2 (x + 0.8 x (1 - x)) + 0.1, in whatever order they are given.
    bent, trimmed = act("output", lambda y: y + 0.8 * y * (1 - y)), act("output", lambda y: 2 * y + 0.1)
    trimmed = replace(trimmed, is_last=True)
    for acts in ((bent, trimmed), (trimmed, bent)):
        assert segment_with(X, X).predict(acts)[0] == pytest.approx([0.1, 0.9, 1.5, 1.9, 2.1])
    # Each place for itself: what is read is read behind it.
    read = act("reading", lambda mA: mA + 1.6)
    assert segment_with(X, X).predict((read, trimmed))[0] == pytest.approx(2 * X + 0.2)


def test_whole_steps_as_they_were_typed_are_steps_of_the_readings():
    # Whole milliamperes of 16, by a tolerance of 1 % of span: 6.25 %, though four of them at a time are even moves.
    typed = np.array([4, 8, 12, 16, 20])
    text = typed.astype(str)[:, np.newaxis].astype(object)
    y = (typed - 4) / 16
    given = {"tolerance": 0.01, "is_keyed": True}
    assert segment_with(y, X, **given, text={OUTPUT: text}).steps == pytest.approx(np.array([[1 / 16, 0.0]]))
    # Hundredths are 0.0625 % of span: less than 0.7 of the tolerance.
    finer = np.array([[f"{each:.2f}"] for each in typed], dtype=object)
    assert segment_with(y, X, **given, text={OUTPUT: finer}).steps.shape == (0, 2)


def test_a_plateau_that_was_read_holds_what_goes_beyond_it():
    y = np.array([0, 0.5, 1.0, 1.05, 1.05])
    assert segment_with(y, X).held(np.array([0.9, 1.04, 1.2, 2.0])) == pytest.approx([0.9, 1.04, 1.05, 1.05])
    far = np.array([0, 0.5, 1.0, 1.25, 1.25])  # no current output goes to 24 mA
    assert segment_with(far, X).held(np.array([1.2, 2.0])) == pytest.approx([1.2, 2.0])


def test_one_input_beyond_the_range_may_be_held_where_it_was_read():
    # What is predicted beyond it says nothing then; a loss that comes to that very level is not touched by it.
    x = np.array([0, 0.5, 1.0, 1.1, 1.1])
    alone = segment_with([0, 0.5, 1.0, 1.05, 1.05], x)
    assert alone.held(np.array([1.04, 1.05, 1.1, 2.0])) == pytest.approx([1.04, 1.05, 1.05, 1.05])
    # At an input within the range an output beyond it may be a limit: nothing asked for more.
    assert segment_with([0, 0.5, 1.0, 1.05, 1.05], X * 0 + [0, 0.5, 0.9, 1, 1]).held(np.array([1.2])) == 1.05


def test_a_level_is_read_behind_what_is_lost_on_the_way():
    # 20.5 mA of 25 mA and more; a leak of 2 % leaves 0.98 of what is sent, and the level is what was left of it.
    y = np.array([0, 0.5, 1.0, 1.03125, 1.03125])
    leak = act("level", lambda mA: 0.98 * mA)
    sent = np.array([0, 0.5, 1.0, 1.2, 1.3])
    # 3.92, 11.76 and 19.6 mA; 22.8 and 24.4 mA would be left of what is not held.
    expected = [-0.005, 0.485, 0.975, 1.03125, 1.03125]
    assert segment_with(y, sent).predict((leak,))[0] == pytest.approx(expected)


def test_the_swing_of_an_ideal_unit_is_the_step_of_a_quarter_tolerance():
    assert segment_with(X, X, tolerance=0.004).ideal_swing == pytest.approx(np.full(5, 0.001))


def test_a_visit_counts_where_both_taps_were_read_and_single_readings_that_move_do_not():
    y = np.tile(np.linspace(0, 1, 9)[:, np.newaxis], (1, 4)) + 1e-5 * np.array([0, 1, 0, 1])
    y[4] += (0, 0.01, 0.02, 0.03)
    segment = segment_with(y, np.linspace(0, 1, 9))
    assert list(np.flatnonzero(np.isnan(segment.steady).all(axis=1))) == [4]
    gone = segment_with([0, np.nan, 0.5, 0.75, 1], X)
    assert list(gone.is_read) == [True, False, True, True, True]


def test_zero_signal_of_a_live_zero_lies_a_quarter_of_the_span_below():
    assert segment_with(X, X).zero_level == -0.25
    assert segment_with(X, X).ideal == pytest.approx(X)
