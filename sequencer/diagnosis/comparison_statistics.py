"""Statistics of a comparison: points paired, the uncertainty of their differences, and how probable chance is.

Arrays and tables in, arrays out; what two sides are, and what is said of them, stands in `comparison`.
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from instruments.datasheet import FloatArray
from sequencer.evaluation.covariance import Covariance
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.evaluation.result import Evaluation

__all__ = [
    "Differences",
    "Key",
    "differences",
    "family_wise",
    "from_smoothness",
    "matched",
    "means_at",
    "of_figure",
    "weights_at",
]

_SAME_PCT = 0.5  # of the range; a hand source is set nearer than that
_ORDER = {"": 0, "up": 1, "down": 2}
_DRAWS_N = 20_000
_SEED = 1
Key = tuple[int, str]
"""Point and direction, as an evaluation counts them."""


def matched(a: pd.DataFrame, b: pd.DataFrame) -> tuple[list[tuple[Key, Key]], tuple[str, ...]]:
    """Pairs of points of one direction whose setpoints are nearest to each other; and those that have no partner."""
    places = [
        {(int(row["point"]), str(row["direction"])): float(row["setpoint_pct"]) for row in each.to_dict("records")}
        for each in (a, b)
    ]
    near = sorted(
        (abs(at - other_at), key, other)
        for key, at in places[0].items()
        for other, other_at in places[1].items()
        if key[1] == other[1] and abs(at - other_at) < _SAME_PCT
    )
    pairs: dict[Key, Key] = {}
    for _, key, other in near:
        if key not in pairs and other not in pairs.values():
            pairs[key] = other
    alone = [
        f"{place:.4g} %{' ' + key[1] if key[1] else ''}: only {name}"
        for name, each, paired in (("A", places[0], set(pairs)), ("B", places[1], set(pairs.values())))
        for key, place in sorted(each.items(), key=lambda item: (item[1], _ORDER[item[0][1]]))
        if key not in paired
    ]
    return sorted(pairs.items(), key=lambda pair: (places[0][pair[0]], _ORDER[pair[0][1]])), tuple(alone)


def means_at(found: Evaluation, keys: list[Key]) -> pd.DataFrame:
    """The rows of `points` of an evaluation at these places, in their order."""
    return found.points.set_index(["point", "direction"], drop=False).loc[keys].reset_index(drop=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """Weighted sums of errors of both, B less A, in % of span; arrays of shape (differences,).

    Attributes:
        u: standard uncertainty; NaN = not known.
        dof: its effective degrees of freedom.
        drawn: shape (draws, differences), what measurement alone makes of them, were `u` certain.
    """

    u: FloatArray
    dof: FloatArray
    drawn: FloatArray

    def p(self, difference: FloatArray) -> FloatArray:
        """Chance of a difference that large or larger where there is none; NaN where `u` is not known."""
        with np.errstate(divide="ignore", invalid="ignore"):
            t = -np.abs(difference) / self.u
        return np.asarray(np.where(np.isfinite(t), 2 * special.stdtr(self.dof, t), np.nan))


def weights_at(found: Evaluation, keys: list[Key]) -> FloatArray:
    """Shape (keys, visits): the mean over the cycles at each point."""
    visits = found.visits
    rows = [
        ((visits["point"] == point) & (visits["direction"] == way)).to_numpy(dtype=np.float64) for point, way in keys
    ]
    weights = np.array(rows).reshape(len(keys), len(visits))
    return np.asarray(weights * visits["error"].notna().to_numpy() / np.maximum(weights.sum(axis=-1, keepdims=True), 1))


def differences(a: Evaluation, b: Evaluation, weights: tuple[FloatArray, FloatArray], *, is_same: bool) -> Differences:
    """Uncertainty of weighted sums of the errors of B less those of A.

    Args:
        a: one evaluation.
        b: the other; nothing is known where the scatter of one of them is not.
        weights: of the visits of each, shape (differences, visits).
        is_same: on the same bench, where what instruments share by all readings cancels.
    """
    nothing = np.full(len(weights[0]), np.nan)
    covariances = (each.known.covariance for each in (a, b))
    known = [each for each in covariances if each is not None and each.is_scatter_known]
    if len(known) < 2:
        return Differences(u=nothing, dof=nothing, drawn=np.zeros((1, len(nothing))))
    random = np.random.default_rng(_SEED)
    variance, inverse = np.zeros((2, len(nothing)))
    drawn = np.zeros((_DRAWS_N, len(nothing)))
    for sign, each, weight in zip((-1.0, 1.0), known, weights, strict=True):
        spread = each.of(weight, without_shared=is_same)
        variance = variance + spread.u**2
        inverse = inverse + spread.u**4 / spread.dof
        drawn += sign * _drawn(each, weight, random, is_same=is_same)
    with np.errstate(divide="ignore", invalid="ignore"):
        dof = np.where(inverse > 0, variance**2 / inverse, np.where(variance > 0, np.inf, np.nan))
    return Differences(u=np.sqrt(variance), dof=dof, drawn=drawn)


def from_smoothness(difference: FloatArray, x: FloatArray, rows: FloatArray) -> Differences:
    """The same where each point was read once: what is left of the differences about a parabola is taken for scatter.

    Args:
        difference: at the points, % of span.
        x: input of the points.
        rows: shape (differences, points), what is tested of them.

    Returns:
        NaN with too few points to tell a parabola from scatter.
    """
    nothing = np.full(len(rows), np.nan)
    basis = np.vander((x - x.mean()) / (float(np.ptp(x)) or 1.0), 3)
    dof = len(difference) - int(np.linalg.matrix_rank(basis))
    if dof < 1 or not np.isfinite(difference).all():
        return Differences(u=nothing, dof=nothing, drawn=np.zeros((1, len(rows))))
    left = difference - basis @ np.linalg.lstsq(basis, difference, rcond=None)[0]
    random = np.random.default_rng(_SEED)
    sd = float(np.sqrt(left @ left / dof))
    drawn = sd * random.standard_normal((_DRAWS_N, len(difference)))
    return Differences(u=sd * np.sqrt((rows**2).sum(axis=-1)), dof=np.full(len(rows), float(dof)), drawn=drawn @ rows.T)


def _drawn(known: Covariance, weights: FloatArray, random: np.random.Generator, *, is_same: bool) -> FloatArray:
    own, shared = known.draws(_DRAWS_N, random, is_sure=True, without_shared=is_same)
    return np.asarray((own + shared) @ weights.T)


def family_wise(difference: FloatArray, found: Differences) -> FloatArray:
    """P values adjusted for all tests together: how often the least of those that are left is as small by chance.

    Args:
        difference: as it was found; NaN = not tested.
        found: what measurement alone makes of each.

    Source: step-down of the least p, Westfall and Young, Resampling-Based Multiple Testing, 1993, algorithm
    2.8 (from memory). The tests of one bench hang together, which Holm's correction does not know.
    """
    is_tested = np.isfinite(difference) & np.isfinite(found.u) & (found.u > 0)
    adjusted = np.full(difference.shape, np.nan)
    places = np.flatnonzero(is_tested)
    if not places.size:
        return adjusted
    dof, u = found.dof[places], found.u[places]
    # Tests with other degrees of freedom compare by their p: a t of one degree would drown all others.
    p = 2 * special.stdtr(dof, -np.abs(difference[places]) / u)
    drawn = 2 * special.stdtr(dof, -np.abs(found.drawn[:, places]) / u * _doubt(dof, len(found.drawn)))
    order = np.argsort(p)
    # The least of the hypotheses from each on, in order of what was found.
    least = np.minimum.accumulate(drawn[:, order[::-1]], axis=1)[:, ::-1]
    chance = ((least <= p[order]).sum(axis=0) + 1) / (len(drawn) + 1)
    adjusted[places[order]] = np.maximum.accumulate(chance)
    return adjusted


def _doubt(dof: FloatArray, count: int) -> FloatArray:
    """What makes a normal quantity one of t, shape (count, tests); tests of one bench are in doubt together."""
    chance = np.random.default_rng(_SEED).random(count)
    each, which = np.unique(np.round(dof, 1), return_inverse=True)
    sizes = [np.sqrt(nu / special.chdtri(nu, chance)) if np.isfinite(nu) else np.ones(count) for nu in each]
    return np.stack(sizes, axis=-1)[:, which]


def of_figure(name: str, a: Evaluation, b: Evaluation, *, is_same: bool) -> float:
    """Standard uncertainty of the difference of a largest value of both, % of span; NaN where it is not known."""
    known = [each.known.of_figures for each in (a, b)]
    extremes = [each.extremes.get(name) for each in known if each is not None]
    k = float(coverage_factor(a.basis.coverage, math.inf))
    widths = [each.own_U if is_same else (each.high - each.low) / 2 for each in extremes if each is not None]
    return math.hypot(*widths) / k if len(widths) == 2 else math.nan
