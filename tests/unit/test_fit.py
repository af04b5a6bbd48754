"""Sizes and evidence of a cause against least squares and against the integral over its sizes, done by scipy."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal
from segments import UP_DOWN, caused, segment_with

from sequencer.diagnosis.model.fit import _Search, amplified, fit, screened
from sequencer.diagnosis.model.healthy_model import healthy
from sequencer.diagnosis.model.likelihood import Likelihood

T, NOISE = 0.002, 2e-4
ERRORS = np.random.default_rng(3).normal(0, NOISE, UP_DOWN.size)


def plain(segment):
    """Independent visits with one known scatter: no imperfection, next to no doubt of the scale."""
    return Likelihood(segment.noise, np.zeros((segment.noise.size, 1)), most=0.0, width=1e-3)


@pytest.mark.parametrize(
    ("name", "y", "shape"),
    [
        ("zero shift", UP_DOWN + 0.01, np.ones(UP_DOWN.size)),
        ("span error", UP_DOWN * 0.988, UP_DOWN),
        ("bow", UP_DOWN + 0.03 * UP_DOWN * (1 - UP_DOWN), 4 * UP_DOWN * (1 - UP_DOWN)),
    ],
)
def test_the_best_size_is_that_of_least_squares(name, y, shape):
    segment = segment_with(y + ERRORS, tolerance=T, noise=NOISE)
    found = fit(caused(name), segment, 0, plain(segment))
    (size,), *_ = np.linalg.lstsq(shape[:, np.newaxis], segment.y - UP_DOWN, rcond=None)
    # The prior, alike in each octave, draws it towards 0 by less than a tenth of its deviation.
    assert found.theta[0] == pytest.approx(size, abs=0.1 * NOISE / np.sqrt((shape**2).sum()))
    assert found.predicted == pytest.approx(UP_DOWN + found.theta[0] * shape)


@pytest.mark.parametrize(
    ("name", "true", "shape", "most"), [("zero shift", 0.008, 1.0, 0.6), ("span error", -0.02, UP_DOWN, 0.15)]
)
def test_the_evidence_is_the_integral_over_all_sizes(name, true, shape, most):
    segment = segment_with(UP_DOWN + true * shape + ERRORS, tolerance=T, noise=NOISE)
    likelihood = plain(segment)
    scale = float(likelihood.weigh(np.zeros(UP_DOWN.size)).scale[0])  # the one scale that is left
    off, normal = segment.y - UP_DOWN, multivariate_normal(np.zeros(UP_DOWN.size), (scale * NOISE) ** 2)
    peak = normal.logpdf(off - true * shape)
    # Alike in each octave of its size from 0.4 tolerances to the most, and of either sign.
    prior = 1 / (abs(true) * 2 * np.log(most / (0.4 * T)))
    area, _ = quad(
        lambda size: np.exp(normal.logpdf(off - size * shape) - peak) * abs(true / size),
        true - 0.002,
        true + 0.002,
        points=[true],
    )
    found = fit(caused(name), segment, 0, likelihood)
    assert found.log_evidence == pytest.approx(peak + np.log(prior * area), abs=0.05)


def test_what_stays_within_the_tolerance_costs_the_tenth_power_of_how_far():
    small, large = (segment_with(UP_DOWN + size + ERRORS, tolerance=T, noise=NOISE) for size in (0.0009, 0.0018))
    costs = []
    for segment in (small, large):
        found = fit(caused("zero shift"), segment, 0, plain(segment))
        off = segment.y - UP_DOWN
        costs.append(found.log_evidence - plain(segment).weigh(off - off.mean()).log_likelihood[0])
    # 0.0009 is 0.75 of 0.6 x 0.002; twice as large a size is half as dense, by octaves.
    assert costs[0] - costs[1] == pytest.approx(10 * np.log(0.75) + np.log(2), abs=0.6)


def test_an_equation_that_holds_in_the_main_is_one_in_ten():
    # A bow of 10 % that leans by 3 % of itself: fifteen deviations of a reading.
    bow = 0.1 * 4 * UP_DOWN * (1 - UP_DOWN)
    segment = segment_with(UP_DOWN + bow * (1 + 0.03 * (2 * UP_DOWN - 1)) + ERRORS, tolerance=T, noise=NOISE)
    likelihood = healthy(segment)
    search = _Search(caused("bow"), segment, 0, ())
    exact = search.best(likelihood, search.sizes.start)
    effect, y = exact.predicted - UP_DOWN, 2 * UP_DOWN - 1
    ways = np.stack(
        (np.ones_like(y), y, 1.5 * y**2 - 0.5, segment.series.direction), axis=1
    )  # Legendre's, and up to down
    loose = search.again(exact, likelihood.inexact(effect, ways, share=0.03), -np.inf)
    assert loose.log_evidence > exact.log_evidence + 5
    found = fit(caused("bow"), segment, 0, likelihood)
    expected = np.logaddexp(exact.log_evidence + np.log(0.9), loose.log_evidence + np.log(0.1))
    assert found.log_evidence == pytest.approx(expected, abs=1e-6)


def test_a_true_cause_is_screened_above_one_that_is_not():
    segment = segment_with(UP_DOWN + 0.03 * UP_DOWN * (1 - UP_DOWN) + ERRORS, tolerance=T, noise=NOISE)
    posteriors = {
        name: screened(caused(name), segment, 0, healthy(segment), ())
        for name in ("bow", "zero shift", "s shape", "stuck output")
    }
    assert max(posteriors, key=posteriors.get) == "bow"
    assert posteriors["stuck output"] < posteriors["zero shift"] - 100  # it would stand at one level


def test_a_gain_of_three_scales_what_comes_before_it_and_a_gain_of_one_changes_nothing():
    segment = segment_with(UP_DOWN, tolerance=T)
    likelihood = healthy(segment)
    assert amplified(segment, (), likelihood) is None
    act = caused("upper range wrong").act(np.array([[3.0]]), segment, 0)
    wide = amplified(segment_with(np.clip(3 * UP_DOWN, 0, 1.5), tolerance=T), (act,), likelihood)
    rising = UP_DOWN < 0.35
    assert wide.noise[rising] == pytest.approx(3 * likelihood.noise[rising], rel=1e-6)
    assert wide.columns[rising, :-1] == pytest.approx(3 * likelihood.columns[rising], rel=1e-6)
    # What is held does not answer: only what comes after it, a zero of 8 % of the tolerance, is left.
    stuck = caused("stuck output").act(np.array([[0.4]]), segment, 0)
    held = amplified(segment_with(np.full(UP_DOWN.size, 0.4), tolerance=T), (stuck,), likelihood)
    assert held.columns[:, :-1] == pytest.approx(np.zeros_like(likelihood.columns))
    assert held.columns[:, -1] == pytest.approx(np.full(UP_DOWN.size, 0.00016))
