"""After a run that left two causes in question: the few points that tell them apart, planned like any others."""

from dataclasses import replace
from pathlib import Path

from sequencer.inputs.step import FURTHER, PASSED, READING, Direction, Setpoint
from sequencer.planning.plan import Plan, Point, further_points
from sequencer.record.load import load

__all__ = ["pursued"]


def pursued(plan: Plan, folder: Path) -> tuple[Point, ...]:
    """The points that tell the leading two causes of a run apart, each approached from its own side; () if none does.

    Args:
        plan: that was run.
        folder: of its record, not sealed yet.

    Raises:
        RecordError: the record cannot be read.
    """
    record = load(folder)
    findings = record.content.findings
    if findings is None or not findings.extra:
        return ()
    readings_n = max(point.setpoint.readings_n for point in plan.points if point.role == READING)
    # A run that was interrupted after some, and resumed, has such points already: the next count as another cycle.
    earlier = record.table[record.table["step_name"] == FURTHER]
    cycle = 1 + int(earlier["cycle"].max() if len(earlier) else 0)
    setpoints, waits = [], []
    for index, extra in enumerate(findings.extra):
        direction: Direction = "up" if extra.direction == "up" else "down"
        # From the end of the range that the point is to be approached from.
        end = Setpoint(
            frac=0.0 if direction == "up" else 1.0,
            role=PASSED,
            direction=direction,
            cycle=cycle,
            point=0,
            readings_n=0,
        )
        setpoints += [
            end,
            replace(end, frac=extra.setpoint_pct / 100, role=READING, point=index, readings_n=readings_n),
        ]
        waits += [0.0, extra.wait_s]
    points = further_points(plan, setpoints, after=int(earlier["number"].max()) if len(earlier) else len(plan.points))
    return tuple(_waiting(point, wait_s) for point, wait_s in zip(points, waits, strict=True))


def _waiting(point: Point, wait_s: float) -> Point:
    """The point read no sooner than after a time."""
    rule = point.rule
    return replace(
        point, rule=replace(rule, minimum_s=max(rule.minimum_s, wait_s), maximum_s=max(rule.maximum_s, 2 * wait_s))
    )
