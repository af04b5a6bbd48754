"""Intervals where a rectangular quantity dominates, against published ones and against numerical integration."""

import numpy as np
import pytest
from scipy import integrate, stats

from sequencer.evaluation.figures.contributions import from_half_width, from_standard
from sequencer.evaluation.figures.convolution import half_width_of_sum
from sequencer.evaluation.figures.uncertainty import combine


def test_a_dominant_rectangular_quantity_has_the_factor_of_ea_4_02():
    # EA-4/02 M:2022 S9.14 (from memory): k = 1.65 for 95 % of a rectangular distribution.
    assert half_width_of_sum(0.95, 1.0, 0.0) == pytest.approx(1.65, abs=0.005)


def test_three_small_and_one_large_rectangular_quantity_of_jcgm_101():
    # JCGM 101:2008 9.2.4, table 4 (from memory): u = 1, 1, 1 and 10; 95 % interval +-17.0 by trials, +-19.9 by the GUM.
    assert half_width_of_sum(0.95, 10.0, np.sqrt(3.0)) == pytest.approx(17.0, abs=0.05)
    lines = [from_half_width(name, u * np.sqrt(3.0)) for name, u in zip("abcd", (1.0, 1.0, 1.0, 10.0), strict=True)]
    assert pytest.approx(17.0, abs=0.05) == combine(lines, probability=0.95, is_convolved=True).U
    assert pytest.approx(19.9, abs=0.05) == combine(lines, probability=0.95).U


def test_four_alike_are_nearly_normal_as_in_jcgm_101():
    # JCGM 101:2008 9.2.3, table 3 (from memory): +-3.88 analytically, +-3.92 by the GUM.
    assert half_width_of_sum(0.95, 1.0, np.sqrt(3.0)) == pytest.approx(3.88, abs=0.03)


@pytest.mark.parametrize("dof", [1.5, 2.0, 4.0, 30.0, np.inf])
@pytest.mark.parametrize("sigma", [0.05, 0.5, 1.0, 3.0])
@pytest.mark.parametrize("probability", [0.6827, 0.9545, 0.9973])
def test_it_holds_the_probability_asked_for(probability, sigma, dof):
    width = float(half_width_of_sum(probability, 1.0, sigma, dof))
    t = stats.norm() if np.isinf(dof) else stats.t(dof)
    half = np.sqrt(3.0)

    def inside(x):
        return t.cdf((width - x) / sigma) - t.cdf((-width - x) / sigma)

    held, _ = integrate.quad(inside, -half, half, limit=400, points=[-half + 4 * sigma, half - 4 * sigma])
    assert held / (2 * half) == pytest.approx(probability, abs=2e-6)


def test_a_rectangle_that_is_small_changes_nothing():
    assert half_width_of_sum(0.9545, 0.001, 1.0, 6.0) == pytest.approx(stats.t.ppf(0.97725, 6), rel=1e-4)
    assert half_width_of_sum(0.9545, 0.0, 0.0) == 0
    assert np.isnan(half_width_of_sum(0.9545, np.nan, 1.0))


def test_one_quantity_twice_is_one_rectangle_and_half_correlated_ones_are_none():
    lines = [from_half_width("a", 1.0), from_half_width("b", 1.0), from_standard("rest", 1e-6)]
    alike = combine(lines, correlations={("a", "b"): 1.0}, is_convolved=True)
    assert pytest.approx(0.9545 * 2, rel=1e-4) == alike.U
    partly = combine(lines, correlations={("a", "b"): 0.5}, is_convolved=True)
    assert partly.k == pytest.approx(2.0, abs=1e-3)
