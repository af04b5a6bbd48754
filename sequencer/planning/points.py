"""The points of a plan: what is set, what is expected there, and how it is known that it is steady."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from instruments.benchfile import LoadedBench
from instruments.datasheet import DataSheet, FloatArray, Tap
from instruments.units import Quantity, Span, magnitude, quantity
from instruments.wiring import Held, Wire
from sequencer.evaluation.budget import error_budget
from sequencer.evaluation.certificates import corrections_told
from sequencer.evaluation.figures.uncertainty import Budget
from sequencer.inputs.files import LoadedSequence
from sequencer.inputs.settling_rule import SettlingRule
from sequencer.inputs.step import READING, Setpoint, registry
from sequencer.inputs.tolerance import half_width
from sequencer.planning.bench_statements import basis_of, statements
from sequencer.planning.cautions import general_cautions
from sequencer.planning.searches import TimeBeyond, beyond_s
from sequencer.planning.times import PointTime, point_times, pulse_waits_s, talk_of

__all__ = ["Plan", "Point", "Visit", "from_rest", "points_of", "receiver_of"]

Visit = tuple[int, str, Setpoint]
"""Number of the step, its name, and where it goes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One place the run goes to: what is set, what is expected, and how it is known that it is steady.

    Args:
        number: from 1, over the whole plan.
        step: number of the step in the sequence, from 1.
        step_name: its name.
        setpoint: from the step.
        value: of the first tap, in its unit.
        level: what the source is set to (ohm for a Pt100).
        expected: ideal value at each tap, in its unit.
        tolerance: half width at the last tap in its unit; NaN or 0 = not judged here.
        rule: for settling, in the unit of the last tap.
        settles_s: how long it will take until it is declared steady, from the moment its input is set.
        reads_s: how long its readings will take.
        waits_s: of that, what passes whatever the bench: until a time that is stated, or for one.
        U: expanded uncertainty that the error will have at least, in the unit of the last tap; None = not known.
        tur: tolerance over `U`; None = not known.
        u: standard uncertainty that belongs to `U`; NaN = not known.
        u_own: standard uncertainty, part of `U`, that no other point shares: resolution.
        u_settling: standard uncertainty, part of `U`, from the settling error that may be left.
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
    settles_s: float
    reads_s: float
    U: float | None
    tur: float | None
    u: float = math.nan
    u_own: float = 0.0
    u_settling: float = 0.0
    waits_s: float = 0.0

    @property
    def time(self) -> PointTime:
        """How long its parts will take."""
        return PointTime(self.settles_s, self.reads_s, self.waits_s)

    @property
    def estimate_s(self) -> float:
        """How long it will take."""
        return self.settles_s + self.reads_s

    @property
    def role(self) -> str:
        """As journal and table name it."""
        return self.setpoint.role


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A sequence on a bench, ready to run: points in order, wiring, limits, warnings; by how many runs it is timed."""

    sequence: LoadedSequence
    bench: LoadedBench
    sheet: DataSheet
    wires: tuple[Wire, ...]
    points: tuple[Point, ...]
    limits: tuple[tuple[str, Span], ...]
    warnings: tuple[str, ...]
    held: tuple[Held, ...] = ()

    @property
    def all_wires(self) -> tuple[Wire, ...]:
        """Those of the taps, and those of what else is held."""
        return (*self.wires, *(each.wire for each in self.held))

    timed_by_n: int = 0
    searched_s: Mapping[int, float] = field(default_factory=dict)

    @property
    def estimate_s(self) -> float:
        """How long the run will take."""
        return self._whole_s + sum(each.expected_s for each in self.beyond.values())

    @property
    def least_s(self) -> float:
        """The same with the shortest searches."""
        return self._whole_s + sum(each.least_s for each in self.beyond.values())

    @property
    def most_s(self) -> float:
        """The same where all goes on for long."""
        return self._whole_s + sum(each.most_s for each in self.beyond.values())

    @property
    def _whole_s(self) -> float:
        return self.begin_s + sum(point.estimate_s for point in self.points)

    @property
    def beyond(self) -> Mapping[int, TimeBeyond]:
        """How long each step goes on beyond its points, by its number, where it may: what a search needs, or "until".

        Where earlier runs searched, that is what is expected.
        """
        talk, steps, found = talk_of(self.bench, self.sheet, self.wires, self.held), registry(), {}
        for number, name, settings in self.sequence.steps():
            own = [point for point in self.points if point.step == number]
            if not own or not steps[name].goes_on(settings):
                continue
            there = [(point.setpoint, point.rule, point.time) for point in own]
            told = [beyond_s(each, there, talk, last=self.wires[-1].tap) for each in steps[name].beyond(settings)]
            longer_s = (steps[name].most_times(settings) - 1) * sum(point.estimate_s for point in own)
            least_s, expected_s, most_s = told
            expected_s = self.searched_s.get(number, expected_s)
            found[number] = TimeBeyond(
                least_s=min(least_s, expected_s),
                expected_s=expected_s,
                most_s=max(most_s, expected_s) + longer_s,
                is_until=longer_s > 0,
            )
        return found

    @property
    def begin_s(self) -> float:
        """How long it will take to the first point: instruments identified, set up, made safe, energised."""
        return talk_of(self.bench, self.sheet, self.wires, self.held).begin_s

    def timed(
        self,
        known: Mapping[int, PointTime],
        *,
        runs_n: int = 0,
        searched_s: Mapping[int, float] | None = None,
        measured_s: Mapping[str, float] | None = None,
    ) -> "Plan":
        """This plan with times learnt.

        Args:
            known: what points, by number, took in earlier runs.
            runs_n: in how many of them.
            searched_s: what each step, by number, took beyond its points in them.
            measured_s: time of one exchange by instrument, where it was measured.
        """
        times = point_times(
            [(point.step, point.setpoint, point.rule) for point in self.points],
            talk_of(self.bench, self.sheet, self.wires, self.held, measured_s),
            last=self.wires[-1].tap,
            known=known,
            waits_s=[pulse_waits_s(self.bench, self.wires, point.expected) for point in self.points],
        )
        points = (
            replace(point, settles_s=time.settles_s, reads_s=time.reads_s, waits_s=time.waits_s)
            for point, time in zip(self.points, times, strict=True)
        )
        return replace(self, points=tuple(points), timed_by_n=runs_n, searched_s=searched_s or {})

    @property
    def has_traverse(self) -> bool:
        """Whether errors over the range are held against the tolerance."""
        return any(point.role == READING for point in self.points)

    @property
    def tur(self) -> float | None:
        """The smallest TUR of the points that are judged; None where one is not known."""
        known = [point.tur for point in self.points if point.role == READING and point.tolerance > 0]
        if not known or any(each is None for each in known):
            return None
        return min(each for each in known if each is not None)

    @property
    def corrections(self) -> tuple[str, ...]:
        """What will be corrected at which tap, by how much, in words."""
        stated = statements(self.bench, self.wires, self.sequence.sheet)
        return (*self.sequence.sheet.corrections, *corrections_told(self.sheet, stated))

    @property
    def cautions(self) -> tuple[str, ...]:
        """What must be confirmed before anything is energised: what the sequence lists, or else what is general."""
        own = self.sequence.file.cautions or general_cautions(self.sheet)
        return tuple(dict.fromkeys((*own, *self.sequence.included_cautions)))


def points_of(
    sequence: LoadedSequence,
    bench: LoadedBench,
    sheet: DataSheet,
    wires: tuple[Wire, ...],
    held: tuple[Held, ...],
    visits: Sequence[Visit],
) -> tuple[Point, ...]:
    """The points of a plan in order; arguments as in `Plan`, `visits` as the steps have them."""
    tap = sheet.taps[0]
    fractions = np.array([0.0 if setpoint.is_off else setpoint.frac for _, _, setpoint in visits])
    values = tap.value(fractions)
    signals = tap.to_signal(values)
    expected = np.stack([sheet.ideal(values, last=index) for index in range(len(sheet.taps))], axis=1)
    widths = half_width(sequence.sheet.tolerance, sheet, values)
    bands = _bands(sequence, widths, visits, resolution=receiver_of(bench, wires[-1], sheet.taps[-1])[0])
    stated = _expected(sequence, bench, sheet, wires, signals=signals, output=expected[:, -1], to_go=bands)
    U, u, own, settling = _parts(stated, values.shape)
    rules = _rules(sequence, bench, sheet, wires, visits, expected=expected[:, -1], bands=bands)
    times = point_times(
        [(number, setpoint, rule) for (number, _, setpoint), rule in zip(visits, rules, strict=True)],
        talk_of(bench, sheet, wires, held),
        last=wires[-1].tap,
        waits_s=[pulse_waits_s(bench, wires, row) for row in expected.tolist()],
    )
    points = []
    for index, ((number, name, setpoint), rule) in enumerate(zip(visits, rules, strict=True)):
        width = float(widths[index])
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
                settles_s=times[index].settles_s,
                reads_s=times[index].reads_s,
                waits_s=times[index].waits_s,
                U=float(U[index]) if U[index] > 0 else None,
                tur=width / float(U[index]) if U[index] > 0 and width > 0 else None,
                u=float(u[index]),
                u_own=float(own[index]),
                u_settling=float(settling[index]),
            )
        )
    return tuple(points)


def _bands(sequence: LoadedSequence, widths: FloatArray, visits: Sequence[Visit], *, resolution: float) -> FloatArray:
    """The settling error that is allowed at each point, in the unit of the last tap.

    Where the point itself has no tolerance, it settles as strictly as the strictest of the others. Nothing finer than
    the receiver shows can be asked of it.
    """
    share = np.array([setpoint.settles_within for _, _, setpoint in visits])
    least = float(np.min(widths, initial=np.inf, where=widths > 0))
    wanted = np.where(widths > 0, widths, least if math.isfinite(least) else 0.0)
    return np.asarray(np.maximum(share * sequence.file.settled_within * wanted, resolution))


def _rules(
    sequence: LoadedSequence,
    bench: LoadedBench,
    sheet: DataSheet,
    wires: tuple[Wire, ...],
    visits: Sequence[Visit],
    *,
    expected: FloatArray,
    bands: FloatArray,
) -> tuple[SettlingRule, ...]:
    """How it is known at each point that the unit is steady, coming from the point before, or from where it rests."""
    last, bounds = sheet.taps[-1], sequence.sheet.settling
    lag_s = math.sqrt(sum(stage.time_constant_s**2 for stage in sheet.stages))
    dead_s = sum(stage.dead_time_s for stage in sheet.stages)
    is_read_between = any(each.receiver is not None for each in wires[1:-1])
    ends = (min(last.low, last.high), max(last.low, last.high))
    resolution, _ = receiver_of(bench, wires[-1], last)
    rests = _resting_outputs(sheet, wires[0])
    is_from_rest = np.array([True, *(setpoint.is_off for _, _, setpoint in visits[:-1])])
    is_held = is_read_between | (is_from_rest & bool(((rests < ends[0]) | (rests > ends[1])).any()))
    farthest = rests[np.abs(rests[:, None] - expected).argmax(axis=0)]
    befores = np.where(is_from_rest, farthest, np.concatenate(([np.nan], expected[:-1])))
    return tuple(
        SettlingRule(
            band=float(band),
            time_constant_s=lag_s,
            minimum_s=max(bounds.minimum, dead_s),
            maximum_s=bounds.maximum,
            resolution=resolution,
            dead_time_s=dead_s,
            tail_s=bounds.tail or None,
            before=float(before),
            expected=float(after),
            ends=ends if may_be_held else None,
        )
        for band, before, after, may_be_held in zip(bands, befores, expected, is_held, strict=True)
    )


def _resting_outputs(sheet: DataSheet, driven: Wire) -> FloatArray:
    """What the last tap would rest at, if nothing held the output, with no signal and with the safe level at the input.

    One source switched off gives the one, another the other. A sensor may be defined for neither (a Pt100 at 0 ohm):
    there the straight line of its range goes on.
    """
    tap = sheet.taps[0]
    assert driven.safe_level is not None
    signals = np.array([0.0, magnitude(driven.safe_level, tap.signal_unit)])
    low, high = tap.to_signal(np.array([tap.low, tap.high]))
    values = tap.to_value(signals)
    return sheet.ideal(np.where(np.isfinite(values), values, tap.value((signals - low) / (high - low))))


def from_rest(point: Point, points: Sequence[Point]) -> Point:
    """The point of a plan with these points, where the unit comes to it with the source just switched on."""
    first = points[0].rule
    return replace(point, rule=replace(point.rule, before=first.before, ends=first.ends))


def receiver_of(bench: LoadedBench, wired: Wire, tap: Tap) -> tuple[float, float]:
    """Resolution in the unit of the tap's signal, and time of one reading, of what reads a tap."""
    port = wired.receiver
    assert port is not None
    function = bench.descriptions[port.instrument].functions[port.function]
    resolution = function.resolution(port.entry, tap.reading_unit)
    return resolution / (abs(tap.correction.factor) if tap.correction else 1.0), function.takes


