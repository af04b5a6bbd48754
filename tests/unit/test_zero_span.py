"""Zero error and span error from the ends."""

import numpy as np
import pytest

from sequencer.evaluation.figures.zero_span import zero_span

NAN = float("nan")
X_PCT = np.array([0.0, 50.0, 100.0])


def one(up, down):
    return np.array([[[up, down]]])


def test_zero_and_span():
    found = zero_span(one([0.2, 9.0, 0.5], [0.4, 9.0, 0.7]), X_PCT)
    assert [found.zero_pct[0], found.span_pct[0]] == pytest.approx([0.3, 0.3])
    assert (found.zero_reason(0), found.reason(0)) == ("", "")


def test_without_an_upper_end_there_is_a_zero_but_no_span_error():
    found = zero_span(one([0.2, 1.0, NAN], [0.4, 1.0, NAN]), X_PCT)
    assert found.zero_pct[0] == pytest.approx(0.3)
    assert np.isnan(found.span_pct[0])
    assert (found.zero_reason(0), found.reason(0)) == ("", "no reading at the upper end")


def test_a_traverse_that_does_not_reach_zero_has_no_zero_error():
    found = zero_span(one([0.2, 1.0, 1.0], [0.4, 1.0, 1.0]), np.array([10.0, 50.0, 100.0]))
    assert np.isnan([found.zero_pct[0], found.span_pct[0]]).all()
    assert found.zero_reason(0) == "lower end at 10 % of input span, 0 % needed, within 1 %"


def test_a_source_a_little_off_its_end_is_at_the_end():
    found = zero_span(one([0.2, 1.0, 1.2], [0.2, 1.0, 1.2]), np.array([0.05, 50.0, 99.9]))
    assert [found.zero_pct[0], found.span_pct[0]] == pytest.approx([0.2, 1.0])
    assert "zero" not in found.definition
    assert found.zero_definition.endswith("at the lower end")
