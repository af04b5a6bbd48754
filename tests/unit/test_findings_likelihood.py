"""The likelihood of residuals against scipy's multivariate normal density, the scale summed over by hand."""

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

from sequencer.diagnosis.model.likelihood import Likelihood
from sequencer.diagnosis.model.likelihood import logsumexp as own_logsumexp
from sequencer.diagnosis.model.priors import PRIORS

SCALES = 0.2 * 300 ** (np.arange(30) / 29)  # from a fifth to sixty times what is usual, in steps of one ratio


@pytest.fixture
def case():
    rng = np.random.default_rng(5)
    noise = rng.uniform(0.5, 2.0, 9)
    columns = rng.normal(size=(9, 3)) * (0.1, 1.0, 5.0)
    return noise, columns, rng.normal(size=(4, 9)) * 3


def weights(noise, columns, residual, *, width=0.8, most=np.inf, beyond=-np.inf):
    """Log weight of each scale s, with its residuals: the density with covariance s^2 D + Z Z' and the prior.

    The prior is log-normal where the scatter is ordinary; the rest share the probability `beyond` in equal parts.
    """
    is_ordinary = SCALES * np.median(noise) <= most
    prior = -0.5 * (np.log(SCALES) / width) ** 2
    prior -= logsumexp(prior[is_ordinary])
    prior[~is_ordinary] = beyond - np.log(max(np.sum(~is_ordinary), 1))
    density = [
        multivariate_normal(np.zeros(noise.size), s**2 * np.diag(noise**2) + columns @ columns.T).logpdf(residual)
        for s in SCALES
    ]
    return np.array(density).reshape(SCALES.size, -1) + prior[:, np.newaxis]


def reference(*given, **more):
    """The sum over all scales."""
    return logsumexp(weights(*given, **more), axis=0)


def test_log_likelihoods_are_those_of_scipy(case):
    noise, columns, residual = case
    found = Likelihood(noise, columns).weigh(residual).log_likelihood
    assert found == pytest.approx(reference(noise, columns, residual), rel=1e-9)


def test_scatter_beyond_what_is_ordinary_is_not_summed_over(case):
    noise, columns, residual = case
    found = Likelihood(noise, columns, most=3.0, width=2.0).weigh(residual).log_likelihood
    assert found == pytest.approx(reference(noise, columns, residual, most=3.0, width=2.0), rel=1e-9)


@pytest.mark.parametrize("size", [0.1, 1.0, 10.0])
def test_scatter_a_little_above_the_usual_stays_ordinary_where_the_most_lies_below_it(case, size):
    noise, columns, residual = case
    noise = size * noise
    most = PRIORS.scatter.slack * float(np.median(noise))
    found = Likelihood(noise, columns, most=0.01).weigh(residual).log_likelihood
    assert found == pytest.approx(reference(noise, columns, residual, most=most), rel=1e-9)


@pytest.mark.parametrize("by_visit", [0.01, 1.0])
def test_an_effect_known_in_the_main_adds_its_size_to_columns_and_its_part_to_the_noise(case, by_visit):
    noise, columns, residual = case
    shape = np.column_stack((np.ones(9), np.linspace(-1, 1, 9)))
    found = Likelihood(noise, columns).inexact(1.2, shape, by_visit=by_visit).weigh(residual).log_likelihood
    wide = np.sqrt(noise**2 + (by_visit * 1.2) ** 2)
    beside = np.column_stack((columns, 1.2 * shape))
    assert found == pytest.approx(reference(wide, beside, residual), rel=1e-9)


def test_what_may_stand_beside_adds_its_ways_to_the_columns(case):
    noise, columns, residual = case
    ways = np.column_stack((np.full(9, 2.0), np.linspace(0, 3, 9)))
    found = Likelihood(noise, columns).freed(ways).weigh(residual).log_likelihood
    assert found == pytest.approx(reference(noise, np.column_stack((columns, ways)), residual), rel=1e-9)


def test_what_amplifies_scales_the_columns_and_never_shrinks_the_noise(case):
    noise, columns, residual = case
    gain, blur = np.array([0.0, 1, 1, 2, 2, 3, 1, 0.5, 1]), np.linspace(0, 1, 9)
    behind = np.column_stack((np.full(9, 0.3), np.arange(9) == 4))
    found = Likelihood(noise, columns).amplified(gain, blur, behind).weigh(residual).log_likelihood
    wide = np.sqrt((noise * np.maximum(gain, 1)) ** 2 + blur**2)
    beside = np.column_stack((columns * gain[:, np.newaxis], behind))
    assert found == pytest.approx(reference(wide, beside, residual), rel=1e-9)


@pytest.mark.parametrize("at", [0, 12, 29])
def test_whitened_rows_multiply_to_the_inverse_of_the_covariance(case, at):
    noise, columns, rows = case
    scale = float(SCALES[at])
    found = Likelihood(noise, columns).whitened(rows, scale)
    inverse = np.linalg.inv(scale**2 * np.diag(noise**2) + columns @ columns.T)
    assert found @ found.T == pytest.approx(rows @ inverse @ rows.T, rel=1e-6)