def _expected(
    sequence: LoadedSequence,
    bench: LoadedBench,
    sheet: DataSheet,
    wires: tuple[Wire, ...],
    *,
    signals: FloatArray,
    output: FloatArray,
    to_go: FloatArray,
) -> Budget | None:
    """Uncertainty that each error will have at least, before any scatter; None where nothing is stated."""
    file = sequence.file
    basis = basis_of(bench, wires, sequence.sheet, coverage=file.coverage, rule=file.decision_rule, date="")
    return error_budget(
        sheet,
        basis.statements,
        input_signal=signals,
        output=output,
        to_go=to_go,
        correlations=basis.pairs,
        probability=basis.coverage,
    )


def _parts(stated: Budget | None, shape: tuple[int, ...]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Uncertainty, expanded and standard, NaN where it is not known, and of it what resolution and settling make.

    The other lines are what the instruments bring to all points of a run alike.
    """
    if stated is None:
        return np.full(shape, np.nan), np.full(shape, np.nan), np.zeros(shape), np.zeros(shape)
    origins = np.array([each.origin for each in stated.contributions])
    squares = np.nan_to_num(stated.effect) ** 2
    own, settling = (np.sqrt(squares[origins == origin].sum(axis=0)) for origin in ("resolution", "settling"))
    return stated.U, stated.u, own, settling
