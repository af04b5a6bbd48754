"""Straight line through readings whose uncertainties are known, in the output alone or in both axes.

The uncertainties stated beforehand set the weights and the uncertainty of the line; the scatter found is compared with
them, not used. Where they are not known, `lines` takes them from the residuals. Readings are taken as independent of
each other: what they share, such as the error of one source, belongs into the budget of the result.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt
from scipy import special

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.curves import BoolArray
from sequencer.evaluation.figures.lines import fit_line
from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["KnownUncertaintyLine", "LinePrediction", "fit_line_with_uncertainties"]

_ROUNDS_N = 100
_CLOSE_FRAC = 1e-14


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePrediction:
    """Output for an input, with its standard uncertainty.

    Attributes:
        level: on the line.
        u: of the line there, and of what was put in.
    """

    level: FloatArray
    u: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownUncertaintyLine:
    """Line offset + gain * x, one for each unit; `u_` standard uncertainty; NaN = not determinable.

    Attributes:
        offset: level at x = 0.
        gain: slope.
        u_offset: from the uncertainties of the readings.
        u_gain: from the uncertainties of the readings.
        cov_offset_gain: covariance.
        chi_squared: weighted sum of squared residuals; about `dof` where the uncertainties are right.
        dof: readings less two, not below 0.
        p_value: probability of so large a chi-squared; small = the readings scatter more than their uncertainties
            allow, or do not lie on a line. NaN with no degree of freedom.
        points_n: readings used.
        x_mean: weighted mean of the adjusted inputs, where the line is known best.
        u_x_mean: standard uncertainty of the line there.
        is_converged: False where the weights did not settle, so that there is no line.
    """

    offset: FloatArray
    gain: FloatArray
    u_offset: FloatArray
    u_gain: FloatArray
    cov_offset_gain: FloatArray
    chi_squared: FloatArray
    dof: IntArray
    p_value: FloatArray
    points_n: IntArray
    x_mean: FloatArray
    u_x_mean: FloatArray
    is_converged: BoolArray
    definition: str = "ISO/TS 28037:2010 (from memory), uncertainties of both axes, known beforehand"

    def reason(self, unit: int) -> str:
        """Why the line of a unit, or the test of it, is not determinable; "" if both are."""
        if self.points_n[unit] < 2:
            return "fewer than two readings with an uncertainty"
        if not self.is_converged[unit]:
            return "uncertainties too large against the readings for a line to settle"
        if np.isnan(self.gain[unit]):
            return "fewer than two different inputs read, or a reading without its uncertainty"
        return "" if self.dof[unit] > 0 else "two readings only, 3 needed to test the line"

    def test(self, unit: int) -> str:
        """What the chi-squared test says of a unit, in one sentence, at 5 %."""
        if np.isnan(self.p_value[unit]):
            return f"The line cannot be tested: {self.reason(unit)}."
        found = f"chi-squared {self.chi_squared[unit]:.3g} for {self.dof[unit]} degrees of freedom"
        if self.p_value[unit] < 0.05:
            return (
                f"The readings lie farther off the line than their uncertainties allow ({found}): it is no line, or an "
                "uncertainty is stated too small."
            )
        return f"The readings lie on the line within their uncertainties ({found})."

    def predict(self, x: npt.ArrayLike, *, u_x: npt.ArrayLike = 0.0) -> LinePrediction:
        """Output for an input.

        Args:
            x: of a shape that broadcasts with the units.
            u_x: its standard uncertainty, independent of the line.
        """
        at = np.asarray(x, dtype=np.float64)
        return LinePrediction(
            level=np.asarray(self.offset + self.gain * at), u=np.hypot(self._u_line(at), self.gain * np.asarray(u_x))
        )

    def _u_line(self, x: FloatArray) -> FloatArray:
        # From the mean of x, where nothing cancels; the same as u_offset, u_gain and their covariance give.
        return np.hypot(self.u_x_mean, self.u_gain * (x - self.x_mean))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Points:
    """Readings of all units with what their weights are made of; all of one shape."""

    x: FloatArray
    y: FloatArray
    variance_x: FloatArray
    variance_y: FloatArray
    cov: FloatArray
    is_used: BoolArray

    @classmethod
    def of(
        cls, x: FloatArray, y: FloatArray, u_x: FloatArray, u_y: FloatArray, cov: FloatArray, *, is_used: BoolArray
    ) -> Self:
        """What is not used gets no weight, and numbers that can be computed with."""
        x, y, u_x, cov = (np.where(is_used, each, 0.0) for each in (x, y, u_x, cov))
        return cls(x=x, y=y, variance_x=u_x**2, variance_y=np.where(is_used, u_y, 1.0) ** 2, cov=cov, is_used=is_used)

    def weighted(self, gain: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Weights at a gain, and the weighted means of x and y."""
        slope = gain[..., None]
        variance = self.variance_y + slope**2 * self.variance_x - 2 * slope * self.cov
        w = np.where(self.is_used, 1 / np.where(variance > 0, variance, np.nan), 0.0)
        total = w.sum(axis=-1)
        total = np.where(total > 0, total, np.nan)
        return w, (w * self.x).sum(axis=-1) / total, (w * self.y).sum(axis=-1) / total


