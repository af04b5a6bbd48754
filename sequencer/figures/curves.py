"""What the figures have in common: the readings as arrays, the average curve, and the largest value with its place.

Error arrays have the shape (units, cycles, 2, points), in % of output span, measured less ideal. Axis 2 is the
direction: 0 up, 1 down; the downscale traverse of a cycle is the one that *follows* its upscale traverse. The points
ascend. NaN = not read. No figure is made here.
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from instruments.errors import ReadingsError
from sequencer.figures.per_point import FloatArray, IntArray, mean

__all__ = ["DOWN", "UP", "BoolArray", "Largest", "average_curve", "chosen", "end_reason", "flat", "largest", "readings"]

BoolArray: TypeAlias = npt.NDArray[np.bool_]

UP, DOWN = 0, 1
# Deviations that differ by rounding alone are one deviation: the place is then the lowest input, on every machine.
_TIE_FRAC = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Largest:
    """The value of largest magnitude along the last axis.

    Attributes:
        level: with its sign; NaN where there is none.
        index: its place on the axis; among equals the first; 0 where there is none.
    """

    level: FloatArray
    index: IntArray


def readings(error_pct: FloatArray, x_pct: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Errors and inputs of one shape; a pair with one half missing is NaN in both.

    Args:
        error_pct: shape (units, cycles, 2, points), NaN = not read.
        x_pct: input in % of input span, of a shape that broadcasts to it; (points,) if nominal.

    Raises:
        ReadingsError: a shape is wrong, or a value infinite.
    """
    error = np.asarray(error_pct, dtype=np.float64)
    if error.ndim != 4 or error.shape[2] != 2 or error.shape[1] == 0 or error.shape[3] == 0:
        raise ReadingsError(
            f"errors have the shape {error.shape}",
            where="error_pct",
            allowed="(units, cycles, 2, points), with at least one cycle and one point",
            todo="arrange them by unit, cycle, direction and point, NaN for what was not read",
        )
    try:
        x = np.broadcast_to(np.asarray(x_pct, dtype=np.float64), error.shape)
    except ValueError as wrong:
        raise ReadingsError(
            f"inputs have the shape {np.shape(x_pct)}, errors {error.shape}",
            where="x_pct",
            allowed="one input for each point, or for each error",
            todo="give each error its input",
        ) from wrong
    for name, values in (("error_pct", error), ("x_pct", x)):
        if np.isinf(values).any():
            raise ReadingsError(
                "a value is infinite",
                where=name,
                todo="an over-range reading is no reading: give NaN, and say so beside it",
            )
    is_read = np.isfinite(error) & np.isfinite(x)
    return np.where(is_read, error, np.nan), np.where(is_read, x, np.nan)


def average_curve(level: FloatArray) -> FloatArray:
    """Mean of the mean upscale and the mean downscale value at each point.

    Not the mean of all readings: one more upscale reading at a point would pull the curve towards upscale.

    Args:
        level: shape (units, cycles, 2, points), NaN = not read.

    Returns:
        Shape (units, points). Where only one direction was read, that one counts at the two end points, which a
        traverse reaches from one side, and everywhere for a unit read in one direction only; at other points half a
        hysteresis would look like non-linearity, so the point is NaN.
    """
    both = mean(level, axis=1)
    is_read = np.isfinite(both)
    is_one_way = ~np.all(is_read.any(axis=2), axis=1, keepdims=True)
    is_enough = is_read.all(axis=1) | is_one_way
    is_enough[:, [0, -1]] = True
    return np.where(is_enough, mean(both, axis=1), np.nan)


def largest(level: FloatArray) -> Largest:
    """Value of largest magnitude along the last axis, with its sign and place.

    Args:
        level: any shape and unit, NaN = not read.
    """
    magnitude = np.where(np.isnan(level), -1.0, np.abs(level))
    most = magnitude.max(axis=-1, keepdims=True)
    index = (magnitude >= most * (1 - _TIE_FRAC)).argmax(axis=-1)
    return Largest(level=chosen(level, index), index=index)


def chosen(level: FloatArray, index: IntArray) -> FloatArray:
    """The value at an index along the last axis."""
    return np.asarray(np.take_along_axis(level, index[..., None], axis=-1)[..., 0])


def flat(level: FloatArray) -> FloatArray:
    """One row for each unit, all other axes in one; also of no units at all."""
    return level.reshape(len(level), int(np.prod(level.shape[1:])))


def end_reason(end_pct: FloatArray, *, within_pct: float) -> str:
    """Why a curve has no ends: "" if its first input is near 0 % and its last near 100 %.

    Args:
        end_pct: the inputs of the first and the last point of one unit, NaN = not read.
        within_pct: how far an end may lie from 0 % and from 100 %, % of input span.
    """
    for name, nominal_pct, x_pct in (("lower", 0, end_pct[0]), ("upper", 100, end_pct[1])):
        if np.isnan(x_pct):
            return f"no reading at the {name} end"
        if not abs(x_pct - nominal_pct) <= within_pct:
            return f"{name} end at {x_pct:g} % of input span, {nominal_pct} % needed, within {within_pct:g} %"
    return ""
