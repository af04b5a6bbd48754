"""The data sheet of a unit as numbers: its taps, and the ideal characteristic of each stage between them.

All values are floats in the unit named beside them. The type sheet (YAML) becomes one of these; the simulated bench
takes it as the ideal unit, and evaluation holds readings against it. It knows no fault, no tolerance and no instrument.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from numpy.polynomial import legendre

from instruments.certified import Certified
from instruments.sensor import Sensor

__all__ = ["Characteristic", "Correction", "DataSheet", "FloatArray", "Stage", "Tap"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What lies between the signal at a tap and the instrument that reads it: reading = factor * signal + shift.

    A shunt makes a voltage of a current, a lead adds its resistance. What sets the tap does not go through it.
    """

    unit: str
    factor: float = 1.0
    shift: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """A place on the chain where a value is set, read by an instrument, or keyed in.

    `low` is the value at 0 % and `high` at 100 %; a reversed signal (20 .. 4 mA) has `low` above `high`. Where a sensor
    carries the value (a temperature as ohms or millivolts), `unit` is that of the value, `sensor` gives the signal.
    `certified` are the errors of the instrument that reads the tap, or of the source where nothing reads it.
    """

    name: str
    low: float
    high: float
    unit: str
    sensor: Sensor | None = None
    correction: Correction | None = None
    certified: Certified | None = None

    @property
    def span(self) -> float:
        """Value at 100 % less value at 0 %; negative for a reversed signal."""
        return self.high - self.low

    @property
    def signal_unit(self) -> str:
        """Unit of what an instrument sets here: that of the sensor's signal, or of the value itself."""
        return self.sensor.signal_unit if self.sensor else self.unit

    @property
    def reading_unit(self) -> str:
        """Unit of what an instrument reads here: that of the signal, but where a shunt stands between them."""
        return self.correction.unit if self.correction else self.signal_unit

    def to_signal(self, value: FloatArray) -> FloatArray:
        """The signal at this tap for a value, in `signal_unit`."""
        return self.sensor.to_signal(value) if self.sensor else np.asarray(value, dtype=np.float64)

    def to_value(self, signal: FloatArray) -> FloatArray:
        """The value, in `unit`, for a signal at this tap."""
        return self.sensor.to_value(signal) if self.sensor else np.asarray(signal, dtype=np.float64)

    def to_reading(self, value: FloatArray) -> FloatArray:
        """What an instrument shows at this tap for a value, in `reading_unit`."""
        return self.shown(self.to_signal(value))

    def from_reading(self, reading: FloatArray) -> FloatArray:
        """The value, in `unit`, for what an instrument shows at this tap: corrected."""
        signal = np.asarray(reading, dtype=np.float64)
        if self.correction is not None:
            signal = (signal - self.correction.shift) / self.correction.factor
        return self.to_value(signal if self.certified is None else self.certified.true(signal))

    def from_typed(self, value: FloatArray) -> FloatArray:
        """The value, in `unit`, for one written down in that unit: corrected, but where a sensor carries it."""
        found = np.asarray(value, dtype=np.float64)
        return found if self.certified is None or self.sensor is not None else self.certified.true(found)

    def given(self, value: FloatArray) -> FloatArray:
        """The value, in `unit`, where the source is set to one: corrected, where the source has a certificate."""
        if self.certified is None or not self.certified.is_set:
            return np.asarray(value, dtype=np.float64)
        return self.to_value(self.certified.true(self.to_signal(value)))

    def shown(self, signal: FloatArray) -> FloatArray:
        """What an instrument shows at this tap for a signal, in `reading_unit`."""
        found = np.asarray(signal, dtype=np.float64)
        if self.certified is not None:
            found = self.certified.shown(found)
        return found if self.correction is None else self.correction.factor * found + self.correction.shift

    def fraction(self, value: FloatArray) -> FloatArray:
        """The value as a fraction of this tap's range, 0 at `low`, 1 at `high`."""
        return (np.asarray(value, dtype=np.float64) - self.low) / self.span

    def value(self, fraction: FloatArray) -> FloatArray:
        """The value, in `unit`, at a fraction of this tap's range."""
        return np.asarray(self.low + self.span * np.asarray(fraction, dtype=np.float64))


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristic:
    """Ideal output of a stage, as fraction of the output range, for its input as fraction of the input range.

    Args:
        kind: "linear"; "square root" (flow from differential pressure); "table" (straight between `points`); or
            "polynomial", which no type sheet states: it was fitted to readings.
        cut_off_frac: square root only: an output below this fraction is ideally at 0 (low-flow cut-off).
        points: table only: (input fraction, output fraction), input ascending.
        series: polynomial only: in Legendre's polynomials over `domain`.
        domain: polynomial only: input fractions at both ends of what it was fitted over.
    """

    kind: Literal["linear", "square root", "table", "polynomial"] = "linear"
    cut_off_frac: float = 0.0
    points: tuple[tuple[float, float], ...] = ()
    series: tuple[float, ...] = ()
    domain: tuple[float, float] = (0.0, 1.0)

    def _place(self, x: FloatArray) -> FloatArray:
        low, high = self.domain
        return (2 * x - (low + high)) / (high - low)

    def output(self, x_frac: FloatArray) -> FloatArray:
        """Ideal output fraction, same shape as `x_frac`; NaN stays NaN; beyond the range it goes on ideally.

        There is no root below zero: what extracts it gives 0 there (common practice, no source).
        """
        x = np.asarray(x_frac, dtype=np.float64)
        if self.kind == "linear":
            return x.copy()
        if self.kind == "square root":
            flow = np.sqrt(np.maximum(x, 0.0))
            return np.asarray(np.where(flow < self.cut_off_frac, 0.0, flow))
        if self.kind == "polynomial":
            return np.asarray(legendre.legval(self._place(x), self.series))
        table = np.asarray(self.points)
        inside = np.interp(x, table[:, 0], table[:, 1])
        below = table[0, 1] + (x - table[0, 0]) * (table[1, 1] - table[0, 1]) / (table[1, 0] - table[0, 0])
        above = table[-1, 1] + (x - table[-1, 0]) * (table[-1, 1] - table[-2, 1]) / (table[-1, 0] - table[-2, 0])
        return np.asarray(np.where(x < table[0, 0], below, np.where(x > table[-1, 0], above, inside)))

    def slope(self, x_frac: FloatArray) -> FloatArray:
        """Slope d output fraction / d input fraction, same shape; infinite at 0 of a square root without cut-off."""
        x = np.asarray(x_frac, dtype=np.float64)
        if self.kind == "linear":
            return np.ones_like(x)
        if self.kind == "square root":
            with np.errstate(divide="ignore"):
                steep = 0.5 / np.sqrt(np.maximum(x, 0.0))
            return np.asarray(np.where((x < 0) | self.is_cut_off(x), 0.0, steep))
        if self.kind == "polynomial":
            per_place = legendre.legval(self._place(x), legendre.legder(self.series))
            return np.asarray(2 / (self.domain[1] - self.domain[0]) * per_place)
        table = np.asarray(self.points)
        part = np.clip(np.searchsorted(table[:, 0], x, side="right") - 1, 0, len(table) - 2)
        return np.asarray((np.diff(table[:, 1]) / np.diff(table[:, 0]))[part])

    def has_no_slope(self, low_frac: FloatArray, high_frac: FloatArray) -> npt.NDArray[np.bool_]:
        """True where the slope has no bound somewhere from `low_frac` to `high_frac`: at 0 of a root that goes on."""
        if self.kind != "square root" or self.cut_off_frac:
            return np.zeros(np.shape(low_frac), dtype=np.bool_)
        return np.asarray((np.minimum(low_frac, high_frac) <= 0) & (np.maximum(low_frac, high_frac) >= 0))

    def is_cut_off(self, x_frac: FloatArray) -> npt.NDArray[np.bool_]:
        """True where the input lies below the low-flow cut-off; such a point says nothing of conformity."""
        x = np.asarray(x_frac, dtype=np.float64)
        if self.kind != "square root":
            return np.zeros(x.shape, dtype=np.bool_)
        return np.asarray(np.sqrt(np.maximum(x, 0.0)) < self.cut_off_frac)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """What lies between two neighbouring taps.

    `time_constant_s` and `dead_time_s` are the nominal ones of the data sheet; they guide settling and the simulated
    bench, never a figure. `pulses_per_revolution` is set where the stage turns a speed into a pulse rate.
    """

    name: str
    characteristic: Characteristic = Characteristic()
    time_constant_s: float = 0.0
    dead_time_s: float = 0.0
    pulses_per_revolution: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DataSheet:
    """A unit: `stages[i]` lies between `taps[i]` and `taps[i + 1]`."""

    type: str
    taps: tuple[Tap, ...]
    stages: tuple[Stage, ...]

    def ideal(self, value: FloatArray, *, first: int = 0, last: int = -1) -> FloatArray:
        """Ideal value at tap `last` for a value at tap `first`, each in its tap's unit; same shape.

        Args:
            value: at tap `first`.
            first: index of the tap where the value stands.
            last: index of the tap that is asked for; -1 is the last one.
        """
        end = last % len(self.taps)
        frac = self.taps[first].fraction(value)
        for stage in self.stages[first:end]:
            frac = stage.characteristic.output(frac)
        return self.taps[end].value(frac)
