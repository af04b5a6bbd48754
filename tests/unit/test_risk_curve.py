"""Chances of a wrong decision for a plan, against the resistors of JCGM 106:2012 9.5 and scipy."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, stats

from instruments.errors import InputError, PlanError
from sequencer.core import risk
from sequencer.evaluation.figures.unit_risk import UnitRisk
from sequencer.planning.risk_table import expected_chances, risk_table, unit_chances
from sequencer.reports.terminal import plan_text, risk_text

# JCGM 106:2012 9.5: 1500 ohm +/- 0.2, process N(1500, 0.12), u = 0.04; figures from memory, all recomputed with scipy
# quadrature (an independent program). 0.12 ohm is 0.2 / 0.12 = 1.667 sd to a limit: 90.44 % of all in tolerance.
IN_TOLERANCE = 0.9044192954543706
RESISTORS = [  # guard band over U, R_C, R_P
    (0.0, 0.01894220671702909, 0.03720780017805778),
    (0.25, 0.009878291521772269, 0.0690265104615214),  # printed: 1 % and 7 %
    (0.5, 0.004334072221819235, 0.11465657840825816),
    (1.0, 0.0004686335988703528, 0.2476696402011524),
]


@pytest.fixture
def resistors(small):
    """A plan whose worst point has T = 0.2 and U = 0.08, normal."""

    def made(U=0.08, **more):
        planned = small(**more)
        k = stats.norm.ppf((1 + planned.sequence.file.coverage) / 2)
        known = {"U": U, "tur": None, "u": math.nan} if U is None else {"U": U, "tur": 0.2 / U, "u": U / k}
        points = tuple(replace(each, tolerance=0.2, **known) for each in planned.points)
        return replace(planned, points=points)

    return made


@pytest.mark.parametrize(("w_over_U", "R_C", "R_P"), RESISTORS)
def test_the_resistors_of_jcgm_106(resistors, w_over_U, R_C, R_P):
    table = risk_table(resistors(), in_tolerance=IN_TOLERANCE)
    (point,) = [each for each in table.points if each.w_over_U == w_over_U]
    assert point.accepted_to == pytest.approx(0.2 - w_over_U * 0.08)
    assert point.false_accept == pytest.approx(R_C, rel=1e-4)  # k = 2.00002 for 95.45 %
    assert point.false_reject == pytest.approx(R_P, rel=1e-4)


def test_the_figures_as_printed(resistors):
    table = risk_table(resistors(), in_tolerance=IN_TOLERANCE)
    assert (table.tolerance, table.U, table.tur) == pytest.approx((0.2, 0.08, 2.5))
    assert round(table.points[1].false_accept, 4) == 0.0099
    assert round(table.points[1].false_reject, 3) == 0.069
    assert "JCGM 106" in table.definition


def test_a_guard_band_for_2_pct_holds_2_pct(resistors):
    # Already below at w = 0: 1.89 %. With half the good units it is not.
    assert risk_table(resistors(), in_tolerance=IN_TOLERANCE).w_for_2_pct == 0
    table = risk_table(resistors(), in_tolerance=0.7)
    sd = 0.2 / stats.norm.ppf(0.85)
    assert by_quadrature(0.2 - table.w_for_2_pct, sd, 0.04)[0] == pytest.approx(0.02, rel=1e-4)


def by_quadrature(accept, sd, u):
    """R_C and R_P by scipy's adaptive quadrature over true value and reading."""

    def density(reading, true):
        return stats.norm.pdf(true, scale=sd) * stats.norm.pdf(reading, loc=true, scale=u)

    far = 0.2 + 6 * u
    accepted_bad = 2 * integrate.dblquad(density, 0.2, far, -accept, accept, epsabs=1e-9)[0]
    accepted_good = integrate.dblquad(density, -0.2, 0.2, -accept, accept, epsabs=1e-9)[0]
    return accepted_bad, 2 * stats.norm.cdf(0.2 / sd) - 1 - accepted_good


def test_the_curve_is_that_of_scipy_over_true_value_and_reading(resistors):
    table = risk_table(resistors(), in_tolerance=0.8)
    sd = 0.2 / stats.norm.ppf(0.9)
    for point in table.points[1:6:2]:
        bad, good = by_quadrature(point.accepted_to, sd, 0.04)
        assert point.false_accept == pytest.approx(bad, rel=1e-4)
        assert point.false_reject == pytest.approx(good, rel=1e-4)


