"""From sequence, type sheet and bench to a flat list of points, before anything is energised.

What the bench cannot do, and what could harm the unit, is refused here. It opens no instrument and knows no clock.
"""

from collections.abc import Sequence
from dataclasses import replace

from instruments.benchfile import LoadedBench
from instruments.wiring import wire
from sequencer.evaluation.certificates import with_certified
from sequencer.inputs.files import LoadedSequence
from sequencer.inputs.step import FURTHER, Setpoint, registry
from sequencer.planning.bench_statements import statements
from sequencer.planning.checks import (
    bench_limits,
    reach,
    refuse_an_unsafe_safe_level,
    refuse_what_harms,
    refuse_what_has_no_end,
    refuse_what_is_not_captured,
    refuse_what_is_not_evaluated,
    refuse_what_lasts,
    unit_limits,
)
from sequencer.planning.points import Plan, Point, points_of, receiver_of
from sequencer.planning.warnings import warnings_of

__all__ = ["Plan", "Point", "further_points", "plan", "receiver_of"]


def plan(sequence: LoadedSequence, bench: LoadedBench) -> Plan:
    """The points of a sequence on a bench.

    Raises:
        PlanError: the bench lacks an instrument or a range, or a setpoint lies outside the limits of unit or source.
    """
    sheet = sequence.sheet.datasheet()
    steps = registry()
    visits = [
        (number, name, replace(setpoint, tap=setpoint.tap or sheet.taps[-1].name) if setpoint.is_quick else setpoint)
        for number, name, settings in sequence.steps()
        for setpoint in steps[name].plan(settings)
    ]
    refuse_what_has_no_end(sequence, visits)
    of_unit = unit_limits(sequence, sheet)
    wires = wire(bench, sheet, reach=reach(sheet, of_unit, visits))
    limits = (("limits of the unit", of_unit), *bench_limits(bench, sheet, wires))
    refuse_what_is_not_evaluated(sequence, visits)
    refuse_what_is_not_captured(sequence, bench, wires, visits)
    refuse_what_harms(sequence, sheet, limits, wires, visits)
    # A unit whose sheet gives its range alone says nothing of what lies beyond.
    refuse_an_unsafe_safe_level(bench, limits if sequence.sheet.limits is not None else limits[1:], wires)
    sheet = with_certified(sheet, statements(bench, wires, sequence.sheet))
    points = points_of(sequence, bench, sheet, wires, visits)
    refuse_what_lasts(sequence, points)
    return Plan(
        sequence=sequence,
        bench=bench,
        sheet=sheet,
        wires=wires,
        points=points,
        limits=limits,
        warnings=warnings_of(sequence, bench, sheet, wires, points),
    )


def further_points(planned: Plan, setpoints: Sequence[Setpoint], *, after: int) -> tuple[Point, ...]:
    """Points beyond a plan, numbered on from `after`, as a step of their own; they are held to the same limits.

    Raises:
        PlanError: a setpoint lies outside the limits of unit or source.
    """
    step = max(point.step for point in planned.points) + 1
    visits = [(step, FURTHER, setpoint) for setpoint in setpoints]
    refuse_what_harms(planned.sequence, planned.sheet, planned.limits, planned.wires, visits)
    points = points_of(planned.sequence, planned.bench, planned.sheet, planned.wires, visits)
    return tuple(replace(point, number=point.number + after) for point in points)
