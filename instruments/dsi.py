r"""Units of the Digital System of Units (D-SI) and ours: `\milli\ampere` is mA.

Sources: D-SI 2.2.1, documentation of the schema for the form of a unit; the names of prefixes and units are those of
the SI Brochure (from memory). The schema itself takes any text for a unit.
"""

import re
from fractions import Fraction

from instruments.errors import InputError, shortened
from instruments.unit_names import bare, registry, unit_of
from instruments.units import is_alike, rescale

__all__ = ["from_dsi", "to_dsi"]

_PREFIXES = {
    "nano": "n", "micro": "u", "milli": "m", "centi": "c", "deci": "d", "hecto": "h", "kilo": "k", "mega": "M",
    "giga": "G",
}  # fmt: skip
# D-SI -> ours, as it is written and as pint names it.
_UNITS = {
    "ampere": ("A", "ampere"), "volt": ("V", "volt"), "ohm": ("ohm", "ohm"), "hertz": ("Hz", "hertz"),
    "kelvin": ("K", "kelvin"), "degreecelsius": ("degC", "degree_Celsius"), "pascal": ("Pa", "pascal"),
    "bar": ("bar", "bar"), "second": ("s", "second"), "minute": ("min", "minute"), "hour": ("h", "hour"),
    "day": ("d", "day"), "metre": ("m", "meter"), "litre": ("l", "liter"), "gram": ("g", "gram"),
    "kilogram": ("kg", "kilogram"), "newton": ("N", "newton"), "joule": ("J", "joule"), "watt": ("W", "watt"),
    "siemens": ("S", "siemens"), "farad": ("F", "farad"), "coulomb": ("C", "coulomb"), "percent": ("%", "percent"),
    "one": ("1", ""),
}  # fmt: skip
_BY_NAME = {name: dsi for dsi, (_, name) in _UNITS.items() if name}
_OTHERS = {
    "delta_degree_Celsius": r"\kelvin",
    "rpm": r"\minute\tothe{-1}",
    "relative_humidity": r"\percent",
    "pulse": r"\one",
    "pH": r"\one",
}
_TARGETS = {"Pa": r"\pascal", "K": r"\kelvin"}  # what has no name in D-SI is converted
_TOKEN = re.compile(r"\\([a-z]+)(?:\{(-?[0-9.]+)\})?")


def from_dsi(text: str) -> str:
    r"""Our unit for one of D-SI; a rate of turning is `\minute\tothe{-1}`, as it stands in no other unit.

    Raises:
        InputError: it is no unit that livezero knows.
    """
    tokens = _TOKEN.findall(text)
    if not tokens or "".join(f"\\{name}{{{power}}}" if power else f"\\{name}" for name, power in tokens) != text:
        raise _unknown(text)
    above, below = _factors(text, tokens)
    if not above and below == ["min"]:
        return "rpm"
    if not above and below == ["s"]:
        return "Hz"
    unit = "*".join(each for each in above if each != "1") or "1"
    unit += "".join(f"/{each}" for each in below)
    try:
        unit_of(unit)
    except InputError as error:
        raise _unknown(text) from error
    return unit


def _factors(text: str, tokens: list[tuple[str, str]]) -> tuple[list[str], list[str]]:
    """The factors of a unit above and below its line, as we write them."""
    above: list[str] = []
    below: list[str] = []
    prefix, is_below = "", False  # what stands for the next unit alone
    last: list[str] | None = None  # the side that the last unit went to
    for name, power in tokens:
        side = below if is_below else above
        if name in _PREFIXES and not power and not prefix:
            prefix = _PREFIXES[name]
        elif name == "per" and not power and not is_below:
            is_below = True
            continue
        elif name == "tothe" and last is not None:
            _raise_last(text, last, above, below, power)
            last = None
        elif name in _UNITS and not power:
            side.append(f"{prefix}{_UNITS[name][0]}")
            prefix, last, is_below = "", side, False
        else:
            raise _unknown(text)
    if prefix or is_below:
        raise _unknown(text)
    return above, below


def _raise_last(text: str, side: list[str], above: list[str], below: list[str], power: str) -> None:
    """Put an exponent to the factor before it, on the other side of the line where it is negative."""
    try:
        exponent = Fraction(power)
    except ValueError as error:
        raise _unknown(text) from error
    if exponent.denominator != 1 or not exponent or abs(exponent) > 9:
        raise _unknown(text)
    factor = side.pop()
    other = above if side is below else below
    size = abs(int(exponent))
    (side if exponent > 0 else other).append(factor if size == 1 else f"{factor}**{size}")


def to_dsi(unit: str) -> tuple[str, float, float]:
    """A unit of ours in D-SI, with factor and shift from our numbers to those in it.

    Raises:
        InputError: D-SI has no such unit, and none that it could be converted to.
    """
    items = dict(bare(unit_of(unit))._units)  # noqa: SLF001  pint has no other way to the factors of a unit
    parts = [_part(str(name), float(str(power))) for name, power in items.items()]
    if all(parts):
        return "".join(parts) or r"\one", 1.0, 0.0
    for target, dsi in _TARGETS.items():
        if is_alike(unit, target) or is_alike(unit, f"{target}(a)"):
            plain = target if is_alike(unit, target) else f"{target}(a)"
            factor, shift = rescale(unit, plain)
            return dsi, factor, shift
    raise InputError(f'"{unit}" has no name in D-SI', allowed="units of the SI and those that are used with it")


def _part(name: str, power: float) -> str:
    """A factor of a unit in D-SI; "" if it has none there."""
    exponent = "" if power == 1 else rf"\tothe{{{power:g}}}"
    if name in _OTHERS:
        return f"{_OTHERS[name]}{exponent}"
    if name in _BY_NAME:
        return rf"\{_BY_NAME[name]}{exponent}"
    ((prefix, stem, _), *_) = registry().parse_unit_name(name) or (("", "", ""),)
    return rf"\{prefix}\{_BY_NAME[stem]}{exponent}" if prefix in _PREFIXES and stem in _BY_NAME else ""


def _unknown(text: str) -> InputError:
    return InputError(
        f'"{shortened(text)}" is no unit of D-SI that can be read',
        allowed=r"\ampere, \milli\volt, \degreecelsius, \hertz, \metre\tothe{3}\per\hour and the like",
    )
