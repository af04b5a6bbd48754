"""What a fault does where one element is not enough: it looks at the place, and may refuse it.

Each gives the effects for sizes that are known to be finite; a place where the fault has nothing to act on is an
InputError. Elements stand in `elements`, what is ordinary about a unit in `physics`.
"""

import math
from collections.abc import Callable
from typing import Literal

import numpy as np

from instruments import thermometry
from instruments.datasheet import Tap
from instruments.errors import InputError
from instruments.sensor import Thermocouple
from instruments.simulated import elements
from instruments.simulated.elements import Effects, Element
from instruments.simulated.faults.kind import Place, Sizes
from instruments.simulated.signals import PRESSURE_MBAR, PULSE_HZ, mbar_in, signal_span

__all__ = [
    "absolute",
    "cold_junction",
    "compliance",
    "dead_zero_read",
    "dead_zero_sent",
    "drive_limits",
    "extra_pulses",
    "gate",
    "influence",
    "leads",
    "leak_across",
    "level_noise",
    "meter",
    "reversed_cable",
    "rtd_curve",
    "supply_sag",
    "swinging",
    "temperature_unit",
    "thermocouple_type",
    "wrong_tap",
]

_THERMOCOUPLES: tuple[Literal["B", "E", "J", "K", "N", "R", "S", "T"], ...] = ("B", "E", "J", "K", "N", "R", "S", "T")


def _live_zero(place: Place, what: str) -> Tap:
    tap = place.after
    if tap.low == 0 or tap.high == 0:
        raise InputError(
            f'the fault "{what}" needs an output with a live zero',
            where=f"tap {tap.name}",
            allowed="4 .. 20 mA, 1 .. 5 V",
        )
    return tap


def dead_zero_sent(place: Place, *, floor: bool) -> Effects:
    """The output sends 0 .. 20 where 4 .. 20 is due; with `floor` it stays at its live zero below that."""
    tap = _live_zero(place, "live zero lost" if floor else "0-20 sent")
    low, high = min(tap.low, tap.high), max(tap.low, tap.high)

    def sent(level: float, _: elements.Moment) -> float:
        return min(1.025 * high, max(low if floor else 0.0, high * (level - tap.low) / tap.span))

    # The unit's own clamp belongs to the scaling that it does not have.
    return Effects(clamp=sent)


def swinging(period_s: float, zeta: float) -> Effects:
    """The output swings over its new level before it rests there, once in each period."""
    if not (period_s > 0 and 0.01 <= zeta <= 0.99):
        raise InputError(
            f"a swing of {period_s:g} s with a damping of {zeta:g} is none",
            allowed="a time above 0 s, and a damping from 0.01 to 0.99",
        )
    return Effects(swing=(period_s * math.sqrt(1 - zeta**2) / (2 * math.pi), zeta))


def dead_zero_read(place: Place) -> Effects:
    """The receiver takes a live zero for a part of the signal."""
    tap = place.read
    return Effects(reading=lambda level, _: tap.low + tap.span * level / tap.high)


def extra_pulses(size_Hz: float, place: Place) -> Effects:
    """Pulses on top of those that come, as long as a source drives; at the tap after the stage, or before it."""

    def adding(extra: float) -> Element:
        return lambda level, moment: level + extra if moment.is_driven else level

    if place.after.signal_unit in PULSE_HZ:
        return Effects(level=adding(size_Hz / PULSE_HZ[place.after.signal_unit]))
    if place.before.signal_unit in PULSE_HZ:
        return Effects(carried=adding(size_Hz / PULSE_HZ[place.before.signal_unit]))
    raise InputError("no pulses to add to here", where=f"stage {place.stage}", allowed="a tap in Hz or kHz")


def gate(gate_s: float, place: Place) -> Effects:
    """Whole pulses in a gate."""
    factor = PULSE_HZ.get(place.before.signal_unit)
    if factor is None:
        raise InputError("no pulses to count here", where=f"tap {place.before.name}", allowed="a tap in Hz or kHz")
    return Effects(output=elements.gate_count(gate_s, place.before.low * factor, place.before.span * factor))


def temperature_unit(place: Place) -> Effects:
    """Degrees Fahrenheit taken for degrees Celsius."""
    if place.before.unit not in {"degC", "°C"}:
        raise InputError("no temperature to mistake here", where=f"tap {place.before.name}", allowed="a tap in degC")
    return Effects(value=lambda value_degC, _: 1.8 * value_degC + 32)


def absolute(pressure_mbar: float, place: Place) -> Effects:
    """A pressure on top of the one that is applied."""
    factor = mbar_in(place.before.signal_unit)
    if factor is None:
        raise InputError(
            "no pressure to mistake here", where=f"tap {place.before.name}", allowed=", ".join(PRESSURE_MBAR)
        )
    return Effects(value=elements.shift(pressure_mbar / factor))


