"""The tolerance of a type sheet at a point, in the unit of the output: each part with its base.

- "x % of span": of the output span.
- "x % of reading": of the value at the input, carried to the output by the slope of the characteristic.
- "x % of output": of the ideal output value itself, live zero included.
- "x % of full scale": of the upper range value of the input, the highest value that is to be measured (ISA-51.1, from
  memory), carried to the output as a reading is.
- a tolerance class of a sensor (IEC 60751, IEC 60584): in K at the temperature at the input, carried to the output.
- absolute: in the output's unit; or in the input's unit, carried to the output by the slope.

Where input and output have one dimension, an absolute part means the output.
"""

import math

import numpy as np

from instruments.datasheet import DataSheet, FloatArray
from instruments.sensor import Thermocouple
from instruments.sensor_classes import half_width_degC
from instruments.units import CLASS, Term, Terms, is_width, rescale

__all__ = ["carried", "half_width", "slope", "with_floor"]

# Below, slope and difference are one but for rounding, and the slope stands.
_ROUNDING_FRAC = 1e-6


def slope(sheet: DataSheet, value: FloatArray, *, first: int = 0, last: int = -1) -> FloatArray:
    """D output / d input of the stages from tap `first` to tap `last`, in their units, at an input; same shape."""
    end = last % len(sheet.taps)
    frac = sheet.taps[first].fraction(value)
    steep = np.full(frac.shape, sheet.taps[end].span / sheet.taps[first].span)
    for stage in sheet.stages[first:end]:
        with np.errstate(invalid="ignore"):  # infinite at 0 of a square root, times a flat part behind it: NaN
            steep = steep * stage.characteristic.slope(frac)
        frac = stage.characteristic.output(frac)
    return np.asarray(steep)


def carried(sheet: DataSheet, value: FloatArray, width: FloatArray, *, first: int = 0, last: int = -1) -> FloatArray:
    """Change of the output for a change of the input by `width` either way, in the unit of tap `last`; >= 0.

    By the slope, but never more than the characteristic has within that width: at 0 of a square root the slope has no
    bound, and close to it a slope promises an output that no such input gives.
    """
    x = np.asarray(value, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        by_slope = width * np.abs(slope(sheet, x, first=first, last=last))
    here = sheet.ideal(x, first=first, last=last)
    either = [np.abs(sheet.ideal(x + sign * width, first=first, last=last) - here) for sign in (1, -1)]
    most = np.maximum(*either)
    slack = _ROUNDING_FRAC * most + 1e-12 * abs(sheet.taps[last].span)
    return np.asarray(np.where(by_slope <= most + slack, by_slope, most))


def half_width(tolerance: Terms, sheet: DataSheet, value: FloatArray, *, first: int = 0, last: int = -1) -> FloatArray:
    """Half width of the tolerance band at an input.

    Args:
        tolerance: as the type sheet has it.
        sheet: the unit.
        value: input at tap `first`, in its unit; any shape.
        first: tap where the input stands.
        last: tap where the output stands; -1 is the last.

    Returns:
        Same shape, in the unit of tap `last`; NaN where the input has no value. It may be zero: a share of a reading
        of 0 leaves no band.
    """
    source, output = sheet.taps[first], sheet.taps[last]
    x = np.asarray(value, dtype=np.float64)
    width = np.zeros(x.shape)
    for part in tolerance.parts:
        single = Terms((part,))
        if part.base == "span":
            width = width + single.half_width(output.unit, span=output.span)
        elif part.base == "output":
            width = width + part.value / 100 * np.abs(sheet.ideal(x, first=first, last=last))
        elif part.base == "full scale":
            wide = np.full(x.shape, part.value / 100 * max(source.low, source.high))
            width = width + carried(sheet, x, wide, first=first, last=last)
        elif part.base == "reading":
            width = width + carried(sheet, x, part.value / 100 * np.abs(x), first=first, last=last)
        elif part.base == CLASS:
            wide = _of_class(part.unit, sheet, x, first=first, last=last)
            width = width + carried(sheet, x, wide, first=first, last=last)
        elif is_width(part.unit, output.unit) or not is_width(part.unit, source.unit):
            width = width + single.half_width(output.unit)
        else:
            wide = np.full(x.shape, single.half_width(source.unit))
            width = width + carried(sheet, x, wide, first=first, last=last)
    return np.asarray(np.where(np.isfinite(width), width, np.nan))


def _of_class(named: str, sheet: DataSheet, value: FloatArray, *, first: int, last: int) -> FloatArray:
    """Half width of a tolerance class at inputs, in the unit of the input, which is one of temperature."""
    taps = sheet.taps[first : last % len(sheet.taps) + 1]
    couple = next((tap.sensor.type for tap in taps if isinstance(tap.sensor, Thermocouple)), "")
    factor, shift = rescale(taps[0].unit, "degC")
    return half_width_degC(named, factor * value + shift, thermocouple=couple) / abs(factor)


def with_floor(tolerance: Terms, needed_pct: float) -> Terms:
    """The tolerance with at least so many % of span more, rounded up to 1, 2 or 5 of a decade: what could be written.

    Args:
        tolerance: as the type sheet has it.
        needed_pct: > 0, % of the span of the output.
    """
    least = needed_pct + sum(part.value for part in tolerance.parts if part.base == "span")
    decade = math.floor(math.log10(least))
    floor = next(step * 10.0**decade for step in (1, 2, 5, 10) if step * 10.0**decade >= least * (1 - 1e-9))
    others = tuple(part for part in tolerance.parts if part.base != "span" and part.value)
    return Terms((*others, Term(floor, "%", "span")))
