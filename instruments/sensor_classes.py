"""Tolerance classes of temperature sensors by name: platinum by IEC 60751, thermocouples by IEC 60584-1.

Limits and the ranges they hold for: IEC 60751:2008 and :2022, tables 1 and 2 of clause 5 (as quoted, the standard not
reached); IEC 60584-1:2013, table of clause 5 (from memory).
"""

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from instruments.errors import InputError

__all__ = ["PLATINUM", "THERMOCOUPLES", "class_of", "half_width_degC", "range_degC"]

FloatArray = npt.NDArray[np.float64]

PLATINUM, THERMOCOUPLES = "IEC 60751", "IEC 60584"


@dataclass(frozen=True, slots=True)
class _Limits:
    """The greater of `least_degC` and `share` * (|t| - `above_degC`) + `more_degC`, from `low_degC` to `high_degC`."""

    least_degC: float
    share: float
    low_degC: float
    high_degC: float
    above_degC: float = 0.0
    more_degC: float = 0.0


# Class of IEC 60751: degC at 0 degC, share of |t|, range of wire-wound thermometers, range of those with a film.
_PT: dict[str, tuple[float, float, tuple[float, float], tuple[float, float]]] = {
    "AA": (0.10, 0.0017, (-50.0, 250.0), (0.0, 150.0)),
    "A": (0.15, 0.002, (-100.0, 450.0), (-30.0, 300.0)),
    "B": (0.30, 0.005, (-196.0, 600.0), (-50.0, 500.0)),
    "C": (0.60, 0.010, (-196.0, 600.0), (-50.0, 600.0)),
}
_WIRE, _FILM = "wire wound", "film"
_COUPLE: dict[tuple[str, str], _Limits] = {
    **{("1", each): _Limits(1.5, 0.004, -40.0, 1000.0) for each in "KN"},
    ("1", "T"): _Limits(0.5, 0.004, -40.0, 350.0),
    ("1", "E"): _Limits(1.5, 0.004, -40.0, 800.0),
    ("1", "J"): _Limits(1.5, 0.004, -40.0, 750.0),
    **{("1", each): _Limits(1.0, 0.003, 0.0, 1600.0, above_degC=1100.0, more_degC=1.0) for each in "RS"},
    **{("2", each): _Limits(2.5, 0.0075, -40.0, 1200.0) for each in "KN"},
    ("2", "T"): _Limits(1.0, 0.0075, -40.0, 350.0),
    ("2", "E"): _Limits(2.5, 0.0075, -40.0, 900.0),
    ("2", "J"): _Limits(2.5, 0.0075, -40.0, 750.0),
    **{("2", each): _Limits(1.5, 0.0025, 0.0, 1600.0) for each in "RS"},
    ("2", "B"): _Limits(0.0, 0.0025, 600.0, 1700.0),
    **{("3", each): _Limits(2.5, 0.015, -200.0, 40.0) for each in "EKN"},
    ("3", "T"): _Limits(1.0, 0.015, -200.0, 40.0),
    ("3", "B"): _Limits(4.0, 0.005, 600.0, 1700.0),
}
_NAME = re.compile(
    r"(?:IEC\s*(?P<standard>60751|60584)(?:-1)?(?:\s*:\s*\d{4})?\s*,?\s*)?(?P<word>class\s+)?(?P<name>AA|[ABC123])"
    r"(?:\s*,?\s*(?P<made>film|wire[\s-]?wound)|\s*,?\s*type\s+(?P<type>[A-Z]))?",
    re.IGNORECASE,
)
_ALLOWED = '"IEC 60751 class A" (AA, A, B, C; "film" or "wire wound" behind), "IEC 60584 class 1 type K" (1, 2, 3)'


def class_of(text: str) -> str:
    """The full name of a class that people write: "class A", "IEC 60751 B film", "class 1 type K"; "" if it is none.

    Raises:
        InputError: it names a class that its standard does not have.
    """
    match = _NAME.fullmatch(text.strip())
    if match is None or not (match["standard"] or match["word"]):
        if re.match(r"\s*(?:IEC|class)\b", text, re.IGNORECASE):
            raise InputError(f'"{text}" is not a tolerance class', allowed=_ALLOWED)
        return ""
    name = match["name"].upper()
    standard = PLATINUM if name in _PT else THERMOCOUPLES
    made, couple = match["made"], (match["type"] or "").upper()
    is_right = not match["standard"] or standard.endswith(match["standard"])
    if standard == PLATINUM:
        is_right &= not couple
    else:
        is_right &= not made and (not couple or (name, couple) in _COUPLE)
    if not is_right:
        raise InputError(f'there is no tolerance class "{text}"', allowed=_ALLOWED)
    found = f"{standard} class {name}"
    if made:
        found += f" {_FILM if made.lower() == _FILM else _WIRE}"
    return found + (f" type {couple}" if couple else "")


def half_width_degC(named: str, t_degC: FloatArray, *, thermocouple: str = "") -> FloatArray:
    """Half width of a class at temperatures, in K, same shape.

    Args:
        named: as `class_of` gives it.
        t_degC: true temperature in degC.
        thermocouple: type of it, where the name has none.

    Raises:
        KeyError: the class of a thermocouple of no type, or of one that has no such class.
    """
    limits = _limits(named, thermocouple)
    growing = limits.share * (np.abs(t_degC) - limits.above_degC) + limits.more_degC
    return np.asarray(np.maximum(limits.least_degC, growing))


def range_degC(named: str, *, thermocouple: str = "") -> tuple[float, float]:
    """From where to where a class holds, in degC; of platinum of unknown make, that of a film, which is the narrower.

    Arguments and errors as in `half_width_degC`.
    """
    limits = _limits(named, thermocouple)
    return limits.low_degC, limits.high_degC


def _limits(named: str, thermocouple: str) -> _Limits:
    standard, _, rest = named.partition(" class ")
    name, _, more = rest.partition(" ")
    if standard == THERMOCOUPLES:
        return _COUPLE[name, more.removeprefix("type ") or thermocouple]
    at_0, share, wire, film = _PT[name]
    return _Limits(0.0, share, *(wire if more == _WIRE else film), more_degC=at_0)
