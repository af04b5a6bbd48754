"""What is left beside a line: is the line the right curve, and are the residuals independent of each other.

Tests for the eye and for findings; they make no figure and no verdict on a unit.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.curves import BoolArray
from sequencer.evaluation.figures.lines import fit_line
from sequencer.evaluation.figures.per_point import FloatArray, IntArray, per_point

__all__ = ["READINGS_NEEDED", "Independence", "LackOfFit", "independence", "lack_of_fit"]

# With fewer the bound is wider than most autocorrelations can be.
READINGS_NEEDED = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class LackOfFit:
    """F test of a line against the scatter of repeats, one for each unit; NaN = not determinable.

    Attributes:
        ratio: F, variance of the means about the line over the variance of repeats about their means.
        p_value: probability of so large a ratio on a true line; small = not a line.
        dof_lack: points less two.
        dof_pure: repeats less points.
        sd_pure: standard deviation of repeats about their mean (pure error).
        level: p-value below which the line is doubted.
    """

    ratio: FloatArray
    p_value: FloatArray
    dof_lack: IntArray
    dof_pure: IntArray
    sd_pure: FloatArray
    level: float
    definition: str = "lack-of-fit F test of the least-squares line, pure error from repeats"

    @property
    def is_doubted(self) -> BoolArray:
        """Whether the means lie off the line by more than the repeats explain."""
        return np.asarray(self.p_value < self.level)

    def sentence(self, unit: int) -> str:
        """The result of a unit in plain words."""
        if np.isnan(self.p_value[unit]):
            return f"Whether a line fits cannot be told: {self._obstacle(unit)}."
        found = f"F = {self.ratio[unit]:.3g}, p = {self.p_value[unit]:.2g}"
        if self.is_doubted[unit]:
            return (
                f"The readings do not follow a straight line: their means lie off it by more than repeats do ({found})."
            )
        return f"A straight line fits: the means lie off it no more than repeats explain ({found})."

    def _obstacle(self, unit: int) -> str:
        if self.dof_lack[unit] < 1:
            return "fewer than three points read"
        if self.dof_pure[unit] < 1:
            return "no point was approached twice from the same side"
        return "repeats do not differ" if self.sd_pure[unit] == 0 else "fewer than two different inputs read"


@dataclass(frozen=True, slots=True, kw_only=True)
class Independence:
    """Lag-1 autocorrelation of residuals in the order they were taken, one for each unit; NaN = not determinable.

    Attributes:
        autocorrelation: of neighbours, -1 to 1; about 0 where independent.
        bound: its magnitude stays below in 95 % of independent series.
        readings_n: residuals used.
    """

    autocorrelation: FloatArray
    bound: FloatArray
    readings_n: IntArray
    definition: str = "lag-1 autocorrelation, bound 1.96 / sqrt(n)"

    @property
    def is_doubted(self) -> BoolArray:
        """Whether neighbours resemble each other, or alternate, more than chance explains."""
        return np.asarray(np.abs(self.autocorrelation) > self.bound)

    def sentence(self, unit: int) -> str:
        """The result of a unit in plain words."""
        found = self.autocorrelation[unit]
        if np.isnan(found):
            few = "they do not differ" if self.readings_n[unit] >= READINGS_NEEDED else f"fewer than {READINGS_NEEDED}"
            return f"Whether the residuals are independent cannot be told: {few}."
        numbers = f"autocorrelation {found:.2f}, bound {self.bound[unit]:.2f}"
        if not self.is_doubted[unit]:
            return f"The residuals are independent as far as can be told ({numbers})."
        if found > 0:
            return f"Neighbouring residuals resemble each other ({numbers}): drift, lag, or a curve that is no line."
        return f"Neighbouring residuals alternate ({numbers}): hysteresis taken in turns, or a control loop that hunts."


def lack_of_fit(x: npt.ArrayLike, y: npt.ArrayLike, *, level: float = 0.05) -> LackOfFit:
    """Whether a straight line fits, judged by the scatter of repeats.

    Args:
        x: inputs of the points, of a shape that broadcasts to that of `y` without its last axis.
        y: shape (..., points, repeats), NaN = not read. Upscale and downscale are points of their own, so that
            hysteresis is lack of fit and not scatter.
        level: p-value below which the line is doubted.

    Returns:
        Arrays of the shape of `y` without its last two axes. Not determinable with fewer than three points, without
        repeats, or where repeats do not differ at all: a resolution too coarse says nothing.

    Raises:
        ReadingsError: shapes do not fit.
    """
    levels = np.asarray(y, dtype=np.float64)
    inputs = np.asarray(x, dtype=np.float64)
    if levels.ndim < 2 or levels.size == 0 or inputs.ndim == 0 or inputs.shape[-1] != levels.shape[-2]:
        raise ReadingsError(
            f"inputs have the shape {inputs.shape}, readings {levels.shape}",
            where="lack of fit",
            allowed="(points,) and (..., points, repeats)",
            todo="arrange the readings by point and repeat",
        )
    inputs = np.broadcast_to(inputs, levels.shape[:-1])
    levels = np.where(np.isfinite(inputs)[..., None], levels, np.nan)
    points = per_point(levels, axis=-1)
    is_point = points.readings_n > 0
    line = fit_line(inputs, points.mean, weights=points.readings_n.astype(np.float64))
    off = points.mean - (line.offset[..., None] + line.gain[..., None] * inputs)
    squares_lack = np.where(is_point, points.readings_n * off**2, 0.0).sum(axis=-1)
    squares_pure = np.where(points.readings_n > 1, points.sd**2 * (points.readings_n - 1), 0.0).sum(axis=-1)
    dof_lack = np.maximum(is_point.sum(axis=-1) - 2, 0)
    dof_pure = np.maximum(points.readings_n - 1, 0).sum(axis=-1)
    variance_lack = squares_lack / np.where(dof_lack > 0, dof_lack, np.nan)
    variance_pure = squares_pure / np.where(dof_pure > 0, dof_pure, np.nan)
    ratio = variance_lack / np.where(variance_pure > 0, variance_pure, np.nan)
    return LackOfFit(
        ratio=ratio,
        p_value=np.asarray(special.fdtrc(dof_lack, dof_pure, ratio)),
        dof_lack=dof_lack.astype(np.int64),
        dof_pure=dof_pure.astype(np.int64),
        sd_pure=np.sqrt(variance_pure),
        level=level,
    )


def independence(residual: npt.ArrayLike) -> Independence:
    """Whether neighbouring residuals are independent of each other.

    Args:
        residual: shape (..., readings), in the order they were taken, NaN = not read.

    Returns:
        Arrays of the shape of `residual` without its last axis; not determinable with fewer than 8 readings, or where
        none differs from the others.

    Raises:
        ReadingsError: no axis of readings.
    """
    levels = np.asarray(residual, dtype=np.float64)
    if levels.ndim == 0:
        raise ReadingsError("one residual is no series", where="independence", todo="give the residuals of a run")
    whole = per_point(levels, axis=-1)
    is_read = np.isfinite(levels)
    away = np.where(is_read, levels - whole.mean[..., None], 0.0)
    squares = (away**2).sum(axis=-1)
    is_enough = (whole.readings_n >= READINGS_NEEDED) & (whole.sd > 0)
    some = np.where(whole.readings_n > 0, whole.readings_n, np.nan)
    return Independence(
        autocorrelation=np.asarray(
            (away[..., 1:] * away[..., :-1]).sum(axis=-1) / np.where(is_enough, squares, np.nan)
        ),
        bound=np.asarray(special.ndtri(0.975) / np.sqrt(some)),
        readings_n=whole.readings_n,
    )
