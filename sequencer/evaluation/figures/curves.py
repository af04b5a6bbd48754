"""What the figures have in common: the readings as arrays, the average curve, and the largest value with its place.

Error arrays have the shape (units, cycles, 2, points), in % of output span, measured less ideal. Axis 2 is the
direction: 0 up, 1 down; the downscale traverse of a cycle is the one that *follows* its upscale traverse. The points
ascend. NaN = not read. No figure is made here.

Inside a block the units, though the first axis, lie side by side in memory: numpy then goes along many units at a time
and not along the few readings of one, several times as fast.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import numpy.typing as npt

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import BLOCK_N, BoolArray, FloatArray, IntArray, blocks, first_place, mean

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

__all__ = [
    "DOWN",
    "UP",
    "BoolArray",
    "Curves",
    "Largest",
    "average_curve",
    "by_blocks",
    "chosen",
    "end_reason",
    "flat",
    "largest",
    "readings",
]

UP, DOWN = 0, 1
# Deviations that differ by rounding alone are one deviation: the place is then the lowest input, on every machine.
_TIE_FRAC = 1e-12

Found = TypeVar("Found", bound="DataclassInstance")
Kind = TypeVar("Kind", bound=np.generic)


@dataclass(frozen=True, slots=True, kw_only=True)
class Curves:
    """Readings of a block of units, and what several figures need of them; shape (units, ...).

    Attributes:
        units: which of all units these are.
        all_units_n: how many there are in all.
        error: shape (units, cycles, 2, points), % of output span, NaN = not read.
        x: input, % of input span, NaN where the error is; first axis 1 if all units share it.
        readings_n: shape (units, 2, points), cycles read.
        error_mean: shape (units, 2, points), mean over the cycles.
        x_mean: the same of the input; first axis 1 if all units share it.
        error_curve: shape (units, points), average curve.
        x_curve: the same of the input; first axis 1 if all units share it.
    """

    units: slice
    all_units_n: int
    error: FloatArray
    x: FloatArray
    readings_n: IntArray
    error_mean: FloatArray
    x_mean: FloatArray
    error_curve: FloatArray
    x_curve: FloatArray


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
    error, x = _paired(*_shaped(error_pct, x_pct))
    return error, np.broadcast_to(x, error.shape)


def by_blocks(figure: Callable[[Curves], Found], error_pct: FloatArray, x_pct: FloatArray) -> Found:
    """A figure of all units, block by block.

    Args:
        figure: dataclass of figures, its arrays with the units first, from the curves of a block.
        error_pct: as for `readings`.
        x_pct: as for `readings`.

    Raises:
        ReadingsError: as `readings`.
    """
    error, x = _shaped(error_pct, x_pct)
    # All figures are several hundred calls: they are worth a larger block.
    first, *others = blocks(len(error), math.prod(error.shape[1:]), block_n=2 * BLOCK_N)
    found = figure(_curves(error, x, first))
    room = _room(found, len(error))
    _fill(room, found, first)
    for units in others:
        _fill(room, figure(_curves(error, x, units)), units)
    return room


def _curves(error: FloatArray, x: FloatArray, units: slice) -> Curves:
    all_units_n = len(error)
    error, x = _paired(_side_by_side(error[units]), _side_by_side(x if len(x) == 1 else x[units]))
    error_mean, x_mean = mean(error, axis=1), mean(x, axis=1)
    return Curves(
        units=units,
        all_units_n=all_units_n,
        error=error,
        x=x,
        readings_n=np.isfinite(error).sum(axis=1),
        error_mean=error_mean,
        x_mean=x_mean,
        error_curve=_average(error_mean),
        x_curve=_average(x_mean),
    )


def _shaped(error_pct: FloatArray, x_pct: FloatArray) -> tuple[FloatArray, FloatArray]:
    """As float64; the first axis of the inputs is 1 if all units share them, so that their curves are made once."""
    error, x = np.asarray(error_pct, dtype=np.float64), np.asarray(x_pct, dtype=np.float64)
    if error.ndim != 4 or error.shape[2] != 2 or error.shape[1] == 0 or error.shape[3] == 0:
        raise ReadingsError(
            f"errors have the shape {error.shape}",
            where="error_pct",
            allowed="(units, cycles, 2, points), with at least one cycle and one point",
            todo="arrange them by unit, cycle, direction and point, NaN for what was not read",
        )
    try:
        np.broadcast_to(x, error.shape)
    except ValueError as wrong:
        raise ReadingsError(
            f"inputs have the shape {np.shape(x_pct)}, errors {error.shape}",
            where="x_pct",
            allowed="one input for each point, or for each error",
            todo="give each error its input",
        ) from wrong
    return error, np.broadcast_to(x, (len(x) if x.ndim == 4 else 1, *error.shape[1:]))


def _paired(error: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    is_read, is_set = np.isfinite(error), np.isfinite(x)
    if is_read.all() and is_set.all():
        return error, x
    for name, values in (("error_pct", error), ("x_pct", x)):
        if np.isinf(values).any():
            raise ReadingsError(
                "a value is infinite",
                where=name,
                todo="an over-range reading is no reading: give NaN, and say so beside it",
            )
    is_pair = is_read & is_set
    return np.where(is_pair, error, np.nan), np.where(is_pair, x, np.nan)


def _side_by_side(level: FloatArray) -> FloatArray:
    """The same array with the units next to each other in memory."""
    return np.moveaxis(np.ascontiguousarray(np.moveaxis(level, 0, -1)), -1, 0)


def _room(found: Found, units_n: int) -> Found:
    """The same figures with room for all units in their arrays, in C order."""
    room = {
        name: np.empty((units_n, *value.shape[1:]), dtype=value.dtype)
        if isinstance(value, np.ndarray)
        else _room(value, units_n)
        for name, value in _by_unit(found).items()
    }
    return replace(found, **room)


def _fill(room: "DataclassInstance", found: "DataclassInstance", units: slice) -> None:
    for name, value in _by_unit(found).items():
        if isinstance(value, np.ndarray):
            getattr(room, name)[units] = value
        else:
            _fill(getattr(room, name), value, units)


def _by_unit(found: "DataclassInstance") -> dict[str, Any]:
    """Fields that differ from unit to unit: arrays, or figures in their turn."""
    values = {field.name: getattr(found, field.name) for field in fields(found)}
    return {name: value for name, value in values.items() if is_dataclass(value) or isinstance(value, np.ndarray)}


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
    return _average(mean(level, axis=1))


def _average(by_direction: FloatArray) -> FloatArray:
    is_read = np.isfinite(by_direction)
    is_one_way = ~np.all(is_read.any(axis=2), axis=1, keepdims=True)
    is_enough = is_read.all(axis=1) | is_one_way
    is_enough[:, [0, -1]] = True
    return np.where(is_enough, mean(by_direction, axis=1), np.nan)


def largest(level: FloatArray) -> Largest:
    """Value of largest magnitude along the last axis, with its sign and place.

    Args:
        level: any shape and unit, NaN = not read.
    """
    magnitude = np.abs(level)
    most = np.fmax.reduce(magnitude, axis=-1, keepdims=True)
    index = first_place(magnitude >= most * (1 - _TIE_FRAC), axis=-1)
    return Largest(level=chosen(level, index), index=index)


def chosen(level: FloatArray, index: IntArray) -> FloatArray:
    """The value at an index along the last axis; `level` may have one row for all."""
    return np.asarray(np.take_along_axis(level, index[..., None], axis=-1)[..., 0])


def flat(level: npt.NDArray[Kind]) -> npt.NDArray[Kind]:
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
