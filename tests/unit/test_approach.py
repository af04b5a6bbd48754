"""By which points a point is approached again: worked out by hand on two cycles of 0, 25, 50, 75, 100 %."""

import pytest

from sequencer.running.reapproach import approach

# Number, level: 1 100 %, 2 0 % (exercise); 3 0 %, 4 25 %, 5 50 %, 6 75 %, 7 100 %, 8 100 % (end pair), 9 75 %, 10 50 %,
# 11 25 %, 12 0 %, 13 0 % (end pair), 14 25 % ... of the second cycle.
BY_WAY_OF = {
    1: [],
    2: [100],  # the stroke begins: there is nothing before it
    3: [100, 0],  # the same level as 2 once more
    4: [100, 0],
    5: [100, 0, 25],
    7: [100, 0, 75],
    8: [100, 0, 75, 100],  # read again where it stands, so it must stand there first
    9: [0, 100],
    10: [0, 100, 75],
    12: [0, 100, 25],
    13: [0, 100, 25, 0],
    14: [100, 0],
    15: [100, 0, 25],
    23: [0, 100, 25, 0],
}


@pytest.mark.parametrize(("number", "places"), BY_WAY_OF.items(), ids=str)
def test_the_last_two_turns_and_the_point_before(small, number, places):
    plan = small()
    found = approach(plan.points, plan.points[number - 1])
    assert [round(100 * each.setpoint.frac) for each in found] == places


def test_each_is_told_from_where_the_unit_comes(small):
    plan = small()
    found = approach(plan.points, plan.points[9])
    assert [each.rule.before for each in found] == [4.0, 4.0, 20.0]  # off is 0 Hz and 4 mA, 100 % is 20 mA


def test_the_first_comes_from_where_the_source_was_off(small):
    # A current input of 4 to 20 mA to 4 to 20 mA: with nothing at the input it would come to 0 mA, were it not held.
    plan = small(type_sheet={"0 .. 1000 Hz, limits: 0 .. 1200 Hz": "4 .. 20 mA, limits: 0 .. 22 mA"})
    first, second, *_ = approach(plan.points, plan.points[9])
    assert (first.rule.before, first.rule.ends) == (0.0, (4.0, 20.0))
    assert (second.rule.before, second.rule.ends) == (4.0, None)
