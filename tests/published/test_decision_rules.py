"""Decision rules by name: ILAC-G8:09/2019 (4.2 fetched, table 1 from memory), ISO 14253-1 and TUR (from memory).

See `shared/published/conformity/decision-rules.yaml`.
"""

from statistics import NormalDist

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.conformity import Verdict, judge, probability_of_conformity
from sequencer.evaluation.figures.rule_risk import risk_at_limit, risk_in_words
from sequencer.inputs.decision_rules import RULES, DecisionRule

FACTS = yaml.safe_load(shipped("shared", "published", "conformity", "decision-rules.yaml").read_text(encoding="utf-8"))
ILAC = FACTS["ilac_g8"]
NAME_IN_TABLE = {
    "6 sigma": "ILAC-G8:09/2019 6 sigma",
    "3 sigma": "ILAC-G8:09/2019 3 sigma",
    "ILAC G8:2009": "ILAC-G8:09/2019 guard band",
    "ISO 14253-1:2017": "ISO 14253-1:2017",
    "simple acceptance": "ILAC-G8:09/2019 simple acceptance",
    "uncritical": "ILAC-G8:09/2019 uncritical",
}
P, CP, CF, F = Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.FAIL
ROWS = [row for row in ILAC["table_1"] if row["rule"] in NAME_IN_TABLE]
TL, U = 10.0, 1.0


def verdicts(rule_name, values):
    return judge(values, U, rule=RULES[rule_name], lower=-TL, upper=TL).verdict.tolist()


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["rule"])
def test_guard_band_of_the_table(row):
    found = judge(0.0, U, rule=RULES[NAME_IN_TABLE[row["rule"]]], lower=-TL, upper=TL)
    assert float(found.guard_band) == row["w_over_U"] * U
    assert [float(found.accept_lower), float(found.accept_upper)] == [-TL + row["w_over_U"], TL - row["w_over_U"]]


def test_every_row_of_the_table_but_the_customer_s_own_is_a_rule():
    assert {row["rule"] for row in ILAC["table_1"]} - set(NAME_IN_TABLE) == {"customer defined"}


# Recomputed for k = 2: the risk at the acceptance limit; the words of the table are upper bounds of these.
@pytest.mark.parametrize(
    ("rule", "name", "printed_below"),
    [
        ("6 sigma", "w=3U", 1e-6),
        ("3 sigma", "w=1.5U", 0.0016),
        ("ILAC G8:2009", "w=U", 0.025),
        ("ISO 14253-1:2017", "w=0.83U", 0.05),
        ("simple acceptance", "w=0", 0.50),
    ],
)
def test_specific_risk_at_the_acceptance_limit(rule, name, printed_below):
    found = judge(0.0, U, rule=RULES[NAME_IN_TABLE[rule]], upper=TL)
    conforming = probability_of_conformity(found.accept_upper, U / 2, upper=TL)
    assert 1 - float(conforming) == pytest.approx(ILAC["recomputed_pfa_at_acceptance_limit_k2"][name], abs=1e-15)
    assert 1 - float(conforming) <= printed_below


@pytest.mark.parametrize(
    ("rule", "name"),
    [("6 sigma", "w=3U"), ("3 sigma", "w=1.5U"), ("ILAC G8:2009", "w=U"), ("ISO 14253-1:2017", "w=0.83U")],
)
def test_the_risk_that_a_rule_bounds_is_the_recomputed_one(rule, name):
    # 95.449974 % is k = 2.
    found = risk_at_limit(RULES[NAME_IN_TABLE[rule]], coverage=0.954499736103642)
    assert found == pytest.approx(ILAC["recomputed_pfa_at_acceptance_limit_k2"][name], rel=1e-6)


