"""A certificate of calibration as people write it: in a bench file, or in a file of its own that this names."""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Any, Self

from pydantic import Discriminator, Field, Tag, model_validator

from instruments.dcc_item import Item
from instruments.description import Description
from instruments.errors import InputError, nearest
from instruments.fields import AccuracyField, DifferenceField, DriftField, LevelField, SpanField
from instruments.filemodel import FileModel
from instruments.functions import Function
from instruments.units import DIGITS, Span, Terms, is_alike, is_width, magnitude, width
from instruments.yamlfile import Document

__all__ = ["Certificate", "CertificateField", "CertifiedErrors", "LoadedCertificate", "certificate_faults"]

_DAYS_OF_YEAR = 365.25


class CertifiedPoint(FileModel):
    """The error that was found at one point, and its expanded uncertainty.

    Of a meter the error is what it shows less what was applied, at that; of a source what it gives less what it was set
    to, at that.
    """

    at: LevelField
    error: DifferenceField
    U: DifferenceField

    @model_validator(mode="after")
    def _fits(self) -> Self:
        unit = str(self.at.units)
        if not is_width(str(self.error.units), unit) or not is_width(str(self.U.units), unit):
            raise ValueError("an error and a U in the unit of the point")
        if self.U.magnitude < 0:
            raise ValueError("a U of zero or more")
        return self


class CertifiedErrors(FileModel):
    """The errors of one function in one range, and how far they may drift in a year; neighbours are correlated."""

    function: str
    range: SpanField | None = None
    points: tuple[CertifiedPoint, ...] = Field(min_length=2)
    drift: DriftField | None = None
    correlation: float = Field(1.0, ge=0, le=1)

    @model_validator(mode="after")
    def _rises(self) -> Self:
        unit = str(self.points[0].at.units)
        if not all(is_alike(str(each.at.units), unit) for each in self.points):
            raise ValueError("points in one unit")
        at = [magnitude(each.at, unit) for each in self.points]
        error = [width(each.error, unit) for each in self.points]
        if any(after <= before for before, after in pairwise(at)):
            raise ValueError("points that rise from row to row")
        steps = zip(pairwise(at), pairwise(error), strict=True)
        if any(abs(there - here) >= after - before for (before, after), (here, there) in steps):
            raise ValueError("errors that change by less than the distance of their points")
        return self

    def is_for(self, range_: Span) -> bool:
        """True for the range of a function that these errors were found in."""
        if self.range is None:
            return True
        own, other = self.range.within(range_.unit), range_
        slack = 1e-9 * other.width
        return abs(own.bottom - other.bottom) <= slack and abs(own.top - other.top) <= slack


class Certificate(FileModel):
    """What a certificate of calibration says: expanded uncertainty by function, errors at points, k, dates."""

    number: str = ""
    calibrated: dt.date | None = None
    due: dt.date | None = None
    k: float = Field(2.0, gt=0, le=10)
    uncertainty: dict[str, AccuracyField] = Field(default_factory=dict)
    corrections: tuple[CertifiedErrors, ...] = ()

    @model_validator(mode="after")
    def _dated(self) -> Self:
        if self.calibrated is None and any(each.drift is not None for each in self.corrections):
            raise ValueError('"calibrated", the date since which it drifts')
        if self.calibrated is not None and self.due is not None and self.due <= self.calibrated:
            raise ValueError('"due" after "calibrated"')
        return self

    def errors_of(self, function: str, range_: Span) -> CertifiedErrors | None:
        """What was found of a function in a range; None if nothing was."""
        return next((each for each in self.corrections if each.function == function and each.is_for(range_)), None)

    def years(self, date: str) -> float:
        """From the calibration to an ISO date, either way; where that is not known, to the due date, or one year."""
        until = dt.date.fromisoformat(date[:10]) if date else self.due
        if self.calibrated is None or until is None:
            return 1.0
        return abs((until - self.calibrated).days) / _DAYS_OF_YEAR


def _form(given: Any) -> str:  # noqa: ANN401  whatever stands in the file
    return "inline" if isinstance(given, (dict, Certificate)) else "file"


