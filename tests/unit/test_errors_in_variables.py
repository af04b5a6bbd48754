"""Lines with known uncertainties where readings are few, missing or alike."""

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.errors_in_variables import fit_line_with_uncertainties

NAN = float("nan")
X = np.array([0.0, 25.0, 50.0, 75.0, 100.0])


def test_pearson_s_data_with_york_s_weights():
    # From memory: York 1966, 2004: offset 5.47991022, gain -0.480533407, chi-squared 11.866353, u 0.29497 and 0.057985.
    x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    weight_x = np.array([1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0])
    weight_y = np.array([1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0])
    line = fit_line_with_uncertainties(x, y, u_x=weight_x**-0.5, u_y=weight_y**-0.5)
    assert float(line.offset) == pytest.approx(5.47991022, abs=0.5e-8)
    assert float(line.gain) == pytest.approx(-0.480533407, abs=0.5e-9)
    assert float(line.chi_squared) == pytest.approx(11.866353, abs=0.5e-6)
    assert float(line.u_offset) == pytest.approx(0.29497, abs=0.5e-5)
    assert float(line.u_gain) == pytest.approx(0.057985, abs=0.5e-6)


def test_sentences():
    noise = np.array([0.1, -0.1, 0.0, 0.1, -0.1])
    line = fit_line_with_uncertainties(X, [X + noise, X + 10 * noise, X, [0, NAN, NAN, NAN, 100.0]], u_y=0.1, u_x=0.1)
    assert line.test(0).startswith("The readings lie on the line within their uncertainties (chi-squared 1.")
    assert line.test(1).startswith("The readings lie farther off the line than their uncertainties allow (chi-squared")
    # A perfect fit is no wonder and no fault.
    assert (float(line.chi_squared[2]), float(line.p_value[2])) == (pytest.approx(0.0, abs=1e-20), pytest.approx(1.0))
    assert line.test(3) == "The line cannot be tested: two readings only, 3 needed to test the line."
    assert line.u_gain[3] == pytest.approx(0.1 * 2 / 100, rel=1e-12)


def test_chance_of_a_chi_squared_is_that_of_the_printed_table():
    # A wave no line takes up, 70 c^2 of squares; 7.815 for 3 degrees of freedom is 5 % (common table, from memory).
    wave = np.array([1.0, -4.0, 6.0, -4.0, 1.0]) * np.sqrt(7.815 / 70)
    line = fit_line_with_uncertainties(X, [X + wave, [0, NAN, NAN, NAN, 100.0]], u_y=1.0)
    assert float(line.chi_squared[0]) == pytest.approx(7.815, rel=1e-12)
    assert float(line.p_value[0]) == pytest.approx(0.05, abs=2e-5)
    assert np.isnan(line.p_value[1])  # no degree of freedom is no chance of 1


@pytest.mark.parametrize(
    ("x", "y", "u_y", "reason"),
    [
        pytest.param([50.0], [1.0], 0.1, "fewer than two readings with an uncertainty", id="single point"),
        pytest.param([1.0, 1.0], [1.0, 2.0], 0.1, "fewer than two different inputs read", id="equal setpoints"),
        pytest.param([0.0, 1.0, 2.0], [0.0, 1.0, 2.0], [0.1, NAN, 0.1], "a reading without its uncertainty", id="no u"),
        pytest.param([NAN, NAN], [1.0, 2.0], 0.1, "fewer than two readings", id="no input read"),
    ],
)
def test_what_is_not_determinable_is_nan_and_says_why(x, y, u_y, reason):
    line = fit_line_with_uncertainties(x, [y], u_y=u_y, u_x=0.1)
    figures = [line.offset, line.gain, line.u_offset, line.u_gain, line.cov_offset_gain, line.chi_squared, line.p_value]
    assert np.isnan(figures).all()
    assert reason in line.reason(0)
    assert np.isnan([line.predict(1.0).level, line.predict(1.0).u]).all()


def test_readings_that_scatter_as_widely_as_they_spread_give_no_line_and_say_so():
    x, y = [-0.0089, 1.6463, -1.9101, 1.7902], [-0.5048, 1.4052, 1.5099, 0.9459]
    line = fit_line_with_uncertainties(x, [y, x], u_x=2.0, u_y=1.0)
    assert line.is_converged.tolist() == [False, True]
    assert np.isnan([line.gain[0], line.offset[0], line.u_gain[0], line.p_value[0]]).all()
    assert line.test(0).endswith("uncertainties too large against the readings for a line to settle.")
    assert line.gain[1] == pytest.approx(1.0, rel=1e-12)


def test_a_missing_reading_changes_nothing_but_its_count():
    y = np.append(2 * X + [0.1, 0, -0.2, 0.1, 0], NAN)
    whole = fit_line_with_uncertainties(X, y[:-1], u_y=0.2, u_x=0.1)
    part = fit_line_with_uncertainties(np.append(X, 110.0), y, u_y=[*[0.2] * 5, NAN], u_x=0.1)
    assert float(part.gain) == pytest.approx(float(whole.gain), rel=1e-14)
    assert int(part.points_n) == 5


def test_a_level_line_settles():
    line = fit_line_with_uncertainties(X, [[0.1] * 5, [0.0] * 5, [1e6] * 5], u_y=0.1, u_x=0.1)
    assert line.is_converged.all()
    assert line.gain == pytest.approx([0.0] * 3, abs=1e-12)


def test_prediction_and_its_uncertainty():
    line = fit_line_with_uncertainties(X, 4 + 0.16 * X, u_y=0.01, u_x=0.05)
    at = line.predict(30.0, u_x=0.05)
    assert float(at.level) == pytest.approx(8.8, rel=1e-13)
    # The input's own 0.05, seen through the gain: 0.008.
    assert float(at.u) == pytest.approx(float(np.hypot(line.predict(30.0).u, 0.008)), rel=1e-12)
    by_covariance = line.u_offset**2 + 900 * line.u_gain**2 + 60 * line.cov_offset_gain
    assert float(line.predict(30.0).u) == pytest.approx(float(np.sqrt(by_covariance)), rel=1e-10)


def test_axes_can_be_exchanged():
    y = 4 + 0.16 * X + [0.02, -0.01, 0.0, 0.03, -0.02]
    one = fit_line_with_uncertainties(X, y, u_y=0.02, u_x=0.1, cov_xy=0.0005)
    other = fit_line_with_uncertainties(y, X, u_y=0.1, u_x=0.02, cov_xy=0.0005)
    assert float(other.gain) == pytest.approx(1 / float(one.gain), rel=1e-12)
    assert float(other.chi_squared) == pytest.approx(float(one.chi_squared), rel=1e-10)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"u_y": -0.1}, "line: an uncertainty is negative.*\n.*\n  do: give the uncertainty of meter"),
        ({"u_y": 0.0}, "or a reading has none in either axis"),
        ({"u_y": [0.1, 0.1]}, r"line: inputs, readings and uncertainties have the shapes.*\n.*\n  do: give each"),
        ({"u_y": 0.1, "u_x": 0.1, "cov_xy": 0.02}, "a covariance is larger than.*\n.*\n  do: correct"),
    ],
)
def test_what_cannot_be_is_refused(arguments, message):
    with pytest.raises(ReadingsError, match=message):
        fit_line_with_uncertainties(X, X, **arguments)
