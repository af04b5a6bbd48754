"""Readings so far apart that a swing looks like noise: what is left, against the closed forms of lag and swing."""

import math

import numpy as np
import pytest

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling_bounds import Seen
from sequencer.running.settling_few import Few


def rule(**changes):
    return SettlingRule(**{"band": 1.0, "time_constant_s": 1.0, "minimum_s": 0.0, "maximum_s": 60.0} | changes)


def after(times, values, a_rule):
    seen = Seen(a_rule)
    few = Few(a_rule, seen)
    for at_s, value in zip(times, values, strict=True):
        seen.at_s = at_s
        seen.take(value)
    return few, few.bound()


@pytest.mark.parametrize("tau_s", [0.8, 1.0, 1.3])
def test_a_lag_of_four_readings_is_bounded_by_what_is_left(tau_s):
    times = [2.0, 4.0, 6.0, 8.0]
    few, bound = after(times, [20 - 1000 * math.exp(-each / tau_s) for each in times], rule())
    left = 1000 * math.exp(-8.0 / tau_s)
    assert left <= bound <= 1.5 * left + 1  # noise of 0.6 bands is thought of, and swings
    assert few.fitted_s == pytest.approx(tau_s, rel=0.05)


def test_where_it_stood_and_what_was_learnt_make_three_readings_enough():
    times = [2.0, 4.0, 6.0]
    values = [20 - 150 * math.exp(-each) for each in times]  # 0.37 are left
    _, cold = after(times, values, rule())
    _, known = after(times, values, rule(learnt_s=1.0, learnt_spread=0.03, stood_at=-130.0))
    assert 0.37 <= known <= 1.0 < cold


# A second order of a damping ratio of 0.2 to 0.6, from any phase, a reading each one or two time constants; what is
# to come is the largest of the closed form over all later time.
@pytest.mark.parametrize("every_s", [1.0, 2.0])
def test_a_swing_is_not_taken_for_settled_before_it_is(every_s):
    rng = np.random.default_rng(11)
    fine = np.arange(0, 10, 0.01)
    for _ in range(40):
        rate = 1 / rng.uniform(0.7, 1.3)
        turn = rate * math.sqrt(1 / rng.uniform(0.2, 0.6) ** 2 - 1)
        step, phase = math.exp(rng.uniform(math.log(100), math.log(5000))), rng.uniform(0, math.pi)
        times, values = [], []
        for n in range(1, 13):
            times.append(n * every_s)
            values.append(step * math.exp(-rate * times[-1]) * math.cos(turn * times[-1] + phase))
            _, bound = after(times, [each + 0.2 * rng.standard_normal() for each in values], rule())
            if bound <= 1:
                break
        else:
            raise AssertionError("never within the band")
        coming = step * np.exp(-rate * (times[-1] + fine)) * np.cos(turn * (times[-1] + fine) + phase)
        assert np.abs(coming).max() <= 1


def test_dense_readings_are_not_asked():
    times = [0.1 * n for n in range(1, 20)]
    few, bound = after(times, [1.0] * len(times), rule())
    assert not few.is_asked
    assert bound == math.inf
