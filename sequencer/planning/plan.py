"""From sequence, type sheet and bench to a flat list of points, before anything is energised.

What the bench cannot do, and what could harm the unit, is refused here. It opens no instrument and knows no clock.
"""

from collections.abc import Sequence
from dataclasses import replace

from instruments.benchfile import LoadedBench
from instruments.datasheet import DataSheet
from instruments.wiring import wire, wire_held
from sequencer.evaluation.certificates import with_certified
from sequencer.inputs.files import LoadedSequence
from sequencer.inputs.step import FURTHER, Setpoint, registry
from sequencer.planning.bench_statements import statements
from sequencer.planning.checks import (
    bench_limits,
    levels_under,
    reach,
    refuse_an_unsafe_safe_level,
    refuse_what_comes_late,
    refuse_what_harms,
    refuse_what_has_no_end,
    refuse_what_is_not_captured,
    refuse_what_is_not_evaluated,
    refuse_what_lasts,
    unit_limits,
)
from sequencer.planning.points import Plan, Point, Visit, points_of, receiver_of
from sequencer.planning.warnings import warnings_of

__all__ = ["Plan", "Point", "further_points", "plan", "receiver_of"]


def plan(sequence: LoadedSequence, bench: LoadedBench) -> Plan:
    """The points of a sequence on a bench.

    Raises:
        PlanError: the bench lacks an instrument or a range, or a setpoint lies outside the limits of unit or source.
    """
    sheet = sequence.sheet.datasheet()
    steps = registry()
    visits = _placed(
        [
            (number, name, _tapped(setpoint, sheet))
            for number, name, settings in sequence.steps()
            for setpoint in steps[name].planned(settings, sequence.sheet)
        ]
    )
    refuse_what_comes_late(sequence, visits)
    refuse_what_has_no_end(sequence, visits)
    of_unit = unit_limits(sequence, sheet)
    wires = wire(bench, sheet, reach=reach(sheet, of_unit, visits))
    limits = (("limits of the unit", of_unit), *bench_limits(bench, sheet, wires))
    refuse_what_is_not_evaluated(sequence, visits)
    refuse_what_is_not_captured(sequence, bench, wires, visits)
    refuse_what_harms(sequence, sheet, limits, wires, visits)
    # A unit whose sheet gives its range alone says nothing of what lies beyond.
    refuse_an_unsafe_safe_level(bench, limits if sequence.sheet.limits is not None else limits[1:], wires)
    held = wire_held(bench, levels_under(sequence, visits))
    sheet = with_certified(sheet, statements(bench, wires, sequence.sheet))
    points = points_of(sequence, bench, sheet, wires, held, visits)
    refuse_what_lasts(sequence, points)
    return Plan(
        sequence=sequence,
        bench=bench,
        sheet=sheet,
        wires=wires,
        points=points,
        limits=limits,
        held=held,
        warnings=(
            *(
                f"step {number}, {name}: {each}"
                for number, name, settings in sequence.steps()
                for each in steps[name].remarks(settings)
            ),
            *warnings_of(sequence, bench, sheet, wires, points),
        ),
    )


def further_points(
    planned: Plan, setpoints: Sequence[Setpoint], *, after: int, last: Point | None = None
) -> tuple[Point, ...]:
    """Points beyond a plan, numbered on from `after`; they are held to the same limits.

    Args:
        planned: the plan.
        setpoints: in order.
        after: number of the last point that was visited.
        last: of the step that they belong to, where the input stands; None = they are a step of their own.

    Raises:
        PlanError: a setpoint lies outside the limits of unit or source.
    """
    from_there = last or planned.points[-1]
    step, name = (last.step, last.step_name) if last else (from_there.step + 1, FURTHER)
    visits = [(step, name, _tapped(setpoint, planned.sheet)) for setpoint in setpoints]
    refuse_what_harms(planned.sequence, planned.sheet, planned.limits, planned.wires, visits)
    on_the_way = [(from_there.step, from_there.step_name, from_there.setpoint), *visits]
    points = points_of(planned.sequence, planned.bench, planned.sheet, planned.wires, planned.held, on_the_way)[1:]
    return tuple(replace(point, number=point.number - 1 + after) for point in points)


def _placed(visits: Sequence[Visit]) -> list[Visit]:
    """The visits, those that leave the input as it stands with the place of the one before; at first it is 0 %."""
    frac, placed = 0.0, []
    for number, name, setpoint in visits:
        here = replace(setpoint, frac=frac) if setpoint.is_still else setpoint
        frac = here.frac
        placed.append((number, name, here))
    return placed


def _tapped(setpoint: Setpoint, sheet: DataSheet) -> Setpoint:
    """The setpoint with the tap that is read alone: the last, where it is to be read quickly and names none."""
    return replace(setpoint, tap=setpoint.tap or sheet.taps[-1].name) if setpoint.is_quick else setpoint