CertificateField = Annotated[
    Annotated[Certificate, Tag("inline")] | Annotated[str, Tag("file")],
    Discriminator(_form),
    Field(description="keys of a certificate, or the path of a file that has them"),
]


@dataclass(frozen=True, slots=True)
class LoadedCertificate:
    """A certificate with the document it stands in, where in that, and why it may not be that of the instrument.

    `item` is what was calibrated, where the first of these doubts is settled by what the instrument answers.
    """

    document: Document
    at: tuple[int | str, ...]
    file: Certificate
    doubts: tuple[str, ...] = ()
    item: Item | None = None

    @property
    def is_own_file(self) -> bool:
        """True for one that stands in a file of its own."""
        return not self.at

    def where(self, *path: int | str) -> str:
        """file:line:column of a value of the certificate."""
        return self.document.where(*self.at, *path)


def certificate_faults(loaded: LoadedCertificate, name: str, description: Description) -> list[InputError]:
    """What of a certificate does not fit the instrument of that name and description."""
    functions = description.functions
    faults = []
    for function, stated in loaded.file.uncertainty.items():
        where = loaded.where("uncertainty", function)
        if function not in functions:
            faults.append(_no_function(name, function, list(functions), where))
        else:
            faults += _stated_faults(name, function, stated, functions[function], where)
    seen = set[tuple[str, str]]()
    for number, errors in enumerate(loaded.file.corrections):
        where = loaded.where("corrections", number)
        if errors.function not in functions:
            faults.append(
                _no_function(name, errors.function, list(functions), loaded.where("corrections", number, "function"))
            )
            continue
        faults += _correction_faults(name, errors, functions[errors.function], where)
        key = (errors.function, str(errors.range))
        if key in seen:
            faults.append(
                InputError(
                    f'"{name}" is corrected twice in one range of {errors.function}', where=where, todo="keep one"
                )
            )
        seen.add(key)
    return faults


def _no_function(name: str, function: str, known: list[str], where: str) -> InputError:
    guess = nearest(function, known)
    return InputError(
        f'instrument "{name}" has no function "{function}"',
        where=where,
        allowed=", ".join(known),
        todo=f'write "{guess}"' if guess else "",
    )


def _stated_faults(name: str, function: str, stated: Terms, spec: Function, where: str) -> Iterator[InputError]:
    if not stated.fits(spec.unit):
        yield InputError(
            f'the certificate of "{name}" states {stated} for {function}',
            where=where,
            allowed=f"an uncertainty in {spec.unit}, or in % of reading or range",
        )
    elif stated.has(DIGITS) and not all(each.resolution and each.resolution.magnitude for each in spec.ranges):
        yield InputError(
            f'the certificate of "{name}" states {stated} for {function}, which has no resolution',
            where=where,
            todo='add "resolution" to each range in the description: one digit is that much',
        )


def _correction_faults(name: str, errors: CertifiedErrors, spec: Function, where: str) -> Iterator[InputError]:
    """Errors at points that the function, or its range, does not have."""
    ranges = " or ".join(str(each.range) for each in spec.ranges)
    if not is_alike(str(errors.points[0].at.units), spec.unit):
        yield InputError(
            f'"{name}" has {errors.function} in {spec.unit}', where=where, allowed=f"points in {spec.unit}"
        )
        return
    if errors.range is None and len(spec.ranges) > 1:
        yield InputError(
            f'"{name}" has {len(spec.ranges)} ranges of {errors.function}, each with errors of its own',
            where=where,
            allowed=f"range: {ranges}",
            todo='add "range", that in which it was calibrated',
        )
        return
    is_one = errors.range is None or is_alike(errors.range.unit, spec.unit)
    entry = next((each for each in spec.ranges if is_one and errors.is_for(each.range)), None)
    if entry is None:
        yield InputError(
            f'"{name}" has no range {errors.range} of {errors.function}', where=where, allowed=f"range: {ranges}"
        )
        return
    within = entry.range.within(spec.unit)
    for point in errors.points:
        if not within.holds(magnitude(point.at, spec.unit)):
            yield InputError(
                f'a point of "{name}" lies outside its range {entry.range}', where=where, todo="correct the point"
            )
    if errors.drift is not None:
        yield from _stated_faults(name, errors.function, errors.drift, spec, where)
