"""Whether the intervals that are printed hold the truth: `python tests/bench/bench_coverage.py [--units 400] [CASE
...]`.

Instruments and units are drawn here, with other code than the one that judges them: each instrument has one error all
    through
a run, drawn within what is stated of it; readings scatter, are rounded, and shift from cycle to cycle. The truth of
each figure is computed from the unit's own curve. For each interval: how often it held the truth, in %, and how long it
was on average against the shortest of one length that would have held it in 95.45 % (which knows what no run can know).

Sources: coverage as a check on an uncertainty, JCGM 101:2008 8 and GUM 6.2.2 (from memory). Nominal: 95.45 %.
"""

import argparse
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # runs from a checkout that is not installed

from instruments.errors import InputError
from sequencer.evaluation.budget import Basis, Limits, Statement
from sequencer.evaluation.evaluate import evaluate
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.table import COLUMNS, tidy

P = np.linspace(0, 1, 6)


@dataclass(frozen=True, kw_only=True)
class Meter:
    """An instrument: half widths of its accuracy, its step, its noise; `error` says how its error is drawn."""

    of_reading: float = 0.0
    floor: float = 0.0
    step: float = 0.0
    noise: float = 0.0
    certificate: tuple[float, float] | None = None  # U at k = 2: share of the reading, floor

    def stated(self, tap, name, **more):
        certificate = (
            None if self.certificate is None else Limits(of_reading=self.certificate[0], floor=self.certificate[1])
        )
        accuracy = Limits(of_reading=self.of_reading, floor=self.floor)
        return Statement(
            tap=tap, instrument=name, accuracy=accuracy, resolution=self.step, certificate=certificate, **more
        )

    def drawn(self, random, case):
        """One error of this instrument, as a function of the signal."""
        # Gain and offset are one error, or apart, each within its own limit.
        part = np.full(2, random.uniform(-1, 1)) if case.drawn == "one" else random.uniform(-1, 1, 2)
        normal = np.full(2, random.standard_normal()) / 2
        own = (0.0, 0.0) if self.certificate is None else self.certificate

        def error(level):
            return (
                part[0] * self.of_reading * level
                + part[1] * self.floor
                + normal[0] * own[0] * np.abs(level)
                + normal[1] * own[1]
            )

        return error


@dataclass(frozen=True, kw_only=True)
class Case:
    """What is simulated."""

    name: str
    reference: Meter | None
    meter: Meter
    cycles: int = 2
    n: int = 3
    drawn: str = "one"
    visit_sd: float = 0.0  # of the unit, mA
    shift_sd: float = 0.0  # from cycle to cycle, mA
    bow: float = 0.01  # mA
    loop: float = 0.0  # hysteresis, mA
    correlation: float | None = None
    input_range: tuple[float, float, str] = (0.0, 1000.0, "Hz")
    root: bool = False
    sensor: str = ""
    places: np.ndarray = field(default_factory=lambda: P)


def sheet_of(case):
    low, high, unit = case.input_range
    sensor = f", sensor: {{{case.sensor}}}" if case.sensor else ""
    text = {"type": "invented", "output": {"range": "4 .. 20 mA"}, "tolerance": "1 % of span"}
    text["input"] = {"range": f"{low:g} .. {high:g} {unit}"} | ({"sensor": {"rtd": "Pt100"}} if sensor else {})
    if case.root:
        text["characteristic"] = "square root"
    return TypeSheet.model_validate(text)


def rounded(level, step):
    return step * np.round(level / step) if step else level