def fit_line_with_uncertainties(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    u_y: npt.ArrayLike,
    u_x: npt.ArrayLike = 0.0,
    cov_xy: npt.ArrayLike = 0.0,
) -> KnownUncertaintyLine:
    """Line that makes the weighted distances to all readings least, one for each unit.

    Args:
        x: inputs, of a shape that broadcasts to `y`. NaN = not read.
        y: shape (..., readings), NaN = not read.
        u_y: standard uncertainties of the readings, of a shape that broadcasts to `y`; one that is NaN where there is a
            reading makes the line of that unit not determinable.
        u_x: standard uncertainties of the inputs; 0 = weighted least squares.
        cov_xy: covariance of input and reading of the same point.

    Returns:
        Figures of the shape of `y` without its last axis.

    Raises:
        ReadingsError: shapes do not fit, an uncertainty is negative, a point has none at all, or a covariance is larger
            than its uncertainties allow.

    Source: ISO/TS 28037:2010 clauses 6 to 8 (from memory); iteration of York, Am. J. Phys. 72 (2004) 367 (from memory).
    """
    x, y, u_x, u_y, cov = _together(x, y, u_x, u_y, cov_xy)
    is_read = np.isfinite(x) & np.isfinite(y)
    points_n = is_read.sum(axis=-1)
    start = fit_line(x, y)
    is_known = ~(is_read & np.isnan(u_x + u_y + cov)).any(axis=-1) & np.isfinite(start.gain)
    is_used = is_read & is_known[..., None]
    points = _Points.of(x, y, u_x, u_y, cov, is_used=is_used)
    gain, is_converged = _settled_gain(points, np.where(is_known, start.gain, 0.0), is_known)
    is_known = is_known & is_converged
    w, x_mean, y_mean = points.weighted(gain)
    left = points.y - y_mean[..., None] - gain[..., None] * (points.x - x_mean[..., None])
    # The inputs as the line would have them: they carry the uncertainty of the gain.
    adjusted = points.x + w * left * (gain[..., None] * points.variance_x - points.cov)
    total, chi_squared = (np.where(is_known, each.sum(axis=-1), np.nan) for each in (w, w * left**2))
    centre = (w * adjusted).sum(axis=-1) / total
    spread = (w * (adjusted - centre[..., None]) ** 2).sum(axis=-1)
    variance_gain = 1 / np.where(spread > 0, spread, np.nan)
    dof = np.maximum(points_n - 2, 0)
    gain = np.where(is_known, gain, np.nan)
    return KnownUncertaintyLine(
        offset=y_mean - gain * x_mean,
        gain=gain,
        u_offset=np.sqrt(1 / total + centre**2 * variance_gain),
        u_gain=np.sqrt(variance_gain),
        cov_offset_gain=-centre * variance_gain,
        chi_squared=chi_squared,
        dof=dof.astype(np.int64),
        p_value=np.where(dof > 0, special.chdtrc(dof, chi_squared), np.nan),
        points_n=points_n.astype(np.int64),
        x_mean=centre,
        u_x_mean=np.sqrt(1 / total),
        is_converged=is_converged,
    )


def _settled_gain(points: _Points, gain: FloatArray, is_known: BoolArray) -> tuple[FloatArray, BoolArray]:
    """Gain whose weights give it back, and whether it was reached; the gain put in is that of equal weights."""
    is_converged = ~is_known
    # A level line has a gain of nothing but rounding.
    size_x = np.abs(points.x).max(axis=-1)
    rounding = np.finfo(np.float64).eps * np.abs(points.y).max(axis=-1) / np.where(size_x > 0, size_x, 1.0)
    for _ in range(_ROUNDS_N):
        w, x_mean, y_mean = points.weighted(gain)
        away_x, away_y = points.x - x_mean[..., None], points.y - y_mean[..., None]
        slope = gain[..., None]
        adjusted = away_x * points.variance_y + slope * away_y * points.variance_x
        adjusted = w * (adjusted - (slope * away_x + away_y) * points.cov)
        below = (w * adjusted * away_x).sum(axis=-1)
        better = (w * adjusted * away_y).sum(axis=-1) / np.where(below != 0, below, np.nan)
        is_close = np.abs(better - gain) <= _CLOSE_FRAC * np.maximum(np.abs(gain), np.abs(better)) + rounding
        # A unit that is done stays: its figures do not depend on the units beside it.
        gain = np.where(is_converged, gain, better)
        is_converged = is_converged | is_close
        if is_converged.all():
            break
    return gain, is_converged


def _together(
    x: npt.ArrayLike, y: npt.ArrayLike, u_x: npt.ArrayLike, u_y: npt.ArrayLike, cov: npt.ArrayLike
) -> tuple[FloatArray, ...]:
    arrays = [np.asarray(each, dtype=np.float64) for each in (x, y, u_x, u_y, cov)]
    try:
        x, y, u_x, u_y, cov = (np.broadcast_to(each, arrays[1].shape) for each in arrays)
        is_fitting = y.ndim > 0 and y.shape[-1] > 0
    except ValueError:
        is_fitting = False
    if not is_fitting:
        raise ReadingsError(
            f"inputs, readings and uncertainties have the shapes {', '.join(str(each.shape) for each in arrays)}",
            where="line",
            allowed="one input and one uncertainty for each reading, or one for all; at least one reading",
            todo="give each reading its input and uncertainty",
        )
    x, y, u_x, u_y, cov = (np.asarray(each) for each in (x, y, u_x, u_y, cov))
    if (u_x < 0).any() or (u_y < 0).any() or ((u_x == 0) & (u_y == 0)).any():
        raise ReadingsError(
            "an uncertainty is negative, or a reading has none in either axis",
            where="line",
            allowed="above 0 in one axis at least, NaN for not known",
            todo="give the uncertainty of meter or source; the resolution at least",
        )
    if (np.abs(cov) > u_x * u_y * (1 + 1e-12)).any():
        raise ReadingsError(
            "a covariance is larger than its uncertainties allow",
            where="line",
            allowed="up to u_x * u_y",
            todo="correct the covariance",
        )
    return x, y, u_x, u_y, cov
