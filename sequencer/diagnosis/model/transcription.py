"""Transcription errors in readings that a person wrote down: of one number, of a row, of a whole column."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import DataSheet, FloatArray, Tap
from instruments.errors import InputError
from instruments.units import is_alike, rescale
from sequencer.diagnosis.model.likelihood import Likelihood
from sequencer.diagnosis.model.noise_evidence import within_white
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.series import Series, without_outliers
from sequencer.readings.plausibility import Rescaling, meant, rescalings

__all__ = ["TRANSCRIPTIONS", "Column", "Slip", "columns", "slips"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """One slip: where, and what the reading would be without it.

    Attributes:
        name: in words.
        visit: index of the visit.
        log_evidence: of all readings, as `Likelihood` gives it.
        text: what was written, and what fits.
        check: what to do.
    """

    name: str
    visit: int
    log_evidence: float
    text: str
    check: str


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


_SUSPECTS_N, _SAME_RATIO = 6, 1e-9
_OF_NUMBER = {"decimal point": "decimal slip", "unit": "decimal slip", "transposed digits": "transposed digits"}
_OF_COLUMN = {"unit": "unit of a column", "shunt": "unit of a column", "decimal point": "decimal point of a column",
              "sign": "sign of a column"}  # fmt: skip
TRANSCRIPTIONS = frozenset(
    {
        "swapped rows",
        "copied reading",
        "swapped columns",
        *_OF_COLUMN.values(),
        *_OF_NUMBER.values(),
    }
)
"""Names of all slips: where one leads, the readings are to be corrected before anything is judged."""
_THEN = "Judge and change nothing before that."


@dataclass(frozen=True, slots=True)
class _Written:
    """The single readings as they were written down one after the other.

    Attributes:
        segment: what was read.
        likelihood: of the means of a good unit.
        readings: shape (visits that were read, readings), NaN = none.
    """

    segment: Segment
    likelihood: Likelihood
    readings: FloatArray

    @property
    def places(self) -> list[tuple[int, int]]:
        """Where each stands in `readings`, in the order in which they were written."""
        return [(int(visit), int(number)) for visit, number in np.argwhere(np.isfinite(self.readings))]

    def log_evidence(self, changed: dict[tuple[int, int], float]) -> float:
        """Of all readings, if some of them were meant otherwise."""
        readings = self.readings.copy()
        for place, value in changed.items():
            readings[place] = value
        mean, _ = without_outliers(readings)
        ideal = self.segment.ideal[self.segment.is_read]
        found = float(self.likelihood.weigh(mean - ideal).log_likelihood[0])
        return found + within_white(self.segment, readings=readings)

    def visit(self, place: tuple[int, int]) -> int:
        """Index of the visit, those that were not read included."""
        return int(np.flatnonzero(self.segment.is_read)[place[0]])

    def at(self, place: tuple[int, int]) -> str:
        """A reading, in words: its line and column where they are known."""
        visit, series = self.visit(place), self.segment.series
        written = str(series.place[self.segment.after.name][visit, place[1]]).rpartition(" of line ")[0]
        number = self.places.index(place) + 1
        return written or f"reading {number}, at {100 * series.setpoint[visit]:.4g} %"

    def shown(self, frac: float) -> str:
        """A value with its unit."""
        return f"{float(self.segment.after.value(np.array(frac))):.6g} {self.segment.after.unit}"


def slips(segment: Segment, likelihood: Likelihood) -> list[Slip]:
    """Each kind of slip at the place that suits it best; only for readings a person wrote down.

    Args:
        segment: what was read.
        likelihood: of a healthy unit, at the visits that were read.
    """
    written = _Written(segment, likelihood, segment.raw[segment.is_read])
    off = written.readings - segment.ideal[segment.is_read, np.newaxis]
    middle = float(np.nanmedian(off))
    suspects = sorted(written.places, key=lambda place: -abs(off[place] - middle))[:_SUSPECTS_N]
    found: list[Slip] = []
    for place in suspects:
        found += (*_number(written, place), *_rows(written, place, middle))
    best = {slip.name: slip for slip in sorted(found, key=lambda slip: slip.log_evidence)}
    return list(best.values())


def _number(written: _Written, place: tuple[int, int]) -> Iterator[Slip]:
    """One number that was meant otherwise."""
    after, series = written.segment.after, written.segment.series
    frac, visit = float(written.readings[place]), written.visit(place)
    value = float(after.value(np.array(frac)))
    typed = str(series.text[after.name][visit, place[1]]) or f"{value:.6g}"
    ways = float(np.log(len(written.places)))
    for each in meant(value, after.unit, typed=typed):
        if each.kind not in _OF_NUMBER:
            continue
        fits = float(after.fraction(np.array(each.value)))
        at, was, is_now = written.at(place), written.shown(frac), written.shown(fits)
        yield Slip(
            name=_OF_NUMBER[each.kind],
            visit=visit,
            log_evidence=written.log_evidence({place: fits}) - ways - each.cost,
            text=f"{at}: {was} was written, {is_now} fits",
            check=f"Correct the readings first: {at}, {is_now} in place of {was}, or read the point again. {_THEN}",
        )


def _rows(written: _Written, place: tuple[int, int], middle: float) -> Iterator[Slip]:
    """Two rows exchanged, or one copied down."""
    segment, readings, places = written.segment, written.readings, written.places
    ways = float(np.log(len(places)))
    index = places.index(place)
    value = float(readings[place])
    for other in (index - 2, index - 1, index + 1, index + 2):  # an end pair may stand between
        if 0 <= other < len(places) and places[other][0] != place[0]:
            neighbour = places[other]
            swapped = {place: float(readings[neighbour]), neighbour: value}
            yield Slip(
                name="swapped rows",
                visit=written.visit(min(place, neighbour)),
                log_evidence=written.log_evidence(swapped) - ways,
                text=f"{written.at(place)}: this reading and its neighbour fit each other's place",
                check=f"Correct the readings first: {written.at(place)} and {written.at(neighbour)} fit each other's "
                f"place; or read both points again. {_THEN}",
            )
    again = segment.series.is_again[segment.is_read]
    before = [
        each
        for each in (index - 1, index - 2)
        if each >= 0 and abs(value - readings[places[each]]) < PRIORS.transcription.same_frac
    ]
    # What stands in the same place, or was read twice, is alike of itself.
    if not before or places[before[0]][0] == place[0] or (before[0] == index - 2 and not again[places[index - 1][0]]):
        return
    # What was copied says nothing of its own point, and is as probable as a hit of the very same number.
    ideal = float(segment.ideal[segment.is_read][place[0]])
    yield Slip(
        name="copied reading",
        visit=written.visit(place),
        log_evidence=written.log_evidence({place: ideal + middle}) - ways,
        text=f"{written.at(place)}: {written.shown(value)} is the reading before, copied down",
        check=f"Read the point of {written.at(place)} again, and correct the readings. {_THEN}",
    )


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
    for tap, each in [(end, slip) for end in ends for slip in rescalings(end.unit)]:
        # A range that is wrong by a power of ten, or the other way round, looks the same without a live zero.
        is_told = each.kind in {"unit", "shunt"} or (tap is ends[-1] and min(tap.low, tap.high) > 0)
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
    return Column(
        name=_OF_COLUMN[slip.kind],
        tap=tap.name,
        series=as_meant,
        weight=PRIORS.weights.column,
        text=f"the numbers in {where} " + (f"are in {unit}" if unit else f"fit {fits}"),
        check="Correct the table first: "
        + (f"write [{unit}] as the unit of {where}" if unit else f"{where}, each number {fits} ({slip.reason})")
        + f". {_THEN}",
    )


def _unit_meant(where: str, tap: Tap, slip: Rescaling) -> str:
    """The unit that the numbers of a column are in, if the slip is one of units; "" where none is known."""
    if slip.kind == "shunt":
        return "V"
    if slip.kind != "unit" or slip.shift:
        return ""
    heading = where.rstrip('"').partition("[")[2].partition("]")[0] or tap.unit
    for unit in _UNITS:
        try:
            if is_alike(unit, heading) and np.isclose(rescale(unit, heading)[0], slip.factor, rtol=_SAME_RATIO):
                return unit
        except InputError:
            return ""
    return ""


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
