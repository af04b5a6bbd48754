"""Times that follow from what is stated of a unit, worked out by hand."""

import math

import pytest

from sequencer.inputs.settling_rule import SettlingRule


def rule(**changes):
    return SettlingRule(**{"band": 0.01, "time_constant_s": 2.0, "minimum_s": 0.5, "maximum_s": 60.0} | changes)


def test_nothing_is_known_but_what_was_stated():
    plain = rule()
    assert (plain.resolution, plain.dead_time_s, plain.pace_s) == (0, 0, 0)
    assert (plain.tail_s, plain.before, plain.expected, plain.ends, plain.stood_at) == (None,) * 5


# ln(16 / 0.01) = ln 1600 = 7.378; a step within the band needs no factor of e.
@pytest.mark.parametrize(
    ("before", "expected", "folds"),
    [
        (4.0, 20.0, math.log(1600)),
        (20.0, 4.0, math.log(1600)),
        (-4.0, 4.0, math.log(800)),
        (12.0, 12.015, math.log(1.5)),
        (12.0, 12.009, 0.0),
        (12.0, 12.0, 0.0),
        (None, 20.0, 0.0),
        (4.0, None, 0.0),
    ],
)
def test_a_step_is_so_many_factors_of_e_larger_than_the_band(before, expected, folds):
    assert rule(before=before, expected=expected).folds == pytest.approx(folds, rel=1e-9)


@pytest.mark.parametrize(
    ("stated", "takes_s"),
    [
        ({}, 2 * 7.3778),
        ({"dead_time_s": 3.0}, 3 + 2 * 7.3778),
        ({"pace_s": 5.0}, 5 * 7.3778),  # seen to be slower than stated
        ({"pace_s": 1.0}, 2 * 7.3778),  # seen to be quicker: the stated time stays
    ],
)
def test_a_step_takes_its_dead_time_and_a_time_constant_for_each_factor(stated, takes_s):
    assert rule(before=4.0, expected=20.0, **stated).step_takes_s == pytest.approx(takes_s, abs=1e-3)


@pytest.mark.parametrize(
    ("tau_s", "minimum_s", "maximum_s", "interval_s"),
    [
        (2.0, 0.5, 60.0, 0.2),
        (0.0, 0.5, 60.0, 0.05),  # of the shortest wait where no lag is stated
        (0.0, 0.0, 60.0, 0.3),  # of a twentieth of the longest
        (0.1, 0.5, 60.0, 0.02),
        (0.25, 0.5, 60.0, 0.025),
        (45.0, 0.5, 600.0, 4.5),
        (80.0, 0.5, 600.0, 5.0),
    ],
)
def test_a_tenth_of_the_time_constant_lies_between_two_samples(tau_s, minimum_s, maximum_s, interval_s):
    found = rule(time_constant_s=tau_s, minimum_s=minimum_s, maximum_s=maximum_s).interval_s
    assert found == pytest.approx(interval_s, rel=1e-12)


@pytest.mark.parametrize(
    ("tau_s", "minimum_s", "maximum_s", "stuck_s"),
    [
        (2.0, 0.5, 60.0, 10.5),
        (0.0, 0.5, 60.0, 3.0),  # six shortest waits
        (2.0, 0.5, 12.0, 9.6),  # never past eight tenths of the longest
    ],
)
def test_a_unit_that_did_not_move_is_given_five_time_constants(tau_s, minimum_s, maximum_s, stuck_s):
    found = rule(time_constant_s=tau_s, minimum_s=minimum_s, maximum_s=maximum_s).stuck_s
    assert found == pytest.approx(stuck_s, rel=1e-12)
