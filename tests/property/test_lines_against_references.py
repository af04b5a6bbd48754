"""Lines against numpy.polyfit, statsmodels, and scipy's linregress and linprog, on tables made by hypothesis."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.stats import linregress

from sequencer.evaluation.figures.lines import fit_line, fit_minimax_line

# Levels to 0.001 %, as a meter gives them: ties and exact lines come up often.
LEVELS = st.integers(-5000, 5000).map(lambda count: count / 1000)


@st.composite
def tables(draw, *, least_n=3):
    """Inputs (at least two different, far enough apart to have a slope) and levels of one unit."""
    readings_n = draw(st.integers(least_n, 30))
    x = draw(st.lists(st.integers(0, 1000).map(lambda count: count / 10), min_size=readings_n, max_size=readings_n))
    x[0], x[-1] = 0.0, 100.0
    y = draw(st.lists(LEVELS, min_size=readings_n, max_size=readings_n))
    return np.array(x), np.array(y)


def half_band_by_linprog(x, y):
    ones = np.ones_like(x)
    above, below = np.stack([-ones, -x, -ones], axis=1), np.stack([ones, x, -ones], axis=1)
    found = linprog(
        [0, 0, 1],
        A_ub=np.concatenate([above, below]),
        b_ub=np.concatenate([-y, y]),
        bounds=[(None, None), (None, None), (0, None)],
        method="highs",
    )
    assert found.success
    return found.x[2]


def half_band_by_all_slopes(x, y):
    """The best gain is the slope of one of the pairs of readings: all are tried."""
    i, j = np.triu_indices(len(x), k=1)
    is_slope = x[i] != x[j]
    gains = (y[i] - y[j])[is_slope] / (x[i] - x[j])[is_slope]
    away = y[None, :] - gains[:, None] * x[None, :]
    return (away.max(axis=1) - away.min(axis=1)).min() / 2


# The levels of a table reach 5 %, and 100 % of input is far from 0: an offset carries some 1e-14 of rounding.
@given(tables())
def test_line_is_that_of_polyfit_and_linregress(table):
    x, y = table
    line = fit_line(x, y)
    gain, offset = np.polyfit(x, y, 1)
    assert float(line.gain) == pytest.approx(gain, rel=1e-9, abs=1e-12)
    assert float(line.offset) == pytest.approx(offset, rel=1e-9, abs=1e-11)
    other = linregress(x, y)
    assert float(line.gain) == pytest.approx(other.slope, rel=1e-9, abs=1e-12)
    # Both lose the scatter of an exact line in rounding: some 1e-8 in theirs, by the square root of 1 - r squared.
    # Of a flat line its correlation is not defined, so neither is its uncertainty.
    assert np.ptp(y) == 0 or float(line.u_gain) == pytest.approx(other.stderr, rel=1e-6, abs=1e-8)


@given(tables())
def test_uncertainties_and_covariance_are_those_of_statsmodels(table):
    x, y = table
    line = fit_line(x, y)
    model = sm.OLS(y, sm.add_constant(x)).fit()
    assert [float(line.u_offset), float(line.u_gain)] == pytest.approx(model.bse, rel=1e-8, abs=1e-12)
    assert float(line.cov_offset_gain) == pytest.approx(model.cov_params()[0, 1], rel=1e-8, abs=1e-20)
    assert float(line.residual_sd) == pytest.approx(np.sqrt(model.mse_resid), rel=1e-8, abs=1e-12)
    assert int(line.dof) == model.df_resid
    frame = model.get_prediction(np.array([[1.0, 137.0]])).summary_frame()
    at = line.predict(137.0)
    assert float(at.level) == pytest.approx(frame["mean"].iloc[0], rel=1e-9, abs=1e-11)
    assert float(at.u_line) == pytest.approx(frame["mean_se"].iloc[0], rel=1e-8, abs=1e-12)


@given(tables(), st.data())
def test_weights_are_those_of_statsmodels(table, data):
    x, y = table
    weights = np.array(data.draw(st.lists(st.floats(0.1, 10), min_size=x.size, max_size=x.size)))
    line = fit_line(x, y, weights=weights)
    model = sm.WLS(y, sm.add_constant(x), weights=weights).fit()
    assert [float(line.offset), float(line.gain)] == pytest.approx(model.params, rel=1e-8, abs=1e-10)
    assert [float(line.u_offset), float(line.u_gain)] == pytest.approx(model.bse, rel=1e-8, abs=1e-10)


@settings(deadline=None)
@given(tables())
def test_minimax_band_is_that_of_linprog(table):
    x, y = table
    line = fit_minimax_line(x, y)
    # HiGHS works to 1e-7 in its constraints.
    assert float(line.half_band) == pytest.approx(half_band_by_linprog(x, y), abs=1e-6)


@given(tables())
def test_minimax_band_is_the_narrowest_of_all_slopes(table):
    x, y = table
    line = fit_minimax_line(x, y)
    assert float(line.half_band) == pytest.approx(half_band_by_all_slopes(x, y), rel=1e-11, abs=1e-13)
    away = y - (float(line.offset) + float(line.gain) * x)
    assert away.max() == pytest.approx(float(line.half_band), rel=1e-11, abs=1e-12)
    assert away.min() == pytest.approx(-float(line.half_band), rel=1e-11, abs=1e-12)


@given(st.lists(tables(), min_size=1, max_size=5), st.booleans())
def test_units_do_not_see_each_other_nor_their_missing_readings(units, is_weighted):
    readings_n = max(len(x) for x, _ in units)
    x = np.array([np.append(x, np.full(readings_n - len(x), np.nan)) for x, _ in units])
    y = np.array([np.append(y, np.full(readings_n - len(y), 7.0)) for _, y in units])
    weights = np.ones(y.shape) if is_weighted else None
    together, minimax = fit_line(x, y, weights=weights), fit_minimax_line(x, y)
    for unit, (x_alone, y_alone) in enumerate(units):
        alone = fit_line(x_alone, y_alone)
        assert together.gain[unit] == pytest.approx(float(alone.gain), rel=1e-10, abs=1e-13)
        assert together.u_offset[unit] == pytest.approx(float(alone.u_offset), rel=1e-8, abs=1e-12)
        assert together.points_n[unit] == alone.points_n
        assert minimax.half_band[unit] == float(fit_minimax_line(x_alone, y_alone).half_band)


def test_many_units_at_once_are_the_units_one_by_one():
    # More units than are taken at a time, so that the joints are crossed.
    random = np.random.default_rng(3)
    x, y = np.tile(np.linspace(0, 100, 11), 2), random.normal(size=(2500, 22))
    line, minimax = fit_line(x, y), fit_minimax_line(x, y)
    for unit in (0, 1023, 1024, 2047, 2048, 2499):
        assert line.gain[unit] == pytest.approx(float(fit_line(x, y[unit]).gain), rel=1e-12)
        assert minimax.gain[unit] == float(fit_minimax_line(x, y[unit]).gain)
    half_bands = [half_band_by_all_slopes(x, each) for each in y[:200]]
    assert minimax.half_band[:200] == pytest.approx(half_bands, rel=1e-12)
