"""Chances of a unit judged by all its points, against what is exact: one point, all points alike, none alike."""

import numpy as np
import pytest
import yaml
from scipy import integrate, stats

from instruments.shipped import shipped
from sequencer.evaluation.figures.unit_risk import curves, unit_risk

# JCGM 106:2012 9.5, resistors (inputs from memory, recomputed with scipy quadrature): R_C and R_P over the acceptance.
ENTRIES = yaml.safe_load(shipped("shared", "published", "conformity", "jcgm106-main-examples.yaml").read_text("utf-8"))
RESISTORS = ENTRIES["entries"][0]["recomputed"]
T, U_M = 0.2, 0.04


def near(found, false_accept, false_reject):
    """Within five standard uncertainties of the computation, and those are small."""
    for name, expected in (("false_accept", false_accept), ("false_reject", false_reject)):
        u = getattr(found, f"u_{name}")
        assert getattr(found, name) == pytest.approx(expected, abs=5 * u + 1e-5)
        assert u <= 0.02 * expected + 2e-4


def resistors(of_unit, accept, shared, own):
    points = len(of_unit[0])
    return unit_risk(
        of_unit,
        in_tolerance=RESISTORS["conforming_fraction"],
        tolerance=np.full(points, T),
        accept=np.full(points, accept),
        shared=shared,
        own=own,
    )


@pytest.mark.parametrize("row", RESISTORS["by_acceptance_half_width"], ids=lambda row: str(row["A"]))
@pytest.mark.parametrize("shared", [0.0, 0.6, 0.99])
def test_one_point_is_the_example_of_jcgm_106(row, shared):
    own = U_M * np.sqrt(1 - shared**2)
    near(resistors([[1.0]], row["A"], [[U_M * shared]], [own]), row["R_C"], row["R_P"])


@pytest.mark.parametrize("row", RESISTORS["by_acceptance_half_width"], ids=lambda row: str(row["A"]))
def test_points_that_are_all_alike_are_one_point(row):
    near(resistors([[1.0] * 7], row["A"], [[U_M] * 7], [0.0] * 7), row["R_C"], row["R_P"])


@pytest.mark.parametrize("points", [2, 3])
@pytest.mark.parametrize("accept", [0.2, 0.16])
def test_points_that_have_nothing_in_common_follow_the_product(points, accept):
    # Each with a variable of its own: good with p = in_tolerance^(1/n), and everything else is a product.
    each = 0.9 ** (1 / points)
    sd = T / stats.norm.ppf((1 + each) / 2)

    def inside(true):
        return stats.norm.cdf(accept, true, U_M) - stats.norm.cdf(-accept, true, U_M)

    good_accepted = integrate.quad(lambda true: stats.norm.pdf(true, scale=sd) * inside(true), -T, T)[0]
    accepted = 1 - 2 * stats.norm.sf(accept, scale=np.hypot(sd, U_M))
    found = unit_risk(
        np.eye(points),
        in_tolerance=0.9,
        tolerance=[T] * points,
        accept=[accept] * points,
        shared=np.zeros((0, points)),
        own=[U_M] * points,
    )
    near(found, accepted**points - good_accepted**points, 0.9 - good_accepted**points)


def test_two_points_that_share_in_part_are_those_of_a_multivariate_normal():
    # True errors z1 and z1 + z2, as at 0 % and 100 %; one source of measurement with twice the effect at the second.
    of_unit, shared, own, accept = np.array([[1.0, 1.0], [0.0, 1.0]]), np.array([[0.1, 0.2]]), 0.15, 0.9
    true = of_unit.T @ of_unit
    share = 0.9

    def inside(sd):
        normal = stats.multivariate_normal(cov=sd**2 * true)
        return normal.cdf([1, 1], lower_limit=[-1, -1]) - share

    low, high = 0.1, 3.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if inside(middle) > 0 else (low, middle)
    cov = low**2 * true
    noise = shared.T @ shared + own**2 * np.eye(2)
    both = stats.multivariate_normal(cov=np.block([[cov, cov], [cov, cov + noise]]), seed=1)
    limits = np.array([1, 1, accept, accept])
    good_accepted = both.cdf(limits, lower_limit=-limits)
    accepted = stats.multivariate_normal(cov=cov + noise).cdf(limits[2:], lower_limit=-limits[2:])
    found = unit_risk(of_unit, in_tolerance=share, tolerance=[1, 1], accept=[accept] * 2, shared=shared, own=[own] * 2)
    near(found, accepted - good_accepted, share - good_accepted)


def test_a_plain_simulation_of_a_whole_traverse_agrees():
    # The same population thrown with dice, a million units, nothing of it shared with the code.
    x = np.concatenate((np.linspace(0, 1, 6), np.linspace(0.8, 0, 5)))
    is_down = np.arange(11) > 5
    dice = np.random.default_rng(7)
    zero, span, bow, loop = dice.normal(size=(4, 1_000_000, 1))
    curve = 4 * x * (1 - x)
    true = zero + span * x + 0.5 * bow * curve + 0.25 * loop * np.where(is_down, 1, -1) * curve
    farthest = np.abs(true).max(axis=1)
    true /= np.quantile(farthest, 0.95)
    is_good = farthest <= np.quantile(farthest, 0.95)
    read = true + 0.08 * dice.normal(size=(1_000_000, 1)) + 0.03 * dice.normal(size=true.shape)
    is_accepted = (np.abs(read) <= 0.85).all(axis=1)
    found = unit_risk(
        curves(x, is_down),
        in_tolerance=0.95,
        tolerance=np.ones(11),
        accept=np.full(11, 0.85),
        shared=np.full((1, 11), 0.08),
        own=np.full(11, 0.03),
    )
    thrown = (is_good & ~is_accepted).mean()
    assert found.false_reject == pytest.approx(thrown, abs=4 * found.u_false_reject + 4 * np.sqrt(thrown / 1e6))
    assert found.false_accept == pytest.approx((~is_good & is_accepted).mean(), abs=1e-4)


def test_the_seed_makes_it_the_same_each_time():
    assert resistors([[1.0]], 0.18, [[U_M]], [0.0]) == resistors([[1.0]], 0.18, [[U_M]], [0.0])
