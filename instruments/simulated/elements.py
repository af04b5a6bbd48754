"""The equations of a simulated unit and bench, one small function each, and what a fault may change in a chain.

An element takes a number and the moment, and gives the number that comes out. Most have no memory; those that have
(play, stiction) are classes, made afresh for each plant. No element knows the fault it serves, or who reads the bench.
Fractions are of the range of the tap named beside them: 0 at its low end, 1 at its high end.
"""

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeAlias

__all__ = [
    "HELD_UNITS",
    "Effects",
    "Element",
    "Flicker",
    "Lens",
    "Moment",
    "Overdriven",
    "Play",
    "Stale",
    "Stiction",
    "Threshold",
    "affine",
    "at_most",
    "bow",
    "bursts",
    "chained",
    "clamp",
    "compliance",
    "constant",
    "dead_around_zero",
    "drift",
    "dropout",
    "from_lower_range",
    "gate_count",
    "ground_loop",
    "influenced",
    "leak_across",
    "open_input",
    "power_law",
    "quantise",
    "reverse",
    "ripple",
    "roll_off",
    "s_shape",
    "scale",
    "shift",
    "skip_band",
    "square_root",
    "step_at",
    "warm_up",
]


HELD_UNITS = {"supply voltage": "V", "load": "ohm", "ambient temperature": "degC"}
"""What a unit may feel beside its input, by its name on the bench, and the unit that equations have it in."""


@dataclass(slots=True)
class Moment:
    """When, and under which circumstances, an element is asked; one object a plant, moved on by it.

    `start_s` is when the plant was made, `aperture_s` the time a receiver averages over, `changes_n` counts what the
    sources were told, `drive_frac` is the driven signal as a fraction of the first tap's range, `is_driven` false while
    no output is on. `held` are levels of quantities beside the input, by name, in the units of `HELD_UNITS`.
    """

    rng: random.Random
    start_s: float
    at_s: float
    aperture_s: float = 0.02
    is_driven: bool = False
    drive_frac: float = 0.0
    changes_n: int = 0
    held: dict[str, float] = field(default_factory=dict)


