"""Measured error and inaccuracy."""

import numpy as np
import pytest

from sequencer.evaluation.figures.accuracy import inaccuracy, measured_error

NAN = float("nan")
X_PCT = np.array([0.0, 50.0, 100.0])


def test_measured_error_averages_each_direction_and_inaccuracy_does_not():
    cycles = [[[0.0, 0.3, 0.0], [0.0, -0.2, 0.0]], [[0.0, -0.1, 0.0], [0.0, -0.4, 0.1]]]
    systematic, single = measured_error(np.array([cycles]), X_PCT), inaccuracy(np.array([cycles]), X_PCT)
    assert systematic.error_pct[0] == pytest.approx(-0.3)
    assert (systematic.at_pct[0], systematic.direction[0]) == (50, 1)
    assert [single.highest_pct[0], single.lowest_pct[0]] == [0.3, -0.4]
    assert [single.highest_at_pct[0], single.lowest_at_pct[0]] == [50, 50]


def test_errors_of_one_sign_keep_it():
    single = inaccuracy(np.array([[[[0.1, 0.2, 0.3], [NAN, NAN, NAN]]]]), X_PCT)
    assert [single.highest_pct[0], single.lowest_pct[0]] == [0.3, 0.1]


def test_nothing_read_is_said():
    nothing = np.full((1, 2, 2, 3), NAN)
    systematic, single = measured_error(nothing, X_PCT), inaccuracy(nothing, X_PCT)
    assert np.isnan(
        [systematic.error_pct[0], systematic.at_pct[0], single.highest_pct[0], single.lowest_at_pct[0]]
    ).all()
    assert (systematic.direction[0], systematic.reason(0), single.reason(0)) == (-1, "nothing read", "nothing read")


def test_the_place_is_the_measured_input():
    measured_pct = np.array([[[[0.0, 49.0, 100.0], [0.0, 51.0, 100.0]], [[0.0, 49.4, 100.0], [0.0, 51.0, 100.0]]]])
    error_pct = np.array([[[[0.0, 1.0, 0.0], [0.0, 0.0, 0.0]], [[0.0, 1.5, 0.0], [0.0, 0.0, 0.0]]]])
    assert measured_error(error_pct, measured_pct).at_pct[0] == pytest.approx(49.2)
    assert inaccuracy(error_pct, measured_pct).highest_at_pct[0] == 49.4
