"""Temperature sensors: wrong curve, leads, junctions, unit."""

from functools import lru_cache

import numpy as np

from instruments import thermometry
from instruments.datasheet import FloatArray, Tap
from instruments.sensor import Rtd, Thermocouple
from sequencer.diagnosis.model.cause import Cause, Sizes, discrete, sizes
from sequencer.diagnosis.model.segment import Equation, Segment

__all__ = ["CAUSES"]

_TYPES = ("B", "E", "J", "K", "N", "R", "S", "T")
# Where the EMF rises with temperature, in degC.
_RISING = {
    "B": (60.0, 1800.0),
    "E": (-250.0, 990.0),
    "J": (-200.0, 1190.0),
    "K": (-250.0, 1365.0),
    "N": (-250.0, 1290.0),
    "R": (-40.0, 1750.0),
    "S": (-40.0, 1750.0),
    "T": (-250.0, 400.0),
}
# Curves of other standards: linear and square coefficient (1/degC, 1/degC^2); and resistances at 0 degC. From memory.
_CURVES = ((3.9083e-3, -5.775e-7), (3.9739e-3, -5.870e-7), (3.9692e-3, -5.8495e-7), (3.9787e-3, -5.8686e-7))
_R0 = (50.0, 100.0, 200.0, 500.0, 1000.0)
_GRID_N = 3000


@lru_cache(maxsize=64)
def _decoding(tap: Tap) -> tuple[FloatArray, FloatArray]:
    """Signals, ascending, and their values."""
    span = abs(tap.span)
    low, high = min(tap.low, tap.high) - 2 * span, max(tap.low, tap.high) + 2 * span
    if isinstance(tap.sensor, Thermocouple):
        bottom, top = _RISING[tap.sensor.type]
    else:
        bottom, top = -200.0, 850.0
    value = np.linspace(max(low, bottom), min(high, top), _GRID_N)
    return tap.to_signal(value), value


def _signal(value: FloatArray, tap: Tap) -> FloatArray:
    signals, values = _decoding(tap)
    return np.interp(value, values, signals)


def _value(signal: FloatArray, tap: Tap) -> FloatArray:
    signals, values = _decoding(tap)
    return np.interp(signal, signals, values)


@lru_cache(maxsize=64)
def _emf(kind: str, junction_degC: float) -> tuple[FloatArray, FloatArray]:
    low, high = _RISING[kind]
    value = np.linspace(low, high, _GRID_N)
    junction = thermometry.thermocouple_mV(np.array(junction_degC), type=kind)  # type: ignore[arg-type]
    return thermometry.thermocouple_mV(value, type=kind) - junction, value  # type: ignore[arg-type]


def _is_rtd(segment: Segment, stage: int) -> bool:
    return isinstance(segment.sheet.taps[stage].sensor, Rtd)


def _is_thermocouple(segment: Segment, stage: int) -> bool:
    return isinstance(segment.sheet.taps[stage].sensor, Thermocouple)


def _tap(segment: Segment, stage: int) -> Tap:
    return segment.sheet.taps[stage]


def _curve(theta: FloatArray, segment: Segment, stage: int) -> Equation:
    value = np.linspace(-200.0, 1500.0, _GRID_N)
    tables = [theta_[2] * (1 + theta_[0] * value + theta_[1] * value**2) for theta_ in theta]

    def equation(found: FloatArray) -> FloatArray:
        ohm = _signal(found, _tap(segment, stage))
        if len(theta) == 1:
            return np.asarray(np.interp(ohm, tables[0], value))
        rows = np.broadcast_to(ohm, (len(theta), ohm.shape[1]))
        return np.stack([np.interp(row, table, value) for row, table in zip(rows, tables, strict=True)])

    return equation


def _other_sensor(theta: FloatArray, segment: Segment, stage: int) -> Equation:
    """What the unit makes of the resistance of a sensor by another curve."""
    tap = _tap(segment, stage)

    def equation(value: FloatArray) -> FloatArray:
        ohm = theta[:, 2:] * (1 + theta[:, :1] * value + theta[:, 1:2] * value**2)
        return _value(ohm, tap)

    return equation


def _curves(segment: Segment, stage: int) -> Sizes:
    sensor = _tap(segment, stage).sensor
    assert isinstance(sensor, Rtd)
    start = np.array([(a, b, r0) for a, b in _CURVES for r0 in _R0 if not (a == _CURVES[0][0] and r0 == sensor.r0_ohm)])
    # The same resistance by another standard is likelier than another resistance by another standard.
    prior = np.where(start[:, 2] == sensor.r0_ohm, 4.0, np.where(start[:, 0] == _CURVES[0][0], 4.0, 0.5))
    log_prior = np.log(prior / prior.sum())
    free = (False, False, False)
    return Sizes(start=start, log_prior=lambda _: log_prior, is_free=free, low=(-np.inf,) * 3, high=(np.inf,) * 3)


