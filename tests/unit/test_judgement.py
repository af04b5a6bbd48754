"""Each error against its tolerance, by numbers worked out by hand.

T is the half width of the tolerance, w the guard band, U the expanded uncertainty, all in mA. By JCGM 106:2012 8.3
(from memory) a result is accepted up to T - w. Where T is less than what can be told, more than T plus what is
explained is out, the rest is not determinable.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sequencer.evaluation.figures.conformity import Verdict
from sequencer.evaluation.judgement import NEGLIGIBLE_FRAC, Resolved, Uncertainty, judged, resolved, steps_shown

NAN = float("nan")
PASS, OPEN, FAIL = Verdict.PASS, Verdict.NOT_DETERMINABLE, Verdict.FAIL
NON_BINARY = "ILAC-G8:09/2019 non-binary"
PULSE = (
    "type: pulse rate converter\ninput: {range: 0 .. 1000 Hz}\noutput: {range: 4 .. 20 mA}\ntolerance: 0.2 % of span\n"
)
CHAIN = """\
type: two stages
taps:
  - {tap: speed, range: 0 .. 1200 rpm}
  - {tap: pulse, range: 0 .. 2400 Hz}
  - {tap: returned, range: 4 .. 20 mA}
stages:
  - {stage: pickup, pulses per revolution: 120, tolerance: 0.1 % of span}
  - {stage: converter, tolerance: 5 % of span}
