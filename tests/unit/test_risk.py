"""Risks over all units at their edges; the figures are compared in tests/published and tests/property."""

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.risk import global_risk, guard_band_for_risk, risk_over_guard_band, unit_sd

NAN = float("nan")


def test_the_four_chances_are_consistent():
    found = risk_over_guard_band([-0.2, 0.0, 0.1, 0.5], half_width=1.0, sd=0.5, u=0.2)
    true_accept = found.accepted_frac - found.consumer_frac
    assert true_accept + found.producer_frac == pytest.approx(found.conforming_frac, rel=1e-12)
    assert (np.diff(found.consumer_frac) < 0).all()
    assert (np.diff(found.producer_frac) > 0).all()


def test_a_guard_band_as_wide_as_the_tolerance_accepts_nothing():
    found = risk_over_guard_band([1.0, 1.5], half_width=1.0, sd=0.5, u=0.2)
    assert found.accepted_frac == pytest.approx([0.0, 0.0], abs=1e-15)
    assert found.producer_frac == pytest.approx(found.conforming_frac, rel=1e-12)


def test_one_limit_is_half_of_two_for_units_right_on_average():
    both = risk_over_guard_band(0.1, half_width=1.0, sd=0.5, u=0.1)
    one = global_risk(lower=-np.inf, upper=1.0, accept_lower=-np.inf, accept_upper=0.9, mean=0.0, sd=0.5, u=0.1)
    assert float(one.consumer_frac) == pytest.approx(float(both.consumer_frac) / 2, rel=1e-10)


@pytest.mark.parametrize(("sd", "u"), [(0.0, 0.1), (0.5, 0.0), (-1.0, 0.1), (NAN, 0.1), (0.5, NAN)])
def test_without_scatter_or_uncertainty_there_is_no_risk_to_give(sd, u):
    found = risk_over_guard_band(0.0, half_width=1.0, sd=sd, u=u)
    assert np.isnan([found.consumer_frac, found.producer_frac, found.conforming_frac, found.accepted_frac]).all()
    assert np.isnan(guard_band_for_risk(0.02, half_width=1.0, sd=sd, u=u))


def test_no_guard_band_where_the_risk_is_held_without():
    assert float(guard_band_for_risk(0.02, half_width=1.0, sd=0.3, u=0.05)) == 0.0


def test_the_guard_band_found_holds_the_risk_and_no_wider():
    w = guard_band_for_risk([[0.01], [0.001]], half_width=1.0, sd=[0.5, 0.8], u=0.25)
    assert w.shape == (2, 2)
    found = risk_over_guard_band(w, half_width=1.0, sd=[0.5, 0.8], u=0.25)
    assert found.consumer_frac == pytest.approx(np.array([[0.01, 0.01], [0.001, 0.001]]), rel=1e-9)


def test_units_scatter_less_than_their_observations():
    true, observed = unit_sd(0.95, half_width=1.0), unit_sd(0.95, half_width=1.0, u_of_observation=0.2)
    assert float(observed) ** 2 == pytest.approx(float(true) ** 2 - 0.04, rel=1e-14)
    assert np.isnan(unit_sd([0.0, 1.0, NAN, 1.1], half_width=1.0)).all()
    assert np.isnan(unit_sd(0.95, half_width=1.0, u_of_observation=0.6))


def test_a_risk_of_nothing_is_refused():
    with pytest.raises(ReadingsError, match="guard band: a risk of 0 cannot be held\n  do: give a risk above 0"):
        guard_band_for_risk(0.0, half_width=1.0, sd=0.5, u=0.1)
