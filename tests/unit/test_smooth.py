"""Columns of a smooth error multiply to its covariance: a squared exponential, written down here once more."""

import numpy as np
import pytest
from segments import UP_DOWN

from sequencer.diagnosis.model.smooth import smooth

WAY = np.where(np.arange(UP_DOWN.size) < 11, 1.0, -1.0)


def covariance(frac, way, length, way_share):
    """What two visits have in common: all of it at one place and way, 1 - way_share^2 more or less by the way."""
    return np.array(
        [
            [
                np.exp(-((y - other) ** 2) / (2 * length**2)) * (1 + way_share**2 * side * turned)
                for other, turned in zip(frac, way, strict=True)
            ]
            for y, side in zip(frac, way, strict=True)
        ]
    )


@pytest.mark.parametrize("length", [0.07, 0.15, 0.5])
@pytest.mark.parametrize("way_share", [0.0, 0.5, 1.0])
def test_columns_multiply_to_a_squared_exponential(length, way_share):
    columns = smooth(UP_DOWN, WAY, length=length, way_share=way_share)
    # What is below 1e-7 of the largest variance is left out; that is 22 at most, over 21 visits of 2.
    assert columns @ columns.T == pytest.approx(covariance(UP_DOWN, WAY, length, way_share), abs=1e-5)


def test_two_places_by_hand():
    # exp(-(0.3 / 0.3)^2 / 2) = exp(-1/2) = 0.606 531; up and down 1 + 0.5^2 = 1.25 alike, 0.75 unlike.
    columns = smooth(np.array([0.2, 0.5, 0.5]), np.array([1.0, 1.0, -1.0]), length=0.3, way_share=0.5)
    expected = [[1.25, 0.758163, 0.454898], [0.758163, 1.25, 0.75], [0.454898, 0.75, 1.25]]
    assert columns @ columns.T == pytest.approx(np.array(expected), abs=1e-6)


def test_of_a_thousand_visits_to_a_few_places_there_are_few_columns():
    frac, way = np.tile(UP_DOWN, 50), np.tile(WAY, 50)
    columns = smooth(frac, way, length=0.5, way_share=1.0)
    assert columns.shape[0] == 1050
    assert columns.shape[1] <= 21
    assert np.array_equal(columns[:21], columns[21:42])


def test_far_outside_the_range_a_curve_goes_on_as_it_comes():
    # Held at half a span beyond either end: 1.5 and 40 are one place, 0 is three lengths away.
    columns = smooth(np.array([1.5, 40.0, 0.0]), np.zeros(3), length=0.5, way_share=1.0)
    assert columns[0] == pytest.approx(columns[1])
    assert columns[0] @ columns[2] == pytest.approx(np.exp(-4.5), abs=1e-6)
