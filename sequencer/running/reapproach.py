"""By which points a point is approached again after the output went off, so that it comes from its proper side."""

from dataclasses import replace
from itertools import pairwise

from sequencer.planning.points import Point, from_rest

__all__ = ["approach"]


def approach(points: tuple[Point, ...], point: Point) -> tuple[Point, ...]:
    """The points to visit before a point, so that the unit comes to it as it did in the plan.

    What an input was before decides on which branch of a hysteresis a unit stands: so the last two places where the
    input turned (a full stroke, as in an exercise), the point before, and for an end pair the point that it repeats.

    Args:
        points: of the whole plan, in order.
        point: the one to come back to.

    Returns:
        The points in order, without `point` itself, each told from where it comes; empty where it is the first place.
    """
    arrival = point.number - 1
    while arrival > 0 and points[arrival - 1].value == points[arrival].value:
        arrival -= 1
    path = [*points[:1], *(after for before, after in pairwise(points[: arrival + 1]) if after.value != before.value)]
    turns = path[:1] + [
        here
        for before, here, after in zip(path, path[1:], path[2:], strict=False)
        if (here.value - before.value) * (after.value - here.value) < 0
    ]
    via = [each for each in path[:-1] if each in turns[-2:] or each is path[-2]]
    if point.number - 1 > arrival:
        via.append(path[-1])
    told = [
        replace(each, rule=replace(each.rule, before=before.expected[-1]))
        for before, each in pairwise((*via[:1], *via))
    ]
    return (from_rest(told[0], points), *told[1:]) if told else ()
