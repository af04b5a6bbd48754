"""Traces of pulse pickups and captures of a meter with known truth, made without a line of the package.

Pulses come from where the teeth stand and how the shaft turns; what the pickup, the cable and the oscilloscope do to
them is added in that order. Sizes are drawn so that a practitioner who sees the plot would say the same: what is too
small to be seen, or may as well be something else, is not asked for. It prints nothing and judges nothing. All signals
are invented.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]
Rng = np.random.Generator
NAN = float("nan")

# Kinds of noise by what their names hold; several where a practitioner would take either.
FLICKER = ("quantisation", "resolution", "display")
PERIODIC = ("mains", "periodic")
SLOW = ("slow wander", "1/f", "pink")


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """What was recorded, and what is true of it.

    Attributes:
        times_s: shape (n,), rising.
        values: shape (n,), NaN = not recorded.
        is_trace: from an oscilloscope; else readings of a meter.
        rates_Hz: lowest and highest rate that is right; () = there is none to tell.
        is_rate_due: a rate in that range must be told; else it may be.
        due: findings that must be told, by concept, "a|b" either.
        may: findings that are true, or no fault to tell, beside those.
        kinds: of noise, parts of names that are right; () = none is.
        parts: both kinds of a mixture.
        level: true value of a capture; NaN = not asked.
        unit, resolution, aperture_s, is_counted: what is stated of a capture; 0 = not stated.
        wheel_n: pulses of a revolution that are stated; None = not stated.
    """

    family: str
    text: str
    times_s: Floats
    values: Floats
    is_trace: bool = True
    rates_Hz: tuple[float, ...] = ()
    is_rate_due: bool = True
    due: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    parts: tuple[tuple[str, ...], ...] = ()
    level: float = NAN
    unit: str = ""
    resolution: float = 0.0
    aperture_s: float = 0.0
    is_counted: bool = False
    wheel_n: int | None = None


# --- how a shaft turns and where its teeth stand


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A time base, the speed in pulses a second on it, and the instants at which teeth pass."""

    t: Floats
    speed_Hz: Floats
    teeth_s: Floats

    @property
    def mean_Hz(self) -> float:
        return float(self.speed_Hz.mean())

    @property
    def pitch_s(self) -> float:
        return 1 / self.mean_Hz


