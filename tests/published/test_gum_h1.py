"""GUM (JCGM 100:2008) H.1: calibration of an end gauge, with its traps.

Published figures fetched, t = 2.92 from memory and recomputed; see `shared/published/gum/h1-end-gauge.yaml`.
"""

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.contributions import dof_of_unreliable, from_half_width, from_standard
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.evaluation.figures.uncertainty import combine

FACTS = yaml.safe_load(shipped("shared", "published", "gum", "h1-end-gauge.yaml").read_text(encoding="utf-8"))
PUBLISHED, EXACT = FACTS["published"], FACTS["recomputed_full_precision"]
INPUTS = {each["name"]: each for each in FACTS["inputs"]}
L_NM, THETA_K = INPUTS["l_S"]["value"], INPUTS["theta"]["value"]
# l = l_S + d - l_S * (delta_alpha * theta + alpha_S * delta_theta): only these two products bend.
CURVATURES = {("delta_alpha", "theta"): -L_NM, ("alpha_S", "delta_theta"): -L_NM}


def sensitivities():
    alpha = INPUTS["alpha_S"]["value"]
    return {"delta_alpha": -L_NM * THETA_K, "delta_theta": -L_NM * alpha, "alpha_S": 0.0, "theta": 0.0}


@pytest.fixture(scope="module")
def comparison():
    """The difference d: repeatability of the mean, the comparator's random and systematic errors."""
    return combine([from_standard(str(each), each["u"], dof=each["dof"]) for each in INPUTS["d"]["components"]])


@pytest.fixture(scope="module")
def exact(comparison):
    """The budget from unrounded inputs."""
    c = sensitivities()
    theta = combine([from_standard("mean", 0.2), from_half_width("cyclic", 0.5, distribution="arcsine")])
    return [
        from_standard("l_S", INPUTS["l_S"]["u"], dof=INPUTS["l_S"]["dof"]),
        from_standard("d", comparison.u, dof=comparison.dof),
        from_half_width("delta_alpha", 1e-6, sensitivity=c["delta_alpha"], dof=dof_of_unreliable(0.1)),
        from_half_width("delta_theta", 0.05, sensitivity=c["delta_theta"], dof=dof_of_unreliable(0.5)),
        from_half_width("alpha_S", 2e-6, sensitivity=c["alpha_S"]),
        from_standard("theta", theta.u, sensitivity=c["theta"]),
    ]


@pytest.fixture(scope="module")
def printed():
    """The budget from the inputs as they are printed, rounded."""
    c = sensitivities()
    rows = [("l_S", "u", 1.0), ("d", "u_published", 1.0), *((name, "u_published", c[name]) for name in c)]
    return [
        from_standard(
            name,
            INPUTS[name][field],
            sensitivity=sensitivity,
            dof=np.inf if (dof := INPUTS[name].get("dof", INPUTS[name].get("dof_published"))) == "infinite" else dof,
        )
        for name, field, sensitivity in rows
    ]


def test_the_difference(comparison):
    assert float(comparison.u) == pytest.approx(INPUTS["d"]["u_published"], abs=0.05)
    assert float(comparison.u) == pytest.approx(EXACT["u_d_nm"], rel=1e-12)
    assert float(comparison.dof) == pytest.approx(EXACT["nu_d"], rel=1e-12)


def test_trap_the_printed_degrees_of_freedom_of_the_difference_come_from_its_rounded_uncertainty():
    parts = INPUTS["d"]["components"]
    from_rounded = INPUTS["d"]["u_published"] ** 4 / sum(each["u"] ** 4 / each["dof"] for each in parts)
    assert from_rounded == pytest.approx(INPUTS["d"]["dof_published"], abs=0.05)


def test_standard_uncertainties_from_limits(exact):
    by_name = {each.name: float(each.u) for each in exact}
    for name, half_digit in [("delta_alpha", 0.5e-8), ("delta_theta", 0.5e-3), ("alpha_S", 0.5e-7)]:
        assert by_name[name] == pytest.approx(INPUTS[name]["u_published"], abs=half_digit)
    assert by_name["theta"] == pytest.approx(INPUTS["theta"]["u_published"], abs=0.005)
    assert by_name["theta"] == pytest.approx(EXACT["u_theta_K"], rel=1e-12)
    assert [float(each.dof) for each in exact][2:4] == pytest.approx([50, 2], rel=1e-12)


