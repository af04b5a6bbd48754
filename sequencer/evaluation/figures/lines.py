"""Straight lines through readings: least squares with its uncertainties, and the line of smallest largest deviation.

All functions take many units at once: the last axis holds the readings, the axes before it the units. The input is
taken as free of error. No curve, no outlier taken out, no standard's figure: those are in `linearity`.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray, IntArray, blocks, first_place, total

__all__ = ["LineFit", "MinimaxLine", "Prediction", "fit_line", "fit_minimax_line"]

# Rounding of one deviation, in units of the last place of the largest number in it.
_ROUNDING = 8 * float(np.finfo(np.float64).eps)


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """Level of a line at an input.

    Attributes:
        level: on the line.
        u_line: standard uncertainty of the line there.
        u_single: standard uncertainty of one future reading there: the line and the scatter of one reading.
    """

    level: FloatArray
    u_line: FloatArray
    u_single: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """Line offset + gain * x by least squares, one for each unit; `u_` standard uncertainty; NaN = not known.

    Attributes:
        offset: level at x = 0; NaN with fewer than two different x.
        gain: slope; NaN with fewer than two different x.
        u_offset: from the residuals; NaN with no degree of freedom left.
        u_gain: from the residuals; NaN with no degree of freedom left.
        cov_offset_gain: covariance; leaving it out at a prediction gives too large an uncertainty.
        residual_sd: standard deviation of one reading about the line (with weights: of one of weight 1).
        dof: readings less two, not below 0.
        points_n: readings used.
        x_mean: (weighted) mean of x, where the line is known best and the covariance is nil.
        u_x_mean: standard uncertainty of the line at `x_mean`.
    """

    offset: FloatArray
    gain: FloatArray
    u_offset: FloatArray
    u_gain: FloatArray
    cov_offset_gain: FloatArray
    residual_sd: FloatArray
    dof: IntArray
    points_n: IntArray
    x_mean: FloatArray
    u_x_mean: FloatArray
    definition: str = "least squares, input without error, uncertainty from the residuals"

    def reason(self, unit: int) -> str:
        """Why the line of a unit, or its uncertainty, is not known; "" if both are."""
        if np.isnan(self.gain[unit]):
            return "fewer than two different inputs read"
        return "" if self.dof[unit] > 0 else "two readings only, 3 needed for an uncertainty"

    def predict(self, x: FloatArray | float) -> Prediction:
        """Level and its standard uncertainties at an input, also outside the readings.

        Args:
            x: of a shape that broadcasts with the units.
        """
        level = np.asarray(self.offset + self.gain * x)
        # From the mean of x, where nothing cancels; the same as u_offset, u_gain and their covariance give.
        u_line = np.hypot(self.u_x_mean, self.u_gain * (x - self.x_mean))
        return Prediction(level=level, u_line=u_line, u_single=np.hypot(u_line, self.residual_sd))


@dataclass(frozen=True, slots=True, kw_only=True)
class MinimaxLine:
    """Line offset + gain * x whose largest deviation is the smallest, one for each unit; NaN = not known.

    Attributes:
        offset: level at x = 0.
        gain: slope; where several lines do equally well, one of them.
        half_band: the largest deviation, reached on both sides of the line; half the width of the band.
    """

    offset: FloatArray
    gain: FloatArray
    half_band: FloatArray
    definition: str = "smallest largest deviation (Chebyshev)"


def fit_line(x: FloatArray, y: FloatArray, *, weights: FloatArray | None = None) -> LineFit:
    """Least-squares line of each unit, with uncertainties, in one call.

    Orthogonalised about the mean of x and corrected once from the residuals, not by the normal equations: 12 digits
    of the certified figures on NIST StRD Norris.

    Args:
        x: inputs, of a shape that broadcasts to `y`: (readings,) if all units share them. NaN = not read.
        y: shape (..., readings), NaN = not read.
        weights: relative weights (1 / variance), of a shape that broadcasts to `y`; None = equal.

    Returns:
        Figures of the shape of `y` without its last axis.

    Raises:
        ReadingsError: shapes do not fit, or a weight is negative.
    """
    x, y = _pairs(x, y)
    levels = (y, x) if weights is None else (y, x, _weights(weights, y))
    shape = y.shape[:-1]
    parts = [_line(*block) for block in _blocks(*levels)]
    offset, gain, x_mean, variance, weight, spread, points_n = (
        row.reshape(shape) for row in np.concatenate(parts, axis=1)
    )
    return LineFit(
        offset=offset,
        gain=gain,
        u_offset=np.sqrt(variance / weight + variance * x_mean**2 / spread),
        u_gain=np.sqrt(variance / spread),
        cov_offset_gain=-x_mean * variance / spread,
        residual_sd=np.sqrt(variance),
        dof=np.maximum(points_n - 2, 0).astype(np.int64),
        points_n=points_n.astype(np.int64),
        x_mean=x_mean,
        u_x_mean=np.sqrt(variance / weight),
    )


def _line(y: FloatArray, x: FloatArray, w: FloatArray | None = None) -> FloatArray:
    """Rows offset, gain, mean of x, variance, sum of weights, weighted square sum of x - mean, readings used.

    The readings are the first axis; the second is 1 where all units share them.
    """
    is_read = np.isfinite(y) & np.isfinite(x)
    if w is not None:
        is_read &= w > 0
    points_n = is_read.sum(axis=0)
    is_complete = bool(is_read.all())
    # About the first input, so that equal inputs give exactly nil; then about the mean.
    first = x[0] if is_complete else _first(x, is_read)
    away = x - first
    if is_complete:
        w = np.ones((len(y), 1)) if w is None else w
    else:
        y = y.copy()
        for level in (y, away):
            np.copyto(level, 0.0, where=~is_read)
        w = is_read.astype(np.float64) if w is None else np.where(is_read, w, 0.0)
    weight = _positive(total(w))
    mean_away = total(w * away) / weight
    away -= mean_away
    weighted = w * away
    spread = _positive(total(weighted * away))
    left, product = np.empty((2, *y.shape))
    y_mean, gain = (total(np.multiply(each, y, out=product)) for each in (w, weighted))
    y_mean, gain = y_mean / weight, gain / spread
    np.subtract(y, y_mean, out=left)
    left -= np.multiply(gain, away, out=product)
    # What rounding left in the residuals is fitted once more.
    more_gain = total(np.multiply(weighted, left, out=product)) / spread
    np.multiply(w, left, out=product)
    more_mean = total(product) / weight
    product *= left
    squares = np.maximum(total(product) - weight * more_mean**2 - spread * more_gain**2, 0.0)
    x_mean, gain = first + mean_away, gain + more_gain
    offset = y_mean + more_mean - gain * x_mean
    variance = squares / _positive(points_n - 2)
    return np.stack(np.broadcast_arrays(offset, gain, x_mean, variance, weight, spread, points_n))


def fit_minimax_line(x: FloatArray, y: FloatArray) -> MinimaxLine:
    """Line of smallest largest deviation of each unit, exact but for rounding, in one call.

    The width of the band, max(y - gain x) - min(y - gain x), is convex in the gain and made of straight pieces. Two
    pieces, one falling and one rising, meet at the next gain to try; the piece found there takes the place of one of
    them, until the width found is the width where they met.

    Args:
        x: inputs, of a shape that broadcasts to `y`. NaN = not read.
        y: shape (..., readings), NaN = not read.

    Returns:
        Figures of the shape of `y` without its last axis; NaN with fewer than two different x.

    Raises:
        ReadingsError: shapes do not fit.
    """
    x, y = _pairs(x, y)
    parts = [_minimax(*block) for block in _blocks(y, x)]
    offset, gain, half_band = (row.reshape(y.shape[:-1]) for row in np.concatenate(parts, axis=1))
    return MinimaxLine(offset=offset, gain=gain, half_band=half_band)


def _minimax(y: FloatArray, x: FloatArray) -> FloatArray:
    """Rows offset, gain, half band. The readings are the first axis; the second is 1 where all units share them."""
    is_read = np.isfinite(y) & np.isfinite(x)
    if is_read.all():
        x_first, y_first = x[0], y[0]
        x, y = x - x_first, y - y_first
    else:
        # About the first reading; a missing one is put on the first, where it changes nothing.
        x_first, y_first = _first(x, is_read), _first(y, is_read)
        x, y = np.where(is_read, x - x_first, 0.0), np.where(is_read, y - y_first, 0.0)
    gain, high, low = _narrowest(x, y)
    offset = y_first - gain * x_first + (high + low) / 2
    is_line = x.max(axis=0) > x.min(axis=0)
    return np.where(is_line, np.stack([offset, gain, (high - low) / 2]), np.nan)


def _narrowest(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gain, highest and lowest y - gain * x of the narrowest band; shape (units,)."""
    units = np.arange(y.shape[1])
    gains, highs, lows = np.zeros((3, len(units)))
    x = np.broadcast_to(x, y.shape)
    # A piece is intercept + slope * gain; the first two are those of very large gains, down and up.
    x_end, x_start = x.max(axis=0), x.min(axis=0)
    end, start = first_place(x == x_end, axis=0), first_place(x == x_start, axis=0)
    rise, run = y[end, units] - y[start, units], x_end - x_start
    falling, rising = np.stack([rise, -run]), np.stack([-rise, run])
    x_size, y_size = np.abs(x).max(axis=0), np.abs(y).max(axis=0)
    while units.size:
        gain = (falling[0] - rising[0]) / _positive(rising[1] - falling[1])
        least = falling[0] + falling[1] * gain
        away = x * -gain
        away += y
        high, low = away.max(axis=0), away.min(axis=0)
        gains[units], highs[units], lows[units] = gain, high, low
        columns = np.arange(len(units))
        top, bottom = (first_place(away == high, axis=0), columns), (first_place(away == low, axis=0), columns)
        slope = x[bottom] - x[top]
        found = np.stack([y[top] - y[bottom], slope])
        np.copyto(falling, found, where=slope < 0)
        np.copyto(rising, found, where=slope > 0)
        rounding = _ROUNDING * (y_size + np.abs(gain) * x_size)
        is_open = (high - low > least + rounding) & (slope != 0)
        # A unit leaves as soon as it is done: its figures do not depend on the units beside it.
        if not is_open.all():
            units, x, y, falling, rising, x_size, y_size = (
                each.compress(is_open, axis=-1) for each in (units, x, y, falling, rising, x_size, y_size)
            )
    return gains, highs, lows


