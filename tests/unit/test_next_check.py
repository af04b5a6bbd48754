"""The reading that tells two causes apart, by hand: read at mid-range only, a shift and a gain differ at the ends."""

import numpy as np
import pytest
from segments import caused, segment_with

from sequencer.diagnosis.model.fit import Fit
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.next_check import extra_readings

X = np.full(4, 0.5)
SEGMENT = segment_with(X + 0.01, X, tolerance=0.001, noise=1e-4, direction=np.ones(4))


def hypothesis(name, *theta):
    fit = Fit(
        cause=caused(name), stage=0, theta=np.array(theta), log_evidence=0.0, log_likelihood=0.0, predicted=X, scale=1.0
    )
    return Hypothesis(name=name, place="", segment=0, log_odds=0.0, weight=1.0, text="", check="", fit=fit)


SHIFT, GAIN = hypothesis("zero shift", 0.01), hypothesis("span error", 0.02)  # both 0.51 at mid-range


def test_the_end_where_a_good_unit_is_surest_tells_a_shift_from_a_gain():
    found = extra_readings(SHIFT, GAIN, SEGMENT)
    # 0.01 apart at both ends; at 100 % a span error of a good unit blurs it.
    assert found[0].setpoint_pct == 0.0
    assert found[0].expected == pytest.approx((4.16, 4.0))  # 4 + 0.01 x 16; a gain is right at 0 %
    assert [each.sds for each in found] == sorted((each.sds for each in found), reverse=True)
    for each in found:  # a shift less a gain: 0.01 - 0.02 x
        assert each.expected[0] - each.expected[1] == pytest.approx(16 * (0.01 - 0.02 * each.setpoint_pct / 100))


def test_causes_that_expect_the_same_leave_nothing_to_read():
    assert extra_readings(SHIFT, hypothesis("meter offset", 0.01), SEGMENT) == ()
    assert (
        extra_readings(
            SHIFT, Hypothesis(name="noise", place="", segment=0, log_odds=0.0, weight=1.0, text="", check=""), SEGMENT
        )
        == ()
    )
