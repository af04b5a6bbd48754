"""Steps and holds of a display, from readings that were rounded and repeated by numpy."""

import re
from itertools import pairwise

import numpy as np
import pytest

from sequencer.diagnosis.noise.burst import noise_of
from sequencer.diagnosis.noise.catalogue import noise_words
from sequencer.diagnosis.noise.display import held_n, shown_step
from sequencer.diagnosis.noise.kinds.telegraph import chain, log_chain

RNG = np.random.default_rng


@pytest.mark.parametrize("step", [0.001, 0.005, 0.02, 1 / 300])
@pytest.mark.parametrize("offset", [0.0, 0.00123])
def test_the_step_that_all_readings_share_is_found(step, offset):
    rounded = np.round(RNG(1).normal(12, 2 * step, 300) / step) * step + offset
    assert shown_step(rounded) == pytest.approx(step, rel=1e-6)


@pytest.mark.parametrize(
    "values",
    [
        pytest.param(RNG(2).normal(12, 0.01, 300), id="not rounded"),
        pytest.param(np.full(300, 12.0), id="one level"),
        pytest.param(
            np.where(RNG(2).uniform(size=300) < 0.3, 12.0, 12.02), id="two levels, which any distance may part"
        ),
        pytest.param(np.array([]), id="none"),
    ],
)
def test_no_step_is_found_where_there_is_none(values):
    assert shown_step(values) == 0


@pytest.mark.parametrize("held", [2, 3, 7])
def test_a_value_that_is_shown_again_is_found(held):
    assert held_n(np.repeat(RNG(3).normal(size=60), held)) == held


def test_readings_that_stay_by_chance_are_not_held():
    # Two levels with geometric dwell times, a quarter to change at each reading.
    assert held_n(np.cumsum(RNG(4).uniform(size=500) < 0.25) % 2.0) == 1
    assert held_n(RNG(4).normal(size=500)) == 1


@pytest.mark.parametrize("n", [1, 2, 5, 6])
def test_the_chain_sums_over_all_hidden_paths(n):
    # By hand: every path of two levels, its probability times the densities, all added.
    low, high, rise, fall = RNG(5).normal(size=n), RNG(6).normal(size=n), 0.2, 0.4
    step = np.array([[1 - rise, rise], [fall, 1 - fall]])
    total, upper, rises = 0.0, np.zeros(n), 0.0
    for code in range(2**n):
        path = [code >> index & 1 for index in range(n)]
        weight = (rise if path[0] else fall) / (rise + fall)
        weight *= np.exp(sum((high if each else low)[index] for index, each in enumerate(path)))
        weight *= np.prod([step[one, other] for one, other in pairwise(path)])
        total += weight
        upper += weight * np.array(path)
        rises += weight * sum(one < other for one, other in pairwise(path))
    assert log_chain(low, high, rise, fall) == pytest.approx(np.log(total))
    found, found_rises, _ = chain(low, high, rise, fall)
    assert found == pytest.approx(upper / total)
    assert found_rises == pytest.approx(rises / total)


def test_a_range_that_changes_is_told_and_makes_no_bursts():
    # Steps of 0.001 after 180 readings, of 0.0001 before: a meter that went to the next range up.
    y = 12 + np.random.default_rng(71).normal(0, 3e-4, 400)
    y[:180], y[180:] = np.round(y[:180], 4), np.round(y[180:], 3)
    found = noise_of(y, np.arange(400) * 0.1, unit="mA")
    assert found.best.kind == "quantisation flicker"
    assert any("the step is 0.001 mA, else 0.0001 mA" in each for each in noise_words(found))
    assert not noise_of(np.round(y, 3), np.arange(400) * 0.1).range_words


def test_few_levels_of_a_corrected_unit_are_a_display():
    # Square root of a pressure in steps: neighbouring levels lie not quite as far apart (arithmetic).
    counts = np.round(400 + np.random.default_rng(72).normal(0, 0.5, 600))
    found = noise_of(np.sqrt(counts), np.arange(600) * 0.1, unit="m3/h")
    assert found.best.kind == "quantisation flicker"


@pytest.mark.parametrize("z", [-2.0, -1.0, -0.3, 0.0, 0.7, 1.8])
@pytest.mark.parametrize("parts", [6, 12])
def test_two_levels_of_a_display_that_rounds_hold_the_truth_between_what_is_told(z, parts):
    """Truth z deviations from where the digit flips: the mean of the readings is up to half a step beside it."""
    step, sd = 0.008, 0.008 / parts
    truth = 12.004 + z * sd
    readings = np.round(RNG(17).normal(truth, sd, 900) / step) * step
    found = noise_of(readings, 0.1 * np.arange(900.0), unit="mA")
    assert found.best.kind == "quantisation flicker"
    told = re.search(r"rounded, between ([0-9.]+) mA and ([0-9.]+) mA", found.best.words)
    low, high = map(float, told.groups())
    assert low <= truth <= high
    assert high - low < step
    assert "if they are counts" in found.best.words


def test_counts_of_two_levels_have_their_mean():
    counts = np.floor(np.arange(900) * 0.37 + 0.37) - np.floor(np.arange(900) * 0.37)  # 37 of 100 gates hold one more
    found = noise_of(420.0 + counts, np.arange(900.0), unit="Hz")
    truth = re.search(r"truly ([0-9.]+) Hz ± ([0-9.e-]+) Hz", found.best.words)
    assert abs(float(truth[1]) - 420.37) <= float(truth[2])
    assert "rounded" not in found.best.words
