"""Slips of the pen in readings that a person wrote down: decimal point, digits, rows, copies."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.model.likelihood import Likelihood
from sequencer.diagnosis.model.noise_evidence import within_white
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.series import without_outliers

__all__ = ["Slip", "slips"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """One slip: where, and what the reading would be without it.

    Attributes:
        name: in words.
        row: number in the catalogue.
        visit: index of the visit.
        log_evidence: of all readings, as `Likelihood` gives it.
        text: what was written, and what fits.
        check: what to do.
    """

    name: str
    row: int
    visit: int
    log_evidence: float
    text: str
    check: str


_POWERS = np.array([1e-3, 1e-2, 1e-1, 10.0, 100.0, 1000.0])
_SUSPECTS_N, _SWAPS_N, _SAME_FRAC = 6, 4, 2e-5
_CHECK = "Look at the sheet of readings; read the point again. Nothing has been changed."


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

    def best(self, place: tuple[int, int], meant: FloatArray) -> tuple[float, float]:
        """Largest log evidence, and the value that gives it."""
        found = [(self.log_evidence({place: float(each)}), float(each)) for each in meant]
        return max(found)

    def at(self, place: tuple[int, int]) -> str:
        """A reading, in words."""
        visit = int(np.flatnonzero(self.segment.is_read)[place[0]])
        number = self.places.index(place) + 1
        return f"reading {number}, at {100 * self.segment.series.setpoint[visit]:.4g} %"

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
        found += (*_digits(written, place), *_rows(written, place, middle))
    best = {slip.name: slip for slip in sorted(found, key=lambda slip: slip.log_evidence)}
    return list(best.values())


def _digits(written: _Written, place: tuple[int, int]) -> Iterator[Slip]:
    """Decimal point and exchanged digits of one reading."""
    segment = written.segment
    zero, span = segment.zero_level, segment.after.span
    value = float(written.readings[place])
    visit = int(np.flatnonzero(segment.is_read)[place[0]])
    scaled = zero + (value - zero) * _POWERS
    swapped = zero + _swaps(segment, visit, place[1], (value - zero) * span) / span
    for name, row, meant, ways in (
        ("decimal slip", 59, scaled, scaled.size),
        ("transposed digits", 58, swapped, _SWAPS_N),
    ):
        if meant.size:
            log_evidence, fits = written.best(place, meant)
            yield Slip(
                name=name,
                row=row,
                visit=visit,
                log_evidence=log_evidence - float(np.log(len(written.places) * ways)),
                text=f"{written.at(place)}: {written.shown(value)} was written, {written.shown(fits)} fits",
                check=_CHECK,
            )


def _rows(written: _Written, place: tuple[int, int], middle: float) -> Iterator[Slip]:
    """Two rows exchanged, or one copied down."""
    segment, readings, places = written.segment, written.readings, written.places
    ways = float(np.log(len(places)))
    index = places.index(place)
    value = float(readings[place])
    visits = np.flatnonzero(segment.is_read)
    for other in (index - 2, index - 1, index + 1, index + 2):  # an end pair may stand between
        if 0 <= other < len(places) and places[other][0] != place[0]:
            neighbour = places[other]
            swapped = {place: float(readings[neighbour]), neighbour: value}
            yield Slip(
                name="swapped rows",
                row=57,
                visit=int(visits[min(place[0], neighbour[0])]),
                log_evidence=written.log_evidence(swapped) - ways,
                text=f"{written.at(place)}: this reading and its neighbour fit each other's place",
                check=_CHECK,
            )
    again = segment.series.is_again[segment.is_read]
    before = [each for each in (index - 1, index - 2) if each >= 0 and abs(value - readings[places[each]]) < _SAME_FRAC]
    # What stands in the same place, or was read twice, is alike of itself.
    if not before or places[before[0]][0] == place[0] or (before[0] == index - 2 and not again[places[index - 1][0]]):
        return
    # What was copied says nothing of its own point, and is as probable as a hit of the very same number.
    ideal = float(segment.ideal[segment.is_read][place[0]])
    yield Slip(
        name="copied reading",
        row=60,
        visit=int(visits[place[0]]),
        log_evidence=written.log_evidence({place: ideal + middle}) - ways,
        text=f"{written.at(place)}: {written.shown(value)} is the reading before, copied down",
        check=_CHECK,
    )


def _swaps(segment: Segment, visit: int, number: int, written: float) -> FloatArray:
    """What was meant if two neighbouring digits were exchanged in what was written."""
    text = segment.series.text[segment.after.name][visit, number]
    try:
        float(text)
    except ValueError:
        text = f"{written:.6g}"
    if segment.after.sensor is not None or "e" in text.lower():
        text = f"{written:.6g}"
    found = []
    # A zero in front is not written: 10.4 with its first digits exchanged is 1.4.
    text = f"{'-' if text.startswith('-') else ''}0{text.lstrip('+-')}"
    for index in range(len(text) - 1):
        one, other = text[index], text[index + 1]
        if one.isdigit() and other.isdigit() and one != other:
            found.append(float(text[:index] + other + one + text[index + 2 :]))
    return np.array(found)
