"""What is refused before anything is energised: what the bench cannot do, and what could harm the unit."""

from collections.abc import Iterator, Sequence

import numpy as np

from instruments.benchfile import LoadedBench
from instruments.datasheet import DataSheet
from instruments.errors import InputError, PlanError
from instruments.units import Quantity, Span, is_alike, magnitude, quantity, show
from instruments.wiring import Wire
from sequencer.inputs.files import LoadedSequence
from sequencer.inputs.selection import named_steps
from sequencer.inputs.step import READING, registry
from sequencer.planning.points import Point, Visit

__all__ = [
    "bench_limits",
    "levels_under",
    "reach",
    "refuse_an_unsafe_safe_level",
    "refuse_what_comes_late",
    "refuse_what_harms",
    "refuse_what_has_no_end",
    "refuse_what_is_not_captured",
    "refuse_what_is_not_evaluated",
    "refuse_what_lasts",
    "unit_limits",
]

_MOST_VISITS = 20_000
_MOST_READINGS = 200_000
_LONGEST_S = 30 * 86_400.0


def unit_limits(sequence: LoadedSequence, sheet: DataSheet) -> Span:
    """Limits of the unit as signals of the first tap."""
    tap = sheet.taps[0]
    unit = sequence.sheet.limits or Span(min(tap.low, tap.high), max(tap.low, tap.high), tap.unit)
    within = unit.within(tap.unit)
    ends = tap.to_signal(np.array([within.bottom, within.top]))
    if np.isnan(ends).any():
        raise PlanError(
            f"the limits {unit} reach beyond what the sensor is defined for",
            where=sequence.sheet_document.where("input", "limits"),
            todo="narrow the limits",
        )
    return Span(float(ends.min()), float(ends.max()), tap.signal_unit)


def reach(sheet: DataSheet, unit_limits: Span, visits: Sequence[Visit]) -> Span | None:
    """What the setpoints go to within the limits of the unit, as signals of the first tap; None if none lies there."""
    tap = sheet.taps[0]
    signals = tap.to_signal(tap.value(np.array([setpoint.frac for _, _, setpoint in visits])))
    within = [signal for signal in signals.tolist() if unit_limits.holds(signal)]
    return Span(min(within), max(within), tap.signal_unit) if within else None


def bench_limits(bench: LoadedBench, sheet: DataSheet, wires: tuple[Wire, ...]) -> tuple[tuple[str, Span], ...]:
    """Limits that the bench file sets to its source; none if it sets none."""
    unit = sheet.taps[0].signal_unit
    port = wires[0].source
    assert port is not None
    own = bench.file.instruments[port.instrument].limits
    if own is None:
        return ()
    if not is_alike(own.unit, unit):
        raise PlanError(
            f'the limits of "{port.instrument}" are in {own.unit}, but it sets {unit} here',
            where=bench.where("instruments", port.instrument, "limits"),
            allowed=f"limits in {unit}",
            todo="give the limits for what it sets, or take another bench",
        )
    return (("limits in the bench file", own),)


def levels_under(sequence: LoadedSequence, visits: Sequence[Visit]) -> dict[str, list[Quantity]]:
    """The levels that visits are made under, by quantity; raises PlanError for one that is no level."""
    found: dict[str, dict[str, Quantity]] = {}
    for number, _, setpoint in visits:
        for held, level in setpoint.under:
            try:
                found.setdefault(held, {}).setdefault(level, quantity(level))
            except InputError as error:
                raise PlanError(
                    error.what,
                    where=sequence.where_step(number),
                    allowed=error.allowed,
                    todo=error.todo,
                ) from error
    return {held: list(levels.values()) for held, levels in found.items()}


def refuse_what_has_no_end(sequence: LoadedSequence, visits: Sequence[Visit]) -> None:
    """A slip of the pen must not keep a bench busy for a year, or a computer out of memory."""
    readings_n = sum(setpoint.readings_n for _, _, setpoint in visits)
    if len(visits) > _MOST_VISITS or readings_n > _MOST_READINGS:
        raise PlanError(
            f"{len(visits)} moves with {readings_n} readings",
            where=sequence.document.where("steps"),
            allowed=f"at most {_MOST_VISITS} moves and {_MOST_READINGS} readings",
            todo="take fewer points, cycles or readings",
        )