def _other_type(theta: FloatArray, segment: Segment, stage: int) -> Equation:
    sensor = _tap(segment, stage).sensor
    assert isinstance(sensor, Thermocouple)
    tables = [_emf(_TYPES[int(index)], sensor.junction_degC) for index in theta[:, 0]]

    def equation(found: FloatArray) -> FloatArray:
        emf = _signal(found, _tap(segment, stage))
        if len(theta) == 1:
            return np.asarray(np.interp(emf, *tables[0], left=-1e4, right=1e4))
        rows = np.broadcast_to(emf, (len(theta), emf.shape[1]))
        # Beyond the ends of its table the unit goes to its alarms.
        return np.stack([np.interp(row, *table, left=-1e4, right=1e4) for row, table in zip(rows, tables, strict=True)])

    return equation


def _types(segment: Segment, stage: int) -> Sizes:
    sensor = _tap(segment, stage).sensor
    assert isinstance(sensor, Thermocouple)
    return discrete(np.array([index for index, kind in enumerate(_TYPES) if kind != sensor.type], dtype=np.float64))


def _junction(theta: FloatArray, segment: Segment, stage: int) -> Equation:
    tap = _tap(segment, stage)
    assert isinstance(tap.sensor, Thermocouple)
    shift = _signal(tap.sensor.junction_degC + theta[:, :1], tap)
    return lambda value: _value(_signal(value, tap) - shift, tap)


def _leads(theta: FloatArray, segment: Segment, stage: int) -> Equation:
    tap = _tap(segment, stage)
    return lambda value: _value(_signal(value, tap) + theta[:, :1], tap)


def _is_celsius(segment: Segment, stage: int) -> bool:
    return _tap(segment, stage).unit in {"degC", "°C"}


def _degrees(segment: Segment, stage: int) -> float:
    return segment.tolerance * abs(_tap(segment, stage).span)


CAUSES: tuple[Cause, ...] = (
    Cause(
        name="wrong temperature unit",
        place="value",
        make=lambda t, s, k: lambda value: np.where(t[:, :1] > 0, 1.8 * value + 32, (value - 32) / 1.8),
        sizes=lambda _s, _k: discrete(np.array([1.0, -1.0])),
        say=lambda t, s, k: "degF where degC is due" if t[0] > 0 else "degC where degF is due",
        check="Read the unit in the configuration: slope 1.8 and offset 32 together are no coincidence.",
        applies=_is_celsius,
        weight=2.0,
    ),
    Cause(
        name="wrong rtd curve",
        place="value",
        make=_curve,
        sizes=_curves,
        say=lambda t, s, k: f"decoded with R0 = {t[2]:g} ohm and A = {t[0]:.5g}/degC",
        check="Simulate the resistance at 0 degC: with another curve the error is nil there. Read type and curve.",
        applies=_is_rtd,
        weight=3.0,
    ),
    Cause(
        name="wrong rtd curve",
        place="value",
        make=_other_sensor,
        sizes=_curves,
        say=lambda t, s, k: f"the sensor itself has R0 = {t[2]:g} ohm and A = {t[0]:.5g}/degC",
        check="Read the class and the curve on the sensor; with another curve the error is nil at 0 degC.",
        applies=_is_rtd,
        weight=1.0,
    ),
    Cause(
        name="wrong thermocouple type",
        place="value",
        make=_other_type,
        sizes=_types,
        say=lambda t, s, k: f"decoded as type {_TYPES[int(t[0])]}",
        check="Read the type in the configuration; look at the colour of the cable by its standard.",
        applies=_is_thermocouple,
        weight=3.0,
    ),
    Cause(
        name="cold junction error",
        place="value",
        make=_junction,
        sizes=lambda s, k: sizes((0.5 * _degrees(s, k), 60.0, 12, True), signed=(True,)),
        say=lambda t, s, k: f"the terminals are {t[0]:+.3g} K from what the unit assumes",
        check="Short the input: it must read the temperature of the terminals.",
        is_of_wiring=True,
        applies=_is_thermocouple,
    ),
    Cause(
        name="compensating cable reversed",
        place="value",
        make=lambda t, s, k: lambda value: value + 2 * t[:, :1],
        sizes=lambda s, k: sizes((0.25 * _degrees(s, k), 40.0, 12, True), signed=(True,)),
        say=lambda t, s, k: f"shifted by {2 * t[0]:+.3g} K, twice the difference between the ends of the cable",
        check="Warm the junction box: the reading must not move.",
        is_of_wiring=True,
        applies=_is_thermocouple,
        weight=0.7,
    ),
    Cause(
        name="lead resistance",
        place="value",
        make=_leads,
        sizes=lambda s, k: sizes((0.15 * _degrees(s, k), 30.0, 12, True)),
        say=lambda t, s, k: f"{t[0]:.3g} ohm of the leads are taken for sensor",
        check="Put a bridge at the sensor's head and measure the leads; read the number of wires in the configuration.",
        is_of_wiring=True,
        applies=_is_rtd,
        weight=2.0,
    ),
)
