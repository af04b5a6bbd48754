"""Verdicts and their sentences."""

from dataclasses import replace

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.conformity import (
    Verdict,
    judge,
    method_6_multiplier,
    probability_of_conformity,
)
from sequencer.inputs.decision_rules import RULES

NAN = float("nan")
SIMPLE = RULES["ILAC-G8:09/2019 simple acceptance"]
GRADED = RULES["ILAC-G8:09/2019 non-binary"]
BINARY = RULES["ILAC-G8:09/2019 guard band"]
METHOD_6 = RULES["ANSI/NCSL Z540.3 handbook method 6"]


def test_verdicts_and_reasons():
    found = judge([0.05, 0.09, -0.11, 0.2], 0.02, rule=GRADED, lower=-0.1, upper=0.1)
    expected = [
        ("Pass", "0.05", "more than 99.99 %"),
        ("Conditional pass", "0.09", "84.13 %"),
        ("Conditional fail", "-0.11", "15.87 %"),
        ("Fail", "0.2", "less than 0.01 %"),
    ]
    for place, (verdict, value, probability) in enumerate(expected):
        assert found.reason(place, in_unit="%") == (
            f"{verdict} by ILAC-G8:09/2019 non-binary: {value} % with U = 0.02 %, limits -0.1 to 0.1 %, "
            f"accepted -0.08 to 0.08 %; conforms with a probability of {probability}."
        )
    assert found.is_pass.tolist() == [True, False, False, False]


@pytest.mark.parametrize(
    ("rule", "value", "U", "limits", "reason"),
    [
        (GRADED, NAN, 0.02, (-0.1, 0.1), "no value"),
        (GRADED, 0.0, 0.02, (-0.1, NAN), "no tolerance"),
        (GRADED, 0.0, NAN, (-0.1, 0.1), "uncertainty not known, and ILAC-G8:09/2019 non-binary needs it"),
        (GRADED, 0.0, 0.11, (-0.1, 0.1), "U = 0.11 exceeds the tolerance -0.1 to 0.1"),
        # Simple acceptance says nothing there either.
        (SIMPLE, 0.0, 0.11, (-0.1, 0.1), "U = 0.11 exceeds the tolerance -0.1 to 0.1"),
        (METHOD_6, 0.0, 0.02, (-np.inf, 0.1), f"{METHOD_6.name} needs a tolerance with two limits"),
        (RULES["root sum square"], 0.0, 0.02, (-0.1, np.inf), "root sum square needs a tolerance with two limits"),
        (
            RULES["ILAC-G8:09/2019 6 sigma"],
            0.0,
            0.05,
            (-0.1, 0.1),
            "the guard bands of 0.15 leave nothing to accept",
        ),
    ],
)
def test_what_is_not_determinable_says_why(rule, value, U, limits, reason):
    found = judge(value, U, rule=rule, lower=limits[0], upper=limits[1])
    assert int(found.verdict) == Verdict.NOT_DETERMINABLE
    assert found.reason() == f"Not determinable: {reason}."


def test_simple_acceptance_judges_without_an_uncertainty_and_says_so():
    found = judge([0.05, 0.2], NAN, rule=SIMPLE, lower=-0.1, upper=0.1)
    assert found.verdict.tolist() == [Verdict.PASS, Verdict.FAIL]
    assert found.reason(0) == f"Pass by {SIMPLE.name}: 0.05, limits -0.1 to 0.1; uncertainty not known."
    assert np.isnan(found.probability).all()


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        ({"upper": 1.0}, "limits up to 1 V, accepted up to 0.9 V"),
        ({"lower": -1.0}, "limits from -1 V, accepted from -0.9 V"),
        ({}, "limits none, accepted none"),
    ],
)
def test_tolerances_with_one_limit(limits, words):
    found = judge(0.5, 0.1, rule=BINARY, **limits)
    assert int(found.verdict) == Verdict.PASS
    assert words in found.reason(in_unit="V")
    assert np.isnan(found.tur)


