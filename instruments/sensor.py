"""What carries a temperature at a tap: an RTD's resistance, or a thermocouple's EMF against its terminals."""

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
import numpy.typing as npt

from instruments import thermometry

__all__ = ["Rtd", "Sensor", "Thermocouple"]

FloatArray = npt.NDArray[np.float64]


class Sensor(Protocol):
    """Temperature in degC to an electrical signal, and back."""

    @property
    def signal_unit(self) -> str:
        """Unit of the signal."""

    def to_signal(self, value: FloatArray) -> FloatArray:
        """Signal for a temperature in degC, same shape; NaN outside the sensor's range."""

    def to_value(self, signal: FloatArray) -> FloatArray:
        """Temperature in degC for a signal, same shape; NaN outside the sensor's range."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rtd:
    """Platinum resistance thermometer by IEC 60751; `r0_ohm` is its resistance at 0 degC."""

    r0_ohm: float = 100.0

    @property
    def signal_unit(self) -> str:
        """Unit of the signal: ohm."""
        return "ohm"

    def to_signal(self, value: FloatArray) -> FloatArray:
        """Resistance in ohm for a temperature in degC; NaN outside -200 .. 850 degC."""
        return thermometry.rtd_ohm(value, r0_ohm=self.r0_ohm)

    def to_value(self, signal: FloatArray) -> FloatArray:
        """Temperature in degC for a resistance in ohm; NaN outside -200 .. 850 degC."""
        return thermometry.rtd_degC(signal, r0_ohm=self.r0_ohm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermocouple:
    """Thermocouple by IEC 60584-1 (ITS-90), its terminals at `junction_degC` and compensated by the unit.

    The EMF that a source must give is E(t) - E(t_junction): temperatures are never added.
    """

    type: Literal["B", "E", "J", "K", "N", "R", "S", "T"]
    junction_degC: float

    @property
    def signal_unit(self) -> str:
        """Unit of the signal: mV."""
        return "mV"

    def to_signal(self, value: FloatArray) -> FloatArray:
        """EMF in mV at the terminals for a temperature in degC; NaN outside the type's range."""
        junction_mV = thermometry.thermocouple_mV(np.asarray(self.junction_degC), type=self.type)
        return np.asarray(thermometry.thermocouple_mV(value, type=self.type) - junction_mV)

    def to_value(self, signal: FloatArray) -> FloatArray:
        """Temperature in degC for an EMF in mV at the terminals; NaN outside the type's range."""
        junction_mV = thermometry.thermocouple_mV(np.asarray(self.junction_degC), type=self.type)
        return thermometry.thermocouple_degC(np.asarray(signal, dtype=np.float64) + junction_mV, type=self.type)
