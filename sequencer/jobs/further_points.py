"""After a run that left causes in question: the reading that tells most for its time, planned like any other."""

from dataclasses import replace
from pathlib import Path

from instruments.errors import PlanError
from sequencer.inputs.step import FURTHER, PASSED, READING, Direction, Setpoint
from sequencer.planning.plan import Plan, Point, further_points
from sequencer.record.load import load

__all__ = ["pursued"]

_MOST_READINGS = 8  # in one run: what these do not tell, no more of them will (common practice, no source)


def pursued(plan: Plan, folder: Path) -> tuple[Point, ...]:
    """The point to read next, and the end of the range that it is approached from; () if none is worth its time.

    Args:
        plan: that was run.
        folder: of its record, not sealed yet.

    Raises:
        RecordError: the record cannot be read.
    """
    record = load(folder)
    findings = record.content.findings
    earlier = record.table[record.table["step_name"] == FURTHER]
    # Each is a cycle of its own, also after a run that was interrupted between them and resumed.
    taken_n = int(earlier["cycle"].max() if len(earlier) else 0)
    if findings is None or not findings.extra or taken_n >= _MOST_READINGS:
        return ()
    extra = findings.extra[0]  # what it tells decides on the next
    readings_n = max(point.setpoint.readings_n for point in plan.points if point.role == READING)
    direction: Direction = "up" if extra.direction == "up" else "down"
    end = Setpoint(
        frac=0.0 if direction == "up" else 1.0,
        role=PASSED,
        direction=direction,
        cycle=taken_n + 1,
        point=0,
        readings_n=0,
    )
    there = replace(end, frac=extra.setpoint_pct / 100, role=READING, readings_n=readings_n)
    after = int(earlier["number"].max()) if len(earlier) else len(plan.points)
    try:
        passed, read = further_points(plan, (end, there), after=after)
    except PlanError:  # a limit of unit or bench forbids it, and the run is complete without
        return ()
    return passed, _waiting(read, extra.wait_s)


def _waiting(point: Point, wait_s: float) -> Point:
    """The point read no sooner than after a time."""
    rule = point.rule
    return replace(
        point, rule=replace(rule, minimum_s=max(rule.minimum_s, wait_s), maximum_s=max(rule.maximum_s, 2 * wait_s))
    )
