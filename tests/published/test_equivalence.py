"""Equivalence by two one-sided tests, against published results and against statsmodels.

Sources, and how each figure was verified, in `shared/published/type-test/equivalence-tost.yaml`.
"""

import numpy as np
import pandas as pd
import pytest
import yaml
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from instruments.shipped import shipped
from sequencer.history.equivalence import equivalence

FOLDER = shipped("shared", "published", "type-test")
KNOWN = yaml.safe_load((FOLDER / "equivalence-tost.yaml").read_text(encoding="utf-8"))
SMALL = [(name, known) for name, known in KNOWN["small_case"]["recomputed"].items()]


def made(known):
    return equivalence(*(np.array([float(known[name])]) for name in ("difference", "standard_error", "dof", "margin")))


@pytest.mark.parametrize("known", [each["recomputed"] for each in KNOWN["cases"]] + [each for _, each in SMALL])
def test_p_and_interval_as_published(known):
    found = made(known)
    assert found.p_lower[0] == pytest.approx(known["p_lower"], abs=1e-9)
    assert found.p_upper[0] == pytest.approx(known["p_upper"], abs=1e-9)
    assert found.overall_p == pytest.approx(known["p_value"], abs=1e-9)
    assert [found.low[0], found.high[0]] == pytest.approx(known["ci90"], abs=1e-9)
    assert (found.shown == "equivalent") is known["equivalent_at_5_percent"]


def test_the_same_as_statsmodels():
    table = pd.read_csv(FOLDER / "equivalence-tost.csv", skipinitialspace=True)
    for name in ("var1", "var2", "var3", "var4", "var5"):
        a, b = (table.loc[table["group"] == group, name].to_numpy() for group in (1, 2))
        va, vb, n = a.var(ddof=1) / len(a), b.var(ddof=1) / len(b), len(a)
        u = np.sqrt(va + vb)
        welch = u**4 / (va**2 / (n - 1) + vb**2 / (n - 1))
        for margin in (0.2, 0.6, 1.5):
            p, lower, upper = ttost_ind(a, b, -margin, margin, usevar="unequal")
            found = equivalence(np.array([a.mean() - b.mean()]), np.array([u]), np.array([welch]), margin)
            assert found.overall_p == pytest.approx(p, abs=1e-10)
            assert found.p_lower[0] == pytest.approx(lower[1], abs=1e-10)
            assert found.p_upper[0] == pytest.approx(upper[1], abs=1e-10)
            d = a - b
            p, _, _ = ttost_paired(a, b, -margin, margin)
            paired = equivalence(
                np.array([d.mean()]), np.array([d.std(ddof=1) / np.sqrt(n)]), np.array([n - 1]), margin
            )
            assert paired.overall_p == pytest.approx(p, abs=1e-10)


def test_no_significant_difference_is_no_equivalence():
    # A wide uncertainty denies nothing and shows nothing.
    found = equivalence(np.array([0.1]), np.array([1.0]), np.array([np.inf]), 0.5)
    assert found.shown == "not shown"
    far = equivalence(np.array([3.0]), np.array([1.0]), np.array([np.inf]), 0.5)
    assert far.shown == "not equivalent"
    assert equivalence(np.array([0.1]), np.array([np.nan]), np.array([5.0]), 0.5).shown == "not determinable"


def test_all_must_lie_within():
    d, u, dof = np.array([0.0, 0.0, 0.48]), np.full(3, 0.05), np.full(3, np.inf)
    assert equivalence(d[:2], u[:2], dof[:2], 0.5).shown == "equivalent"
    assert equivalence(d, u, dof, 0.5).shown == "not shown"
