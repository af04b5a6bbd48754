"""The fault catalogue of the simulated bench: each fault by name and size, as what it changes in a chain.

Rows are numbered as in the trade's table of causes that this bench was built from. Four of its rows are no physics of
a unit or bench and have no entry: swapped rows (57), transposed digits (58), decimal slip (59), copied or invented
readings (60) are slips in keying; a wrong tolerance basis (61) is one of the paper; two faults at once (62) are two
faults given together. Nothing here knows how a fault is recognised.
"""

import difflib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, TypeAlias

import numpy as np

from instruments import thermometry
from instruments.datasheet import DataSheet, Tap
from instruments.errors import InputError
from instruments.sensor import Thermocouple
from instruments.simulated import elements
from instruments.simulated.elements import Effects, Element
from instruments.simulated.pressure import PRESSURE_MBAR

__all__ = ["CATALOGUE", "Fault", "FaultKind", "Parameter", "Place", "fault"]

_PULSE_HZ: Mapping[str, float] = MappingProxyType({"Hz": 1.0, "kHz": 1000.0})
_THERMOCOUPLES: tuple[Literal["B", "E", "J", "K", "N", "R", "S", "T"], ...] = ("B", "E", "J", "K", "N", "R", "S", "T")
_MINUTE_SPEEDS = ("rpm", "1/min", "revolution/min", "revolutions_per_minute", "r/min")


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One size of a fault: its unit as pint writes it, the size taken when none is given, what it means."""

    name: str
    unit: str
    default: float
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a fault acts: the stage, and the tap whose receiver it concerns."""

    sheet: DataSheet
    stage: int
    tap: int

    @property
    def before(self) -> Tap:
        """The tap that the stage takes its signal from."""
        return self.sheet.taps[self.stage]

    @property
    def after(self) -> Tap:
        """The tap that the stage gives its signal to."""
        return self.sheet.taps[self.stage + 1]

    @property
    def read(self) -> Tap:
        """The tap whose receiver is concerned."""
        return self.sheet.taps[self.tap]


