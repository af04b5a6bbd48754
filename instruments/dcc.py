"""A Digital Calibration Certificate (DCC, XML by the schema of PTB, version 3) as a certificate of an instrument.

What it takes of one: the number, the date, and the errors at points with their uncertainties, found by the kinds of
quantity that PTB's list of reference types names (`basic_referenceValue` and others; names from memory). An error by
the VIM is what is indicated less the reference. Nothing is read beyond the file: a document type is refused, and with
it every entity.
"""

import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from decimal import Decimal, DecimalException
from itertools import groupby
from pathlib import Path
from typing import Any

from instruments.dcc_item import Item, item_of
from instruments.dsi import from_dsi
from instruments.errors import InputError
from instruments.units import is_alike, is_width, rescale
from instruments.yamlfile import Document

__all__ = ["Calibrated", "CalibratedPoint", "read_dcc"]

_LARGEST_BYTES = 20_000_000
_DCC, _SI = "{https://ptb.de/dcc}", "{https://ptb.de/si}"
_REFERENCE, _INDICATION, _ERROR = "reference", "indication", "error"
_ROLES = {
    "basic_referenceValue": _REFERENCE,
    "basic_measuredValue": _INDICATION,
    "basic_nominalValue": _INDICATION,
    "basic_measurementError": _ERROR,
    "basic_measurementError_error": _ERROR,
    "basic_measurementError_correction": "correction",
}
_BEFORE = {"beforeAdjustment", "beforeRepair"}
_SAME = Decimal("1e-9")
_NEAR_FRAC = 1e-3  # points that lie so near, in parts of what all cover, are one point of two directions


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibratedPoint:
    """What was found at one point: indication and reference in `unit`, U of their difference with its k."""

    indication: Decimal
    reference: Decimal
    U: float
    k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """The points of one result, in one unit; `name` of the result, `line` of the file where they begin.

    `beside` are the units of columns of another kind in the same list: what was applied to a converter, or conditions.
    """

    name: str
    unit: str
    points: tuple[CalibratedPoint, ...]
    line: int
    beside: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Values:
    """One quantity of a list: a value for each point, in our unit; U and k, None where there is none."""

    numbers: tuple[Decimal, ...]
    unit: str
    U: tuple[Decimal, ...] | None
    k: tuple[Decimal, ...] | None
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Dcc:
    """A certificate as it was read: number, ISO date of the calibration, and its errors by quantity.

    They are those of after an adjustment or a repair; `is_of_before` where the certificate has those of before alone.
    """

    number: str
    date: str
    calibrated: tuple[Calibrated, ...]
    item: Item
    is_of_before: bool = False


def read_dcc(path: Path) -> tuple[Document, Dcc]:
    """A DCC from its file.

    Returns:
        Its text, without content, and what it says.

    Raises:
        InputError: it cannot be read, is no DCC of version 3, has a document type, or nothing in it tells the errors of
            an instrument.
    """
    text, root = _parsed(path)
    document = Document(path=path, text=text, content={}, places={})
    number = _text(root, f".//{_DCC}coreData/{_DCC}uniqueIdentifier")
    date = _text(root, f".//{_DCC}coreData/{_DCC}endPerformanceDate")
    calibrated = [*_results(path, root)]
    if not calibrated:
        raise InputError(
            "the certificate tells no errors of an instrument",
            where=str(path),
            allowed="quantities that are marked as basic_referenceValue, basic_measuredValue, basic_measurementError",
            todo="ask the laboratory for reference types, or write the errors into a certificate in YAML",
        )
    before = _is_all_before([*root.iter(f"{_DCC}measurementResult")])
    found = Dcc(number=number, date=date, calibrated=tuple(calibrated), item=item_of(root), is_of_before=before)
    return document, found


def _results(path: Path, root: Any) -> Iterator[Calibrated]:  # noqa: ANN401  an element of a library without types
    """What was calibrated last, result by result; of results with one point each, those of one unit together."""
    single: list[Calibrated] = []
    every = [*root.iter(f"{_DCC}measurementResult")]
    for measured in every if _is_all_before(every) else (each for each in every if not _is_before(each)):
        for result in measured.iter(f"{_DCC}result"):
            groups = [group for each in result.iter(f"{_DCC}list", f"{_DCC}data") for group in _groups(path, each)]
            for each in _by_unit(groups, name=_text(result, f"{_DCC}name/{_DCC}content")):
                if len(each.points) > 1:
                    yield each
                else:
                    single.append(each)
    yield from _by_unit(single, name=_text(root, f".//{_DCC}measurementResult/{_DCC}name/{_DCC}content"))


