"""Simulated units drawn at random over the whole fault catalogue, measured as a run measures them.

The plan is that of a ready sequence on the simulated bench; settling is judged by the code of a run; only the talk over
VISA is left out, which makes a unit cost a tenth. Sizes run from barely above the tolerance to gross. Slips of the pen
(rows 57 to 60 of the catalogue) are made in the finished table, as a person would make them.
"""

import math
import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from itertools import islice

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet
from instruments.simulated.faults import Fault, fault
from instruments.simulated.physics import Nature, Plant
from sequencer import core
from sequencer.evaluation.budget import Basis
from sequencer.evaluation.evaluate import evaluate
from sequencer.evaluation.result import Evaluation
from sequencer.planning.bench_statements import basis_of
from sequencer.planning.plan import Plan
from sequencer.readings.table import tidy
from sequencer.running.settling import Settling, State
from sequencer.running.settling_history import Pace

CHAIN = "glycol-pump-loop"
ONE_STAGE = (
    "pulse-to-current",
    "current-isolator",
    "voltage-to-current",
    "pt100-to-current",
    "thermocouple-k-to-current",
)
LINEAR = ("pulse-to-current", "current-isolator", "voltage-to-current", "reversed-current")
_BETWEEN_S = 0.01
_JITTER_S = 0.006


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One drawn unit: its sequence, what is wrong with it, and what was read.

    Args:
        sequence: name of the ready sequence.
        cause: name in the catalogue, two joined with " + ", "" for a good unit.
        stage: name of the stage or tap where it sits, "" where there is only one.
        sizes: of the fault.
        table: the tidy table of its readings.
    """

    sequence: str
    cause: str
    stage: str
    sizes: Mapping[str, float]
    table: pd.DataFrame
    seed: int

    @property
    def evaluation(self) -> Evaluation:
        """Figures and verdict, as a run has them."""
        planned, basis = prepared(self.sequence)
        points = sum(point.role == "reading" for point in planned.points)
        return evaluate(self.table, planned.sequence.sheet, planned_n=points, basis=basis)


@cache
def prepared(sequence: str) -> tuple[Plan, Basis]:
    """The plan of a ready sequence on the simulated bench, and what a verdict there rests on."""
    planned = core.plan(sequence, "simulated")
    file = planned.sequence.file
    basis = basis_of(
        planned.bench, planned.wires, planned.sequence.sheet, coverage=file.coverage, rule=file.decision_rule, date=""
    )
    return planned, basis


def measured(  # noqa: C901  a run, told in one go
    sequence: str, faults: tuple[Fault, ...], *, seed: int, readings_n: int | None = None, dwell_s: float = 0.0
) -> pd.DataFrame:
    """The tidy table of a run with these faults.

    Args:
        sequence: name of a ready sequence.
        faults: what is wrong.
        seed: of the plant.
        readings_n: readings at each point; None = as the sequence says.
        dwell_s: read after this time whether settled or not, as by hand; 0 = as a run settles.
    """
    planned, _ = prepared(sequence)
    sheet = planned.sheet
    jitter = random.Random(seed + 1)
    plant = Plant(sheet, faults=faults, nature=Nature(), seed=seed)
    receivers = []
    for wired in planned.wires:
        port = wired.receiver
        if port is None:
            receivers.append(None)
            continue
        function = planned.bench.descriptions[port.instrument].functions[port.function]
        tap = next(tap for tap in sheet.taps if tap.name == wired.tap)
        receivers.append((function.resolution(port.entry, tap.signal_unit), function.takes))
    last = len(sheet.taps) - 1
    rows: list[dict[str, object]] = []
    now_s = 0.0
    pace = Pace()
    for point in planned.points:
        start_s = now_s
        if point.role != "end pair":
            plant.drive(now_s, float(point.level.magnitude))
            pace.move()
        if dwell_s:
            now_s += dwell_s
            settled_state, after_s, to_go = "", dwell_s, math.nan
        else:
            settling = Settling(pace.rule(point.rule))
            while True:
                began_s = now_s
                value, now_s = _read(plant, sheet, last, receivers[last], now_s, jitter)
                if settling.add(now_s - start_s, value) is not State.MOVING:
                    break
                now_s = max(now_s, began_s + point.rule.interval_s)
            settled = settling.settled()
            pace.learn(settling.rule, settled)
            settled_state, after_s, to_go = str(settled.state), settled.after_s, settled.to_go
        if point.role == "exercise":
            continue
        for reading in range(1, (readings_n or point.setpoint.readings_n) + 1):
            for index, tap in enumerate(sheet.taps):
                if receivers[index] is None:
                    continue
                value, now_s = _read(plant, sheet, index, receivers[index], now_s, jitter)
                signal = float(tap.to_signal(np.array(value))) if tap.sensor else value
                rows.append(
                    {
                        "serial": "fleet",
                        "number": point.number,
                        "step": point.step,
                        "step_name": point.step_name,
                        "cycle": point.setpoint.cycle,
                        "direction": point.setpoint.direction,
                        "point": point.setpoint.point,
                        "role": point.role,
                        "attempt": 1,
                        "correction": 0,
                        "reading": reading,
                        "tap": tap.name,
                        "setpoint_pct": 100 * point.setpoint.frac,
                        "commanded": point.value,
                        "value": value,
                        "unit": tap.unit,
                        "signal": signal,
                        "signal_unit": tap.signal_unit,
                        "at": "",
                        "at_s": now_s,
                        "settling": settled_state,
                        "settle_s": after_s,
                        "to_go": to_go,
                        "raw": f"{signal:.10g}",
                    }
                )
    return tidy(rows)


def _read(
    plant: Plant, sheet: DataSheet, tap: int, receiver: tuple[float, float], now_s: float, jitter: random.Random
) -> tuple[float, float]:
    resolution, takes_s = receiver
    now_s += jitter.uniform(0, _JITTER_S)  # no computer and no instrument answers to the millisecond
    seen = plant.seen(tap, now_s, now_s + takes_s)
    if resolution:
        seen = resolution * round(seen / resolution)
    if sheet.taps[tap].sensor:
        seen = float(sheet.taps[tap].to_value(np.array(seen)))
    return seen, now_s + takes_s + _BETWEEN_S


# How each fault of the catalogue is drawn


@dataclass(slots=True)
class Draw:
    """Random sizes of one unit."""

    rng: random.Random
    tolerance_pct: float

    def size(self, most: float = 20.0) -> float:
        """Barely above the tolerance to `most` times it, as likely in each octave; % of span."""
        return self.tolerance_pct * math.exp(self.rng.uniform(math.log(1.1), math.log(most)))

    def signed(self, most: float = 20.0) -> float:
        return self.size(most) * self.rng.choice((-1, 1))

    def between(self, low: float, high: float) -> float:
        return self.rng.uniform(low, high)

    def ratio(self, low: float, high: float) -> float:
        return math.exp(self.rng.uniform(math.log(low), math.log(high)))

    def one(self, *choices: float) -> float:
        return self.rng.choice(choices)


Sizes = Callable[[Draw], dict[str, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """How one fault is drawn: on which units, with which sizes; `places` are stages of the chain it may sit in."""

    name: str
    sequences: tuple[str, ...]
    sizes: Sizes = field(default=lambda _: {})
    places: tuple[str, ...] = ()
    must_fail: bool = True


_ALL = (*ONE_STAGE, CHAIN)
_CURRENT = (*ONE_STAGE, CHAIN)
_PULSES = ("pulse-to-current", CHAIN)
_STAGES = ("drive", "pickup", "converter")

ROWS: tuple[Row, ...] = (
    Row(name="zero shift", sequences=_ALL, sizes=lambda d: {"zero_pct": d.signed()}, places=("drive", "converter")),
    Row(name="span error", sequences=_ALL, sizes=lambda d: {"span_pct": d.signed()}, places=("drive", "converter")),
    Row(
        name="zero and span",
        sequences=_ALL,
        sizes=lambda d: {"zero_pct": d.signed(), "span_pct": d.signed()},
        places=("converter",),
    ),
    Row(
        name="upper range wrong",
        sequences=_ALL,
        sizes=lambda d: {"configured_pct": d.one(50, 60, 75, 80, 90, 110, 120, 125, 150, 160, 200, 250)},
        places=("converter",),
    ),
    Row(
        name="lower range wrong",
        sequences=_ALL,
        sizes=lambda d: {"lower_pct": d.one(-25, -20, -10, -5, 5, 10, 15, 20, 25)},
        places=("converter",),
    ),
    Row(name="0-20 sent", sequences=_ALL),
    Row(name="live zero lost", sequences=_ALL),
    Row(name="4-20 read as 0-20", sequences=_ALL),
    Row(
        name="pulses per revolution wrong",
        sequences=(CHAIN,),
        sizes=lambda d: {"actual": d.one(1, 2, 30, 48, 50, 58, 59, 61, 62, 64, 72), "expected": 60},
    ),
    Row(
        name="missing pulses at low speed",
        sequences=_PULSES,
        sizes=lambda d: {"threshold_pct": d.between(12, 45), "gap_pct": d.between(0, 12)},
        places=("pickup",),
    ),
    Row(
        name="missing pulses at high speed",
        sequences=_PULSES,
        sizes=lambda d: {"start_pct": d.between(40, 88), "loss": d.ratio(0.1, 1.0)},
    ),
    Row(name="double counting", sequences=_PULSES, sizes=lambda d: {"share_pct": d.ratio(1, 100)}),
    Row(name="extra pulses from the inverter", sequences=_PULSES, sizes=lambda d: {"rate_Hz": 10 * d.size()}),
    Row(
        name="gate quantisation",
        sequences=_PULSES,
        sizes=lambda d: {"gate_s": d.one(0.02, 0.025, 0.03, 0.04, 0.05, 0.07, 0.11, 0.13)},
    ),
    Row(name="low frequency cut-off", sequences=_PULSES, sizes=lambda d: {"cut_off_pct": d.between(11, 45)}),
    Row(name="meter resolution", sequences=_ALL, sizes=lambda d: {"step_pct": 2 * d.size(10)}),
    Row(
        name="mains pickup", sequences=ONE_STAGE, sizes=lambda d: {"amplitude_pct": 3 * d.size(20), "frequency_Hz": 60}
    ),
    Row(
        name="inverter pickup",
        sequences=_ALL,
        sizes=lambda d: {"amplitude_pct": 2 * d.size(15), "share_pct": d.between(10, 50)},
    ),
    Row(name="intermittent contact", sequences=_ALL, sizes=lambda d: {"share_pct": d.ratio(0.5, 15)}),
    Row(name="lag", sequences=_ALL, sizes=lambda d: {"tau_s": d.ratio(15, 90)}),
    Row(name="stale reading", sequences=_ALL, sizes=lambda _: {"gap_s": 5}),
    Row(name="square root applied", sequences=_ALL),
    Row(name="square root missing", sequences=("differential-pressure-flow",)),
    Row(name="square root twice", sequences=("differential-pressure-flow",)),
    Row(name="reversed action", sequences=_ALL),
    Row(name="wrong temperature unit", sequences=("pt100-to-current", "thermocouple-k-to-current")),
    Row(
        name="wrong pressure unit",
        sequences=("differential-pressure-flow",),
        sizes=lambda d: {"factor": d.one(0.980665, 1.01971621, 0.2491, 0.1, 10, 2.490889, 0.40146, 0.750062, 1.333224)},
    ),
    Row(
        name="gauge against absolute",
        sequences=("differential-pressure-flow",),
        sizes=lambda d: {"pressure_mbar": d.one(-1, 1) * d.between(985, 1040)},
    ),
    Row(
        name="wrong rtd curve",
        sequences=("pt100-to-current",),
        sizes=lambda d: d.rng.choice(
            ({}, {"r0_ohm": 1000.0, "a": 3.9083e-3, "b": -5.775e-7}, {"a": 3.9083e-3, "b": -5.775e-7, "r0_ohm": 50.0})
        ),
    ),
    Row(
        name="wrong thermocouple type",
        sequences=("thermocouple-k-to-current",),
        sizes=lambda d: {"type": d.one(0, 1, 2, 4, 5, 6, 7)},
    ),
    Row(
        name="cold junction error",
        sequences=("thermocouple-k-to-current",),
        sizes=lambda d: {"error_degC": 6 * d.signed(10)},
    ),
    Row(name="lead resistance", sequences=("pt100-to-current",), sizes=lambda d: {"lead_ohm": 0.5 * d.size(20)}),
    Row(
        name="compensating cable reversed",
        sequences=("thermocouple-k-to-current",),
        sizes=lambda d: {"difference_degC": 3 * d.signed(10)},
    ),
    Row(name="loop compliance", sequences=_CURRENT, sizes=lambda d: {"loop_ohm": d.between(705, 1600)}),
    Row(
        name="supply sag",
        sequences=_CURRENT,
        sizes=lambda d: {"others_mA": d.between(45, 110), "source_ohm": d.between(60, 100)},
    ),
    Row(name="sensor burnout", sequences=_CURRENT, sizes=lambda d: {"level_mA": d.one(3.5, 3.6, 21.0, 21.5, 22.0)}),
    Row(name="stuck output", sequences=_CURRENT, sizes=lambda d: {"level_pct": d.between(0, 100)}),
    Row(name="leak across receiver", sequences=_CURRENT, sizes=lambda d: {"leak_ohm": 25000 / d.size()}),
    Row(name="leak across transmitter", sequences=_CURRENT, sizes=lambda d: {"leak_ohm": 1.5e5 / d.size()}),
    Row(name="ground loop", sequences=_CURRENT, sizes=lambda d: {"size_pct": d.signed(), "period_s": d.ratio(60, 900)}),
    Row(name="load resistor wrong", sequences=_CURRENT, sizes=lambda d: {"actual_ohm": 250 + 2.5 * d.signed()}),
    Row(
        name="source error",
        sequences=_ALL,
        sizes=lambda d: {"gain_pct": d.signed(15), "offset_pct": d.signed(15)},
        must_fail=False,
    ),
    Row(name="meter gain", sequences=_CURRENT, sizes=lambda d: {"gain_pct": d.signed()}),
    Row(name="meter offset", sequences=_CURRENT, sizes=lambda d: {"offset_pct": d.signed()}),
    Row(name="meter fuse blown", sequences=_CURRENT),
    Row(name="meter burden", sequences=_CURRENT, sizes=lambda d: {"burden_ohm": d.between(105, 800)}),
    Row(name="bow", sequences=_ALL, sizes=lambda d: {"size_pct": d.signed()}, places=("drive", "converter")),
    Row(name="s shape", sequences=_ALL, sizes=lambda d: {"size_pct": d.signed()}, places=("drive", "converter")),
    Row(name="hysteresis", sequences=_ALL, sizes=lambda d: {"size_pct": 2 * d.size()}, places=("drive", "converter")),
    Row(name="backlash", sequences=_ALL, sizes=lambda d: {"width_pct": 2 * d.size()}, places=("drive",)),
    Row(name="dead band", sequences=_ALL, sizes=lambda d: {"width_pct": 2 * d.size()}, places=("drive",)),
    Row(name="stiction", sequences=_ALL, sizes=lambda d: {"width_pct": d.between(10.5, 35)}, places=("drive",)),
    Row(name="drift", sequences=_ALL, sizes=lambda d: {"rate_pct_per_h": 6 * d.signed()}, places=("converter",)),
    Row(
        name="warm-up",
        sequences=_ALL,
        sizes=lambda d: {"size_pct": 2 * d.signed(), "tau_s": d.ratio(60, 400)},
        places=("converter",),
    ),
    Row(
        name="missing code",
        sequences=_ALL,
        sizes=lambda d: {"size_pct": d.signed(), "place_pct": d.between(15, 85)},
        places=("converter",),
    ),
    Row(name="slip", sequences=(CHAIN,), sizes=lambda d: {"slip_pct": d.ratio(0.8, 20)}),
    Row(
        name="drive limits",
        sequences=(CHAIN,),
        sizes=lambda d: d.rng.choice(
            (
                {"lowest_pct": d.between(3, 30), "highest_pct": 110},
                {"lowest_pct": -10, "highest_pct": d.between(70, 98)},
                {"lowest_pct": d.between(3, 15), "highest_pct": d.between(80, 98)},
                {"lowest_pct": -10, "highest_pct": 110, "dead_pct": d.between(11, 35)},
                {
                    "lowest_pct": -10,
                    "highest_pct": 110,
                    "skip_from_pct": (at := d.between(25, 55)),
                    "skip_to_pct": at + d.between(10, 15),
                },
            )
        ),
    ),
    Row(name="tachometer marks", sequences=(CHAIN,), sizes=lambda d: {"factor": d.one(2, 3, 0.5, 1 / 3)}),
    Row(name="wrong tap", sequences=(CHAIN,), sizes=lambda d: {"sees": d.one(1, 2)}),
)
SLIPS = ("swapped rows", "transposed digits", "decimal slip", "copied readings")


def slipped(kind: str, sequence: str, rng: random.Random, seed: int) -> tuple[pd.DataFrame, dict[str, float]]:
    """A good unit, read once at each point and keyed in, with one slip of the pen."""
    planned, _ = prepared(sequence)
    last = planned.sheet.taps[-1]
    table = measured(sequence, (), seed=seed, readings_n=1)
    is_last = table["tap"] == last.name
    decimals = 3 if abs(last.high) < 100 else 1
    table.loc[is_last, "value"] = table.loc[is_last, "value"].round(decimals)
    at = table.index[is_last & (table["role"] == "reading")].to_numpy()
    values = table["value"].to_numpy(copy=True)
    place = int(rng.randrange(2, len(at) - 2))
    if kind == "swapped rows":
        while abs(values[at[place]] - values[at[place + 1]]) < 0.02 * abs(last.span):
            place = int(rng.randrange(2, len(at) - 2))
        values[[at[place], at[place + 1]]] = values[[at[place + 1], at[place]]]
    elif kind == "decimal slip":
        values[at[place]] *= rng.choice((0.1, 10.0))
    elif kind == "transposed digits":
        while True:
            place = int(rng.randrange(2, len(at) - 2))
            text = f"{values[at[place]]:.{decimals}f}"
            where = [
                i
                for i in range(len(text) - 1)
                if text[i].isdigit() and text[i + 1].isdigit() and text[i] != text[i + 1]
            ]
            if not where:
                continue
            i = rng.choice(where)
            new = float(text[:i] + text[i + 1] + text[i] + text[i + 2 :])
            if abs(new - values[at[place]]) > 0.004 * abs(last.span):
                values[at[place]] = new
                break
    else:
        while abs(values[at[place]] - values[at[place + 1]]) < 0.02 * abs(last.span):
            place = int(rng.randrange(2, len(at) - 2))
        values[at[place + 1]] = values[at[place]]
    table["value"] = values
    signal = last.to_signal(table.loc[is_last, "value"].to_numpy())
    table.loc[is_last, "signal"] = signal
    table.loc[is_last, "raw"] = [f"{each:.{decimals}f}" for each in signal]
    table["settling"] = "by the operator"
    return table, {"row": place}


def drawn(row: Row, *, seed: int) -> Unit | None:
    """A unit with the fault of a row; None where these sizes leave it within its tolerance."""
    rng = random.Random(seed)
    sequence = rng.choice(row.sequences)
    planned, _ = prepared(sequence)
    place = rng.choice(row.places) if sequence == CHAIN and row.places else None
    sheet = planned.sheet
    tolerance_pct = (
        100 * max(point.tolerance for point in planned.points if point.role == "reading") / abs(sheet.taps[-1].span)
    )
    if sequence == CHAIN:
        tolerance_pct = 0.5 if place == "drive" else 0.2
    sizes = row.sizes(Draw(rng, tolerance_pct))
    chosen = fault(row.name, stage=place, **sizes)
    table = measured(sequence, (chosen,), seed=rng.randrange(1 << 30))
    at = chosen.place(sheet)
    unit = Unit(
        sequence=sequence, cause=row.name, stage=sheet.stages[at.stage].name, sizes=sizes, table=table, seed=seed
    )
    if row.must_fail and unit.evaluation.verdict.is_pass:
        return None
    return unit


def good(*, seed: int) -> Unit:
    """A good unit: ordinary imperfections only."""
    rng = random.Random(seed)
    sequence = rng.choice((*_ALL, "differential-pressure-flow", "reversed-current"))
    return Unit(
        sequence=sequence,
        cause="",
        stage="",
        sizes={},
        table=measured(sequence, (), seed=rng.randrange(1 << 30)),
        seed=seed,
    )


CAUSES = (*(row.name for row in ROWS), *SLIPS, "")


def units(cause: str, *, each: int, seed: int) -> Iterator[Unit]:
    """`each` units with a fault or a slip, or ten times as many good ones for cause ""; those `fleet` draws."""
    if not cause:
        for made in range(10 * each):
            yield good(seed=seed + 31 * made + 17)
    elif cause in SLIPS:
        for made in range(each):
            rng = random.Random(seed + 7919 * (SLIPS.index(cause) + 1) + made)
            sequence = rng.choice(ONE_STAGE)
            table, sizes = slipped(cause, sequence, rng, rng.randrange(1 << 30))
            yield Unit(sequence=sequence, cause=cause, stage="", sizes=sizes, table=table, seed=seed)
    else:
        index = next(index for index, row in enumerate(ROWS) if row.name == cause)
        attempts = range(seed + 100_003 * index, seed + 100_003 * index + 20 * each)
        yield from islice(filter(None, (drawn(ROWS[index], seed=attempt) for attempt in attempts)), each)


def fleet(*, each: int, seed: int) -> Iterator[Unit]:
    """`each` units of every row and every slip, and ten times as many good ones."""
    for cause in CAUSES:
        yield from units(cause, each=each, seed=seed)
