"""Half width of an interval where one rectangular quantity stands beside others that are about normal.

Two standard deviations of a rectangle lie outside it: where it dominates, k is nearer 1.65 than 2 (EA-4/02 S9). The sum
of a rectangle and of a quantity of Student's t has a distribution in closed form, so no trials are needed.
"""

import numpy as np
import numpy.typing as npt
from scipy import special

from sequencer.evaluation.figures.per_point import FloatArray
from sequencer.evaluation.figures.student import coverage_factor

__all__ = ["half_width_of_sum"]

_ROUNDS_N = 60
_CLOSE_FRAC = 1e-10
# Of so little width against the rest, a rectangle is part of it; the closed form is then a difference of equal numbers.
_LEAST_FRAC = 0.02
# With one degree of freedom the closed form has a pole; its neighbour has the same quantiles to 1e-3.
_LEAST_DOF = 1.001


def half_width_of_sum(
    probability: float, u_rectangular: npt.ArrayLike, u_rest: npt.ArrayLike, dof_rest: npt.ArrayLike = np.inf
) -> FloatArray:
    """Half width that holds a probability of the sum of a rectangular quantity and one of Student's t, both about 0.

    Args:
        probability: of the interval, such as 0.9545.
        u_rectangular: standard uncertainty of the rectangular quantity; its half width is sqrt(3) times that.
        u_rest: scale of the other, combined from all that is left; any shape that goes with the first.
        dof_rest: its effective degrees of freedom, infinity = normal.

    Returns:
        Array of the common shape, in the unit of both; NaN where something is not known.

    Raises:
        ReadingsError: not a probability.

    Source: EA-4/02 M:2022 S9 (rectangular, dominant); the integral of Student's distribution function is elementary.
    """
    u, sigma, dof = (
        np.asarray(each, dtype=np.float64) for each in np.broadcast_arrays(u_rectangular, u_rest, dof_rest)
    )
    half = np.sqrt(3.0) * np.abs(u)
    # Both bounds lie below: neither quantity alone holds more of the sum than of itself.
    width = np.maximum(probability * half, coverage_factor(probability, dof) * sigma)
    alone = np.sqrt(coverage_factor(probability, dof) ** 2 * (sigma**2 + u**2))
    is_mixed = (half > _LEAST_FRAC * sigma) & (sigma > _CLOSE_FRAC * half) & np.isfinite(width)
    width = np.where((half <= _LEAST_FRAC * sigma) & np.isfinite(width), alone, width)
    if is_mixed.any():
        width[is_mixed] = _root(probability, half[is_mixed], sigma[is_mixed], dof[is_mixed], width[is_mixed])
    return width


def _root(probability: float, half: FloatArray, sigma: FloatArray, dof: FloatArray, start: FloatArray) -> FloatArray:
    """Newton from below: the probability grows and bends down, so each step ends below the root again."""
    dof = np.maximum(dof, _LEAST_DOF)
    width = start
    for _ in range(_ROUNDS_N):
        above, below = (width + half) / sigma, (width - half) / sigma
        F_above, F_below = special.stdtr(dof, above), special.stdtr(dof, below)
        held = sigma * (_integral(above, F_above, dof) - _integral(below, F_below, dof)) / half - 1
        step = (probability - held) * half / np.maximum(F_above - F_below, 1e-300)
        width = width + np.maximum(step, 0.0)
        if not (step > _CLOSE_FRAC * width).any():
            break
    return width


def _integral(z: FloatArray, F: FloatArray, dof: FloatArray) -> FloatArray:
    """Of Student's distribution function F from minus infinity to z."""
    is_normal = np.isinf(dof)
    nu = np.where(is_normal, 2.0, dof)
    log_scale = special.gammaln((nu + 1) / 2) - special.gammaln(nu / 2) - 0.5 * np.log(nu * np.pi)
    density = np.exp(log_scale - (nu + 1) / 2 * np.log1p(z**2 / nu))
    normal = np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    return np.asarray(z * F + np.where(is_normal, normal, (nu + z**2) / (nu - 1) * density))
