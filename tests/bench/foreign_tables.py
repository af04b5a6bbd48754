"""Calibration tables with known truth, made without a line of the package: units as a practitioner's bench has them.

Every unit is a path of fractions of a range: what is wrong with it acts on the input or on the output, in the order in
which it sits in the unit. Names that would be just as right are worked out, not guessed: an equation that leaves less
than a good unit may do counts as right. It prints nothing and judges nothing. The units are invented.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
FAMILIES = (
    "good",
    "single",
    "double",
    "chain2",
    "chain-coarse",
    "unknown",
    "model-error",
    "noisy",
    "short",
)

# Names that leave the same line: a factor about the zero of the range, one about 0 V or 0 mA, a constant.
# A meter that is out leaves any straight line, as zero and span of the unit do.
LINE = frozenset({"zero and span", "meter gain"})
GAIN = LINE | {"span error", "upper range wrong"}
LEVEL_GAIN = LINE | {"load resistor wrong"}
CONSTANT = LINE | {"zero shift", "meter offset", "ground loop"}
LINES = GAIN | LEVEL_GAIN | CONSTANT | {"lower range wrong"}
# One reading that is off may as well be a slip of the pen.
SLIPS = frozenset({"stray reading", "mistyped digit", "transposed digits", "copied reading"})
PLAY = frozenset({"backlash", "dead band", "stiction"})
LIMITS = frozenset({"output limit", "loop compliance", "supply sag", "drive limits"})
STUCK = frozenset({"stuck output", "stale reading"})
COARSE = frozenset({"gate quantisation", "meter resolution"})
HUM = frozenset({"noise", "mains pickup", "ground loop", "periodic disturbance"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What is wrong: its name, every name that is as right, the stage or tap it sits at, its size in words."""

    name: str
    accepted: frozenset[str]
    places: frozenset[str]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table as a person typed it, the type sheet of its unit, and the truth.

    Attributes:
        besides: what is true as well and need not be found.
        also: second halves of "a + b" that are true besides.
        whole: names that are right by themselves for all that is wrong.
        text: what is wrong, with sizes.
    """

    family: str
    csv: str
    sheet: str
    faults: tuple[Fault, ...]
    also: frozenset[str]
    whole: frozenset[str]
    text: str
    besides: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A quantity with its range; `decimals` as its meter shows them."""

    label: str
    unit: str
    lower: float
    upper: float
    decimals: int = 3
    rtd: bool = False

    @property
    def span(self) -> float:
        return abs(self.upper - self.lower)

    def value(self, frac: Floats) -> Floats:
        return self.lower + (self.upper - self.lower) * frac

    def shown(self, frac: Floats) -> list[str]:
        """As the column has it: ohm by IEC 60751 for a resistance thermometer."""
        value = self.value(frac)
        return [f"{each:.{self.decimals}f}" for each in (ohm(value) if self.rtd else value)]

    @property
    def header(self) -> str:
        return f"{self.label} [{'ohm' if self.rtd else self.unit}]"

    @property
    def range_text(self) -> str:
        return f"{self.lower:g} .. {self.upper:g} {self.unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """When and from where each reading was taken; arrays of one length, in the order of the readings."""

    at: Floats  # fraction of the input range that was applied
    nominal: Floats  # of the setpoint
    way: Floats  # +1 upscale, -1 downscale
    time_s: Floats
    each_n: int
    is_timed: bool

    @property
    def is_both_ways(self) -> bool:
        return bool((self.way < 0).any())


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """A converter between two signals; `tolerance` a fraction of the output span, `top` where its output ends."""

    source: Signal
    output: Signal
    tolerance: float
    tolerance_text: str
    has_root: bool = False
    top: float = 1.25
    kind: str = "converter"

    @property
    def live(self) -> float:
        """How far 0 V or 0 mA lies below the range, in spans; negative above."""
        return min(self.output.lower, self.output.upper) / self.output.span

    @property
    def bottom(self) -> float:
        # A current sink or source does not reverse.
        return -self.live if self.output.unit == "mA" and self.output.lower < self.output.upper else -0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """A fault at work: `act` takes the path of fractions so far and the visit; nothing comes behind an `is_end`."""

    name: str
    accepted: frozenset[str]
    act: Callable[[Floats, Visit], Floats]
    text: str
    at_input: bool = False
    is_end: bool = False
    also: frozenset[str] = frozenset()


Maker = Callable[[np.random.Generator, Unit, Visit], Effect]


def ohm(temperature_degC: Floats) -> Floats:
    """Resistance of a Pt100 by IEC 60751."""
    a, b, c = 3.9083e-3, -5.775e-7, -4.183e-12
    below = np.minimum(temperature_degC, 0.0)
    return np.asarray(100 * (1 + a * temperature_degC + b * temperature_degC**2 + c * (below - 100) * below**3))


def degC(resistance_ohm: Floats) -> Floats:
    """The inverse of `ohm`, by Newton's steps."""
    found = (resistance_ohm - 100) / 0.385
    for _ in range(6):
        found -= (ohm(found) - resistance_ohm) / (0.39083 - 1.155e-4 * found)
    return found


# ----- what is wrong: makers of effects ------------------------------------------------------------------------------
def drawn_size(rng: np.random.Generator, unit: Unit, low: float = 1.3, high: float = 12.0) -> float:
    """Signed, in fractions of span: so many tolerances, small ones as often as large ones."""
    return float(rng.choice([-1, 1]) * unit.tolerance * math.exp(rng.uniform(math.log(low), math.log(high))))


