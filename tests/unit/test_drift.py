"""Slope in time: held against closed forms, and against noise drawn by ways that share nothing with its covariances.

The whole table of coverage: `tests/bench/bench_drift.py`.
"""

import math

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.drift import LEAST_N, _kinds, drift


def half_squared_difference(cover):
    """Allan variance of two neighbouring means by their covariance."""
    return cover[0, 0] - cover[0, 1]


def test_covariances_of_means_have_the_allan_variance_of_their_noise():
    t = np.arange(5.0)
    white, flicker, walk = _kinds(t, np.ones(5))
    assert half_squared_difference(white) == 1
    # 1/f noise: 2 ln 2 times the level of its spectrum, whatever the time (NIST SP 1065, from memory).
    assert half_squared_difference(flicker) == pytest.approx(2 * math.log(2))
    # Random walk of unit variance in a step: 1/3 (its generalised covariance -|t| has two).
    assert half_squared_difference(walk) == pytest.approx(2 / 3)


def test_1_over_f_has_no_time_of_its_own():
    # Means of twice the length have the same Allan variance, by definition of the noise.
    flicker = _kinds(np.arange(8.0), np.ones(8))[1]
    pair = flicker.reshape(4, 2, 4, 2).mean(axis=(1, 3))
    assert half_squared_difference(pair) == pytest.approx(2 * math.log(2))


def test_a_straight_line_is_found_to_the_last_digit():
    t = np.arange(100) * 60.0
    found = drift(3 + 2e-5 * t, t)
    assert found.per_s == pytest.approx(2e-5, rel=1e-9)
    assert found.U_per_s < 1e-12
    assert found.is_distinct


def test_a_line_in_white_noise_is_told():
    rng = np.random.default_rng(4)
    t = np.arange(600.0)
    found = drift(rng.normal(0, 1, 600) + 0.01 * t, t)
    # Standard error of a plain line: sqrt(12 / n^3) = 2.36e-4.
    assert found.u_ols_per_s == pytest.approx(math.sqrt(12 / 600**3), rel=0.1)
    assert abs(found.per_s - 0.01) < found.U_per_s
    assert found.is_distinct


def flicker_of(rng, n):
    """1/f noise by its spectrum."""
    rates = np.fft.rfftfreq(16 * n)
    drawn = np.concatenate(([0.0], rates[1:] ** -0.5)) * (rng.normal(size=(2, len(rates))).T @ (1, 1j))
    return np.fft.irfft(drawn, 16 * n)[:n] * math.sqrt(8 * n)


NOISE = {
    "white": lambda rng, n: rng.normal(size=n),
    "1/f": flicker_of,
    "random walk": lambda rng, n: np.cumsum(rng.normal(size=n)),
}


@pytest.mark.parametrize("kind", NOISE)
def test_the_interval_holds_the_truth_where_a_plain_line_does_not(kind):
    n, runs_n = 16, 40
    t = np.arange(n) * 3600.0
    rng = np.random.default_rng(20)
    held = plain = 0
    for _ in range(runs_n):
        values = NOISE[kind](rng, n)
        found = drift(values, t)
        held += abs(found.per_s) <= found.U_per_s
        plain += abs(np.polyfit(t, values, 1)[0]) <= 2 * found.u_ols_per_s
    # 95 %, less three standard deviations of so few runs: 34 of 40.
    assert held >= 34
    assert kind == "white" or plain < 32


def test_which_noise_carries_the_slope_is_named():
    rng = np.random.default_rng(1)
    t = np.arange(400.0)
    assert drift(np.cumsum(rng.normal(size=400)), t).walk > 0.6
    assert drift(flicker_of(rng, 400), t).white < 0.2


def test_digits_that_never_move_hide_a_change_of_one_of_them():
    t = np.arange(100) * 60.0
    found = drift(np.full(100, 12.0), t, step=0.01)
    assert found.per_s == 0
    assert found.U_per_s == pytest.approx(0.01 / t[-1])
    assert not found.is_distinct


def test_gaps_between_the_readings_change_little():
    rng = np.random.default_rng(2)
    t = np.delete(np.arange(60) * 60.0, slice(20, 35))
    found = drift(rng.normal(0, 0.01, len(t)) + 1e-4 * t, t)
    assert found.per_s == pytest.approx(1e-4, abs=found.U_per_s)
    assert found.U_per_s < 1e-4


def test_few_readings_say_nothing_of_a_drift():
    with pytest.raises(ReadingsError, match=f"allowed: {LEAST_N} or more"):
        drift(np.arange(7.0), np.arange(7.0))
