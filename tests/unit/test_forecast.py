"""What causes foretell of readings to come, against equations worked out by hand."""

import numpy as np
import pytest
from segments import caused, segment_with

from sequencer.diagnosis.forecast import Ahead, Explanation, Path
from sequencer.diagnosis.model.fit import Fit
from sequencer.diagnosis.model.hypothesis import Hypothesis

AT = np.array([0.0, 0.5, 1.0])


def hypothesis(name, *theta, predicted, fitted=True):
    fit = Fit(
        cause=caused(name), stage=0, theta=np.array(theta), log_evidence=0.0, log_likelihood=0.0, predicted=predicted,
        scale=1.0, misfit=1.0,
    )  # fmt: skip
    return Hypothesis(
        name=name, place="", segment=0, log_odds=0.0, weight=1.0, text="", check="", predicted=predicted,
        fits=(fit,) if fitted else (),
    )  # fmt: skip


def foretold(segment, found, at=AT, dwells=1.0):
    (explanation,) = Explanation.each([found], segment)
    return Ahead(segment, Path.to_each(at, dwells), None).of(explanation).every_other()


def test_a_lag_is_foretold_for_points_that_are_come_to_from_the_ends():
    # A visit of 60 s leaves 5 % of a move: tau = 60 / ln 20 = 20.03 s.
    x = np.full(4, 0.5)
    segment = segment_with(x, x, direction=np.ones(4))
    lag = hypothesis("lag", 60 / np.log(20), 0.5, predicted=x)
    # Half the range from below leaves 0.05 x 0.5 to go; the whole of it 0.05, less what the end itself had left.
    assert foretold(segment, lag).mean == pytest.approx([0.0, 0.475, 0.95, 1.0, 0.525, 0.05], abs=2e-3)
    # Five times as long nothing is left: 0.05 to the fifth.
    assert foretold(segment, lag, dwells=5.0).mean == pytest.approx([0.0, 0.5, 1.0, 1.0, 0.5, 0.0], abs=1e-5)


def test_a_drift_is_as_late_at_every_point_since_each_is_the_next():
    x = np.full(5, 0.5)
    y = x + 0.001 * np.arange(5)  # 0.1 % a minute, 0.4 % in all
    segment = segment_with(y, x, tolerance=0.002, direction=np.ones(5))
    drift = hypothesis("drift", 0.004, 0.0, predicted=y)
    # Two minutes after the last: 0.6 %; after a wait of five, six minutes: 1 %.
    assert foretold(segment, drift).mean - np.concatenate((AT, AT[::-1])) == pytest.approx(0.006, abs=1e-6)
    late = foretold(segment, drift, dwells=5.0).mean
    assert late - np.concatenate((AT, AT[::-1])) == pytest.approx(0.010, abs=1e-6)


def test_what_keeps_no_equation_is_foretold_straight_between_the_places_that_were_read():
    x = np.array([0.0, 0.5, 1.0])
    y = x + np.array([0.0, 0.01, 0.03])
    segment = segment_with(y, x, noise=1e-4)
    found = foretold(segment, hypothesis("bow", predicted=y, fitted=False), at=np.array([0.0, 0.25, 0.5, 1.0]))
    assert found.mean[:4] == pytest.approx([0.0, 0.255, 0.51, 1.03], abs=1e-6)
    # Half of the 1 % that the neighbours differ by; at a place that was read only what a reading scatters by.
    assert found.noise[1] == pytest.approx(0.005, rel=0.01)
    assert found.noise[2] == pytest.approx(1e-4)


def test_how_surely_a_size_is_known_widens_what_it_foretells_far_from_what_was_read():
    x = np.full(4, 0.1)
    segment = segment_with(1.02 * x, x, tolerance=1e-6, noise=1e-4, direction=np.ones(4))
    gain = foretold(segment, hypothesis("span error", 0.02, predicted=1.02 * x))
    # Four readings of 1e-4 at a tenth of the range: 5e-5 there, ten times that at the end.
    assert gain.sd[2] == pytest.approx(np.hypot(5e-4, 1e-4), rel=0.02)
