"""From sequence, type sheet and bench to a flat list of points, before anything is energised.

What the bench cannot do, and what could harm the unit, is refused here. It opens no instrument and knows no clock.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from instruments.benchfile import LoadedBench
from instruments.datasheet import DataSheet, FloatArray, Tap
from instruments.errors import PlanError
from instruments.texts import sized
from instruments.units import Quantity, Span, is_alike, magnitude, quantity, show
from instruments.wiring import Port, Wire, wire
from sequencer.evaluation.budget import LEAST_TUR, Basis, budget
from sequencer.inputs.decision_rules import RULES
from sequencer.inputs.files import LoadedSequence
from sequencer.inputs.settling_rule import SettlingRule
from sequencer.inputs.step import FURTHER, Role, Setpoint, registry
from sequencer.inputs.tolerance import half_width
from sequencer.planning.bench_statements import basis_of
from sequencer.readings.table import Grid

__all__ = ["Plan", "Point", "further_points", "plan", "receiver_of"]

# A tolerance under ten steps of the receiver cannot be judged by it (FAULTS 16; common practice, no source).
_STEPS_IN_TOLERANCE = 10
_TUR_WANTED = 4.0
_CAPTURE_WITHIN = 0.1
_MOST_VISITS = 20_000
_MOST_READINGS = 200_000
_LONGEST_S = 30 * 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One place the run goes to: what is set, what is expected, and how it is told that it is steady.

    Args:
        number: from 1, over the whole plan.
        step: number of the step in the sequence, from 1.
        step_name: its name.
        setpoint: from the step.
        value: of the first tap, in its unit.
        level: what the source is told (ohm for a Pt100).
        expected: ideal value at each tap, in its unit.
        tolerance: half width at the last tap in its unit; NaN = not judged here.
        rule: for settling, in the unit of the last tap.
        estimate_s: how long it will take.
        U: expanded uncertainty that the error will have at least, in the unit of the last tap; None = not known.
        tur: tolerance over `U`; None = not known.
    """

    number: int
    step: int
    step_name: str
    setpoint: Setpoint
    value: float
    level: Quantity
    expected: tuple[float, ...]
    tolerance: float
    rule: SettlingRule
    estimate_s: float
    U: float | None
    tur: float | None

    @property
    def role(self) -> Role:
        """Exercise, reading, or end pair."""
        return self.setpoint.role

    @property
    def is_capture(self) -> bool:
        """Many readings in a row for their noise, not for their mean."""
        return self.setpoint.role in {"capture", "capture, drive off"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A sequence on a bench, ready to run: points in order, wiring, limits, warnings."""

    sequence: LoadedSequence
    bench: LoadedBench
    sheet: DataSheet
    wires: tuple[Wire, ...]
    points: tuple[Point, ...]
    limits: tuple[tuple[str, Span], ...]
    warnings: tuple[str, ...]

    @property
    def estimate_s(self) -> float:
        """How long the run will take."""
        return sum(point.estimate_s for point in self.points)

    @property
    def tur(self) -> float | None:
        """The smallest TUR of the points that are judged; None where one is not known."""
        known = [point.tur for point in self.points if point.role == "reading" and not math.isnan(point.tolerance)]
        if not known or any(each is None for each in known):
            return None
        return min(each for each in known if each is not None)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What must be confirmed before anything is energised."""
        return self.sequence.file.cautions


def plan(sequence: LoadedSequence, bench: LoadedBench) -> Plan:
    """The points of a sequence on a bench.

    Raises:
        PlanError: the bench lacks an instrument or a range, or a setpoint lies outside the limits of unit or source.
    """
    sheet = sequence.sheet.datasheet()
    steps = registry()
    visits = [
        (number, name, replace(setpoint, tap=setpoint.tap or sheet.taps[-1].name) if name == "capture" else setpoint)
        for number, name, settings in sequence.steps()
        for setpoint in steps[name].plan(settings)
    ]
    _refuse_what_has_no_end(sequence, visits)
    unit_limits = _unit_limits(sequence, sheet)
    wires = wire(bench, sheet, reach=_reach(sheet, unit_limits, visits))
    limits = (("limits of the unit", unit_limits), *_bench_limits(bench, sheet, wires))
    _refuse_what_is_not_evaluated(sequence, visits)
    _refuse_what_is_not_captured(sequence, bench, wires, visits)
    _refuse_what_harms(sequence, sheet, limits, wires, visits)
    # A unit whose sheet gives its range alone says nothing of what lies beyond.
    _refuse_an_unsafe_safe_level(bench, limits if sequence.sheet.limits is not None else limits[1:], wires)
    points = _points(sequence, bench, sheet, wires, visits)
    _refuse_what_lasts(sequence, points)
    return Plan(
        sequence=sequence,
        bench=bench,
        sheet=sheet,
        wires=wires,
        points=points,
        limits=limits,
        warnings=_warnings(sheet, wires, points, bench, sequence.file.decision_rule),
    )


def further_points(planned: Plan, setpoints: Sequence[Setpoint], *, after: int) -> tuple[Point, ...]:
    """Points beyond a plan, numbered on from `after`, as a step of their own; they are held to the same limits.

    Raises:
        PlanError: a setpoint lies outside the limits of unit or source.
    """
    step = max(point.step for point in planned.points) + 1
    visits = [(step, FURTHER, setpoint) for setpoint in setpoints]
    _refuse_what_harms(planned.sequence, planned.sheet, planned.limits, planned.wires, visits)
    points = _points(planned.sequence, planned.bench, planned.sheet, planned.wires, visits)
    return tuple(replace(point, number=point.number + after) for point in points)


def _unit_limits(sequence: LoadedSequence, sheet: DataSheet) -> Span:
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


def _reach(sheet: DataSheet, unit_limits: Span, visits: list[tuple[int, str, Setpoint]]) -> Span | None:
    """What the setpoints go to within the limits of the unit, as signals of the first tap; None if none lies there."""
    tap = sheet.taps[0]
    signals = tap.to_signal(tap.value(np.array([setpoint.frac for _, _, setpoint in visits])))
    within = [signal for signal in signals.tolist() if unit_limits.holds(signal)]
    return Span(min(within), max(within), tap.signal_unit) if within else None


def _bench_limits(bench: LoadedBench, sheet: DataSheet, wires: tuple[Wire, ...]) -> tuple[tuple[str, Span], ...]:
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


def _refuse_what_has_no_end(sequence: LoadedSequence, visits: list[tuple[int, str, Setpoint]]) -> None:
    """A slip of the pen must not keep a bench busy for a year, or a computer out of memory."""
    readings_n = sum(setpoint.readings_n for _, _, setpoint in visits)
    if len(visits) > _MOST_VISITS or readings_n > _MOST_READINGS:
        raise PlanError(
            f"{len(visits)} moves with {readings_n} readings",
            where=sequence.document.where("steps"),
            allowed=f"at most {_MOST_VISITS} moves and {_MOST_READINGS} readings",
            todo="take fewer points, cycles or readings",
        )


def _refuse_what_lasts(sequence: LoadedSequence, points: tuple[Point, ...]) -> None:
    """Each wait may be right, and all together more than a bench is there for."""
    estimate_s = sum(point.estimate_s for point in points)
    if estimate_s > _LONGEST_S:
        raise PlanError(
            f"it would take {estimate_s / 86400:.0f} days",
            where=sequence.document.where("steps"),
            allowed=f"at most {_LONGEST_S / 86400:g} days",
            todo="take fewer points, cycles or readings, or look for a time with a wrong unit",
        )


def _refuse_what_is_not_evaluated(sequence: LoadedSequence, visits: list[tuple[int, str, Setpoint]]) -> None:
    """Figures are those of one step: a second one would be read for nothing, and none gives no verdict."""
    reads = list(dict.fromkeys(number for number, _, setpoint in visits if setpoint.role == "reading"))
    if len(reads) != 1:
        raise PlanError(
            f"{len(reads)} steps of this sequence take readings",
            where=sequence.document.where("steps", *(number - 1 for number in reads[1:2])),
            allowed="one step that takes readings, such as a traverse",
            todo="make a sequence of its own for each further one" if reads else "add a traverse",
        )


def _refuse_what_is_not_captured(
    sequence: LoadedSequence, bench: LoadedBench, wires: tuple[Wire, ...], visits: list[tuple[int, str, Setpoint]]
) -> None:
    """A capture reads one tap, by an instrument: nobody types in hundreds of readings a minute."""
    read_by = {each.tap: each.receiver.instrument for each in wires if each.receiver is not None}
    quick = [tap for tap, name in read_by.items() if bench.descriptions[name].kind != "keyed"]
    for number, name, setpoint in visits:
        if name == "capture" and setpoint.tap not in quick:
            raise PlanError(
                f'no instrument with an interface reads the tap "{setpoint.tap}"',
                where=sequence.document.where("steps", number - 1, name),
                allowed=", ".join(quick) or "none on this bench",
                todo="capture another tap, or leave the step out",
            )


def _refuse_what_harms(
    sequence: LoadedSequence,
    sheet: DataSheet,
    limits: tuple[tuple[str, Span], ...],
    wires: tuple[Wire, ...],
    visits: list[tuple[int, str, Setpoint]],
) -> None:
    tap = sheet.taps[0]
    port = wires[0].source
    assert port is not None
    # What is ideally reached further down the chain has limits as well; the run itself can only hold the input.
    further = [
        (f'limits of the tap "{name}"', each.limits, index, sheet.taps[index].unit)
        for index, (name, each) in enumerate(sequence.sheet.tap_sheets)
        if index and each.limits is not None
    ]
    faults: dict[tuple[int, float], PlanError] = {}
    for number, name, setpoint in visits:
        value = float(tap.value(np.array(setpoint.frac)))
        signal = float(tap.to_signal(np.array(value)))
        levels = [(reason, limit, tap.signal_unit, signal) for reason, limit in limits]
        levels.append(("range of the source", port.entry.range, tap.signal_unit, signal))
        levels += [
            (reason, limit, unit, float(sheet.ideal(np.array(value), last=index)))
            for reason, limit, index, unit in further
        ]
        for reason, limit, unit, level in levels:
            if not limit.within(unit).holds(level):
                faults.setdefault(
                    (number, setpoint.frac),
                    PlanError(
                        f"{100 * setpoint.frac:g} % ({value:g} {tap.unit}) lies outside the {reason}",
                        where=sequence.document.where("steps", number - 1, name),
                        allowed=str(limit),
                        todo="leave the point out, or correct the limits if they are wrong",
                    ),
                )
    if faults:
        first, *others = faults.values()
        raise PlanError(first.what, where=first.where, allowed=first.allowed, todo=first.todo, others=tuple(others))


def _refuse_an_unsafe_safe_level(
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


def _points(
    sequence: LoadedSequence,
    bench: LoadedBench,
    sheet: DataSheet,
    wires: tuple[Wire, ...],
    visits: list[tuple[int, str, Setpoint]],
) -> tuple[Point, ...]:
    tap, last = sheet.taps[0], sheet.taps[-1]
    # With the source off the unit is taken to rest at 0 %.
    fractions = np.array([0.0 if setpoint.role == "capture, drive off" else setpoint.frac for _, _, setpoint in visits])
    values = tap.value(fractions)
    signals = tap.to_signal(values)
    expected = np.stack([sheet.ideal(values, last=index) for index in range(len(sheet.taps))], axis=1)
    widths = half_width(sequence.sheet.tolerance, sheet, values)
    lag_s = math.sqrt(sum(stage.time_constant_s**2 for stage in sheet.stages))
    dead_s = sum(stage.dead_time_s for stage in sheet.stages)
    least = float(np.nanmin(np.where(widths > 0, widths, np.nan)))
    bounds = sequence.sheet.settling
    resolution, takes_s = receiver_of(bench, wires[-1], last)
    reads_s = {
        each.tap: receiver_of(bench, each, taken)[1]
        for each, taken in zip(wires, sheet.taps, strict=True)
        if each.receiver is not None
    }
    # Where the point itself is not judged (NaN), it settles as strictly as the strictest of the others. Nothing finer
    # than the receiver shows can be asked of it.
    # A capture looks at what is left of a settling, so it waits longer.
    share = np.array([_CAPTURE_WITHIN if name == "capture" else 1.0 for _, name, _ in visits])
    to_go = np.maximum(share * sequence.file.settled_within * np.where(widths > 0, widths, least), resolution)
    basis = basis_of(
        bench, wires, sequence.sheet, coverage=sequence.file.coverage, rule=sequence.file.decision_rule, date=""
    )
    U = _expected_U(sheet, basis, setpoint_pct=100 * fractions, values=values, expected=expected[:, -1], to_go=to_go)
    is_read_between = any(each.receiver is not None for each in wires[1:-1])
    ends = (min(last.low, last.high), max(last.low, last.high)) if is_read_between else None
    points = []
    before = last.low
    for index, (number, name, setpoint) in enumerate(visits):
        width = float(widths[index])
        allowed = float(to_go[index])
        rule = SettlingRule(
            tolerance=allowed,
            time_constant_s=lag_s,
            minimum_s=max(bounds.minimum, dead_s),
            maximum_s=bounds.maximum,
            resolution=resolution,
            dead_time_s=dead_s,
            tail_s=bounds.tail or None,
            before=before,
            expected=float(expected[index, -1]),
            ends=ends,
        )
        step = abs(float(expected[index, -1]) - before)
        settle_s = 0.0 if setpoint.role == "end pair" else lag_s * math.log(max(step / allowed, 1.0)) + dead_s
        points.append(
            Point(
                number=index + 1,
                step=number,
                step_name=name,
                setpoint=setpoint,
                value=float(values[index]),
                level=quantity(f"{float(signals[index])!r} {tap.signal_unit}"),
                expected=tuple(float(each) for each in expected[index]),
                tolerance=width,
                rule=rule,
                estimate_s=min(max(settle_s, bounds.minimum), bounds.maximum)
                + setpoint.readings_n * reads_s.get(setpoint.tap, takes_s),
                U=float(U[index]) if U[index] > 0 else None,
                tur=width / float(U[index]) if U[index] > 0 and width > 0 else None,
            )
        )
        before = float(expected[index, -1])
    return tuple(points)


def receiver_of(bench: LoadedBench, wired: Wire, tap: Tap) -> tuple[float, float]:
    """Resolution in the unit of the tap's signal, and time of one reading, of what reads a tap."""
    port = wired.receiver
    assert port is not None
    function = bench.descriptions[port.instrument].functions[port.function]
    resolution = function.resolution(port.entry, tap.reading_unit)
    return resolution / (abs(tap.correction.factor) if tap.correction else 1.0), function.takes


def _expected_U(
    sheet: DataSheet,
    basis: Basis,
    setpoint_pct: FloatArray,
    values: FloatArray,
    expected: FloatArray,
    to_go: FloatArray,
) -> FloatArray:
    """Expanded uncertainty that each error will have at least, before any scatter; NaN where it is not known."""
    first, last = sheet.taps[0], sheet.taps[-1]
    ahead = Grid(
        setpoint_pct=setpoint_pct,
        value={first.name: values, last.name: expected},
        sd={},
        readings_n={},
        end_pair={},
        to_go=to_go,
        is_steady=np.ones(values.shape, dtype=bool),
        has_directions=True,
    )
    stated = budget(
        ahead,
        sheet,
        basis.statements,
        input_signal=first.to_signal(values),
        correlations=basis.pairs,
        probability=basis.coverage,
    )
    return np.full(values.shape, np.nan) if stated is None else stated.U


def _doubtful(turs: list[float | None], rule: str) -> str:
    """What is to be said of a bench by its TUR at each point; "" where it is good enough for the tolerance."""
    known = [each for each in turs if each is not None]
    if len(known) < len(turs):
        missing = "the accuracy of an instrument is not in its description: no uncertainty, so "
        is_needed = RULES[rule].w_over_U != 0 or RULES[rule].guard != "of U"
        return missing + (f"no verdict by {rule}" if is_needed else "a verdict without it")
    if min(known) < 1:
        return (
            f"no verdict is possible at {sum(each < 1 for each in known)} of {len(known)} points: the uncertainty "
            "exceeds the tolerance; take better instruments, or settle more strictly"
        )
    if min(known) >= _TUR_WANTED:
        return ""
    said = f"the bench is only {min(known):.1f} times as good as the tolerance (TUR); {_TUR_WANTED:g} is wanted"
    if min(known) < LEAST_TUR:
        said += f"; below {LEAST_TUR:g} a pass is conditional unless a person accepts it (--accept-low-tur)"
    return said


def _cannot_tell(bench: LoadedBench, port: Port) -> bool:
    """True of a receiver that would lose its settings with its power, and not show it."""
    description = bench.descriptions[port.instrument]
    function = description.functions[port.function]
    asks = description.event_status or function.select_query
    settings = (*description.prepare, *function.select, *port.entry.select)
    return description.kind == "remote" and not asks and bool(settings)


def _warnings(
    sheet: DataSheet, wires: tuple[Wire, ...], points: tuple[Point, ...], bench: LoadedBench, rule: str
) -> tuple[str, ...]:
    judged = [point for point in points if point.role == "reading" and point.tolerance > 0]
    found = []
    if judged:
        tightest = min(judged, key=lambda point: point.tolerance)
        unit = sheet.taps[-1].unit
        step = tightest.rule.resolution
        if step and tightest.tolerance < _STEPS_IN_TOLERANCE * step:
            found.append(
                f"the tolerance of {sized(tightest.tolerance)} {unit} is under {_STEPS_IN_TOLERANCE} steps of the "
                f"receiver ({sized(step)} {unit}): take a finer range or meter"
            )
        found += filter(None, [_doubtful([point.tur for point in judged], rule)])
    if wires[0].receiver is None:
        port = wires[0].source
        assert port is not None
        found.append(
            f'nothing reads the tap "{wires[0].tap}": what {port.instrument} is told counts as the input, '
            "so an error of the source looks like one of the unit"
        )
    ports = [port for each in wires for port in (each.receiver or each.source,) if port is not None]
    if bench.file.ambient is None and any(port.entry.temperature_coefficient is not None for port in ports):
        found.append("the bench file states no ambient temperature: the reference temperatures are taken to be held")
    blind = [each.receiver.instrument for each in wires if each.receiver and _cannot_tell(bench, each.receiver)]
    if blind:
        found.append(
            f"{', '.join(dict.fromkeys(blind))} cannot tell a loss of power, and may read on in another function: give "
            '"event status" or "select query" in the description if there is one'
        )
    if any(bench.descriptions[name].kind == "keyed" for name in bench.file.instruments):
        found.append("a person sets or reads at each point; the time they take is not in the estimate")
    return tuple(found)
