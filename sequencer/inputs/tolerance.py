"""The tolerance of a type sheet at a point, in the unit of the output: each part with its base.

- "x % of span": of the output span.
- "x % of reading": of the value at the input, carried to the output by the slope of the characteristic.
- "x % of output": of the ideal output value itself, live zero included.
- absolute: in the output's unit; or in the input's unit, carried to the output by the slope.

Where input and output have one dimension, an absolute part means the output.
"""

import numpy as np

from instruments.datasheet import DataSheet, FloatArray
from instruments.units import Terms, is_alike

__all__ = ["half_width", "slope"]


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


def half_width(tolerance: Terms, sheet: DataSheet, value: FloatArray, *, first: int = 0, last: int = -1) -> FloatArray:
    """Half width of the tolerance band at an input.

    Args:
        tolerance: as the type sheet has it.
        sheet: the unit.
        value: input at tap `first`, in its unit; any shape.
        first: tap where the input stands.
        last: tap where the output stands; -1 is the last.

    Returns:
        Same shape, in the unit of tap `last`; NaN where the slope has no bound (0 % of a square root), so that nothing
        is judged there.
    """
    source, output = sheet.taps[first], sheet.taps[last]
    x = np.asarray(value, dtype=np.float64)
    steep = np.abs(slope(sheet, x, first=first, last=last))
    width = np.zeros(x.shape)
    for part in tolerance.parts:
        single = Terms((part,))
        if part.base == "span":
            width = width + single.half_width(output.unit, span=output.span)
        elif part.base == "output":
            width = width + part.value / 100 * np.abs(sheet.ideal(x, first=first, last=last))
        elif part.base == "reading":
            with np.errstate(invalid="ignore"):
                width = width + part.value / 100 * np.abs(x) * steep
        elif is_alike(part.unit, output.unit) or not is_alike(part.unit, source.unit):
            width = width + single.half_width(output.unit)
        else:
            width = width + single.half_width(source.unit) * steep
    return np.asarray(np.where(np.isfinite(width), width, np.nan))
