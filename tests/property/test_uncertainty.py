"""Probabilities, budgets, risks and lines against scipy, statsmodels, odrpack and uncertainties, on made-up numbers."""

import math
from itertools import pairwise

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad

from sequencer.evaluation.figures.conformity import Verdict, judge, probability_of_conformity
from sequencer.evaluation.figures.contributions import from_standard
from sequencer.evaluation.figures.errors_in_variables import fit_line_with_uncertainties
from sequencer.evaluation.figures.residuals import independence, lack_of_fit
from sequencer.evaluation.figures.risk import global_risk
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.evaluation.figures.uncertainty import combine
from sequencer.inputs.decision_rules import RULES

# Degrees of freedom of real budgets: whole or not, few or very many.
DOF = st.one_of(st.floats(0.5, 200), st.integers(1, 1000).map(float), st.floats(2, 12).map(lambda power: 10**power))
TAIL = st.floats(-12, -0.35).map(lambda power: 10**power)
LEVEL = st.floats(0.01, 100)


@given(TAIL, DOF)
def test_the_series_of_the_coverage_factor_is_the_quantile_of_scipy(tail, dof):
    probability = 1 - 2 * tail
    # 1 - 2 * tail has lost digits of the tail: the same loss is asked of scipy.
    assert float(coverage_factor(probability, dof)) == pytest.approx(
        -stats.t.ppf((1 - probability) / 2, dof), rel=1e-11
    )


@given(st.lists(st.tuples(LEVEL, st.floats(-5, 5)), min_size=1, max_size=6), st.data())
def test_combined_uncertainty_is_that_of_the_uncertainties_package(rows, data):
    uncertainties = pytest.importorskip("uncertainties")
    angles = data.draw(st.lists(st.floats(0, math.pi), min_size=len(rows), max_size=len(rows)))
    # Cosines of the differences of angles are always a possible correlation matrix.
    matrix = np.cos(np.subtract.outer(angles, angles))
    np.fill_diagonal(matrix, 1.0)
    u = np.array([each for each, _ in rows])
    covariance = matrix * np.outer(u, u)
    values = uncertainties.correlated_values([0.0] * len(rows), covariance)
    total = sum(sensitivity * value for (_, sensitivity), value in zip(rows, values, strict=True))
    budget = combine(
        [from_standard(str(i), each, sensitivity=c) for i, (each, c) in enumerate(rows)], correlations=matrix
    )
    # Where everything cancels, the square root of what rounding left.
    size = float(np.abs(budget.effect).sum())
    assert float(budget.u) == pytest.approx(total.s, rel=1e-9, abs=1e-7 * size)


@given(st.lists(st.tuples(LEVEL, DOF), min_size=1, max_size=6))
def test_welch_satterthwaite_by_its_formula(rows):
    budget = combine([from_standard(str(i), u, dof=dof) for i, (u, dof) in enumerate(rows)], probability=0.95)
    u = math.sqrt(sum(each**2 for each, _ in rows))
    dof = u**4 / sum(each**4 / dof for each, dof in rows)
    assert float(budget.dof) == pytest.approx(dof, rel=1e-12)
    assert float(budget.U) == pytest.approx(u * stats.t.ppf(0.975, dof), rel=1e-11)
    assert budget.share_frac.sum() == pytest.approx(1.0, rel=1e-12)
    assert min(each for _, each in rows) * (1 - 1e-12) <= float(budget.dof)


@given(st.lists(st.tuples(LEVEL, DOF), min_size=1, max_size=6), st.floats(1e-3, 1e3))
def test_scale_the_contributions_and_the_budget_scales(rows, factor):
    one = combine([from_standard(str(i), u, dof=dof) for i, (u, dof) in enumerate(rows)])
    other = combine([from_standard(str(i), u, sensitivity=-factor, dof=dof) for i, (u, dof) in enumerate(rows)])
    assert float(other.U) == pytest.approx(factor * float(one.U), rel=1e-11)
    assert [share.name for share in other.ranked()] == [share.name for share in one.ranked()]


@given(st.floats(-3, 3), st.floats(0.01, 2), DOF)
def test_probability_of_conformity_is_that_of_scipy(value, u, dof):
    found = float(probability_of_conformity(value, u, lower=-1.0, upper=1.0, dof=dof))
    expected = stats.t.cdf((1 - value) / u, dof) - stats.t.cdf((-1 - value) / u, dof)
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-13)