def log_uniform(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def scene(
    rng: Rng,
    *,
    per_period: tuple[float, float] = (14, 120),
    pulses: tuple[float, float] = (24, 240),
    run_up: float = 1.0,
    move: Callable[[NDArray[np.int64]], Floats] | None = None,
    keep: Callable[[NDArray[np.int64]], NDArray[np.bool_]] | None = None,
    rate_Hz: float | None = None,
) -> Scene:
    """A recording of so many pulses; `move` displaces a tooth by parts of the pitch, `keep` tells which are there."""
    rate = rate_Hz or log_uniform(rng, 3, 4000)
    per, n_pulses = log_uniform(rng, *per_period), log_uniform(rng, *pulses)
    n = int(min(per * n_pulses, 24000))
    t = np.arange(n) / (rate * per)
    share = np.arange(n) / n
    ramp = run_up**share if rng.random() < 0.5 else 1 + (run_up - 1) * share
    wow = 1 + 10 ** rng.uniform(-5, -4) * np.sin(2 * np.pi * (rng.uniform(0.6, 3) * share + rng.random()))
    speed = rate * ramp * wow
    turned = np.concatenate([[0.0], np.cumsum(speed[:-1]) * t[1]]) + rng.random()
    which = np.arange(-2, int(turned[-1]) + 3)
    at = which + (move(which) if move else 0) + rng.normal(0, 10 ** rng.uniform(-5, -3), which.size)
    step = turned[-1] - turned[-2], turned[1] - turned[0]
    far = np.concatenate([[turned[0] - 4], turned, [turned[-1] + 4]])
    far_s = np.concatenate([[-4 / step[1] * t[1]], t, [t[-1] + 4 / step[0] * t[1]]])
    return Scene(t=t, speed_Hz=speed, teeth_s=np.interp(at[keep(which)] if keep else at, far, far_s))


def about(rate_Hz: float, part: float = 0.004) -> tuple[float, float]:
    return rate_Hz * (1 - part), rate_Hz * (1 + part)


def counted(here: Scene, part: float = 0.006) -> tuple[float, float]:
    return about(here.mean_Hz, part)


# --- pickups


def reluctance(here: Scene, rng: Rng, *, height: Floats | None = None) -> Floats:
    """Voltage of a coil: the slope of the flux, so that it grows with speed and rests at 0 V."""
    width = rng.uniform(0.07, 0.17)
    out = np.zeros_like(here.t)
    speed = here.speed_Hz / here.mean_Hz
    polarity = rng.choice([-1, 1])
    for index, at in enumerate(here.teeth_s):
        u = (here.t - at) * here.speed_Hz / width
        near = np.abs(u) < 6
        size = 1.0 if height is None else height[index % len(height)]
        out[near] += size * 1.65 * polarity * u[near] * np.exp(-(u[near] ** 2) / 2)
    out *= log_uniform(rng, 0.15, 20) * speed
    return out


def switched(here: Scene, duty: float | Floats, *, slew_s: float) -> Floats:
    """0..1 of an output that goes up when a tooth comes and down after the duty, in straight ramps of `slew_s`."""
    pitch = 1 / np.interp(here.teeth_s, here.t, here.speed_Hz)
    up, down = here.teeth_s, here.teeth_s + duty * pitch
    corners = np.stack([up, up + slew_s, down, down + slew_s], axis=1).ravel()
    levels = np.tile([0.0, 1.0, 1.0, 0.0], len(up))
    order = np.maximum.accumulate(corners)
    out: Floats = np.interp(here.t, order, levels)
    return out


def logic(here: Scene, rng: Rng, *, duty: float | None = None) -> Floats:
    """A Hall switch on a supply, either way up, with a slew that an oscilloscope resolves or does not."""
    duty = rng.uniform(0.3, 0.65) if duty is None else duty
    slew = log_uniform(rng, 0.001, 0.12) * min(duty, 1 - duty) / 0.5
    out = switched(here, duty, slew_s=slew * here.pitch_s)
    if rng.random() < 0.5:
        out = lagged(out, rng.uniform(0.2, 2))
    supply, saturated = float(rng.choice([3.3, 5, 12, 24])), rng.uniform(0, 0.4)
    return saturated + (supply - saturated) * (out if rng.random() < 0.5 else 1 - out)


def pickup(here: Scene, rng: Rng) -> Floats:
    return reluctance(here, rng) if rng.random() < 0.5 else logic(here, rng)


def swing(values: Floats) -> float:
    return float(np.nanmax(values) - np.nanmin(values))


def lagged(values: Floats, samples: float) -> Floats:
    """Through a resistor and a capacitor of so many samples."""
    out, state, part = np.empty_like(values), values[0], 1 - np.exp(-1 / samples)
    for index, each in enumerate(values):
        state += part * (each - state)
        out[index] = state
    return out


def hissed(values: Floats, rng: Rng, part: float | None = None) -> Floats:
    """With white noise of the input, as a part of the swing."""
    return values + rng.normal(0, (part or 10 ** rng.uniform(-3.5, -2)) * swing(values), values.size)


def digitised(values: Floats, bits: int, rng: Rng, *, room: float | None = None) -> Floats:
    """In steps of a converter whose range is somewhat wider than the signal."""
    span = swing(values) * (rng.uniform(1.05, 1.6) if room is None else room)
    step = span / 2**bits
    out: Floats = step * np.round(values / step)
    return out


def pulse_signal(family: str, text: str, here: Scene, values: Floats, **more: object) -> Signal:
    signal = Signal(family=family, text=text, times_s=here.t, values=values, rates_Hz=counted(here))
    return replace(signal, **more)  # type: ignore[arg-type]


# --- clean pulse trains


def clean_reluctance(rng: Rng) -> Signal:
    here = scene(rng)
    return pulse_signal("reluctance", f"{here.mean_Hz:.4g} Hz", here, hissed(reluctance(here, rng), rng))


def clean_hall(rng: Rng) -> Signal:
    here = scene(rng)
    return pulse_signal("hall", f"{here.mean_Hz:.4g} Hz", here, hissed(logic(here, rng), rng))


def clean_optical(rng: Rng) -> Signal:
    here, duty = scene(rng, per_period=(40, 150)), rng.uniform(0.08, 0.6)
    dark = switched(here, duty, slew_s=rng.uniform(0.1, 0.5) * min(duty, 1 - duty) * here.pitch_s)
    light = np.sin(np.pi / 2 * dark) ** 2  # a round beam over a straight edge
    return pulse_signal("optical", f"{here.mean_Hz:.4g} Hz, duty {duty:.0%}", here, hissed(4.5 * light + 0.2, rng))


def clean_keyway(rng: Rng) -> Signal:
    here, duty = scene(rng, per_period=(60, 300), pulses=(12, 80), rate_Hz=rng.uniform(5, 120)), rng.uniform(0.03, 0.1)
    dip = lagged(switched(here, duty, slew_s=0.15 * duty * here.pitch_s), 1)
    depth, runout = rng.uniform(3, 8), rng.uniform(0.02, 0.15)
    turn = np.interp(here.t, here.teeth_s, np.arange(len(here.teeth_s)))
    gap = -9 + depth * (rng.choice([-1, 1]) * dip + runout * np.sin(2 * np.pi * turn + rng.uniform(0, 6)))
    return pulse_signal("keyway", f"{here.mean_Hz:.4g} Hz, duty {duty:.1%}", here, hissed(gap, rng))


def run_up(rng: Rng) -> Signal:
    ratio = log_uniform(rng, 1.8, 5) ** rng.choice([-1, 1])
    here = scene(rng, per_period=(60, 150), pulses=(40, 160), run_up=ratio)
    ends = sorted((here.speed_Hz[0], here.speed_Hz[-1]))
    text = f"from {here.speed_Hz[0]:.4g} to {here.speed_Hz[-1]:.4g} Hz"
    return pulse_signal(
        "run-up", text, here, hissed(pickup(here, rng), rng), rates_Hz=(float(ends[0]), float(ends[1])), due=("speed",)
    )


def coarse(rng: Rng) -> Signal:
    here, is_coil, bits = scene(rng), rng.random() < 0.4, int(rng.integers(2, 9))
    bits = max(bits, 4) if is_coil else bits
    values = reluctance(here, rng) if is_coil else logic(here, rng)
    out = digitised(hissed(values, rng), bits, rng)
    return pulse_signal("coarse", f"{here.mean_Hz:.4g} Hz, {bits} bit", here, out)


def gaps(rng: Rng) -> Signal:
    here = scene(rng, pulses=(40, 240))
    values = hissed(pickup(here, rng), rng)
    for _ in range(int(rng.integers(1, 5))):
        at = rng.uniform(0.1, 0.85) * here.t[-1]
        length = min(rng.uniform(0.1, 6) * here.pitch_s, 0.05 * here.t[-1])
        values[(here.t >= at) & (here.t < at + length)] = NAN
    lost = float(np.isnan(values).mean())
    return pulse_signal("gaps", f"{here.mean_Hz:.4g} Hz, {lost:.1%} not recorded", here, values)


# --- what the way from the pickup adds


def reed(rng: Rng) -> Signal:
    rate, low, high = log_uniform(rng, 0.5, 30), 0.06, 0.25
    here, most = scene(rng, per_period=(200, 900), pulses=(12, 26), rate_Hz=rate), int(rng.integers(1, 7))
    is_fixed = rng.random() < 0.4
    spell = min(rng.uniform(3e-4, 3e-3) / here.pitch_s, 0.1)  # of the period, for all bounces
    spell = max(spell, (2 * most + 1) * 3 / (len(here.t) / len(here.teeth_s)))  # else the oscilloscope misses them
    spell = min(spell, high)
    closed = np.zeros_like(here.t, dtype=bool)
    for at in here.teeth_s:
        closed |= (here.t >= at) & (here.t < at + rng.uniform(0.45, 0.5) * here.pitch_s)
        bounces = most if is_fixed else int(rng.integers(1, most + 1))
        cuts = np.sort(rng.uniform(low * spell, spell, 2 * bounces)) * here.pitch_s
        if is_fixed:
            cuts = np.linspace(0.1, 1, 2 * bounces) ** 0.8 * spell * here.pitch_s
        for gone, back in cuts.reshape(-1, 2):
            shut = np.maximum(back, gone + 1.6 * here.t[1])
            closed &= ~((here.t >= at + gone) & (here.t < at + shut))
    pulled = lagged(np.where(closed, 0.05, 1.0), 0.3) * rng.choice([5.0, 12.0, 24.0])
    text = f"{here.mean_Hz:.4g} Hz, {'always' if is_fixed else 'up to'} {most} bounces in {spell:.1%} of the period"
    return pulse_signal(
        "bounce", text, here, hissed(pulled, rng, 10 ** rng.uniform(-4, -2.3)), due=("bounce",), may=("extra",)
    )


def droop(rng: Rng) -> Signal:
    here, duty = scene(rng, per_period=(30, 150)), rng.uniform(0.15, 0.8)
    whole, periods = switched(here, duty, slew_s=0.01 * here.pitch_s), log_uniform(rng, 0.25, 4)
    coupled = whole - lagged(whole, periods * here.pitch_s / here.t[1])
    text = f"{here.mean_Hz:.4g} Hz, duty {duty:.0%}, time constant {periods:.2f} periods"
    values = hissed(coupled * log_uniform(rng, 0.5, 12), rng)
    return pulse_signal("droop", text, here, values, may=("droop",))


def ringing(rng: Rng) -> Signal:
    here, size = scene(rng, per_period=(80, 250), pulses=(16, 90)), rng.uniform(0.15, 0.9)
    duty = rng.uniform(0.35, 0.6)
    values, samples = switched(here, duty, slew_s=0), len(here.t) / (here.t[-1] * here.mean_Hz)
    cycle, decay = rng.uniform(5, 0.08 * samples), rng.uniform(0.8, 2.5)
    edges = np.flatnonzero(np.abs(np.diff(values)) > 0.5) + 1
    rung = values.copy()
    tail = np.arange(int(6 * cycle * decay))
    shape = np.exp(-tail / (cycle * decay)) * np.sin(2 * np.pi * (tail + 0.7) / cycle)
    for at in (int(each) for each in edges):
        length = min(len(tail), len(values) - at)
        rung[at : at + length] += size * np.sign(values[at] - values[at - 1]) * shape[:length]
    text = f"{here.mean_Hz:.4g} Hz, rings by {size:.0%}, {cycle:.3g} samples a cycle"
    # Where it comes back beyond the middle, a counter without hysteresis would count it.
    due = ("ringing|extra|threshold",) if size * np.exp(-0.75 / decay) > 0.5 else ()
    may = ("ringing", "extra")
    return pulse_signal("ringing", text, here, hissed(5 * rung, rng, 0.002), due=due, may=may)


def inverter(t: Floats, rng: Rng, carrier_Hz: float) -> Floats:
    """Lines of a carrier, its double, and sidebands of once and twice the output frequency; rms about 1."""
    output, start = rng.uniform(8, 55), rng.uniform(0, 6, 12)
    out, which = np.zeros_like(t), 0
    for multiple, strength in ((1, 1.0), (2, rng.uniform(0.2, 0.7))):
        for side, part in ((0, 1.0), (-2, 0.5), (2, 0.5), (-1, 0.2), (1, 0.2)):
            turn = 2 * np.pi * (multiple * carrier_Hz + side * output) * t
            out += strength * part * np.sin(turn + start[which])
            which += 1
    out /= out.std()
    return out


def hash_on(rng: Rng) -> Signal:
    carrier = float(rng.choice([2000, 2500, 4000, 5000, 8000, 10000, 12000, 16000])) * rng.uniform(0.995, 1.005)
    samples_Hz = carrier * rng.uniform(5.5, 12)
    rate = log_uniform(rng, samples_Hz / 500, min(carrier / 6, samples_Hz / 40))
    per = samples_Hz / rate
    here = scene(rng, per_period=(per, per * 1.001), pulses=(25, 200), rate_Hz=rate)
    values, size = pickup(here, rng), log_uniform(rng, 0.015, 0.09)
    picked = values + size * swing(values) * inverter(here.t, rng, carrier)
    text = f"{here.mean_Hz:.4g} Hz, carrier {carrier:.0f} Hz, rms {size:.1%} of the swing"
    due = ("carrier",) if size > 0.03 else ()
    return pulse_signal("hash", text, here, hissed(picked, rng), due=due, may=("carrier", "bursts", "swing"))


def hum_on(rng: Rng) -> Signal:
    mains = float(rng.choice([50, 60])) * rng.uniform(0.999, 1.001)
    rate = mains * float(rng.choice([rng.uniform(0.08, 0.4), rng.uniform(2.3, 2.7), rng.uniform(4.2, 20)]))
    here = scene(rng, per_period=(40, 140), pulses=(60, 200), rate_Hz=rate)
    values, size = pickup(here, rng), rng.uniform(0.04, 0.2)
    size = size if rate > mains else size / 2
    hum = np.sin(2 * np.pi * mains * here.t + rng.uniform(0, 6))
    hum += rng.uniform(0, 0.3) * np.sin(6 * np.pi * mains * here.t)
    text = f"{here.mean_Hz:.4g} Hz, {mains:.2f} Hz by {size:.1%} of the swing"
    values = hissed(values + size * swing(values) * hum, rng)
    return pulse_signal("hum", text, here, values, due=("mains",), may=("swing",))


def carrier_on(rng: Rng) -> Signal:
    """A carrier with one pair of sidebands, and nothing else of an inverter, on pulses far slower."""
    carrier, output = log_uniform(rng, 2000, 9000), rng.uniform(15, 70)
    samples_Hz = carrier * rng.uniform(3.1, 9)
    rate = log_uniform(rng, 40, carrier / 12)
    length_s = max(60 / rate, 0.4)
    per = samples_Hz / rate
    here = scene(rng, per_period=(per, per * 1.001), pulses=(length_s * rate, length_s * rate * 1.01), rate_Hz=rate)
    values, size = pickup(here, rng), rng.uniform(0.03, 0.12)
    picked = sum(
        part * np.sin(2 * np.pi * (carrier + side * 2 * output) * here.t + rng.uniform(0, 6))
        for side, part in ((0, 1.0), (-1, 0.45), (1, 0.45))
    )
    text = f"{here.mean_Hz:.4g} Hz, carrier {carrier:.0f} Hz ± {2 * output:.0f} Hz, {size:.1%} of the swing"
    values = hissed(values + size * swing(values) * picked, rng, 0.003)
    return pulse_signal("carrier", text, here, values, due=("carrier",), may=("bursts", "swing"))


def rung_on(rng: Rng) -> Signal:
    """What rings at each switching of a bridge: a sine against a triangle, both edges, each with its sign."""
    carrier, output = log_uniform(rng, 2000, 6000), rng.uniform(10, 60)
    rate = log_uniform(rng, 60, 400)
    samples_Hz, length_s = carrier * rng.uniform(12, 25), max(30 / rate, 0.3)
    per = samples_Hz / rate
    here = scene(rng, per_period=(per, per * 1.001), pulses=(length_s * rate, length_s * rate * 1.01), rate_Hz=rate)
    values, size = pickup(here, rng), rng.uniform(0.08, 0.4)
    high = size * swing(values)
    fine = np.arange(int(here.t[-1] * samples_Hz * 20)) / (20 * samples_Hz)
    state = 0.8 * np.sin(2 * np.pi * output * fine) > 4 * np.abs((carrier * fine) % 1 - 0.5) - 1
    rings, cycles = carrier * rng.uniform(1.7, 4.5), rng.uniform(1, 2.5)
    for at in np.flatnonzero(np.diff(state)):
        begin, end = np.searchsorted(here.t, (fine[at], fine[at] + 6 * cycles / rings))
        after = here.t[begin:end] - fine[at]
        sign = 1 if state[at + 1] else -1
        values[begin:end] += high * sign * np.exp(-after * rings / cycles) * np.sin(2 * np.pi * rings * after)
    text = f"{here.mean_Hz:.4g} Hz, rings at {rings:.0f} Hz with each switching of {carrier:.0f} Hz, {size:.0%}"
    return pulse_signal(
        "rung", text, here, hissed(values, rng, 0.002), due=("carrier",), may=("bursts", "ringing", "swing")
    )


# --- wheels


def eccentric(rng: Rng) -> Signal:
    teeth, size = int(rng.integers(6, 61)), rng.uniform(0.02, 0.09)
    turns = rng.uniform(4, 9)
    here = scene(
        rng,
        per_period=(30, 60),
        pulses=(teeth * turns, teeth * turns + 1),
        move=lambda which: size * teeth / 6 / np.pi * np.sin(2 * np.pi * which / teeth),
    )
    text = f"{here.mean_Hz:.4g} Hz, {teeth} teeth, spacing out by {size * 100 / 3:.1f} %"
    values = hissed(logic(here, rng), rng, 0.002)
    return pulse_signal(
        "eccentric", text, here, values, rates_Hz=counted(here, 0.01), due=("runout",), may=("uneven", "swing"),
        wheel_n=teeth,
    )  # fmt: skip


def missing_tooth(rng: Rng) -> Signal:
    teeth, gone = int(rng.choice([12, 16, 24, 36, 60])), int(rng.integers(1, 3))
    turns = rng.uniform(3.5, 9)
    here = scene(
        rng, per_period=(24, 60), pulses=(teeth * turns, teeth * turns + 1), keep=lambda which: which % teeth >= gone
    )
    text = f"{here.mean_Hz:.4g} Hz, {teeth} teeth less {gone}"
    # The rate of the pitch, or of what is counted: both are told by practitioners.
    rates = (here.mean_Hz * (1 - gone / teeth) * 0.97, here.mean_Hz * 1.006)
    is_stated = rng.random() < 0.6
    return pulse_signal(
        "missing tooth", text, here, hissed(pickup(here, rng), rng), rates_Hz=rates, due=("missing",),
        may=("uneven", "runout"), wheel_n=teeth if is_stated else None,
    )  # fmt: skip


def uneven_teeth(rng: Rng) -> Signal:
    teeth, out = int(rng.integers(4, 31)), rng.uniform(0.07, 0.22) * rng.choice([-1, 1])
    turns = rng.uniform(5, 12)
    here = scene(
        rng,
        per_period=(40, 80),
        pulses=(teeth * turns, teeth * turns + 1),
        move=lambda which: np.where(which % teeth == 1, out, 0.0),
    )
    text = f"{here.mean_Hz:.4g} Hz, one tooth of {teeth} out by {out:.1%} of the pitch"
    values = hissed(logic(here, rng, duty=rng.uniform(0.3, 0.5)), rng, 0.002)
    return pulse_signal(
        "uneven teeth", text, here, values, rates_Hz=counted(here, 0.012), due=("uneven|runout",),
        may=("swing",), wheel_n=teeth,
    )  # fmt: skip


def height(rng: Rng) -> Signal:
    """A gap that changes as the wheel turns: the height swings, and the spacing does not."""
    teeth, size = int(rng.integers(9, 31)), rng.uniform(0.08, 0.25)
    here = scene(rng, per_period=(40, 120), pulses=(12 * teeth, 14 * teeth))
    sizes = 1 + size * np.sin(2 * np.pi * (np.arange(teeth) / teeth + rng.random()))
    values = hissed(reluctance(here, rng, height=sizes), rng, 0.002)
    text = f"{here.mean_Hz:.4g} Hz, height of {teeth} teeth swings by {size:.0%}"
    return pulse_signal("height", text, here, values, due=("height",), may=("swing", "uneven"))


def worn_tooth(rng: Rng) -> Signal:
    teeth, left = int(rng.integers(8, 31)), rng.uniform(0.12, 0.5)
    turns = rng.uniform(4, 9)
    here = scene(rng, per_period=(30, 70), pulses=(teeth * turns, teeth * turns + 1))
    heights = np.ones(teeth)
    heights[int(rng.integers(teeth))] = left
    text = f"{here.mean_Hz:.4g} Hz, one tooth of {teeth} at {left:.0%}"
    rates = (here.mean_Hz * (1 - 1 / teeth) * 0.97, here.mean_Hz * 1.006)
    values = hissed(reluctance(here, rng, height=heights), rng, 0.003)
    return pulse_signal(
        "worn tooth", text, here, values, rates_Hz=rates, due=("height|missing",),
        may=("uneven", "runout", "swing"), wheel_n=teeth,
    )  # fmt: skip


def lost_pulses(rng: Rng) -> Signal:
    at, n = {int(each) for each in rng.choice(np.arange(6, 60), int(rng.integers(1, 5)), replace=False)}, 0
    here = scene(rng, pulses=(70, 220), keep=lambda which: ~np.isin(which, list(at)))
    n = len(at)
    text = f"{here.mean_Hz:.4g} Hz, {n} lost"
    rates = (here.mean_Hz * (1 - n / 60) * 0.99, here.mean_Hz * 1.006)
    return pulse_signal("lost", text, here, hissed(pickup(here, rng), rng), rates_Hz=rates, due=("missing",))


def doubled_pulses(rng: Rng) -> Signal:
    here = scene(rng, per_period=(60, 160), pulses=(30, 150))
    values, size = logic(here, rng, duty=rng.uniform(0.3, 0.5)), rng.uniform(0.7, 1.0)
    low, high = float(values.min()), float(values.max())
    inside = here.teeth_s[(here.teeth_s > 0) & (here.teeth_s < here.t[-1] - here.pitch_s)]
    hit = rng.choice(inside, max(2, int(len(inside) * rng.uniform(0.03, 0.2))), replace=False)
    lag = rng.uniform(0.62, 0.85)
    for at in hit:
        begin = at + (lag + rng.normal(0, 0.01)) * here.pitch_s
        spot = (here.t >= begin) & (here.t < begin + 0.05 * here.pitch_s)
        rest = values[spot] > (low + high) / 2
        values[spot] += np.where(rest, -size, size) * (high - low)
    rates = (here.mean_Hz * 0.994, here.mean_Hz * (1 + 1.1 * len(hit) / len(inside)) + 0.01)
    text = f"{here.mean_Hz:.4g} Hz, {len(hit)} of {len(inside)} doubled"
    return pulse_signal("doubled", text, here, hissed(values, rng, 0.003), rates_Hz=rates, due=("extra",))


def clipped(rng: Rng) -> Signal:
    here = scene(rng, per_period=(30, 120))
    values, share = hissed(reluctance(here, rng), rng), rng.uniform(0.35, 0.75)
    edge = share * np.abs(values).max()
    out = digitised(np.clip(values, -edge, edge), 8, rng, room=1.0)
    return pulse_signal("clipped", f"{here.mean_Hz:.4g} Hz, at {share:.0%}", here, out, due=("clipped",))


# --- no, or too few, pulses


def few(rng: Rng) -> Signal:
    n, samples = int(rng.integers(1, 8)), int(rng.integers(1500, 12000))
    rate = log_uniform(rng, 1, 500)
    length = n / rate
    t = np.arange(samples) / samples * length
    first = rng.uniform(0.2, 0.6) / rate if n > 1 else rng.uniform(0.3, 0.6) / rate
    at = first + np.arange(n) / rate
    here = Scene(t=t, speed_Hz=np.full(samples, rate), teeth_s=at)
    values = hissed(logic(here, rng, duty=rng.uniform(0.2, 0.38)), rng)
    # Of five to seven a rate may well be told; that there are few is said all the same.
    rates = about(rate, 0.02) if n > 1 else ()
    return Signal(
        family="few", text=f"{n} pulses of {rate:.4g} Hz", times_s=t, values=values, rates_Hz=rates,
        is_rate_due=False, due=("longer",), may=("edge",),
    )  # fmt: skip


def edge(rng: Rng) -> Signal:
    n = int(rng.integers(800, 10000))
    t = np.arange(n) * log_uniform(rng, 1e-6, 1e-3)
    up, size = (np.arange(n) > rng.uniform(0.15, 0.85) * n).astype(float), rng.choice([3.3, 5, 12, 24])
    values = hissed(size * lagged(up if rng.random() < 0.5 else 1 - up, rng.uniform(0.3, 8)), rng)
    return Signal(family="edge", text=f"one edge of {size} V", times_s=t, values=values, due=("longer|edge",))


def flat(rng: Rng) -> Signal:
    n, level = int(rng.integers(500, 10000)), rng.choice([0.0, 0.02, 5.0, 23.8])
    t = np.arange(n) * log_uniform(rng, 1e-6, 1e-3)
    values, is_dead = np.full(n, level), rng.random() < 0.5
    if not is_dead:
        step = log_uniform(rng, 1e-3, 0.05)
        values = step * np.round((values + rng.normal(0, rng.uniform(0.2, 1) * step, n)) / step)
    kinds = ("white", *FLICKER)
    return Signal(
        family="flat", text=f"{level} V, {'dead' if is_dead else 'hiss'}", times_s=t, values=values,
        due=("longer|flat",), kinds=kinds,
    )  # fmt: skip


def hiss(rng: Rng) -> Signal:
    n = int(rng.integers(1000, 12000))
    t = np.arange(n) * log_uniform(rng, 1e-6, 1e-3)
    values = rng.normal(rng.uniform(-1, 5), log_uniform(rng, 0.001, 1), n)
    return Signal(family="hiss", text="white", times_s=t, values=values, kinds=("white",), may=("longer",))


def hum_alone(rng: Rng) -> Signal:
    n, mains = int(rng.integers(2000, 10000)), float(rng.choice([50, 60])) * rng.uniform(0.999, 1.001)
    t = np.arange(n) / n * rng.uniform(0.2, 1.2)
    values = np.sin(2 * np.pi * mains * t + 1) + rng.uniform(0, 0.25) * np.sin(6 * np.pi * mains * t + 2)
    values = hissed(log_uniform(rng, 0.02, 2) * values, rng, rng.uniform(0.005, 0.08))
    return Signal(
        family="hum alone", text=f"{mains:.2f} Hz", times_s=t, values=values, rates_Hz=about(mains), is_rate_due=False,
        due=("mains",), kinds=("mains",), may=("swing",),
    )  # fmt: skip


def hash_alone(rng: Rng) -> Signal:
    carrier, n = rng.uniform(2000, 16000), int(rng.integers(4000, 12000))
    t = np.arange(n) / (carrier * rng.uniform(6, 15))
    values = 0.3 * inverter(t, rng, carrier) + rng.normal(0, rng.uniform(0.01, 0.1), n)
    return Signal(
        family="hash alone", text=f"carrier {carrier:.0f} Hz", times_s=t, values=values, rates_Hz=about(carrier),
        is_rate_due=False, due=("carrier",), kinds=("periodic", "carrier", "inverter"),
        may=("swing", "bursts"),
    )  # fmt: skip


# --- captures of a meter


def readings(rng: Rng, *, least: int = 64, most: int = 800) -> tuple[Floats, Floats, float]:
    """Times, ones, and a true level of a current loop in mA."""
    n, every = int(log_uniform(rng, least, most)), log_uniform(rng, 0.02, 1)
    return np.arange(n) * every, np.ones(n), rng.uniform(4, 20)


def capture(family: str, text: str, times_s: Floats, values: Floats, **more: object) -> Signal:
    signal = Signal(family=family, text=text, times_s=times_s, values=values, is_trace=False, unit="mA")
    return replace(signal, **more)  # type: ignore[arg-type]


def white(rng: Rng) -> Signal:
    t, one, level = readings(rng)
    sd = log_uniform(rng, 1e-4, 0.05)
    return capture("white", f"sd {sd:.2g}", t, level * one + rng.normal(0, sd, t.size), kinds=("white",), level=level)


def display(rng: Rng) -> Signal:
    t, one, level = readings(rng)
    step, part = float(rng.choice([1e-3, 2e-3, 5e-3, 0.01])), rng.uniform(0.12, 0.45)
    values = step * np.round((level * one + rng.normal(0, part * step, t.size)) / step)
    stated = step if rng.random() < 0.5 else 0.0
    text = f"steps {step}, sd {part:.2f} of one{'' if stated else ', not stated'}"
    return capture("display", text, t, values, kinds=FLICKER, resolution=stated)


def steady(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=200, most=9000)
    step, rare = float(rng.choice([1e-3, 5e-3, 0.01])), log_uniform(rng, 4 / t.size, 0.1)
    side = rng.choice([-1, 1], 1 if rng.random() < 0.5 else t.size)
    away = rng.random(t.size) < rare
    away[[t.size // 7, t.size // 2]] = True  # else nothing may be there to tell
    values = step * (np.round(level / step) * one + away * side)
    stated = step if rng.random() < 0.3 else 0.0
    text = f"{rare:.1%} one step of {step} away{'' if stated else ', not stated'}"
    return capture("steady", text, t, values, kinds=FLICKER, resolution=stated)


def hum_read(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=100)
    mains, sd = float(rng.choice([50, 60])) + rng.uniform(-0.05, 0.05), log_uniform(rng, 1e-4, 0.01)
    # Not so near a multiple of the reading rate that it looks like a drift.
    while not 0.06 < (mains * t[1]) % 1 < 0.94 or abs((mains * t[1]) % 1 - 0.5) < 0.03:
        t = t * rng.uniform(0.9, 1.1)
    size = sd * rng.uniform(1, 5)
    values = level * one + size * np.sin(2 * np.pi * mains * t + rng.uniform(0, 6)) + rng.normal(0, sd, t.size)
    return capture("hum read", f"{mains:.2f} Hz, {size / sd:.1f} sd", t, values, kinds=PERIODIC, level=level)


def pink(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=250, most=2000)
    n, sd = t.size, log_uniform(rng, 1e-4, 0.02)
    lines = np.fft.rfft(rng.normal(0, 1, 4 * n))
    lines[1:] /= np.sqrt(np.arange(1, lines.size))
    lines[0] = 0
    values = np.fft.irfft(lines)[:n]
    values = level * one + sd * values / values.std()
    return capture("1/f", "1/f", t, values, kinds=(*SLOW, "unknown"))


def wander(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=120)
    memory, sd = log_uniform(rng, 4, 0.12 * t.size), log_uniform(rng, 1e-3, 0.02)
    slow = lagged(rng.normal(0, 1, t.size), memory)
    values = level * one + sd * (slow / slow.std() + rng.normal(0, rng.uniform(0.05, 0.4), t.size))
    return capture("wander", f"memory {memory:.0f} readings", t, values, kinds=SLOW)


def drift(rng: Rng) -> Signal:
    t, one, level = readings(rng)
    sd, share = log_uniform(rng, 1e-4, 0.01), t / t[-1]
    size, is_line = sd * rng.uniform(4, 30) * rng.choice([-1, 1]), rng.random() < 0.5
    way = share if is_line else 1 - np.exp(-share / rng.uniform(0.1, 0.4))
    values = level * one + size * way + rng.normal(0, sd, t.size)
    return capture(
        "drift", f"{size / sd:.0f} sd, {'even' if is_line else 'warming'}", t, values, kinds=("drift", "warm")
    )


def spikes(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=100)
    sd, share = log_uniform(rng, 1e-4, 0.01), rng.uniform(0.03, 0.2)
    hit = rng.random(t.size) < share
    hit[:4] |= hit.sum() < 4
    size = sd * rng.uniform(8, 60) * rng.choice([-1, 1])
    thrown = hit * size * rng.weibull(rng.uniform(1, 2), t.size)
    values = level * one + thrown + rng.normal(0, sd, t.size)
    return capture("spikes", f"{share:.0%} by {size / sd:.0f} sd", t, values, kinds=("bursts", "spike"), level=level)


def contact(rng: Rng) -> Signal:
    t, _, level = readings(rng, least=100)
    sd, chance, stay = log_uniform(rng, 1e-4, 0.01), rng.uniform(0.01, 0.04), rng.uniform(0.1, 0.6)
    is_open, state = np.zeros(t.size, dtype=bool), False
    for index in range(t.size):
        state = rng.random() < (stay if state else chance)
        is_open[index] = state
    is_open[t.size // 2] = is_open[t.size // 3] = True
    left = rng.choice([0.0, rng.uniform(0, 0.6) * level])
    values = np.where(is_open, left, level) + rng.normal(0, sd, t.size)
    return capture(
        "contact", f"{is_open.mean():.1%} fall to {left:.2f}", t, values, kinds=("contact",), level=level
    )  # fmt: skip


def telegraph(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=200, most=1500)
    sd = log_uniform(rng, 1e-4, 0.005)
    gap, leave = sd * rng.uniform(4, 15), [1 / rng.uniform(4, t.size / 16) for _ in range(2)]
    state, states = int(rng.integers(2)), np.empty(t.size)
    for index in range(t.size):
        state ^= int(rng.random() < leave[state])
        states[index] = state
    values = level * one + gap * states + rng.normal(0, sd, t.size)
    true = level + gap * leave[0] / (leave[0] + leave[1])
    text = f"{gap / sd:.1f} sd, stays {1 / leave[0]:.0f} and {1 / leave[1]:.0f}"
    return capture("telegraph", text, t, values, kinds=("telegraph", "unknown"), level=true)


def counter(rng: Rng) -> Signal:
    n, gate = int(log_uniform(rng, 64, 800)), float(rng.choice([0.1, 0.2, 0.5, 1]))
    rate = log_uniform(rng, 20, 5000)
    rate = (np.floor(rate * gate) + rng.uniform(0.08, 0.92)) / gate
    begin = np.arange(n) * (gate + rng.uniform(0, 0.03)) + rng.random()
    turned = rate * (begin + rng.normal(0, 1e-3 / rate, n))
    pulses = np.floor(turned + rate * gate) - np.floor(turned)
    is_stated = rng.random() < 0.6
    return capture(
        "counter", f"{rate:.5g} Hz, gate {gate} s", begin, pulses / gate, kinds=FLICKER, level=rate, unit="Hz",
        aperture_s=gate if is_stated else 0.0, is_counted=is_stated,
    )  # fmt: skip


def tails(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=200, most=2000)
    sd, freedom = log_uniform(rng, 1e-4, 0.01), rng.choice([2.0, 2.5, 3.0])
    values = level * one + sd * rng.standard_t(freedom, t.size)
    return capture("tails", f"t of {freedom}", t, values, kinds=("tail", "unknown"), level=level)


def step(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=100)
    sd = log_uniform(rng, 1e-4, 0.01)
    away = (np.arange(t.size) > t.size * rng.uniform(0.15, 0.85)) * sd * rng.uniform(4, 25) * rng.choice([-1, 1])
    return capture("step", "one step", t, level * one + away + rng.normal(0, sd, t.size), kinds=("step", "unknown"))


def both_sides(rng: Rng) -> Signal:
    """Bursts of some readings, each of any sign."""
    t, one, level = readings(rng, least=200)
    sd, share, stay = log_uniform(rng, 1e-4, 0.01), rng.uniform(0.03, 0.12), rng.uniform(1, 8)
    loud, state = np.zeros(t.size, dtype=bool), False
    for index in range(t.size):
        state = rng.random() > 1 / stay if state else rng.random() < share / (1 - share) / stay
        loud[index] = state
    values = level * one + rng.normal(0, sd, t.size) + loud * rng.normal(0, sd * rng.uniform(8, 20), t.size)
    return capture("both sides", f"bursts of {stay:.1f} readings", t, values, kinds=("unknown", "white"), level=level)


def uniform(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=100)
    values = level * one + log_uniform(rng, 1e-4, 0.05) * rng.uniform(-1, 1, t.size)
    return capture("uniform", "anywhere alike", t, values, kinds=("unknown", "white"), level=level)


def one_off(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=100)
    sd = log_uniform(rng, 1e-4, 0.01)
    values = level * one + rng.normal(0, sd, t.size)
    values[rng.integers(t.size)] += sd * rng.uniform(12, 60) * rng.choice([-1, 1])
    return capture("one off", "one reading off", t, values, kinds=("unknown", "white", "bursts"), level=level)


def walk(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=200)
    sd = log_uniform(rng, 1e-4, 0.002)
    values = level * one + np.cumsum(rng.normal(0, sd, t.size)) + rng.normal(0, rng.uniform(0, 2) * sd, t.size)
    return capture("walk", "random walk", t, values, kinds=("slow wander", "1/f", "drift", "unknown"))


def settling(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=100)
    sd, share = log_uniform(rng, 1e-4, 0.005), (t - t[0]) / (t[-1] - t[0])
    away = sd * rng.uniform(15, 80) * np.exp(-share / rng.uniform(0.08, 0.5))
    return capture(
        "settling", "a decay", t, level * one + away + rng.normal(0, sd, t.size), kinds=("warm-up", "unknown")
    )


PARTS: dict[str, tuple[str, ...]] = {
    "hum": PERIODIC,
    "drift": ("drift", "warm", "slow wander"),
    "spikes": ("bursts", "spike"),
    "contact": ("contact",),
    "wander": SLOW,
    "telegraph": ("telegraph",),
}


def mixture(rng: Rng) -> Signal:
    t, one, level = readings(rng, least=250, most=1200)
    sd, share = log_uniform(rng, 1e-3, 0.01), t / t[-1]
    names = [str(each) for each in rng.choice(list(PARTS), 2, replace=False)]
    while set(names) in ({"drift", "wander"}, {"spikes", "contact"}, {"telegraph", "wander"}, {"telegraph", "contact"}):
        names = [str(each) for each in rng.choice(list(PARTS), 2, replace=False)]
    values = level * one + rng.normal(0, sd, t.size)
    for name in names:
        if name == "hum":
            values += sd * rng.uniform(2, 5) * np.sin(2 * np.pi * rng.uniform(0.1, 0.42) * np.arange(t.size))
        elif name == "drift":
            values += sd * rng.uniform(8, 25) * share
        elif name == "spikes":
            values += sd * 25 * (rng.random(t.size) < 0.06) * rng.weibull(1.5, t.size)
        elif name == "contact":
            values -= level * 0.7 * (rng.random(t.size) < 0.03)
        elif name == "wander":
            slow = lagged(rng.normal(0, 1, t.size), rng.uniform(8, 30))
            values += sd * rng.uniform(2, 5) * slow / slow.std()
        else:
            turns = np.cumsum(rng.random(t.size) < 1 / rng.uniform(8, 25))
            values += sd * rng.uniform(6, 12) * (turns % 2)
    return capture("mixture", " and ".join(names), t, values, parts=tuple(PARTS[each] for each in names))


GROUPS: dict[str, dict[str, Callable[[Rng], Signal]]] = {
    "clean": {
        "reluctance": clean_reluctance,
        "hall": clean_hall,
        "optical": clean_optical,
        "keyway": clean_keyway,
        "run-up": run_up,
        "coarse": coarse,
        "gaps": gaps,
        "droop": droop,
        "ringing": ringing,
    },
    "faults": {
        "bounce": reed,
        "hash": hash_on,
        "hum": hum_on,
        "eccentric": eccentric,
        "missing tooth": missing_tooth,
        "uneven teeth": uneven_teeth,
        "worn tooth": worn_tooth,
        "lost": lost_pulses,
        "doubled": doubled_pulses,
        "clipped": clipped,
    },
    "no pulses": {
        "few": few,
        "edge": edge,
        "flat": flat,
        "hiss": hiss,
        "hum alone": hum_alone,
        "hash alone": hash_alone,
    },
    "captures": {
        "white": white,
        "display": display,
        "hum read": hum_read,
        "wander": wander,
        "drift": drift,
        "spikes": spikes,
        "contact": contact,
        "counter": counter,
    },
    "other captures": {
        "steady": steady,
        "1/f": pink,
        "telegraph": telegraph,
        "tails": tails,
        "mixture": mixture,
    },
    # What comes later stands last, so that the seeds of what was there give what they gave.
    "more faults": {
        "carrier": carrier_on,
        "rung": rung_on,
        "height": height,
    },
    "more captures": {
        "step": step,
        "both sides": both_sides,
        "uniform": uniform,
        "one off": one_off,
        "walk": walk,
        "settling": settling,
    },
}
FAMILIES = {name: make for group in GROUPS.values() for name, make in group.items()}


def signals(seed: int, each: int, family: str) -> Iterator[Signal]:
    """So many of a family; the first ones stay the same however many are asked for."""
    for number in range(each):
        yield FAMILIES[family](np.random.default_rng([seed, list(FAMILIES).index(family), number]))
