"""An instrument found out at its own calibration: what each record that rested on it says once its error is known.

The error takes the place of whatever was certified of the instrument, at every tap that it served; all else of the
record stays. It reads no record: a basis in, the basis as it should have been out.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from instruments.certificate import Certificate, CertifiedErrors
from instruments.certified import Certified
from instruments.datasheet import DataSheet, Tap
from instruments.errors import InputError
from instruments.units import Quantity, is_alike, is_width, magnitude, quantity, width
from sequencer.evaluation.budget import Basis, Statement

__all__ = ["OTHER_KIND", "RESTS_NOT", "Affected", "Impact", "KnownError", "error_from_text", "with_error"]

RESTS_NOT = "its verdict rests on nothing that the instrument set or read"
OTHER_KIND = "it set or read another kind of signal there than the error is of"

_PART = re.compile(r"([+-]?)\s*([^+-]+)")
_OF_READING = re.compile(r"(\S+)\s*%\s*of\s+(?:reading|rdg)", re.IGNORECASE)
_REACH = 20.0  # ranges of the unit; a straight error is the same between any two points


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownError:
    """What an instrument was found to be wrong by.

    Of a meter what it shows less what is true, of a source what it gives less what it is set to.

    Attributes:
        text: as it was given.
        offsets: absolute parts, each with its sign.
        of_reading: share of the reading.
        U: expanded uncertainty of it; None = what was stated before.
        certificate: its errors at points, in place of the others; None = none.
    """

    text: str
    offsets: tuple[tuple[int, Quantity], ...] = ()
    of_reading: float = 0.0
    U: Quantity | None = None
    certificate: Certificate | None = None

    def at(self, stated: Statement, tap: Tap) -> Certified | None:
        """The error at one tap, in the unit of its signal; None where it is of another kind of signal."""
        unit = tap.reading_unit if stated.measures else tap.signal_unit
        correction = tap.correction if stated.measures else None
        factor, shift = (correction.factor, correction.shift) if correction is not None else (1.0, 0.0)
        found = self._points(stated, tap, unit)
        if found is None:
            return None
        before = stated.certified
        kept_U = max((each[2] for each in before.points), default=0.0) if before is not None else 0.0
        return Certified(
            points=tuple(
                ((at - shift) / factor, error / factor, kept_U if U is None else U / factor) for at, error, U in found
            ),
            is_set=not stated.measures,
            number=self.certificate.number if self.certificate is not None else "",
        )

    def _points(self, stated: Statement, tap: Tap, unit: str) -> list[tuple[float, float, float | None]] | None:
        if self.certificate is not None:
            errors = next((each for each in self.certificate.corrections if _is_of(each, stated, unit)), None)
            if errors is None:
                return None
            return [(magnitude(each.at, unit), width(each.error, unit), width(each.U, unit)) for each in errors.points]
        if not all(is_width(str(each.units), unit) for _, each in self.offsets):
            return None
        offset = sum(sign * width(each, unit) for sign, each in self.offsets)
        U = width(self.U, unit) if self.U is not None and is_width(str(self.U.units), unit) else None
        ends = tap.to_reading(np.array([tap.low, tap.high]))
        reach = _REACH * float(np.abs(ends).max())
        return [(at, offset + self.of_reading * at, U) for at in (-reach, reach)]


def _is_of(errors: CertifiedErrors, stated: Statement, unit: str) -> bool:
    """Whether errors of a certificate are of the function that reads, or sets, a tap."""
    if stated.measures and not stated.measures.startswith(f"{errors.function},"):
        return False
    is_there = errors.range is None or not stated.measures or str(errors.range) in stated.measures
    return is_there and is_alike(str(errors.points[0].at.units), unit)


def error_from_text(text: str, *, U: str = "") -> KnownError:
    """An error with its sign: "0.02 mA", "-0.1 % of reading", "0.01 mA - 0.05 % of reading".

    Raises:
        InputError: it is not of this form, or nothing.
    """
    offsets: list[tuple[int, Quantity]] = []
    share = 0.0
    pieces = _PART.findall(text.strip())
    for sign, piece in pieces:
        one = -1 if sign == "-" else 1
        if found := _OF_READING.fullmatch(piece.strip()):
            share += one * magnitude(quantity(f"{found[1]} %", like="%"), "%") / 100
            continue
        given = quantity(piece.strip())
        if is_alike(str(given.units), "%"):
            raise InputError(f'"{text}" does not say of what', where="--error", allowed='"0.1 % of reading", "0.02 mA"')
        offsets.append((one, given))
    if not pieces or not (share or any(each.magnitude for _, each in offsets)):
        raise InputError(f'"{text}" is no error', where="--error", allowed='"+0.02 mA", "-0.1 % of reading", or both')
    return KnownError(text=text.strip(), offsets=tuple(offsets), of_reading=share, U=quantity(U) if U.strip() else None)


def with_error(
    basis: Basis, sheet: DataSheet, instruments: Sequence[str], error: KnownError
) -> tuple[Basis, tuple[str, ...]]:
    """The basis with an error known, and the taps that it is of; the same basis and () where it touches none.

    Args:
        basis: of a record.
        sheet: of its unit.
        instruments: names, in its bench, of the one that was found out.
        error: what was found.
    """
    taps = {tap.name: tap for tap in sheet.taps}
    statements, touched = [], []
    for each in basis.statements:
        found = error.at(each, taps[each.tap]) if each.instrument in instruments and each.tap in taps else None
        if found is not None:
            touched.append(each.tap)
        statements.append(each if found is None else replace(each, certified=found))
    return replace(basis, statements=tuple(statements)), tuple(touched)


@dataclass(frozen=True, slots=True, kw_only=True)
class Affected:
    """One record that used the instrument.

    Attributes:
        folder: of it.
        at: when it was taken; None = not known.
        taps: that the instrument served, and that its error is of; () = it is of none of them.
        before: verdict as it stands.
        after: with the error known; "" = not computed.
        used_before: worst error in % of tolerance; NaN = not known. `used_after` with the error known.
        reason: why it was not computed, "" = it was; of `RESTS_NOT` and `OTHER_KIND` the verdict stays as it is.
    """

    folder: str
    serial: str
    state: str
    at: datetime | None
    taps: tuple[str, ...]
    before: str
    after: str
    used_before: float
    used_after: float
    reason: str = ""
    is_simulated: bool = False

    @property
    def is_changed(self) -> bool:
        """Its verdict changes."""
        return bool(self.after) and self.after != self.before


@dataclass(frozen=True, slots=True, kw_only=True)
class Impact:
    """All records that used an instrument, in order of time."""

    instrument: str
    error: str
    since: str
    records: tuple[Affected, ...]

    @property
    def simulated_n(self) -> int:
        """How many are of a simulated bench."""
        return sum(each.is_simulated for each in self.records)

    @property
    def changed(self) -> tuple[Affected, ...]:
        """Those whose verdict changes."""
        return tuple(each for each in self.records if each.is_changed)

    @property
    def untouched(self) -> tuple[Affected, ...]:
        """Those that the error cannot change."""
        return tuple(each for each in self.records if each.reason in {RESTS_NOT, OTHER_KIND})

    @property
    def unknown(self) -> tuple[Affected, ...]:
        """Those that could not be computed again, so that nobody knows whether they change."""
        return tuple(each for each in self.records if each.reason and each.reason not in {RESTS_NOT, OTHER_KIND})
