"""Budgets: contributions from statements of instruments, what is refused, and what is not determinable."""

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.contributions import (
    dof_of_unreliable,
    from_certificate,
    from_half_width,
    from_readings,
    from_resolution,
    from_standard,
)
from sequencer.evaluation.figures.uncertainty import combine

NAN = float("nan")


@pytest.mark.parametrize(
    ("contribution", "u"),
    [
        pytest.param(from_half_width("accuracy", 0.03), 0.03 / np.sqrt(3), id="rectangular"),
        pytest.param(from_half_width("accuracy", 0.06, distribution="triangular"), 0.06 / np.sqrt(6), id="triangular"),
        pytest.param(from_half_width("cycling", 0.5, distribution="arcsine"), 0.5 / np.sqrt(2), id="arcsine"),
        pytest.param(from_resolution("digit", 0.001), 0.001 / np.sqrt(12), id="resolution"),
        pytest.param(from_certificate("standard", 0.02, k=2), 0.01, id="certificate with k"),
        # k of 95 % with 4 degrees of freedom is 2.776.
        pytest.param(from_certificate("standard", 2.7764451, probability=0.95, dof=4), 1.0, id="certificate with p"),
        pytest.param(from_readings("mean", 0.3, 9), 0.1, id="readings"),
    ],
)
def test_standard_uncertainty_of_a_statement(contribution, u):
    assert float(contribution.u) == pytest.approx(u, rel=1e-7)


def test_one_reading_has_no_type_a_uncertainty_and_says_so():
    budget = combine([from_half_width("meter", 0.1), from_readings("reading", [NAN, 0.2, 0.0], [1, 4, 4])])
    assert np.isnan([budget.u[0], budget.dof[0], budget.k[0], budget.U[0]]).all()
    assert [budget.reason(unit) for unit in range(3)] == [
        "reading: fewer than two readings, and no pooled standard deviation",
        "",
        "",
    ]
    # Readings that do not differ are known exactly, as far as they go; the resolution is a contribution of its own.
    assert budget.u[2] == pytest.approx(0.1 / np.sqrt(3), rel=1e-15)


def test_one_reading_with_a_pooled_standard_deviation_is_determinable():
    mean = from_readings("reading", [NAN, 0.2], [1, 4], pooled_sd=0.3, pooled_dof=20)
    assert mean.u.tolist() == [0.3, 0.15]
    assert mean.dof.tolist() == [20.0, 20.0]


def test_no_reading_at_all_is_not_determinable_even_with_a_pooled_standard_deviation():
    assert np.isnan(from_readings("reading", NAN, 0, pooled_sd=0.3).u)


def test_units_do_not_see_each_other():
    u = np.array([[1.0, NAN], [2.0, 3.0]])
    budget = combine([from_standard("a", u, dof=5), from_standard("b", [4.0, 4.0])])
    assert budget.u == pytest.approx(np.hypot(u, 4.0), nan_ok=True)
    assert budget.reason(0, 1) == "a: uncertainty not known"
    assert [share.name for share in budget.ranked(1, 1)] == ["b", "a"]
    assert budget.ranking[:, 0, 1].tolist() == [0, 1]


def test_a_missing_sensitivity_is_named():
    assert combine([from_standard("source", 1.0, sensitivity=NAN)]).reason() == "source: sensitivity not known"


def test_nothing_uncertain_gives_nothing_and_no_division():
    budget = combine([from_standard("a", 0.0, dof=3), from_standard("b", 0.0)])
    assert [float(budget.u), float(budget.U), float(budget.dof)] == [0.0, 0.0, np.inf]
    assert budget.share_frac.tolist() == [0.0, 0.0]


def test_what_has_no_effect_does_not_limit_the_degrees_of_freedom():
    assert float(combine([from_standard("a", 1.0), from_standard("b", 0.0, dof=1)]).dof) == np.inf


def test_correlated_contributions_add_up_or_cancel():
    parts = [from_standard("a", 3.0), from_standard("b", 4.0, sensitivity=-1.0)]
    assert float(combine(parts, correlations={("a", "b"): 1.0}).u) == pytest.approx(1.0, rel=1e-15)
    assert float(combine(parts, correlations=[[1, -1], [-1, 1]]).u) == pytest.approx(7.0, rel=1e-15)
    shares = combine(parts, correlations={("b", "a"): -0.5}).share_frac
    assert shares.sum() == pytest.approx(1.0, rel=1e-15)