class Unit:
    """One unit and one bench, drawn."""

    def __init__(self, case, sheet, random):
        self.case, self.random, self.data = case, random, sheet.datasheet()
        self.first = self.data.taps[0]
        self.reference = None if case.reference is None else case.reference.drawn(random, case)
        self.meter = case.meter.drawn(random, case)
        self.coefficients = random.normal(0, [0.02, 0.02, case.bow])
        self.hysteresis = case.loop * random.uniform(0.5, 1.0)

    def own(self, frac, direction):
        """Error of the unit, mA: offset, slope, bow, and half the loop to each side."""
        a, b, c = self.coefficients
        side = self.hysteresis / 2 * (1 if direction else -1) * np.sin(np.pi * np.clip(frac, 0, 1))
        return a + b * frac + c * (1 - (2 * frac - 1) ** 2) + side

    def table(self):
        case, random, rows = self.case, self.random, []
        signal_at = self.first.to_signal(self.first.value(case.places))
        stuck = random.uniform(-0.3, 0.3) * (case.reference.step if case.reference else 0)
        for cycle in range(case.cycles):
            shift = random.normal(0, case.shift_sd) if case.shift_sd else 0.0
            order = [(i, 0) for i in range(len(case.places))] + [(i, 1) for i in range(len(case.places) - 1)][::-1]
            for point, down in order:
                signal = signal_at[point] + stuck
                value = self.first.to_value(np.array(signal))
                frac = float(self.first.fraction(value))
                y = (
                    float(self.data.ideal(np.array(value)))
                    + self.own(frac, down)
                    + shift
                    + random.normal(0, case.visit_sd)
                )
                for reading in range(case.n):
                    if case.reference is not None:
                        noisy = signal + self.reference(signal) + random.normal(0, case.reference.noise)
                        read = float(self.first.to_value(np.array(rounded(noisy, case.reference.step))))
                        rows.append((cycle + 1, "down" if down else "up", point, reading, "input", read))
                    shown = rounded(y + self.meter(y) + random.normal(0, case.meter.noise), case.meter.step)
                    rows.append((cycle + 1, "down" if down else "up", point, reading, "output", shown))
        frame = pd.DataFrame(rows, columns=["cycle", "direction", "point", "reading", "tap", "value"])
        frame["setpoint_pct"] = 100 * case.places[frame["point"]]
        more = {"serial": "1", "step": 1, "step_name": "traverse", "role": "reading", "attempt": 1, "correction": 0}
        frame = frame.assign(
            **more,
            settling="steady",
            to_go=0.0,
            unit=frame["tap"].map({"input": self.first.unit, "output": "mA"}),
            raw="",
        )
        for name in COLUMNS:
            if name not in frame:
                frame[name] = "" if COLUMNS[name] == "str" else np.nan
        return tidy(frame[list(COLUMNS)].to_dict("records"))

    def truths(self):
        """Of each figure, % of span."""
        frac = self.case.places
        up, down = (100 / 16 * self.own(frac, way) for way in (0, 1))
        down[-1] = up[-1]
        average = (up + down) / 2
        deviation = average - (average[0] + (average[-1] - average[0]) * frac)
        slopes = np.array([(average[j] - average[i]) / (frac[j] - frac[i]) for i in range(len(frac)) for j in range(i)])
        half = min(
            np.ptp(average - s * frac) / 2 for s in slopes
        )  # the narrowest band goes along two points of one side
        from_zero = [np.abs(average - average[0] - s * frac).max() for s in np.linspace(-8, 8, 20001) / 100 * 4]
        x = np.concatenate([frac, frac[:-1]])
        # Through a root the line is weighted by other uncertainties at each point: of a curve it is another line.
        line = np.polyfit(100 * x, np.concatenate([up, down[:-1]]), 1)
        weighted = (
            {} if self.case.root else {"offset, both axes uncertain": line[1], "gain, both axes uncertain": 1 + line[0]}
        )
        return weighted | {
            "zero error": average[0],
            "span error": average[-1] - average[0],
            "offset by least squares": line[1],
            "gain by least squares": 1 + line[0],
            "measured error": np.abs(np.concatenate([up, down])).max(),
            "inaccuracy, highest": max(up.max(), down.max()),
            "inaccuracy, lowest": min(up.min(), down.min()),
            "hysteresis": np.abs(down - up).max(),
            "non-linearity, independent": half,
            "non-linearity, terminal-based": np.abs(deviation).max(),
            "non-linearity, zero-based": min(from_zero),
        }