def zero_shift(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    size = drawn_size(rng, unit)
    names = CONSTANT
    if unit.source.unit == "Hz" and size > 0:
        names |= {"extra pulses from the inverter"}
    if unit.source.unit == "bar":
        names |= {"gauge against absolute"} if abs(abs(size) * unit.source.span - 1.013) < 0.05 else frozenset()
    return Effect(name="zero shift", accepted=names, act=lambda y, _: y + size, text=f"{100 * size:+.3g} %")


def span_error(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    size = drawn_size(rng, unit)
    return Effect(name="span error", accepted=GAIN, act=lambda y, _: y * (1 + size), text=f"{100 * size:+.3g} %")


def zero_and_span(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    zero, span = drawn_size(rng, unit), drawn_size(rng, unit)
    return Effect(
        name="zero and span",
        accepted=LINE,
        act=lambda y, _: zero + y * (1 + span),
        text=f"{100 * zero:+.3g} and {100 * span:+.3g} %",
        also=LINES,
    )


def meter_gain(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    size = drawn_size(rng, unit)
    names = LEVEL_GAIN | ({"leak across receiver"} if size < 0 else set())
    return Effect(
        name="meter gain",
        accepted=names,
        act=lambda y, _: y + size * (y + unit.live),
        text=f"{100 * size:+.3g} %",
        also=LINES,
    )


def bow(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    size, lean = drawn_size(rng, unit), rng.uniform(0.0, 0.15)
    # An arch a little higher on one side, as a loaded potentiometer leaves it.
    return Effect(
        name="bow",
        accepted=frozenset({"bow"}),
        act=lambda y, _: y + size * 4 * y * (1 - y) / (1 + lean * (1 - y)),
        text=f"{100 * size:+.3g} %",
    )


def s_shape(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    size = drawn_size(rng, unit)
    return Effect(
        name="s shape",
        accepted=frozenset({"s shape"}),
        act=lambda y, _: y + size * np.sin(2 * np.pi * y),
        text=f"{100 * size:+.3g} %",
    )


def hysteresis(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    size = min(abs(drawn_size(rng, unit)), rng.uniform(0.02, 0.04))
    power = rng.uniform(0.7, 1.3)
    return Effect(
        name="hysteresis",
        accepted=frozenset({"hysteresis"}),
        act=lambda y, visit: y - visit.way * size * np.clip(4 * y * (1 - y), 0, None) ** power,
        text=f"{200 * size:.3g} % wide",
    )


def play(path: Floats, width: float, first: float) -> Floats:
    """A pin in a slot: moved only where the slot's end meets it."""
    pin, found = first, []
    for each in path:
        pin = min(max(pin, each - width / 2), each + width / 2)
        found.append(pin)
    return np.array(found)


def backlash(rng: np.random.Generator, unit: Unit, visit: Visit) -> Effect:
    width = min(2 * abs(drawn_size(rng, unit)), rng.uniform(0.03, 0.06))
    first = -width / 2
    return Effect(
        name="backlash",
        # Equal steps after the same wait: what lags stays behind as far as what has play, unless times tell.
        accepted=PLAY | ({"lag"} if visit.each_n == 1 or not visit.is_timed else set()),
        act=lambda y, _: play(y, width, float(y[0]) + first),
        text=f"{100 * width:.3g} % wide",
        at_input=not unit.has_root,
    )


def low_pass(path: Floats, time_s: Floats, tau_s: float, moved_s: float) -> Floats:
    """First-order lag; the input steps `moved_s` before the first reading of each visit."""
    state, found = float(path[0]), [float(path[0])]
    for (before, now), (began, ended) in zip(pairwise(path), pairwise(time_s), strict=True):
        if abs(now - before) < 1e-9:
            state = now + (state - now) * math.exp(-(ended - began) / tau_s)
        else:
            state = before + (state - before) * math.exp(-max(ended - began - moved_s, 0.0) / tau_s)
            state = now + (state - now) * math.exp(-moved_s / tau_s)
        found.append(state)
    return np.array(found)


def lag(rng: np.random.Generator, _: Unit, visit: Visit) -> Effect:
    moved_s = float(np.diff(np.unique(visit.time_s)).max())
    tau_s = moved_s / math.log(rng.uniform(8, 60))
    return Effect(
        name="lag",
        accepted=frozenset({"lag"}) | (frozenset() if visit.each_n > 1 else PLAY),
        act=lambda y, v: low_pass(y, v.time_s, tau_s, moved_s),
        text=f"{tau_s:.3g} s, read after {moved_s:.3g} s",
    )


def drift(rng: np.random.Generator, unit: Unit, visit: Visit) -> Effect:
    size, whole_s = drawn_size(rng, unit), float(visit.time_s[-1] - visit.time_s[0])
    return Effect(
        name="drift",
        accepted=frozenset({"drift"}),
        act=lambda y, v: y + size * (v.time_s - v.time_s[0]) / whole_s,
        text=f"{100 * size:+.3g} % over all",
    )


def warm_up(rng: np.random.Generator, unit: Unit, visit: Visit) -> Effect:
    size, whole_s = drawn_size(rng, unit, 2.0), float(visit.time_s[-1] - visit.time_s[0])
    tau_s = whole_s * rng.uniform(0.1, 0.4)
    return Effect(
        name="warm-up",
        accepted=frozenset({"warm-up"}),
        act=lambda y, v: y + size * np.exp(-(v.time_s - v.time_s[0]) / tau_s),
        text=f"{100 * size:+.3g} %, {tau_s:.3g} s",
    )


def upper_range(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    ratio = float(rng.choice([0.8, 1.25, 1.2, 5 / 6, 0.9, 1.1, 0.75, 1.5]))
    return Effect(
        name="upper range wrong",
        accepted=GAIN,
        act=lambda u, _: u / ratio,
        text=f"{ratio:.4g} of nominal",
        at_input=not unit.has_root,
    )


def lower_range(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    low = float(rng.choice([-0.1, 0.05, 0.1, 0.2, -0.05]))
    return Effect(
        name="lower range wrong",
        accepted=frozenset({"lower range wrong"}) | LINE,
        act=lambda u, _: (u - low) / (1 - low),
        text=f"begins at {100 * low:.3g} %",
        at_input=not unit.has_root,
        also=LINES,
    )


def live_zero_lost(_: np.random.Generator, unit: Unit, __: Visit) -> Effect:
    return Effect(
        name="live zero lost",
        accepted=frozenset({"live zero lost", "0-20 sent", "lower range wrong"}) | LINE,
        act=lambda y, _: y * (1 + unit.live) - unit.live,
        text="scaled from nothing",
        also=LINES | LIMITS,
    )


def live_input_misread(_: np.random.Generator, unit: Unit, __: Visit) -> Effect:
    live = 0.25 if unit.source.lower else 0.2
    return Effect(
        name="4-20 read as 0-20",
        accepted=frozenset({"4-20 read as 0-20", "lower range wrong"}) | LINE,
        act=lambda u, _: (u + live) / (1 + live),
        text="input taken from 0 mA",
        at_input=not unit.has_root,
        also=LINES,
    )


def reversed_action(_: np.random.Generator, __: Unit, ___: Visit) -> Effect:
    names = frozenset({"reversed action"}) | LINE
    return Effect(name="reversed action", accepted=names, act=lambda y, _: 1 - y, text="falls for rises", also=LINES)


def output_limit(rng: np.random.Generator, _: Unit, __: Visit) -> Effect:
    top = rng.uniform(0.72, 0.97)
    return Effect(
        name="output limit",
        accepted=LIMITS,
        act=lambda y, _: np.minimum(y, top),
        is_end=True,
        text=f"ends at {100 * top:.3g} %",
    )


def stuck_output(rng: np.random.Generator, _: Unit, __: Visit) -> Effect:
    level = rng.uniform(0.0, 1.0)
    return Effect(
        name="stuck output",
        accepted=STUCK,
        act=lambda y, _: np.full_like(y, level),
        is_end=True,
        text=f"stands at {100 * level:.3g} %",
    )


def burnout(rng: np.random.Generator, _: Unit, __: Visit) -> Effect:
    level = rng.uniform(1.09, 1.12)
    return Effect(
        name="sensor burnout",
        accepted=frozenset({"sensor burnout", "stuck output"}),
        act=lambda y, _: np.full_like(y, level),
        is_end=True,
        text=f"stands at {100 * level:.4g} %",
    )


def root_applied(_: np.random.Generator, unit: Unit, __: Visit) -> Effect:
    name = "square root twice" if unit.has_root else "square root applied"
    names = frozenset({name, "square root applied"})
    return Effect(name=name, accepted=names, act=lambda y, _: np.sqrt(np.clip(y, 0, None)), text="")


def root_missing(_: np.random.Generator, __: Unit, ___: Visit) -> Effect:
    return Effect(
        name="square root missing",
        accepted=frozenset({"square root missing"}),
        act=lambda u, _: u**2,
        text="",
        at_input=True,
    )


def zero_before_root(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    size = drawn_size(rng, unit)
    names = frozenset({"zero shift before the root"})
    return Effect(
        name="zero shift before the root",
        accepted=names,
        act=lambda u, _: u + size,
        text=f"{100 * size:+.3g} % of the input",
        at_input=True,
    )


def low_cut(rng: np.random.Generator, _: Unit, __: Visit) -> Effect:
    below = rng.uniform(0.06, 0.25)
    return Effect(
        name="low frequency cut-off",
        accepted=frozenset({"low frequency cut-off", "missing pulses at low speed"}),
        act=lambda u, _: np.where(u < below, 0.0, u),
        text=f"nothing below {100 * below:.3g} %",
        at_input=True,
    )


def missing_fast(rng: np.random.Generator, _: Unit, __: Visit) -> Effect:
    begin, lost = rng.uniform(0.5, 0.75), rng.uniform(0.05, 0.3)
    return Effect(
        name="missing pulses at high speed",
        accepted=frozenset({"missing pulses at high speed"}),
        act=lambda u, _: u * (1 - lost * np.clip((u - begin) / (1 - begin), 0, None)),
        text=f"from {100 * begin:.3g} % on, {100 * lost:.3g} % at the end",
        at_input=True,
    )


def missing_slow(rng: np.random.Generator, _: Unit, __: Visit) -> Effect:
    end, lost = rng.uniform(0.2, 0.45), rng.uniform(0.3, 1.0)
    return Effect(
        name="missing pulses at low speed",
        accepted=frozenset({"missing pulses at low speed", "low frequency cut-off"}),
        act=lambda u, _: u * (1 - lost * np.clip(1 - u / end, 0, 1)),
        text=f"below {100 * end:.3g} %, {100 * lost:.3g} % at the lowest",
        at_input=True,
    )


def extra_pulses(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    size = abs(drawn_size(rng, unit))
    return Effect(
        name="extra pulses from the inverter",
        accepted=CONSTANT | {"extra pulses from the inverter"},
        act=lambda u, _: u + size,
        text=f"{100 * size:.3g} % more at every speed",
        at_input=True,
    )


def lead_resistance(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    lead = abs(drawn_size(rng, unit)) * unit.source.span * 0.385

    def act(u: Floats, _: Visit) -> Floats:
        return (degC(ohm(unit.source.value(u)) + lead) - unit.source.lower) / unit.source.span

    names = CONSTANT | {"lead resistance"}
    return Effect(name="lead resistance", accepted=names, act=act, text=f"{lead:.3g} ohm", at_input=True)


def wrong_curve(_: np.random.Generator, unit: Unit, __: Visit) -> Effect:
    def act(u: Floats, _: Visit) -> Floats:
        # The older curve of 3.916e-3 per kelvin, linear and square coefficients as its standard had them.
        resistance = ohm(unit.source.value(u)) / 100
        a, b = 3.9739e-3, -5.870e-7
        temperature = (-a + np.sqrt(a * a - 4 * b * (1 - resistance))) / (2 * b)
        return np.asarray((temperature - unit.source.lower) / unit.source.span)

    return Effect(
        name="wrong rtd curve",
        accepted=frozenset({"wrong rtd curve"}),
        act=act,
        text="0.003916 for 0.003851",
        at_input=True,
    )


def temperature_unit(_: np.random.Generator, unit: Unit, __: Visit) -> Effect:
    def act(u: Floats, _: Visit) -> Floats:
        return (1.8 * unit.source.value(u) + 32 - unit.source.lower) / unit.source.span

    names = frozenset({"wrong temperature unit"}) | LINE
    return Effect(
        name="wrong temperature unit",
        accepted=names,
        act=act,
        text="degF for degC",
        at_input=True,
        also=LINES | LIMITS,
    )


def pressure_unit(rng: np.random.Generator, _: Unit, __: Visit) -> Effect:
    ratio = float(rng.choice([1 / 1.01972, 1.01972, 1.01325, 1 / 1.01325]))
    return Effect(
        name="wrong pressure unit",
        accepted=GAIN | {"wrong pressure unit"},
        act=lambda u, _: u * ratio,
        text=f"factor {ratio:.4f}",
        at_input=True,
    )


def gauge_absolute(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    size = rng.choice([-1, 1]) * rng.uniform(0.97, 1.03) / unit.source.span
    return Effect(
        name="gauge against absolute",
        accepted=CONSTANT | {"gauge against absolute"},
        act=lambda u, _: u + size,
        text=f"{100 * size:+.3g} %",
        at_input=True,
        also=LIMITS,
    )


def leak_transmitter(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    at_zero = abs(drawn_size(rng, unit, 1.5))

    def act(y: Floats, _: Visit) -> Floats:
        current_mA = unit.output.value(y)
        return y + at_zero * (24 - 0.25 * current_mA) / (24 - 0.25 * unit.output.lower)

    names = frozenset({"leak across transmitter"}) | LINE
    return Effect(
        name="leak across transmitter",
        accepted=names,
        act=act,
        text=f"{100 * at_zero:+.3g} % at zero",
        also=LINES,
    )


def gate(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    step = min(unit.tolerance * rng.uniform(2.5, 8), 0.04)
    way = np.floor if rng.random() < 0.5 else np.round
    return Effect(
        name="gate quantisation",
        accepted=COARSE | {"missing code"},
        act=lambda u, _: step * way(u / step + 1e-9),
        text=f"steps of {100 * step:.3g} %",
        at_input=True,
    )


def dac_steps(rng: np.random.Generator, _: Unit, __: Visit) -> Effect:
    bits = int(rng.choice([8, 8, 9, 10]))
    step, way = 1 / 2**bits, np.floor if rng.random() < 0.5 else np.round
    return Effect(
        name="meter resolution",
        accepted=COARSE | {"missing code"},
        act=lambda y, _: step * way(y / step + 1e-9),
        text=f"{bits} bit",
    )


def soft_limit(rng: np.random.Generator, unit: Unit, _: Visit) -> Effect:
    top, soft = rng.uniform(0.72, 0.92), min(rng.uniform(0.01, 0.04), 3 * unit.tolerance)
    return Effect(
        name="output limit",
        accepted=LIMITS | ({"missing pulses at high speed"} if unit.source.unit == "Hz" else set()),
        act=lambda y, _: top - soft * np.logaddexp(0, (top - y) / soft),
        is_end=True,
        text=f"bends over to {100 * top:.3g} % within {100 * soft:.2g} %",
    )


def play_anywhere(rng: np.random.Generator, unit: Unit, visit: Visit) -> Effect:
    width = min(2 * abs(drawn_size(rng, unit)), rng.uniform(0.03, 0.06))
    first = rng.uniform(-0.5, 0.5) * width
    made = backlash(rng, unit, visit)
    return replace(
        made,
        act=lambda y, _: play(y, width, float(y[0]) + first),
        text=f"{100 * width:.3g} % wide, begins {100 * first:+.2g} %",
    )


def gain_named(name: str, ratios: Sequence[float], *others: str) -> Maker:
    """A factor in a stage of a chain, with the names that mean a factor there."""

    def maker(rng: np.random.Generator, _: Unit, __: Visit) -> Effect:
        ratio = float(rng.choice(ratios))
        return Effect(
            name=name,
            accepted=GAIN | {name, *others},
            act=lambda u, _: u * ratio,
            text=f"factor {ratio:.4g}",
            at_input=True,
        )

    return maker


slip = gain_named("slip", (0.95, 0.96, 0.97, 0.98))
wrong_ppr = gain_named("pulses per revolution wrong", (0.5, 59 / 60, 61 / 60, 0.8, 0.9, 1.1), "double counting", "slip")
double_counting = gain_named("double counting", (1.04, 1.08, 1.03, 1.15), "pulses per revolution wrong")


def linear_faults(unit: Unit, visit: Visit) -> list[Maker]:
    """Every single fault that such a unit can have and such a visit can show."""
    makers: list[Maker] = [zero_shift, span_error, zero_and_span, bow, s_shape, output_limit, stuck_output, upper_range]
    makers += [drift, warm_up] if visit.is_timed else []
    makers += [hysteresis, backlash] if visit.is_both_ways else []
    makers += [lag] if visit.is_both_ways and visit.is_timed else []
    if unit.has_root:
        return [*makers, root_missing, root_applied, zero_before_root]
    makers += [lower_range, reversed_action, root_applied]
    if unit.live > 0 and unit.output.lower < unit.output.upper:
        makers += [live_zero_lost, meter_gain]
    if unit.output.unit == "mA" and unit.output.lower == 4:
        makers += [leak_transmitter, burnout]
    extra: dict[str, list[Maker]] = {
        "mA": [live_input_misread] if unit.source.lower else [],
        "Hz": [low_cut, missing_fast, missing_slow, extra_pulses, gate, double_counting],
        "rpm": [wrong_ppr],
        "bar": [pressure_unit, gauge_absolute],
        "degC": [temperature_unit, *([lead_resistance, wrong_curve] if unit.source.rtd else [])],
    }
    makers += extra.get(unit.source.unit, [])
    # At a few points steps are scatter.
    return makers if np.unique(visit.nominal).size >= 9 else [each for each in makers if each is not gate]


# ----- good units ----------------------------------------------------------------------------------------------------
def imperfection(rng: np.random.Generator, size: float, *, is_both_ways: bool) -> Callable[[Floats, Visit], Floats]:
    """What a good unit does: no more than `size` anywhere."""
    kinds: list[Callable[[Floats, Floats], Floats]] = [
        lambda y, _: np.ones_like(y),
        lambda y, _: y,
        lambda y, _: 2 * y - 1,
        lambda y, _: np.tanh(3 * (y - 0.4)),
        lambda y, _: (2 * y - 1) ** 3,
        lambda y, _: np.abs(2 * y - 1),
        lambda y, _: 2.6 * y * (1 - y) * (1 + y),
        lambda y, _: y**2,
    ]
    if is_both_ways:
        kinds.append(lambda y, way: -way * np.sin(np.pi * np.clip(y, 0, 1)))
    chosen = rng.choice(len(kinds), size=int(rng.integers(1, 4)), replace=False)
    parts = [(kinds[each], rng.uniform(-1, 1)) for each in chosen]
    whole = sum(abs(part) for _, part in parts)
    return lambda y, visit: y + sum(size * part / whole * shape(y, visit.way) for shape, part in parts)


# ----- which names are as right --------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Names, and the errors whose sum they can leave; of a given size, within a tenth, where `is_fixed`."""

    names: frozenset[str]
    columns: tuple[Floats, ...]
    is_fixed: bool = False


def gain_names(unit: Unit) -> frozenset[str]:
    """Names of a factor that such an input brings with it."""
    extra: dict[str, frozenset[str]] = {
        "Hz": frozenset({"double counting", "pulses per revolution wrong"}),
        "rpm": frozenset({"double counting", "pulses per revolution wrong", "slip"}),
        "bar": frozenset({"wrong pressure unit"}),
        "mbar": frozenset({"wrong pressure unit"}),
    }
    return frozenset({"span error", "upper range wrong"}) | extra.get(unit.source.unit, frozenset())


def alternatives(good: Floats, visit: Visit, unit: Unit) -> Iterator[Shape]:
    """What else could be wrong with such a unit, as errors in fractions of span."""
    one = np.ones_like(good)
    yield Shape(names=frozenset({"zero shift", "meter offset"}), columns=(one,))
    yield Shape(names=gain_names(unit), columns=(good,))
    yield Shape(names=frozenset({"meter gain", "load resistor wrong"}), columns=(good + unit.live,))
    yield Shape(names=frozenset({"lower range wrong"}), columns=(1 - good,))
    yield Shape(names=LINE, columns=(one, good))
    yield Shape(names=frozenset({"bow"}), columns=(good * (1 - good),))
    yield Shape(names=frozenset({"s shape"}), columns=(good * (1 - good) * (1 - 2 * good),))
    for top in np.arange(0.7, 1.0, 0.02):
        yield Shape(names=LIMITS, columns=(np.minimum(good, top) - good,), is_fixed=True)
    if unit.output.unit == "mA" and unit.output.lower == 4:
        yield Shape(names=frozenset({"leak across transmitter"}), columns=(24 - 0.25 * unit.output.value(good),))
    yield from in_time(visit)
    if visit.is_both_ways:
        yield from both_ways(good, visit, unit)
    if unit.source.unit in {"Hz", "rpm"}:
        yield from of_pulses(good)
    if unit.source.unit == "degC":
        yield from of_temperature(visit, unit)


def in_time(visit: Visit) -> Iterator[Shape]:
    time = visit.time_s - visit.time_s[0]
    yield Shape(names=frozenset({"drift"}), columns=(time,))
    for part in np.geomspace(0.03, 4, 10):
        yield Shape(names=frozenset({"warm-up"}), columns=(np.exp(-time / (part * time[-1])),))


def both_ways(good: Floats, visit: Visit, unit: Unit) -> Iterator[Shape]:
    yield Shape(names=frozenset({"hysteresis"}), columns=(visit.way * good * (1 - good),))
    for width in unit.tolerance * np.geomspace(1.5, 30, 14):
        for first in (-0.5, 0.0, 0.5):
            moved = play(good, float(width), float(good[0]) + first * float(width)) - good
            yield Shape(names=PLAY, columns=(moved,), is_fixed=True)
    moved_s = float(np.diff(np.unique(visit.time_s)).max())
    for left in np.geomspace(0.005, 0.3, 14):
        late = low_pass(good, visit.time_s, moved_s / -math.log(left), moved_s) - good
        yield Shape(names=frozenset({"lag"}), columns=(late,), is_fixed=True)


def of_pulses(good: Floats) -> Iterator[Shape]:
    names = frozenset({"missing pulses at low speed", "low frequency cut-off"})
    for knee in np.arange(0.15, 0.9, 0.05):
        fast = -good * np.clip(good - knee, 0, None)
        yield Shape(names=frozenset({"missing pulses at high speed"}), columns=(fast,))
        yield Shape(names=names, columns=(-good * np.clip(1 - good / knee, 0, None),))
        yield Shape(names=names, columns=(np.where(good < knee, -good, 0.0),), is_fixed=True)


def of_temperature(visit: Visit, unit: Unit) -> Iterator[Shape]:
    curve = wrong_curve(np.random.default_rng(0), unit, visit).act(visit.at, visit) - visit.at
    for sign in (-1, 1):
        yield Shape(names=frozenset({"wrong rtd curve"}), columns=(sign * curve,), is_fixed=True)
    if unit.source.rtd:  # an ohm is more kelvin where the curve is flatter
        slope = 1 / (3.9083e-3 - 2 * 5.775e-7 * unit.source.value(visit.at))
        yield Shape(names=frozenset({"lead resistance"}), columns=(slope,))


def left_over(error: Floats, shapes: Sequence[Shape]) -> Floats:
    """The errors that they leave when their sizes are fitted; infinite where a fixed one would need another size."""
    fixed = [each.is_fixed for each in shapes for _ in each.columns]
    matrix = np.stack([column for each in shapes for column in each.columns], axis=1)
    sizes = np.linalg.lstsq(matrix, error, rcond=None)[0]
    if any(is_fixed and not 0.88 < size < 1.14 for size, is_fixed in zip(sizes, fixed, strict=True)):
        return np.full_like(error, np.inf)
    return np.asarray(error - matrix @ sizes)


def is_hidden(left: Floats, unit: Unit, scatter: float) -> bool:
    """Whether a good unit may do so much, or the last digit or the scatter hides it.

    Scatter hides what it leaves odds of e for at most. Wider bounds would call claims true that the readings speak
    against.
    """
    digit = 10.0**-unit.output.decimals / unit.output.span
    if np.abs(left).max() <= max(0.3 * unit.tolerance, 0.5 * digit):
        return True
    return bool(scatter and np.isfinite(left).all() and np.sum((left / scatter) ** 2) <= 2.0)


def as_right(made: Floats, good: Floats, visit: Visit, unit: Unit, scatter: float) -> frozenset[str]:
    """Single names whose equation leaves no more of the errors than is hidden."""
    error = made - good
    fitting = (
        each.names for each in alternatives(good, visit, unit) if is_hidden(left_over(error, [each]), unit, scatter)
    )
    off = {
        (at, way)
        for at, way, size in zip(visit.nominal, visit.way, np.abs(error), strict=True)
        if size > max(0.3 * unit.tolerance, 2 * scatter)
    }
    return frozenset[str]().union(*fitting, SLIPS if len(off) == 1 and visit.each_n == 1 else ())


def pairs_as_right(made: Floats, good: Floats, visit: Visit, unit: Unit, scatter: float) -> frozenset[str]:
    """The same for two names at once, where none of them does by itself."""
    error = made - good
    shapes = list(alternatives(good, visit, unit))
    if any(is_hidden(left_over(error, [each]), unit, scatter) for each in shapes):
        return frozenset()
    return frozenset(
        " + ".join(sorted((one, other)))
        for first, second in combinations(shapes, 2)
        if first.names != second.names and is_hidden(left_over(error, [first, second]), unit, scatter)
        for one in first.names
        for other in second.names
        if one != other
    )


def line_pairs(*, is_both_ways: bool) -> frozenset[str]:
    """Two names at once that leave any straight line; on one way time goes with the input."""
    names = LINES if is_both_ways else LINES | {"drift"}
    return frozenset(" + ".join(each) for each in combinations(sorted(names), 2))


# ----- benches -------------------------------------------------------------------------------------------------------
INPUTS = (
    *(("Hz", 0.0, high) for high in (20, 30, 50, 100, 1000, 2000, 5000)),
    *(("rpm", 0.0, high) for high in (1500, 3000)),
    ("V", 0.0, 10.0),
    ("V", 0.0, 5.0),
    ("V", 2.0, 10.0),
    ("mV", 0.0, 50.0),
    ("mV", 0.0, 100.0),
    ("mA", 4.0, 20.0),
    ("mA", 0.0, 20.0),
    ("bar", 0.0, 2.5),
    ("bar", 0.0, 6.0),
    ("bar", 0.0, 16.0),
    ("mbar", 0.0, 250.0),
    ("mbar", 0.0, 400.0),
    ("degC", 0.0, 100.0),
    ("degC", -50.0, 150.0),
    ("degC", 0.0, 200.0),
    ("%", 0.0, 100.0),
)
OUTPUTS = (
    *(("mA", 4.0, 20.0),) * 5,
    ("mA", 0.0, 20.0),
    ("mA", 20.0, 4.0),
    ("V", 0.0, 10.0),
    ("V", 1.0, 5.0),
    ("V", 2.0, 10.0),
)


def decimals_for(step: float) -> int:
    """The fewest decimals, 1 to 4, that show `step`."""
    return next((n for n in (1, 2, 3) if 10.0**-n <= step), 4)


def drawn_unit(rng: np.random.Generator, *, coarse: float) -> Unit:
    """A converter; its output shows steps of at most `coarse` tolerances."""
    unit, low, high = INPUTS[rng.integers(len(INPUTS))]
    tolerance = float(rng.choice([0.1, 0.15, 0.2, 0.25, 0.3, 0.5, 0.75, 1.0])) / 100
    text, worth = f"{100 * tolerance:g} % of span", 1.0
    if rng.random() < 0.15:
        text, worth = f"{text} + {50 * tolerance:g} % of reading", 1.25
    out_unit, out_low, out_high = OUTPUTS[rng.integers(len(OUTPUTS))]
    has_root = unit == "mbar" and rng.random() < 0.6
    is_rtd = unit == "degC" and rng.random() < 0.7
    source_step = 0.1 * tolerance * (high - low) * (0.4 if is_rtd else 1.0)
    out_step = coarse * tolerance * abs(out_high - out_low)
    finer = int(rng.integers(0, 3)) if coarse < 1 else 0
    return Unit(
        source=Signal(
            label="injected", unit=unit, lower=low, upper=high, decimals=decimals_for(source_step), rtd=is_rtd
        ),
        output=Signal(
            label="returned",
            unit=out_unit,
            lower=out_low,
            upper=out_high,
            decimals=min(decimals_for(out_step) + finer, 4),
        ),
        tolerance=tolerance * worth,
        tolerance_text=text,
        has_root=has_root,
        top=float(rng.choice([1.05, 1.1, 1.25])),
    )


def drawn_visit(
    rng: np.random.Generator,
    *,
    points: Sequence[int],
    both_ways: float = 0.6,
    readings: Sequence[int] = (1, 1, 1, 2, 3, 5),
    dialled: float = 0.3,
) -> Visit:
    """An order of readings; `both_ways` and `dialled` how often it goes down again, and misses its setpoints."""
    n, each_n = int(rng.choice(points)), int(rng.choice(readings))
    up = np.linspace(0, 1, n)
    if n == 5 and rng.random() < 0.3:
        up = np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    is_both = rng.random() < both_ways
    nominal = np.concatenate([up, up[-2::-1]]) if is_both else up
    way = np.concatenate([np.ones(n), -np.ones(n - 1)]) if is_both else np.ones(n)
    off = rng.uniform(-0.003, 0.003, nominal.size) if rng.random() < dialled else np.zeros(nominal.size)
    at = np.clip(nominal + off, 0.0, None)
    pause_s, apart_s = float(rng.choice([10, 20, 30, 60])), float(rng.choice([1, 2, 3]))
    starts = np.cumsum(pause_s + each_n * apart_s + np.round(rng.uniform(0, 0.2 * pause_s, nominal.size)))
    time_s = (starts[:, None] + apart_s * np.arange(each_n)).ravel()
    time_s -= time_s[0]
    at, nominal, way = (np.repeat(each, each_n) for each in (at, nominal, way))
    return Visit(at=at, nominal=nominal, way=way, time_s=time_s, each_n=each_n, is_timed=bool(rng.random() < 0.45))


def through(
    unit: Unit,
    visit: Visit,
    effects: Sequence[Effect],
    path: Floats | None = None,
    own: Callable[[Floats, Visit], Floats] | None = None,
) -> Floats:
    """The path at the output of the unit, with these faults, and with what a good unit does of its `own`."""
    frac = visit.at if path is None else path
    for each in effects:
        frac = each.act(frac, visit) if each.at_input else frac
    if unit.has_root:
        frac = np.sqrt(np.clip(frac, 0, None))
    for each in effects:
        frac = frac if each.at_input or each.is_end else each.act(frac, visit)
    frac = frac if own is None else own(frac, visit)
    for each in effects:
        frac = each.act(frac, visit) if each.is_end else frac
    return np.clip(frac, unit.bottom, unit.top)


def typed(columns: Sequence[tuple[str, list[str]]]) -> str:
    """The table as text."""
    lines = [",".join(name for name, _ in columns)]
    lines += [",".join(row) for row in zip(*(cells for _, cells in columns), strict=True)]
    return "\n".join(lines) + "\n"


def leading_columns(visit: Visit) -> list[tuple[str, list[str]]]:
    found = [("setpoint [%]", [f"{100 * each:.6g}" for each in visit.nominal])]
    if visit.is_timed:
        found.append(("time [s]", [f"{each:.0f}" for each in visit.time_s]))
    return found


def sheet_of(unit: Unit) -> str:
    sensor = ", sensor: {rtd: Pt100}" if unit.source.rtd else ""
    lines = [
        "type: foreign converter (invented)",
        f"input: {{range: {unit.source.range_text}{sensor}}}",
        f"output: {{range: {unit.output.range_text}}}",
        f"characteristic: {'square root' if unit.has_root else 'linear'}",
        f"tolerance: {unit.tolerance_text}",
        "settling: {minimum: 1 s, maximum: 60 s}",
        "supply: 24 V DC",
    ]
    lines += ["load: 250 ohm"] if unit.output.unit == "mA" else []
    return "\n".join(lines) + "\n"


@dataclass(slots=True, kw_only=True)
class Case:
    """A unit on its way to a table."""

    unit: Unit
    visit: Visit
    effects: list[Effect] = field(default_factory=list)
    scatter: float = 0.0
    own: float = 0.0

    def is_visible(self) -> bool:
        """Every fault changes some reading by more than 0.7 tolerances, and by twice what a good unit has."""
        whole = through(self.unit, self.visit, self.effects)
        for each in self.effects:
            others = [one for one in self.effects if one is not each]
            change = np.abs(whole - through(self.unit, self.visit, others)).max()
            if change < max(0.7 * self.unit.tolerance, 2 * self.own, 2 * self.scatter):
                return False
        return True

    def table(self, family: str, rng: np.random.Generator, *, extra: Floats | float = 0.0, **changed: object) -> Table:
        """The table as it was typed: `extra` is added to the output, in fractions of span."""
        unit, visit = self.unit, self.visit
        clean = through(unit, visit, self.effects)
        shape = imperfection(rng, self.own, is_both_ways=visit.is_both_ways)
        made = np.clip(through(unit, visit, self.effects, own=shape) + extra, unit.bottom, unit.top)
        made += self.scatter * rng.standard_normal(made.size)
        columns = leading_columns(visit)
        columns += [(unit.source.header, unit.source.shown(visit.at)), (unit.output.header, unit.output.shown(made))]
        good = through(unit, visit, [])
        clipped = LIMITS if ((clean >= unit.top) | (clean <= unit.bottom)).any() else frozenset()
        whole = as_right(clean, good, visit, unit, self.scatter) if self.effects else frozenset()
        if any(each.also >= LINES for each in self.effects):
            whole |= line_pairs(is_both_ways=visit.is_both_ways)
        faults = tuple(self.fault(each, good) for each in self.effects)
        if family in {"double", "model-error"}:
            pairs = pairs_as_right(clean, good, visit, unit, self.scatter)
            accepted = frozenset().union(*(each.accepted for each in faults))
            whole |= {each for each in pairs if family == "double" or accepted.intersection(each.split(" + "))}
        also = clipped.union(*(each.also for each in self.effects))
        found = Table(
            family=family,
            csv=typed(columns),
            sheet=sheet_of(unit),
            faults=faults,
            also=also,
            whole=whole,
            text=f"{'; '.join(f'{each.name} {each.text}'.strip() for each in faults)} {self.conditions()}".strip(),
        )
        return replace(found, **changed)  # type: ignore[arg-type]

    def fault(self, effect: Effect, good: Floats) -> Fault:
        """The truth of one effect, with the names that would do for it by itself."""
        alone = through(self.unit, self.visit, [effect])
        names = effect.accepted | as_right(alone, good, self.visit, self.unit, self.scatter)
        if "span error" in names:
            names |= gain_names(self.unit)
        return Fault(name=effect.name, accepted=names, places=frozenset(), text=effect.text)

    def conditions(self) -> str:
        """What kind of table it is, in brackets."""
        visit, unit = self.visit, self.unit
        way = "up and down" if visit.is_both_ways else "up"
        times = f" x {visit.each_n}" if visit.each_n > 1 else ""
        return (
            f"[{unit.source.range_text} to {unit.output.range_text}, {100 * unit.tolerance:.3g} %, "
            f"{np.unique(visit.nominal).size} points {way}{times}, scatter {self.scatter / unit.tolerance:.2f} tol]"
        )


def drawn_case(rng: np.random.Generator, *, coarse: float = 0.5, own: float = 0.5, **how: object) -> Case:
    how.setdefault("points", (3, 5, 5, 6, 9, 11, 11, 11, 21))
    unit = drawn_unit(rng, coarse=coarse)
    scatter = 0.0 if rng.random() < 0.25 else unit.tolerance * math.exp(rng.uniform(math.log(0.01), math.log(0.33)))
    return Case(
        unit=unit,
        visit=drawn_visit(rng, **how),  # type: ignore[arg-type]
        scatter=scatter,
        own=own * unit.tolerance * rng.uniform(0, 1),
    )


# ----- families ------------------------------------------------------------------------------------------------------
def good_table(rng: np.random.Generator) -> Table:
    case = drawn_case(rng, own=0.7)
    scatters = Fault(name="noise", accepted=frozenset({"noise"}), places=frozenset(), text="")
    besides = (scatters,) if case.scatter > 0.2 * case.unit.tolerance else ()
    return case.table("good", rng, besides=besides, text=f"good {case.conditions()}")


def with_single(rng: np.random.Generator, family: str, **how: object) -> Table:
    while True:
        case = drawn_case(rng, **how)  # type: ignore[arg-type]
        makers = linear_faults(case.unit, case.visit)
        case.effects = [makers[rng.integers(len(makers))](rng, case.unit, case.visit)]
        if case.is_visible():
            return case.table(family, rng)


def single_table(rng: np.random.Generator) -> Table:
    return with_single(rng, "single")


def short_table(rng: np.random.Generator) -> Table:
    return with_single(rng, "short", coarse=1.5, points=(3, 4, 5), both_ways=0.0, readings=(1,))


def pairs_of(unit: Unit, visit: Visit) -> list[tuple[Maker, Maker]]:
    """Two faults that one stage can have at once and such a visit can tell."""
    steps: Maker = gate if unit.source.unit == "Hz" else dac_steps
    found: list[tuple[Maker, Maker]] = [
        (bow, zero_shift),
        (s_shape, zero_shift),
        (span_error, output_limit),
        (bow, span_error),
    ]
    # At a few points steps are scatter.
    found += [(upper_range, steps)] if np.unique(visit.nominal).size >= 9 else []
    found.append((root_missing, zero_shift) if unit.has_root else (root_applied, zero_shift))
    if visit.is_both_ways:
        found += [(backlash, upper_range), (hysteresis, upper_range), (span_error, hysteresis), (zero_shift, backlash)]
    if visit.is_both_ways and visit.is_timed:
        found += [(lag, zero_shift)]
    if unit.source.rtd and visit.is_timed and visit.is_both_ways:
        found += [(lead_resistance, warm_up)]
    return found


def double_table(rng: np.random.Generator) -> Table:
    while True:
        case = drawn_case(rng, points=(5, 6, 9, 11, 11, 11, 21), own=0.3)
        pairs = pairs_of(case.unit, case.visit)
        case.effects = [make(rng, case.unit, case.visit) for make in pairs[rng.integers(len(pairs))]]
        if case.is_visible():
            return case.table("double", rng)


def noisy_table(rng: np.random.Generator) -> Table:
    while True:
        case = drawn_case(rng, points=(5, 9, 11, 11, 21), own=0.3)
        tolerance = case.unit.tolerance
        if rng.random() < 0.35:
            n = case.visit.at.size
            if rng.random() < 0.5:
                size = tolerance * rng.uniform(1.3, 4)
                extra = size * np.sin(rng.uniform(0, 2 * np.pi, n))
                fault = Fault(name="noise", accepted=HUM, places=frozenset(), text=f"hum of {100 * size:.3g} %")
            else:
                size = tolerance * rng.uniform(3, 15)
                lost = rng.choice(n, size=max(3, n // 5), replace=False)
                extra = np.zeros(n)
                extra[lost] = -size * rng.uniform(0.4, 1, lost.size)
                names = frozenset({"intermittent contact", "noise", "inverter pickup", "stray reading"})
                fault = Fault(
                    name="intermittent contact", accepted=names, places=frozenset(), text=f"{100 * size:.3g} %"
                )
            if n < 9:
                continue
            text = f"{fault.name} {fault.text} {case.conditions()}"
            return case.table("noisy", rng, extra=extra, faults=(fault,), also=HUM, text=text)
        case.scatter = tolerance * rng.uniform(0.4, 1.1)
        makers = linear_faults(case.unit, case.visit)
        case.effects = [makers[rng.integers(len(makers))](rng, case.unit, case.visit)]
        if case.is_visible():
            return case.table("noisy", rng, also=HUM.union(*(each.also for each in case.effects)))


def roughly(effect: Effect, rng: np.random.Generator) -> Effect:
    """The same fault, 3 to 10 % of its effect off by something smooth."""
    part, turns, phase = rng.uniform(0.03, 0.1), rng.uniform(0.4, 1.2), rng.uniform(0, 2 * np.pi)

    def act(frac: Floats, visit: Visit) -> Floats:
        change = effect.act(frac, visit) - frac
        return np.asarray(frac + change * (1 + part * np.sin(2 * np.pi * turns * frac + phase)))

    return replace(effect, act=act, text=f"{effect.text}, {100 * part:.2g} % off its equation")


def model_error_table(rng: np.random.Generator) -> Table:
    while True:
        case = drawn_case(rng, points=(5, 9, 11, 11, 11, 21), own=0.3)
        kind = rng.random()
        if kind < 0.6:
            makers = [each for each in linear_faults(case.unit, case.visit) if each not in {stuck_output, burnout}]
            made = makers[rng.integers(len(makers))](rng, case.unit, case.visit)
            case.effects = [roughly(made, rng)]
            off = through(case.unit, case.visit, [made]) - through(case.unit, case.visit, case.effects)
            if np.abs(off).max() > 1.5 * case.unit.tolerance:  # that would be a second fault
                continue
        elif kind < 0.75:
            case.effects = [soft_limit(rng, case.unit, case.visit)]
        elif kind < 0.87 and case.visit.is_both_ways:
            case.effects = [play_anywhere(rng, case.unit, case.visit)]
        else:
            case.effects = [dac_steps(rng, case.unit, case.visit)]
            if np.unique(case.visit.nominal).size < 9:
                continue
        if case.is_visible():
            return case.table("model-error", rng)


def odd_shape(rng: np.random.Generator, visit: Visit) -> tuple[str, frozenset[str], Floats]:
    """An error that no catalogue has, at most 1 in size; and names that would do for it."""
    u, place = visit.at, rng.uniform(0.3, 0.7)
    none: frozenset[str] = frozenset()
    # What is read on one way may as well swing in time, unless times tell.
    swing = HUM if not visit.is_both_ways and (visit.each_n == 1 or not visit.is_timed) else none
    walk = np.cumsum(rng.standard_normal(np.unique(visit.nominal).size))
    walk -= walk.mean()
    level = np.interp(visit.nominal, np.unique(visit.nominal), walk / np.abs(walk).max())
    turns, phase = rng.uniform(1.6, 3.4), rng.uniform(0, 2 * np.pi)
    tilt = rng.uniform(-1, 1)
    shapes: list[tuple[str, frozenset[str], Floats]] = [
        ("kink", frozenset({"bow"}), np.minimum(u / place, (1 - u) / (1 - place))),
        ("two slopes", frozenset({"missing pulses at high speed"}), np.clip(u - place, 0, None) / (1 - place)),
        ("two slopes, tilted", none, np.where(u < place, tilt * u, tilt * place + (u - place) * 1.2)),
        ("ripple", swing, np.sin(2 * np.pi * turns * u + phase)),
        ("step", frozenset({"missing code", "s shape"}), np.where(u > place, 1.0, 0.0)),
        ("bump", none, np.exp(-(((u - place) / rng.uniform(0.12, 0.18)) ** 2))),
        ("walk with the input", none, level),
        ("cubic S", frozenset({"s shape"}), 10.4 * u * (1 - u) * (place - u)),
        ("tanh S", frozenset({"s shape"}), np.tanh(8 * (u - place)) - (2 * u - 1)),
        ("leaning arch", frozenset({"bow"}), 6.75 * u * (1 - u) ** 2),
    ]
    return shapes[rng.integers(len(shapes))]


def unknown_table(rng: np.random.Generator) -> Table:
    while True:
        case = drawn_case(rng, points=(9, 11, 11, 11, 15, 21), own=0.3)
        if case.unit.has_root:
            continue
        name, names, shape = odd_shape(rng, case.visit)
        size = drawn_size(rng, case.unit, 3.0, 12.0)
        good = through(case.unit, case.visit, [])
        made = good + size * shape
        names |= as_right(made, good, case.visit, case.unit, case.scatter) | {"unknown"}
        pairs = pairs_as_right(made, good, case.visit, case.unit, case.scatter)
        fault = Fault(name="unknown", accepted=names, places=frozenset(), text=f"{name} of {100 * size:+.3g} %")
        text = f"{name} of {100 * size:+.3g} % {case.conditions()}"
        return case.table("unknown", rng, extra=size * shape, faults=(fault,), whole=pairs, text=text)


# ----- chains --------------------------------------------------------------------------------------------------------
# Where a tap ends, in fractions of its range: pulses do not, a drive has some speed in hand.
TOPS = {"mA": 1.1, "V": 1.25, "mV": 1.25, "rpm": 1.3, "Hz": 9.0}
Stage = tuple[str, Unit, list[Maker]]


def between(name: str, taps: Sequence[Signal], index: int, tolerance: float, makers: list[Maker]) -> Stage:
    text = f"{100 * tolerance:g} % of span"
    unit = Unit(
        source=taps[index],
        output=taps[index + 1],
        tolerance=tolerance,
        tolerance_text=text,
        top=TOPS[taps[index + 1].unit],
    )
    return name, unit, makers


DRIVE: list[Maker] = [slip, zero_shift, bow, upper_range, output_limit, s_shape]
PICKUP: list[Maker] = [wrong_ppr, double_counting, missing_slow, missing_fast]
LAST: list[Maker] = [zero_shift, span_error, bow, s_shape, upper_range, output_limit, root_applied, live_zero_lost]
LAST += [lower_range, zero_and_span]


def drawn_chain(rng: np.random.Generator) -> tuple[list[Signal], list[Stage], str]:
    """Taps, stages, and a line of the type sheet for the pickup."""
    kind = rng.integers(3)
    names: tuple[tuple[str, float, list[Maker]], ...]
    if kind == 0:
        rpm, ppr = float(rng.choice([1500, 3000, 900])), int(rng.choice([4, 12, 30, 60, 120]))
        taps = [
            Signal(label="demand", unit="mA", lower=4, upper=20),
            Signal(label="speed", unit="rpm", lower=0, upper=rpm, decimals=1),
            Signal(label="pulse", unit="Hz", lower=0, upper=rpm * ppr / 60, decimals=2),
            Signal(label="returned", unit="mA", lower=4, upper=20),
        ]
        names = (("drive", 0.005, DRIVE), ("pickup", 0.002, PICKUP), ("converter", 0.003, LAST))
        line = f", pulses per revolution: {ppr}"
    elif kind == 1:
        taps = [
            Signal(label="pressure", unit="bar", lower=0, upper=10),
            Signal(label="loop", unit="mA", lower=4, upper=20),
            Signal(label="isolated", unit="mA", lower=4, upper=20),
            Signal(label="recorder", unit="V", lower=1, upper=5, decimals=4),
        ]
        sensor: list[Maker] = [zero_shift, span_error, bow, pressure_unit, live_zero_lost, output_limit]
        names = (("transmitter", 0.0025, sensor), ("isolator", 0.002, LAST), ("shunt", 0.002, [meter_gain, zero_shift]))
        line = ""
    else:
        taps = [
            Signal(label="level", unit="%", lower=0, upper=100),
            Signal(label="bridge", unit="mV", lower=0, upper=50),
            Signal(label="loop", unit="mA", lower=4, upper=20),
        ]
        cell: list[Maker] = [zero_shift, span_error, bow, s_shape]
        names = (("cell", 0.003, cell), ("amplifier", 0.002, LAST))
        line = ""
    stages = [between(name, taps, index, tol, list(makers)) for index, (name, tol, makers) in enumerate(names)]
    return taps, stages, line


def chain_sheet(taps: Sequence[Signal], stages: Sequence[Stage], line: str) -> str:
    lines = ["type: foreign chain (invented)", "taps:"]
    lines += [f"  - {{tap: {each.label}, range: {each.range_text}}}" for each in taps]
    lines.append("stages:")
    for name, unit, _ in stages:
        lines.append(f"  - {{stage: {name}{line if name == 'pickup' else ''}, tolerance: {unit.tolerance_text}}}")
    lines += ["tolerance: 1 % of span", "settling: {minimum: 1 s, maximum: 60 s}"]
    return "\n".join(lines) + "\n"


def chain_fault(name: str, unit: Unit, effect: Effect, equal: frozenset[str]) -> Fault:
    """A factor of a stage has its own names there."""
    names = effect.accepted | equal
    if "span error" in names:
        names |= {"drive": {"slip"}, "pickup": {"pulses per revolution wrong", "double counting"}}.get(name, set())
    places = frozenset({name, unit.source.label, unit.output.label})
    return Fault(name=effect.name, accepted=names, places=places, text=f"{effect.text} at {name}")


def chain2_table(rng: np.random.Generator) -> Table:
    while True:
        taps, stages, line = drawn_chain(rng)
        visit = drawn_visit(rng, points=(5, 6, 11, 11, 21), readings=(1, 1, 2, 3), dialled=0.0)
        wrong = rng.choice(len(stages), size=2, replace=False)
        scatter = rng.uniform(0, 0.2)
        path, faults, also = visit.at, [], frozenset[str]()
        columns = [*leading_columns(visit), (taps[0].header, taps[0].shown(path))]
        is_seen = True
        for index, (name, unit, makers) in enumerate(stages):
            good = through(unit, visit, [], path)
            after, wrong_here = good, []
            if index in wrong:
                effect = makers[rng.integers(len(makers))](rng, unit, visit)
                wrong_here = [effect]
                after = through(unit, visit, wrong_here, path)
                is_seen &= bool(np.abs(after - good).max() > 0.7 * unit.tolerance)
                equal = as_right(after, good, visit, unit, scatter * unit.tolerance)
                faults.append(chain_fault(name, unit, effect, equal))
                also |= effect.also | (LIMITS if (after >= unit.top).any() else frozenset())
            own = imperfection(rng, unit.tolerance * rng.uniform(0, 0.3), is_both_ways=visit.is_both_ways)
            path = through(unit, visit, wrong_here, path, own)
            path = path + scatter * unit.tolerance * rng.standard_normal(path.size)
            if unit.output.unit in {"Hz", "rpm"}:
                path = np.clip(path, 0, None)
            columns.append((unit.output.header, unit.output.shown(path)))
        if is_seen:
            return Table(
                family="chain2",
                csv=typed(columns),
                sheet=chain_sheet(taps, stages, line),
                faults=tuple(faults),
                also=also,
                whole=frozenset(),
                text="; ".join(f"{each.name} {each.text}" for each in faults),
            )


def held_live_zero(_: np.random.Generator, unit: Unit, __: Visit) -> Effect:
    made = live_zero_lost(_, unit, __)
    return replace(made, act=lambda y, v: np.maximum(made.act(y, v), 0.0), text="scaled from 0 mA, held at 4 mA")


def chain_coarse_table(rng: np.random.Generator) -> Table:
    while True:
        rpm, ppr = [(1200.0, 1), (600.0, 2), (900.0, 2), (1800.0, 1), (1500.0, 2), (3000.0, 1)][rng.integers(6)]
        taps = [
            Signal(label="demand", unit="mA", lower=4, upper=20, decimals=2),
            Signal(label="speed", unit="rpm", lower=0, upper=rpm, decimals=int(rng.integers(0, 2))),
            Signal(label="pulse", unit="Hz", lower=0, upper=rpm * ppr / 60, decimals=0),
            Signal(label="returned", unit="mA", lower=4, upper=20, decimals=int(rng.choice([1, 2, 2]))),
        ]
        makers: list[Maker] = [held_live_zero, held_live_zero, live_zero_lost, span_error, zero_shift, upper_range]
        tolerance = float(rng.choice([0.003, 0.005, 0.01]))
        specs = (("drive", 0.005), ("pickup", 0.002), ("converter", tolerance))
        stages = [between(name, taps, index, tol, makers) for index, (name, tol) in enumerate(specs)]
        visit = drawn_visit(rng, points=(5, 6, 9, 11, 11), both_ways=0.0, readings=(1,), dialled=0.0)
        speed = visit.at + rng.uniform(-0.3, 0.3) * 0.005 * visit.at
        hertz = taps[2].value(speed)
        follows = rng.random() < 0.5
        counted = np.round(hertz) / taps[2].upper if follows else speed
        unit = stages[2][1]
        effect = makers[rng.integers(len(makers))](rng, unit, visit)
        good, after = counted, through(unit, visit, [effect], counted)
        # A whole hertz hides what is smaller than half of it.
        coarse = 0.5 / taps[2].upper
        if np.abs(after - good).max() < max(0.7 * tolerance, 1.5 * coarse * (not follows)):
            continue
        hidden = 0.0 if follows else coarse
        fault = chain_fault("converter", unit, effect, as_right(after, good, visit, unit, hidden / 2))
        # Where the converter has the pulses themselves, whole hertz are a matter of the counter that shows them.
        places = frozenset({"pickup", "pulse", "converter"})
        count = Fault(name="gate quantisation", accepted=COARSE, places=places, text="whole hertz")
        shows = Fault(name="instrument", accepted=frozenset({"instrument"}), places=frozenset({"pulse"}), text="")
        shown = after + 0.05 * tolerance * rng.standard_normal(after.size)
        columns = leading_columns(visit)
        columns += [
            (tap.header, tap.shown(frac)) for tap, frac in zip(taps, (visit.at, speed, speed, shown), strict=True)
        ]
        return Table(
            family="chain-coarse",
            csv=typed(columns),
            sheet=chain_sheet(taps, stages, f", pulses per revolution: {ppr}"),
            faults=(fault,),
            also=effect.also | LIMITS | COARSE,
            whole=frozenset(),
            besides=(count,) if follows else (count, shows),
            text=f"{fault.name} {fault.text}, {taps[2].upper:.0f} Hz, "
            f"{'output follows the count' if follows else 'output follows the pulses'}",
        )


MAKERS: dict[str, Callable[[np.random.Generator], Table]] = {
    "good": good_table,
    "single": single_table,
    "double": double_table,
    "chain2": chain2_table,
    "chain-coarse": chain_coarse_table,
    "unknown": unknown_table,
    "model-error": model_error_table,
    "noisy": noisy_table,
    "short": short_table,
}


def tables(seed: int, count: int, family: str) -> Iterator[Table]:
    """`count` tables of a family; the same seed gives the same tables, whatever other families are drawn."""
    for number in range(count):
        yield MAKERS[family](np.random.default_rng([seed, FAMILIES.index(family), number]))
