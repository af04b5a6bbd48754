"""Lines where readings are few, missing or alike."""

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.lines import fit_line, fit_minimax_line

NAN = float("nan")


@pytest.mark.parametrize(
    ("x", "y"),
    [
        pytest.param([50.0], [1.0], id="single point"),
        pytest.param([0.1, 0.1, 0.1], [1.0, 2.0, 3.0], id="equal inputs whose mean is not exact"),
        pytest.param([0.0, 100.0], [1.0, NAN], id="one of two read"),
        pytest.param([NAN, NAN], [1.0, 2.0], id="no input read"),
        pytest.param([0.0, 100.0], [NAN, NAN], id="nothing read"),
    ],
)
def test_no_line_without_two_different_inputs(x, y):
    line, minimax = fit_line(np.array(x), np.array(y)), fit_minimax_line(np.array(x), np.array(y))
    assert np.isnan([line.offset, line.gain, line.u_gain, minimax.offset, minimax.gain, minimax.half_band]).all()
    assert line.dof == max(int(line.points_n) - 2, 0)


def test_two_readings_give_a_line_without_uncertainty():
    line = fit_line(np.array([0.0, 100.0]), np.array([1.0, 3.0]))
    assert [float(line.offset), float(line.gain), int(line.dof)] == [1.0, 0.02, 0]
    assert np.isnan([line.u_offset, line.u_gain, line.cov_offset_gain, line.residual_sd]).all()
    assert np.isnan([line.predict(50.0).u_line, line.predict(50.0).u_single]).all()
    assert float(line.predict(50.0).level) == 2.0


def test_reason_tells_what_is_missing():
    line = fit_line(np.array([0.0, 50.0, 100.0]), np.array([[1.0, NAN, NAN], [1.0, NAN, 2.0], [1.0, 2.0, 2.0]]))
    assert [line.reason(unit) for unit in range(3)] == [
        "fewer than two different inputs read",
        "two readings only, 3 needed for an uncertainty",
        "",
    ]


def test_prediction_takes_an_input_for_each_unit():
    line = fit_line(np.array([0.0, 50.0, 100.0]), np.array([[0.0, 1.0, 2.0], [1.0, 1.0, 1.0]]))
    assert line.predict(np.array([50.0, 100.0])).level == pytest.approx([1.0, 1.0], abs=1e-15)
    assert line.predict(0.0).u_single.shape == (2,)


def test_more_axes_before_the_readings_stay():
    y = np.arange(24.0).reshape(2, 3, 4)
    assert fit_line(np.arange(4.0), y).gain == pytest.approx(np.ones((2, 3)))
    assert fit_minimax_line(np.arange(4.0), y).half_band.shape == (2, 3)
    assert fit_line(np.arange(4.0), y[:0]).gain.shape == (0, 3)


def test_a_weight_of_nil_leaves_a_reading_out():
    x, y = np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.0, 1.0, 2.0, 99.0])
    line = fit_line(x, y, weights=np.array([1.0, 1.0, 1.0, 0.0]))
    assert [float(line.gain), int(line.points_n)] == [1.0, 3]


def test_minimax_line_lies_in_the_middle_of_the_band_of_three_points():
    # By hand: the band of (0, 0), (50, 1), (100, 0) is level and 1 wide.
    line = fit_minimax_line(np.array([0.0, 50.0, 100.0]), np.array([0.0, 1.0, 0.0]))
    assert [float(line.offset), float(line.gain), float(line.half_band)] == [0.5, 0.0, 0.5]


def test_minimax_of_repeated_inputs_is_half_their_largest_spread_at_least():
    line = fit_minimax_line(np.array([0.0, 0.0, 100.0]), np.array([0.0, 1.0, 5.0]))
    assert float(line.half_band) == 0.5


@pytest.mark.parametrize(
    ("x", "y", "weights", "message"),
    [
        pytest.param([1.0, 2.0], [1.0], None, r"line: inputs have the shape \(2,\).*\n.*\n  do: give each", id="shape"),
        pytest.param([1.0], [[1.0, 2.0]], None, "inputs have the shape", id="one input for two readings"),
        pytest.param([], [], None, "at least one reading", id="no reading"),
        pytest.param([1.0, 2.0], [1.0, 2.0], [1.0, -1.0], "line: a weight is negative.*\n  do: give 1", id="negative"),
        pytest.param([1.0, 2.0], [1.0, 2.0], [1.0] * 3, r"line: weights have the shape \(3,\)", id="weights' shape"),
    ],
)
def test_arrays_that_do_not_fit_are_refused(x, y, weights, message):
    weights = None if weights is None else np.array(weights)
    with pytest.raises(ReadingsError, match=message):
        fit_line(np.array(x), np.array(y), weights=weights)