def _needs_ohm(place: Place) -> None:
    if place.before.signal_unit not in {"ohm", "Ω"}:
        raise InputError("no resistance sensor here", where=f"tap {place.before.name}", allowed="a tap in ohm")


def leads(lead_ohm: float, place: Place) -> Effects:
    """Resistance of the leads on top of the sensor's."""
    _needs_ohm(place)
    return Effects(carried=elements.shift(lead_ohm))


def rtd_curve(sizes: Sizes, place: Place) -> Effects:
    """Decoded with the curve of another resistance sensor; NaN above its vertex."""
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


def thermocouple_type(index: float, place: Place) -> Effects:
    """Decoded with the curve of another thermocouple, by its index in B E J K N R S T."""
    if index not in range(len(_THERMOCOUPLES)):
        raise InputError(
            f"{index:g} is no thermocouple type",
            allowed=", ".join(f"{i} = {letter}" for i, letter in enumerate(_THERMOCOUPLES)),
        )
    wrong = Thermocouple(type=_THERMOCOUPLES[int(index)], junction_degC=_thermocouple(place).junction_degC)
    return Effects(decode=lambda emf_mV: float(wrong.to_value(np.asarray(emf_mV))))


def cold_junction(error_degC: float, place: Place) -> Effects:
    """Terminals warmer than the unit believes."""
    sensor = _thermocouple(place)
    taken_mV, real_mV = (
        float(thermometry.thermocouple_mV(np.asarray(junction_degC), type=sensor.type))
        for junction_degC in (sensor.junction_degC, sensor.junction_degC + error_degC)
    )
    return Effects(carried=elements.shift(taken_mV - real_mV))


def reversed_cable(difference_degC: float, place: Place) -> Effects:
    """Compensating cable the wrong way round, between two temperatures."""
    _thermocouple(place)
    return Effects(value=elements.shift(2 * difference_degC))


def compliance(supply_V: float, minimum_V: float, loop_ohm: float, place: Place) -> Effects:
    """No more current than the supply can drive through the loop."""
    factor = {"mA": 1e3, "A": 1.0}.get(place.after.signal_unit)
    if factor is None:
        raise InputError("no current loop here", where=f"tap {place.after.name}", allowed="a tap in mA or A")
    return Effects(level=elements.compliance(supply_V, minimum_V, loop_ohm, factor))


def influence(name: str, reference: float, sizes: Sizes) -> Effects:
    """Zero and span move with a quantity that the bench holds."""
    return Effects(output=elements.influenced(name, reference, sizes["zero_pct"] / 100, sizes["span_pct"] / 100))


def supply_sag(sizes: Sizes, place: Place) -> Effects:
    """As `compliance`, from a supply that the current of other loops pulls down."""
    supply_V = sizes["supply_V"] - sizes["source_ohm"] * sizes["others_mA"] / 1e3
    return compliance(supply_V, sizes["minimum_V"], sizes["loop_ohm"] + sizes["source_ohm"], place)


def leak_across(sizes: Sizes, place: Place) -> Effects:
    """Current past the transmitter."""
    if place.after.signal_unit != "mA":
        raise InputError("no current loop here", where=f"tap {place.after.name}", allowed="a tap in mA")
    return Effects(level=elements.leak_across(sizes["supply_V"], sizes["loop_ohm"], sizes["leak_ohm"]))


def wrong_tap(index: float, place: Place) -> Effects:
    """The receiver hangs on another tap, by its index."""
    taps_n = len(place.sheet.taps)
    if index not in range(taps_n):
        raise InputError(f"no tap {index:g}", allowed=f"0 to {taps_n - 1}")
    return Effects(reads_tap=int(index))


def meter(gain: float, offset: float, place: Place) -> Effects:
    """A receiver with an error of gain, and of offset as a share of the span at the tap."""
    return Effects(reading=elements.affine(offset * signal_span(place.read), gain))


def level_noise(build: Callable[[float], Element], amplitude: float, place: Place) -> Effects:
    """An element of a receiver, built for an amplitude given as a share of the span at the tap."""
    return Effects(reading=build(amplitude * signal_span(place.read)))


def drive_limits(sizes: Sizes) -> Effects:
    """Lowest and highest speed, input dead band and skipped band of a drive."""
    return Effects(
        output=elements.chained(
            elements.dead_around_zero(sizes["dead_pct"] / 100),
            elements.skip_band(sizes["skip_from_pct"] / 100, sizes["skip_to_pct"] / 100),
            elements.clamp(sizes["lowest_pct"] / 100, sizes["highest_pct"] / 100),
        )
    )
