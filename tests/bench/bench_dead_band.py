"""How the search for dead band and resolution does on drawn units: settings, coverage, and wrong answers.

The units here (play, stiction, stiction that varies, an elastic one, one without, steps) share no equation with the
search; each has a closed form. A row draws its own widths, phases and noise. "walk" is what a walk in fixed steps as
fine as the interval that was found takes for as many repeats. "wrong" counts ends of changes that do not hold.

    python tests/bench/bench_dead_band.py [units a row] [seed] [words of a row]
"""

import math
import sys
from dataclasses import dataclass, field

import numpy as np

from sequencer.evaluation.moved import Visit, changes, noise_of
from sequencer.evaluation.resolution import interval_of, next_visit
from sequencer.evaluation.searched import Place
from sequencer.evaluation.threshold import Wanted, found_of, next_move

PLACE, MOST = 50.0, 1.0
WANTED = Wanted(alpha=0.05, within=0.1, floor=0.05, most=MOST)
# Noise and digit in % of the span, drift in % a second, wandering in % per root second.
BENCHES = (
    ("no noise", 0.0, 0.0, 0.0, 0.0),
    ("small noise", 0.005, 0.002, 0.0, 0.0),
    ("noise 1 digit", 0.01, 0.01, 0.0, 0.0),
    ("noise 2 digits", 0.02, 0.01, 0.0, 0.0),
    ("noise 3 digits", 0.03, 0.01, 0.0, 0.0),
    ("coarse, quiet", 0.002, 0.1, 0.0, 0.0),
    ("coarse, noisy", 0.05, 0.1, 0.0, 0.0),
    ("drift", 0.005, 0.002, 0.0005, 0.0),
    ("wanders", 0.005, 0.002, 0.0, 0.005),
    ("wanders much", 0.005, 0.002, 0.0, 0.03),
)


class Play:
    def __init__(self, width, _):
        self.half, self.y = width / 2, None

    def __call__(self, x):
        self.y = x - self.half if self.y is None else min(max(self.y, x - self.half), x + self.half)
        return self.y


class Sticks:
    def __init__(self, width, _):
        self.width, self.held = width, None

    def __call__(self, x):
        if self.held is None or abs(x - self.held) > self.width:
            self.held = x
        return self.held


class SticksAnew(Sticks):
    """Each approach has a width of its own, from seven tenths of the largest up."""

    def __init__(self, width, random):
        super().__init__(width, random)
        self.largest, self.random = width, random

    def anew(self):
        self.width = self.largest * self.random.uniform(0.7, 1.0)


class Elastic:
    """Half of it follows at once, half has a play of 3 %: it answers any travel, by half of the way."""

    def __init__(self, _, random):
        self.inner = Play(3.0, random)

    def __call__(self, x):
        return (x + self.inner(x)) / 2


class Straight:
    def __init__(self, *_):
        pass

    def __call__(self, x):
        return x


class Steps:
    """Steps of one width, the first anywhere."""

    def __init__(self, width, random):
        self.width, self.phase = width, random.uniform()

    def __call__(self, x):
        return self.width * math.floor(x / self.width + self.phase)


class StepsOfNoise(Steps):
    """The same behind noise, as a display has: on a step its readings go to and fro."""

    scatter = 0.005

    def __init__(self, width, random):
        super().__init__(width, random)
        self.random, self.x = random, 0.0

    def __call__(self, x):
        self.x = x
        return super().__call__(x)

    def again(self):
        return super().__call__(self.x + self.scatter * self.random.normal())


UNITS = {"none": Straight, "play": Play, "sticks": Sticks, "sticks, varies": SticksAnew, "elastic": Elastic}


@dataclass
class Bench:
    """A unit on a bench with noise, digits, drift and wandering; counts what it costs."""

    unit: object
    noise: float
    digit: float
    drift: float
    wander: float
    random: np.random.Generator
    t: float = 0.0
    off: float = 0.0
    y: float = 0.0
    true: list = field(default_factory=list)
    settings_n: int = 0

    def set(self, x):
        self.settings_n += 1
        self.wait(5.0)
        self.y = self.unit(x)

    def wait(self, seconds):
        self.t += seconds
        self.off += self.drift * seconds + self.wander * math.sqrt(seconds) * self.random.normal()

    def read(self, n):
        values = []
        for _ in range(n):
            self.wait(0.1)
            y = self.unit.again() if hasattr(self.unit, "again") else self.y
            value = y + self.off + self.noise * self.random.normal()
            values.append(round(value / self.digit) * self.digit if self.digit else value)
        return float(np.mean(values)), float(np.std(values, ddof=1)) if n > 1 else 0.0


