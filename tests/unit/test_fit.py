"""Sizes and evidence of a cause against least squares and against the integral over its sizes, done by scipy."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal
from segments import UP_DOWN, caused, segment_with

from sequencer.diagnosis.model.fit import Screening, again, amplified, beside, exactly, fit
from sequencer.diagnosis.model.healthy_model import healthy
from sequencer.diagnosis.model.likelihood import Likelihood

T, NOISE = 0.002, 2e-4
WAY = np.where(np.arange(UP_DOWN.size) < 11, 1.0, -1.0)
ARCH = 4 * UP_DOWN * (1 - UP_DOWN)
ERRORS = np.random.default_rng(3).normal(0, NOISE, UP_DOWN.size)


def plain(segment):
    """Independent visits with one known scatter: no imperfection, next to no doubt of the scale."""
    return Likelihood(segment.noise, np.zeros((segment.noise.size, 1)), most=0.0, width=1e-3)


@pytest.mark.parametrize(
    ("name", "y", "shape"),
    [
        ("zero shift", UP_DOWN + 0.01, np.ones(UP_DOWN.size)),
        ("span error", UP_DOWN * 0.988, UP_DOWN),
        ("hysteresis", UP_DOWN - WAY * 0.03 * UP_DOWN * (1 - UP_DOWN), -WAY * 2 * UP_DOWN * (1 - UP_DOWN)),
    ],
)
def test_the_best_size_is_that_of_least_squares(name, y, shape):
    segment = segment_with(y + ERRORS, tolerance=T, noise=NOISE)
    found = fit(caused(name), segment, 0, plain(segment))
    (size,), *_ = np.linalg.lstsq(shape[:, np.newaxis], segment.y - UP_DOWN, rcond=None)
    # The prior, alike in each octave, draws it towards 0 by less than a tenth of its deviation.
    assert found.theta[0] == pytest.approx(size, abs=0.1 * NOISE / np.sqrt((shape**2).sum()))
    assert found.predicted == pytest.approx(UP_DOWN + found.theta[0] * shape)


def test_an_arch_that_leans_has_the_sizes_of_least_squares():
    segment = segment_with(UP_DOWN + 0.03 * ARCH * (1 + 0.3 * (2 * UP_DOWN - 1)) + ERRORS, tolerance=T, noise=NOISE)
    found = fit(caused("bow"), segment, 0, plain(segment))
    (size, leaning), *_ = np.linalg.lstsq(
        np.stack((ARCH, ARCH * (2 * UP_DOWN - 1)), axis=1), segment.y - UP_DOWN, rcond=None
    )
    assert found.theta == pytest.approx([size, leaning / size], rel=5e-3)


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


ROUGHLY = [
    # What it strays by: an arch of 0.2 % of span, a tolerance. A slope strays by 3 % of its largest effect three times
    # in twenty, and by 10 % one time in ten, but there by half a tolerance at most.
    ("span error", -0.1 * UP_DOWN, 0.002 * ARCH, [(0.03, np.inf, 0.15), (0.1, 0.5, 0.1)]),
    # Of a curve that stands for many shapes three in ten, and three in twenty, and by as much as it comes to.
    ("bow", 0.1 * ARCH, 0.004 * np.sin(3 * np.pi * UP_DOWN), [(0.03, np.inf, 0.3), (0.1, np.inf, 0.15)]),
]


@pytest.mark.parametrize(("name", "effect", "strayed", "ways"), ROUGHLY, ids=[each[0] for each in ROUGHLY])
def test_an_equation_that_holds_in_the_main_is_summed_over_how_roughly(name, effect, strayed, ways):
    segment = segment_with(UP_DOWN + effect + strayed + ERRORS / 4, tolerance=T, noise=NOISE / 4)
    likelihood = healthy(segment)
    whole = exactly(caused(name), segment, 0, likelihood)
    # Squared exponential over three tenths of the range, the ways apart as much as alike.
    gap = UP_DOWN[:, np.newaxis] - UP_DOWN
    values, vectors = np.linalg.eigh(np.exp(-(gap**2) / (2 * 0.3**2)) * (1 + np.outer(WAY, WAY)))
    shape = vectors * np.sqrt(np.maximum(values, 0))
    largest = float(np.abs(whole.predicted - UP_DOWN).max())
    found, odds, best = [whole.log_evidence], [1 - sum(odd for *_, odd in ways)], whole
    for share, most, odd in ways:
        loose = again(best, segment, likelihood.inexact(min(share * largest, most * T), shape, by_visit=0.01))
        found.append(loose.log_evidence)
        odds.append(odd)
        best = max(best, loose, key=lambda each: each.log_evidence)
    assert max(found[1:]) > found[0] + 3
    roughly = fit(caused(name), segment, 0, likelihood)
    assert roughly.log_evidence == pytest.approx(np.logaddexp.reduce(np.array(found) + np.log(odds)), abs=0.02)
    # What an exact equation would leave stays known.
    assert roughly.misfit == whole.misfit
    assert roughly.scale <= roughly.misfit
    held = fit(caused(name), segment, 0, likelihood, rough=())
    assert held.log_evidence == pytest.approx(whole.log_evidence, abs=0.02)


def test_an_equation_that_leaves_nothing_needs_no_allowance():
    segment = segment_with(UP_DOWN + 0.02 + ERRORS, tolerance=T, noise=NOISE)
    shift, likelihood = caused("zero shift"), healthy(segment)
    whole = exactly(shift, segment, 0, likelihood).log_evidence
    # With one it would cost the odds of an exact equation, ln 0.75; searched from elsewhere it ends a hair beside.
    assert fit(shift, segment, 0, likelihood).log_evidence == pytest.approx(whole, abs=1e-3)


def test_a_size_that_no_reading_tells_takes_no_other_along_to_its_bounds():
    # Flat from 80 %, a reading right at the knee: from a level of 80.4 % on nothing tells how round the knee is.
    segment = segment_with(np.minimum(UP_DOWN, 0.8) + ERRORS / 4, tolerance=T, noise=NOISE / 4)
    found = exactly(caused("loop compliance"), segment, 0, plain(segment), start=np.array([0.804, 2e-4]))
    held = UP_DOWN >= 0.8
    assert found.theta[0] == pytest.approx(segment.y[held].mean(), abs=NOISE)


def test_beside_a_cause_something_else_may_stand_of_any_size():
    # Twice the span and a shift of 10 % before or after it: a column of 1 behind the gain, of 2 before it.
    segment = segment_with(2 * UP_DOWN + 0.1, tolerance=T, noise=NOISE)
    gain = fit(caused("upper range wrong"), segment, 0, plain(segment))
    small = [caused("zero shift").act(np.array([[1e-4]]), segment, 0)]
    freed = beside(gain, segment, plain(segment), small, size=0.15 / 1e-4)
    column = freed.columns[:, -1]
    assert column == pytest.approx(np.full(UP_DOWN.size, 0.15), rel=1e-6)
    before = [replace(small[0], place="sensor")]
    factor = float(gain.theta[0])
    assert beside(gain, segment, plain(segment), before, size=1500.0).columns[:, -1] == pytest.approx(
        np.full(UP_DOWN.size, 0.15 * factor), rel=1e-6
    )


def test_a_true_cause_is_screened_above_one_that_is_not():
    segment = segment_with(UP_DOWN + 0.03 * UP_DOWN * (1 - UP_DOWN) + ERRORS, tolerance=T, noise=NOISE)
    screening = Screening(segment, ())
    posteriors = {
        name: screening.of(caused(name), 0, healthy(segment))
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
    rising, own = UP_DOWN < 0.33, likelihood.columns.shape[1]
    assert wide.noise[rising] == pytest.approx(3 * likelihood.noise[rising], rel=1e-6)
    assert wide.columns[rising, :own] == pytest.approx(3 * likelihood.columns[rising], rel=1e-6)
    # What is held does not answer: only what comes after it, a zero of 8 % of the tolerance, is left.
    stuck = caused("stuck output").act(np.array([[0.4]]), segment, 0)
    held = amplified(segment_with(np.full(UP_DOWN.size, 0.4), tolerance=T), (stuck,), likelihood)
    assert held.columns[:, :own] == pytest.approx(np.zeros_like(likelihood.columns))
    assert held.columns[:, own] == pytest.approx(np.full(UP_DOWN.size, 0.00016))


def test_near_a_root_s_zero_a_good_unit_is_off_by_as_much_at_each_visit_to_a_place():
    x = np.array([0.001, 0.25, 0.5, 0.75, 1, 0.75, 0.5, 0.25, 0.001])
    segment = segment_with(np.sqrt(x), x, tolerance=T)
    likelihood = healthy(segment)
    seen = amplified(segment, (caused("square root applied").act(np.zeros((1, 0)), segment, 0),), likelihood)
    behind, shared = seen.columns[:, likelihood.columns.shape[1] :].T
    assert behind == pytest.approx(np.full(9, 0.00016))
    # A quarter of the tolerance more and less: half of sqrt(0.0015) - sqrt(0.0005) = 0.0387298 - 0.0223607.
    assert shared == pytest.approx(np.where(x == 0.001, 0.0081846, 0), abs=1e-7)
    # Beyond that it counts as twice the usual gain, which is 1.
    own = seen.columns[:, : likelihood.columns.shape[1]]
    assert own[x == 0.001] == pytest.approx(2 * likelihood.columns[x == 0.001])
    assert seen.noise[x == 0.001] == pytest.approx(2 * likelihood.noise[x == 0.001])