def _is_before(measured: Any) -> bool:  # noqa: ANN401
    """A measurement result is marked as one of before an adjustment or a repair."""
    return any(each.text in _BEFORE for each in measured.findall(f"{_DCC}influenceConditions/*/{_DCC}status"))


def _is_all_before(every: list[Any]) -> bool:
    """There is no measurement result of after, nor one that is marked with neither."""
    return all(map(_is_before, every))


def _by_unit(groups: list[Calibrated], *, name: str) -> Iterator[Calibrated]:
    rising = sorted(groups, key=lambda each: each.unit)
    for _, same in groupby(rising, lambda each: each.unit):
        yield _merged([*same], name)


def _parsed(path: Path) -> tuple[str, Any]:
    """Text and root element of a file; nothing that it names is fetched, and no entity is expanded."""
    from lxml import etree  # noqa: PLC0415  only where a certificate is one

    try:
        with path.open("rb") as file:
            raw = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(path)) from error
    if len(raw) > _LARGEST_BYTES:
        raise InputError("is too large", where=str(path), allowed=f"at most {_LARGEST_BYTES} bytes")
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, dtd_validation=False, huge_tree=False,
        remove_comments=True, remove_pis=True,
    )  # fmt: skip
    try:
        root = etree.fromstring(raw, parser)
    except (etree.XMLSyntaxError, ValueError) as error:
        if b"<!DOCTYPE" in raw.replace(b"\0", b""):  # one that is made to grow is no XML to the parser
            raise _has_doctype(path) from error
        line = getattr(error, "lineno", None) or 1
        raise InputError(f"is no XML that can be read: {error}", where=f"{path}:{line}") from error
    if root.getroottree().docinfo.doctype:
        raise _has_doctype(path)
    version = root.get("schemaVersion", "")
    if root.tag != f"{_DCC}digitalCalibrationCertificate" or not version.startswith("3."):
        found = f"version {version}" if root.tag.startswith(_DCC) else "something else"
        raise InputError(
            f"is no Digital Calibration Certificate that can be read: {found}", where=str(path), allowed="version 3"
        )
    return raw.decode("utf-8", "replace") if _is_utf8(raw) else etree.tostring(root, encoding="unicode"), root


def _has_doctype(path: Path) -> InputError:
    return InputError(
        "has a document type (DOCTYPE), which no certificate needs and which may make it grow or read other files",
        where=str(path),
        todo="ask the laboratory for the certificate itself",
    )


def _is_utf8(raw: bytes) -> bool:
    try:
        head = raw.decode("utf-8")[:200]
    except UnicodeDecodeError:
        return False
    return "encoding=" not in head or "utf-8" in head.lower()


def _text(root: Any, path: str) -> str:  # noqa: ANN401  an element of a library without types
    found = root.find(path)
    return " ".join((found.text or "").split()) if found is not None else ""


def _groups(path: Path, around: Any) -> Iterator[Calibrated]:  # noqa: ANN401
    """The points that the quantities of one list tell together; none where they are no calibration."""
    values: dict[str, _Values] = {}
    # A nominal value stands for what is indicated only where that was not measured.
    known = sorted(around.findall(f"{_DCC}quantity"), key=lambda each: "basic_nominalValue" in each.get("refType", ""))
    for quantity in known:
        role = next((_ROLES[each] for each in quantity.get("refType", "").split() if each in _ROLES), "")
        if role and role not in values:
            values[role] = _values(path, quantity)
    if len(values.keys() & {_REFERENCE, _INDICATION, _ERROR, "correction"}) < 2:
        return
    first = next(iter(values.values()))
    if len({len(each.numbers) for each in values.values()}) > 1:
        raise InputError("its columns are not of one length", where=f"{path}:{first.line}")
    calibrated = _calibrated(path, values)
    yield replace(calibrated, beside=tuple(dict.fromkeys(_beside(around, calibrated.unit))))


