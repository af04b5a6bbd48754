"""Variance components against published worked examples, and against sums of squares certified by NIST.

Sources, and how each figure was verified, in `shared/published/variance/*.yaml`.
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as models
import yaml

from instruments.shipped import shipped
from sequencer.history.components import Groups, nested
from sequencer.history.envelope import SUMS, units_of

FOLDER = shipped("shared", "published", "variance")


def told(name):
    return yaml.safe_load((FOLDER / f"{name}.yaml").read_text(encoding="utf-8"))


def columns(name):
    return pd.read_csv(FOLDER / f"{name}.csv", dtype={"batch": str, "sample": str, "group": str})


def groups_of(values, group, part=None):
    """Sums of the groups, as the envelope of a type makes them of its units; without parts each group is one."""
    parts = np.zeros(len(values)) if part is None else part
    # Errors have no leading digits alike, these data do: they are taken off first.
    table = pd.DataFrame(
        {"serial": group, "record": parts, "value": values - np.round(values[0]), "U": 0.0, "limit": 0.0}
    )
    sums = units_of(table, [])
    return Groups(**{name: sums[name].to_numpy(dtype=float) for name in SUMS})


@pytest.mark.parametrize("name", ["dyestuff", "dyestuff2-negative"])
def test_one_way_components_of_moments(name):
    found, known = columns(name), told(name)["recomputed"]
    # One part a batch, so the middle level does not vary.
    between, middle, within = nested(groups_of(found["y"].to_numpy(dtype=float), found["batch"].to_numpy()))
    assert between.variance == pytest.approx(known["components_moments"]["between"], rel=1e-9)
    assert within.variance == pytest.approx(known["components_moments"]["within"], rel=1e-9)
    assert between.mean_square == pytest.approx(known["anova"]["between"]["mean_square"], rel=1e-9)
    assert (between.dof, within.dof) == (5, 24)
    assert not middle.is_known
    low, high = np.sqrt(known["ci95"]["within_variance_chi_square"])
    assert (within.low, within.high) == (pytest.approx(low, rel=1e-9), pytest.approx(high, rel=1e-9))


def test_a_negative_estimate_is_told_and_taken_for_nothing():
    found = columns("dyestuff2-negative")
    between, _, _ = nested(groups_of(found["y"].to_numpy(dtype=float), found["batch"].to_numpy()))
    assert between.is_negative
    assert (between.used, between.sd) == (0.0, 0.0)
    assert np.isnan([between.low, between.high]).all()


def test_three_levels_of_pigment_paste():
    found, known = columns("pigment-nested"), told("pigment-nested")["recomputed"]
    sums = groups_of(found["y"].to_numpy(dtype=float), found["batch"].to_numpy(), found["sample"].to_numpy())
    for each, level in zip(nested(sums), ("top", "middle", "bottom"), strict=True):
        assert each.variance == pytest.approx(known["components_moments"][level], rel=1e-9)
        assert each.mean_square == pytest.approx(known["anova"][level]["mean_square"], rel=1e-9)
        assert each.dof == known["anova"][level]["dof"]


@pytest.mark.parametrize("name", ["smls01", "smls04", "atmwtag"])
def test_mean_squares_certified_by_nist(name):
    known = told(f"nist-strd-anova/{name}")
    found = columns(f"nist-strd-anova/{name}")
    between, _, within = nested(groups_of(found["y"].to_numpy(dtype=float), found["group"].to_numpy()))
    # No binary64 method does better than the rounding of the data leaves (in the file); 1e-9 asked for.
    assert between.mean_square == pytest.approx(known["certified"]["between"]["mean_square"], rel=1e-9)
    assert within.mean_square == pytest.approx(known["certified"]["within"]["mean_square"], rel=1e-9)
    assert between.variance == pytest.approx(known["recomputed_random_effects"]["variance_between_groups"], rel=1e-9)


def unbalanced(seed, units_n=60):
    random = np.random.default_rng(seed)
    rows = []
    for unit in range(units_n):
        level = 3.0 * random.standard_normal()
        for record in range(int(random.integers(1, 5))):
            here = level + 1.5 * random.standard_normal()
            rows += [(unit, record, here + 0.7 * random.standard_normal()) for _ in range(int(random.integers(1, 4)))]
    return pd.DataFrame(rows, columns=["unit", "record", "y"])


def test_unbalanced_components_are_right_on_average():
    # Moments are unbiased: over 300 draws the mean estimates lie within four of their standard errors of the truth.
    tables = [unbalanced(number).assign(draw=number, U=0.0, limit=0.0) for number in range(300)]
    sums = units_of(pd.concat(tables).rename(columns={"unit": "serial", "y": "value"}), ["draw"])
    drawn = np.array(
        [
            [each.variance for each in nested(Groups(**{name: part[name].to_numpy(dtype=float) for name in SUMS}))]
            for _, part in sums.groupby("draw")
        ]
    )
    error = drawn.std(axis=0) / np.sqrt(len(drawn))
    assert np.all(np.abs(drawn.mean(axis=0) - [9.0, 2.25, 0.49]) < 4 * error)


def test_balanced_components_are_those_of_restricted_likelihood():
    # Balanced and all positive: moments and restricted likelihood are one (Searle et al., from memory).
    random = np.random.default_rng(1)
    level, record = random.standard_normal((30, 1, 1)), random.standard_normal((30, 3, 1))
    y = (2 * level + record + 0.5 * random.standard_normal((30, 3, 2))).reshape(-1)
    table = pd.DataFrame(
        {"y": y, "unit": np.repeat(np.arange(30), 6), "record": np.tile(np.repeat(np.arange(3), 2), 30)}
    )
    fit = models.mixedlm("y ~ 1", table, groups="unit", re_formula="1", vc_formula={"record": "0 + C(record)"}).fit()
    found = nested(groups_of(*(table[name].to_numpy() for name in ("y", "unit", "record"))))
    known = (float(fit.cov_re.iloc[0, 0]), float(fit.vcomp[0]), float(fit.scale))
    assert [each.variance for each in found] == pytest.approx(known, rel=1e-3)  # what the optimiser leaves
