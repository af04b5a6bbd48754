"""Densities of one reading against scipy."""

import numpy as np
import pytest
from scipy import integrate, stats

from sequencer.diagnosis.noise.densities import log_cdf, log_mixture, log_normal
from sequencer.diagnosis.noise.kinds.bursts import log_thrown
from sequencer.diagnosis.noise.kinds.contact import log_lost
from sequencer.diagnosis.noise.kinds.sine import log_sine

_AWAY = np.linspace(-0.5, 2.5, 61)


def test_white_noise_is_normal():
    assert log_normal(_AWAY, 0.3) == pytest.approx(stats.norm.logpdf(_AWAY, scale=0.3))


def test_the_normal_distribution_function_is_good_to_a_thousandth():
    x = np.linspace(-3.5, 3.5, 200)
    assert np.exp(log_cdf(x)) == pytest.approx(stats.norm.cdf(x), abs=1e-3)
    assert log_cdf(np.array([-10.0, -30.0])) == pytest.approx(stats.norm.logcdf([-10.0, -30.0]), rel=1e-3)


def test_what_is_thrown_is_skew_normal():
    # Half-normal of scale 1 and normal of 0.2 add up to a skew-normal: shape 1 / 0.2, scale sqrt(1 + 0.2^2).
    expected = stats.skewnorm.pdf(_AWAY, 5, scale=np.hypot(1, 0.2))
    assert np.exp(log_thrown(_AWAY, 1.0, 0.2)) == pytest.approx(expected, abs=2e-3)


def test_a_sine_is_an_arcsine_blurred_by_noise():
    # Density of sin(phase) under N(0, 0.2), by quadrature over the phase.
    expected = [
        integrate.quad(
            lambda phase, at=at: stats.norm.pdf(at - 0.5 * np.sin(phase), scale=0.1) / np.pi, -1.5708, 1.5708
        )[0]
        for at in (0.0, 0.3, 0.5, 0.7)
    ]
    assert np.exp(log_sine(np.array([0.0, 0.3, -0.5, 0.7]), 0.5, 0.1)) == pytest.approx(expected, rel=2e-3)


def test_far_out_a_sine_is_as_improbable_as_its_noise_makes_it():
    # 5.3 standard deviations beyond the peak of 0.5 at 1.03, 45 beyond it at 5: the same quadrature, the normal
    # density at the peak taken out of it so that nothing underflows.
    for at in (1.03, 5.0):
        peak = stats.norm.logpdf(at - 0.5, scale=0.1)
        share, _ = integrate.quad(
            lambda phase, at=at, peak=peak: (
                np.exp(stats.norm.logpdf(at - 0.5 * np.sin(phase), scale=0.1) - peak) / np.pi
            ),
            -np.pi / 2,
            np.pi / 2,
            points=[1.5],
        )
        assert log_sine(np.array([at]), 0.5, 0.1)[0] == pytest.approx(peak + np.log(share), rel=2e-3)


def test_an_open_contact_and_a_mixture_are_densities():
    def density(value):
        lost = log_lost(np.array([value]), 0.0, 0.01, 2.0)
        return float(np.exp(log_mixture(0.1, log_normal(np.array([value - 0.7]), 0.02), lost))[0])

    # The lost ones lie within a width of 2, wherever that is.
    whole, _ = integrate.quad(density, -1, 1, points=[-0.03, 0, 0.03, 0.65, 0.7, 0.75], limit=200)
    assert whole == pytest.approx(1, abs=1e-6)
