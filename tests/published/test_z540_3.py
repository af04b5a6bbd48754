"""ANSI/NCSL Z540.3: false accepts over all units, and guard bands that hold them.

The 2 % and 4:1 fetched from abstracts, the rest from memory, recomputed; see `shared/published/conformity`.
"""

from statistics import NormalDist

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.conformity import judge, method_6_multiplier
from sequencer.evaluation.figures.risk import risk_over_guard_band, unit_sd
from sequencer.inputs.decision_rules import RULES

FACTS = yaml.safe_load(shipped("shared", "published", "conformity", "z540-3-pfa.yaml").read_text(encoding="utf-8"))
BANDS = {each["name"]: each["values"] for each in FACTS["guard_bands"]}
# The file says 1.96; its figures are those of the unrounded quantile.
K = NormalDist().inv_cdf(0.975)


def risk(tur, *, k=K, in_tolerance_frac=0.95, is_observed=False, guard_band=0.0):
    u = 1 / (np.asarray(k) * tur)
    sd = unit_sd(in_tolerance_frac, half_width=1.0, u_of_observation=u if is_observed else 0.0)
    return risk_over_guard_band(guard_band, half_width=1.0, sd=sd, u=u)


def worst_case(tur, *, guard_band=0.0, k=1.96):
    """Largest risk of false accept over all in-tolerance probabilities, from a fine grid of them."""
    return float(
        np.max(risk(tur, k=k, in_tolerance_frac=np.linspace(0.02, 0.999, 2000), guard_band=guard_band).consumer_frac)
    )


@pytest.mark.parametrize("row", FACTS["recomputed_unguarded_true_itp_95_percent"], ids=lambda row: f"TUR {row['TUR']}")
def test_true_in_tolerance_probability(row):
    found = risk(row["TUR"])
    assert 100 * float(found.consumer_frac) == pytest.approx(row["PFA_pct"], abs=0.00005)
    assert 100 * float(found.producer_frac) == pytest.approx(row["PFR_pct"], abs=0.00005)


@pytest.mark.parametrize(
    "row", FACTS["recomputed_unguarded_observed_reliability_95_percent"], ids=lambda row: f"TUR {row['TUR']}"
)
def test_observed_reliability(row):
    found = risk(row["TUR"], is_observed=True)
    assert 100 * float(found.consumer_frac) == pytest.approx(row["PFA_pct"], abs=0.00005)
    assert 100 * float(found.producer_frac) == pytest.approx(row["PFR_pct"], abs=0.00005)


def test_trap_true_and_observed_are_not_the_same():
    # From memory: about 0.8 % at TUR 4 and 95 % reliability.
    assert 100 * float(risk(4, is_observed=True).consumer_frac) == pytest.approx(0.8, abs=0.05)
    assert 100 * float(risk(4).consumer_frac) == pytest.approx(0.871, abs=0.0005)


@pytest.mark.parametrize("row", FACTS["worst_case_over_itp_k_1_96"], ids=lambda row: f"TUR {row['TUR']}")
def test_worst_case_over_all_in_tolerance_probabilities(row):
    # Printed to its last digit; the grid misses the maximum by less.
    assert 100 * worst_case(row["TUR"]) == pytest.approx(row["PFA_max_pct"], abs=0.0005)


def test_at_4_6_false_accepts_stay_at_2_percent_without_a_guard_band():
    assert worst_case(4.6) == pytest.approx(0.02, abs=0.0005)
    assert worst_case(4.5) > 0.02
    assert float(method_6_multiplier(4.6)) == pytest.approx(0.0, abs=0.005)
    assert float(method_6_multiplier(4.7)) == 0.0


@pytest.mark.parametrize("row", BANDS["Z540.3 Handbook method 6 (managed 2 %)"], ids=lambda row: f"TUR {row['TUR']}")
def test_method_6(row):
    assert float(method_6_multiplier(row["TUR"])) == pytest.approx(row["M"], rel=1e-12)
    found = judge(0.0, 1 / row["TUR"], rule=RULES["ANSI/NCSL Z540.3 handbook method 6"], lower=-1.0, upper=1.0)
    assert float(found.accept_upper) == pytest.approx(row["A_over_T"], rel=1e-12)
    assert float(found.tur) == pytest.approx(row["TUR"], rel=1e-12)


@pytest.mark.parametrize("tur", [1.0, 1.5, 2.0, 3.0, 4.0, 4.5])
def test_method_6_holds_the_worst_case_between_1_91_and_1_97_percent(tur):
    w = float(method_6_multiplier(tur)) / tur
    # With U = 2 u, as the range in the file; with 1.96 u it is 1.99 to 2.01 %.
    assert 1.905 <= 100 * worst_case(tur, guard_band=w, k=2.0) <= 1.975
    assert 1.985 <= 100 * worst_case(tur, guard_band=w) <= 2.015


@pytest.mark.parametrize("row", BANDS["RSS"], ids=lambda row: f"TUR {row['TUR']}")
def test_root_sum_square(row):
    found = judge(0.0, 1 / row["TUR"], rule=RULES["root sum square"], lower=-1.0, upper=1.0)
    assert float(found.accept_upper) == pytest.approx(row["gb"], rel=1e-12)