Element: TypeAlias = Callable[[float, Moment], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Effects:
    """What one fault changes, place by place along one stage; None = nothing.

    Args:
        source: on the fraction that the source is set to, before the first tap.
        carried: on the signal on its way from the stage's first tap into the stage, in its signal unit.
        decode: instead of the sensor's curve: signal to value.
        value: on the decoded value, in the unit of the stage's first tap.
        input: on the input fraction, before any lag.
        lag_s: one more first-order lag.
        swing: one more lag of the second order that swings over: 1 / wn in s, and its damping, below 1.
        shape: instead of the ideal characteristic, fraction to fraction.
        output: on the output fraction.
        clamp: instead of the output's own clamp, on the level.
        level: on the level after the clamp, in the unit of the stage's second tap.
        reading: on what a receiver at the tap sees, in its signal unit.
        reads_tap: a receiver at the tap sees this tap instead.
    """

    source: Element | None = None
    carried: Element | None = None
    decode: Callable[[float], float] | None = None
    value: Element | None = None
    input: Element | None = None
    lag_s: float = 0.0
    swing: tuple[float, float] | None = None
    shape: Callable[[float], float] | None = None
    output: Element | None = None
    clamp: Element | None = None
    level: Element | None = None
    reading: Element | None = None
    reads_tap: int | None = None


# Without memory


def affine(zero: float, span: float) -> Element:
    """A line: y = zero + x (1 + span)."""
    return lambda x, _: zero + x * (1 + span)


def scale(factor: float) -> Element:
    """A gain: y = factor x."""
    return lambda x, _: factor * x


def shift(offset: float) -> Element:
    """A parallel shift: y = x + offset."""
    return lambda x, _: x + offset


def constant(level: float) -> Element:
    """Stuck: y = level, whatever x is."""
    return lambda _x, _: level


def reverse() -> Element:
    """The wrong way round: y = 1 - x."""
    return lambda x, _: 1 - x


def chained(*elements: Element) -> Element:
    """One element after the other."""

    def run(x: float, moment: Moment) -> float:
        for element in elements:
            x = element(x, moment)
        return x

    return run


def clamp(low: float, high: float) -> Element:
    """Held between low and high."""
    return lambda x, _: low if x < low else min(x, high)


def at_most(highest: float) -> Element:
    """Never above `highest`: what the supply can still drive."""
    return lambda x, _: min(x, highest)


def compliance(supply_V: float, minimum_V: float, loop_ohm: float, factor: float) -> Element:
    """Never above what the supply drives through the loop, in `factor` of an ampere; held levels go before stated."""

    def limited(x: float, moment: Moment) -> float:
        free_V = max(0.0, moment.held.get("supply voltage", supply_V) - minimum_V)
        return min(x, free_V / max(moment.held.get("load", loop_ohm), 1e-9) * factor)

    return limited


def influenced(name: str, reference: float, zero: float, span: float) -> Element:
    """Zero and span move with a held quantity, in proportion to its way from the reference."""

    def moved(x: float, moment: Moment) -> float:
        away = moment.held.get(name, reference) - reference
        return x + away * (zero + span * x)

    return moved


def from_lower_range(lower: float) -> Element:
    """The range begins at `lower` instead of 0: y = (x - lower) / (1 - lower)."""
    return lambda x, _: (x - lower) / (1 - lower)


def power_law(exponent: float) -> Callable[[float], float]:
    """A power of x; a root is 0 below zero, another power the mirror image."""
    return lambda x: 0.0 if x < 0 and exponent < 1 else math.copysign(abs(x) ** exponent, x)


def square_root() -> Element:
    """The root of x; 0 below zero."""
    root = power_law(0.5)
    return lambda x, _: root(x)


def bow(size: float) -> Element:
    """One arch, `size` high at mid-range: y = x + size 4 x (1 - x)."""
    return lambda x, _: x + size * 4 * x * (1 - x)


def s_shape(size: float) -> Element:
    """Two arches, one up, one down: y = x + size sin(2 pi x)."""
    return lambda x, _: x + size * math.sin(2 * math.pi * x)


def quantise(step: float) -> Element:
    """Rounded to whole steps."""
    return lambda x, _: step * round(x / step)


def step_at(place: float, size: float) -> Element:
    """A missing code: y = x + size above `place`."""
    return lambda x, _: x + size if x > place else x


def roll_off(start: float, loss: float) -> Element:
    """Pulses lost at speed: y = x (1 - loss (x - start)) above `start`."""
    return lambda x, _: x * max(0.0, 1 - loss * (x - start)) if x > start else x


def dead_around_zero(width: float) -> Element:
    """Nothing until the input passes `width`, then right at once: an input dead band."""
    return lambda x, _: 0.0 if x < width else x


def skip_band(low: float, high: float) -> Element:
    """Between low and high the output stays at low: a drive's skipped speed."""
    return lambda x, _: low if low < x < high else x


def drift(rate_per_h: float) -> Element:
    """Drift with time: y = x + rate t, t the hours since the plant was made."""
    return lambda x, moment: x + rate_per_h * (moment.at_s - moment.start_s) / 3600


def warm_up(size: float, tau_s: float) -> Element:
    """Warming up: y = x + size (1 - exp(-t / tau))."""
    return lambda x, moment: x - size * math.expm1((moment.start_s - moment.at_s) / tau_s)


def leak_across(supply_V: float, loop_ohm: float, leak_ohm: float) -> Element:
    """I + (Vs - I R) / Rp in mA: a leak across a two-wire transmitter."""
    return lambda level_mA, _: level_mA + (supply_V - level_mA * 1e-3 * loop_ohm) / leak_ohm * 1e3


def ground_loop(size: float, period_s: float) -> Element:
    """A current on top, `size` on average, that swings by 30 % of that."""
    return lambda x, moment: x + size * (1 + 0.3 * math.sin(2 * math.pi * moment.at_s / period_s))


def gate_count(gate_s: float, low_Hz: float, span_Hz: float) -> Element:
    """Whole pulses in a gate, f^ = floor(f Tg + phase) / Tg; the phase runs on from gate to gate.

    Takes and gives fractions of the pulse rate's range.
    """

    def count(x: float, moment: Moment) -> float:
        pulses = max(0.0, (low_Hz + x * span_Hz) * gate_s)
        gate = math.floor(moment.at_s / gate_s)
        whole = math.floor(pulses * (gate + 1)) - math.floor(pulses * gate)
        return (whole / gate_s - low_Hz) / span_Hz

    return count


def ripple(amplitude: float, frequency_Hz: float) -> Element:
    """I + A sin(2 pi f t), averaged over the receiver's aperture: whole cycles take it away."""

    def swing(x: float, moment: Moment) -> float:
        half = math.pi * frequency_Hz * moment.aperture_s
        kept = math.sin(half) / half if half else 1.0
        return x + amplitude * kept * math.sin(2 * math.pi * frequency_Hz * moment.at_s - half)

    return swing


def bursts(amplitude: float, share: float) -> Element:
    """One-sided outliers in a share of the readings, growing with the drive; none while it is off."""

    def burst(x: float, moment: Moment) -> float:
        if not moment.is_driven or moment.rng.random() >= share:
            return x
        return x + amplitude * (0.3 + 0.7 * max(0.0, moment.drive_frac)) * abs(moment.rng.gauss(0, 1))

    return burst


def dropout(share: float) -> Element:
    """0 with probability `share`: an intermittent contact."""
    return lambda x, moment: 0.0 if moment.rng.random() < share else x


def open_input(level: float, low: float, high: float) -> Element:
    """The level that a broken sensor makes, while no output is on; else held between low and high."""
    within = clamp(low, high)
    return lambda x, moment: within(x, moment) if moment.is_driven else level


# With memory


class Flicker:
    """1/f noise: y = x + a sum of first-order noises whose time constants are as far apart as their neighbours.

    Standard deviation `size` in all, over times from a second to about twelve days.
    """

    _TAUS_S = tuple(4.0**power for power in range(11))

    def __init__(self, size: float) -> None:
        self._size = size / math.sqrt(len(self._TAUS_S))
        self._states: list[float] = []
        self._at_s = 0.0

    def __call__(self, x: float, moment: Moment) -> float:
        """What wanders on top."""
        if not self._states:
            self._states = [moment.rng.gauss(0, 1) for _ in self._TAUS_S]
        elif moment.at_s > self._at_s:
            past_s = moment.at_s - self._at_s
            for place, tau_s in enumerate(self._TAUS_S):
                kept = math.exp(-past_s / tau_s)
                fresh = moment.rng.gauss(0, math.sqrt(1 - kept**2))
                self._states[place] = kept * self._states[place] + fresh
        self._at_s = moment.at_s
        return x + self._size * sum(self._states)


class Overdriven:
    """After an input beyond the range an offset towards its side is left, which decays: y = x + d exp(-t / tau)."""

    def __init__(self, size: float, tau_s: float) -> None:
        self._size, self._tau_s = size, tau_s
        self._left = 0.0
        self._at_s = 0.0

    def __call__(self, x: float, moment: Moment) -> float:
        """Full while beyond the range (0.1 % is none), less and less afterwards."""
        self._left *= math.exp((self._at_s - moment.at_s) / self._tau_s)
        if moment.is_driven and not -0.001 <= x <= 1.001:
            self._left = math.copysign(self._size, x - 0.5)
        self._at_s = moment.at_s
        return x + self._left


class Play:
    """Play operator of total width w: y = min(max(y, x - w/2), x + w/2)."""

    def __init__(self, width: float) -> None:
        self._half = width / 2
        self._y: float | None = None

    def __call__(self, x: float, _: Moment) -> float:
        """The driven side, carried along only at the end of the play."""
        y = x - self._half if self._y is None else min(max(self._y, x - self._half), x + self._half)
        self._y = y
        return y


class Stiction:
    """Holds until the input is more than w away, then jumps to it."""

    def __init__(self, width: float) -> None:
        self._width = width
        self._held: float | None = None

    def __call__(self, x: float, _: Moment) -> float:
        """The level at which it stuck last."""
        if self._held is None or abs(x - self._held) > self._width:
            self._held = x
        return self._held


class Lens:
    """Elastic hysteresis y = x - D (h/2) 4 x (1 - x), D = +1 going up and -1 going down.

    D turns over 2 % of range instead of at once: a small step back at mid-range is no jump.
    """

    _TURN = 0.02

    def __init__(self, size: float) -> None:
        self._size = size
        self._direction = 1.0
        self._before: float | None = None

    def __call__(self, x: float, _: Moment) -> float:
        """Below the line going up, above it going down; on it at both ends."""
        if self._before is not None:
            self._direction = min(1.0, max(-1.0, self._direction + 2 * (x - self._before) / self._TURN))
        self._before = x
        if not 0 < x < 1:
            return x
        return x - self._direction * self._size * 2 * x * (1 - x)


class Threshold:
    """0 below a threshold, right above it; on the way down it lets go later: a pick-up that loses its amplitude."""

    def __init__(self, level: float, gap: float) -> None:
        self._rising, self._falling = level, level - gap
        self._is_on = False

    def __call__(self, x: float, _: Moment) -> float:
        """X while the pulses are seen, else 0."""
        self._is_on = x >= (self._falling if self._is_on else self._rising)
        return x if self._is_on else 0.0


class Stale:
    """y_k = y_(k-1): a dwell hands out what was there at the end of the dwell before.

    A new dwell begins when a source is told a level (the same one too), or after a pause of `gap_s` without a reading.
    """

    def __init__(self, gap_s: float) -> None:
        self._gap_s = gap_s
        self._changes_n = -1
        self._asked_s = -math.inf
        self._fresh: float | None = None
        self._held: float | None = None

    def __call__(self, x: float, moment: Moment) -> float:
        """What the last dwell ended with."""
        if moment.changes_n != self._changes_n or moment.at_s - self._asked_s > self._gap_s:
            self._held = x if self._fresh is None else self._fresh
        self._changes_n, self._asked_s, self._fresh = moment.changes_n, moment.at_s, x
        return x if self._held is None else self._held