def refuse_what_comes_late(sequence: LoadedSequence, visits: Sequence[Visit]) -> None:
    """A step that begins with a cold unit says nothing after one that has warmed it, nor when it is repeated."""
    cold = {role: name for name, step in registry().items() if step.comes_first for role in step.roles}
    # A question with the output off warms nothing.
    first = next((number for number, _, setpoint in visits if not (setpoint.is_still and setpoint.is_off)), 1)
    for number, name, setpoint in visits:
        late = cold.get(setpoint.plain_role)
        if late is not None and (number > first or name != late):
            raise PlanError(
                f"{late.replace('_', ' ')} is in step {number}: the unit is warm by then",
                where=sequence.where_step(number),
                allowed="as the first step, once, or behind questions with the output off",
                todo="put it first, before any exercise, with the unit off beforehand",
            )


def refuse_what_lasts(sequence: LoadedSequence, points: tuple[Point, ...]) -> None:
    """Each wait may be right, and all together more than a bench is there for."""
    estimate_s = sum(point.estimate_s for point in points)
    if estimate_s > _LONGEST_S:
        raise PlanError(
            f"it would take {estimate_s / 86400:.0f} days",
            where=sequence.document.where("steps"),
            allowed=f"at most {_LONGEST_S / 86400:g} days",
            todo="take fewer points, cycles or readings, or look for a time with a wrong unit",
        )


def refuse_what_is_not_evaluated(sequence: LoadedSequence, visits: Sequence[Visit]) -> None:
    """Figures are those of one traverse: a second one would be read for nothing.

    Without one the verdict is that of the limits which its steps state. A run in part may read nothing at all.
    """
    reads = list(dict.fromkeys(number for number, _, setpoint in visits if setpoint.role == READING))
    if not reads and (sequence.left_out or any(setpoint.is_read for _, _, setpoint in visits)):
        return
    if not reads:
        raise PlanError(
            "no step of this sequence takes a reading",
            where=sequence.document.where("steps"),
            allowed="a traverse, or a step of its own such as: hold, ripple, step response, dead band",
            todo="add one",
        )
    if len(reads) > 1:
        raise PlanError(
            f"{len(reads)} steps of this sequence lead the unit through its range: {_placed_steps(sequence, reads)}",
            where=sequence.where_step(reads[1]),
            allowed="one such step, since figures and verdict are those of one traverse",
            todo='take out the others (of an include by "without: traverse"), or run one at a time: '
            + ", then ".join(f"--only {number}" for number in _each_alone(sequence, reads)),
        )
    form = sequence.sheet.fit
    points_n = len({setpoint.frac for _, _, setpoint in visits if setpoint.role == READING})
    if form is not None and points_n <= form.coefficients_n:
        raise PlanError(
            f"{points_n} points for a {form}, which has {form.coefficients_n} coefficients",
            where=sequence.where_step(reads[0]),
            allowed=f"{form.coefficients_n + 1} points or more",
            todo="read more points, or take a simpler curve in the type sheet",
        )


def _placed_steps(sequence: LoadedSequence, numbers: Sequence[int]) -> str:
    """Steps with the file that brings each: "2 traverse (this file), 5 traverse (included other.yaml)"."""
    own = sequence.document.path
    files = [sequence.all_steps[number - 1].document.path for number in numbers]
    return ", ".join(
        f"{named_steps(sequence, [number])} ({'this file' if path == own else f'included {path.name}'})"
        for number, path in zip(numbers, files, strict=True)
    )


def _each_alone(sequence: LoadedSequence, reads: Sequence[int]) -> Iterator[str]:
    """The steps to name for a run that keeps one of several and all that reads nothing for the figures."""
    taken = [number for number, _, _ in sequence.steps()]
    for kept in reads:
        yield ",".join(str(number) for number in taken if number == kept or number not in reads)


