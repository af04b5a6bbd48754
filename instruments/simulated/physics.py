"""The one physical model: source, wiring, the stages of a unit, and what a receiver at a tap sees.

It is evaluated lazily, at the time that is asked, and only forward: between two changes of the sources every input is
constant, so a first-order lag is y = u + (y0 - u) exp(-dt / tau) exactly. Where lags follow each other the steps are
cut so that a straight line between them is good to 0.03 % of the step, and right once settled. It talks to no
instrument and sends no text; what an instrument adds (resolution, ranges, its own noise) is not here.
"""

import heapq
import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, fields

from instruments.datasheet import DataSheet, Stage
from instruments.errors import InputError
from instruments.simulated import elements
from instruments.simulated.elements import Effects, Element, Moment
from instruments.simulated.faults import Fault, Place
from instruments.simulated.signals import scalar, signal_span
from instruments.simulated.stage import StageModel
from instruments.units import magnitude, quantity

__all__ = ["Nature", "Plant"]

_EDGE_S = 1e-9
_FINE = 16  # steps a time constant where lags follow each other
_STANDARD_APERTURE_S = 0.02
# NE 43: 3.8 to 20.5 mA is measuring information.
_LIVE_ZERO_MA = (4.0, 20.0)
_CLAMP_MA = (3.8, 20.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Nature:
    """Ordinary imperfections of a healthy unit on a healthy bench; all `_pct` are % of the span at the tap.

    Args:
        zero_pct: standard deviation of each stage's zero error; drawn once a plant, never beyond two of them.
        span_pct: the same for its span error.
        hysteresis_pct: elastic hysteresis of each stage.
        noise_pct: standard deviation of the noise at each stage's output, for a reading over 20 ms.
        source_pct: standard deviation of the source's gain error and of its offset; drawn as `zero_pct`.
        source_noise_pct: noise at the first tap, as `noise_pct`.
        clamps: a 4 .. 20 mA output stays within 3.8 .. 20.5 mA.
        ramp_stage: name of the stage (a drive) that ramps; "" = none.
        ramp_pct_per_s: how fast it ramps, % of its range in a second.
    """

    zero_pct: float = 0.01
    span_pct: float = 0.01
    hysteresis_pct: float = 0.01
    noise_pct: float = 0.004
    source_pct: float = 0.002
    source_noise_pct: float = 0.001
    clamps: bool = True
    ramp_stage: str = ""
    ramp_pct_per_s: float = 5.0


class Plant:
    """A unit on its bench, with whatever is wrong with either.

    Args:
        sheet: the ideal unit.
        faults: what is wrong, all at once.
        nature: what is ordinarily imperfect.
        seed: of every random number in it; one seed, one plant.
        source_seed: of the errors that its source has by nature; None = `seed`. One source drives many units.
        start_s: the time at which it is made; everything in it is at rest, with no source driving.

    Raises:
        InputError: a fault does not fit the sheet, or a `ramp_stage` that is none.
    """

    def __init__(
        self,
        sheet: DataSheet,
        *,
        faults: tuple[Fault, ...] = (),
        nature: Nature | None = None,
        seed: int,
        source_seed: int | None = None,
        start_s: float = 0.0,
    ) -> None:
        nature = Nature() if nature is None else nature
        _check(sheet, nature)
        self.sheet = sheet
        self._moment = Moment(rng=random.Random(seed), start_s=start_s, at_s=start_s)  # noqa: S311  noise, not a secret
        placed = [(fault.place(sheet), fault.effects(sheet)) for fault in faults]
        of_source = self._drawn(nature.source_pct, nature.source_pct)
        if source_seed is not None:
            rng = random.Random(source_seed)  # noqa: S311  as above
            of_source = _drawn(rng, nature.source_pct, nature.source_pct)
        self._source = (of_source, *(e.source for _, e in placed if e.source))
        self._stages = tuple(
            self._stage(index, stage, nature, [e for place, e in placed if place.stage == index])
            for index, stage in enumerate(sheet.stages)
        )
        self._receivers = [_receiver(tap, sheet, nature, placed) for tap in range(len(sheet.taps))]
        first = sheet.taps[0]
        self._source_low = scalar(first.to_signal, first.low)
        self._source_span = scalar(first.to_signal, first.high) - self._source_low
        self._driven: dict[int, float] = {}
        self._signals = [0.0 for _ in sheet.taps]
        self._breaks: list[float] = []
        self._since_s = start_s
        self._timing = _timing(self._stages)
        self._step(start_s, 0.0, _EDGE_S)

    def drive(self, at_s: float, signal: float, *, tap: int = 0, enabled: bool = True) -> None:
        """A source at a tap gives `signal` from now on; beyond the first tap it stands in for the stage before it.

        Args:
            at_s: the time, not before any that was asked.
            signal: in the tap's signal unit.
            tap: index of the tap.
            enabled: False = output off: 0 at the first tap, and a later tap is the stage's own again.
        """
        self._advance(at_s)
        if not enabled:
            self._driven.pop(tap, None)
        else:
            self._driven[tap] = signal
        moment = self._moment
        moment.is_driven = bool(self._driven)
        moment.changes_n += 1
        self._since_s = moment.at_s
        for dead_s in self._timing.dead_sums_s:
            heapq.heappush(self._breaks, moment.at_s + dead_s)
        self._step(moment.at_s, 0.0, _EDGE_S)

    def hold(self, at_s: float, name: str, level: float | None, *, unit: str) -> None:
        """Another quantity than the input stands at a level from now on; None = nothing holds it.

        Args:
            at_s: the time, not before any that was asked.
            name: "supply voltage", "load", "ambient temperature" ...; what no fault asks for changes nothing.
            level: in `unit`.
            unit: V, ohm, degC ... as its source gives it; kept in that of `elements.HELD_UNITS`, if it is known there.
        """
        self._advance(at_s)
        moment = self._moment
        if level is None:
            moment.held.pop(name, None)
        else:
            moment.held[name] = magnitude(quantity(f"{level!r} {unit}"), elements.HELD_UNITS.get(name, unit))
        self._since_s = moment.at_s
        self._step(moment.at_s, 0.0, _EDGE_S)

    def signal(self, tap: int, at_s: float) -> float:
        """True signal at a tap in its signal unit, without noise; a time before the last one asked is taken as that."""
        self._advance(at_s)
        return self._signals[tap]

    def seen(self, tap: int, from_s: float, to_s: float) -> float:
        """What a receiver at a tap sees on average from `from_s` to `to_s`: noise, pick-up and wiring faults included.

        Args:
            tap: index of the tap.
            from_s: when the receiver begins to integrate.
            to_s: when it ends; 20 ms is the aperture that the noise is given for.
        """
        receiver = self._receivers[tap]
        wired = receiver.wired
        self._advance(from_s)
        if to_s <= from_s or self._is_quiet():
            self._advance(to_s)
            mean = self._signals[wired]
        else:  # Simpson: good to the third power of aperture / tau
            start = self._signals[wired]
            self._advance((from_s + to_s) / 2)
            middle = self._signals[wired]
            self._advance(to_s)
            mean = (start + 4 * middle + self._signals[wired]) / 6
        if wired != tap and self.sheet.taps[wired].signal_unit != self.sheet.taps[tap].signal_unit:
            mean = 0.0
        moment = self._moment
        moment.aperture_s = max(to_s - from_s, 1e-4)
        if receiver.noise:
            mean += moment.rng.gauss(0.0, receiver.noise) * math.sqrt(_STANDARD_APERTURE_S / moment.aperture_s)
        for element in receiver.elements:
            mean = element(mean, moment)
        return mean

    def _advance(self, to_s: float) -> None:
        moment, breaks, fine_s = self._moment, self._breaks, self._timing.fine_s
        while moment.at_s < to_s:
            end_s, is_break = to_s, False
            if breaks and breaks[0] <= to_s:
                end_s, is_break = max(breaks[0], moment.at_s), True
            if fine_s and end_s - moment.at_s > (longest_s := max(fine_s, (moment.at_s - self._since_s) / _FINE)):
                end_s, is_break = moment.at_s + longest_s, False
            self._step(end_s, end_s - moment.at_s, -_EDGE_S)
            if is_break:
                heapq.heappop(breaks)
                self._since_s = end_s
                self._step(end_s, 0.0, _EDGE_S)

    def _step(self, at_s: float, duration_s: float, edge_s: float) -> None:
        moment, driven = self._moment, self._driven
        moment.at_s = at_s
        signal = self._sourced()
        signals = self._signals
        signals[0] = signal
        for index, stage in enumerate(self._stages, start=1):
            signal = stage.step(signal, duration_s, edge_s, moment)
            if index in driven:
                signal = driven[index]
            signals[index] = signal

    def _sourced(self) -> float:
        told = self._driven.get(0)
        if told is None:
            self._moment.drive_frac = 0.0
            return 0.0
        span = self._source_span
        x = (told - self._source_low) / span
        self._moment.drive_frac = x
        for element in self._source:
            x = element(x, self._moment)
        return self._source_low + span * x

    def _is_quiet(self) -> bool:
        return self._moment.at_s - self._since_s > self._timing.quiet_after_s

    def _stage(self, index: int, stage: Stage, nature: Nature, effects: list[Effects]) -> StageModel:
        before, after = self.sheet.taps[index], self.sheet.taps[index + 1]
        own: tuple[Element, ...] = (self._drawn(nature.zero_pct, nature.span_pct),)
        if nature.hysteresis_pct:
            own = (*own, elements.Lens(nature.hysteresis_pct / 100))
        is_clamped = nature.clamps and after.unit == "mA" and tuple(sorted((after.low, after.high))) == _LIVE_ZERO_MA
        return StageModel(
            stage,
            before=before,
            after=after,
            effects=effects,
            own=own,
            clamp=elements.clamp(*_CLAMP_MA) if is_clamped else None,
            ramp_per_s=nature.ramp_pct_per_s / 100 if stage.name == nature.ramp_stage else None,
        )

    def _drawn(self, zero_pct: float, span_pct: float) -> Element:
        return _drawn(self._moment.rng, zero_pct, span_pct)


def _drawn(rng: random.Random, zero_pct: float, span_pct: float) -> Element:
    zero, span = (min(2.0, max(-2.0, rng.gauss(0, 1))) * pct / 100 for pct in (zero_pct, span_pct))
    return elements.affine(zero, span)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Receiver:
    """What a receiver at a tap is wired to, and what is added to that."""

    wired: int
    noise: float
    elements: tuple[Element, ...]


def _receiver(tap: int, sheet: DataSheet, nature: Nature, placed: Sequence[tuple[Place, Effects]]) -> _Receiver:
    here = [effects for place, effects in placed if place.tap == tap]
    noise_pct = nature.noise_pct if tap else nature.source_noise_pct
    return _Receiver(
        wired=[tap, *(e.reads_tap for e in here if e.reads_tap is not None)][-1],
        noise=noise_pct / 100 * signal_span(sheet.taps[tap]),
        elements=tuple(e.reading for e in here if e.reading),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Timing:
    """When dead times end after a change, how long until all is quiet, and how fine steps must be; 0 = as they come."""

    dead_sums_s: tuple[float, ...]
    quiet_after_s: float
    fine_s: float


def _timing(stages: Sequence[StageModel]) -> _Timing:
    dead_s, dead_sums_s, moving_n, needs_fine = 0.0, [], 0, False
    taus_s: list[float] = []
    ramps_s = 0.0
    for stage in stages:
        if stage.dead_s:
            dead_s += stage.dead_s
            dead_sums_s.append(dead_s)
            needs_fine |= moving_n > 0
        ramps_s += 2 * stage.ramp_s
        taus_s.extend(stage.taus_s)
        moving_n += len(stage.taus_s) + bool(stage.ramp_s)
        needs_fine |= moving_n > 1
    return _Timing(
        dead_sums_s=tuple(dead_sums_s),
        quiet_after_s=25 * sum(taus_s) + dead_s + ramps_s,
        fine_s=min(taus_s, default=1.0) / _FINE if needs_fine else 0.0,
    )


def _check(sheet: DataSheet, nature: Nature) -> None:
    for field in fields(nature):
        size = getattr(nature, field.name)
        if not isinstance(size, (bool, str)) and not (math.isfinite(size) and size >= 0):
            raise InputError(f"{field.name} of the simulated unit is {size}", allowed="0 or above")
    names = [stage.name for stage in sheet.stages]
    if nature.ramp_stage and nature.ramp_stage not in names:
        raise InputError(f'no stage "{nature.ramp_stage}" to ramp', allowed=", ".join(names))
    if nature.ramp_stage and nature.ramp_pct_per_s == 0:
        raise InputError("a ramp of 0 % in a second never arrives", allowed="above 0")
