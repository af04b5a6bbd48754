"""The likelihood of residuals against scipy's multivariate normal density, the scale summed over by hand."""

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

from sequencer.diagnosis.model.likelihood import _SCALES, Likelihood
from sequencer.diagnosis.model.priors import PRIORS


@pytest.fixture
def case():
    rng = np.random.default_rng(5)
    noise = rng.uniform(0.5, 2.0, 9)
    columns = rng.normal(size=(9, 3)) * (0.1, 1.0, 5.0)
    return noise, columns, rng.normal(size=(4, 9)) * 3


def reference(noise, columns, residual, *, width=0.8, most=np.inf):
    """Each scale s has the prior weight of a log-normal, and the covariance s^2 D + Z Z'."""
    scales = _SCALES[_SCALES * np.median(noise) <= most]
    prior = -0.5 * (np.log(scales) / width) ** 2
    density = [
        multivariate_normal(np.zeros(noise.size), s**2 * np.diag(noise**2) + columns @ columns.T).logpdf(residual)
        for s in scales
    ]
    return logsumexp(np.array(density) + (prior - logsumexp(prior))[:, np.newaxis], axis=0)


def test_log_likelihoods_are_those_of_scipy(case):
    noise, columns, residual = case
    found = Likelihood(noise, columns).weigh(residual).log_likelihood
    assert found == pytest.approx(reference(noise, columns, residual), rel=1e-9)


def test_scatter_beyond_what_is_ordinary_is_not_summed_over(case):
    noise, columns, residual = case
    found = Likelihood(noise, columns, most=3.0, width=2.0).weigh(residual).log_likelihood
    assert found == pytest.approx(reference(noise, columns, residual, most=3.0, width=2.0), rel=1e-9)


def test_scatter_a_little_above_the_usual_stays_ordinary_where_the_most_lies_below_it(case):
    noise, columns, residual = case
    most = PRIORS.scatter.slack * float(np.median(noise))
    found = Likelihood(noise, columns, most=0.01).weigh(residual).log_likelihood
    assert found == pytest.approx(reference(noise, columns, residual, most=most), rel=1e-9)


def test_an_effect_known_in_the_main_adds_its_share_to_columns_and_noise(case):
    noise, columns, residual = case
    effect, shape = np.linspace(-4, 12, 9), np.column_stack((np.ones(9), np.linspace(-1, 1, 9)))
    found = Likelihood(noise, columns).inexact(effect, shape, share=0.1).weigh(residual).log_likelihood
    wide = np.sqrt(noise**2 + (PRIORS.fitting.inexact_noise * 0.1 * effect) ** 2)
    beside = np.column_stack((columns, 0.1 * effect[:, np.newaxis] * shape))
    assert found == pytest.approx(reference(wide, beside, residual), rel=1e-9)


def test_what_amplifies_scales_the_columns_and_never_shrinks_the_noise(case):
    noise, columns, residual = case
    gain, blur = np.array([0.0, 1, 1, 2, 2, 3, 1, 0.5, 1]), np.linspace(0, 1, 9)
    found = Likelihood(noise, columns).amplified(gain, blur, behind=0.3).weigh(residual).log_likelihood
    wide = np.sqrt((noise * np.maximum(gain, 1)) ** 2 + blur**2)
    beside = np.column_stack((columns * gain[:, np.newaxis], np.full(9, 0.3)))
    assert found == pytest.approx(reference(wide, beside, residual), rel=1e-9)


def test_whitened_rows_multiply_to_the_inverse_of_the_covariance(case):
    noise, columns, rows = case
    scale = float(_SCALES[12])
    found = Likelihood(noise, columns).whitened(rows, scale)
    inverse = np.linalg.inv(scale**2 * np.diag(noise**2) + columns @ columns.T)
    assert found @ found.T == pytest.approx(rows @ inverse @ rows.T, rel=1e-6)


def test_columns_of_no_rank_give_a_number():
    same = np.ones((5, 3)) * 1e4
    assert np.isfinite(Likelihood(np.full(5, 1e-3), same).weigh(np.zeros(5)).log_likelihood).all()