def test_contributions(exact):
    effects_nm = np.abs(combine(exact).effect)
    names = [each.name for each in exact]
    assert effects_nm == pytest.approx([PUBLISHED["contributions_nm"][name] for name in names], abs=0.05)


@pytest.mark.parametrize("source", ["exact", "printed"])
def test_first_order_budget(source, request):
    budget = combine(request.getfixturevalue(source), probability=0.99, is_dof_truncated=True)
    assert float(budget.u) == pytest.approx(PUBLISHED["u_c_nm"], abs=0.5)
    assert float(budget.dof) == PUBLISHED["nu_eff_truncated"]
    assert float(budget.k) == pytest.approx(PUBLISHED["t_99"], abs=0.005)
    assert float(budget.k) == pytest.approx(EXACT["t_995_16dof"], rel=1e-12)
    assert [share.name for share in budget.ranked()][:3] == ["l_S", "delta_theta", "d"]


def test_expanded_uncertainty(exact, printed):
    from_printed = combine(printed, probability=0.99, is_dof_truncated=True)
    assert float(from_printed.U) == pytest.approx(PUBLISHED["U_99_nm"], abs=0.5)
    # From unrounded inputs it is 92.48, which is not 93: the printed figure comes from rounded ones.
    from_exact = combine(exact, probability=0.99, is_dof_truncated=True)
    assert float(from_exact.U) == pytest.approx(EXACT["u_c_nm"] * EXACT["t_995_16dof"], rel=1e-12)


def test_effective_degrees_of_freedom_are_not_rounded_unless_asked_for(exact, printed):
    # 16.75 from unrounded inputs, 16.66 from those printed; 16.7 is either.
    for contributions in (exact, printed):
        dof = float(combine(contributions).dof)
        assert dof == pytest.approx(PUBLISHED["nu_eff"], abs=0.052)
        assert combine(contributions, is_dof_truncated=True).dof == 16
        assert dof != int(dof)


def test_recomputed_figures_to_all_digits(exact, printed):
    assert float(combine(exact).u) == pytest.approx(EXACT["u_c_nm"], rel=1e-12)
    assert float(combine(exact).dof) == pytest.approx(EXACT["nu_eff"], rel=1e-12)
    from_printed = combine(printed, probability=0.99, is_dof_truncated=True)
    assert float(from_printed.U) == pytest.approx(EXACT["U_99_nm_from_published_inputs"], rel=1e-12)


def test_trap_rounding_before_welch_satterthwaite_gives_another_number(printed):
    names_and_dof = [("l_S", 18), ("d", 25.6), ("delta_alpha", 50), ("delta_theta", 2)]
    limits = [PUBLISHED["contributions_nm"][name] ** 4 / dof for name, dof in names_and_dof]
    rounded = PUBLISHED["u_c_nm"] ** 4 / sum(limits)
    assert rounded == pytest.approx(17.5, abs=0.05)
    assert abs(float(combine(printed).dof) - 17.5) > 0.5


def test_trap_t_of_the_untruncated_degrees_of_freedom_is_smaller(exact):
    unrounded = float(combine(exact, probability=0.99).k)
    assert unrounded < float(coverage_factor(0.99, 16))
    assert unrounded > float(coverage_factor(0.99, 17))


def test_second_order(exact, printed):
    for contributions in (exact, printed):
        budget = combine(contributions, curvatures=CURVATURES)
        assert float(budget.u) == pytest.approx(PUBLISHED["u_c_second_order_nm"], abs=0.5)
        assert float(budget.dof) == float(combine(contributions).dof)
    terms = [
        float(combine(exact, curvatures={pair: curvature}).u_second_order) for pair, curvature in CURVATURES.items()
    ]
    assert terms == pytest.approx(PUBLISHED["second_order_terms_nm"], abs=0.05)
    assert terms == pytest.approx(EXACT["second_order_terms_nm"], rel=1e-7)


def test_length_is_the_printed_one():
    length_mm = (L_NM + INPUTS["d"]["value"]) / 1e6
    assert length_mm == pytest.approx(PUBLISHED["l_mm"], abs=0.5e-6)