def test_k_as_given_has_no_probability():
    budget = combine([from_standard("a", 3.0, dof=2)], k=2)
    assert (float(budget.U), budget.probability) == (6.0, None)
    assert "k = 2 as given" in budget.definition


def test_truncation_stays_above_0():
    assert float(combine([from_standard("a", 1.0, dof=1.9)], is_dof_truncated=True).dof) == 1.0
    assert float(combine([from_standard("a", 1.0, dof=0.5)], is_dof_truncated=True).dof) == 0.5


def test_second_order_of_a_square_is_the_exact_variance_of_a_normal_quantity():
    # y = x^2, x normal: variance 4 m^2 u^2 + 2 u^4; curvature 2, no third derivative.
    m, u = 0.3, 0.5
    budget = combine([from_standard("x", u, sensitivity=2 * m)], curvatures={("x", "x"): 2.0})
    assert float(budget.u) ** 2 == pytest.approx(4 * m**2 * u**2 + 2 * u**4, rel=1e-14)


def test_second_order_with_third_derivatives():
    # y = x^3 at m, to the order u^4: 9 m^4 u^2 + (18 m^2 + 18 m^2) u^4.
    m, u = 2.0, 0.1
    budget = combine(
        [from_standard("x", u, sensitivity=3 * m**2)], curvatures={("x", "x"): 6 * m}, thirds={("x", "x"): 6.0}
    )
    assert float(budget.u) ** 2 == pytest.approx(9 * m**4 * u**2 + 36 * m**2 * u**4, rel=1e-14)
    assert float(budget.u_second_order) == pytest.approx(6 * m * u**2, rel=1e-14)


def test_unreliable_uncertainties():
    assert dof_of_unreliable([0.1, 0.5, 0.0]) == pytest.approx([50.0, 2.0, np.inf])
    assert np.isnan(dof_of_unreliable([-0.1, NAN])).all()


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: from_half_width("meter", -0.1),
            "meter: an uncertainty is negative or infinite\n.*\n  do: give accuracy",
        ),
        (lambda: from_half_width("meter", np.inf), "meter: an uncertainty is negative or infinite"),
        (lambda: from_standard("a", 1.0, dof=0), "a: degrees of freedom are 0 or less\n.*\n  do: take at least two"),
        (lambda: from_certificate("c", 1.0), "c: an expanded uncertainty has one coverage factor\n.*\n  do: give what"),
        (lambda: from_certificate("c", 1.0, k=2, probability=0.95), "c: an expanded uncertainty has one coverage"),
        (lambda: from_certificate("c", 1.0, k=0), "c: a coverage factor is 0 or less\n  do: give k as printed"),
        (lambda: combine([from_standard("a", 1.0)], k=0), "budget: a coverage factor is 0 or less\n  do: give k = 2"),
        (
            lambda: combine([from_standard("a", 1.0)], probability=95),
            "95 is not the probability.*\n.*\n  do: give 0.95",
        ),
        (lambda: combine([]), "budget: no contribution\n.*\n  do: name each"),
        (lambda: combine([from_standard("a", 1.0)] * 2), "budget: a name stands twice"),
        (
            lambda: combine([from_standard("a", [1.0, 2.0]), from_standard("b", [1.0, 2.0, 3.0])]),
            "budget: contributions have shapes that do not go together\n.*\n  do: give all",
        ),
        (
            lambda: combine([from_standard("a", 1.0), from_standard("b", 1.0)], correlations={("a", "b"): 1.1}),
            "budget: correlation coefficients contradict each other\n.*\n  do: correct",
        ),
        (lambda: combine([from_standard("a", 1.0)], correlations=np.eye(2)), "correlation coefficients contradict"),
        (
            lambda: combine([from_standard("a", 1.0)], curvatures={("a", "z"): 1.0}),
            "budget: z is not in the budget\n  allowed: a\n  do: name two",
        ),
    ],
)
def test_what_cannot_be_is_refused(make, message):
    with pytest.raises(ReadingsError, match=message):
        make()
