"""Captures of one step, of bursts to both sides, of one reading off, of even spread, of decays and walks."""

import math

import numpy as np
import pytest

from sequencer.diagnosis.noise.burst import noise_of
from sequencer.diagnosis.noise.fitting import cells

N = 400


def burst(values):
    return noise_of(values, 0.1 * np.arange(len(values)), unit="mA")


def hiss(sd, seed, n=N):
    return np.random.default_rng(seed).normal(0, sd, n)


@pytest.mark.parametrize(("at", "size"), [(90, 0.03), (250, -0.012), (340, 0.05)])
def test_one_step_is_a_step_with_its_place_and_size(at, size):
    found = burst(12 + np.where(np.arange(N) >= at, size, 0.0) + hiss(0.002, 5))
    assert found.best.kind == "level step"
    assert found.best.weight > 0.9
    assert found.second is None
    assert found.best.size == pytest.approx(size, abs=0.0006)  # 3 sd / sqrt(60)
    assert f"reading {at + 1} of {N}" in found.best.words
    assert found.best.sd == pytest.approx(0.002, rel=0.15)


def test_two_steps_are_told_with_both_moments():
    values = 12 + np.select([np.arange(N) < 120, np.arange(N) < 300], [0.0, 0.02], 0.05) + hiss(0.002, 6)
    found = burst(values)
    assert found.best.kind == "level step"
    assert "reading 121 of 400" in found.best.words
    assert "reading 301 of 400" in found.best.words


@pytest.mark.parametrize("is_in_a_row", [False, True])
def test_bursts_to_both_sides_are_no_periodic_disturbance(is_in_a_row):
    random = np.random.default_rng(8)
    loud = np.isin(np.arange(N) // 8, (3, 17, 30, 44)) if is_in_a_row else random.random(N) < 0.08
    found = burst(12 + hiss(0.002, 9) + loud * random.normal(0, 0.04, N))
    assert found.best.kind == "unknown"
    assert "both sides" in found.best.words
    assert found.best.sd == pytest.approx(0.002, rel=0.2)
    assert found.best_value == pytest.approx(12, abs=0.0005)


def test_even_spread_is_no_sine():
    found = burst(12 + np.random.default_rng(4).uniform(-0.01, 0.01, N))
    assert found.best.kind == "unknown"
    assert found.best.size == pytest.approx(0.02, rel=0.02)


def test_a_sine_read_at_random_is_no_even_spread():
    at = np.random.default_rng(4).uniform(0, 2 * math.pi, N)
    assert burst(12 + 0.01 * np.sin(at)).best.kind in {"periodic disturbance", "mains pickup"}


@pytest.mark.parametrize("size", [0.03, -0.1])
def test_one_reading_off_names_no_kind_and_its_place(size):
    values = 12 + hiss(0.002, 2)
    values[123] += size
    found = burst(values)
    assert found.best.kind == "unknown"
    assert "one reading alone (124 of 400" in found.best.words
    assert found.best.size == pytest.approx(size, abs=0.008)


@pytest.mark.parametrize("tau_s", [2.3, 7.7, 17.0])
def test_a_decay_has_its_time_constant_and_nothing_beside_it(tau_s):
    t = 0.1 * np.arange(N)
    found = burst(12 + 0.2 * np.exp(-t / tau_s) + hiss(0.001, 3))
    assert found.best.kind == "warm-up"
    assert found.second is None
    assert float(found.best.words.split("time constant ")[1].split()[0]) == pytest.approx(tau_s, rel=0.06)


def test_a_walk_has_no_second_kind():
    found = burst(12 + np.cumsum(hiss(0.001, 12, 1500)))
    assert found.best.kind in {"slow wander", "1/f noise"}
    assert found.second is None


def test_cells_keep_sum_of_squares_and_number():
    values = hiss(1.0, 1, 20_000)
    middles, counts = cells(values)
    assert len(middles) < 1000
    assert counts.sum() == 20_000
    assert counts @ middles == pytest.approx(values.sum(), abs=1e-6)
    # Within a cell of a fiftieth of the standard deviation: 1 / (12 x 50^2) of the squares at most.
    assert counts @ middles**2 == pytest.approx(values @ values, rel=1e-4)