def _beside(around: Any, unit: str) -> Iterator[str]:  # noqa: ANN401
    """The units of the columns without a role that are of another kind than `unit`."""
    for quantity in around.findall(f"{_DCC}quantity"):
        if any(each in _ROLES for each in quantity.get("refType", "").split()):
            continue
        for element in quantity.iter(f"{_SI}unitXMLList", f"{_SI}unit"):
            with suppress(InputError):
                own = from_dsi((element.text or "").split()[0] if (element.text or "").split() else "")
                if not is_alike(own, unit):
                    yield own


def _calibrated(path: Path, values: dict[str, _Values]) -> Calibrated:
    level = values.get(_REFERENCE) or values.get(_INDICATION)
    if level is None:
        line = next(iter(values.values())).line
        raise InputError("it tells errors, but not at which levels", where=f"{path}:{line}")
    unit, where = level.unit, f"{path}:{level.line}"
    columns = {
        role: _in_unit(each, unit, is_difference=role in {_ERROR, "correction"}, path=path)
        for role, each in values.items()
    }
    errors = columns.get(_ERROR) or [-each for each in columns.get("correction", [])]
    reference, indication = columns.get(_REFERENCE), columns.get(_INDICATION)
    if reference is None:
        assert indication is not None  # one of the two is the level
        reference = [shown - error for shown, error in zip(indication, errors, strict=True)]
    if indication is None:
        indication = [true + error for true, error in zip(reference, errors, strict=True)]
    U, k = _uncertainty(path, values, unit, where)
    for shown, true, error, wide in zip(indication, reference, errors, U, strict=False):
        if abs(shown - true - error) > max(abs(error) * _SAME, Decimal(wide)):
            raise InputError(
                f"an error of {error} {unit} does not fit an indication of {shown} at {true}",
                where=where,
                todo="ask the laboratory; the error of an instrument is what it indicates less the reference",
            )
    if errors:  # the error has more digits than the difference of two rounded levels
        indication = [true + error for true, error in zip(reference, errors, strict=True)]
    points = tuple(
        CalibratedPoint(indication=a, reference=b, U=c, k=d)
        for a, b, c, d in zip(indication, reference, U, k, strict=True)
    )
    return Calibrated(name="", unit=unit, points=points, line=level.line)


def _uncertainty(path: Path, values: dict[str, _Values], unit: str, where: str) -> tuple[list[float], list[float]]:
    """U and k of the error at each point: of the error itself, else of what was indicated, else of the reference."""
    for role in (_ERROR, "correction", _INDICATION, _REFERENCE):
        found = values.get(role)
        if found is not None and found.U is not None and found.k is not None:
            if min(found.U) < 0 or min(found.k) <= 0:
                raise InputError(
                    "an uncertainty below 0, or a coverage factor that is not above it", where=f"{path}:{found.line}"
                )
            factor = _factor(found.unit, unit, is_difference=role in {_ERROR, "correction"}, path=path, line=found.line)
            return [float(each) * factor for each in found.U], [float(each) for each in found.k]
    raise InputError("it states no uncertainty of the errors", where=where, todo="ask the laboratory for it")


def _factor(own: str, unit: str, *, is_difference: bool, path: Path, line: int) -> float:
    fits = is_width(own, unit) if is_difference else is_alike(own, unit)
    if not fits:
        raise InputError(
            f"a column in {own} beside one in {unit}", where=f"{path}:{line}", allowed=f"a unit like {unit}"
        )
    return rescale(own, unit)[0] if is_alike(own, unit) else 1.0


def _in_unit(values: _Values, unit: str, *, is_difference: bool, path: Path) -> list[Decimal]:
    """The numbers of a column in another unit of its kind; the very numbers where it is the same."""
    factor = _factor(values.unit, unit, is_difference=is_difference, path=path, line=values.line)
    shift = 0.0 if is_difference or values.unit == unit else rescale(values.unit, unit)[1]
    if factor == 1 and not shift:
        return [*values.numbers]
    return [Decimal(f"{float(each) * factor + shift:.12g}") for each in values.numbers]


