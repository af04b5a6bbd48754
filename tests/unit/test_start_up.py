"""Start-up drift of a unit that warms up along an exponential: closed form."""

import math

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.start_up import start_up_drift

TAU_S, SIZE = 900.0, 0.8


def warm(times_s):
    instants = [np.full(4, float(each)) for each in times_s]
    return [(at, -SIZE * np.exp(-at / TAU_S)) for at in instants]


def test_differences_to_the_last_instant():
    found = start_up_drift(warm((300, 3600, 14400)), band=0.1)
    assert [each.away for each in found.instants] == pytest.approx(
        [-SIZE * math.exp(-300 / TAU_S), -SIZE * math.exp(-4), 0], abs=2e-7
    )
    assert found.largest.after_s == 300
    # Between 5 min and 1 h: 0.8 exp(-t / 900) = 0.1 at 31 min.
    assert (found.was_out_at_s, found.is_within_from_s) == (300, 3600)
    assert not found.is_moving


def test_a_finer_grid_finds_the_time_from_which_it_is_final():
    found = start_up_drift(warm(range(60, 7201, 60)), band=0.1)
    exact_s = TAU_S * math.log(SIZE / 0.1)
    assert found.was_out_at_s < exact_s <= found.is_within_from_s + 1
    assert found.is_within_from_s - found.was_out_at_s == 60


def test_what_is_final_from_the_first_instant_was_never_out():
    found = start_up_drift(warm((7200, 10800, 14400)), band=0.1)
    assert math.isnan(found.was_out_at_s)
    assert found.is_within_from_s == 7200


def test_a_unit_that_still_moves_at_the_end_is_told():
    assert start_up_drift(warm((60, 300, 900)), band=0.1).is_moving


def test_uncertainty_is_of_the_scatter_and_the_digits():
    # sd 0.01 known from 3 x 3 degrees of freedom: t(0.975, 9) = 2.262 (tables), sqrt(2 / 4) for two means of four.
    scatter = 0.01 * np.array([-1, -1, 1, 1]) * math.sqrt(3 / 4)
    readings = [(np.full(4, at), level + scatter) for at, level in ((1.0, 0), (2.0, 0), (3.0, 1))]
    plain = start_up_drift(readings, band=0.1).instants[0]
    rounded = start_up_drift(readings, band=0.1, step=0.1).instants[0]
    expected = [2.262 * 0.01 * math.sqrt(0.5), 2.262 * math.sqrt(0.01**2 / 2 + 2 * 0.1**2 / 12)]
    assert pytest.approx(expected, rel=1e-3) == [plain.U, rounded.U]


def test_single_readings_say_nothing_of_their_scatter():
    found = start_up_drift([(np.array([at]), np.array([at])) for at in (1.0, 2.0)], band=0.1)
    assert math.isnan(found.instants[0].U)


def test_one_instant_is_no_drift():
    with pytest.raises(ReadingsError, match="two instants"):
        start_up_drift(warm((300,)), band=0.1)
