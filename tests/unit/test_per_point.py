"""Mean, standard deviation and count where readings are few or missing."""

import numpy as np
import pytest

from sequencer.evaluation.figures.per_point import mean, per_point

NAN = float("nan")


@pytest.mark.parametrize(
    ("level", "expected"),
    [
        pytest.param([NAN, NAN], (NAN, NAN, 0), id="nothing read"),
        pytest.param([NAN, 4.0], (4.0, NAN, 1), id="one reading has no deviation"),
        pytest.param([1.0, NAN, 3.0], (2.0, 2.0**0.5, 2), id="two of three"),
        pytest.param([0.1, 0.1, 0.1], (0.1, 0.0, 3), id="equal readings deviate by exactly nil"),
        pytest.param([], (NAN, NAN, 0), id="no readings at all"),
    ],
)
def test_mean_deviation_and_count(level, expected):
    found = per_point(np.array(level), axis=0)
    assert (float(found.mean), float(found.sd), int(found.readings_n)) == pytest.approx(
        expected, rel=1e-15, nan_ok=True
    )


def test_any_axis_can_be_taken_together():
    level = np.arange(24.0).reshape(2, 3, 4)
    for axis in range(3):
        found = per_point(level, axis=axis)
        assert found.mean == pytest.approx(level.mean(axis=axis))
        assert found.sd == pytest.approx(level.std(axis=axis, ddof=1))
        assert mean(level, axis=axis) == pytest.approx(level.mean(axis=axis))


def test_the_scatter_of_a_distant_level_keeps_its_digits():
    level = 1e9 + np.array([0.25, 0.5, 0.75])
    assert float(per_point(level, axis=0).sd) == 0.25
