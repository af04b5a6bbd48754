"""Damped swings: what is left of them against the closed form c + exp(-s t) (a cos w t + b sin w t)."""

from math import inf

import numpy as np
import pytest

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling_bounds import Seen
from sequencer.running.settling_swings import Swings


def swing(t, rate, pulsation, size=1000.0):
    """Of a second order after a step: no level and no slope at 0 but that of the step."""
    return size * np.exp(-rate * t) * (np.cos(pulsation * t) + rate / pulsation * np.sin(pulsation * t))


def after(t, y, band=1.0):
    rule = SettlingRule(band=band, time_constant_s=1.0, minimum_s=0.0, maximum_s=60.0)
    seen = Seen(rule)
    swings = Swings(rule, seen)
    for at_s, value in zip(t.tolist(), y.tolist(), strict=True):
        seen.at_s = at_s
        seen.take(value)
    return swings, swings.bound()


@pytest.mark.parametrize(("rate", "pulsation"), [(1.0, 2.0), (1.0, 4.0), (0.7, 1.5), (1.2, 5.0)])
def test_the_bound_is_the_largest_error_that_comes(rate, pulsation):
    t = np.arange(0.1, 5.05, 0.1)
    y = 12 + swing(t, rate, pulsation) + 0.05 * np.random.default_rng(1).standard_normal(t.size)
    swings, bound = after(t, y)
    coming = np.abs(swing(t[-1] + np.arange(0, 5, 0.001), rate, pulsation)).max()
    assert swings.is_held
    assert coming <= bound <= 1.05 * coming + 0.5  # 3.5 standard deviations of a level from 50 readings, and to spare


def test_the_bound_holds_what_comes_over_many_noises():
    t = np.arange(0.1, 6.05, 0.1)
    coming = np.abs(swing(t[-1] + np.arange(0, 5, 0.001), 1.0, 2.5)).max()
    rng = np.random.default_rng(2)
    bounds = [after(t, swing(t, 1.0, 2.5) + 0.5 * rng.standard_normal(t.size))[1] for _ in range(40)]
    assert min(bounds) >= coming


@pytest.mark.parametrize(
    "y",
    [lambda t: 1000 * np.exp(-t), lambda t: 0 * t, lambda t: 30 * np.abs(t - 3)],
    ids=["lag", "rest", "turned ramp"],
)
def test_what_does_not_swing_is_not_held(y):
    t = np.arange(0.1, 5.05, 0.1)
    swings, bound = after(t, y(t) + 0.3 * np.random.default_rng(3).standard_normal(t.size))
    assert not swings.is_held
    assert bound == inf


def test_few_readings_or_a_short_time_tell_no_swing():
    few = np.arange(0.5, 5.0, 0.5)
    short = np.arange(0.02, 1.5, 0.02)
    assert [after(t, swing(t, 1.0, 3.0))[1] for t in (few, short)] == [inf, inf]
