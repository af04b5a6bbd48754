"""Reference functions of platinum resistance thermometers (IEC 60751) and thermocouples (ITS-90, as in IEC 60584-1).

Pure functions of arrays. No sensor tolerance, no lead resistance, no reference junction: `instruments.sensor` holds
the junction. Tables of NIST and of the standard, rounded to their last digit, stay inside the ranges.
"""

import json
from dataclasses import dataclass
from functools import cache
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt
import yaml
from numpy.polynomial.polynomial import polyder, polyval

from instruments.shipped import shipped

__all__ = ["ThermocoupleType", "rtd_degC", "rtd_ohm", "thermocouple_degC", "thermocouple_mV"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
ThermocoupleType: TypeAlias = Literal["B", "E", "J", "K", "N", "R", "S", "T"]

# 18.52 ohm, printed for -200 degC, lies 0.0002 degC below it; half of 0.01 ohm is 0.012 degC there, 0.017 at 850.
_RTD_MARGIN_DEGC = 0.02
# Half the last digit of the tables: -6.458 mV, printed for -270 degC of type K, lies below the exact value.
_TABLE_MARGIN_MV = 0.0005
# Type B turns at 21 degC: below the first inverse polynomial an EMF has two temperatures, or nearly.
_TYPE_B_LOW_MV, _TYPE_B_LOW_DEGC = 0.291, 200.0
# Newton takes 3 steps from an inverse polynomial, some 20 near -270 degC; a jump between pieces (J: 7e-8 mV) is halved.
_STEPS_N = 60
_CLOSE_DEGC = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class _Iec60751:
    """R(t) = R0 (1 + A t + B t² + C (t - 100) t³), C below 0 degC only."""

    A: float
    B: float
    C: float
    low_degC: float
    high_degC: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """One range of a reference function: a polynomial, and for type K above 0 degC a bell-shaped term beside it."""

    low: float
    high: float
    coefficients: FloatArray
    bell: tuple[float, float, float] | None = None

    def level(self, value_degC: FloatArray) -> FloatArray:
        """EMF in mV."""
        level_mV = polyval(value_degC, self.coefficients)
        if self.bell is not None:
            height, width, centre = self.bell
            level_mV = level_mV + height * np.exp(width * (value_degC - centre) ** 2)
        return np.asarray(level_mV)

    def slope(self, value_degC: FloatArray) -> FloatArray:
        """Slope of the EMF in mV/K."""
        slope = polyval(value_degC, polyder(self.coefficients))
        if self.bell is not None:
            height, width, centre = self.bell
            away = value_degC - centre
            slope = slope + 2 * width * away * height * np.exp(width * away**2)
        return np.asarray(slope)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reference:
    """The reference function of one type (degC to mV), and its approximate inverse (mV to degC) to start from."""

    forward: tuple[_Piece, ...]
    inverse: tuple[_Piece, ...]


@cache
def _iec60751() -> _Iec60751:
    entries = yaml.safe_load(shipped("shared", "iec60751.yaml").read_text(encoding="utf-8"))
    del entries["source"]
    return _Iec60751(**entries)


def _bell(entry: dict[str, float] | None) -> tuple[float, float, float] | None:
    return None if entry is None else (entry["a0"], entry["a1"], entry["a2"])


@cache
def _references() -> dict[str, _Reference]:
    path = shipped("shared", "thermocouple-its90-coefficients.json")
    references = {}
    for letter, entry in json.loads(path.read_text(encoding="utf-8"))["types"].items():
        forward = tuple(
            _Piece(
                low=piece["t_min_c"],
                high=piece["t_max_c"],
                coefficients=np.array(piece["coeffs"]),
                bell=_bell(piece.get("exponential")),
            )
            for piece in entry["forward"]
        )
        inverse = tuple(
            _Piece(low=piece["mv_min"], high=piece["mv_max"], coefficients=np.array(piece["coeffs"]))
            for piece in entry["inverse"]
        )
        references[letter] = _Reference(forward=forward, inverse=inverse)
    return references


def rtd_ohm(value_degC: npt.ArrayLike, *, r0_ohm: float) -> FloatArray:
    """Resistance of a platinum thermometer at a temperature.

    Args:
        value_degC: any shape, NaN = not known.
        r0_ohm: resistance at 0 degC.

    Returns:
        Same shape, in ohm; NaN outside -200 .. 850 degC (a margin of 0.02 degC lets rounded table values through).

    Source: IEC 60751, see `shared/iec60751.yaml`.
    """
    curve = _iec60751()
    value = np.asarray(value_degC, dtype=np.float64)
    cold = np.minimum(value, 0.0)
    ratio = 1 + value * (curve.A + value * curve.B) + curve.C * (cold - 100) * cold**3
    return np.where(_is_rtd(value), r0_ohm * ratio, np.nan)


def rtd_degC(ohm: npt.ArrayLike, *, r0_ohm: float) -> FloatArray:
    """Temperature of a platinum thermometer for a resistance: the root in closed form, below 0 degC by Newton from it.

    Args:
        ohm: any shape, NaN = not read.
        r0_ohm: resistance at 0 degC.

    Returns:
        Same shape, in degC; NaN outside -200 .. 850 degC (a margin of 0.02 degC lets rounded table values through).

    Source: IEC 60751, see `shared/iec60751.yaml`.
    """
    curve = _iec60751()
    ratio = np.asarray(ohm, dtype=np.float64) / r0_ohm
    # Inside 0 .. 5 the root is real, and a rail value cannot run off to infinity; the range itself is checked below.
    ratio = np.where((ratio > 0) & (ratio < 5), ratio, np.nan)
    value = (-curve.A + np.sqrt(curve.A**2 - 4 * curve.B * (1 - ratio))) / (2 * curve.B)
    for _ in range(6):  # the quadratic alone is off by 2.4 degC at -200; four steps reach 1e-12 degC
        cold = np.minimum(value, 0.0)
        excess = 1 + value * (curve.A + value * curve.B) + curve.C * (cold - 100) * cold**3 - ratio
        slope = curve.A + 2 * curve.B * value + curve.C * (4 * cold - 300) * cold**2
        value = value - excess / slope
    return np.where(_is_rtd(value), value, np.nan)


def _is_rtd(value_degC: FloatArray) -> npt.NDArray[np.bool_]:
    curve = _iec60751()
    return (value_degC >= curve.low_degC - _RTD_MARGIN_DEGC) & (value_degC <= curve.high_degC + _RTD_MARGIN_DEGC)


def thermocouple_mV(value_degC: npt.ArrayLike, *, type: ThermocoupleType) -> FloatArray:  # noqa: A002  trade's word
    """EMF of a thermocouple, reference junction at 0 degC.

    Args:
        value_degC: any shape, NaN = not known.
        type: letter of the thermocouple.

    Returns:
        Same shape, in mV; NaN outside the range of the type.

    Source: NIST ITS-90, see `shared/thermocouple-its90-coefficients.json`.
    """
    return _along(_references()[type].forward, np.asarray(value_degC, dtype=np.float64))


def thermocouple_degC(mV: npt.ArrayLike, *, type: ThermocoupleType) -> FloatArray:  # noqa: A002  trade's word
    """Temperature of a thermocouple for an EMF, reference junction at 0 degC.

    Newton on the reference function, kept between two temperatures that enclose the root, so that the error bands of
    the inverse polynomials (up to 0.06 degC) do not enter.

    Args:
        mV: any shape, NaN = not read.
        type: letter of the thermocouple.

    Returns:
        Same shape, in degC; NaN outside the range of the type, and for type B below 0.291 mV (250 degC), where one EMF
        has two temperatures. Half of 0.001 mV beyond an end gives that end: tables are rounded.

    Source: NIST ITS-90, see `shared/thermocouple-its90-coefficients.json`.
    """
    reference = _references()[type]
    level = np.asarray(mV, dtype=np.float64)
    low_degC, high_degC = reference.forward[0].low, reference.forward[-1].high
    low_mV, high_mV = _along(reference.forward, np.array([low_degC, high_degC]))
    is_known = (level >= low_mV - _TABLE_MARGIN_MV) & (level <= high_mV + _TABLE_MARGIN_MV)
    if type == "B":
        low_degC = _TYPE_B_LOW_DEGC
        is_known &= level >= _TYPE_B_LOW_MV
    value = np.full(level.shape, np.nan)
    known_mV = np.clip(level[is_known], low_mV, high_mV)
    value[is_known] = _inverted(reference, known_mV, low_degC=low_degC, high_degC=high_degC)
    return value


def _inverted(reference: _Reference, level_mV: FloatArray, *, low_degC: float, high_degC: float) -> FloatArray:
    low, high = np.full(level_mV.shape, low_degC), np.full(level_mV.shape, high_degC)
    value = np.clip(_started(reference.inverse, level_mV, low_degC=low_degC), low, high)
    for _ in range(_STEPS_N):
        excess_mV = _along(reference.forward, value) - level_mV
        low, high = np.where(excess_mV < 0, value, low), np.where(excess_mV > 0, value, high)
        step = value - excess_mV / _along(reference.forward, value, slope=True)
        step = np.where((step >= low) & (step <= high), step, (low + high) / 2)
        is_close = np.abs(step - value) <= _CLOSE_DEGC
        value = step
        if is_close.all():
            break
    return value


def _started(inverse: tuple[_Piece, ...], level_mV: FloatArray, *, low_degC: float) -> FloatArray:
    """First guess: the inverse polynomial; below the first one the middle of what is left."""
    lowest_degC = polyval(inverse[0].low, inverse[0].coefficients)
    value = np.full(level_mV.shape, (low_degC + lowest_degC) / 2)
    for piece in inverse:
        here = level_mV >= piece.low
        value[here] = polyval(level_mV[here], piece.coefficients)
    return value


def _along(pieces: tuple[_Piece, ...], value_degC: FloatArray, *, slope: bool = False) -> FloatArray:
    """EMF or its slope, each piece on its range; a joint belongs to the piece above it."""
    along = np.full(value_degC.shape, np.nan)
    for piece in pieces:
        here = (value_degC >= piece.low) & (value_degC <= piece.high)
        along[here] = piece.slope(value_degC[here]) if slope else piece.level(value_degC[here])
    return along
