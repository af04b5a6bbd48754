"""What people write about a type of unit: what it should do, how well, how fast, and what it must never get.

A plain unit has an `input` and an `output`; a chain has `taps` and `stages`. Both become one `DataSheet`.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Literal, Self

from pydantic import Field, PrivateAttr, model_validator

from instruments.datasheet import Characteristic, Correction, DataSheet, Stage, Tap
from instruments.fields import DifferenceField, DurationField, FractionField, LevelField, SpanField, ToleranceField
from instruments.filemodel import FileModel, short_form
from instruments.sensor import Rtd, Sensor, Thermocouple
from instruments.sensor_classes import PLATINUM, range_degC
from instruments.units import CLASS, Quantity, Span, Terms, is_alike, is_width, magnitude, rescale, show
from sequencer.inputs.characteristic_sheet import LEAST_STEP_FRAC, CurvedCharacteristic, FitSheet, PolynomialFit
from sequencer.inputs.pulse_rates import at_their_rates, check_pulses

__all__ = ["CorrectionSheet", "StageSheet", "TapSheet", "TypeSheet"]

_LONGEST_WAIT_S = 86400.0
_R0_OHM = {"Pt100": 100.0, "Pt500": 500.0, "Pt1000": 1000.0}
RtdName = Literal["Pt100", "Pt500", "Pt1000"]


class SensorSheet(FileModel):
    """What carries a temperature: an RTD, or a thermocouple with its cold junction stated."""

    rtd: RtdName | None = None
    thermocouple: Literal["B", "E", "J", "K", "N", "R", "S", "T"] | None = None
    cold_junction: LevelField | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.rtd is None) == (self.thermocouple is None):
            raise ValueError('exactly one of "rtd" and "thermocouple"')
        if (self.thermocouple is None) != (self.cold_junction is None):
            raise ValueError('"cold junction" beside "thermocouple", and only there')
        if self.cold_junction is not None and not is_alike(str(self.cold_junction.units), "degC"):
            raise ValueError('a cold junction in degC, such as "23 degC"')
        return self

    def sensor(self) -> Sensor:
        """The sensor as functions."""
        if self.rtd is not None:
            return Rtd(r0_ohm=_R0_OHM[self.rtd])
        assert self.thermocouple is not None
        assert self.cold_junction is not None
        return Thermocouple(type=self.thermocouple, junction_degC=magnitude(self.cold_junction, "degC"))


class CorrectionSheet(FileModel):
    """What was measured of the way from a tap to the instrument that reads it, with its expanded uncertainty.

    A shunt (nominal, and as measured) that turns the current into the voltage that is read; a lead whose resistance is
    taken off; or the terminals of a thermocouple, measured in place of the cold junction that the sensor states.
    """

    shunt: LevelField | None = None
    measured: LevelField | None = None
    lead: LevelField | None = None
    junction: LevelField | None = None
    uncertainty: DifferenceField
    k: float = Field(2.0, gt=0, le=10)

    @model_validator(mode="after")
    def _one(self) -> Self:
        if sum(each is not None for each in (self.shunt, self.lead, self.junction)) != 1:
            raise ValueError('exactly one of "shunt", "lead" and "junction"')
        if (self.shunt is None) != (self.measured is None):
            raise ValueError('"measured" beside "shunt", and only there')
        unit = "degC" if self.junction is not None else "ohm"
        given = [each for each in (self.shunt, self.measured, self.lead, self.junction) if each is not None]
        if not all(is_alike(str(each.units), unit) for each in (*given, self.uncertainty)):
            raise ValueError(f"quantities in {unit}")
        if any(magnitude(each, "ohm") <= 0 for each in given if each is not self.junction):
            raise ValueError("resistances above zero")
        if self.uncertainty.magnitude < 0:
            raise ValueError("an uncertainty of zero or more")
        return self

    def carried(self, unit: str) -> Correction | None:
        """From the signal at a tap in a unit to the reading there; None where only the sensor is another."""
        if self.measured is not None:
            return Correction(unit="V", factor=magnitude(self.measured, "ohm") * rescale(unit, "A")[0])
        if self.lead is not None:
            return Correction(unit=unit, shift=magnitude(self.lead, unit))
        return None

    def told(self, nominal_junction: Quantity | None) -> str:
        """What is corrected by how much, as a report says it."""
        U = f"U {show(self.uncertainty)}, k = {self.k:g}".replace("Δ", "")
        if self.shunt is not None and self.measured is not None:
            by_pct = 100 * (magnitude(self.shunt, "ohm") / magnitude(self.measured, "ohm") - 1)
            return f"shunt of {show(self.shunt)} taken as {show(self.measured)} ({U}), {by_pct:+.4g} % of reading"
        if self.lead is not None:
            return f"lead of {show(self.lead)} taken off ({U})"
        assert self.junction is not None
        assert nominal_junction is not None
        return f"cold junction taken as {show(self.junction)} ({U}) in place of {show(nominal_junction)}"


class TapSheet(FileModel):
    """A place on the chain: its range, what carries the value, and what must never be exceeded there."""

    range: SpanField
    sensor: Annotated[SensorSheet, short_form(SensorSheet, "rtd", RtdName)] | None = None
    limits: SpanField | None = None
    allowances: dict[str, DifferenceField] = Field(default_factory=dict)
    correction: CorrectionSheet | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.sensor is not None and not is_alike(self.range.unit, "degC"):
            raise ValueError("a range in degC where a sensor is stated")
        if self.limits is not None:
            if not is_alike(self.limits.unit, self.range.unit):
                raise ValueError(f"limits in {self.range.unit}")
            inner = self.range.within(self.limits.unit)
            if not (self.limits.holds(inner.bottom) and self.limits.holds(inner.top)):
                raise ValueError("limits that hold the whole range")
        signal_unit = self.sensor.sensor().signal_unit if self.sensor is not None else self.range.unit
        # In degC it is the cold junction that may lie off.
        units = [signal_unit, *(["degC"] if self.sensor is not None and self.sensor.thermocouple else [])]
        for width in self.allowances.values():
            if width.magnitude < 0 or not any(is_width(str(width.units), unit) for unit in units):
                raise ValueError(f"allowances of zero or more in {' or '.join(units)}")
        if self.correction is not None:
            self._corrects(self.correction, signal_unit)
        return self

    def _corrects(self, given: CorrectionSheet, signal_unit: str) -> None:
        if given.shunt is not None and not is_alike(signal_unit, "mA"):
            raise ValueError(f"a shunt where the signal is a current, not {signal_unit}")
        if given.lead is not None and not is_alike(signal_unit, "ohm"):
            raise ValueError(f"a lead where the signal is a resistance, not {signal_unit}")
        if given.junction is not None and (self.sensor is None or self.sensor.thermocouple is None):
            raise ValueError("a junction where a thermocouple is stated")

    def as_tap(self, name: str) -> Tap:
        """The place as numbers: the sensor as it was measured, what is read corrected."""
        sensor = self.sensor
        if sensor is not None and self.correction is not None and self.correction.junction is not None:
            sensor = sensor.model_copy(update={"cold_junction": self.correction.junction})
        found = Tap(
            name=name,
            low=self.range.low,
            high=self.range.high,
            unit=self.range.unit,
            sensor=sensor.sensor() if sensor else None,
        )
        if self.correction is None:
            return found
        return replace(found, correction=self.correction.carried(found.signal_unit))


class NamedTapSheet(TapSheet):
    """A tap of a chain, with its name."""

    tap: str = Field(min_length=1)


class StageSheet(FileModel):
    """What lies between two neighbouring taps."""

    characteristic: Literal["linear", "square root"] | CurvedCharacteristic = "linear"
    time_constant: DurationField = 0.0
    dead_time: DurationField = 0.0
    _fitted: Characteristic | None = PrivateAttr(None)

    @property
    def fit(self) -> FitSheet | None:
        """The curve that is fitted to the readings; None where the characteristic is stated."""
        given = None if isinstance(self.characteristic, str) else self.characteristic.fit
        if isinstance(given, str):
            return FitSheet(polynomial=PolynomialFit.model_validate({"degree": 1, "through the origin": True}))
        return given

    def ideal(self) -> Characteristic:
        """The characteristic as a function; of one that is to be fitted, the straight line of the ranges."""
        given = self.characteristic
        if self._fitted is not None:
            return self._fitted
        if isinstance(given, str):
            return Characteristic(kind=given)
        if given.fit is not None:
            return Characteristic()
        if given.square_root is not None:
            return Characteristic(kind="square root", cut_off_frac=given.square_root.cut_off)
        assert given.table is not None
        return Characteristic(kind="table", points=given.table.points)


class NamedStageSheet(StageSheet):
    """A stage of a chain, with its name and, if it has one, a tolerance of its own."""

    stage: str = Field(min_length=1)
    tolerance: ToleranceField | None = None
    pulses_per_revolution: float | None = Field(None, gt=0, le=1e6)


class SettlingSheet(FileModel):
    """Bounds of settling: never steady before, given up after; `tail` is a slow part known of the type."""

    minimum: DurationField = 0.0
    maximum: DurationField = 60.0
    tail: DurationField = 0.0

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.maximum <= self.minimum:
            raise ValueError("a maximum above the minimum")
        if self.maximum > _LONGEST_WAIT_S:
            raise ValueError(f"a maximum of at most {_LONGEST_WAIT_S / 3600:g} h at one point")
        return self


class TypeSheet(StageSheet):
    """A type of unit: what it should do, how well, how fast, and what it must never get.

    `dead band` is how far the input may turn back before the output answers, in % of the input span: ISA-51.1 takes it
    off the hysteresis. One that a step of the sequence measured goes before it.
    """

    type: str = Field(min_length=1)
    input: Annotated[TapSheet, short_form(TapSheet, "range")] | None = None
    output: Annotated[TapSheet, short_form(TapSheet, "range")] | None = None
    taps: tuple[NamedTapSheet, ...] = ()
    stages: tuple[NamedStageSheet, ...] = ()
    tolerance: ToleranceField
    dead_band: FractionField | None = Field(None, ge=0, le=1)
    settling: SettlingSheet = SettlingSheet()
    supply: str = ""
    load: str = ""

    @model_validator(mode="after")
    def _one_chain(self) -> Self:
        if self.taps or self.stages:
            if self.input is not None or self.output is not None:
                raise ValueError('either "input" and "output", or "taps" and "stages"')
            if self.model_fields_set & set(StageSheet.model_fields):
                raise ValueError('"characteristic", "time constant" and "dead time" in the stages of a chain')
            if len(self.taps) < 2 or len(self.stages) != len(self.taps) - 1:
                raise ValueError("one stage between every two neighbouring taps")
            if len({tap.tap for tap in self.taps}) < len(self.taps):
                raise ValueError("taps with different names")
            for before, stage, after in zip(self.taps, self.stages, self.taps[1:], strict=False):
                check_pulses(before.range, stage.stage, stage.pulses_per_revolution, after.range)
                if stage.tolerance is not None:
                    _check_tolerance(stage.tolerance, (before, after))
        elif self.input is None or self.output is None:
            raise ValueError('"input" and "output", or for a chain "taps" and "stages"')
        _check_tolerance(self.tolerance, [each for _, each in self.tap_sheets])
        return self

    @model_validator(mode="after")
    def _can_be_fitted(self) -> Self:
        if any(stage.fit is not None for stage in self.stages):
            raise ValueError('a fit in a unit of one stage, with "input" and "output"')
        if self.fit is not None and self.fit.goes_through_origin:
            _check_origin(self.tap_sheets[0][1].range, self.tap_sheets[-1][1].range)
        return self

    @property
    def tap_sheets(self) -> tuple[tuple[str, TapSheet], ...]:
        """Name and sheet of each tap, first to last."""
        if self.taps:
            return tuple((tap.tap, tap) for tap in self.taps)
        assert self.input is not None
        assert self.output is not None
        return (("input", self.input), ("output", self.output))

    @property
    def stage_sheets(self) -> tuple[tuple[str, StageSheet], ...]:
        """Name and sheet of each stage, first to last."""
        if self.stages:
            return tuple((stage.stage, stage) for stage in self.stages)
        return (("unit", self),)

    @property
    def stage_tolerances(self) -> tuple[Terms | None, ...]:
        """The tolerance of each stage, None where it has none of its own."""
        if self.stages:
            return tuple(stage.tolerance for stage in self.stages)
        return (self.tolerance,)

    @property
    def stated_tolerance(self) -> str:
        """The tolerance in words, beside a full scale what it is, and about which curve it lies if that is fitted."""
        said = str(self.tolerance)
        if self.tolerance.has("full scale"):
            name, sheet = self.tap_sheets[0]
            said += f" (the upper range value of {name}, {sheet.range.top:g} {sheet.range.unit})"
        return said if self.fit is None else f"{said} about the {self.fit} fitted to these readings"

    def with_fitted(self, found: Characteristic) -> "TypeSheet":
        """The type with the characteristic that was fitted to the readings of one unit."""
        fitted = self.model_copy()
        fitted._fitted = found  # noqa: SLF001  its own copy
        return fitted

    @property
    def corrections(self) -> tuple[str, ...]:
        """What is corrected at which tap, by how much, in words."""
        return tuple(
            f"{name}: {sheet.correction.told(sheet.sensor.cold_junction if sheet.sensor else None)}"
            for name, sheet in self.tap_sheets
            if sheet.correction is not None
        )

    @property
    def limits(self) -> Span | None:
        """What the first tap must never exceed, in its unit; None = its range."""
        return self.tap_sheets[0][1].limits

    def datasheet(self) -> DataSheet:
        """The unit as numbers."""
        taps = tuple(sheet.as_tap(name) for name, sheet in self.tap_sheets)
        stages = tuple(
            Stage(
                name=name,
                characteristic=sheet.ideal(),
                time_constant_s=sheet.time_constant,
                dead_time_s=sheet.dead_time,
                pulses_per_revolution=getattr(sheet, "pulses_per_revolution", None),
            )
            for name, sheet in self.stage_sheets
        )
        return DataSheet(type=self.type, taps=at_their_rates(taps, stages), stages=stages)


def _check_tolerance(tolerance: Terms, taps: Sequence[TapSheet]) -> None:
    """An absolute part must be in the unit of the input or of the output, a class that of the sensor, in its range."""
    before, after = taps[0].range, taps[-1].range
    for part in tolerance.parts:
        if part.base == CLASS:
            _check_class(part.unit, taps)
        if not part.base and not any(is_width(part.unit, each.unit) for each in (before, after)):
            raise ValueError(f"a tolerance in %, in {after.unit} or in {before.unit}")
    if tolerance.has("full scale") and before.top <= 0:
        raise ValueError(f"a tolerance in % of span, since the upper range value of {before} is no full scale")


def _check_class(named: str, taps: Sequence[TapSheet]) -> None:
    """A tolerance class must be that of the sensor, and hold over the range of the input."""
    range_ = taps[0].range
    if not is_alike(range_.unit, "degC"):
        raise ValueError(f"a tolerance class where the input is a temperature, not {range_.unit}")
    sensors = [each.sensor for each in taps if each.sensor is not None]
    couple = next((each.thermocouple for each in sensors if each.thermocouple), None)
    is_platinum = named.startswith(PLATINUM)
    stated = named.rpartition(" type ")[2] if " type " in named else ""
    if any((each.rtd is not None) != is_platinum for each in sensors):
        raise ValueError(f"a tolerance class of the sensor that is stated, not {named}")
    if couple and stated and couple != stated:
        raise ValueError(f"a tolerance class of type {couple}, which is stated, not {named}")
    if not is_platinum and not (couple or stated):
        raise ValueError(f'the type of the thermocouple behind it: "{named} type K"')
    try:
        low, high = range_degC(named, thermocouple=couple or "")
    except KeyError:
        raise ValueError(f"a class that a thermocouple of type {couple or stated} has, not {named}") from None
    within = range_.within("degC")
    if within.bottom < low or within.top > high:
        make = ""
        if is_platinum and "film" not in named and "wire" not in named:
            make = ' of a film; write "wire wound" behind it if that is what it is'
        raise ValueError(f"a range within {low:g} .. {high:g} degC, where {named} holds{make}")


def _check_origin(before: Span, after: Span) -> None:
    """What goes through the origin has ranges that do: 0 .. 10 kN to 0 .. 20 mV, not to 4 .. 20 mA."""
    at_0 = after.low - before.low * (after.high - after.low) / (before.high - before.low)
    if abs(at_0) > LEAST_STEP_FRAC * after.width:
        raise ValueError(
            f"ranges whose line goes through the origin: at 0 {before.unit} it is at {at_0:g} {after.unit}"
        )
