"""Outliers and visits that were still moving, by hand; a table as arrays in the order in which it was read."""

import numpy as np
import pytest
from fleet import measured, prepared

from instruments.errors import ReadingsError
from sequencer.diagnosis.model.series import moving, series_of, without_outliers

STILL = [0.5, 0.501, 0.5, 0.501]


@pytest.mark.parametrize(
    ("readings", "mean"),
    [
        ([[0.5, 0.502, 0.504]], [0.502]),
        ([[0.5, 0.502, 0.9], [0.1, 0.102, 0.104]], [0.501, 0.102]),  # one of three is out
        ([[0.5, 0.9, 0.9], [0.1, 0.102, 0.104]], [0.9, 0.102]),  # two of three: the one is
        ([[0.5, 0.9], [0.1, 0.102]], [0.7, 0.101]),  # of two none can be told
        ([[0.5, 0.9, 0.1], [0.5, 0.1, 0.9]], [0.5, 0.5]),  # many far out are the scatter itself
        ([[0.5] * 9 + [0.5 + 0.0049]], [0.50049]),  # nearer than half a per cent of span is no gross one
        ([[0.5] * 9 + [0.5 + 0.0051]], [0.5]),
        ([[np.nan, 0.5, np.nan]], [0.5]),
    ],
)
def test_gross_outliers_leave_the_mean_of_a_visit(readings, mean):
    assert without_outliers(np.array(readings))[0] == pytest.approx(mean)


def test_the_scatter_is_pooled_over_the_visits():
    # Squares about the means: 2 of the first visit, 8 of the second, in units of 1e-6, over 2 + 2 degrees of freedom.
    readings = np.array([[0.100, 0.101, 0.102], [0.500, 0.502, 0.504]])
    assert without_outliers(readings)[1] == pytest.approx(np.sqrt(10e-6 / 4))
    assert np.isnan(without_outliers(np.full((1, 3), np.nan))[0]).all()


@pytest.mark.parametrize(
    ("visit", "is_moving"),
    [
        ([0.4, 0.42, 0.44, 0.46], True),
        ([0.46, 0.44, 0.42, 0.40], True),
        ([0.4, 0.42, 0.41, 0.46], False),  # it went back
        ([0.4, 0.4001, 0.4002, 0.4003], False),  # as small as the scatter of the others
        ([0.1, 0.4, 0.4001, 0.4002], False),  # one far out, the first
    ],
)
def test_a_visit_that_goes_all_one_way_against_all_others_still_moves(visit, is_moving):
    assert list(moving(np.array([STILL] * 8 + [visit]))) == [False] * 8 + [is_moving]


def test_where_many_visits_move_none_is_an_exception():
    rising = [0.4, 0.42, 0.44, 0.46]
    assert not moving(np.array([STILL] * 8 + [rising] * 2)).any()
    assert not moving(np.array([STILL[:3]] * 8 + [rising[:3]])).any()  # three go one way by chance, 1 in 3


def test_a_table_becomes_arrays_in_the_order_of_its_visits():
    sheet = prepared("current-isolator")[0].sheet
    table = measured("current-isolator", (), seed=3)
    series, mixed = series_of(table, sheet), series_of(table.sample(frac=1, random_state=1), sheet)
    assert (series.setpoint[0], series.direction[0]) == (0.0, 1.0)
    assert (np.diff(series.at_s) > 0).all()
    assert np.array_equal(mixed.setpoint, series.setpoint)
    # What was set was read within a tenth of a per cent, in and out.
    for value in series.value.values():
        assert value == pytest.approx(series.setpoint, abs=0.001 + 0.002)
    with pytest.raises(ReadingsError, match="no reading"):
        series_of(table[table["role"] == "exercise"], sheet)