def test_u_equal_to_the_tolerance_is_judged_and_passes_in_the_middle_only():
    assert judge([0.0, 0.01], 0.1, rule=BINARY, lower=-0.1, upper=0.1).verdict.tolist() == [Verdict.PASS, Verdict.FAIL]


def test_a_result_on_the_limit_but_for_rounding_lies_on_it():
    assert 0.1 + 0.2 > 0.3
    assert int(judge(0.1 + 0.2, 0.0, rule=SIMPLE, lower=-0.3, upper=0.3).verdict) == Verdict.PASS
    assert int(judge(0.3 + 1e-9, 0.0, rule=SIMPLE, lower=-0.3, upper=0.3).verdict) == Verdict.FAIL


def test_no_uncertainty_is_certain():
    found = judge([0.1, 0.2], 0.0, rule=METHOD_6, lower=-0.1, upper=0.1)
    assert found.probability.tolist() == [1.0, 0.0]
    assert found.tur.tolist() == [np.inf, np.inf]
    assert found.verdict.tolist() == [Verdict.PASS, Verdict.FAIL]
    assert found.reason(0).endswith("conforms with a probability of 100 %.")


def test_unknown_degrees_of_freedom_leave_the_verdict_but_not_the_probability():
    found = judge(0.05, 0.02, rule=BINARY, lower=-0.1, upper=0.1, dof=NAN)
    assert int(found.verdict) == Verdict.PASS
    assert found.reason().endswith("; probability of conformity not known.")


def test_few_degrees_of_freedom_make_conformity_less_probable():
    normal = probability_of_conformity(0.0, 1.0, upper=2.0)
    few = probability_of_conformity(0.0, 1.0, upper=2.0, dof=3)
    # Three degrees of freedom, in closed form: 1/2 + (x / (1 + x^2) + arctan x) / pi with x = t / sqrt(3).
    x = 2 / np.sqrt(3)
    assert float(few) == pytest.approx(0.5 + (x / (1 + x**2) + np.arctan(x)) / np.pi, rel=1e-13)
    assert few < normal


def test_probability_far_outside_keeps_its_digits_on_both_sides():
    beyond = [float(probability_of_conformity(sign * 31.0, 1.0, lower=-1.0, upper=1.0)) for sign in (1, -1)]
    # Two-sided, scipy: norm.sf(30) - norm.sf(32).
    assert beyond == pytest.approx([4.906713927148187e-198] * 2, rel=1e-10, abs=0)


def test_a_probability_is_never_rounded_to_certainty():
    # Ten and a hundred standard uncertainties from the limit: 1 and 0 as far as a float goes.
    found = judge([0.0, 1.1], 0.02, rule=SIMPLE, lower=-0.1, upper=0.1)
    assert found.probability.tolist() == [1.0, 0.0]
    assert found.reason(0).endswith("conforms with a probability of more than 99.99 %.")
    assert found.reason(1).endswith("conforms with a probability of less than 0.01 %.")
    certain = judge([0.0, 1.1], 0.0, rule=SIMPLE, lower=-0.1, upper=0.1)
    assert certain.reason(0).endswith("conforms with a probability of 100 %.")
    assert certain.reason(1).endswith("conforms with a probability of 0 %.")


@pytest.mark.parametrize(
    ("probability", "words"),
    [(0.9999, "99.99 %"), (0.99991, "more than 99.99 %"), (0.0001, "0.01 %"), (0.00009, "less than 0.01 %")],
)
def test_a_probability_has_four_digits_between_its_ends(probability, words):
    found = replace(judge([0.0], 0.02, rule=SIMPLE, lower=-0.1, upper=0.1), probability=np.array([probability]))
    assert found.reason(0).endswith(f"conforms with a probability of {words}.")


def test_levels_have_four_digits():
    found = judge(0.123456, 0.0123456, rule=BINARY, lower=-0.333333, upper=0.333333)
    assert found.reason(in_unit="mA") == (
        f"Pass by {BINARY.name}: 0.1235 mA with U = 0.01235 mA, limits -0.3333 to 0.3333 mA, accepted "
        "-0.321 to 0.321 mA; conforms with a probability of more than 99.99 %."
    )


