"""Largest values of noisy curves: the interval holds the truth as often as it says, counted over drawn curves."""

import numpy as np
import pytest

from sequencer.evaluation.extremes import by_scale, by_shift, smoothed

X = np.linspace(0, 100, 9)
RUNS_N = 400


def itself(rows):
    return rows


def counted(shape, size, *, seed):
    """How often the interval holds the size; mean size found, corrected and not."""
    random = np.random.default_rng(seed)
    held, corrected, plain = 0, [], []
    for _ in range(RUNS_N):
        curve = size * shape + random.normal(0, 1, X.size)
        noise = random.normal(0, 1, (500, X.size))
        found = by_scale(itself, curve, noise, 0.0)
        held += found.low <= size <= found.high
        corrected.append(found.corrected)
        plain.append(np.abs(curve).max())
    return held / RUNS_N, np.mean(corrected), np.mean(plain)


@pytest.mark.parametrize(
    "shape", [np.sin(np.pi * X / 100), np.ones_like(X), np.eye(X.size)[4]], ids=["half sine", "flat", "spike"]
)
@pytest.mark.parametrize("size", [0.0, 3.0, 10.0])
def test_the_interval_holds_the_size_and_the_corrected_one_is_nearer(shape, size):
    held, corrected, plain = counted(shape, size, seed=int(size))
    # Nominal 95.45 %; three standard deviations of a count of 400 are 3.1 %.
    assert held >= 0.923
    # A lone peak of a few standard deviations cannot be told from noise; everything else comes out right on average.
    assert abs(corrected - size) < abs(plain - size) or abs(corrected - size) < (0.15 if shape.mean() > 0.2 else 0.5)


def test_of_a_unit_without_any_nothing_is_in_the_interval():
    random = np.random.default_rng(9)
    zero = 0
    for _ in range(RUNS_N):
        curve, noise = random.normal(0, 1, X.size), random.normal(0, 1, (500, X.size))
        found = by_scale(itself, curve, noise, 0.0)
        zero += found.low == 0
    assert zero / RUNS_N >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / RUNS_N)


def test_what_noise_adds_to_a_highest_reading_is_taken_off():
    # The largest of nine normal readings lies 1.485 standard deviations above their mean (tables of order statistics).
    chance = np.random.default_rng(2).normal(0, 1, (20_000, 9))

    def highest(level):
        return (level + chance).max(axis=1)

    high = by_shift(5.0, np.full(9, 3.5), np.ones(9), highest)
    low = by_shift(-5.0, np.full(9, -3.5), np.ones(9), highest, sign=-1.0)
    assert highest(np.zeros(9)).mean() == pytest.approx(1.485, abs=0.02)
    assert high.corrected == pytest.approx(5.0 - 1.485, abs=0.06)  # the median lies a little below the mean
    assert (low.corrected, low.low, low.high) == pytest.approx((-high.corrected, -high.high, -high.low))
    assert high.low < high.corrected < high.high


def test_a_curve_of_noise_alone_loses_its_roughness_and_a_smooth_one_keeps_its_shape():
    random = np.random.default_rng(5)
    noise = random.normal(0, 1, (500, X.size))
    smooth = 50 * np.sin(np.pi * X / 100)
    assert smoothed(smooth, noise, X, degree=3) == pytest.approx(smooth, abs=2.0)
    rough = random.normal(0, 0.5, X.size)
    left = smoothed(rough, noise, X, degree=3)
    assert left == pytest.approx(np.polyval(np.polyfit(X, rough, 3), X), abs=1e-9)


def test_nothing_that_scatters_and_nothing_found_is_nothing_to_say():
    assert by_scale(itself, np.zeros(3), np.zeros((10, 3)), 0.0) is None
