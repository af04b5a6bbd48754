"""Units of pressure and of pulse rate that a tap of the simulated bench may have, and how large each is."""

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["PRESSURE_MBAR", "PULSE_HZ"]

# inH2O is the conventional one, of water at 4 degC.
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
    }
)
PULSE_HZ: Mapping[str, float] = MappingProxyType({"Hz": 1.0, "kHz": 1000.0})
