"""When a unit of a batch is given up: by numbers chosen here from the rule, three points running."""

import math
from dataclasses import replace

import pytest

from sequencer.running.dropping import Hopeless


@pytest.fixture
def points(small):
    """Readings of the small unit: 4 .. 20 mA, tolerance 0.032 mA (0.2 % of 16 mA)."""
    return [point for point in small().points if point.role == "reading"]


def after(points, values):
    hopeless = Hopeless(16.0)
    return [hopeless.seen(point, (value,)) for point, value in zip(points, values, strict=False)]


def test_a_unit_without_a_reading_at_three_points_running_is_given_up(points):
    assert after(points, [math.nan, math.nan, 12.0, math.nan, math.nan])[-1] == ""
    assert after(points, [math.nan] * 3) == ["", "", "no reading at 3 points running"]


def test_a_dead_output_is_given_up_once_it_should_have_moved(points):
    said = after(points, [0.0, 0.0, 0.0])  # 4, 8, 12 mA are due: half of the span
    assert said[:2] == ["", ""]
    assert said[2].startswith("dead output: near 0 over 3 points where it should have moved 50 %")


def test_a_unit_far_beyond_its_tolerance_at_three_points_is_given_up(points):
    ideal = [point.expected[-1] for point in points]
    # 0.5 mA is 15.6 tolerances of 0.032 mA.
    said = after(points, [each + 0.5 for each in ideal])
    assert said[1] == ""
    assert said[2] == "beyond 15.6 times its tolerance at 3 points running"


def test_a_unit_a_little_beyond_its_tolerance_is_read_to_the_end(points):
    near = [point.expected[-1] + 1.5 * point.tolerance for point in points]
    assert set(after(points, near)) == {""}


def test_one_point_within_its_tolerance_begins_the_count_again(points):
    ideal = [point.expected[-1] for point in points]
    offsets = [0.5, 0.5, 0.0, 0.5, 0.5]
    assert set(after(points, [a + b for a, b in zip(ideal, offsets, strict=False)])) == {""}


def test_a_large_uncertainty_keeps_a_unit(points):
    unsure = [replace(point, U=0.3) for point in points]
    assert set(after(unsure, [point.expected[-1] + 0.5 for point in unsure])) == {""}