def test_the_share_accepted_is_that_of_a_bivariate_normal(resistors):
    table = risk_table(resistors(), in_tolerance=0.8)
    sd = 0.2 / stats.norm.ppf(0.9)
    both = stats.multivariate_normal(cov=[[sd**2, sd**2], [sd**2, sd**2 + 0.04**2]])
    a = table.points[2].accepted_to
    accepted_good = both.cdf([0.2, a], lower_limit=[-0.2, -a])
    assert 0.8 - accepted_good == pytest.approx(table.points[2].false_reject, rel=1e-3)


def test_of_another_coverage_the_standard_uncertainty_is_U_over_its_own_k(resistors):
    # 99.73 % is k = 3: U = 0.12 is the same u of 0.04, and a guard band of U/6 the 0.02 ohm of the example.
    table = risk_table(
        resistors(0.12, sequence={"settled within: 20 %": "settled within: 20 %\ncoverage: 99.73 %"}),
        in_tolerance=IN_TOLERANCE,
    )
    assert table.points[0].false_accept == pytest.approx(RESISTORS[0][1], rel=1e-4)
    assert table.points[0].false_reject == pytest.approx(RESISTORS[0][2], rel=1e-4)


@pytest.mark.parametrize(
    ("rule", "w_over_U"),
    [
        ("ILAC-G8:09/2019 guard band", 1.0),
        ("ILAC-G8:09/2019 simple acceptance", 0.0),
        ("ILAC-G8:09/2019 non-binary", 1.0),
        ("root sum square", (0.2 - np.sqrt(0.2**2 - 0.08**2)) / 0.08),
    ],
)
def test_the_rule_of_the_sequence_has_its_own_line(resistors, rule, w_over_U):
    planned = resistors(sequence={"settled within: 20 %": f'settled within: 20 %\ndecision rule: "{rule}"'})
    table = risk_table(planned, in_tolerance=IN_TOLERANCE)
    assert table.rule == rule
    assert table.of_rule.w_over_U == pytest.approx(w_over_U)
    if w_over_U == 1.0:
        assert table.of_rule.false_accept == pytest.approx(RESISTORS[3][1], rel=1e-4)


def test_a_rule_that_leaves_nothing_to_accept_has_none(resistors):
    # 6 sigma: w = 3 U = 0.24 of 0.2.
    planned = resistors(
        sequence={"settled within: 20 %": 'settled within: 20 %\ndecision rule: "ILAC-G8:09/2019 6 sigma"'}
    )
    table = risk_table(planned, in_tolerance=IN_TOLERANCE)
    assert table.of_rule is None
    assert all(each.accepted_to > 0 for each in table.points)


def test_the_point_is_the_one_with_the_smallest_ratio(small):
    planned = small()
    table = risk_table(planned, in_tolerance=0.95)
    assert table.tur == min(each.tur for each in planned.points if each.role == "reading")
    assert (table.setpoint_pct, table.unit) == (100.0, "mA")


def test_an_uncertainty_above_the_tolerance_is_refused(resistors):
    with pytest.raises(PlanError, match=r"the uncertainty exceeds the tolerance at 0 % \(TUR 0.80\)") as refused:
        risk_table(resistors(0.25), in_tolerance=0.95)
    assert "better instruments" in refused.value.todo


def test_without_an_uncertainty_it_is_refused(resistors):
    with pytest.raises(PlanError, match=r"small\.bench\.yaml: no uncertainty is known") as refused:
        risk_table(resistors(None), in_tolerance=0.95)
    assert refused.value.todo == "give accuracy and resolution in the instrument descriptions"


@pytest.mark.parametrize("share", [0.0, 1.0, -0.5, 95.0, float("nan")])
def test_a_share_that_is_none_is_refused(small, share):
    with pytest.raises(InputError, match="not between 0 and 100 %"):
        risk(small(), in_tolerance=share)


def test_of_one_point_the_unit_has_the_chances_of_the_point(resistors):
    planned = resistors()
    one = next(each for each in planned.points if each.role == "reading")
    planned = replace(planned, points=(replace(one, u_own=0.01, u_settling=0.02),))
    table = risk_table(planned, in_tolerance=IN_TOLERANCE)
    for found in (table.of_unit.shared, table.of_unit.independent):
        assert found.false_accept == pytest.approx(RESISTORS[3][1], abs=4 * found.u_false_accept)  # w = U
        assert found.false_reject == pytest.approx(RESISTORS[3][2], abs=4 * found.u_false_reject)
    assert (table.of_unit.places_n, table.of_unit.unknown_n) == (1, 0)


