"""Hysteresis within one cycle, and the dead band."""

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.hysteresis import hysteresis

NAN = float("nan")
X_PCT = np.array([0.0, 50.0, 100.0])
# By hand: 0.2 in the first cycle, 0.5 in the second, both at 50 %.
CYCLES = np.array([[[[0.0, 0.1, 0.0], [0.0, 0.3, 0.0]], [[0.0, 0.6, 0.0], [0.0, 0.1, 0.1]]]])


def test_the_largest_of_any_cycle_with_its_place():
    found = hysteresis(CYCLES, X_PCT)
    assert [found.hysteresis_pct[0], found.at_pct[0], found.cycle[0]] == pytest.approx([0.5, 50, 1])


def test_drift_between_cycles_is_no_hysteresis():
    # Each cycle 1 % above the one before, both directions alike.
    drifting = np.zeros((1, 3, 2, 3)) + np.arange(3.0)[None, :, None, None]
    assert hysteresis(drifting, X_PCT).hysteresis_pct[0] == 0


@pytest.mark.parametrize(
    ("dead_band_pct", "expected"),
    [
        pytest.param(0.1, 0.4, id="one for all"),
        pytest.param([0.0, 0.45, 0.0], 0.1, id="one for each point: another point is then the largest"),
        pytest.param(0.9, 0.0, id="larger than all differences"),
    ],
)
def test_isa_takes_the_dead_band_off_at_each_point(dead_band_pct, expected):
    found = hysteresis(CYCLES, X_PCT, dead_band_pct=dead_band_pct, standard="ISA-51.1-1979")
    assert found.hysteresis_pct[0] == pytest.approx(expected)
    assert found.with_dead_band_pct[0] == 0.5


def test_isa_without_a_dead_band_is_not_determinable_but_the_whole_is():
    found = hysteresis(CYCLES, X_PCT, standard="ISA-51.1-1979")
    assert np.isnan(found.hysteresis_pct[0])
    assert found.with_dead_band_pct[0] == 0.5
    assert found.reason(0) == (
        'dead band not known, and this definition takes it off: state "dead band" in the type sheet, '
        'or add a "dead band" step'
    )


@pytest.mark.parametrize(
    ("up", "down", "reason"),
    [
        pytest.param([0.0, 0.1, 0.2], [NAN, NAN, NAN], "no downscale readings", id="upscale only"),
        pytest.param([NAN, NAN, NAN], [0.0, 0.1, 0.2], "no upscale readings", id="downscale only"),
        pytest.param([NAN, 0.1, 0.2], [0.1, NAN, NAN], "no input read both ways in one cycle", id="no pair"),
    ],
)
def test_what_is_not_determinable_is_nan_with_its_reason(up, down, reason):
    found = hysteresis(np.array([[[up, down]]]), X_PCT)
    assert np.isnan([found.hysteresis_pct[0], found.at_pct[0], found.with_dead_band_pct[0]]).all()
    assert (found.cycle[0], found.reason(0)) == (-1, reason)


@pytest.mark.parametrize(
    ("dead_band_pct", "message"),
    [
        ([0.1, 0.1], r"dead_band_pct: dead bands have the shape \(2,\)(.*\n)+  do: give one"),
        (-0.1, "dead_band_pct: a dead band is negative\n  do: give its width"),
    ],
)
def test_a_dead_band_that_cannot_be_is_refused(dead_band_pct, message):
    with pytest.raises(ReadingsError, match=message):
        hysteresis(CYCLES, X_PCT, dead_band_pct=dead_band_pct, standard="ISA-51.1-1979")


def test_a_downscale_input_between_two_upscale_ones_is_held_against_the_line_between_them():
    # Up 0.0, 0.4 at 0 and 20 %; down 0.7 at 5 %: the line is 0.1 there, so 0.6 apart. 60 % lies beyond 25 % of a pair.
    nan = np.nan
    error = np.array([[[[0.0, nan, 0.4, nan, 0.0], [nan, 0.7, nan, 5.0, nan]]]])
    x = np.array([0.0, 5.0, 20.0, 60.0, 100.0])
    found = hysteresis(error, x)
    assert found.hysteresis_pct[0] == pytest.approx(0.6, abs=1e-12)
    assert found.at_pct[0] == 5.0
    assert found.pairs_n[0] == 1


def test_nothing_is_interpolated_beyond_the_upscale_ends():
    nan = np.nan
    error = np.array([[[[nan, 0.0, 0.0, nan], [9.0, 0.1, 0.2, 9.0]]]])
    assert hysteresis(error, np.array([0.0, 20.0, 40.0, 60.0])).hysteresis_pct[0] == pytest.approx(0.2)
