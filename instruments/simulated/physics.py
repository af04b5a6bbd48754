"""The one physical model: source, wiring, the stages of a unit, and what a receiver at a tap sees.

It is evaluated lazily, at the time that is asked, and only forward: between two changes of the sources every input is
constant, so a first-order lag is y = u + (y0 - u) exp(-dt / tau) exactly. Where lags follow each other the steps are
cut so that a straight line between them is good to 0.03 % of the step, and right once settled. It talks to no
instrument and sends no text; what an instrument adds (resolution, ranges, its own noise) is not here.
"""

import heapq
import math
import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np

from instruments.datasheet import Characteristic, DataSheet, Stage, Tap
from instruments.errors import InputError
from instruments.simulated import elements
from instruments.simulated.elements import Effects, Element, Moment
from instruments.simulated.faults import Fault

__all__ = ["Nature", "Plant"]

_EDGE_S = 1e-9
_FINE = 16  # steps a time constant where lags follow each other
_STANDARD_APERTURE_S = 0.02
_NEVER_NEGATIVE = frozenset({"Hz", "kHz", "rpm", "1/min", "r/min", "ohm", "kohm", "Ω", "kΩ"})
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


class _Lag:
    """First-order lag; its input may run straight from one step to the next."""

    __slots__ = ("tau_s", "u", "y")

    def __init__(self, tau_s: float) -> None:
        self.tau_s = tau_s
        self.u = self.y = math.nan

    def step(self, u: float, duration_s: float) -> float:
        before = self.u
        self.u = u
        if duration_s == 0.0:
            if math.isnan(self.y):  # never asked before: it has stood here for ever
                self.y = u
            return self.y
        kept = math.exp(-duration_s / self.tau_s)
        if u == before:
            self.y = u + (self.y - u) * kept
        else:
            run = (u - before) * self.tau_s / duration_s
            self.y = u - run + (self.y - before + run) * kept
        return self.y


class _Delay:
    """Dead time: gives back what went in `dead_s` earlier."""

    __slots__ = ("dead_s", "seen")

    def __init__(self, dead_s: float) -> None:
        self.dead_s = dead_s
        self.seen: deque[tuple[float, float]] = deque()

    def step(self, u: float, at_s: float, edge_s: float) -> float:
        seen = self.seen
        if not seen:
            seen.append((-math.inf, u))
        seen.append((at_s, u))
        wanted_s = at_s - self.dead_s + edge_s
        while len(seen) > 1 and seen[1][0] <= wanted_s:
            seen.popleft()
        (from_s, low), (to_s, high) = seen[0], seen[1] if len(seen) > 1 else seen[0]
        if low == high or from_s in {-math.inf, to_s}:
            return low
        return low + (high - low) * (wanted_s - from_s) / (to_s - from_s)


class _Ramp:
    """A drive's limited rate of change."""

    __slots__ = ("rate_per_s", "y")

    def __init__(self, rate_per_s: float) -> None:
        self.rate_per_s = rate_per_s
        self.y = math.nan

    def step(self, u: float, duration_s: float) -> float:
        if math.isnan(self.y):
            self.y = u
        reach = self.rate_per_s * duration_s
        self.y = min(max(u, self.y - reach), self.y + reach)
        return self.y