def approach(bench, at):
    if hasattr(bench.unit, "anew"):
        bench.unit.anew()
    bench.set(PLACE - 2 * MOST)
    bench.set(at)


def visited(bench, visits, move, *, at, sign):
    """One visit of a search; `at` is where the travel begins, `sign` its way."""
    number = visits[-1].approach if visits else 0
    if move.travel == 0:
        approach(bench, at)
        number += 1
    elif visits[-1].travel != move.travel:
        bench.set(at + sign * move.travel)
    mean, sd = bench.read(move.readings_n)
    bench.true.append(sign * bench.y)
    return Visit(
        approach=number, travel=move.travel, output=sign * mean, sd=sd, readings_n=move.readings_n, at_s=bench.t,
        went=move.travel,
    )  # fmt: skip


def dead_band(bench):
    visits = []
    while (move := next_move(visits, bench.digit, WANTED)) is not None:
        visits.append(visited(bench, visits, move, at=PLACE, sign=-1.0))
    wrong = ends_n = 0
    start = {each.approach: true for each, true in zip(visits, bench.true, strict=True) if each.is_reference}
    moved = {(each.approach, each.travel): true for each, true in zip(visits, bench.true, strict=True)}
    for each in changes(visits, noise_of(visits, bench.digit), WANTED.error_rate):
        true = moved[each.approach, each.travel] - start[each.approach]
        wrong += (each.low > true + 1e-9) + (each.high < true - 1e-9)
        ends_n += 2
    return found_of(visits, bench.digit, WANTED), wrong, ends_n


def resolution(bench):
    known = {}
    while True:
        places = tuple(
            Place(
                at_pct=at, visits=tuple(visits), numbers_n=len(visits), digit=bench.digit, slope=1.0, is_read=True,
                is_there=at == max(known),
            )
            for at, visits in sorted(known.items())
        )  # fmt: skip
        wanted = next_visit(PLACE, WANTED, places)
        if wanted is None:
            return interval_of(PLACE, WANTED, places)
        visits = known.setdefault(round(wanted.from_pct, 9), [])
        visits.append(visited(bench, visits, wanted.move, at=wanted.from_pct, sign=1.0))


def row(kind, name, noise, digit, drift, wander, units_n, seed):
    held, settings, walks, missed, wrong, ends_n = 0, [], [], 0, 0, 0
    for number in range(units_n):
        random = np.random.default_rng([seed, number])
        width = 0.0 if kind in {"none", "elastic", "no steps"} else float(np.exp(random.uniform(*np.log((0.06, 0.9)))))
        made = {"steps": Steps, "steps of noise": StepsOfNoise, "no steps": Straight}.get(kind) or UNITS[kind]
        bench = Bench(made(width, random), noise, digit, drift, wander, random, off=random.uniform())
        bench.set(PLACE - 5)
        bench.settings_n = 0
        if "steps" in kind:
            low, high = resolution(bench)
        else:
            found, bad, of = dead_band(bench)
            low, high, wrong, ends_n = found.low, found.high, wrong + bad, ends_n + of
        settings.append(bench.settings_n)
        if math.isnan(high):
            missed += 1
            continue
        # The largest of approaches that differ lies between the least and the largest there are.
        least = 0.7 * width if "varies" in kind else width
        held += low <= width + 1e-9 and high >= least - 1e-9
        walks.append(WANTED.repeats * (2 + math.ceil(MOST / max(high - low, 1e-9))))
    found_n = units_n - missed
    print(
        f"{kind:15} {name:15} {held / max(found_n, 1):6.3f} {missed:7} {np.mean(settings):9.1f}"
        f" {np.quantile(settings, 0.95):6.0f} {np.median(walks) if walks else math.nan:6.0f} {wrong:6} of {ends_n}",
        flush=True,
    )


def main():
    units_n = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    picked = sys.argv[3] if len(sys.argv) > 3 else ""
    print("unit            bench            holds  not fd.  settings   95 %   walk  wrong ends")
    for kind in (*UNITS, "steps", "steps of noise", "no steps"):
        for bench in BENCHES:
            if picked in f"{kind}, {bench[0]}":
                row(kind, *bench, units_n, seed)


if __name__ == "__main__":
    main()
