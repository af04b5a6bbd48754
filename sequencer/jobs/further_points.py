"""Points beyond a plan, planned like any other.

They are where a step goes on after what was read, and, after a run that left causes in question, the reading that tells
most for its time.
"""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from instruments.errors import InputError, PlanError
from sequencer.inputs.step import FURTHER, PASSED, READING, Direction, Seen, Setpoint, registry
from sequencer.journal.lines import run_lines
from sequencer.journal.readings import from_lines
from sequencer.planning.bench_statements import basis_of
from sequencer.planning.plan import Plan, Point, further_points
from sequencer.planning.points import from_rest
from sequencer.readings.table import VISIT, valid_rows
from sequencer.record.create import receivers_of
from sequencer.record.layout import JOURNAL
from sequencer.record.load import load
from sequencer.running.loop import Wanted

__all__ = ["FurtherPoints"]

_AT_POINTS = ("reading", "settled", "visited")
_MOST_VISITS = 20_000  # of a run, with all that followed from its readings
_MOST_READINGS = 8  # in one run: what these do not tell, no more of them will (common practice, no source)


class FurtherPoints:
    """Gives what is wanted beyond a plan (`running.loop.Further`).

    Args:
        plan: that is run.
        folder: of its record, not sealed yet.
        pursue: after all, take the reading that tells most of the causes in question.
    """

    def __init__(self, plan: Plan, folder: Path, *, pursue: bool) -> None:
        self._plan = plan
        self._folder = folder
        self._pursue = pursue
        self._last: dict[int, Point] = {point.step: point for point in plan.points}

    def __call__(self, step: int | None) -> Wanted:
        """What is wanted after a step, or after all.

        Raises:
            RecordError: the record cannot be read.
            PlanError: a step goes where unit or bench must not.
        """
        if step is None:
            return Wanted(points=_pursued(self._plan, self._folder)) if self._pursue else Wanted()
        _, name, settings = next(each for each in self._plan.sequence.steps() if each[0] == step)
        kind = registry()[name]
        if not kind.goes_on(settings):
            return Wanted()
        lines = list(run_lines(self._folder / JOURNAL))
        table = from_lines(lines, self._plan.sheet)
        planned_n = len(self._plan.points)
        setpoints = kind.go_on(step, settings, _seen(self._plan, _finished(table, lines, planned_n)))
        if not setpoints:
            return Wanted()
        after = max([planned_n, *(int(line["number"]) for line in lines if line["kind"] in _AT_POINTS)])
        if after > _MOST_VISITS:
            raise InputError(
                f'the step "{name}" goes on without end: {_MOST_VISITS} visits',
                where=self._plan.sequence.where_step(step),
                todo="give it a wider aim, or fewer places",
            )
        points = further_points(self._plan, setpoints, after=after, last=self._last[step])
        self._last[step] = points[-1]
        if not _is_on_its_way(lines):
            points = (from_rest(points[0], self._plan.points), *points[1:])
        return Wanted(points=points, taken=_taken(table, points))


def _taken(table: pd.DataFrame, points: tuple[Point, ...]) -> dict[int, int]:
    """How often each point, by its number, was taken before, by whatever number."""
    attempts = table.groupby(VISIT)["attempt"].max().to_dict() if len(table) else {}
    visits = ((point, point.setpoint) for point in points)
    return {
        point.number: int(attempts.get((point.step, each.cycle, each.direction, each.point, each.role), 0))
        for point, each in visits
    }


def _is_on_its_way(lines: list[dict[str, Any]]) -> bool:
    """The input came to a point since the run began, or was gone on with."""
    last = next(line["kind"] for line in reversed(lines) if line["kind"] in {*_AT_POINTS, "opened", "resumed"})
    return last in _AT_POINTS


def _finished(table: pd.DataFrame, lines: list[dict[str, Any]], planned_n: int) -> pd.DataFrame:
    """The rows that count, without visits beyond the plan that were cut off."""
    visited = {(line["number"], line["attempt"]) for line in lines if line["kind"] == "visited"}
    places = zip(table["number"], table["attempt"], strict=True)
    is_whole = [number <= planned_n or (number, attempt) in visited for number, attempt in places]
    return valid_rows(table[is_whole])


def _seen(plan: Plan, table: pd.DataFrame) -> Seen:
    file = plan.sequence.file
    receivers: Mapping[str, Mapping[str, float]] = receivers_of(plan.bench, plan.wires, plan.sheet)
    basis = basis_of(
        plan.bench, plan.wires, plan.sequence.sheet, coverage=file.coverage, rule=file.decision_rule, date=""
    )
    return Seen(
        table=table,
        sheet=plan.sheet,
        receivers=receivers,
        settings={number: settings for number, _, settings in plan.sequence.steps()},
        type_sheet=plan.sequence.sheet,
        basis=basis,
        standard=file.standard,
    )


def _pursued(plan: Plan, folder: Path) -> tuple[Point, ...]:
    """The point to read next, and the end of the range that it is approached from; () if none is worth its time.

    Args:
        plan: that was run.
        folder: of its record.

    Raises:
        RecordError: the record cannot be read.
    """
    record = load(folder)
    findings = record.content.findings
    earlier = record.readings[record.readings["step_name"] == FURTHER]
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
    after = max(len(plan.points), int(record.readings["number"].max()))
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