def test_columns_of_no_rank_give_a_number():
    same = np.ones((5, 3)) * 1e4
    assert np.isfinite(Likelihood(np.full(5, 1e-3), same).weigh(np.zeros(5)).log_likelihood).all()


def test_the_scale_is_the_one_of_most_weight(case):
    noise, columns, residual = case
    found = Likelihood(noise, columns).weigh(np.array([0.01, 1, 10, 40])[:, np.newaxis] * residual)
    rows = [weights(noise, columns, factor * each) for factor, each in zip((0.01, 1, 10, 40), residual, strict=True)]
    expected = [SCALES[int(row.argmax())] for row in rows]
    assert len(set(expected)) >= 3
    assert found.scale == pytest.approx(expected, rel=1e-9)


def test_one_row_of_residuals_is_one_candidate(case):
    noise, columns, residual = case
    found = Likelihood(noise, columns).weigh(residual[0])
    assert found.log_likelihood == pytest.approx(reference(noise, columns, residual[:1]), rel=1e-9)


@pytest.mark.parametrize("beyond", [-0.5, -6.0])
def test_a_scatter_beyond_what_is_ordinary_has_its_probability_in_equal_parts(case, beyond):
    noise, columns, residual = case
    loud = 20 * residual
    found = Likelihood(noise, columns, most=3.0).loosened(beyond).weigh(loud).log_likelihood
    assert found == pytest.approx(reference(noise, columns, loud, most=3.0, beyond=beyond), rel=1e-9)
    same = Likelihood(noise, columns, most=3.0, beyond=beyond).weigh(loud).log_likelihood
    assert found == pytest.approx(same, rel=1e-12)
    but_one = float(1.01 * SCALES[-2] * np.median(noise))
    found = Likelihood(noise, columns, most=but_one, beyond=beyond).weigh(loud).log_likelihood
    assert found == pytest.approx(reference(noise, columns, loud, most=but_one, beyond=beyond), rel=1e-9)
    nothing = Likelihood(noise, columns).loosened(beyond).weigh(loud).log_likelihood
    assert nothing == pytest.approx(reference(noise, columns, loud), rel=1e-9)  # all scatter is ordinary


@pytest.mark.parametrize("most", [2.0, 4.0, 20.0])
def test_what_was_stated_of_the_scatter_stays_whatever_comes_on_top(case, most):
    noise, columns, residual = case
    stated = {"most": most, "width": 1.7, "beyond": -3.0}
    shape = np.ones((9, 1))
    found = Likelihood(noise, columns, **stated).inexact(1.2, shape, by_visit=0.1).weigh(residual).log_likelihood
    wide = np.sqrt(noise**2 + 0.12**2)
    beside = np.column_stack((columns, 1.2 * shape))
    assert found == pytest.approx(reference(wide, beside, residual, **stated), rel=1e-9)
    # What amplifies the noise lets so much more of it be ordinary, by the median.
    gain, blur = np.array([0.0, 1, 1, 2, 2, 3, 1, 0.5, 1]), np.linspace(0, 1, 9)
    behind = np.full((9, 1), 0.3)
    found = Likelihood(noise, columns, **stated).amplified(gain, blur, behind).weigh(residual).log_likelihood
    wide = np.sqrt((noise * np.maximum(gain, 1)) ** 2 + blur**2)
    beside = np.column_stack((columns * gain[:, np.newaxis], behind))
    found_freed = Likelihood(noise, columns, **stated).freed(behind).weigh(residual).log_likelihood
    assert found_freed == pytest.approx(reference(noise, np.column_stack((columns, behind)), residual, **stated))
    stated["most"] *= np.median(wide) / np.median(noise)
    assert found == pytest.approx(reference(wide, beside, residual, **stated), rel=1e-9)
    loosened = Likelihood(noise, columns, most=most, width=1.7).loosened(-3.0).weigh(residual).log_likelihood
    assert loosened == pytest.approx(reference(noise, columns, residual, most=most, width=1.7, beyond=-3.0), rel=1e-9)


def test_the_sum_of_exponentials_is_that_of_scipy():
    terms = np.array([[-1000.0, -1001.0], [700.0, 710.0], [-np.inf, -np.inf], [0.0, -np.inf]])
    with np.errstate(divide="ignore"):
        for axis in (0, 1):
            assert own_logsumexp(terms, axis=axis) == pytest.approx(logsumexp(terms, axis=axis), rel=1e-14)
        assert own_logsumexp(terms) == pytest.approx(logsumexp(terms, axis=1), rel=1e-14)


def test_a_column_of_nothing_whitens_nothing(case):
    noise, _, rows = case
    found = Likelihood(noise, np.zeros((9, 1))).whitened(rows, 1.0)
    assert found @ found.T == pytest.approx((rows / noise**2) @ rows.T, rel=1e-9)