class _StageModel:
    """One stage with its faults: signal at the tap before it in, signal at the tap after it out."""

    def __init__(self, stage: Stage, before: Tap, after: Tap, effects: list[Effects], own: tuple[Element, ...]) -> None:
        self._before, self._after = before, after
        self._carried = tuple(e.carried for e in effects if e.carried)
        self._decode = _decoder(before, [e.decode for e in effects if e.decode])
        self._has_sensor = before.sensor is not None or any(e.decode for e in effects)
        self._decoded = (math.nan, math.nan)
        self._value = tuple(e.value for e in effects if e.value)
        self._input = tuple(e.input for e in effects if e.input)
        self.delay = _Delay(stage.dead_time_s) if stage.dead_time_s > 0 else None
        self.ramp: _Ramp | None = None
        taus_s = (stage.time_constant_s, *(e.lag_s for e in effects))
        self.lags = tuple(_Lag(tau_s) for tau_s in taus_s if tau_s > 0)
        self._shape = _shape(stage.characteristic, [e.shape for e in effects if e.shape])
        self._output = (*own, *(e.output for e in effects if e.output))
        self.clamp: tuple[Element, ...] = tuple(e.clamp for e in effects if e.clamp)
        self._level = tuple(e.level for e in effects if e.level)
        self._low, self._span = after.low, after.span
        self._is_never_negative = after.unit in _NEVER_NEGATIVE

    def step(self, signal: float, duration_s: float, edge_s: float, moment: Moment) -> float:
        """Signal after the stage, `duration_s` after the step before; `edge_s` says on which side of a jump."""
        return self._sent(self._moved(self._fraction(signal, moment), duration_s, edge_s, moment), moment)

    def _moved(self, x: float, duration_s: float, edge_s: float, moment: Moment) -> float:
        """Output fraction for an input fraction."""
        for element in self._input:
            x = element(x, moment)
        if self.delay:
            x = self.delay.step(x, moment.at_s, edge_s)
        if self.ramp:
            x = self.ramp.step(x, duration_s)
        for lag in self.lags:
            x = lag.step(x, duration_s)
        if self._shape:
            x = self._shape(x)
        for element in self._output:
            x = element(x, moment)
        return x

    def _sent(self, x: float, moment: Moment) -> float:
        """Signal for an output fraction."""
        level = self._low + self._span * x
        for element in self.clamp:
            level = element(level, moment)
        for element in self._level:
            level = element(level, moment)
        if self._is_never_negative and level < 0.0:
            level = 0.0
        return level if self._after.sensor is None else _scalar(self._after.to_signal, level)

    def _fraction(self, signal: float, moment: Moment) -> float:
        """Input fraction for the signal before the stage."""
        for element in self._carried:
            signal = element(signal, moment)
        if self._has_sensor:
            if signal != self._decoded[0]:  # the curves are slow, and a source's signal stands still
                self._decoded = (signal, self._decode(signal))
            value = self._decoded[1]
        else:
            value = signal
        for element in self._value:
            value = element(value, moment)
        return (value - self._before.low) / self._before.span


