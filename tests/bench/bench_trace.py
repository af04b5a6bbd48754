"""How often a trace of known truth is told right: rate to a thousandth, and what is said and not said of it.

    python tests/bench/bench_trace.py [draws [kind or "" [seed]]]

Signals are formulas of this file, drawn anew each time; it shares no shape with what recognises them.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from sequencer.diagnosis.waveform import findings, trace_result
from sequencer.readings.waveform import TraceFile

SEED = 77  # not the one of development, which was 20
FAULTS = ("double counts", "missing", "swings", "clipped", "bounce", "flat end", "differs by", "revolution", "images")


@dataclass(kw_only=True)
class Case:
    """One signal with its truth: rate (None = none must be told), words that must and must not be said."""

    values: Any
    interval_s: float
    rate_Hz: float | None
    said: tuple[str, ...] = ()
    not_said: tuple[str, ...] = FAULTS
    settings: dict[str, Any] | None = None
    within: float = 1e-3

    @property
    def is_right(self) -> str:
        """ "" if all is right, else what is not."""
        t = np.arange(len(self.values)) * self.interval_s
        kept = np.isfinite(self.values)
        trace = TraceFile(times_s=t[kept], values=self.values[kept], name="a", unit="V", left_out_n=int((~kept).sum()))
        result = trace_result(trace, **(self.settings or {}))
        text = " ".join(each.what for each in findings(result)) + " " + result.no_train
        told = None if result.train is None else result.train.rate_Hz
        if (told is None) != (self.rate_Hz is None):
            return f"rate {told} for {self.rate_Hz}: {text[:150]}"
        if told is not None and self.rate_Hz is not None and abs(told / self.rate_Hz - 1) > self.within:
            return f"rate {told:.6g} for {self.rate_Hz:.6g}: {text[:150]}"
        lacking = [each for each in self.said if not any(word in text for word in each.split("|"))]
        not_said = self.not_said if "inverter" in self.said else (*self.not_said, "inverter")
        false = [each for each in not_said if each in text]
        return f"lacks {lacking}, false {false}: {text[:200]}" if lacking or false else ""


def edges(rng: np.random.Generator, rate_Hz: float, length_s: float, jitter: float = 0.0) -> Any:
    """Times of regular edges."""
    many = int(length_s * rate_Hz)
    return (np.arange(many) + rng.uniform(0.1, 0.9) + jitter * rng.normal(size=many)) / rate_Hz


def logic(t: Any, starts: Any, width_s: float, edge_s: float = 0.0) -> Any:
    """Pulses 0 to 1; edges straight over `edge_s`."""
    widths = np.broadcast_to(width_s, np.shape(starts))
    edge_s = max(edge_s, 1e-9)
    corners = np.stack((starts, starts + edge_s, starts + widths, starts + widths + edge_s), axis=1).ravel()
    return np.interp(t, corners, np.tile([0.0, 1.0, 1.0, 0.0], len(starts)))


def base(rng: np.random.Generator, samples: tuple[int, int] = (20, 200)) -> tuple[float, Any, float]:
    """Rate, times and length of a record of 40 to 800 periods."""
    rate_Hz = 10 ** rng.uniform(0.5, 3.7)
    per = rng.uniform(*samples)
    length_s = rng.uniform(40, 800) / rate_Hz
    return rate_Hz, np.arange(0, length_s, 1 / (rate_Hz * per)), length_s


def case_of(t: Any, values: Any, rate_Hz: float | None, **more: Any) -> Case:
    """A case on these times."""
    return Case(values=values, interval_s=float(t[1] - t[0]), rate_Hz=rate_Hz, **more)


def hashed(rng: np.random.Generator, values: Any, low: float = 0.002, high: float = 0.06) -> Any:
    """White hash, its sd 0.2 to 6 % of the swing."""
    return values + np.ptp(values) * 10 ** rng.uniform(np.log10(low), np.log10(high)) * rng.normal(size=len(values))


# -- clean ----------------------------------------------------------------------------------------------------------


def hall(rng: np.random.Generator) -> Case:
    """Logic of any duty with a little hash."""
    rate, t, length = base(rng)
    duty = rng.uniform(0.15, 0.85)
    swing = rng.choice([3.3, 5, 12, 24])
    return case_of(t, swing * hashed(rng, logic(t, edges(rng, rate, length), duty / rate)), rate)


def sine(rng: np.random.Generator) -> Case:
    """A sine about any mean."""
    rate, t, _ = base(rng, (6, 100))
    return case_of(t, hashed(rng, 0.3 * np.sin(2 * np.pi * rate * t + rng.uniform(0, 6)) + rng.uniform(-2, 2)), rate)


def trapezoid(rng: np.random.Generator) -> Case:
    """Slow edges: up to a third of the period."""
    rate, t, length = base(rng)
    return case_of(
        t, hashed(rng, logic(t, edges(rng, rate, length), 0.45 / rate, rng.uniform(0.02, 0.33) / rate)), rate
    )


def doublet(rng: np.random.Generator) -> Case:
    """A pickup that rests at 0 and swings up, then down, at each tooth."""
    rate, t, length = base(rng, (40, 200))
    width = rng.uniform(0.03, 0.12) / rate
    at = edges(rng, rate, length)
    near = at[np.clip(np.searchsorted(at, t), 0, len(at) - 1)]
    before = at[np.clip(np.searchsorted(at, t) - 1, 0, len(at) - 1)]
    x = np.where(np.abs(near - t) < np.abs(before - t), t - near, t - before) / width
    return case_of(t, hashed(rng, -x * np.exp(0.5 - x**2 / 2), 0.005, 0.05), rate)


def keyway(rng: np.random.Generator) -> Case:
    """Pulses of 2 to 10 % duty."""
    rate, t, length = base(rng, (150, 400))
    return case_of(t, hashed(rng, 5 * logic(t, edges(rng, rate, length), rng.uniform(0.02, 0.1) / rate)), rate)


def run_up(rng: np.random.Generator) -> Case:
    """A reluctance pickup while its speed doubles or more; the amplitude grows with it."""
    first, times = 10 ** rng.uniform(1, 3), rng.uniform(1.5, 4)
    length = rng.uniform(100, 600) / first
    t = np.arange(0, length, 1 / (first * times * rng.uniform(12, 60)))
    speed = first * (1 + (times - 1) * t / length)
    phase = first * (t + (times - 1) * t**2 / (2 * length))
    values = speed / first * np.sin(2 * np.pi * phase)
    mean = first * (1 + times) / 2
    return case_of(t, values + 0.02 * rng.normal(size=len(t)), mean, within=5e-3)


def coarse(rng: np.random.Generator) -> Case:
    """A digitiser of few levels, logic with edges: no clipping."""
    rate, t, length = base(rng)
    values = hashed(rng, 5 * logic(t, edges(rng, rate, length), 0.4 / rate, 0.05 / rate), 0.003, 0.01)
    step = 8 / 2 ** rng.integers(4, 9)
    return case_of(t, step * np.round(values / step), rate)


def ringing(rng: np.random.Generator) -> Case:
    """Ringing after both edges that stays below the thresholds of a good input."""
    rate, t, length = base(rng, (100, 300))
    at = edges(rng, rate, length)
    values = logic(t, at, 0.5 / rate)
    size, ring, decay = rng.uniform(0.1, 0.35), rate * rng.uniform(15, 25), rate * rng.uniform(15, 40)
    for start, sign in ((at, 1), (at + 0.5 / rate, -1)):
        last = start[np.clip(np.searchsorted(start, t) - 1, 0, len(start) - 1)]
        after = np.maximum(t - last, 0)
        values = values + sign * size * np.sin(2 * np.pi * ring * after) * np.exp(-decay * after) * (t > last)
    return case_of(t, hashed(rng, values, 0.002, 0.01), rate)


def droop(rng: np.random.Generator) -> Case:
    """AC-coupled logic: it droops, and finds its mean after the start."""
    rate, t, length = base(rng)
    values = logic(t, edges(rng, rate, length), rng.uniform(0.2, 0.8) / rate)
    keep = np.exp(-float(t[1] - t[0]) * rate / rng.uniform(1.0, 20))
    from scipy.signal import lfilter

    return case_of(t, hashed(rng, lfilter([1, -1], [1, -keep], values), 0.002, 0.02), rate)


def few_samples(rng: np.random.Generator) -> Case:
    """Six to ten samples a period."""
    rate, t, length = base(rng, (6, 10))
    return case_of(t, hashed(rng, 5 * logic(t, edges(rng, rate, length), 0.5 / rate), 0.001, 0.02), rate)


def gaps(rng: np.random.Generator) -> Case:
    """Stretches without numbers, none of them a fault."""
    rate, t, length = base(rng)
    values = hashed(rng, 5 * logic(t, edges(rng, rate, length), 0.5 / rate))
    for _ in range(rng.integers(1, 4)):
        at, many = rng.integers(0, len(t)), int(rng.uniform(0.3, 4) * len(t) / (length * rate))
        values[at : at + many] = np.nan
    return case_of(t, values, rate)


def wild(rng: np.random.Generator) -> Case:
    """One wild sample."""
    made = (hall, sine, doublet)[rng.integers(3)](rng)
    made.values[rng.integers(len(made.values))] = rng.choice([-1, 1]) * np.ptp(made.values) * rng.uniform(3, 1000)
    return made


def noisy(rng: np.random.Generator) -> Case:
    """Hash of 10 to 25 % of the swing: it takes a filter."""
    rate, t, length = base(rng, (60, 200))
    return case_of(t, hashed(rng, 5 * logic(t, edges(rng, rate, length), 0.5 / rate), 0.1, 0.25), rate)


# -- faults ---------------------------------------------------------------------------------------------------------


def missing(rng: np.random.Generator) -> Case:
    """Some pulses lost."""
    rate, t, length = base(rng)
    at = edges(rng, rate, length)
    lost = rng.choice(np.arange(2, len(at) - 2), rng.integers(1, max(len(at) // 20, 2)), replace=False)
    values = hashed(rng, 5 * logic(t, np.delete(at, lost), 0.4 / rate))
    return case_of(t, values, rate, said=("missing",), not_said=("clipped", "bounce", "double", "swings"))


def doubled(rng: np.random.Generator) -> Case:
    """Some pulses counted twice."""
    rate, t, length = base(rng, (50, 200))
    at = edges(rng, rate, length)
    twice = at[rng.uniform(size=len(at)) < rng.uniform(0.03, 0.9)][:-1]
    after = rng.uniform(0.12, 0.2) / rate
    starts = np.sort(np.concatenate((at, twice + after)))
    values = hashed(rng, 5 * logic(t, starts, 0.06 / rate), 0.002, 0.03)
    return case_of(t, values, rate, said=("double counts|bounce",), not_said=("clipped", "missing", "swings"))


def bounce(rng: np.random.Generator) -> Case:
    """A contact that bounces at closing, and perhaps at opening, at random or always alike."""
    rate = rng.uniform(1, 30)
    length = rng.uniform(20, 120) / rate
    t = np.arange(0, length, 1 / rate / rng.uniform(400, 1500))
    state = np.zeros(len(t))
    whole = rng.uniform(0.02, 0.09) / rate
    alike = rng.uniform() < 0.4
    at_opening = rng.uniform() < 0.5
    duty = rng.uniform(0.35, 0.65)
    many0 = rng.integers(2, 6)
    starts = edges(rng, rate, length)
    for start in starts:
        state[(t >= start) & (t < start + duty / rate)] = 1.0
        for begin, level in ((start, 0.0), (start + duty / rate, 1.0)):
            if level and not at_opening:
                continue
            many = many0 if alike else rng.integers(1, 6)
            marks = (np.arange(2 * many) + 1) / (2 * many) if alike else np.sort(rng.uniform(0, 1, 2 * many))
            for off, on in zip(begin + whole * marks[::2], begin + whole * marks[1::2], strict=True):
                state[(t >= off) & (t < on)] = level
    return case_of(t, hashed(rng, 24 * state, 0.002, 0.02), rate, said=("bounce",), not_said=("missing", "swings"))


def wheel_gap(rng: np.random.Generator) -> Case:
    """A missing tooth."""
    rate, t, _ = base(rng)
    teeth = int(rng.integers(12, 61))
    length = rng.uniform(6, 20) * teeth / rate
    t = np.arange(0, length, float(t[1] - t[0]))
    at = edges(rng, rate, length)
    at = at[np.arange(len(at)) % teeth != rng.integers(teeth)]
    values = hashed(rng, 5 * logic(t, at, 0.4 / rate))
    return case_of(t, values, rate, said=(f"missing once in {teeth}",), not_said=("clipped", "bounce", "double"))


def runout(rng: np.random.Generator) -> Case:
    """An eccentric wheel."""
    rate, teeth = 10 ** rng.uniform(1, 3), int(rng.integers(20, 61))
    length = rng.uniform(10, 25) * teeth / rate
    t = np.arange(0, length, 1 / rate / rng.uniform(30, 60))
    turn = 2 * np.pi * rate / teeth
    swing = rng.uniform(0.01, 0.05)
    values = np.sin(2 * np.pi * rate * t + teeth * swing * np.sin(turn * t))
    settings = {"pulses_per_revolution": teeth} if rng.uniform() < 0.5 else None
    return case_of(
        t, hashed(rng, values, 0.001, 0.01), rate, said=("swings",), not_said=("clipped", "missing", "double"),
        settings=settings,
    )  # fmt: skip


def weak_tooth(rng: np.random.Generator) -> Case:
    """One tooth at 10 to 50 % of the height of the rest."""
    rate, teeth = 10 ** rng.uniform(1, 3), int(rng.integers(12, 61))
    length = rng.uniform(6, 20) * teeth / rate
    t = np.arange(0, length, 1 / rate / rng.uniform(30, 60))
    number = np.floor(rate * t).astype(int) % teeth
    height = np.where(number == 5, rng.uniform(0.1, 0.5), 1.0)
    values = height * np.sin(np.pi * rate * t) ** 2
    values += 0.005 * rng.normal(size=len(t))
    return case_of(
        t, values, rate, said=("of the height",), not_said=("clipped", "bounce", "double"),
        settings={"pulses_per_revolution": teeth} if rng.uniform() < 0.5 else None,
    )  # fmt: skip


def hum(rng: np.random.Generator) -> Case:
    """Mains hum on a pickup."""
    rate, mains = rng.uniform(200, 3000), rng.choice([50.0, 60.0])
    length = rng.uniform(1, 2)
    t = np.arange(0, length, 1 / rate / rng.uniform(20, 40))
    values = np.sin(2 * np.pi * rate * t) + rng.uniform(0.05, 0.3) * np.sin(2 * np.pi * mains * t + 1)
    return case_of(t, hashed(rng, values, 0.002, 0.01), rate, said=("mains",), not_said=("something that turns",))


def inverter(rng: np.random.Generator) -> Case:
    """Carrier of a drive with sidebands on a pickup."""
    rate, carrier = rng.uniform(100, 900), rng.choice([2000, 4000, 8000]) * rng.uniform(0.99, 1.01)
    output = rng.uniform(15, 70)
    t = np.arange(0, 0.8, 1 / 60_000)
    size = rng.uniform(0.02, 0.08)
    values = np.sin(2 * np.pi * rate * t)
    for times, about in ((1, ((0, 1.0), (2, 0.4), (-2, 0.4))), (2, ((1, 0.5), (-1, 0.5), (3, 0.2), (-3, 0.2)))):
        for order, share in about:
            values = values + size * share * np.sin(2 * np.pi * (times * carrier + order * output) * t + order)
    return case_of(t, hashed(rng, values, 0.001, 0.005), rate, said=("sidebands", "inverter"), not_said=("clipped",))


# -- too few, or none ------------------------------------------------------------------------------------------------


def few(rng: np.random.Generator) -> Case:
    """One to six pulses."""
    many = int(rng.integers(1, 7))
    t = np.arange(0, many, 1 / rng.uniform(50, 500))
    values = hashed(rng, 5 * logic(t, edges(rng, 1.0, many), rng.uniform(0.1, 0.8)), 0.002, 0.04)
    return case_of(t, values, None, said=("too few", "record longer|at least"), not_said=("wander", "telegraph"))


def one_edge(rng: np.random.Generator) -> Case:
    """One edge up or down."""
    t = np.arange(0, 1, 1 / rng.uniform(200, 5000))
    values = hashed(rng, 5.0 * ((t > rng.uniform(0.1, 0.9)) == (rng.uniform() < 0.5)), 0.002, 0.04)
    return case_of(t, values, None, said=("too few",), not_said=("wander", "telegraph"))


def white(rng: np.random.Generator) -> Case:
    """Noise and nothing else."""
    t = np.arange(rng.integers(200, 20_000)) * 1e-3
    return case_of(t, 12 + 0.01 * rng.normal(size=len(t)), None, said=("white",))


def wander(rng: np.random.Generator) -> Case:
    """A random walk."""
    t = np.arange(rng.integers(500, 20_000)) * 1e-3
    return case_of(t, np.cumsum(rng.normal(size=len(t))) + rng.normal(size=len(t)), None, said=("wander|drift",))


def flat(rng: np.random.Generator) -> Case:
    """One level."""
    t = np.arange(500) * 1e-3
    return case_of(t, np.full(500, rng.uniform(-5, 5)), None, said=("flat",))


GROUPS: dict[str, tuple[Callable[[np.random.Generator], Case], ...]] = {
    "clean pulse trains": (
        hall, sine, trapezoid, doublet, keyway, run_up, coarse, ringing, droop, few_samples, gaps, wild, noisy,
    ),
    "faults of pulses and wheels": (
        missing, doubled, bounce, wheel_gap, runout, weak_tooth, hum, inverter,
    ),
    "no, or too few, pulses": (few, one_edge, white, wander, flat),
}  # fmt: skip


def main(draws: int, only: str = "", seed: int = SEED) -> None:
    """Print the share that is right, kind by kind."""
    for group, kinds in GROUPS.items():
        right_n, all_n = 0, 0
        for kind in kinds:
            if only and kind.__name__ != only:
                continue
            rng = np.random.default_rng([seed, *map(ord, kind.__name__)])
            wrong = [each for each in (kind(rng).is_right for _ in range(draws)) if each]
            right_n, all_n = right_n + draws - len(wrong), all_n + draws
            print(
                f"  {kind.__name__:12} {draws - len(wrong):4} of {draws}",
                *(f"\n      {w}" for w in wrong[: 8 if only else 1]),
            )
        if all_n:
            print(f"{group}: {right_n} of {all_n} ({100 * right_n / all_n:.1f} %)")


if __name__ == "__main__":
    given = (*sys.argv[1:], *("20", "", str(SEED))[len(sys.argv) - 1 :])
    main(int(given[0]), given[1], int(given[2]))
