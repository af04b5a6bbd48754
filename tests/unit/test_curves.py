"""Readings as arrays, the average curve and the largest value."""

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.curves import average_curve, end_reason, largest, readings

NAN = float("nan")


def unit(up, down):
    """One unit, one cycle."""
    return np.array([[[up, down]]])


@pytest.mark.parametrize(
    ("up", "down", "expected"),
    [
        pytest.param([0.0, 1.0, 2.0], [1.0, 2.0, 3.0], [0.5, 1.5, 2.5], id="both directions"),
        pytest.param([NAN, 1.0, 2.0], [1.0, 2.0, NAN], [1.0, 1.5, 2.0], id="ends reached from one side"),
        pytest.param([0.0, 1.0, 2.0], [NAN, NAN, NAN], [0.0, 1.0, 2.0], id="upscale only"),
        pytest.param([0.0, 1.0, 2.0], [1.0, NAN, 3.0], [0.5, NAN, 2.5], id="one direction missing between the ends"),
        pytest.param([NAN, NAN, NAN], [NAN, NAN, NAN], [NAN, NAN, NAN], id="nothing read"),
        pytest.param([4.0], [6.0], [5.0], id="single point"),
    ],
)
def test_average_curve(up, down, expected):
    assert average_curve(unit(up, down))[0].tolist() == pytest.approx(expected, nan_ok=True)


def test_average_curve_is_not_the_mean_of_all_readings():
    level = np.array([[[[0.0], [1.0]], [[0.0], [NAN]], [[0.0], [NAN]]]])
    assert average_curve(level)[0, 0] == 0.5


def test_of_equal_magnitudes_the_first_is_taken_even_if_rounding_sets_them_apart():
    found = largest(np.array([[0.1, 0.3, -(0.1 + 0.2)], [NAN, NAN, NAN]]))
    assert found.level.tolist() == pytest.approx([0.3, NAN], nan_ok=True)
    assert found.index.tolist() == [1, 0]


def test_a_reading_without_its_input_is_not_read():
    error, x = readings(unit([1.0, 2.0], [3.0, NAN]), np.array([NAN, 100.0]))
    assert np.isnan(error).tolist() == [[[[True, False], [True, True]]]] == np.isnan(x).tolist()


@pytest.mark.parametrize(
    ("error_pct", "x_pct", "message"),
    [
        pytest.param(
            np.zeros((2, 11)), np.zeros(11), r"error_pct: errors have the shape \(2, 11\)(.*\n)+  do:", id="axes"
        ),
        pytest.param(
            np.zeros((1, 3, 3, 11)), np.zeros(11), r"allowed: \(units, cycles, 2, points\)", id="3 directions"
        ),
        pytest.param(np.zeros((1, 0, 2, 11)), np.zeros(11), "at least one cycle", id="no cycle"),
        pytest.param(
            np.zeros((1, 3, 2, 11)), np.zeros(5), r"x_pct: inputs have the shape \(5,\)(.*\n)+  do:", id="inputs"
        ),
        pytest.param(
            np.full((1, 3, 2, 1), np.inf), np.zeros(1), "error_pct: a value is infinite.*\n  do:", id="infinite"
        ),
        pytest.param(np.zeros((1, 3, 2, 1)), np.full(1, np.inf), "x_pct: a value is infinite", id="infinite input"),
    ],
)
def test_arrays_that_are_no_readings_are_refused(error_pct, x_pct, message):
    with pytest.raises(ReadingsError, match=message):
        readings(error_pct, x_pct)


@pytest.mark.parametrize(
    ("end_pct", "expected"),
    [
        ([0.02, 99.97], ""),
        ([NAN, 100.0], "no reading at the lower end"),
        ([0.0, NAN], "no reading at the upper end"),
        ([2.0, 100.0], "lower end at 2 % of input span, 0 % needed, within 1 %"),
        ([0.0, 90.0], "upper end at 90 % of input span, 100 % needed, within 1 %"),
    ],
)
def test_reason_for_missing_ends(end_pct, expected):
    assert end_reason(np.array(end_pct), within_pct=1.0) == expected