class Plant:
    """A unit on its bench, with whatever is wrong with either.

    Args:
        sheet: the ideal unit.
        faults: what is wrong, all at once.
        nature: what is ordinarily imperfect.
        seed: of every random number in it; one seed, one plant.
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
        start_s: float = 0.0,
    ) -> None:
        nature = Nature() if nature is None else nature
        _check(sheet, nature)
        self.sheet = sheet
        self._moment = Moment(rng=random.Random(seed), start_s=start_s, at_s=start_s)  # noqa: S311  noise, not a secret
        placed = [(fault.place(sheet), fault.effects(sheet)) for fault in faults]
        self._source = (self._drawn(nature.source_pct, nature.source_pct), *(e.source for _, e in placed if e.source))
        self._stages = tuple(
            self._stage(index, stage, nature, [e for place, e in placed if place.stage == index])
            for index, stage in enumerate(sheet.stages)
        )
        taps = range(len(sheet.taps))
        self._reading = [tuple(e.reading for place, e in placed if place.tap == k and e.reading) for k in taps]
        self._wired = list(taps)
        for place, effects in placed:
            if effects.reads_tap is not None:
                self._wired[place.tap] = effects.reads_tap
        self._noise = [
            (nature.noise_pct if k else nature.source_noise_pct) / 100 * _signal_span(sheet.taps[k]) for k in taps
        ]
        self._ends = [_scalar(sheet.taps[k].to_signal, sheet.taps[k].low) for k in taps]
        self._driven: dict[int, float] = {}
        self._signals = [0.0 for _ in taps]
        self._breaks: list[float] = []
        self._since_s = start_s
        self._plan_time()
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
        for dead_s in self._dead_sums_s:
            heapq.heappush(self._breaks, moment.at_s + dead_s)
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
        wired = self._wired[tap]
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
        noise = self._noise[tap]
        if noise:
            mean += moment.rng.gauss(0.0, noise) * math.sqrt(_STANDARD_APERTURE_S / moment.aperture_s)
        for element in self._reading[tap]:
            mean = element(mean, moment)
        return mean

    def _advance(self, to_s: float) -> None:
        moment, breaks = self._moment, self._breaks
        while moment.at_s < to_s:
            end_s, is_break = to_s, False
            if breaks and breaks[0] <= to_s:
                end_s, is_break = max(breaks[0], moment.at_s), True
            if self._fine_s and end_s - moment.at_s > (
                longest_s := max(self._fine_s, (moment.at_s - self._since_s) / _FINE)
            ):
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
        x = (told - self._ends[0]) / span
        self._moment.drive_frac = x
        for element in self._source:
            x = element(x, self._moment)
        return self._ends[0] + span * x

    def _is_quiet(self) -> bool:
        return self._moment.at_s - self._since_s > self._quiet_after_s

    def _plan_time(self) -> None:
        """How long until all is quiet, when dead times end, and whether steps must be fine."""
        first = self.sheet.taps[0]
        self._source_span = _scalar(first.to_signal, first.high) - self._ends[0]
        dead_s, self._dead_sums_s, moving_n, needs_fine = 0.0, [], 0, False
        taus_s: list[float] = []
        ramps_s = 0.0
        for stage in self._stages:
            if stage.delay:
                dead_s += stage.delay.dead_s
                self._dead_sums_s.append(dead_s)
                needs_fine |= moving_n > 0
            if stage.ramp:
                ramps_s += 2 / stage.ramp.rate_per_s
            taus_s.extend(lag.tau_s for lag in stage.lags)
            moving_n += len(stage.lags) + bool(stage.ramp)
            needs_fine |= moving_n > 1
        self._fine_s = min(taus_s, default=1.0) / _FINE if needs_fine else 0.0
        self._quiet_after_s = 25 * sum(taus_s) + dead_s + ramps_s

    def _stage(self, index: int, stage: Stage, nature: Nature, effects: list[Effects]) -> _StageModel:
        before, after = self.sheet.taps[index], self.sheet.taps[index + 1]
        own: tuple[Element, ...] = (self._drawn(nature.zero_pct, nature.span_pct),)
        if nature.hysteresis_pct:
            own = (*own, elements.Lens(nature.hysteresis_pct / 100))
        model = _StageModel(stage, before, after, effects, own)
        if (
            nature.clamps
            and not model.clamp
            and after.unit == "mA"
            and tuple(sorted((after.low, after.high))) == _LIVE_ZERO_MA
        ):
            model.clamp = (elements.clamp(*_CLAMP_MA),)
        if stage.name == nature.ramp_stage:
            model.ramp = _Ramp(nature.ramp_pct_per_s / 100)
        return model

    def _drawn(self, zero_pct: float, span_pct: float) -> Element:
        zero, span = (min(2.0, max(-2.0, self._moment.rng.gauss(0, 1))) * pct / 100 for pct in (zero_pct, span_pct))
        return elements.affine(zero, span)


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


def _scalar(curve: Callable[..., object], level: float) -> float:
    return float(np.asarray(curve(np.asarray(level, dtype=np.float64)), dtype=np.float64))


def _signal_span(tap: Tap) -> float:
    return abs(_scalar(tap.to_signal, tap.high) - _scalar(tap.to_signal, tap.low))


def _decoder(tap: Tap, instead: list[Callable[[float], float]]) -> Callable[[float], float]:
    """Signal to value; outside the sensor's range, the value of its broken wire or short circuit: beyond an end."""
    curve = instead[-1] if instead else lambda signal: _scalar(tap.to_value, signal)
    middle = _scalar(tap.to_signal, (tap.low + tap.high) / 2)
    below, above = (tap.low - 0.1 * tap.span, tap.high + 0.1 * tap.span)

    def decode(signal: float) -> float:
        value = curve(signal)
        if math.isnan(value):
            return below if signal < middle else above
        return value

    return decode


def _shape(ideal: Characteristic, instead: list[Callable[[float], float]]) -> Callable[[float], float] | None:
    """Scalar form of a characteristic, None for the straight line."""
    if instead:
        return instead[-1]
    if ideal.kind == "linear":
        return None
    if ideal.kind == "square root":

        def extract(x: float) -> float:
            flow = math.copysign(math.sqrt(abs(x)), x)
            return 0.0 if abs(flow) < ideal.cut_off_frac else flow

        return extract
    return lambda x: float(ideal.output(np.asarray(x)))
