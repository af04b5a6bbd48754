"""Probabilities at their edges; the digits are compared with scipy in tests/property."""

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.student import (
    chi_squared_sf,
    coverage_factor,
    f_sf,
    normal_cdf,
    normal_quantile,
    t_cdf,
    t_quantile,
)

NAN, INF = float("nan"), float("inf")


def test_normal_at_its_edges():
    assert normal_cdf([-INF, 0.0, INF]).tolist() == [0.0, 0.5, 1.0]
    assert normal_quantile([0.0, 0.5, 1.0]).tolist() == [-INF, 0.0, INF]
    assert np.isnan(normal_quantile([-0.1, 1.1, NAN])).all()
    assert np.isnan(normal_cdf(NAN))


def test_student_at_its_edges():
    assert t_cdf([-INF, 0.0, INF], 3.0).tolist() == [0.0, 0.5, 1.0]
    assert t_quantile([0.0, 0.5, 1.0], 3.0).tolist() == [-INF, 0.0, INF]
    assert np.isnan(t_quantile([-0.1, 1.1, NAN], 3.0)).all()


@pytest.mark.parametrize("dof", [0.0, -1.0, NAN])
def test_degrees_of_freedom_that_cannot_be_give_not_a_number(dof):
    assert np.isnan([t_cdf(1.0, dof), t_quantile(0.9, dof), coverage_factor(0.95, dof)]).all()
    assert np.isnan([chi_squared_sf(1.0, dof), f_sf(1.0, dof, 3.0), f_sf(1.0, 3.0, dof)]).all()


def test_infinite_degrees_of_freedom_are_the_normal_distribution():
    assert float(t_cdf(1.5, INF)) == float(normal_cdf(1.5))
    assert float(coverage_factor(0.9545, INF)) == pytest.approx(2.0, abs=0.0001)
    assert float(coverage_factor(0.9545, 1e17)) == pytest.approx(float(coverage_factor(0.9545, INF)), rel=1e-14)


def test_cauchy_by_its_formula():
    # One degree of freedom: 1/2 + arctan(t) / pi.
    t = np.array([-1e6, -3.0, 0.2, 40.0])
    assert t_cdf(t, 1.0) == pytest.approx(
        np.where(t < 0, np.arctan(-1 / t), np.pi - np.arctan(1 / t)) / np.pi, rel=1e-13, abs=0
    )
    assert float(coverage_factor(0.9545, 1.0)) == pytest.approx(np.tan(0.9545 * np.pi / 2), rel=1e-12)


def test_coverage_factor_keeps_the_shape_of_the_degrees_of_freedom():
    dof = np.array([[4.0, INF], [NAN, 4.0]])
    k = coverage_factor(0.95, dof)
    assert k.shape == (2, 2)
    assert np.isnan(k[1, 0])
    assert k[0, 0] == k[1, 1]
    assert coverage_factor(0.95, np.zeros((0, 3))).shape == (0, 3)


@pytest.mark.parametrize("probability", [0.0, 1.0, 95.0, NAN])
def test_percent_or_certainty_is_no_probability(probability):
    with pytest.raises(ReadingsError, match=r"coverage: .* is not the probability.*\n.*\n  do: give 0.95 for 95 %"):
        coverage_factor(probability, 5.0)


def test_coverage_near_certainty_is_not_taken_from_the_series():
    below, above = coverage_factor(0.999999, 5.0), coverage_factor(0.9999990001, 5.0)
    assert float(above) == pytest.approx(float(below), rel=1e-4)
    assert above > below
    assert float(coverage_factor(0.9999999, [0.5, 5.0])[1]) == float(-t_quantile((1 - 0.9999999) / 2, 5.0))


def test_nothing_and_everything_is_above_a_sum_of_squares():
    assert chi_squared_sf([0.0, INF], 4).tolist() == [1.0, 0.0]
    assert f_sf([0.0, INF], 4, 5).tolist() == [1.0, 0.0]
    assert np.isnan(chi_squared_sf(-1.0, 4))