def _values(path: Path, quantity: Any) -> _Values:  # noqa: ANN401
    """The numbers of a quantity: a list, or one; of a hybrid, the first that can be read."""
    refused: InputError | None = None
    for element in quantity.iter(f"{_SI}realListXMLList", f"{_SI}real"):
        try:
            return _listed(path, element)
        except InputError as error:
            refused = refused or error
    raise refused or InputError("a quantity without real numbers", where=f"{path}:{quantity.sourceline}")


def _listed(path: Path, element: Any) -> _Values:  # noqa: ANN401
    is_list = element.tag.endswith("XMLList")
    end, where = "XMLList" if is_list else "", f"{path}:{element.sourceline}"
    numbers = _numbers(element.findtext(f"{_SI}value{end}"), where)
    try:
        units = {from_dsi(each) for each in (element.findtext(f"{_SI}unit{end}") or "").split()}
    except InputError as error:
        raise InputError(error.what, where=where, allowed=error.allowed) from error
    if len(units) != 1:
        raise InputError("a column in several units", where=where, allowed="one unit a column")
    if not numbers:
        raise InputError("a column without numbers", where=where)
    U, k = _stated(element, end, where)
    return _Values(
        numbers=numbers,
        unit=units.pop(),
        U=_each(U, len(numbers), where),
        k=_each(k, len(numbers), where),
        line=element.sourceline,
    )


def _stated(element: Any, end: str, where: str) -> tuple[tuple[Decimal, ...] | None, tuple[Decimal, ...] | None]:  # noqa: ANN401
    """U and k of a quantity, in the form of now and that of before; a standard uncertainty has k = 1."""
    for name, k_name in (
        (f"valueExpandedMU{end}", f"coverageFactor{end}"),
        (f"uncertainty{end}", f"coverageFactor{end}"),
    ):
        U, k = (next(element.iter(f"{_SI}{each}"), None) for each in (name, k_name))
        if U is not None and k is not None:
            return _numbers(U.text, where), _numbers(k.text, where)
    for name in (f"valueStandardMU{end}", f"standardUnc{end}"):
        u = next(element.iter(f"{_SI}{name}"), None)
        if u is not None:
            return _numbers(u.text, where), (Decimal(1),)
    return None, None


def _numbers(text: str | None, where: str) -> tuple[Decimal, ...]:
    try:
        found = tuple(Decimal(each) for each in (text or "").split())
    except DecimalException as error:
        raise InputError("what is no number stands among numbers", where=where) from error
    if not all(each.is_finite() and abs(float(each)) < math.inf for each in found):
        raise InputError("a number that is not finite", where=where)
    return found


def _each(numbers: tuple[Decimal, ...] | None, n: int, where: str) -> tuple[Decimal, ...] | None:
    """One number for each point; a single one stands for all."""
    if numbers is None or len(numbers) == n:
        return numbers
    if len(numbers) == 1:
        return numbers * n
    raise InputError("uncertainties that are not one for each value", where=where)


def _merged(groups: list[Calibrated], name: str) -> Calibrated:
    """The points of several lists of one unit, rising; of points that were calibrated twice, as up and down, the mean.

    The mean has the largest of their U, and half their difference besides.
    """
    points = sorted((each for group in groups for each in group.points), key=lambda each: each.reference)
    reach = float(points[-1].reference - points[0].reference)
    taken: list[list[CalibratedPoint]] = []
    for each in points:
        if taken and float(each.reference - taken[-1][0].reference) <= _NEAR_FRAC * reach:
            taken[-1].append(each)
        else:
            taken.append([each])
    return Calibrated(
        name=name, unit=groups[0].unit, points=tuple(map(_mean, taken)), line=groups[0].line, beside=groups[0].beside
    )


def _mean(points: list[CalibratedPoint]) -> CalibratedPoint:
    if len(points) == 1:
        return points[0]
    n = len(points)
    errors = [each.indication - each.reference for each in points]
    reference = sum((each.reference for each in points), Decimal()) / n
    widest = max(points, key=lambda each: each.U / each.k)
    return CalibratedPoint(
        indication=reference + sum(errors, Decimal()) / n,
        reference=reference,
        U=widest.U + float(max(errors) - min(errors)) / 2,
        k=widest.k,
    )
