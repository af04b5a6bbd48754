"""Transcription errors in a whole column of readings that a person wrote down; those of single cells are `slips`."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

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
        stretch_nats: what the evidence of the numbers as meant must be given to be that of the numbers as written.
        text: what was written, and what fits.
        do: what to write.
        check: what to do.
    """

    name: str
    tap: str
    series: Series
    weight: float
    text: str
    do: str
    check: str
    stretch_nats: float = 0.0


_SAME_RATIO = 1e-9
_MOST = 0.5  # of the rows: with more of them the setpoints beside the inputs are those of the table
_OF_COLUMN = {"unit": "unit of a column", "shunt": "unit of a column", "percent": "unit of a column",
              "decimal point": "decimal point of a column", "sign": "sign of a column"}  # fmt: skip
_TRANSCRIPTIONS = OF_CELLS | {"swapped columns", *_OF_COLUMN.values()}
_THEN = "Judge and change nothing before that."


def is_transcription(name: str) -> bool:
    """Whether a cause is a slip, or several: the readings are to be corrected before anything is judged."""
    return set(name.split(" + ")) <= _TRANSCRIPTIONS


def columns(series: Series, sheet: DataSheet) -> Iterator[Column]:
    """Each slip in a whole column that leaves all taps far nearer to what is ideal; only for what a person wrote.

    Where the inputs tell which column is right, by the setpoints beside them or by how they cover the range, no other
    is named; where nothing tells, each is named with the others.

    Args:
        series: the readings.
        sheet: of the unit.
    """
    taps = [tap for tap in sheet.taps if tap.name in series.value and np.isfinite(series.value[tap.name]).any()]
    if not series.is_keyed or not {sheet.taps[0], sheet.taps[-1]} <= {*taps}:
        return
    if not _off(series, sheet, taps) > PRIORS.transcription.off_frac:
        return
    found: list[Column] = []
    for tap, each in [(one, slip) for one in taps for slip in rescalings(one.unit, one.low, one.high)]:
        # A range that is wrong by a power of ten, or the other way round, looks the same without a live zero.
        is_live = tap is not taps[0] and min(tap.low, tap.high) > 0
        has_live_zero = each.shift != 0 if each.kind == "percent" else is_live
        is_told = each.kind in {"unit", "shunt"} or has_live_zero
        as_meant = _rescaled(series, tap, each)
        if is_told and _off(as_meant, sheet, taps) < PRIORS.transcription.left_frac:
            # What was written is as dense as what was meant, times the factor between them; an input is given.
            read_n = 0 if tap is taps[0] else int(np.isfinite(series.value[tap.name]).sum())
            column = _column(each, as_meant, tap, is_sure=has_live_zero)
            found.append(replace(column, stretch_nats=read_n * float(np.log(abs(each.factor)))))
    for pair in combinations(taps, 2):
        swapped = _exchanged(series, *pair)
        if _off(swapped, sheet, taps) < PRIORS.transcription.left_frac:
            found.append(_swapped(series, swapped, *pair))
    left = _by_input(series, found, sheet.taps[0].name)
    yield from (_beside(each, [other for other in left if other.tap != each.tap]) for each in left)


def _by_input(series: Series, found: list[Column], first: str) -> list[Column]:
    """Those that leave the inputs as they were set: at the setpoints beside them, or else over the range."""
    prior, stated = PRIORS.transcription, series.stated

    def is_as_stated(meant: Series) -> bool:
        near = np.abs(meant.value[first] - stated)[np.isfinite(stated)] < prior.as_input_frac
        return bool(near.mean() > _MOST)

    def covers_range(meant: Series) -> bool:
        x = meant.value[first][np.isfinite(meant.value[first])]
        return bool((np.abs(x - 0.5) <= 0.5 + prior.beside_frac).all() and np.ptp(x) >= prior.grid_share)

    if stated.size and np.isfinite(stated).any():
        told = [each for each in found if is_as_stated(each.series)]
        if told or is_as_stated(series):
            return told
    return [each for each in found if covers_range(each.series)] or found


def _beside(column: Column, others: Sequence[Column]) -> Column:
    """A slip in words with those that the readings do not tell from it."""
    if not others:
        return column
    every = (column, *others)
    return replace(
        column,
        text="; or ".join(each.text for each in every),
        check=f"Check both columns against the notes first: {'; or '.join(each.do for each in every)}. {_THEN}",
    )


def _swapped(series: Series, swapped: Series, *pair: Tap) -> Column:
    one, other = (_headed(series, tap) for tap in pair)
    do = f"exchange the headings of {one} and {other}"
    return Column(
        name="swapped columns",
        tap=pair[-1].name,
        series=swapped,
        weight=PRIORS.weights.column,
        text=f"{one} and {other} fit each other's place",
        do=do,
        check=f"Correct the table first: {do}. {_THEN}",
    )


def _off(series: Series, sheet: DataSheet, taps: Sequence[Tap]) -> float:
    """Median error of the tap that is off most, against the one that was read before it, as fraction of its span."""
    worst = 0.0
    for before, after in pairwise(taps):
        first, last = sheet.taps.index(before), sheet.taps.index(after)
        with np.errstate(all="ignore"):
            ideal = after.fraction(sheet.ideal(before.value(series.value[before.name]), first=first, last=last))
        off = np.abs(series.value[after.name] - ideal)
        worst = max(worst, float(np.median(off[np.isfinite(off)])) if np.isfinite(off).any() else 0.0)
    return worst


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


def _column(slip: Rescaling, as_meant: Series, tap: Tap, *, is_sure: bool) -> Column:
    where = _headed(as_meant, tap)
    fits = f"times {slip.factor:g}" if not slip.shift else f"times {slip.factor:.4g}, {slip.shift:+.4g} {tap.unit}"
    unit = _unit_meant(where, tap, slip)
    do = f"write [{unit}] as the unit of {where}" if unit else f"{where}, each number {fits}"
    do += "" if unit and slip.shift == 0 else f" ({slip.reason})"
    check = f"Correct the table first: {do}. {_THEN}"
    if not unit and not is_sure:  # a factor that no unit has may as well be one of the unit under test
        either = f"{do}, if they bear it out; else the unit has that factor"
        check = f"Check the column against the notes first: {either}. {_THEN}"
    return Column(
        name=_OF_COLUMN[slip.kind],
        tap=tap.name,
        series=as_meant,
        weight=PRIORS.weights.column,
        text=f"the numbers in {where} " + (f"are in {unit}" if unit else f"fit {fits}"),
        do=do,
        check=check,
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
