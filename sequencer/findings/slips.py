"""Slips of the pen in readings that a person wrote down: decimal point, digits, rows, copies."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.findings.likelihood import Likelihood
from sequencer.findings.segment import Segment

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


_CHECK = "Look at the sheet of readings; read the point again. Nothing has been changed."


def slips(segment: Segment, likelihood: Likelihood) -> Iterator[Slip]:  # noqa: C901  one block a slip
    """Each kind of slip at the place that suits it best; only for readings a person wrote down.

    Args:
        segment: what was read.
        likelihood: of a healthy unit, at the visits that were read.
    """
    is_read = segment.is_read
    y = segment.y[is_read]
    usual = y - segment.ideal[is_read]
    middle = float(np.median(usual))
    off = np.abs(usual - middle)
    suspects = np.argsort(-off)[:6]
    places = np.flatnonzero(is_read)
    span, zero = segment.after.span, segment.zero_level
    unit = segment.after.unit
    count = y.size

    def evidence(corrected: FloatArray, ways: int) -> FloatArray:
        return np.asarray(likelihood.weigh(corrected - segment.ideal[is_read]).log_likelihood - np.log(ways))

    def with_(visit: int, values: FloatArray) -> FloatArray:
        rows = np.repeat(y[np.newaxis], len(values), axis=0)
        rows[:, visit] = values
        return rows

    def shown(frac: float) -> str:
        return f"{float(segment.after.value(np.array(frac))):.6g} {unit}"

    best: dict[str, Slip] = {}

    def offer(slip: Slip) -> None:
        if slip.name not in best or slip.log_evidence > best[slip.name].log_evidence:
            best[slip.name] = slip

    for visit in suspects:
        written = (y[visit] - zero) * span
        at = f"reading {places[visit] + 1}, at {100 * segment.series.setpoint[places[visit]]:.4g} %"
        powers = np.array([1e-3, 1e-2, 1e-1, 10.0, 100.0, 1000.0])
        found = evidence(with_(visit, zero + (y[visit] - zero) * powers), count * powers.size)
        which = int(found.argmax())
        meant = zero + (y[visit] - zero) * powers[which]
        offer(
            Slip(
                name="decimal slip",
                row=59,
                visit=int(places[visit]),
                log_evidence=float(found[which]),
                text=f"{at}: {shown(y[visit])} was written, {shown(meant)} fits",
                check=_CHECK,
            )
        )
        swapped = _swaps(segment, int(places[visit]), float(written))
        if swapped.size:
            values = zero + swapped / span
            found = evidence(with_(visit, values), count * 4)
            which = int(found.argmax())
            offer(
                Slip(
                    name="transposed digits",
                    row=58,
                    visit=int(places[visit]),
                    log_evidence=float(found[which]),
                    text=f"{at}: {shown(y[visit])} was written, {shown(values[which])} fits",
                    check=_CHECK,
                )
            )
        for other in (visit - 2, visit - 1, visit + 1, visit + 2):  # an end pair may stand between
            if 0 <= other < count:
                rows = y.copy()
                rows[[visit, other]] = rows[[other, visit]]
                found = evidence(rows[np.newaxis], count)
                offer(
                    Slip(
                        name="swapped rows",
                        row=57,
                        visit=int(places[min(visit, other)]),
                        log_evidence=float(found[0]),
                        text=f"{at}: this reading and its neighbour fit each other's place",
                        check=_CHECK,
                    )
                )
        again = segment.series.is_again[is_read]
        before = [other for other in (visit - 1, visit - 2) if other >= 0 and abs(y[visit] - y[other]) < 2e-5]
        if before and (before[0] == visit - 1 or again[visit - 1]):
            # What was copied says nothing of its own point, and is as probable as a hit of the very same number.
            kept = y.copy()
            kept[visit] = segment.ideal[is_read][visit] + middle
            fit = evidence(kept[np.newaxis], count)
            offer(
                Slip(
                    name="copied reading",
                    row=60,
                    visit=int(places[visit]),
                    log_evidence=float(fit[0]),
                    text=f"{at}: {shown(y[visit])} is the reading before, copied down",
                    check=_CHECK,
                )
            )
    yield from best.values()


def _swaps(segment: Segment, place: int, written: float) -> FloatArray:
    """What was meant if two neighbouring digits were exchanged in what was written."""
    text = segment.series.text[segment.after.name][place]
    try:
        float(text)
    except ValueError:
        text = f"{written:.6g}"
    if segment.after.sensor is not None or "e" in text.lower():
        text = f"{written:.6g}"
    found = []
    # A zero in front is not written: 10.4 with its first digits exchanged is 1.4.
    text = f"0{text}"
    for index in range(len(text) - 1):
        one, other = text[index], text[index + 1]
        if one.isdigit() and other.isdigit() and one != other:
            found.append(float(text[:index] + other + one + text[index + 2 :]))
    return np.array(found)
