"""What must hold for settling, whatever the unit of the readings, the time scale or the spacing."""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling import Settling, State

FEW = settings(max_examples=25, deadline=None)


def follow(*, scale=1.0, shift=0.0, slower=1.0, tau_s=1.0, step=300.0, sd=0.3, seed=0, jitter=0.0):
    """A lag, its unit of reading `scale` and its unit of time `slower`."""
    rng = np.random.default_rng(seed)
    rule = SettlingRule(band=scale, time_constant_s=slower, minimum_s=0.5 * slower, maximum_s=60 * slower)
    settling = Settling(rule)
    at_s = 0.0
    while settling.state is State.MOVING:
        at_s += 0.1 * slower * (1 + jitter * rng.uniform(-1, 1))
        level = -step * math.exp(-at_s / slower / tau_s) + sd * rng.standard_normal()
        settling.add(at_s, scale * level + shift)
    return settling.settled()


@FEW
@given(
    scale=st.sampled_from([1e-6, 1e-3, 8.0, 4096.0]), slower=st.sampled_from([0.25, 4.0, 64.0]), seed=st.integers(0, 99)
)
def test_other_units_of_level_and_time_settle_at_the_same_reading(scale, slower, seed):
    plain, other = follow(seed=seed), follow(scale=scale, slower=slower, seed=seed)
    assert len(other.trace) == len(plain.trace)
    assert other.to_go == pytest.approx(scale * plain.to_go, rel=1e-5)
    assert other.after_s == pytest.approx(slower * plain.after_s, rel=1e-9)


@FEW
@given(shift=st.floats(-1000, 1000), seed=st.integers(0, 99))
def test_a_zero_shift_changes_nothing(shift, seed):
    plain, other = follow(seed=seed), follow(shift=shift, seed=seed)
    assert len(other.trace) == len(plain.trace)
    assert other.to_go == pytest.approx(plain.to_go, rel=1e-5)


@FEW
@given(
    step=st.floats(20, 5000),
    tau_s=st.floats(0.7, 1.3),
    sd=st.floats(0, 1),
    jitter=st.floats(0, 0.9),
    seed=st.integers(0, 99),
)
@example(step=20.0, tau_s=0.7, sd=1.0, jitter=0.9, seed=13)
def test_a_lag_is_steady_and_within_the_tolerance_at_any_spacing(step, tau_s, sd, jitter, seed):
    settled = follow(step=step, tau_s=tau_s, sd=sd, jitter=jitter, seed=seed)
    assert settled.is_steady
    # The bound is one of statistics: an error of 1.2 tolerances is the most that any run may leave.
    assert step * math.exp(-settled.after_s / tau_s) <= 1.2
    # Above a hundredth of the step the noise hides the time constant: where 30 readings happen to scatter by half of
    # what they should (seed 13), the fit that saw the step is left for one begun later, which waits for all that it
    # cannot tell apart. Of 900 runs in that corner of this box 5 % took more than 1.3 times, that seed alone over 1.5.
    # Elsewhere the test below holds what 99 of 100 take; of 4000 one in a thousand took over 1.3 times, none over 1.4.
    late = 1.5 if step >= 100 * sd else 4.0
    assert settled.after_s <= late * max(tau_s * math.log(step), 3.0) + 0.5


def test_99_of_100_lags_are_steady_within_1_2_times_what_their_time_constant_needs():
    rng = np.random.default_rng(3)
    times = []
    for seed in range(400):
        tau_s, step = rng.uniform(0.7, 1.3), rng.uniform(100, 5000)
        settled = follow(step=step, tau_s=tau_s, sd=rng.uniform(0, 1), jitter=rng.uniform(0, 0.9), seed=seed)
        times.append((settled.after_s - 0.5) / max(tau_s * math.log(step), 3.0))
    assert np.quantile(times, 0.99) <= 1.2
    assert np.median(times) <= 1.0  # what it needs: the readings until the lag is within one tolerance


# Sampled ten times a time constant, noise of a twentieth leaves 9 % of the time constant open (one standard deviation,
# by Fisher information); 2.6 of them are waited for, and the best fit itself lies up to 2.6 off: 1.23 by 1.23 is 1.5.
def test_noise_of_a_twentieth_of_the_step_makes_few_runs_late():
    after_s = [follow(step=20.0, sd=1.0, jitter=0.9, seed=seed).after_s for seed in range(100)]
    assert sum(each <= 1.5 * 3.0 + 0.5 for each in after_s) >= 95


@FEW
@given(
    values=st.lists(st.one_of(st.floats(-1e9, 1e9), st.just(math.nan)), min_size=1, max_size=80), seed=st.integers(0, 9)
)
def test_any_readings_end_at_the_longest_wait(values, seed):
    rng = np.random.default_rng(seed)
    settling = Settling(SettlingRule(band=1.0, time_constant_s=0.0, minimum_s=0.0, maximum_s=8.0))
    for at_s, value in zip(np.cumsum(rng.exponential(0.3, len(values)) + 1e-6).tolist(), values, strict=True):
        settling.add(at_s, value)
    settling.add(1e6, math.nan)
    assert settling.state is not State.MOVING
