"""Non-linearity of curves whose figures can be told by hand."""

import numpy as np
import pytest

from sequencer.evaluation.figures.figures import figures

NAN = float("nan")
X_PCT = np.array([0.0, 25.0, 50.0, 75.0, 100.0])
KINDS = ("independent", "terminal-based", "zero-based")


def non_linearity(error_pct, x_pct, *, kind, standard="IEC 61298-2:2008"):
    return getattr(figures(error_pct, x_pct, standard=standard), kind.replace("-", "_"))


def upscale(*curves):
    """Units read upscale only, one cycle."""
    up = np.array(curves)
    return np.stack([up, np.full(up.shape, NAN)], axis=1)[:, None]


# A peak of 1 in the middle: by hand 1 from the ends' line, half of it from the best line, 2/3 from the zero-based one.
@pytest.mark.parametrize(
    ("kind", "deviation_pct", "at_pct"),
    [("independent", -0.5, 0), ("terminal-based", 1, 50), ("zero-based", 2 / 3, 50)],
)
def test_a_peak_in_the_middle(kind, deviation_pct, at_pct):
    found = non_linearity(upscale([0.0, 0.5, 1.0, 0.5, 0.0]), X_PCT, kind=kind)
    assert [found.deviation_pct[0], found.at_pct[0]] == pytest.approx([deviation_pct, at_pct])
    assert found.reason(0) == ""


@pytest.mark.parametrize("kind", KINDS)
def test_a_straight_line_has_none(kind):
    found = non_linearity(upscale([0.5, 0.75, 1.0, 1.25, 1.5]), X_PCT, kind=kind)
    assert abs(found.deviation_pct[0]) < 1e-15
    assert [found.line_offset_pct[0], found.line_gain[0]] == pytest.approx([0.5, 0.01])


def test_the_measured_input_is_used_where_it_is_given():
    measured_pct = X_PCT + np.array([0.0, 0.5, 0.0, -0.5, 0.0])
    found = non_linearity(upscale(0.01 * measured_pct), measured_pct, kind="terminal-based")
    assert abs(found.deviation_pct[0]) < 1e-15


@pytest.mark.parametrize(
    ("curve", "kind", "reason"),
    [
        pytest.param([NAN, 1, 1, 1, 1], "terminal-based", "no reading at the lower end", id="lower end missing"),
        pytest.param([NAN, 1, 1, 1, 1], "zero-based", "no reading at the lower end", id="lower end missing, zero"),
        pytest.param([1, 1, 1, 1, NAN], "terminal-based", "no reading at the upper end", id="upper end missing"),
        pytest.param([1, NAN, NAN, NAN, 1], "independent", "2 points only, 3 needed", id="two points"),
        pytest.param([NAN] * 5, "independent", "0 points only, 3 needed", id="nothing read"),
    ],
)
def test_what_is_not_determinable_is_nan_with_its_reason(curve, kind, reason):
    found = non_linearity(upscale(np.array(curve, dtype=float)), X_PCT, kind=kind)
    assert np.isnan([found.deviation_pct[0], found.at_pct[0], found.line_gain[0], found.line_offset_pct[0]]).all()
    assert found.reason(0) == reason


def test_missing_ends_leave_the_independent_line():
    found = non_linearity(upscale([NAN, 0.0, 1.0, 0.0, NAN]), X_PCT, kind="independent")
    assert abs(found.deviation_pct[0]) == 0.5


def test_equal_setpoints_have_no_line():
    found = non_linearity(upscale([0.0, 1.0, 2.0, 1.0, 0.0]), np.full(5, 50.0), kind="independent")
    assert np.isnan(found.deviation_pct[0])
    assert found.reason(0) == "all inputs are equal"


def test_ends_far_inside_are_no_ends():
    found = non_linearity(upscale([0.0, 1.0, 0.0, 1.0, 0.0]), 0.6 * X_PCT + 20, kind="terminal-based")
    assert found.reason(0) == "lower end at 20 % of input span, 0 % needed, within 10 %"


def test_each_kind_carries_its_definition():
    texts = {non_linearity(upscale([0.0] * 5), X_PCT, kind=kind, standard="ISA-51.1-1979").definition for kind in KINDS}
    assert len(texts) == 3
    assert all(text.startswith("ISA-51.1-1979 (from memory): average curve") for text in texts)