tolerance: 5 % of span
"""


def judgement(error, T, *, least=0.0, explained=0.0, U=None, k=2.0, dof=np.inf, rule=NON_BINARY, span=16.0):
    """Of errors at one tolerance, or each at its own."""
    error = np.array(error, dtype=float)
    shown = Resolved(least=np.full(error.shape, least), explained=np.full(error.shape, explained))
    known = None
    if U is not None:
        known = Uncertainty(U=np.broadcast_to(U, error.shape), k=np.full(error.shape, k), dof=np.full(error.shape, dof))
    T = np.broadcast_to(T, error.shape)
    return judged(error, T, span=span, shown=shown, known=known, rule=rule)


def results(*given, **more):
    return judgement(*given, **more).result.tolist()


def test_with_nothing_known_the_tolerance_alone_decides():
    found = judgement([0.0, 0.031, -0.032, 0.033, -0.033, 3.0], 0.032)
    assert found.result.tolist() == [PASS, PASS, PASS, FAIL, FAIL, FAIL]
    assert found.result.dtype == np.int64
    assert found.conformity is None
    assert not found.is_unresolved.any()
    assert not found.is_out.any()  # that is said only of tolerances that are next to nothing


def test_rounding_fails_nothing_on_its_limit_and_one_part_in_a_million_does():
    assert results([0.032 * (1 + 5e-10), 0.032 * (1 + 1e-6)], 0.032) == [PASS, FAIL]
    assert results([-0.032 * (1 + 5e-10), -0.032 * (1 + 1e-6)], 0.032) == [PASS, FAIL]


def test_what_was_not_read_is_open_and_no_matter_of_resolution():
    found = judgement([NAN, NAN], [0.032, 0.0], least=0.005)
    assert found.result.tolist() == [OPEN, OPEN]
    assert not found.is_unresolved.any()
    assert judgement([NAN, NAN], [0.032, 0.0], U=0.01).result.tolist() == [OPEN, OPEN]


# Of 0 or not known: 1e-9 of 16 mA are 1.6e-8 mA, and so much is rounding.
@pytest.mark.parametrize("T", [0.0, 1e-9, NAN])
def test_a_tolerance_of_nothing_passes_nothing(T):
    found = judgement([0.0, 1.5e-8, -1.5e-8, 1.8e-8, -1.8e-8, 1.0], T)
    assert found.result.tolist() == [OPEN, OPEN, OPEN, FAIL, FAIL, FAIL]
    assert found.is_unresolved.all()
    assert found.is_out.tolist() == [False] * 3 + [True] * 3


def test_what_is_next_to_nothing_goes_by_the_span():
    assert NEGLIGIBLE_FRAC == 1e-9
    assert results([1.2e-8], 1.1e-8, span=16.0) == [OPEN]  # below 1.6e-8
    assert results([1.2e-8], 1.3e-8, span=10.0) == [PASS]  # above 1e-8
    assert results([1.2e-8], 1.1e-8, span=10.0) == [FAIL]


def test_a_tolerance_below_half_a_step_of_the_digits_is_not_resolved():
    # Steps of 0.5: half a step 0.25. T = 0.125 plus 0.5 explained: more than 0.625 is out. Exact in binary.
    found = judgement([0.0, 0.126, 0.625, -0.625, 0.6251, -0.6251], 0.125, least=0.25, explained=0.5)
    assert found.result.tolist() == [OPEN, OPEN, OPEN, OPEN, FAIL, FAIL]
    assert found.is_unresolved.all()
    assert found.least.tolist() == [0.25] * 6


def test_a_tolerance_of_just_half_a_step_is_resolved():
    found = judgement([0.25, 0.2501], 0.25, least=0.25, explained=0.5)
    assert found.result.tolist() == [PASS, FAIL]
    assert not found.is_unresolved.any()


def test_the_decision_rule_decides_where_u_is_known():
    # U = 0.0064, T = 0.032: w = U, so accepted to 0.0256 and rejected from 0.0384.
    found = judgement([0.0255, -0.0257, 0.0321, -0.0383, 0.0385], 0.032, U=0.0064)
    assert found.result.tolist() == [PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, 2, FAIL]
    assert found.conformity.rule.name == NON_BINARY
    assert found.conformity.guard_band == pytest.approx(0.0064)
    assert found.conformity.lower.tolist() == [-0.032] * 5
    assert found.conformity.upper.tolist() == [0.032] * 5
    assert results([0.0255, -0.0257], 0.032, U=0.0064, rule="ILAC-G8:09/2019 guard band") == [PASS, FAIL]


def test_coverage_factor_and_degrees_of_freedom_make_the_probability():
    # U = 0.03 at k = 3: u = 0.01, and the limits lie 1 u above and 3 u below.
    found = judgement([0.01], 0.02, U=0.03, k=3.0, dof=5, rule="ILAC-G8:09/2019 simple acceptance")
    expected = stats.t.cdf(1.0, 5) - stats.t.cdf(-3.0, 5)
    assert found.conformity.probability == pytest.approx([expected], rel=1e-12)


def test_where_u_exceeds_the_tolerance_more_than_both_is_out():
    # T = 0.25 and U = 0.5: beyond 0.75. What the digits say counts only where U is not known.
    found = judgement([0.0, 0.25, 0.75, -0.75, 0.7501, -0.7501], 0.25, U=0.5, least=9.0, explained=9.0)
    assert found.result.tolist() == [OPEN, OPEN, OPEN, OPEN, FAIL, FAIL]
    assert found.is_out.tolist() == [False] * 4 + [True] * 2
    assert found.least.tolist() == [0.5] * 6


@pytest.mark.parametrize(
    ("rule", "w"),
    [
        ("ILAC-G8:09/2019 6 sigma", 1.5),  # 3 U
        ("ILAC-G8:09/2019 uncritical", 0.5),  # -U
        ("ILAC-G8:09/2019 simple acceptance", 0.5),  # none, so U
        ("root sum square", 0.5),  # sqrt(T^2 - U^2) is no number, so U
    ],
)
def test_what_is_out_lies_beyond_the_guard_band_too(rule, w):
    assert results([0.25 + w, 0.2501 + w, -0.2501 - w], 0.25, U=0.5, rule=rule) == [OPEN, FAIL, FAIL]


def test_where_u_is_not_known_the_digits_stand_for_it():
    # The first two have U and are resolved; the others have none, and digits of half a step 0.5.
    found = judgement([0.1, 1.6, 0.1, 1.6], 0.75, U=[0.125, 0.125, NAN, NAN], least=1.0, explained=0.75)
    assert found.least.tolist() == [0.125, 0.125, 1.0, 1.0]
    assert found.is_unresolved.tolist() == [False, False, True, True]
    assert found.result.tolist() == [PASS, FAIL, OPEN, FAIL]  # 1.6 is more than 0.75 + 0.75
    # Resolved, but the rule needs a U.
    assert results([0.1], 0.75, U=NAN, least=0.5, explained=0.5) == [OPEN]


def test_places_are_judged_each_by_its_own_tolerance():
    found = judgement([0.05, 0.05, 0.05], [0.1, 0.0, 0.02], least=0.01, explained=0.02)
    assert found.result.tolist() == [PASS, FAIL, FAIL]
    assert found.is_unresolved.tolist() == [False, True, False]
    assert found.is_out.tolist() == [False, True, False]


def test_the_uncertainty_of_some_errors_is_theirs_in_each_part():
    known = Uncertainty(U=np.array([1.0, 2, 3]), k=np.array([4.0, 5, 6]), dof=np.array([7.0, 8, 9]))
    some = known.at(np.array([True, False, True]))
    assert [some.U.tolist(), some.k.tolist(), some.dof.tolist()] == [[1, 3], [4, 6], [7, 9]]


def table(*rows):
    return pd.DataFrame(rows, columns=["step_name", "tap", "raw", "value"])


@pytest.mark.parametrize(
    ("raw", "value", "step"),
    [
        ("4.00", 4.0, 0.01),
        ("4.0", 4.0, 0.1),
        ("4,000", 4.0, 0.001),
        ("4.050", 4.05, 0.001),
        ("12.34", 12.34, 0.01),
        ("0.5", 0.5, 0.1),
        ("4", 4.0, 1.0),
        ("400", 400.0, 1.0),
        ("400.10 mA", 400.1, 0.01),
        ("", 4.0, 1.0),
        ("1E-6", 1e-6, 1e-6),
        ("", 1e15, 1.0),
        ("", float("inf"), 1.0),
    ],
)
def test_a_number_as_typed_shows_its_step(raw, value, step):
    assert steps_shown(table(("by hand", "output", raw, value))) == {"output": pytest.approx(step, rel=1e-12)}


def test_zeros_that_an_instrument_sends_are_no_digits():
    # "+4.00000E+00" is how it formats any number; 12.5 has tenths all the same.
    for name in ("traverse", "alpha"):  # before and behind "by hand" in the alphabet
        sent = table((name, "output", "4.000000", 4.0), (name, "output", "12.500000", 12.5))
        assert steps_shown(sent) == {"output": pytest.approx(0.1)}


def test_each_tap_has_the_smallest_of_its_own_steps():
    found = steps_shown(
        table(
            ("by hand", "input", "5", 5.0),
            ("by hand", "output", "12.0", 12.0),
            ("by hand", "output", "12.25", 12.25),
            ("by hand", "output", "0.001", NAN),
        )
    )
    assert found == {"input": 1.0, "output": pytest.approx(0.01)}
    assert steps_shown(table(("by hand", "output", "", NAN))) == {}


# 16 mA over 1000 Hz are 0.016 mA for each Hz.
@pytest.mark.parametrize(
    ("steps", "scatter", "least", "explained"),
    [
        ({"input": 0.5, "output": 0.01}, 0.0, 0.005, 0.005 + 0.25 * 0.016),
        ({"input": 0.5, "output": 0.01}, 0.3, 0.005, 0.005 + 0.25 * 0.016 + 0.3),
        ({"output": 0.01}, 0.0, 0.005, 0.005),
        ({"input": 0.5}, 0.0, 0.0, 0.25 * 0.016),
        # Whole mA tell nothing of the resolution, but half a step is explained.
        ({"input": 10.0, "output": 1.0}, 0.0, 0.0, 0.5 + 5 * 0.016),
        ({"output": 2.0}, 0.0, 0.0, 1.0),
        ({}, 0.0, 0.0, 0.0),
    ],
)
def test_half_a_step_at_either_end_is_what_digits_tell(type_sheet, steps, scatter, least, explained):
    x = np.array([[100.0, 500.0, 900.0]])
    found = resolved(type_sheet(PULSE).datasheet(), x, steps, scatter=scatter)
    assert found.least == pytest.approx(np.full(x.shape, least))
    assert found.explained == pytest.approx(np.full(x.shape, explained))


def test_digits_tell_of_the_taps_that_are_asked_for(type_sheet):
    sheet, x = type_sheet(CHAIN).datasheet(), np.array([300.0])
    steps = {"speed": 0.1, "pulse": 0.02, "returned": 0.004}
    # 2 Hz for each rpm at the pickup; 16 mA over 1200 rpm, or over 2400 Hz.
    whole = resolved(sheet, x, steps)
    assert whole.least == pytest.approx([0.002])
    assert whole.explained == pytest.approx([0.002 + 0.05 * 16 / 1200])
    pickup = resolved(sheet, x, steps, last=1)
    assert pickup.least == pytest.approx([0.01])
    assert pickup.explained == pytest.approx([0.01 + 0.05 * 2])
    assert resolved(sheet, x, steps, first=1).explained == pytest.approx([0.002 + 0.01 * 16 / 2400])