def _first(level: FloatArray, is_read: BoolArray) -> FloatArray:
    """The first of each column that was read."""
    index = first_place(is_read, axis=0)[None]
    return np.asarray(np.take_along_axis(np.broadcast_to(level, is_read.shape), index, axis=0)[0])


def _positive(level: FloatArray | IntArray) -> FloatArray:
    """What can be divided by; NaN in place of nil or less, so that what is not determinable becomes NaN in silence."""
    return np.where(level > 0, level, np.nan)


def _blocks(*levels: FloatArray) -> Iterator[list[FloatArray]]:
    """Some units at a time, each of shape (readings, units); what is the same for all units is one column.

    In C order numpy goes along many units at a time, not along the few readings of one.
    """
    shape = levels[0].shape
    rows = [
        level.reshape(1, -1) if level.size == level.shape[-1] else np.broadcast_to(level, shape).reshape(-1, shape[-1])
        for level in levels
    ]
    for block in blocks(math.prod(shape[:-1]), shape[-1]):
        yield [np.ascontiguousarray((each if len(each) == 1 else each[block]).T) for each in rows]


def _weights(weights: FloatArray, y: FloatArray) -> FloatArray:
    try:
        w = np.broadcast_to(np.asarray(weights, dtype=np.float64), y.shape)
    except ValueError as wrong:
        raise ReadingsError(
            f"weights have the shape {np.shape(weights)}, readings {y.shape}",
            where="line",
            todo="give each reading its weight, or none at all",
        ) from wrong
    if not (w >= 0).all():
        raise ReadingsError("a weight is negative or missing", where="line", todo="give 1 / variance, 0 to leave out")
    return w


def _pairs(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Both as float64; x keeps its own smaller shape, so that what depends on it alone is computed once."""
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    try:
        is_fitting = (
            min(x.ndim, y.ndim) > 0
            and x.shape[-1] == y.shape[-1] > 0
            and np.broadcast_shapes(x.shape, y.shape) == y.shape
        )
    except ValueError:
        is_fitting = False
    if not is_fitting:
        raise ReadingsError(
            f"inputs have the shape {x.shape}, readings {y.shape}",
            where="line",
            allowed="one input for each reading, at least one reading",
            todo="give each reading its input",
        )
    return x, y