@given(st.sampled_from([name for name, rule in RULES.items() if rule.w_over_U >= 0]), st.floats(0.01, 1), st.data())
def test_a_result_nearer_the_middle_is_never_judged_worse(name, U, data):
    values = sorted(abs(data.draw(st.floats(-2, 2))) for _ in range(5))
    verdict = judge(values, U, rule=RULES[name], lower=-1.0, upper=1.0).verdict
    assert (np.diff(verdict) >= 0).all() or (verdict == Verdict.NOT_DETERMINABLE).all()


@settings(max_examples=50, deadline=None)
@given(
    st.integers(-30, 30).map(lambda count: count / 100),
    st.floats(0.1, 2),
    st.floats(0.02, 1),
    st.integers(-30, 60).map(lambda count: count / 100),
)
def test_global_risk_is_that_of_quad(mean, sd, u, guard_band):
    accept = 1 - guard_band
    found = global_risk(lower=-1.0, upper=1.0, accept_lower=-accept, accept_upper=accept, mean=mean, sd=sd, u=u)

    def accepted(unit):
        return stats.norm.cdf((accept - unit) / u) - stats.norm.cdf((-accept - unit) / u)

    def density(unit):
        return stats.norm.pdf(unit, mean, sd)

    def area(function, low, high):
        points = sorted({low, high, *(each for each in (-accept, accept, mean) if low < each < high)})
        return sum(quad(function, a, b, epsabs=1e-14, epsrel=1e-11, limit=200)[0] for a, b in pairwise(points))

    far = 1 + 10 * max(u, 0.4)
    consumer = area(lambda unit: density(unit) * accepted(unit), 1, far) + area(
        lambda unit: density(unit) * accepted(unit), -far, -1
    )
    producer = area(lambda unit: density(unit) * (1 - accepted(unit)), -1, 1)
    assert float(found.consumer_frac) == pytest.approx(consumer, rel=1e-8, abs=1e-12)
    assert float(found.producer_frac) == pytest.approx(producer, rel=1e-8, abs=1e-12)


@st.composite
def tables(draw):
    readings_n = draw(st.integers(4, 20))
    seed = draw(st.integers(0, 10**6))
    random = np.random.default_rng(seed)
    x = np.linspace(0, 100, readings_n)
    u_x, u_y = random.uniform(0.1, 2.0, readings_n), random.uniform(0.05, 0.5, readings_n)
    gain = draw(st.floats(-2, 2))
    return x + u_x * random.normal(size=readings_n), 4 + gain * x + u_y * random.normal(size=readings_n), u_x, u_y


@given(tables())
def test_without_uncertainty_of_the_input_the_line_is_that_of_weighted_statsmodels(table):
    x, y, _, u_y = table
    line = fit_line_with_uncertainties(x, y, u_y=u_y)
    model = sm.WLS(y, sm.add_constant(x), weights=u_y**-2.0).fit(cov_type="fixed scale")
    assert [float(line.offset), float(line.gain)] == pytest.approx(model.params, rel=1e-9, abs=1e-11)
    assert [float(line.u_offset), float(line.u_gain)] == pytest.approx(model.bse, rel=1e-9)
    assert float(line.cov_offset_gain) == pytest.approx(model.cov_params()[0, 1], rel=1e-9)
    assert float(line.chi_squared) == pytest.approx(model.ssr, rel=1e-8)


@settings(deadline=None)
@given(tables())
def test_with_uncertainty_in_both_axes_the_line_is_that_of_odrpack(table):
    odrpack = pytest.importorskip("odrpack")
    x, y, u_x, u_y = table
    line = fit_line_with_uncertainties(x, y, u_x=u_x, u_y=u_y)
    assert bool(line.is_converged)
    fit = odrpack.odr_fit(
        lambda at, beta: beta[0] + beta[1] * at,
        x,
        y,
        np.polyfit(x, y, 1)[::-1],
        weight_x=u_x**-2.0,
        weight_y=u_y**-2.0,
        jac_beta=lambda at, _: np.array([np.ones_like(at), at]),
        jac_x=lambda at, beta: np.full_like(at, beta[1]),
        partol=1e-14,
        sstol=1e-14,
    )
    # odrpack stops some 1e-7 short of the place, not of the sum of squares.
    u = np.array([float(line.u_offset), float(line.u_gain)])
    assert np.abs([float(line.offset), float(line.gain)] - fit.beta) / u == pytest.approx([0, 0], abs=1e-4)
    assert float(line.chi_squared) == pytest.approx(fit.sum_square, rel=1e-6, abs=1e-9)
    assert float(line.chi_squared) <= fit.sum_square * (1 + 1e-9)
    # Its uncertainties feel the place more; the next test asks for all digits.
    assert u == pytest.approx(np.sqrt(np.diag(fit.cov_beta)), rel=1e-2)


