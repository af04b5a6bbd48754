"""Variance within visits, between visits and between cycles, against analyses of variance of other packages."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm

from sequencer.evaluation.figures.contributions import from_standard
from sequencer.evaluation.scatter import Within, components, cycles_apart, pooled_by_setpoint


def drawn(seed, *, cycles=3, points=5, shift=0.0, missing=0):
    random = np.random.default_rng(seed)
    error = random.normal(0, 1, (cycles, 2, points)) + random.normal(0, 3, (2, points))
    error += shift * random.normal(0, 1, (cycles, 1, 1))
    error[:, 1, -1] = np.nan  # the turning point is read once
    for _ in range(missing):
        error[tuple(random.integers(0, each) for each in (cycles, 2, points - 1))] = np.nan
    return error


@pytest.mark.parametrize("missing", [0, 3])
@pytest.mark.parametrize("shift", [0.0, 4.0])
def test_mean_squares_are_those_of_statsmodels(shift, missing):
    error = drawn(4, shift=shift, missing=missing)
    cycle, way, point = np.nonzero(np.isfinite(error))
    table = pd.DataFrame({"e": error[np.isfinite(error)], "c": cycle, "place": way * 10 + point})
    table = table[table.groupby("place")["e"].transform("count") > 1]
    rows = anova_lm(smf.ols("e ~ C(place) + C(c)", table).fit(), typ=1)
    found = cycles_apart(error)
    left = rows.loc["Residual"]
    assert float((found.left.variance * found.left.dof)[0] / left["df"]) == pytest.approx(left["mean_sq"], rel=1e-6)
    assert found.left.dof[0] == pytest.approx(left["df"])
    assert found.between_dof == rows.loc["C(c)", "df"]
    assert found.between * found.visits_n == pytest.approx(rows.loc["C(c)", "mean_sq"], rel=1e-6)
    assert found.p_value == pytest.approx(rows.loc["C(c)", "PR(>F)"], rel=1e-5)
    assert found.is_shifted == (shift > 0)


def test_a_shift_is_as_large_as_it_was_drawn():
    found = [cycles_apart(drawn(seed, cycles=5, points=11, shift=2.0)).shift_sd ** 2 for seed in range(300)]
    assert np.sqrt(np.mean(found)) == pytest.approx(2.0, rel=0.08)


def test_one_cycle_or_one_point_has_no_shift():
    assert cycles_apart(np.ones((1, 2, 5))) is None
    found = cycles_apart(np.array([[[1.0], [np.nan]], [[3.0], [np.nan]]]))
    assert (found.between_dof, found.left.variance[0], found.left.dof[0]) == (0, 2.0, 1.0)


def test_homogeneity_is_bartletts_test_of_scipy():
    random = np.random.default_rng(7)
    for sizes in (np.ones(6), np.linspace(1, 9, 6)):
        samples = sizes[:, None] * random.normal(0, 1, (6, 8))
        found = pooled_by_setpoint(samples.var(axis=1, ddof=1), np.full(6, 7.0))
        assert found.is_one == (stats.bartlett(*samples).pvalue >= 0.01)
    assert found.is_one is False
    assert found.variance == pytest.approx(samples.var(axis=1, ddof=1))
    assert found.dof == pytest.approx(np.full(6, 7.0))


def test_readings_that_are_all_the_same_are_no_proof_of_another_scatter():
    variance = np.array([0.0, 0.0, 1e-8, 2e-8])
    assert not pooled_by_setpoint(np.array([1e-16, 1e-16, 1e-8, 2e-8]), np.full(4, 9.0)).is_one
    assert pooled_by_setpoint(variance, np.full(4, 9.0), floor=0.001**2 / 12).is_one


@pytest.mark.parametrize(("sd", "share"), [(0.0, 1.0), (0.3, 0.025), (1.0, 0.0)])
def test_rounding_is_hidden_by_scatter(sd, share):
    # Truth by trials: variance of the mean rounding error of many noisy readings, over the place within a step.
    random = np.random.default_rng(3)
    places = np.linspace(-0.5, 0.5, 200, endpoint=False)
    noisy = places[:, None] + random.normal(0, sd, (200, 20_000))
    repeated = np.mean((np.round(noisy) - noisy).mean(axis=1) ** 2) * 12
    variance = np.array([sd**2 + 1 / 12])
    within = Within(line=None, reading=pooled_by_setpoint(variance, np.array([9.0])))
    assert within.repeated(1.0)[0] == pytest.approx(repeated, abs=0.02)
    assert repeated == pytest.approx(share, abs=0.02)


def one_cycle(seed, *, sd, points=5, bow=0.5, loop=0.3):
    """Errors of one cycle up and down, read once or several times a visit: smooth but for what scatters."""
    random = np.random.default_rng(seed)
    x = np.linspace(0, 1, points)
    error = np.full((1, 1, 2, points), np.nan)
    for way, side in ((0, -1), (1, 1)):
        error[0, 0, way] = 0.2 * x + (bow + side * loop) * x * (1 - x) + random.normal(0, sd, points)
    error[0, 0, 1, -1] = np.nan
    return error


@pytest.mark.parametrize("points", [5, 11])
def test_of_one_cycle_read_once_scatter_is_what_lies_beside_a_smooth_curve(points):
    found = [components(one_cycle(seed, sd=0.02, points=points), {}, floor=0.0).smooth for seed in range(200)]
    assert all(each.is_farther for each in found)  # nothing else tells it
    assert np.sqrt(np.mean([each.variance for each in found])) == pytest.approx(0.02, rel=0.06)
    assert "read once" in components(one_cycle(1, sd=0.02, points=points), {}, floor=0.0).said[0]


def test_too_few_points_tell_nothing_of_scatter():
    assert components(one_cycle(1, sd=0.02, points=3), {}, floor=0.0).smooth is None


@pytest.mark.parametrize(("visit_sd", "share"), [(0.0, (0.0, 0.11)), (0.1, (0.95, 1.0))])
def test_visits_that_lie_farther_apart_than_scatter_within_them_are_found(visit_sd, share):
    random = np.random.default_rng(11)
    counted = 0
    for seed in range(200):
        error = one_cycle(seed, sd=np.hypot(visit_sd, 0.02 / np.sqrt(3)))
        variance = np.where(np.isnan(error), np.nan, 0.02**2 * random.chisquare(2, error.shape) / 2)
        pooled = pooled_by_setpoint(variance, np.where(np.isnan(error), 0.0, 2.0))
        line = from_standard("scatter", np.sqrt(pooled.variance / 3), dof=np.broadcast_to(pooled.dof, error.shape))
        counted += components(error, {"output": Within(line=line, reading=pooled)}, floor=0.0).smooth.is_farther
    assert share[0] <= counted / 200 <= share[1]  # 5 % and three standard deviations more where there is nothing