def refuse_what_is_not_captured(
    sequence: LoadedSequence, bench: LoadedBench, wires: tuple[Wire, ...], visits: Sequence[Visit]
) -> None:
    """A step that reads one tap needs what reads it; a capture an instrument: nobody types hundreds of readings."""
    read_by = {each.tap: each.receiver.instrument for each in wires if each.receiver is not None}
    quick = [tap for tap, name in read_by.items() if bench.descriptions[name].kind != "keyed"]
    faults: dict[int, PlanError] = {}
    for number, _, setpoint in visits:
        can_be = quick if setpoint.is_quick else list(read_by)
        if setpoint.tap and setpoint.tap not in can_be:
            faults[number] = PlanError(
                f'no instrument{" with an interface" if setpoint.is_quick else ""} reads the tap "{setpoint.tap}"',
                where=sequence.where_step(number),
                allowed=", ".join(can_be) or "none on this bench",
                todo="leave the step out, or read the tap with an instrument that has an interface: no person types "
                "readings as fast as it takes them"
                if setpoint.is_quick
                else "read another tap, or leave the step out",
            )
    if faults:
        kept = ",".join(str(number) for number, _, _ in sequence.steps() if number not in faults)
        first, *others = faults.values()
        todo = f"{first.todo}; --only {kept} runs all the others" if kept else first.todo
        raise PlanError(first.what, where=first.where, allowed=first.allowed, todo=todo, others=tuple(others))


def refuse_what_harms(
    sequence: LoadedSequence,
    sheet: DataSheet,
    limits: tuple[tuple[str, Span], ...],
    wires: tuple[Wire, ...],
    visits: Sequence[Visit],
) -> None:
    """Refuse what goes beyond a limit of unit, bench or source, every setpoint at once; raises PlanError."""
    tap = sheet.taps[0]
    port = wires[0].source
    assert port is not None
    # What is ideally reached further down the chain has limits as well; the run itself can only hold the input.
    further = [
        (f'limits of the tap "{name}"', each.limits, index, sheet.taps[index].unit)
        for index, (name, each) in enumerate(sequence.sheet.tap_sheets)
        if index and each.limits is not None
    ]
    faults: dict[tuple[int, float | str], PlanError] = {}
    for number, name, setpoint in visits:
        step = registry().get(name)
        remedy = "" if step is None else step.without(setpoint)
        value = float(tap.value(np.array(setpoint.frac)))
        signal = float(tap.to_signal(np.array(value)))
        levels = [(reason, limit, tap.signal_unit, signal) for reason, limit in limits]
        levels.append(("range of the source", port.entry.range, tap.signal_unit, signal))
        levels += [
            (reason, limit, unit, float(sheet.ideal(np.array(value), last=index)))
            for reason, limit, index, unit in further
        ]
        for reason, limit, unit, level in levels:
            if limit.within(unit).holds(level):
                continue
            fault = PlanError(
                f"{100 * setpoint.frac:g} % ({value:g} {tap.unit}) lies outside the {reason}",
                where=sequence.where_step(number),
                allowed=str(limit),
                todo=f"{remedy or 'leave the point out'}, or correct the limits if they are wrong",
            )
            if remedy:  # a side that is left out is told once, by its farthest point
                faults[number, remedy] = fault
            else:
                faults.setdefault((number, setpoint.frac), fault)
            break
    if faults:
        first, *others = faults.values()
        raise PlanError(first.what, where=first.where, allowed=first.allowed, todo=first.todo, others=tuple(others))


def refuse_an_unsafe_safe_level(
    bench: LoadedBench, limits: tuple[tuple[str, Span], ...], wires: tuple[Wire, ...]
) -> None:
    """Every run begins and ends at the safe level, and the source stays in the range of the points."""
    port, level = wires[0].source, wires[0].safe_level
    assert port is not None
    assert level is not None
    for reason, limit in (("range of the source", port.entry.range), *limits):
        if not limit.holds(magnitude(level, limit.unit)):
            raise PlanError(
                f'the safe level of "{port.instrument}", {show(level)}, lies outside the {reason}',
                where=bench.where("instruments", port.instrument),
                allowed=str(limit),
                todo='give a "safe level" that is one for this unit, or widen the limits if this one does no harm',
            )