@given(tables())
def test_uncertainties_are_those_of_the_whole_problem_with_an_input_to_find_for_each_reading(table):
    # Generalised distance regression as ISO/TS 28037 states it (from memory): unknown true inputs, offset and gain.
    x, y, u_x, u_y = table
    cov = 0.3 * u_x * u_y
    line = fit_line_with_uncertainties(x, y, u_x=u_x, u_y=u_y, cov_xy=cov)
    gain, count = float(line.gain), len(x)
    left = y - float(line.offset) - gain * x
    true_x = x + left * (gain * u_x**2 - cov) / (u_y**2 + gain**2 * u_x**2 - 2 * gain * cov)
    jacobian, residuals = np.zeros((2 * count, count + 2)), np.zeros(2 * count)
    for i in range(count):
        root = np.linalg.cholesky([[u_x[i] ** 2, cov[i]], [cov[i], u_y[i] ** 2]])
        rows = np.zeros((2, count + 2))
        rows[0, i], rows[1, i], rows[1, -2:] = 1.0, gain, [1.0, true_x[i]]
        both = [x[i] - true_x[i], y[i] - float(line.offset) - gain * true_x[i]]
        jacobian[2 * i : 2 * i + 2] = np.linalg.solve(root, rows)
        residuals[2 * i : 2 * i + 2] = np.linalg.solve(root, both)
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    assert [float(line.u_offset), float(line.u_gain)] == pytest.approx(np.sqrt(np.diag(covariance)[-2:]), rel=1e-8)
    assert float(line.cov_offset_gain) == pytest.approx(covariance[-1, -2], rel=1e-8)
    assert float(line.chi_squared) == pytest.approx(residuals @ residuals, rel=1e-8)
    # At the least sum of squares no small step of any unknown makes it smaller.
    steps = covariance @ (jacobian.T @ residuals) / np.sqrt(np.diag(covariance))
    assert np.abs(steps).max() < 1e-8


@given(st.lists(tables(), min_size=2, max_size=4))
def test_units_do_not_see_each_other_nor_their_missing_readings(units):
    readings_n = max(len(each[0]) for each in units)
    padded = [
        np.array([np.append(unit[column], np.full(readings_n - len(unit[column]), np.nan)) for unit in units])
        for column in range(4)
    ]
    together = fit_line_with_uncertainties(padded[0], padded[1], u_x=padded[2], u_y=padded[3])
    for place, (x, y, u_x, u_y) in enumerate(units):
        alone = fit_line_with_uncertainties(x, y, u_x=u_x, u_y=u_y)
        assert together.gain[place] == pytest.approx(float(alone.gain), rel=1e-11, abs=1e-13)
        assert together.u_gain[place] == pytest.approx(float(alone.u_gain), rel=1e-11)
        assert together.p_value[place] == pytest.approx(float(alone.p_value), rel=1e-8)


def test_the_chi_squared_test_doubts_one_true_line_in_twenty():
    random = np.random.default_rng(11)
    x = np.linspace(0, 100, 11)
    y = 4 + 0.16 * x + random.normal(0, 0.02, (20_000, 11))
    seen = x + random.normal(0, 0.1, y.shape)
    line = fit_line_with_uncertainties(seen, y, u_x=0.1, u_y=0.02)
    # 20 000 trials: the share scatters by 0.0015.
    assert np.mean(line.p_value < 0.05) == pytest.approx(0.05, abs=0.006)
    assert np.std(line.gain) == pytest.approx(float(np.mean(line.u_gain)), rel=0.02)


@given(st.integers(0, 10**6), st.integers(3, 12), st.integers(2, 5), st.floats(0, 0.5))
def test_lack_of_fit_is_the_f_test_of_two_nested_models_in_statsmodels(seed, points_n, repeats_n, bow):
    random = np.random.default_rng(seed)
    x = np.arange(float(points_n))
    y = 1 + 2 * x[:, None] + bow * x[:, None] ** 2 + random.normal(size=(points_n, repeats_n))
    each_x = np.repeat(x, repeats_n)
    line = sm.OLS(y.ravel(), sm.add_constant(each_x)).fit()
    means = sm.OLS(y.ravel(), (each_x[:, None] == x).astype(float)).fit()
    ratio, p_value, _ = means.compare_f_test(line)
    found = lack_of_fit(x, y)
    assert float(found.ratio) == pytest.approx(ratio, rel=1e-7)
    assume(p_value > 1e-200)
    assert float(found.p_value) == pytest.approx(p_value, rel=1e-5)


def test_independence_doubts_about_one_white_series_in_twenty():
    found = independence(np.random.default_rng(12).normal(size=(20_000, 66)))
    assert np.mean(found.is_doubted) == pytest.approx(0.045, abs=0.01)
