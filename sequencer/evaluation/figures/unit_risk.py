"""Chances of a wrong decision over all units, where a unit is judged by all its points at once.

A good unit is good at every point and is accepted only if every reading is, so the chances at one point (`risk`) say
too little: the rejections of the points add up, as far as their errors do not hang together.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["SIZES", "UnitRisk", "curves", "unit_risk"]

SIZES = {"zero": 1.0, "span": 1.0, "bow": 0.5, "hysteresis": 0.5}
"""How large the parts of a unit's true error are beside each other, standard deviations in parts of the tolerance;
common practice, no source."""

_SHIFTS_N, _UNITS_N = 8, 10_000
_SEED = 20120106
_ALMOST_NOTHING = 1e-12
# Beyond, in standard deviations, a normal tail is nil.
_FAR = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRisk:
    """Chances over all units, joint probabilities, with the standard uncertainty of their computation.

    Attributes:
        false_accept: not conforming at one point at least, and accepted at all.
        false_reject: conforming at all points, and not accepted at one at least.
        u_false_accept: how far its computation scatters.
        u_false_reject: how far its computation scatters.
    """

    false_accept: float
    false_reject: float
    u_false_accept: float
    u_false_reject: float


def curves(x_frac: npt.ArrayLike, is_down: npt.ArrayLike) -> FloatArray:
    """The parts of a unit's true error at each point, in parts of the tolerance there, one standard deviation each.

    Zero, span (rises with the input), bow (4 x (1 - x)) and hysteresis (half of it either way, largest in the middle),
    by `SIZES`.

    Args:
        x_frac: input, fraction of its range, shape (points,).
        is_down: whether the input came down to it.

    Returns:
        Shape (4, points).
    """
    x = np.asarray(x_frac, dtype=np.float64)
    bow = 4 * x * (1 - x)
    loop = bow * np.where(is_down, 0.5, -0.5)
    return np.stack([size * part for size, part in zip(SIZES.values(), (np.ones_like(x), x, bow, loop), strict=True)])


def unit_risk(
    of_unit: npt.ArrayLike,
    *,
    in_tolerance: float,
    tolerance: npt.ArrayLike,
    accept: npt.ArrayLike,
    shared: npt.ArrayLike,
    own: npt.ArrayLike,
) -> UnitRisk:
    """Both risks of a unit judged by all its points.

    Args:
        of_unit: parts of the true error, shape (parts, points), in parts of the tolerance; each a normal variable that
            a unit has once. Only their ratios count: together they are scaled to `in_tolerance`.
        in_tolerance: share of all units that is truly in tolerance at all points, 0..1.
        tolerance: half width at each point, shape (points,).
        accept: half width of what is accepted there, 0 or more.
        shared: standard uncertainties that all points of a run share, shape (sources, points), each source a normal
            variable that a run has once; with signs.
        own: standard uncertainty of each point for itself, shape (points,).

    The shared variables are taken from a lattice (Kronecker's, by Roberts' plastic numbers), shifted at random a few
    times; over the points' own errors the product of their probabilities is exact. How far the shifts scatter is the
    uncertainty of the computation.
    """
    parts, sources = (np.asarray(each, dtype=np.float64) for each in (of_unit, shared))
    width, limit = (np.asarray(each, dtype=np.float64) for each in (tolerance, accept))
    alone = np.maximum(np.asarray(own, dtype=np.float64), _ALMOST_NOTHING * width)
    found = []
    for shift in np.random.default_rng(_SEED).random((_SHIFTS_N, len(parts) + len(sources))):
        drawn = _normal(shift)
        true = drawn[:, : len(parts)] @ parts
        farthest = np.abs(true).max(axis=1)
        edge = np.quantile(farthest, in_tolerance)
        read = np.abs(true * (width / edge) + drawn[:, len(parts) :] @ sources)
        passes = special.ndtr((limit - read) / alone)
        if (limit < _FAR * alone).any():
            passes -= special.ndtr((-limit - read) / alone)
        passes = passes.prod(axis=1)
        is_good = farthest <= edge
        found.append(((passes * ~is_good).mean(), ((1 - passes) * is_good).mean()))
    mean, u = np.mean(found, axis=0), np.std(found, axis=0, ddof=1) / np.sqrt(_SHIFTS_N)
    return UnitRisk(
        false_accept=float(mean[0]), false_reject=float(mean[1]), u_false_accept=float(u[0]), u_false_reject=float(u[1])
    )


def _normal(shift: FloatArray) -> FloatArray:
    """Standard normal variables on a shifted lattice, shape (units, variables)."""
    count = len(shift)
    root = 2.0
    for _ in range(64):  # root ** (count + 1) = root + 1
        root = (1 + root) ** (1 / (count + 1))
    steps = root ** -np.arange(1.0, count + 1)
    places = (shift + np.arange(1, _UNITS_N + 1)[:, None] * steps) % 1.0
    return np.asarray(special.ndtri(np.clip(places, _ALMOST_NOTHING, 1 - _ALMOST_NOTHING)))
