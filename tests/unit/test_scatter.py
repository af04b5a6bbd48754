"""Variance within visits, between visits and between cycles, against analyses of variance of other packages."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm

from sequencer.evaluation.scatter import Within, cycles_apart, pooled_by_setpoint


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
