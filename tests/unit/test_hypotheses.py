"""What is tried, and how it is weighed: nothing for a good unit, one cause, two causes, something unknown."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal
from segments import ISOLATOR, UP_DOWN, caused, series_with

from sequencer import core
from sequencer.diagnosis.model.chain import weighing
from sequencer.diagnosis.model.healthy_model import imperfections
from sequencer.evaluation.budget import Basis

SHEET = core.load("current-isolator").sheet
T = 0.001
RNG = np.random.default_rng(9)
SCATTER = RNG.normal(0, 5e-5, (UP_DOWN.size, 3))
WAY = np.where(np.arange(UP_DOWN.size) < 11, 1, -1)
ARCH = 4 * UP_DOWN * (1 - UP_DOWN)


def found(error, **given):
    """Hypotheses of the isolator, the likeliest first, by evidence alone."""
    y = (UP_DOWN + error)[:, np.newaxis] + SCATTER
    weighed = weighing(series_with(y, **given), ISOLATOR, SHEET, Basis())
    return sorted(weighed.hypotheses, key=lambda each: -each.log_odds), weighed


def test_errors_of_less_than_half_a_tolerance_are_asked_nothing():
    # Not even for something unknown: readings bear on it, and show nothing.
    ranked, _ = found(0.2 * T * np.ones(UP_DOWN.size))
    assert ranked == []


def test_errors_of_a_good_unit_make_no_cause_likely():
    ranked, _ = found(0.45 * T * np.ones(UP_DOWN.size))
    # A zero error of 0.45 tolerances is 1.8 deviations of a good one: exp(1.8^2 / 2) = 5 to 1 at the very most.
    assert ranked[0].log_odds < 1.8**2 / 2


@pytest.mark.parametrize(
    ("error", "names", "size"),
    [
        (10 * T * np.ones(UP_DOWN.size), {"zero shift", "meter offset"}, 10 * T),
        (-8 * T * UP_DOWN, {"span error"}, -8 * T),
        (6 * T * ARCH, {"bow"}, 6 * T),
        (-4 * T * WAY * ARCH / 2, {"hysteresis"}, 4 * T),  # down above up
    ],
)
def test_one_cause_is_the_likeliest_with_its_size(error, names, size):
    ranked, _ = found(error)
    assert ranked[0].name in names
    assert ranked[0].fit.theta[0] == pytest.approx(size, abs=0.3 * T)
    assert ranked[0].effect == pytest.approx(np.abs(error).max() / T, abs=0.5)


def test_odds_are_over_a_good_unit_by_scipy():
    ranked, weighed = found(10 * T * np.ones(UP_DOWN.size))
    segment = weighed.segments[-1]
    good = imperfections(segment)
    off = segment.y - segment.ideal

    def log_density(residual, scale):
        covariance = scale**2 * np.diag(segment.noise**2) + good @ good.T
        return multivariate_normal(np.zeros(residual.size), covariance).logpdf(residual)

    # Scatter of a visit up to a third of the tolerance is ordinary.
    scales = np.geomspace(0.2, T / 3 / np.median(segment.noise), 60)
    healthy = max(log_density(off, each) for each in scales)
    shift = max(log_density(off - 10 * T, each) for each in scales)
    # Best against best; one size and the sum over scales cost some nats.
    assert ranked[0].log_odds == pytest.approx(shift - healthy, rel=0.1)


def test_what_no_cause_explains_is_unknown():
    zigzag = 30 * T * np.sin(37 * np.arange(UP_DOWN.size) ** 2)
    ranked, _ = found(zigzag[np.r_[0:11, 9:-1:-1]])  # comes again on the way down
    assert ranked[0].name == "unknown"


def test_two_causes_at_once_are_joined_with_the_weight_of_both_and_of_a_pair():
    ranked, _ = found(8 * T * ARCH - 6 * T * WAY * ARCH / 2)
    both = next(each for each in ranked if each.name == "bow + hysteresis")
    assert both is ranked[0]
    assert both.weight == pytest.approx(0.02 * caused("bow").weight * caused("hysteresis").weight)
    assert both.parameters_n == 3  # an arch may lean
    assert both.predicted - UP_DOWN == pytest.approx(8 * T * ARCH - 6 * T * WAY * ARCH / 2, abs=0.5 * T)
