"""One stage of a simulated unit with its faults: signal at the tap before it in, signal at the tap after it out.

In three parts: what makes a fraction of the signal, what moves that fraction in time, and what is sent for it. It knows
no other stage, and no time but what it is told.
"""

import math
from collections import deque
from collections.abc import Callable, Sequence

import numpy as np

from instruments.datasheet import Characteristic, Stage, Tap
from instruments.simulated.elements import Effects, Element, Moment
from instruments.simulated.signals import scalar

__all__ = ["StageModel"]

_NEVER_NEGATIVE = frozenset({"Hz", "kHz", "rpm", "1/min", "r/min", "ohm", "kohm", "Ω", "kΩ"})


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


class _Swing:
    """Damped swing of the second order, y'' = wn^2 (u - y) - 2 zeta wn y', damped below critical; exact as `_Lag`."""

    __slots__ = ("period_s", "rate", "u", "y", "zeta")

    def __init__(self, period_s: float, zeta: float) -> None:
        self.period_s, self.zeta = period_s, zeta
        self.u = self.y = math.nan
        self.rate = 0.0

    def step(self, u: float, duration_s: float) -> float:
        before = self.u
        self.u = u
        if duration_s == 0.0:
            if math.isnan(self.y):
                self.y = u
            return self.y
        slope = (u - before) / duration_s
        late = 2 * self.zeta * self.period_s * slope  # a ramp is followed so far behind
        away, rate = self.y - before + late, self.rate - slope
        damping, angular = self.zeta / self.period_s, math.sqrt(1 - self.zeta**2) / self.period_s
        kept = math.exp(-damping * duration_s)
        cosine, sine = math.cos(angular * duration_s), math.sin(angular * duration_s)
        push = (rate + damping * away) / angular
        self.y = u - late + kept * (away * cosine + push * sine)
        self.rate = slope + kept * (rate * cosine - (damping * push + angular * away) * sine)
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


class _Intake:
    """Signal before a stage to the fraction of its input range."""

    def __init__(self, before: Tap, effects: Sequence[Effects]) -> None:
        self._low, self._span = before.low, before.span
        self._carried = tuple(e.carried for e in effects if e.carried)
        self._decode = _decoder(before, [e.decode for e in effects if e.decode])
        self._has_sensor = before.sensor is not None or any(e.decode for e in effects)
        self._decoded = (math.nan, math.nan)
        self._value = tuple(e.value for e in effects if e.value)

    def fraction(self, signal: float, moment: Moment) -> float:
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
        return (value - self._low) / self._span


class _Outlet:
    """Fraction of a stage's output range to the signal that it sends."""

    def __init__(self, after: Tap, effects: Sequence[Effects], clamp: Element | None) -> None:
        self._after = after
        self._low, self._span = after.low, after.span
        own = () if clamp is None else (clamp,)
        self._clamp: tuple[Element, ...] = tuple(e.clamp for e in effects if e.clamp) or own
        self._level = tuple(e.level for e in effects if e.level)
        self._is_never_negative = after.unit in _NEVER_NEGATIVE

    def signal(self, x: float, moment: Moment) -> float:
        level = self._low + self._span * x
        for element in self._clamp:
            level = element(level, moment)
        for element in self._level:
            level = element(level, moment)
        if self._is_never_negative and level < 0.0:
            level = 0.0
        return level if self._after.sensor is None else scalar(self._after.to_signal, level)


class StageModel:
    """One stage with its faults.

    Args:
        stage: the ideal one.
        before: the tap that it takes its signal from.
        after: the tap that it gives its signal to.
        effects: what its faults change.
        own: what a healthy one adds at its output.
        clamp: what holds its output within its limits, unless a fault does so; None = nothing.
        ramp_per_s: how fast it may move at most, in fractions of its range; None = at once.
    """

    def __init__(
        self,
        stage: Stage,
        *,
        before: Tap,
        after: Tap,
        effects: Sequence[Effects],
        own: tuple[Element, ...],
        clamp: Element | None,
        ramp_per_s: float | None,
    ) -> None:
        self._intake = _Intake(before, effects)
        self._input = tuple(e.input for e in effects if e.input)
        self._delay = _Delay(stage.dead_time_s) if stage.dead_time_s > 0 else None
        self._ramp = None if ramp_per_s is None else _Ramp(ramp_per_s)
        taus_s = (stage.time_constant_s, *(e.lag_s for e in effects))
        self._lags = tuple(_Lag(tau_s) for tau_s in taus_s if tau_s > 0)
        self._swings = tuple(_Swing(*e.swing) for e in effects if e.swing)
        self._shape = _shape(stage.characteristic, [e.shape for e in effects if e.shape])
        self._output = (*own, *(e.output for e in effects if e.output))
        self._outlet = _Outlet(after, effects, clamp)

    @property
    def dead_s(self) -> float:
        """How long nothing comes out of a change; 0 = at once."""
        return self._delay.dead_s if self._delay else 0.0

    @property
    def taus_s(self) -> tuple[float, ...]:
        """Time constants of its lags, one after the other; of a swing its period over 2 pi, and that of its decay."""
        swings = (tau_s for each in self._swings for tau_s in (each.period_s, each.period_s / each.zeta))
        return (*(lag.tau_s for lag in self._lags), *swings)

    @property
    def ramp_s(self) -> float:
        """How long it takes over its whole range at its limited rate; 0 = at once."""
        return 1 / self._ramp.rate_per_s if self._ramp else 0.0

    def step(self, signal: float, duration_s: float, edge_s: float, moment: Moment) -> float:
        """Signal after the stage, `duration_s` after the step before; `edge_s` says on which side of a jump."""
        x = self._intake.fraction(signal, moment)
        return self._outlet.signal(self._moved(x, duration_s, edge_s, moment), moment)

    def _moved(self, x: float, duration_s: float, edge_s: float, moment: Moment) -> float:
        """Output fraction for an input fraction."""
        for element in self._input:
            x = element(x, moment)
        if self._delay:
            x = self._delay.step(x, moment.at_s, edge_s)
        if self._ramp:
            x = self._ramp.step(x, duration_s)
        for lag in self._lags:
            x = lag.step(x, duration_s)
        for swing in self._swings:
            x = swing.step(x, duration_s)
        if self._shape:
            x = self._shape(x)
        for element in self._output:
            x = element(x, moment)
        return x


def _decoder(tap: Tap, instead: list[Callable[[float], float]]) -> Callable[[float], float]:
    """Signal to value; outside the sensor's range, the value of its broken wire or short circuit: beyond an end."""
    curve = instead[-1] if instead else lambda signal: scalar(tap.to_value, signal)
    middle = scalar(tap.to_signal, (tap.low + tap.high) / 2)
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
            flow = math.sqrt(max(x, 0.0))
            return 0.0 if flow < ideal.cut_off_frac else flow

        return extract
    return lambda x: float(ideal.output(np.asarray(x)))