def test_at_few_degrees_of_freedom_it_is_the_tail_of_t():
    # One tail of 0.0005 at four degrees of freedom begins at t = 8.610 (printed tables of t); k of 95.45 % there is
    # 2.87 (GUM table G.2), and 3 k = 8.61.
    assert risk_at_limit(RULES["ILAC-G8:09/2019 6 sigma"], coverage=0.9545, dof=4) == pytest.approx(0.0005, rel=0.005)
    # w = U: half of what the coverage leaves, at any degrees of freedom.
    for dof in (2, 4, 30, np.inf):
        assert risk_at_limit(RULES["ILAC-G8:09/2019 guard band"], coverage=0.95, dof=dof) == pytest.approx(0.025)


def test_uncritical_rejects_above_the_limit_and_u_only():
    assert verdicts("ILAC-G8:09/2019 uncritical", [10.5, 11.0, 11.1]) == [P, P, F]
    at_rejection = probability_of_conformity(TL + U, U / 2, upper=TL)
    assert float(at_rejection) == pytest.approx(ILAC["recomputed_pfa_at_acceptance_limit_k2"]["w=U"], abs=1e-15)
    assert float(at_rejection) < 0.025


def test_simple_acceptance():
    assert verdicts("ILAC-G8:09/2019 simple acceptance", [9.0, 10.0, 10.1, -10.0, -10.1]) == [P, P, F, P, F]


def test_binary_guard_band():
    assert verdicts("ILAC-G8:09/2019 guard band", [9.0, 9.1, 10.0, -9.0, -9.1]) == [P, F, F, P, F]


@pytest.mark.parametrize("sign", [1, -1])
def test_non_binary_has_four_verdicts(sign):
    # At the limits "<=", as in the definitions of the file.
    values = [0.0, 9.0, 9.01, 10.0, 10.01, 11.0, 11.01]
    assert verdicts("ILAC-G8:09/2019 non-binary", [sign * each for each in values]) == [P, P, CP, CP, CF, CF, F]


def test_iso_14253_1_proves_neither_between_its_guard_bands():
    assert verdicts("ISO 14253-1:2017", [9.17, 9.18, 10.0, 10.01, 10.83, 10.84]) == [P, CP, CP, CF, CF, F]
    assert verdicts("ISO 14253-1:2013", [9.0, 9.17, 11.0, 11.01]) == [P, CP, CF, F]
    assert "neither is proved" in risk_in_words(RULES["ISO 14253-1:2017"], coverage=0.9545)


def test_the_factor_of_iso_14253_1_is_that_of_5_percent_specific_risk():
    # 1.65 u_c, 0.83 U at k = 2: both rounded up from 1.645.
    assert RULES["ISO 14253-1:2017"].w_over_U == pytest.approx(1.645 / 2, abs=0.01)


@pytest.mark.parametrize("risk", [1e-6, 0.0228, 0.05, 0.5, 0.9])
def test_customer_defined_risk_is_met_at_its_acceptance_limit(risk):
    # JCGM 106:2012 8.3.2 (from memory): the guard band is the quantile of the risk, times u.
    rule = DecisionRule(name="agreed", w_over_U=-NormalDist().inv_cdf(risk) / 2.1, source="JCGM 106 8.3.2")
    found = judge(0.0, U, rule=rule, upper=TL, k=2.1)
    conforming = probability_of_conformity(found.accept_upper, U / 2.1, upper=TL)
    assert 1 - float(conforming) == pytest.approx(risk, rel=1e-9)


def test_tur_is_half_the_tolerance_over_u():
    found = judge(0.0, [1.0, 2.5, 0.0], rule=RULES["ILAC-G8:09/2019 simple acceptance"], lower=-TL, upper=TL)
    assert found.tur.tolist() == [10.0, 4.0, np.inf]


def test_verdicts_have_a_word_in_the_calibration_certificate():
    words = FACTS["dcc_mapping"]["conformity_values_in_dcc_3.3.0"]
    for verdict in (P, CP, CF, F):
        head, *tail = verdict.text.split()
        assert head + "".join(each.capitalize() for each in tail) in words
