"""Field types of the files that people write: text in, quantities out, through pydantic."""

import re
from functools import partial
from typing import Annotated, Any

from pydantic import BeforeValidator, PlainSerializer, WithJsonSchema

from instruments.errors import InputError
from instruments.filemodel import as_field
from instruments.units import (
    CLASS,
    DIGITS,
    Quantity,
    Span,
    Terms,
    canonical,
    difference,
    magnitude,
    quantity,
    span,
    terms,
)

__all__ = [
    "AccuracyField",
    "DifferenceField",
    "DriftField",
    "DurationField",
    "FractionField",
    "LevelField",
    "LevelsField",
    "OptionalFractionField",
    "PauseField",
    "PlacesField",
    "ScaleField",
    "SpanField",
    "TemperatureSpanField",
    "ToleranceField",
    "UnitField",
    "WatchdogField",
]


def _schema(example: str, what: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "description": what, "examples": [example]})


def _seconds(text: str) -> float:
    return magnitude(quantity(text, like="s"), "s")


_LONGEST_S = 7 * 86400.0  # no time of a bench is longer; a wait without end is a slip of the prefix


_SHORTEST_GUARD_S = 1.0  # a busy computer is not a dead run
_LONGEST_PAUSE_S = 3600.0  # a dead instrument is waited for as long, at each attempt


def _duration(text: str, *, longest_s: float = _LONGEST_S) -> float:
    seconds = _seconds(text)
    if seconds < 0:
        raise InputError(f'"{text}" is a negative time', allowed="zero or more")
    if seconds > longest_s:
        raise InputError(f'"{text}" is too long a time', allowed=f"at most {longest_s / 3600:g} h")
    return seconds


def _watchdog(text: str) -> float:
    seconds = 0.0 if text == "none" else _duration(text)
    if 0 < seconds < _SHORTEST_GUARD_S:
        raise InputError(f'"{text}" is too short a time', allowed=f'at least {_SHORTEST_GUARD_S:g} s, or "none"')
    return seconds


def _fraction(text: str) -> float:
    share = quantity(text, like="%")
    if str(share.units) not in {"percent", "ppm"}:  # a pulse has no dimension either
        raise InputError(f'"{text}" is not a share', allowed='such as "10 %"')
    return magnitude(share, "percent") / 100


def _fraction_or_none(text: str) -> float | None:
    return None if text == "none" else _fraction(text)


def _tolerance(text: str) -> Terms:
    return terms(text, bases=("span", "reading", "output", "full scale", CLASS))


def _accuracy(text: str) -> Terms:
    return terms(text, bases=("reading", "range", "full scale", DIGITS))


_PER_YEAR = re.compile(r"(.+?)\s*(?:per\s+(?:year|a)|/\s*(?:year|a))\s*")


def _drift(text: str) -> Terms:
    match = _PER_YEAR.fullmatch(text)
    if match is None:
        raise InputError(
            f'"{text}" is not a drift', allowed='such as "0.01 % of reading per year"', todo='end it with "per year"'
        )
    return _accuracy(match[1])


_SCALE = re.compile(r"([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(?:\.\.|to)\s*([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)")


def _scale(text: str) -> tuple[float, float]:
    match = _SCALE.fullmatch(text)
    try:
        low, high = (float(each) for each in match.groups()) if match else (0.0, 0.0)
    except ValueError:
        low = high = 0.0
    if low == high:
        raise InputError(f'"{text}" is not a scale', allowed='two numbers without a unit, such as "0 .. 100"')
    return low, high


_as_text = PlainSerializer(str, return_type=str)

LevelField = Annotated[Quantity, as_field(quantity), _as_text, _schema("12 mA", "a number and its unit")]
DifferenceField = Annotated[Quantity, as_field(difference), _as_text, _schema("0.5 degC", "a difference and its unit")]
SpanField = Annotated[Span, as_field(span), _as_text, _schema("4 .. 20 mA", "two numbers and a unit")]
ScaleField = Annotated[
    tuple[float, float],
    as_field(_scale),
    PlainSerializer(lambda ends: f"{ends[0]!r} .. {ends[1]!r}", return_type=str),
    _schema("0 .. 100", "two numbers without a unit"),
]
TemperatureSpanField = Annotated[
    Span,
    as_field(lambda text: span(text, like="degC")),
    _as_text,
    _schema("21 .. 25 degC", "two temperatures"),
]
DurationField = Annotated[float, as_field(_duration), _schema("50 ms", "a time; held in seconds")]
PauseField = Annotated[
    float,
    as_field(partial(_duration, longest_s=_LONGEST_PAUSE_S)),
    _schema("5 s", "a time of an instrument; held in seconds"),
]
WatchdogField = Annotated[float, as_field(_watchdog), _schema("10 s", 'a time, held in seconds; or "none", held as 0')]
FractionField = Annotated[float, as_field(_fraction), _schema("10 %", "a share in %; held as a fraction")]


def _one_or_list(given: Any) -> Any:  # noqa: ANN401  "50 %", or a list of per cents
    return given if isinstance(given, (list, tuple)) else (given,)


LevelsField = Annotated[tuple[LevelField, ...], BeforeValidator(_one_or_list)]
"""One level or several."""
PlacesField = Annotated[tuple[FractionField, ...], BeforeValidator(_one_or_list)]
"""One place of the input range or several, each in %; held as fractions."""

OptionalFractionField = Annotated[
    float | None, as_field(_fraction_or_none), _schema("110 %", 'a share in %, held as a fraction; or "none"')
]
UnitField = Annotated[str, as_field(canonical), _schema("mA", "a unit")]
ToleranceField = Annotated[
    Terms,
    as_field(_tolerance),
    _as_text,
    _schema(
        "0.2 % of span",
        "half width: of span, of reading, of output, of full scale, absolute, or the class of a sensor; joined by +",
    ),
]
AccuracyField = Annotated[
    Terms,
    as_field(_accuracy),
    _as_text,
    _schema(
        "0.02 % of reading + 0.01 % of range",
        "half width: of reading, of range, of full scale, in digits, or absolute; joined by +",
    ),
]
DriftField = Annotated[
    Terms,
    as_field(_drift),
    PlainSerializer(lambda found: f"{found} per year", return_type=str),
    _schema("0.005 % of reading + 1 uA per year", "half width in a year, as an accuracy"),
]
