"""Signals at the taps of the simulated bench: units of pressure and pulse rate, and a range as a width of signal."""

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from instruments.datasheet import Tap

__all__ = ["PRESSURE_MBAR", "PULSE_HZ", "mbar_in", "scalar", "signal_span"]

# Columns are the conventional ones, of water at 4 degC and of mercury at 0 degC.
PRESSURE_MBAR: Mapping[str, float] = MappingProxyType(
    {
        "Pa": 0.01,
        "hPa": 1.0,
        "mbar": 1.0,
        "kPa": 10.0,
        "bar": 1000.0,
        "MPa": 1e4,
        "psi": 68.947573,
        "inH2O": 2.490889,
        "mmH2O": 0.0980665,
        "mmHg": 1.333224,
        "inHg": 33.86389,
        "Torr": 1.333224,
    }
)
PULSE_HZ: Mapping[str, float] = MappingProxyType({"Hz": 1.0, "kHz": 1000.0})


def mbar_in(unit: str) -> float | None:
    """How many mbar one of a unit of pressure is, gauge and absolute alike; None if it is none."""
    return PRESSURE_MBAR.get(unit.removesuffix("(g)").removesuffix("(a)"))


def scalar(curve: Callable[..., object], level: float) -> float:
    """One number through a curve for arrays."""
    return float(np.asarray(curve(np.asarray(level, dtype=np.float64)), dtype=np.float64))


def signal_span(tap: Tap) -> float:
    """Width of a tap's range in its signal unit."""
    return abs(scalar(tap.to_signal, tap.high) - scalar(tap.to_signal, tap.low))