def test_rounding_is_that_of_the_limit_however_small():
    assert int(judge(1.0005e-9, 0.0, rule=SIMPLE, upper=1e-9).verdict) == Verdict.FAIL
    assert int(judge(-1.0005e-9, 0.0, rule=SIMPLE, lower=-1e-9).verdict) == Verdict.FAIL


def test_the_only_value_allowed_passes_where_nothing_is_uncertain():
    assert judge([0.0, 1e-9], 0.0, rule=SIMPLE, lower=0.0, upper=0.0).verdict.tolist() == [Verdict.PASS, Verdict.FAIL]


def test_guard_bands_that_leave_nothing_are_told_from_a_u_that_exceeds_the_tolerance():
    rule = RULES["ILAC-G8:09/2019 6 sigma"]
    found = judge([0.0, 0.0], [0.1, 0.11], rule=rule, lower=-0.1, upper=0.1)
    assert found.reason(0) == "Not determinable: the guard bands of 0.3 leave nothing to accept."
    assert found.reason(1) == "Not determinable: U = 0.11 exceeds the tolerance -0.1 to 0.1."


def test_the_root_sum_square_leaves_what_u_does_not_take():
    # sqrt(0.5^2 - 0.3^2) = 0.4, so w = 0.1.
    found = judge([0.39, 0.41], 0.3, rule=RULES["root sum square"], lower=-0.5, upper=0.5)
    assert found.guard_band == pytest.approx([0.1, 0.1])
    assert found.verdict.tolist() == [Verdict.PASS, Verdict.FAIL]


def test_verdicts_are_numbers_from_pass_to_open():
    assert [int(each) for each in Verdict] == [0, 1, 2, 3, 4]
    assert [each.text for each in Verdict][1:] == ["conditional pass", "conditional fail", "fail", "not determinable"]


def test_without_uncertainty_a_result_on_a_limit_conforms():
    assert probability_of_conformity([-1.0, 1.0, -1.1, 1.1], 0.0, lower=-1.0, upper=1.0).tolist() == [1, 1, 0, 0]
    assert np.isnan(probability_of_conformity([0.0, 0.0, NAN], 0.0, lower=[NAN, -1, -1], upper=[1.0, NAN, 1.0])).all()


def test_with_one_limit_or_no_u_there_is_no_tur():
    found = judge(0.0, [0.1, 0.0, NAN, 0.1], rule=BINARY, lower=[-np.inf, -np.inf, -1.0, -1.0], upper=1.0)
    assert found.tur == pytest.approx([NAN, NAN, NAN, 10.0], nan_ok=True)


def test_probability_without_a_tolerance_or_value_is_not_a_number():
    assert np.isnan(
        probability_of_conformity([NAN, 0.0, 0.0], [1.0, NAN, 1.0], lower=-1.0, upper=[1.0, 1.0, NAN])
    ).all()
    assert float(probability_of_conformity(0.0, 1.0)) == 1.0


def test_arrays_of_units_and_points_broadcast():
    found = judge(np.zeros((3, 2)), [0.1, 0.2], rule=GRADED, lower=-1.0, upper=[[1.0], [2.0], [3.0]])
    assert found.verdict.shape == found.tur.shape == found.probability.shape == (3, 2)


def test_method_6_has_no_multiplier_without_a_ratio():
    assert np.isnan(method_6_multiplier([0.0, -1.0, NAN])).all()


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: judge(0.0, -1.0, rule=SIMPLE),
            "conformity: an uncertainty is negative, or.*\n.*\n  do: give U without",
        ),
        (lambda: judge(np.inf, 1.0, rule=SIMPLE), "conformity: an uncertainty is negative, or something infinite"),
        (lambda: judge(0.0, 1.0, rule=SIMPLE, lower=1, upper=-1), "the lower limit lies above.*\n  do: exchange"),
        (
            lambda: judge([0.0, 1.0], [1.0] * 3, rule=SIMPLE),
            r"shapes do not go together: \(2,\), \(3,\).*\n.*\n  do: give",
        ),
    ],
)
def test_what_cannot_be_is_refused(make, message):
    with pytest.raises(ReadingsError, match=message):
        make()
