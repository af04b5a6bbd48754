"""Spread between cycles."""

import numpy as np
import pytest

from sequencer.evaluation.figures.repeatability import non_repeatability

NAN = float("nan")
X_PCT = np.array([0.0, 50.0, 100.0])


def cycles(*at_50_down):
    """Nil but for the downscale readings at 50 %."""
    error_pct = np.zeros((1, len(at_50_down), 2, 3))
    error_pct[0, :, 1, 1] = at_50_down
    return error_pct


def test_spread_with_its_place():
    found = non_repeatability(cycles(0.1, -0.2, 0.3), X_PCT)
    assert [found.spread_pct[0], found.at_pct[0], found.direction[0]] == pytest.approx([0.5, 50, 1])
    assert (found.cycles_n[0], found.fewest_cycles_n[0], found.reason(0)) == (3, 3, "")


@pytest.mark.parametrize(
    ("cycles_n", "reason"), [(1, "1 cycle only, 3 needed"), (2, "2 cycles only, 3 needed")], ids=["one", "two"]
)
def test_too_few_cycles_are_not_determinable(cycles_n, reason):
    found = non_repeatability(np.zeros((1, cycles_n, 2, 3)), X_PCT)
    assert np.isnan([found.spread_pct[0], found.at_pct[0]]).all()
    assert (found.reason(0), found.direction[0], found.fewest_cycles_n[0]) == (reason, -1, 0)


def test_fewer_cycles_can_be_asked_for():
    assert non_repeatability(cycles(0.0, 0.4), X_PCT, cycles_needed=2).spread_pct[0] == 0.4


def test_a_point_with_a_reading_missing_is_not_counted():
    found = non_repeatability(cycles(0.1, NAN, 0.9), X_PCT)
    assert found.spread_pct[0] == 0


def test_the_direction_is_kept_apart():
    hysteretic = np.zeros((1, 3, 2, 3))
    hysteretic[:, :, 1] = 0.5
    assert non_repeatability(hysteretic, X_PCT).spread_pct[0] == 0