def test_cycles_repeat_the_same_places_unless_readings_scatter(small):
    planned = small()
    reads = [each for each in planned.points if each.role in {"reading", "end pair"}]
    places = {(each.setpoint.frac, each.setpoint.direction) for each in reads if each.role == "reading"}
    still, loose = unit_chances(planned), unit_chances(planned, scatter=0.01)
    assert still.places_n == len(places)
    assert loose.places_n == len(reads)
    # A scatter as large as the tolerance is wide leaves few good units a plain pass.
    assert loose.independent.false_reject > still.independent.false_reject


def test_points_with_errors_of_their_own_reject_more_good_units_and_accept_fewer_bad_ones(small):
    # A union bound: no two points that share less can fail together more often.
    simple = {"settled within: 20 %": 'settled within: 20 %\ndecision rule: "ILAC-G8:09/2019 simple acceptance"'}
    found = unit_chances(small(sequence=simple))
    assert found.independent.false_reject > found.shared.false_reject
    by_chance = 3 * math.hypot(found.independent.u_false_accept, found.shared.u_false_accept)
    assert found.independent.false_accept < found.shared.false_accept + by_chance


def test_a_place_without_a_known_uncertainty_is_left_out_and_counted(small):
    planned = small()
    at_once = [each for each in planned.points if each.role == "reading"][1]
    points = tuple(
        replace(each, U=None, tur=None) if each.setpoint.frac == at_once.setpoint.frac else each
        for each in planned.points
    )
    found = unit_chances(replace(planned, points=points))
    assert found.unknown_n > 0
    assert found.places_n + found.unknown_n == unit_chances(planned).places_n
    assert "left out, uncertainty not known" in risk_text(risk_table(replace(planned, points=points), in_tolerance=0.9))


def test_what_a_plan_says_of_its_risk(small, resistors):
    said = " ".join(plan_text(small()).split())
    assert "of all units good and rejected" in said
    assert "if 95 % are in tolerance at all points" in said
    assert expected_chances(resistors(None)) is None
    assert "risk: not known, see TUR" in " ".join(plan_text(resistors(None)).split())
    six = {"settled within: 20 %": 'settled within: 20 %\ndecision rule: "ILAC-G8:09/2019 6 sigma"'}
    assert "6 sigma leaves nothing to accept" in " ".join(plan_text(resistors(sequence=six)).split())
    assert unit_chances(resistors(sequence=six)).shared is None


@pytest.mark.parametrize("scatter", ["", "0.002 mA", "0.05 % of span"])
def test_a_supposed_scatter_is_said(small, scatter):
    text = risk_text(risk(small(), scatter=scatter))
    assert ("of which nothing is known before a run" in " ".join(text.split())) == (not scatter)
    assert max(map(len, text.splitlines())) <= 80


def test_a_scatter_in_another_unit_is_refused(small):
    with pytest.raises(InputError, match="is not in mA"):
        risk(small(), scatter="0.2 kg")


@pytest.mark.parametrize(
    ("shares", "said"),
    [
        # To two digits where four standard uncertainties are a tenth of it, else to one, else as a bound.
        ([(0.06, 0.0001), (0.0764, 0.0001)], "6.0 to 7.6 %"),
        ([(0.06, 0.0001), (0.06, 0.0001)], "6.0 %"),
        ([(0.1234, 0.0001), (0.0123, 0.0004)], "1 to 12 %"),
        ([(0.00001, 0.00002), (0.00007, 0.00001)], "below 0.008 %"),
        ([(0.0, 0.0), (0.00007, 0.00001)], "up to 0.007 %"),
        ([(0.0, 0.0), (0.0, 0.0)], "below 0.005 %"),
    ],
)
def test_a_share_is_said_to_the_digits_that_its_computation_holds(small, monkeypatch, shares, said):
    (good, u_good), (other, u_other) = shares
    ends = [
        UnitRisk(false_accept=0.0, false_reject=share, u_false_accept=0.0, u_false_reject=u)
        for share, u in ((good, u_good), (other, u_other))
    ]
    chances = replace(unit_chances(small()), shared=ends[0], independent=ends[1])
    monkeypatch.setattr("sequencer.reports.terminal.plan.expected_chances", lambda _: chances)
    assert f"risk: {said} of all units good and rejected, below 0.005 %" in " ".join(plan_text(small()).split())
