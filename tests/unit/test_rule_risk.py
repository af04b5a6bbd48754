"""What a decision rule bounds, in words: figures of scipy, and the condition under which they hold."""

import numpy as np
import pytest
from scipy import integrate, stats

from sequencer.evaluation.figures.rule_risk import risk_in_words, worst_risk_of_units
from sequencer.inputs.decision_rules import RULES, DecisionRule

METHOD_6, RSS = (RULES[name] for name in ("ANSI/NCSL Z540.3 handbook method 6", "root sum square"))


def tail(w_over_U, coverage, dof):
    """One tail of t beyond w / u, by scipy."""
    return stats.t.sf(w_over_U * stats.t.ppf((1 + coverage) / 2, dof), dof)


@pytest.mark.parametrize(
    ("rule", "dof", "said"),
    [
        # scipy.stats.t.sf(3 k, 4) with k of 95.45 %: 500.8 ppm.
        ("6 sigma", 4, "false accept at most 501 ppm; at one point, 95.45 % coverage, 4 degrees of freedom"),
        ("6 sigma", np.inf, "false accept below 1 ppm; at one point, 95.45 % coverage, many degrees of freedom"),
        ("3 sigma", np.inf, "false accept at most 0.135 %; at one point, 95.45 % coverage, many degrees of freedom"),
        ("uncritical", 7.29, "false reject at most 2.28 %; at one point, 95.45 % coverage, 7.29 degrees of freedom"),
        ("simple acceptance", 4, "false accept and false reject at most 50 % each, at one point"),
    ],
)
def test_the_words(rule, dof, said):
    assert risk_in_words(RULES[f"ILAC-G8:09/2019 {rule}"], coverage=0.9545, dof=dof) == said


@pytest.mark.parametrize("coverage", [0.9, 0.95, 0.9973])
@pytest.mark.parametrize("dof", [1, 3, 12.5, 400])
@pytest.mark.parametrize("w_over_U", [0.4, 0.83, 1.0])
def test_the_figure_bounds_that_of_scipy_in_three_digits(coverage, dof, w_over_U):
    rule = DecisionRule(name="agreed", w_over_U=w_over_U, source="contract")
    head, _, rest = risk_in_words(rule, coverage=coverage, dof=dof).removeprefix("false accept at most ").partition(" ")
    printed = float(head) * {"%": 1e-2, "ppm": 1e-6}[rest.partition(";")[0]]
    found = tail(w_over_U, coverage, dof)
    assert found * (1 - 1e-7) <= printed <= found * 1.01


def worst_by_scipy(rule_accepts, tur, u):
    """Largest share of bad units accepted over the spreads of units, by adaptive quadrature; T = 1."""

    def share(sd):
        def bad_and_accepted(true):
            inside = stats.norm.cdf(rule_accepts, true, u) - stats.norm.cdf(-rule_accepts, true, u)
            return 2 * stats.norm.pdf(true, scale=sd) * inside

        return integrate.quad(bad_and_accepted, 1, 1 + 9 * u)[0]

    return max(share(sd) for sd in np.geomspace(0.3, 2, 30)), tur


def test_root_sum_square_is_bounded_over_every_spread_and_ratio():
    turs = np.geomspace(1.2, 6, 12)
    by_scipy = max(worst_by_scipy(np.sqrt(1 - 1 / tur**2), tur, 1 / tur / 2)[0] for tur in turs)
    assert worst_risk_of_units(RSS, coverage=0.9545) == pytest.approx(by_scipy, rel=0.01)


def test_method_6_holds_its_2_pct_for_95_pct_and_not_for_less():
    # ANSI/NCSL Z540.3 handbook, k = 1.96: 2.0024 % at TUR 4.6 without a guard band (recomputed, z540-3-pfa.yaml).
    assert worst_risk_of_units(METHOD_6, coverage=0.95) == pytest.approx(0.020024, rel=0.01)
    assert worst_risk_of_units(METHOD_6, coverage=0.8) > 0.025
    said = risk_in_words(METHOD_6, coverage=0.8)
    assert said.endswith("of all units, whatever their spread; normal units, 80 % coverage, many degrees of freedom")


def test_few_degrees_of_freedom_spread_u_itself():
    # With u estimated a reading lies t times u off (GUM G.3): one integral over the t of scipy, not many normal ones.
    dof = 5
    k = stats.t.ppf((1 + 0.9545) / 2, dof)
    true = 1 + np.arange(4001) / 4000 * 4
    found = []
    for tur in np.geomspace(1.2, 6, 20):
        accept, u = np.sqrt(1 - 1 / tur**2), 1 / tur / k
        inside = stats.t.cdf((accept - true) / u, dof) - stats.t.cdf((-accept - true) / u, dof)
        found += [2 * np.trapezoid(stats.norm.pdf(true, scale=sd) * inside, true) for sd in np.geomspace(0.3, 3, 30)]
    assert worst_risk_of_units(RSS, coverage=0.9545, dof=dof) == pytest.approx(max(found), rel=0.03)
