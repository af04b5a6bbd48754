"""Grouping by hand: whatever the inputs, no point is wider than its distance to the next one allows."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.readings.order import cycles_of, grouped, in_order

INPUTS = st.one_of(
    st.lists(st.floats(0, 100), min_size=2, max_size=40),
    st.lists(st.integers(0, 250).map(lambda step: 0.4 * step), min_size=2, max_size=40),
    st.lists(
        st.tuples(st.integers(0, 10), st.floats(-0.3, 0.3)).map(lambda each: 10 * each[0] + each[1]),
        min_size=2,
        max_size=40,
    ),
)


def points(x_pct, *, stated=None, output=lambda x_pct: x_pct / 100):
    x = np.array(x_pct)
    return grouped(
        x,
        stated_pct=None if stated is None else np.array(stated),
        is_apart=np.zeros(x.size, dtype=bool),
        count_pct=0.01,
        output=output,
    )


@settings(deadline=None)
@given(INPUTS)
def test_inputs_of_a_point_lie_five_times_nearer_to_each_other_than_to_the_next(x_pct):
    x, of_row = np.array(x_pct), np.array(points(x_pct).of_row)
    for point in set(of_row.tolist()):
        inside, outside = x[of_row == point], x[of_row != point]
        extent = float(np.ptp(inside))
        assert extent <= 1.0 + 1e-6
        if outside.size and extent > 1e-8:
            apart = float(np.abs(outside[:, np.newaxis] - inside).min())
            assert 5 * extent <= apart + 1e-6


@given(st.floats(0.05, 20), st.integers(3, 60))
def test_a_scan_of_even_steps_has_a_point_for_each_step(step, steps_n):
    x = [step * number for number in range(steps_n)]
    assert points(x).of_row == list(range(steps_n))
    assert points([*x, *x[-2::-1]]).of_row == [*range(steps_n), *range(steps_n - 2, -1, -1)]


@given(INPUTS, st.randoms(use_true_random=False))
def test_a_stated_setpoint_decides_whatever_the_input(x_pct, chance):
    stated = [float(chance.randrange(5)) for _ in x_pct]
    found = points(x_pct, stated=stated)
    assert [found.setpoints[point] for point in found.of_row] == stated
    assert found.setpoints == sorted(set(stated))


@given(INPUTS)
def test_points_ascend_and_every_row_has_one(x_pct):
    found = points(x_pct)
    assert sorted(set(found.of_row)) == list(range(len(found.setpoints)))
    assert found.setpoints == sorted(found.setpoints)


@given(INPUTS)
def test_readings_are_never_averaged_where_the_characteristic_bends_between_them(x_pct):
    found = points(x_pct, output=lambda x: np.sqrt(np.abs(x) / 100))
    runs = np.flatnonzero(np.diff(found.of_row, prepend=-1))
    for start, end in zip(runs, [*runs[1:], len(x_pct)], strict=True):
        frac = np.array(x_pct[start:end]) / 100
        assert abs(np.sqrt(np.abs(frac)).mean() - np.sqrt(abs(frac.mean()))) <= 1e-5 + 1e-9


@given(INPUTS)
def test_each_row_has_a_direction_a_cycle_and_a_role(x_pct):
    found = in_order(np.array(x_pct), points(x_pct).of_row)
    assert len(found.directions) == len(found.cycles) == len(found.roles) == len(x_pct)
    if "" not in found.directions:
        assert found.cycles == cycles_of(found.directions, found.roles) or set(found.cycles) == {1}
