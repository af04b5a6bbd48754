"""What a Digital Calibration Certificate says, as the certificate of an instrument with its functions and ranges."""

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from instruments.dcc import Calibrated, Dcc, read_dcc
from instruments.dcc_item import Item, doubts_of
from instruments.description import Description
from instruments.errors import InputError, nearest
from instruments.functions import Function
from instruments.units import Span, is_alike, magnitude, quantity
from instruments.yamlfile import Document

__all__ = ["certificate_document"]

_K = 2.0  # that all U are stated with: each point of a certificate may have a k of its own


def certificate_document(
    path: Path,
    description: Description,
    *,
    ranges: Mapping[str, Span],
    due: dt.date | None,
    where: str,
    identity: str = "",
    stated: str = "",
    is_real: bool = False,
) -> tuple[Document, tuple[str, ...], Item | None]:
    """A DCC as the document of a certificate, each value with its place in the file; and what is in doubt of it.

    The item comes with it where the first doubt is whose it is, and what the instrument answers can settle that.

    Args:
        path: of the DCC.
        description: of the instrument.
        ranges: in which each result was found, by the name of the function or of the result, as the bench states it.
        due: date until which it holds, which no DCC says; None = not stated.
        where: place in the bench file.
        identity: as for `doubts_of`; `stated` and `is_real` likewise.
        stated: see `identity`.
        is_real: see `identity`.

    Raises:
        InputError: the DCC is of another item, or of a simulated one; or it cannot be read, has nothing of this
            instrument, or does not tell in which range it was.
    """
    document, found = read_dcc(path)
    doubts = [*doubts_of(found.item, identity=identity, stated=stated, is_real=is_real, where=where)]
    unsettled = found.item if doubts and found.item.numbers else None
    if found.is_of_before:
        doubts.append("its results are of before an adjustment or a repair, and it has none of after it")
    _refuse_unknown(ranges, description, found, where)
    content: dict[str, Any] = {"number": found.number, "k": str(_K), "corrections": []}
    content |= {"calibrated": found.date} if found.date else {}
    content |= {"due": due.isoformat()} if due is not None else {}
    places: dict[tuple[int | str, ...], tuple[int, int]] = {}
    for each, name, function, unit in _of(found, description, path, where):
        if len(each.points) < 2:
            raise InputError(
                "one point alone tells no correction",
                where=f"{path}:{each.line}",
                todo="write a certificate in YAML with its U as uncertainty",
            )
        number = len(content["corrections"])
        content["corrections"].append(
            {"function": name}
            | _range(each, name, function, unit, ranges, path, where)
            | {"points": [*_points(each, function, unit)]}
        )
        places[("corrections", number)] = (each.line, 1)
        if each.beside and not stated:
            beside = ", ".join(each.beside)
            doubts.append(f"its result in {each.unit} stands beside {beside}: the item may be a converter, not a meter")
    return replace(document, content=content, places=places), tuple(dict.fromkeys(doubts)), unsettled


def _of(
    found: Dcc, description: Description, path: Path, where: str
) -> Iterator[tuple[Calibrated, str, Function, str]]:
    """Each result with the function that it is of, its name, and its unit as the function has it."""
    missed: list[str] = []
    matched_n = 0
    for each in found.calibrated:
        fitting = [
            (name, function, unit)
            for name, function in description.functions.items()
            for unit in (each.unit, f"{each.unit}(a)")
            if _fits(unit, function.unit)
        ]
        if len(fitting) > 1:
            raise InputError(
                f"the result in {each.unit} may be of {' or '.join(name for name, *_ in fitting)}",
                where=f"{path}:{each.line}",
                todo="write the errors into a certificate in YAML, which names the function",
            )
        if fitting:
            matched_n += 1
            yield (each, *fitting[0])
        else:
            missed.append(each.unit)
    if not matched_n:
        raise InputError(
            f"the certificate is in {', '.join(dict.fromkeys(missed))}, which this instrument has no function in",
            where=where,
            allowed=", ".join(function.unit for function in description.functions.values()),
            todo="name the certificate of this instrument",
        )


def _fits(unit: str, of: str) -> bool:
    try:
        return is_alike(unit, of)
    except InputError:  # "A(a)" is no unit
        return False


def _range(
    each: Calibrated,
    name: str,
    function: Function,
    unit: str,
    ranges: Mapping[str, Span],
    path: Path,
    where: str,
) -> dict[str, str]:
    """The range of the function that a result was found in, as the file of a certificate has it."""
    if len(function.ranges) == 1:
        return {}
    stated = ranges.get(each.name, ranges.get(name))
    if stated is not None:
        return {"range": str(stated)}
    levels = [magnitude(quantity(f"{point.reference} {unit}"), function.unit) for point in each.points]
    holding = [
        entry.range
        for entry in function.ranges
        if all(entry.range.within(function.unit).holds(level) for level in levels)
    ]
    if len(holding) == 1:
        return {"range": str(holding[0])}
    raise InputError(
        f'the certificate does not tell in which range of {name} "{each.name}" was found',
        where=f"{path}:{each.line}",
        allowed=" or ".join(map(str, holding or [entry.range for entry in function.ranges])),
        todo=f"say it at {where}: certified ranges: {{{name}: {(holding or [function.ranges[0].range])[0]}}}",
    )


def _points(each: Calibrated, function: Function, unit: str) -> Iterator[dict[str, str]]:
    """The points as the file of a certificate has them.

    A meter is off by what it indicates less the reference, at the reference; a source by what it gives less what it
    is set to, at that.
    """
    width_unit = unit.removesuffix("(a)")
    for point in each.points:
        error = point.indication - point.reference
        at = point.reference if function.reads else point.indication
        U = point.U * _K / point.k
        yield {
            "at": f"{at} {unit}",
            "error": f"{error if function.reads else -error} {width_unit}",
            "U": f"{U:.12g} {width_unit}",
        }


def _refuse_unknown(ranges: Mapping[str, Span], description: Description, found: Dcc, where: str) -> None:
    """Refuse a range that is stated of no function and no result; raises InputError."""
    known = [*description.functions, *(each.name for each in found.calibrated)]
    for name in ranges:
        if name not in known:
            guess = nearest(name, known)
            raise InputError(
                f'"{name}" is no function and no result',
                where=where,
                allowed=", ".join(known),
                todo=f'write "{guess}"' if guess else "",
            )
