"""What a run learns of the pace of its unit."""

import math

import pytest

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling import Settled, State
from sequencer.running.settling_history import Pace

RULE = SettlingRule(
    band=0.01, time_constant_s=1.0, minimum_s=0.0, maximum_s=60.0, dead_time_s=0.5, before=4.0, expected=20.0
)


def settled(**changes):
    found = {"state": State.STEADY, "after_s": 25.0, "to_go": 0.01, "noise_sd": 0.0, "time_constant_s": 3.0}
    return Settled(**found | {"trace": ((1.0, 10.0), (25.0, 19.9)), "moved_s": 24.0} | changes)


def learnt(*visits):
    pace = Pace()
    for visit in visits:
        pace.learn(RULE, visit)
    return pace.rule(RULE)


def test_a_slower_unit_than_stated_is_given_its_own_time():
    # 1600 tolerances, so ln 1600 = 7.378 factors of e; 24 s are taken for 24 / 1.03 = 23.30 s.
    assert RULE.step_takes_s == pytest.approx(0.5 + 7.378, abs=1e-3)
    assert learnt(settled()).step_takes_s == pytest.approx(23.30, abs=0.01)


def test_a_quicker_unit_than_stated_is_given_the_stated_time():
    assert learnt(settled(moved_s=3.0)).step_takes_s == RULE.step_takes_s


def test_one_slow_point_is_no_pace():
    assert learnt(settled(moved_s=50.0), settled(), settled()).step_takes_s == pytest.approx(23.30, abs=0.01)


@pytest.mark.parametrize("changes", [{"held_s": 1.0}, {"state": State.NEVER}, {"state": State.NOISY}], ids=str)
def test_a_point_that_was_held_or_never_came_to_rest_tells_nothing(changes):
    assert learnt(settled(**changes)).step_takes_s == RULE.step_takes_s


def test_the_level_that_was_left_is_the_one_before_the_move():
    pace = Pace()
    pace.learn(RULE, settled(trace=((1.0, 19.9), (2.0, math.nan))))
    assert pace.rule(RULE).stood_at is None
    pace.move()
    assert pace.rule(RULE).stood_at == 19.9
    pace.learn(RULE, settled(trace=((1.0, 12.0),)))  # a second attempt at the same place has left the same level
    assert pace.rule(RULE).stood_at == 19.9


def test_three_time_constants_that_agree_are_learnt():
    lags = [3.0, 3.3, 3.15]
    visits = [settled(time_constant_s=each, time_constant_u=0.01) for each in lags]
    assert learnt(*visits[:2]).learnt_s == 0
    rule = learnt(*visits)
    assert rule.learnt_s == pytest.approx(3.15)
    # Logarithms of 3, 3.15 and 3.3 have the standard deviation 0.04766; by three of them it may be twice that.
    assert rule.learnt_spread == pytest.approx(2 * 0.04766, rel=1e-3)
    assert learnt(*visits[:2], settled(time_constant_s=6.0, time_constant_u=0.01)).learnt_s == 0
    assert learnt(*(settled(time_constant_u=0.2) for _ in range(5))).learnt_s == 0
