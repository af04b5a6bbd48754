"""Transcription errors in a whole column of readings that a person wrote down; those of single cells are `slips`."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import DataSheet, FloatArray, Tap
from instruments.errors import InputError
from instruments.units import is_alike, rescale
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.series import Series, without_outliers
from sequencer.diagnosis.model.slips import OF_CELLS
from sequencer.readings.plausibility import Rescaling, rescalings

__all__ = ["Column", "columns", "is_transcription"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A slip in a whole column, such as the unit of its heading, and the readings as they were meant.

    Attributes:
        name: in words.
        tap: of the column.
        series: as meant.
        weight: prior weight among causes.
        text: what was written, and what fits.
        check: what to do.
    """

    name: str
    tap: str
    series: Series
    weight: float
    text: str
    check: str


_SAME_RATIO = 1e-9
_OF_COLUMN = {"unit": "unit of a column", "shunt": "unit of a column", "percent": "unit of a column",
              "decimal point": "decimal point of a column", "sign": "sign of a column"}  # fmt: skip
_TRANSCRIPTIONS = OF_CELLS | {"swapped columns", *_OF_COLUMN.values()}
_THEN = "Judge and change nothing before that."


def is_transcription(name: str) -> bool:
    """Whether a cause is a slip, or several: the readings are to be corrected before anything is judged."""
    return set(name.split(" + ")) <= _TRANSCRIPTIONS


def columns(series: Series, sheet: DataSheet) -> Iterator[Column]:
    """Each slip in a whole column that leaves the output far nearer to what is ideal; only for what a person wrote.

    Args:
        series: the readings.
        sheet: of the unit.
    """
    ends = (sheet.taps[0], sheet.taps[-1])
    if not series.is_keyed or any(tap.name not in series.value for tap in ends):
        return
    if not _off(series, sheet) > PRIORS.transcription.off_frac:
        return
    for tap, each in [(end, slip) for end in ends for slip in rescalings(end.unit, end.low, end.high)]:
        # A range that is wrong by a power of ten, or the other way round, looks the same without a live zero.
        has_live_zero = each.shift != 0 if each.kind == "percent" else tap is ends[-1] and min(tap.low, tap.high) > 0
        is_told = each.kind in {"unit", "shunt"} or has_live_zero
        if is_told and _off(as_meant := _rescaled(series, tap, each), sheet) < PRIORS.transcription.left_frac:
            yield _column(each, as_meant, tap)
    swapped = _exchanged(series, *ends)
    if _off(swapped, sheet) < PRIORS.transcription.left_frac:
        one, other = (_headed(series, tap) for tap in ends)
        yield Column(
            name="swapped columns",
            tap=ends[-1].name,
            series=swapped,
            weight=PRIORS.weights.column,
            text=f"{one} and {other} fit each other's place",
            check=f"Correct the table first: exchange the headings of {one} and {other}. {_THEN}",
        )


def _off(series: Series, sheet: DataSheet) -> float:
    """Median error of the output, as fraction of its span."""
    first, last = sheet.taps[0], sheet.taps[-1]
    with np.errstate(all="ignore"):
        ideal = last.fraction(sheet.ideal(first.value(series.value[first.name])))
    off = np.abs(series.value[last.name] - ideal)
    return float(np.median(off[np.isfinite(off)])) if np.isfinite(off).any() else 0.0


def _rescaled(series: Series, tap: Tap, by: Rescaling) -> Series:
    """The readings with those of one tap as they were meant."""

    def as_meant(frac: FloatArray) -> FloatArray:
        return tap.fraction(by.factor * tap.value(frac) + by.shift)

    return _changed(series, {tap.name: as_meant(series.raw[tap.name])}, as_meant(series.setpoint))


def _exchanged(series: Series, one: Tap, other: Tap) -> Series:
    """The readings with the numbers of two columns in each other's place."""
    raw = {
        one.name: one.fraction(other.value(series.raw[other.name])),
        other.name: other.fraction(one.value(series.raw[one.name])),
    }
    return _changed(series, raw, without_outliers(raw[one.name])[0])


def _changed(series: Series, raw: dict[str, FloatArray], setpoint: FloatArray) -> Series:
    """Readings with other numbers at some taps; a setpoint that was taken from the input goes along."""
    found = {name: without_outliers(each) for name, each in raw.items()}
    near = PRIORS.transcription.as_input_frac
    first = next(iter(series.value))
    is_taken = first in raw and np.allclose(series.setpoint, series.value[first], rtol=near, atol=near, equal_nan=True)
    return replace(
        series,
        raw=series.raw | raw,
        value=series.value | {name: mean for name, (mean, _) in found.items()},
        sd=series.sd | {name: sd for name, (_, sd) in found.items()},
        setpoint=setpoint if is_taken else series.setpoint,
    )


def _headed(series: Series, tap: Tap) -> str:
    """A column in words, with its heading where there is one."""
    written = next((text for text in series.place[tap.name].flat if text), "")
    return str(written).partition(", ")[2] or f'the readings at "{tap.name}"'


def _column(slip: Rescaling, as_meant: Series, tap: Tap) -> Column:
    where = _headed(as_meant, tap)
    fits = f"times {slip.factor:g}" if not slip.shift else f"times {slip.factor:.4g}, {slip.shift:+.4g} {tap.unit}"
    unit = _unit_meant(where, tap, slip)
    todo = f"write [{unit}] as the unit of {where}" if unit else f"{where}, each number {fits}"
    return Column(
        name=_OF_COLUMN[slip.kind],
        tap=tap.name,
        series=as_meant,
        weight=PRIORS.weights.column,
        text=f"the numbers in {where} " + (f"are in {unit}" if unit else f"fit {fits}"),
        check=f"Correct the table first: {todo}{'' if unit and slip.shift == 0 else f' ({slip.reason})'}. {_THEN}",
    )


def _unit_meant(where: str, tap: Tap, slip: Rescaling) -> str:
    """The unit that the numbers of a column are in, if the slip is one of units; "" where none is known."""
    if slip.kind in _UNIT_OF_KIND:
        return _UNIT_OF_KIND[slip.kind]
    if slip.shift:
        return next((unit for name, unit in _UNIT_OF_SHIFT.items() if slip.reason.startswith(name)), "")
    if slip.kind != "unit":
        return ""
    heading = where.rstrip('"').partition("[")[2].partition("]")[0] or tap.unit
    for unit in _UNITS:
        try:
            if is_alike(unit, heading) and np.isclose(rescale(unit, heading)[0], slip.factor, rtol=_SAME_RATIO):
                return unit
        except InputError:
            return ""
    return ""


_UNIT_OF_KIND = {"shunt": "V", "percent": "%"}
_UNIT_OF_SHIFT = {"degF": "degF", "kelvin": "K"}
_UNITS = (
    "A",
    "mA",
    "uA",
    "V",
    "mV",
    "uV",
    "Hz",
    "kHz",
    "MHz",
    "mHz",
    "ohm",
    "kohm",
    "mohm",
    "bar",
    "mbar",
    "Pa",
    "kPa",
)
