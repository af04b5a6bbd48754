"""What stands out of a batch and what all have in common, against drawn batches and numbers worked by hand."""

import math

import numpy as np
import pytest

from sequencer.diagnosis.batch_statistics import common_of, critical, fitted, robust, stands_out


def test_median_and_robust_deviation_of_a_batch_worked_by_hand():
    # Deviations from the median 3 are 2, 1, 0, 1, 97: their median is 1.
    assert robust(np.array([1.0, 2.0, 3.0, 4.0, 100.0])) == (3.0, pytest.approx(1.4826))


@pytest.mark.parametrize("units_n", [6, 8, 12, 16, 24, 64])
def test_one_good_batch_in_a_hundred_has_a_unit_that_stands_out(units_n):
    # Independent: normal batches drawn here. 1 % of 4000 is 40; five standard deviations of a count of 40 are 32.
    random = np.random.default_rng(units_n)
    found_n = sum(bool(stands_out(random.standard_normal(units_n), least=0.0).any()) for _ in range(4000))
    assert 8 <= found_n <= 72


def test_a_unit_that_is_off_stands_out_whatever_half_of_the_others_do():
    random = np.random.default_rng(5)
    batch = random.normal(0.0, 0.01, 16)
    batch[3] = 0.3
    assert np.flatnonzero(stands_out(batch, least=0.02)).tolist() == [3]


def test_what_lies_within_a_tenth_of_the_tolerance_stands_out_for_nobody():
    batch = np.zeros(16)
    batch[3] = 0.019
    assert not stands_out(batch, least=0.02).any()


def test_fewer_than_six_units_have_none_that_stands_out():
    assert math.isinf(critical(5))
    assert not stands_out(np.array([0.0, 0.0, 0.0, 0.0, 9.0]), least=0.0).any()


def test_an_error_of_all_units_is_told_from_the_spread_between_them():
    random = np.random.default_rng(2)
    common = common_of(0.4 + random.normal(0.0, 0.01, 16), tolerance_pct=0.2)
    assert common is not None
    assert common.size_pct == pytest.approx(0.4, abs=0.01)
    assert common.spread_pct == pytest.approx(0.01, rel=0.8)
    assert (common.alike_n, common.of_n) == (16, 16)


@pytest.mark.parametrize(
    "batch",
    [
        np.random.default_rng(3).normal(0.0, 0.05, 16),  # nothing in common
        np.array([0.4] * 8 + [0.0] * 8),  # half of them
        np.full(16, 0.015),  # less than a tenth of the tolerance of 0.2 %
        np.array([math.nan] * 16),
    ],
    ids=["nothing in common", "half of them", "too small to matter", "nothing known"],
)
def test_no_error_is_called_common_that_is_not(batch):
    assert common_of(batch, tolerance_pct=0.2) is None


def test_zero_and_span_of_a_line_come_back():
    x = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    assert fitted(x, 0.1 - 0.3 * x) == (pytest.approx(0.1), pytest.approx(-0.3))
    assert all(map(math.isnan, fitted(x, np.full(5, math.nan))))
