"""Names of units as people write them, and the units of pint that they stand for.

pint does the dimensions, on a small unit file of our own (`shared/units.txt`). What a pressure is measured against
stands beside its unit as a factor, shown as "(g)" or "(a)".
"""

import re
from functools import lru_cache
from typing import TYPE_CHECKING

import pint

from instruments.errors import InputError, nearest, shortened
from instruments.shipped import shipped

if TYPE_CHECKING:
    from pint.facets.plain import PlainUnit

__all__ = ["USUAL", "bare", "registry", "symbol", "unit_of"]

# pint would evaluate powers ("mA**9**9**9" takes for ever), skip a NUL, and take a blank for "times".
_SYMBOL = r"[A-Za-zµμΩ\u2126°%Δ][A-Za-z0-9_µμΩ\u2126°]*(?:\s?(?:\*\*|\^)\s?-?[1-9]|⁻?[¹²³])?"
_UNIT = re.compile(rf"(?:1\s?/\s?)?{_SYMBOL}(?:\s?[*/·]\s?{_SYMBOL}){{0,4}}")
# As people write them -> as pint takes them.
_SPELLINGS = (
    (re.compile(r"%\s?r\.?h\.?(?![A-Za-z0-9])", re.IGNORECASE), "relative_humidity"),
    (re.compile(r"(?<![A-Za-z0-9_])([cdm]?m|in)([23])(?![0-9])"), r"\1**\2"),
)
_REFERENCE = re.compile(
    r"(?:(?P<unit>\S+?)\s?(?:\((?P<short>g|a|abs|gauge|absolute)\)|\s(?P<word>g|a|abs|gauge|absolute))"
    r"|(?P<stem>[mh]?bar|psi|[hkM]?Pa)(?P<letter>[ga]))"
)
_AGAINST = {"gauge": "(g)", "absolute": "(a)"}
USUAL = (
    "mA", "A", "mV", "V", "Hz", "kHz", "rpm", "ohm", "kohm", "degC", "degF", "K", "s", "ms", "min",
    "mbar", "bar", "Pa", "hPa", "kPa", "MPa", "psi", "bar(g)", "bar(a)", "kPa(g)", "kPa(a)",
    "mmHg", "inHg", "mmH2O", "inH2O", "torr", "m3/h", "l/min", "l/h", "kg/h", "%RH", "pH", "uS/cm", "mS/cm",
)  # fmt: skip


@lru_cache(maxsize=1)
def registry() -> "pint.UnitRegistry[float]":
    """The one registry of this program."""
    return pint.UnitRegistry(str(shipped("shared", "units.txt")), autoconvert_offset_to_baseunit=False)


@lru_cache(maxsize=256)
def unit_of(text: str) -> pint.Unit:
    """The unit of a text; raises InputError without a place, which the caller knows."""
    plain = text.replace("\u2126", "Ω")  # the ohm sign, which is not the Greek letter
    against = ""
    if found := _REFERENCE.fullmatch(plain):
        plain = found["unit"] or found["stem"]
        against = "gauge" if (found["short"] or found["word"] or found["letter"]).startswith("g") else "absolute"
    for pattern, name in _SPELLINGS:
        plain = pattern.sub(name, plain)
    try:
        if plain in {"1", "dimensionless"} and not against:  # a factor, as people and as pint write it
            return registry().Unit("")
        if _UNIT.fullmatch(plain) and str(registry().Unit(plain)) != "dimensionless":  # mA/mA
            unit = registry().Unit(f"{plain} * {against}" if against else plain)
            of = bare(unit)
            if of is unit or of.dimensionality == registry().Unit("Pa").dimensionality:
                return unit
    except Exception as error:  # pint raises its own and Python's errors on a text that is no unit
        raise _no_unit(text) from error
    raise _no_unit(text)


def _no_unit(text: str) -> InputError:
    guess = nearest(text, USUAL)
    if len(text) < 3 and guess.casefold() != text.casefold():  # anything is like two letters
        guess = ""
    return InputError(
        f'"{shortened(text)}" is not a unit',
        allowed="mA, V, mV, Hz, kHz, rpm, ohm, degC, mbar, kPa, kPa(g), kPa(a), %RH, pH, m3/h, s, ms, % and the like",
        todo=(f'did you mean "{guess}"? ' if guess else "")
        + 'write the unit as on the data plate; small and capital letters differ ("mA", not "MA")',
        part=text,
        meant=(guess,) if guess else (),
    )


def bare(unit: "PlainUnit") -> "PlainUnit":
    """A unit without what a pressure is measured against: itself where there is none."""
    return next((unit / registry().Unit(each) for each in _AGAINST if each in str(unit)), unit)


@lru_cache(maxsize=4096)
def symbol(unit: "PlainUnit") -> str:
    """Short symbol of a unit, what a pressure is measured against behind it."""
    return f"{bare(unit):~P}" + "".join(shown for each, shown in _AGAINST.items() if each in str(unit))
