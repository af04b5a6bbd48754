"""Coverage factors against printed tables; what is done for many at once against each for itself."""

import numpy as np
import pytest
from scipy import special

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.student import coverage_factor

NAN, INF = float("nan"), float("inf")

# Common tables of Student's t, two-sided (from memory), and GUM table G.2 for 95.45 % (from memory).
T_TABLE = {
    0.95: {1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 10: 2.228, 20: 2.086, 30: 2.042, 120: 1.980, INF: 1.960},
    0.99: {1: 63.657, 2: 9.925, 3: 5.841, 4: 4.604, 5: 4.032, 10: 3.169, 20: 2.845, 30: 2.750, 120: 2.617, INF: 2.576},
    0.9545: {1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 10: 2.28, 20: 2.13, 30: 2.09, 50: 2.05, INF: 2.00},
}


@pytest.mark.parametrize("probability", T_TABLE)
def test_coverage_factors_are_those_of_the_printed_table(probability):
    dof, printed = zip(*T_TABLE[probability].items(), strict=True)
    half_digit = 0.005 if probability == 0.9545 else 0.0005
    assert coverage_factor(probability, dof) == pytest.approx(printed, abs=half_digit + 1e-9)


def test_one_and_two_degrees_of_freedom_by_their_formulas():
    # Cauchy: tan(p pi / 2); two degrees of freedom: p sqrt(2 / (1 - p^2)).
    for p in (0.5, 0.9545, 0.9999):
        one, two = np.tan(p * np.pi / 2), p * np.sqrt(2 / (1 - p**2))
        assert coverage_factor(p, [1.0, 2.0]) == pytest.approx([one, two], rel=1e-12)


@pytest.mark.parametrize("probability", [0.1, 0.5, 0.9545, 0.9973, 0.999999])
def test_many_at_once_are_what_each_is_for_itself(probability):
    dof = np.concatenate([np.geomspace(1, 1e17, 2000), [INF]])
    assert coverage_factor(probability, dof) == pytest.approx(-special.stdtrit(dof, (1 - probability) / 2), rel=1e-12)


@pytest.mark.parametrize("dof", [0.0, -1.0, NAN])
def test_degrees_of_freedom_that_cannot_be_give_not_a_number(dof):
    assert np.isnan(coverage_factor(0.95, dof))


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
    # One degree of freedom, by the formula of the Cauchy distribution.
    assert float(coverage_factor(0.9999999, 1.0)) == pytest.approx(1 / np.tan(1e-7 * np.pi / 2), rel=1e-8)