REFERENCE = Meter(of_reading=2e-4, floor=0.05, step=0.01, noise=0.02)
TYPICAL = Meter(of_reading=2e-4, floor=0.002, step=0.001, noise=0.002)
NOISY = Meter(of_reading=1e-5, floor=1e-4, step=1e-4, noise=0.02)
QUIET = Meter(of_reading=1e-5, floor=0.001, step=0.001, noise=0.003)
# fmt: off
CASES = (
    Case(name="typical, one error each", reference=REFERENCE, meter=TYPICAL),
    Case(name="typical, gain and offset apart", reference=REFERENCE, meter=TYPICAL, drawn="apart"),
    Case(name="meter rectangular, alone", reference=QUIET, meter=Meter(of_reading=1e-3, floor=0.005, step=0.001, noise=0.001)),  # noqa: E501
    Case(name="certificate normal", reference=QUIET, meter=Meter(step=1e-4, noise=1e-3, certificate=(4e-4, 0.002))),
    *(Case(name=f"scatter, n = {n}, one cycle", reference=QUIET, meter=NOISY, n=n, cycles=1) for n in (2, 3, 5, 10)),
    *(Case(name=f"scatter, n = {n}, {c} cycles", reference=QUIET, meter=NOISY, n=n, cycles=c) for n, c in ((1, 2), (1, 3), (2, 2), (3, 3), (2, 5))),  # noqa: E501
    Case(name="visits apart, n = 3, 3 cycles", reference=QUIET, meter=NOISY, cycles=3, visit_sd=0.02),
    Case(name="shift between cycles, n = 3, 3 cycles", reference=QUIET, meter=NOISY, cycles=3, shift_sd=0.03),
    Case(name="shift between cycles, n = 2, 5 cycles", reference=QUIET, meter=NOISY, cycles=5, n=2, shift_sd=0.03),
    Case(name="shift between cycles, 2 cycles", reference=QUIET, meter=NOISY, cycles=2, shift_sd=0.03),
    Case(name="one error at both ends, r = 1", reference=Meter(of_reading=1e-3, step=1e-4, noise=0.001), meter=Meter(of_reading=1e-3, step=1e-4, noise=0.001), correlation=1.0, input_range=(4.0, 20.0, "mA")),  # noqa: E501
    Case(name="rounding alone", reference=None, meter=Meter(of_reading=1e-5, step=0.01, noise=0.0)),
    Case(name="rounding and as much noise", reference=None, meter=Meter(of_reading=1e-5, step=0.01, noise=0.006)),
    Case(name="Pt100", reference=Meter(of_reading=1e-4, floor=0.005, step=0.001, noise=0.002), meter=TYPICAL, input_range=(0.0, 150.0, "degC"), sensor="rtd: Pt100"),  # noqa: E501
    Case(name="square root", reference=Meter(of_reading=2e-4, floor=0.01, step=0.001, noise=0.005), meter=TYPICAL, input_range=(0.0, 100.0, "mbar"), root=True, places=np.array([0.05, 0.1, 0.25, 0.5, 0.75, 1.0])),  # noqa: E501
    Case(name="hysteresis 0.3 %, noisy", reference=QUIET, meter=NOISY, loop=0.05, cycles=2),
    Case(name="hysteresis 0.3 %, quiet", reference=QUIET, meter=TYPICAL, loop=0.05, cycles=2),
    Case(name="straight and quiet, no hysteresis", reference=QUIET, meter=TYPICAL, bow=0.0, cycles=3),
    Case(name="bowed 0.5 %", reference=QUIET, meter=NOISY, bow=0.08, cycles=3),
)
# fmt: on


def simulated(case, units_n, seed):
    """By figure: rows of (truth, low, high, value), % of span; "errors" are those of all visits."""
    random = np.random.default_rng(seed)
    sheet = sheet_of(case)
    found, doubted = {}, 0
    for _ in range(units_n):
        unit = Unit(case, sheet, random)
        given = case.reference or Meter(step=0.0)
        stated = (given.stated("input", "reference"), case.meter.stated("output", "meter"))
        pairs = () if case.correlation is None else (("reference", "meter", case.correlation),)
        if case.correlation == 1.0:
            unit.reference = unit.meter
        made = evaluate(unit.table(), sheet, basis=Basis(statements=stated, correlations=pairs))
        visits = made.visits
        for row in visits.itertuples():
            truth = float(unit.own(case.places[row.point], int(row.direction == "down")))
            if row.point == len(case.places) - 1:
                truth = float(unit.own(case.places[row.point], 0))
            found.setdefault("errors", []).append((truth, row.error - row.U, row.error + row.U, row.error))
        for name, truth in unit.truths().items():
            try:
                figure = made.figure(name)
            except InputError:
                continue
            if figure.low is None or figure.value is None:
                continue
            scale = 100 / 16 if figure.unit == "mA" else 1.0
            low, high, value = (scale * each for each in (figure.low, figure.high, figure.value))
            if name.startswith(("measured", "hyst", "non-lin")):
                low, high = sorted((abs(low), abs(high))) if low * high >= 0 else (0.0, max(abs(low), abs(high)))
                value = abs(figure.corrected)
            found.setdefault(name, []).append((truth, low, high, value))
        doubted += any("farther off the line" in each for each in made.tests)
    return {name: np.array(rows) for name, rows in found.items()}, doubted / units_n


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("cases", nargs="*")
    parser.add_argument("--units", type=int, default=400)
    parser.add_argument("--seed", type=int, default=3)
    given = parser.parse_args()
    names: dict[str, None] = {}
    for case in CASES:
        if given.cases and not any(each in case.name for each in given.cases):
            continue
        start = time.perf_counter()
        found, doubted = simulated(case, given.units, given.seed)
        names |= dict.fromkeys(found)
        took_ms = 1000 * (time.perf_counter() - start) / given.units
        print(f"{case.name} ({took_ms:.0f} ms a unit; line doubted {100 * doubted:.1f} %)", flush=True)
        for name, rows in found.items():
            truth, low, high, value = rows.T
            is_known = np.isfinite(low + high)
            held = (truth >= low - 1e-12) & (truth <= high + 1e-12)
            shortest = np.quantile(np.abs(value - truth)[is_known], 0.9545) if is_known.any() else np.nan
            with np.errstate(divide="ignore", invalid="ignore"):
                length = (high - low)[is_known].mean() / 2 / shortest
            few = "" if is_known.all() else f"  ({100 * is_known.mean():.0f} % known)"
            print(f"  {name:<34}{100 * held[is_known].mean():6.1f} %   {length:5.2f}{few}")


if __name__ == "__main__":
    main()
