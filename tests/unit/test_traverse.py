"""The order of a traverse: each point from its own side, end pairs in place, every cycle whole."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.inputs.step import registry
from sequencer.steps.exercise import STEP as EXERCISE
from sequencer.steps.exercise import ExerciseSettings
from sequencer.steps.traverse import STEP, TraverseSettings


def settings(**given_):
    return TraverseSettings.model_validate({key.replace("_", " "): value for key, value in given_.items()})


def visited(**given_):
    return STEP.plan(settings(**given_))


def pcts(visits, role="reading"):
    return [round(100 * each.frac) for each in visits if each.role == role]


def test_two_cycles_of_five_points_in_full():
    order = [
        (round(100 * each.frac), each.direction, each.cycle, each.role) for each in visited(points="5", cycles="2")
    ]
    one = [
        *((at, "up", 1, "reading") for at in (0, 25, 50, 75, 100)),
        (100, "down", 1, "end pair"),
        *((at, "down", 1, "reading") for at in (75, 50, 25, 0)),
        (0, "up", 1, "end pair"),
    ]
    other = [(at, direction, 2, role) for at, direction, _, role in one[1:]]
    assert order == one + other


@given(
    points=st.lists(st.integers(-25, 125), min_size=2, max_size=15, unique=True).map(sorted),
    cycles=st.integers(1, 4),
    direction=st.sampled_from(["both", "up"]),
    end_pair=st.sampled_from(["yes", "no"]),
)
def test_every_point_is_approached_from_its_own_side_and_never_passed(points, cycles, direction, end_pair):
    visits = visited(points=[f"{at} %" for at in points], cycles=str(cycles), direction=direction, end_pair=end_pair)
    for before, now in pairwise(visits):
        if now.role == "end pair":
            assert now.frac == before.frac
        elif now.role == "reading" and now.direction == "down":
            assert before.frac > now.frac
        elif now.role == "reading" and now.point > 0:
            assert before.frac < now.frac
    # The lowest point has nothing below it within the range, unless it lies above 0 %: then the input comes from there.
    for before, now in pairwise(visits):
        if now.role == "reading" and now.point == 0 and now.direction == "up" and points[0] > 0:
            assert (before.role, before.frac) == ("exercise", 0.0)
    assert {each.frac for each in visits if each.role != "exercise"} == {at / 100 for at in points}


@given(points=st.integers(2, 40), cycles=st.integers(1, 5))
def test_each_cycle_reads_every_point_and_both_ends_twice(points, cycles):
    visits = visited(points=str(points), cycles=str(cycles))
    assert sum(each.role == "end pair" for each in visits) == 2 * cycles
    assert sum(each.role == "reading" for each in visits) == cycles * (2 * points - 2) + 1
    for cycle in range(1, cycles + 1):
        seen = {(each.direction, each.point) for each in visits if each.cycle == cycle and each.role == "reading"}
        assert {("down", point) for point in range(points - 1)} <= seen
        assert {("up", point) for point in range(1, points)} <= seen


def test_upscale_only_takes_no_downscale_reading():
    visits = visited(points="3", cycles="2", direction="up")
    assert pcts(visits) == [0, 50, 100, 0, 50, 100]
    assert {each.direction for each in visits if each.role == "reading"} == {"up"}
    assert pcts(visits, "end pair") == [100, 100]


def test_a_list_of_setpoints_is_taken_as_it_is():
    assert pcts(visited(points=["0 %", "1 %", "4 %", "100 %"], cycles="1")) == [0, 1, 4, 100, 4, 1, 0]


@pytest.mark.parametrize(
    ("given_", "says"),
    [
        ({"points": "1"}, "2 to 1001 points"),
        ({"points": "0"}, "2 to 1001 points"),
        ({"points": "999999999999"}, "2 to 1001 points"),
        ({"points": ["50 %"]}, "2 to 1001 points"),
        ({"points": ["0 %", "50 %", "50 %"]}, "points that rise"),
        ({"points": ["100 %", "0 %"]}, "points that rise"),
        ({"points": ["-26 %", "50 %"]}, "from -25 % to 125 %"),
        ({"points": ["0 %", "126 %"]}, "from -25 % to 125 %"),
        ({"cycles": "0"}, "greater than or equal to 1"),
        ({"readings": "0"}, "greater than or equal to 1"),
        ({"direction": "down"}, "'both' or 'up'"),
        ({"points": ["0 mA", "4 mA"]}, "is not in %"),
    ],
)
def test_what_cannot_be_a_traverse_is_refused(given_, says):
    with pytest.raises(ValueError, match=says):
        settings(**given_)


def test_an_exercise_goes_to_both_ends_and_reads_nothing():
    visits = EXERCISE.plan(ExerciseSettings.model_validate({"cycles": "3"}))
    assert [each.frac for each in visits] == [1, 0, 1, 0, 1, 0]
    assert {(each.role, each.readings_n) for each in visits} == {("exercise", 0)}


def test_steps_are_found_by_name():
    assert {"exercise", "traverse"} <= set(registry())
    for step in registry().values():
        assert step.settings.model_config["extra"] == "forbid"