Sizes: TypeAlias = Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultKind:
    """A kind of fault: its name in the trade, its row, its sizes, and where it acts if nobody says."""

    name: str
    row: int
    meaning: str
    acts_at: str
    parameters: tuple[Parameter, ...]
    effects: Callable[[Sizes, Place], Effects]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of a given size; `stage` and `tap` None = where its kind acts by default."""

    kind: FaultKind
    sizes: tuple[tuple[str, float], ...]
    stage: str | int | None = None
    tap: str | int | None = None

    def effects(self, sheet: DataSheet) -> Effects:
        """What it changes in a chain, with fresh memory.

        Raises:
            InputError: no such stage or tap, or the chain has nothing that this fault can act on.
        """
        return self.kind.effects(dict(self.sizes), self.place(sheet))

    def place(self, sheet: DataSheet) -> Place:
        """Stage and tap where it acts.

        Raises:
            InputError: no such stage or tap.
        """
        tap = None if self.tap is None else _index(self.tap, [tap.name for tap in sheet.taps], "tap", self.kind.name)
        if self.stage is not None:
            stage = _index(self.stage, [stage.name for stage in sheet.stages], "stage", self.kind.name)
        elif tap is not None:
            stage = min(max(tap - 1, 0), len(sheet.stages) - 1)
        else:
            stage = _DEFAULT_STAGE[self.kind.acts_at](sheet)
        if tap is None:
            tap = stage + 1
        return Place(sheet=sheet, stage=stage, tap=tap)


def _index(wanted: str | int, names: list[str], what: str, fault_name: str) -> int:
    if isinstance(wanted, int) and -len(names) <= wanted < len(names):
        return wanted % len(names)
    if wanted in names:
        return names.index(str(wanted))
    raise InputError(
        f'no {what} "{wanted}" for the fault "{fault_name}"',
        allowed=f"{', '.join(names)}, or 0 to {len(names) - 1}",
        todo=_nearest(str(wanted), names),
    )


def _nearest(wanted: str, names: list[str]) -> str:
    close = difflib.get_close_matches(wanted.lower(), names, n=1, cutoff=0.5)
    return f'write "{close[0]}"' if close else ""


def fault(name: str, *, stage: str | int | None = None, tap: str | int | None = None, **sizes: float) -> Fault:
    """A fault of the catalogue, by name and size.

    Args:
        name: as in CATALOGUE.
        stage: name or index of the stage it acts in; None = where such a fault usually sits.
        tap: name or index of the tap whose receiver it concerns; None = the tap after the stage.
        sizes: by the names of the kind's parameters; one that is left out takes its default.

    Raises:
        InputError: no such fault or size, or a size that is not a finite number.
    """
    kind = CATALOGUE.get(name)
    if kind is None:
        raise InputError(
            f'no fault "{name}" in the catalogue',
            allowed=", ".join(CATALOGUE),
            todo=_nearest(name, list(CATALOGUE)),
        )
    known = {parameter.name: parameter for parameter in kind.parameters}
    for size_name, size in sizes.items():
        if size_name not in known:
            raise InputError(
                f'the fault "{name}" has no size "{size_name}"',
                allowed=", ".join(f"{p.name} in {p.unit}" for p in kind.parameters) or "no size at all",
                todo=_nearest(size_name, list(known)),
            )
        if not math.isfinite(size):
            raise InputError(f'size "{size_name}" of the fault "{name}" is {size}', allowed="a finite number")
    taken = tuple(
        (parameter.name, float(sizes.get(parameter.name, parameter.default))) for parameter in kind.parameters
    )
    return Fault(kind=kind, sizes=taken, stage=stage, tap=tap)


# Where a fault sits if nobody says


def _first_stage(sheet: DataSheet, holds: Callable[[int], bool]) -> int:
    return next((i for i in range(len(sheet.stages)) if holds(i)), len(sheet.stages) - 1)


def _last_current(sheet: DataSheet) -> int:
    last = len(sheet.stages) - 1
    return next((i for i in range(last, -1, -1) if sheet.taps[i + 1].signal_unit in {"mA", "A"}), last)


def _pulse_stage(sheet: DataSheet) -> int:
    if any(stage.pulses_per_revolution for stage in sheet.stages):
        return _first_stage(sheet, lambda i: sheet.stages[i].pulses_per_revolution is not None)
    return _first_stage(sheet, lambda i: sheet.taps[i + 1].signal_unit in _PULSE_HZ)


_DEFAULT_STAGE: Mapping[str, Callable[[DataSheet], int]] = MappingProxyType(
    {
        "first stage": lambda _: 0,
        "last stage": lambda sheet: len(sheet.stages) - 1,
        "last stage with a current out": _last_current,
        "stage that makes pulses": _pulse_stage,
        "stage that takes pulses": lambda sheet: _first_stage(sheet, lambda i: sheet.taps[i].signal_unit in _PULSE_HZ),
        "stage that takes a sensor": lambda sheet: _first_stage(sheet, lambda i: sheet.taps[i].sensor is not None),
        "stage that makes speed": lambda sheet: (
            0
            if sheet.taps[1].unit in _MINUTE_SPEEDS
            else _first_stage(sheet, lambda i: sheet.taps[i + 1].unit in _MINUTE_SPEEDS)
        ),
    }
)


# What takes more than one element


def _live_zero(place: Place, what: str) -> Tap:
    tap = place.after
    if tap.low == 0 or tap.high == 0:
        raise InputError(
            f'the fault "{what}" needs an output with a live zero',
            where=f"tap {tap.name}",
            allowed="4 .. 20 mA, 1 .. 5 V",
        )
    return tap


def _dead_zero_sent(place: Place, *, floor: bool) -> Effects:
    tap = _live_zero(place, "live zero lost" if floor else "0-20 sent")
    low, high = min(tap.low, tap.high), max(tap.low, tap.high)

    def sent(level: float, _: elements.Moment) -> float:
        return min(1.025 * high, max(low if floor else 0.0, high * (level - tap.low) / tap.span))

    # The unit's own clamp belongs to the scaling that it does not have.
    return Effects(clamp=sent)


def _dead_zero_read(place: Place) -> Effects:
    tap = place.read
    return Effects(reading=lambda level, _: tap.low + tap.span * level / tap.high)


def _extra_pulses(size_Hz: float, place: Place) -> Effects:
    def adding(extra: float) -> Element:
        return lambda level, moment: level + extra if moment.is_driven else level

    if place.after.signal_unit in _PULSE_HZ:
        return Effects(level=adding(size_Hz / _PULSE_HZ[place.after.signal_unit]))
    if place.before.signal_unit in _PULSE_HZ:
        return Effects(carried=adding(size_Hz / _PULSE_HZ[place.before.signal_unit]))
    raise InputError("no pulses to add to here", where=f"stage {place.stage}", allowed="a tap in Hz or kHz")


def _gate(gate_s: float, place: Place) -> Effects:
    factor = _PULSE_HZ.get(place.before.signal_unit)
    if factor is None:
        raise InputError("no pulses to count here", where=f"tap {place.before.name}", allowed="a tap in Hz or kHz")
    return Effects(output=elements.gate_count(gate_s, place.before.low * factor, place.before.span * factor))


def _temperature_unit(place: Place) -> Effects:
    if place.before.unit not in {"degC", "°C"}:
        raise InputError("no temperature to mistake here", where=f"tap {place.before.name}", allowed="a tap in degC")
    return Effects(value=lambda value_degC, _: 1.8 * value_degC + 32)


def _absolute(pressure_mbar: float, place: Place) -> Effects:
    factor = PRESSURE_MBAR.get(place.before.signal_unit)
    if factor is None:
        raise InputError(
            "no pressure to mistake here", where=f"tap {place.before.name}", allowed=", ".join(PRESSURE_MBAR)
        )
    return Effects(value=elements.shift(pressure_mbar / factor))


def _needs_ohm(place: Place) -> None:
    if place.before.signal_unit not in {"ohm", "Ω"}:
        raise InputError("no resistance sensor here", where=f"tap {place.before.name}", allowed="a tap in ohm")


def _leads(lead_ohm: float, place: Place) -> Effects:
    _needs_ohm(place)
    return Effects(carried=elements.shift(lead_ohm))


def _rtd_curve(sizes: Sizes, place: Place) -> Effects:
    _needs_ohm(place)
    a, b, r0_ohm = sizes["a"], sizes["b"], sizes["r0_ohm"]

    def decode(ohm: float) -> float:
        inside = a * a - 4 * b * (1 - ohm / r0_ohm)
        return (math.sqrt(inside) - a) / (2 * b) if inside >= 0 else math.nan

    return Effects(decode=decode)


def _thermocouple(place: Place) -> Thermocouple:
    sensor = place.before.sensor
    if not isinstance(sensor, Thermocouple):
        raise InputError("no thermocouple here", where=f"tap {place.before.name}", allowed="a tap with a thermocouple")
    return sensor


def _thermocouple_type(index: float, place: Place) -> Effects:
    if index not in range(len(_THERMOCOUPLES)):
        raise InputError(
            f"{index:g} is no thermocouple type",
            allowed=", ".join(f"{i} = {letter}" for i, letter in enumerate(_THERMOCOUPLES)),
        )
    wrong = Thermocouple(type=_THERMOCOUPLES[int(index)], junction_degC=_thermocouple(place).junction_degC)
    return Effects(decode=lambda emf_mV: float(wrong.to_value(np.asarray(emf_mV))))


def _cold_junction(error_degC: float, place: Place) -> Effects:
    sensor = _thermocouple(place)
    taken_mV, real_mV = (
        float(thermometry.thermocouple_mV(np.asarray(junction_degC), type=sensor.type))
        for junction_degC in (sensor.junction_degC, sensor.junction_degC + error_degC)
    )
    return Effects(carried=elements.shift(taken_mV - real_mV))


def _reversed_cable(difference_degC: float, place: Place) -> Effects:
    _thermocouple(place)
    return Effects(value=elements.shift(2 * difference_degC))


def _compliance(supply_V: float, minimum_V: float, loop_ohm: float, place: Place) -> Effects:
    factor = {"mA": 1e3, "A": 1.0}.get(place.after.signal_unit)
    if factor is None:
        raise InputError("no current loop here", where=f"tap {place.after.name}", allowed="a tap in mA or A")
    return Effects(level=elements.at_most(max(0.0, supply_V - minimum_V) / loop_ohm * factor))


def _leak_across(sizes: Sizes, place: Place) -> Effects:
    if place.after.signal_unit != "mA":
        raise InputError("no current loop here", where=f"tap {place.after.name}", allowed="a tap in mA")
    return Effects(level=elements.leak_across(sizes["supply_V"], sizes["loop_ohm"], sizes["leak_ohm"]))


def _wrong_tap(index: float, place: Place) -> Effects:
    taps_n = len(place.sheet.taps)
    if index not in range(taps_n):
        raise InputError(f"no tap {index:g}", allowed=f"0 to {taps_n - 1}")
    return Effects(reads_tap=int(index))


def _signal_span(tap: Tap) -> float:
    low, high = (float(end) for end in tap.to_signal(np.asarray([tap.low, tap.high])))
    return abs(high - low)


def _meter(gain: float, offset: float, place: Place) -> Effects:
    return Effects(reading=elements.affine(offset * _signal_span(place.read), gain))


def _level_noise(build: Callable[[float], Element], amplitude: float, place: Place) -> Effects:
    return Effects(reading=build(amplitude * _signal_span(place.read)))


def _drive_limits(sizes: Sizes) -> Effects:
    return Effects(
        output=elements.chained(
            elements.dead_around_zero(sizes["dead_pct"] / 100),
            elements.skip_band(sizes["skip_from_pct"] / 100, sizes["skip_to_pct"] / 100),
            elements.clamp(sizes["lowest_pct"] / 100, sizes["highest_pct"] / 100),
        )
    )


def _square_root() -> Element:
    root = elements.power_law(0.5)
    return lambda x, _: root(x)


def _ground_loop(size: float, period_s: float) -> Element:
    return lambda level, moment: level + size * (1 + 0.3 * math.sin(2 * math.pi * moment.at_s / period_s))


# The catalogue


def _size(name: str, unit: str, default: float, meaning: str) -> Parameter:
    return Parameter(name=name, unit=unit, default=default, meaning=meaning)


def _pct(name: str, default: float, meaning: str) -> Parameter:
    return _size(name, "%", default, meaning)


_SUPPLY = _size("supply_V", "V", 24, "loop supply")
_MINIMUM = _size("minimum_V", "V", 10, "lowest voltage that the transmitter works with")
_LAST, _FIRST, _CURRENT = "last stage", "first stage", "last stage with a current out"
_MAKES, _TAKES = "stage that makes pulses", "stage that takes pulses"
_SENSOR, _SPEED = "stage that takes a sensor", "stage that makes speed"

_Row: TypeAlias = tuple[int, str, str, str, tuple[Parameter, ...], Callable[[Sizes, Place], Effects]]

_ROWS: tuple[_Row, ...] = (
    (
        1,
        "zero shift",
        _LAST,
        "y = x + z",
        (_pct("zero_pct", 0.5, "z, of output span"),),
        lambda s, _: Effects(output=elements.affine(s["zero_pct"] / 100, 0)),
    ),
    (
        2,
        "span error",
        _LAST,
        "y = x (1 + s)",
        (_pct("span_pct", 0.8, "s, of output span"),),
        lambda s, _: Effects(output=elements.affine(0, s["span_pct"] / 100)),
    ),
    (
        3,
        "zero and span",
        _LAST,
        "y = z + x (1 + s)",
        (_pct("zero_pct", 0.4, "z, of output span"), _pct("span_pct", -0.7, "s, of output span")),
        lambda s, _: Effects(output=elements.affine(s["zero_pct"] / 100, s["span_pct"] / 100)),
    ),
    (
        4,
        "upper range wrong",
        _LAST,
        "y = x S / S'",
        (_pct("configured_pct", 125, "span that is configured, of the one that was ordered"),),
        lambda s, _: Effects(input=elements.scale(100 / s["configured_pct"])),
    ),
    (
        5,
        "lower range wrong",
        _LAST,
        "y = (x - l) / (1 - l)",
        (_pct("lower_pct", 10, "l, where the configured range begins, of input span"),),
        lambda s, _: Effects(input=elements.from_lower_range(s["lower_pct"] / 100)),
    ),
    (6, "0-20 sent", _CURRENT, "I = 20 x", (), lambda _, p: _dead_zero_sent(p, floor=False)),
    (7, "live zero lost", _CURRENT, "I = max(4, 20 x)", (), lambda _, p: _dead_zero_sent(p, floor=True)),
    (8, "4-20 read as 0-20", _CURRENT, "y = I / 20", (), lambda _, p: _dead_zero_read(p)),
    (
        9,
        "pulses per revolution wrong",
        _MAKES,
        "y = x N / N'",
        (
            _size("actual", "1", 59, "N, pulses that come"),
            _size("expected", "1", 60, "N', pulses that are reckoned with"),
        ),
        lambda s, _: Effects(output=elements.scale(s["actual"] / s["expected"])),
    ),
    (
        10,
        "missing pulses at low speed",
        _MAKES,
        "y = 0 below a threshold",
        (
            _pct("threshold_pct", 15, "threshold going up, of input span"),
            _pct("gap_pct", 4, "how much later it lets go on the way down"),
        ),
        lambda s, _: Effects(output=elements.Threshold(s["threshold_pct"] / 100, s["gap_pct"] / 100)),
    ),
    (
        11,
        "missing pulses at high speed",
        _TAKES,
        "y = x (1 - k (x - x_h)) above x_h",
        (_pct("start_pct", 75, "x_h, of input span"), _size("loss", "1", 0.5, "k, share lost per input span")),
        lambda s, _: Effects(input=elements.roll_off(s["start_pct"] / 100, s["loss"])),
    ),
    (
        12,
        "double counting",
        _TAKES,
        "f = f0 (1 + q)",
        (_pct("share_pct", 100, "q, share of the edges that count twice"),),
        lambda s, _: Effects(input=elements.scale(1 + s["share_pct"] / 100)),
    ),
    (
        13,
        "extra pulses from the inverter",
        _MAKES,
        "f = f0 + fn while a source drives",
        (_size("rate_Hz", "Hz", 20, "fn"),),
        lambda s, p: _extra_pulses(s["rate_Hz"], p),
    ),
    (
        14,
        "gate quantisation",
        _TAKES,
        "f^ = floor(f Tg + phase) / Tg",
        (_size("gate_s", "s", 0.1, "Tg"),),
        lambda s, p: _gate(s["gate_s"], p),
    ),
    (
        15,
        "low frequency cut-off",
        _TAKES,
        "y = 0 if f < f_min",
        (_pct("cut_off_pct", 12, "f_min, of input span"),),
        lambda s, _: Effects(input=elements.dead_around_zero(s["cut_off_pct"] / 100)),
    ),
    (
        16,
        "meter resolution",
        _LAST,
        "y = q round(y / q)",
        (_pct("step_pct", 0.5, "q, of the span at the tap"),),
        lambda s, p: _level_noise(elements.quantise, s["step_pct"] / 100, p),
    ),
    (
        17,
        "mains pickup",
        _LAST,
        "I + A sin(2 pi f t)",
        (
            _pct("amplitude_pct", 1, "A, of the span at the tap"),
            _size("frequency_Hz", "Hz", 60, "f; a meter that integrates whole cycles of it, as 20 ms at 50, sees none"),
        ),
        lambda s, p: _level_noise(lambda a: elements.ripple(a, s["frequency_Hz"]), s["amplitude_pct"] / 100, p),
    ),
    (
        18,
        "inverter pickup",
        _LAST,
        "I + bursts, growing with the drive",
        (
            _pct("amplitude_pct", 1, "size of a burst, of the span at the tap"),
            _pct("share_pct", 30, "readings that are hit"),
        ),
        lambda s, p: _level_noise(lambda a: elements.bursts(a, s["share_pct"] / 100), s["amplitude_pct"] / 100, p),
    ),
    (
        19,
        "intermittent contact",
        _LAST,
        "I = 0 with a probability",
        (_pct("share_pct", 3, "probability, of readings"),),
        lambda s, _: Effects(reading=elements.dropout(s["share_pct"] / 100)),
    ),
    (
        20,
        "lag",
        _LAST,
        "y' = (x - y) / tau, beside the unit's own",
        (_size("tau_s", "s", 10, "tau"),),
        lambda s, _: Effects(lag_s=s["tau_s"]),
    ),
    (
        21,
        "stale reading",
        _LAST,
        "y_k = y_(k-1): what the dwell before ended with",
        (_size("gap_s", "s", 5, "pause without a reading that also begins a new dwell"),),
        lambda s, _: Effects(reading=elements.Stale(s["gap_s"])),
    ),
    (22, "square root applied", _LAST, "y = sqrt(x)", (), lambda _, __: Effects(output=_square_root())),
    (
        23,
        "square root missing",
        _LAST,
        "y = x where sqrt(x) is due",
        (),
        lambda _, __: Effects(shape=elements.power_law(1)),
    ),
    (
        23,
        "square root twice",
        _LAST,
        "y = x^(1/4) where sqrt(x) is due",
        (),
        lambda _, __: Effects(shape=elements.power_law(0.25)),
    ),
    (24, "reversed action", _LAST, "y = 1 - x", (), lambda _, __: Effects(output=elements.reverse())),
    (25, "wrong temperature unit", _SENSOR, "y = (1.8 t + 32 - L) / S", (), lambda _, p: _temperature_unit(p)),
    (
        26,
        "wrong pressure unit",
        _FIRST,
        "y = k x",
        (_size("factor", "1", 0.980665, "k: 14.504 psi/bar, 0.980665 bar/(kgf/cm2), 6.895 kPa/psi, 0.2491 kPa/inH2O"),),
        lambda s, _: Effects(value=elements.scale(s["factor"])),
    ),
    (
        27,
        "gauge against absolute",
        _FIRST,
        "y = x + p_atm / S",
        (_size("pressure_mbar", "mbar", 1013.25, "p_atm; negative = gauge where absolute is due"),),
        lambda s, p: _absolute(s["pressure_mbar"], p),
    ),
    (
        28,
        "wrong rtd curve",
        _SENSOR,
        "t = inv_B(R_A(t))",
        (
            _size("a", "1/degC", 3.9739e-3, "linear coefficient of the curve it decodes with (0.003916 by default)"),
            _size("b", "1/degC**2", -5.870e-7, "square coefficient of that curve"),
            _size("r0_ohm", "ohm", 100, "resistance at 0 degC that it decodes with"),
        ),
        _rtd_curve,
    ),
    (
        29,
        "wrong thermocouple type",
        _SENSOR,
        "t = inv_B(E_A(t))",
        (_size("type", "1", 2, "type it decodes with: 0 to 7 = B E J K N R S T"),),
        lambda s, p: _thermocouple_type(s["type"], p),
    ),
    (
        30,
        "cold junction error",
        _SENSOR,
        "E(t) + E(t_cj) - E(t_cj + d)",
        (_size("error_degC", "delta_degC", 3, "d, how much warmer the terminals are than the unit believes"),),
        lambda s, p: _cold_junction(s["error_degC"], p),
    ),
    (
        31,
        "lead resistance",
        _SENSOR,
        "t = inv(R + R_L)",
        (_size("lead_ohm", "ohm", 2, "R_L, both leads"),),
        lambda s, p: _leads(s["lead_ohm"], p),
    ),
    (
        32,
        "compensating cable reversed",
        _SENSOR,
        "t + 2 (t_cable - t_box)",
        (_size("difference_degC", "delta_degC", 4, "terminals less junction box"),),
        lambda s, p: _reversed_cable(s["difference_degC"], p),
    ),
    (
        33,
        "loop compliance",
        _CURRENT,
        "I = min(I, (Vs - Vmin) / R)",
        (_SUPPLY, _MINIMUM, _size("loop_ohm", "ohm", 800, "R, whole loop")),
        lambda s, p: _compliance(s["supply_V"], s["minimum_V"], s["loop_ohm"], p),
    ),
    (
        34,
        "supply sag",
        _CURRENT,
        "as loop compliance, Vs = V0 - Rs sum(I)",
        (
            _SUPPLY,
            _MINIMUM,
            _size("loop_ohm", "ohm", 500, "R, whole loop"),
            _size("source_ohm", "ohm", 80, "Rs"),
            _size("others_mA", "mA", 60, "current of the other loops"),
        ),
        lambda s, p: _compliance(
            s["supply_V"] - s["source_ohm"] * s["others_mA"] / 1e3,
            s["minimum_V"],
            s["loop_ohm"] + s["source_ohm"],
            p,
        ),
    ),
    (
        35,
        "clamp by design",
        _CURRENT,
        "I = clip(low, high)",
        (_size("low_mA", "mA", 3.8, "lower limit"), _size("high_mA", "mA", 20.5, "upper limit")),
        lambda s, _: Effects(clamp=elements.clamp(s["low_mA"], s["high_mA"])),
    ),
    (
        36,
        "sensor burnout",
        _CURRENT,
        "I = alarm level",
        (_size("level_mA", "mA", 3.6, "alarm level: 3.6 and below, or 21 and above"),),
        lambda s, _: Effects(clamp=elements.constant(s["level_mA"])),
    ),
    (
        37,
        "stuck output",
        _LAST,
        "y = constant",
        (_pct("level_pct", 50, "where it is stuck, of output span"),),
        lambda s, _: Effects(output=elements.constant(s["level_pct"] / 100)),
    ),
    (
        38,
        "leak across receiver",
        _CURRENT,
        "I Rp / (Rp + Rr)",
        (_size("leak_ohm", "ohm", 25000, "Rp"), _size("receiver_ohm", "ohm", 250, "Rr")),
        lambda s, _: Effects(level=elements.scale(s["leak_ohm"] / (s["leak_ohm"] + s["receiver_ohm"]))),
    ),
    (
        39,
        "leak across transmitter",
        _CURRENT,
        "I + (Vs - I R) / Rp",
        (_SUPPLY, _size("loop_ohm", "ohm", 250, "R"), _size("leak_ohm", "ohm", 1e5, "Rp")),
        _leak_across,
    ),
    (
        40,
        "ground loop",
        _CURRENT,
        "I + Ig(t)",
        (
            _pct("size_pct", 0.8, "mean of Ig, of output span; it swings by 30 % of that"),
            _size("period_s", "s", 900, "period of the swing"),
        ),
        lambda s, p: Effects(level=_ground_loop(s["size_pct"] / 100 * abs(p.after.span), s["period_s"])),
    ),
    (
        41,
        "load resistor wrong",
        _CURRENT,
        "I R / R0",
        (_size("actual_ohm", "ohm", 249, "R"), _size("nominal_ohm", "ohm", 250, "R0")),
        lambda s, _: Effects(reading=elements.scale(s["actual_ohm"] / s["nominal_ohm"])),
    ),
    (
        42,
        "source error",
        _FIRST,
        "T1 = T0 (1 + s) + z",
        (_pct("gain_pct", 0.3, "s, of the range's fraction"), _pct("offset_pct", 0.2, "z, of the first tap's span")),
        lambda s, _: Effects(source=elements.affine(s["offset_pct"] / 100, s["gain_pct"] / 100)),
    ),
    (
        43,
        "meter gain",
        _LAST,
        "I (1 + g) + o",
        (_pct("gain_pct", 0.5, "g, of reading"), _pct("offset_pct", 0, "o, of the span at the tap")),
        lambda s, p: _meter(s["gain_pct"] / 100, s["offset_pct"] / 100, p),
    ),
    (
        43,
        "meter offset",
        _LAST,
        "I + o",
        (_pct("offset_pct", 0.5, "o, of the span at the tap"),),
        lambda s, p: _meter(0, s["offset_pct"] / 100, p),
    ),
    (
        43,
        "meter fuse blown",
        _CURRENT,
        "I = 0, the loop is open",
        (),
        lambda _, __: Effects(level=elements.constant(0)),
    ),
    (
        44,
        "meter burden",
        _CURRENT,
        "R = R_loop + R_meter",
        (
            _SUPPLY,
            _MINIMUM,
            _size("loop_ohm", "ohm", 600, "loop without the meter"),
            _size("burden_ohm", "ohm", 200, "the meter"),
        ),
        lambda s, p: _compliance(s["supply_V"], s["minimum_V"], s["loop_ohm"] + s["burden_ohm"], p),
    ),
    (
        45,
        "bow",
        _LAST,
        "y = x + c 4 x (1 - x)",
        (_pct("size_pct", 0.8, "c, of output span"),),
        lambda s, _: Effects(output=elements.bow(s["size_pct"] / 100)),
    ),
    (
        46,
        "s shape",
        _LAST,
        "y = x + c sin(2 pi x)",
        (_pct("size_pct", 0.6, "c, of output span"),),
        lambda s, _: Effects(output=elements.s_shape(s["size_pct"] / 100)),
    ),
    (
        47,
        "hysteresis",
        _LAST,
        "y = x - D (h/2) 4 x (1 - x)",
        (_pct("size_pct", 0.8, "h, of output span"),),
        lambda s, _: Effects(output=elements.Lens(s["size_pct"] / 100)),
    ),
    (
        48,
        "backlash",
        _LAST,
        "play operator of width w",
        (_pct("width_pct", 1, "w, of output span"),),
        lambda s, _: Effects(output=elements.Play(s["width_pct"] / 100)),
    ),
    (
        49,
        "dead band",
        _LAST,
        "no output change for less than d after turning back: play at the input",
        (_pct("width_pct", 1, "d, of input span"),),
        lambda s, _: Effects(input=elements.Play(s["width_pct"] / 100)),
    ),
    (
        50,
        "stiction",
        _LAST,
        "hold until |x - p| > w, then jump",
        (_pct("width_pct", 12, "w, of input span"),),
        lambda s, _: Effects(input=elements.Stiction(s["width_pct"] / 100)),
    ),
    (
        51,
        "drift",
        _LAST,
        "y + k t",
        (_pct("rate_pct_per_h", 1, "k, of output span in an hour"),),
        lambda s, _: Effects(output=elements.drift(s["rate_pct_per_h"] / 100)),
    ),
    (
        51,
        "warm-up",
        _LAST,
        "y + d (1 - exp(-t / tau))",
        (_pct("size_pct", 0.8, "d, of output span"), _size("tau_s", "s", 900, "tau")),
        lambda s, _: Effects(output=elements.warm_up(s["size_pct"] / 100, s["tau_s"])),
    ),
    (
        52,
        "missing code",
        _LAST,
        "y + d above x0",
        (_pct("size_pct", 0.6, "d, of output span"), _pct("place_pct", 45, "x0, of output span")),
        lambda s, _: Effects(output=elements.step_at(s["place_pct"] / 100, s["size_pct"] / 100)),
    ),
    (
        53,
        "slip",
        _SPEED,
        "n = ns (1 - s load)",
        (_pct("slip_pct", 3, "s, at full load"), _pct("load_pct", 100, "load")),
        lambda s, _: Effects(output=elements.scale(1 - s["slip_pct"] * s["load_pct"] / 1e4)),
    ),
    (
        54,
        "drive limits",
        _SPEED,
        "n = clip, dead, skip of x",
        (
            _pct("lowest_pct", 5, "lowest speed, of output span"),
            _pct("highest_pct", 95, "highest speed"),
            _pct("dead_pct", 0, "input dead band above zero"),
            _pct("skip_from_pct", 0, "skipped band, lower end; none if both ends are alike"),
            _pct("skip_to_pct", 0, "skipped band, upper end"),
        ),
        lambda s, _: _drive_limits(s),
    ),
    (
        55,
        "tachometer marks",
        _SPEED,
        "T3 = k n at the tachometer alone",
        (_size("factor", "1", 2, "k: 2, 3, 1/2"),),
        lambda s, _: Effects(reading=elements.scale(s["factor"])),
    ),
    (
        56,
        "wrong tap",
        _LAST,
        "a receiver sees the signal of another tap (nothing, if that is of another kind)",
        (_size("sees", "1", 0, "index of the tap it sees"),),
        lambda s, p: _wrong_tap(s["sees"], p),
    ),
)


CATALOGUE: Mapping[str, FaultKind] = MappingProxyType(
    {
        name: FaultKind(name=name, row=row, meaning=meaning, acts_at=acts_at, parameters=parameters, effects=effects)
        for row, name, acts_at, meaning, parameters, effects in _ROWS
    }
)
