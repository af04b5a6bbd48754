"""Uncertainty of each figure of a run, from the one covariance of its readings.

Zero, span, offset and gain are weighted sums of the errors; hysteresis, linearity and the like are largest values.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.evaluation.budget import COVERAGE
from sequencer.evaluation.covariance import Covariance, Spread
from sequencer.evaluation.extremes import Extreme, by_scale, by_shift, smoothed
from sequencer.evaluation.figures.curves import DOWN, UP, BoolArray
from sequencer.evaluation.figures.figures import Figures
from sequencer.evaluation.figures.linearity import Kind, line_of
from sequencer.evaluation.figures.per_point import mean

__all__ = ["FigureUncertainty", "figure_uncertainty"]

_DRAWS_N = 500
_SEED = 1
_SMOOTH_DEGREE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Width:
    """Uncertainty of one figure, in its unit: expanded with all that is known, and standard from scatter alone.

    `weights`, shape (visits,), make the figure of the errors.
    """

    U: float
    u_scatter: float
    weights: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureUncertainty:
    """What is known of the figures, in % of span; a gain as a number.

    Attributes:
        widths: of zero error, span error, offset and gain, by the name of the figure.
        extremes: of the figures that are largest values, by name.
    """

    widths: Mapping[str, Width]
    extremes: Mapping[str, Extreme]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Curves:
    """Mean errors over the cycles, shape (2, points), and draws of measurement, (draws, 2, points); NaN = not read.

    `noise` is of each visit, `shared` of all readings of the run together, `shared_U` the most that this may be at a
    point; NaN where it is not known.
    """

    x: FloatArray
    mean: FloatArray
    noise: FloatArray
    shared: FloatArray
    shared_U: float

    def average(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Input, average curve and its noise where both directions, or the only one, were read."""
        is_read = np.isfinite(self.mean)
        is_one_way = not is_read.any(axis=1).all()
        is_known = np.asarray(is_read.any(axis=0) if is_one_way else is_read.all(axis=0))
        ends = np.flatnonzero(is_read.any(axis=0))[[0, -1]]
        is_known[ends] = True
        return tuple(mean(each, axis=-2)[..., is_known] for each in (self.x, self.mean, self.noise + self.shared))  # type: ignore[return-value]


def figure_uncertainty(
    error_pct: FloatArray,
    x_pct: FloatArray,
    singles_pct: tuple[FloatArray, FloatArray],
    known: Covariance,
    is_visited: BoolArray,
    computed: Figures,
) -> FigureUncertainty:
    """The uncertainty of each figure of one unit.

    Args:
        error_pct: as the figures are computed from, shape (1, cycles, 2, points), % of span.
        x_pct: input, same shape, % of input span.
        singles_pct: highest and lowest error of the single readings of each visit, same shape.
        known: covariance of the errors at the visits, % of span.
        is_visited: their places, same shape.
        computed: the figures.
    """
    is_used = np.isfinite(error_pct) & np.isfinite(x_pct) & is_visited
    used = is_used[is_visited]
    widths = _widths(x_pct, known, is_visited, is_used)
    if not used.any() or not known.is_own_known[used].all() or not known.is_scatter_told:
        return FigureUncertainty(widths=widths, extremes={})
    own, shared = (_placed(each, is_visited, is_used) for each in known.draws(_DRAWS_N, np.random.default_rng(_SEED)))
    repeats = _placed(known.repeats(_DRAWS_N, np.random.default_rng(_SEED)), is_visited, is_used)
    means = _Curves(
        x=mean(np.where(is_used, x_pct, np.nan)[0], axis=0),
        mean=mean(np.where(is_used, error_pct, np.nan)[0], axis=0),
        noise=mean(own, axis=1),
        shared=mean(shared, axis=1),
        shared_U=float(known.shared_U()[used].max()) if known.is_known[used].all() else math.nan,
    )
    return FigureUncertainty(
        widths=widths,
        extremes=_extremes(means, own, error_pct, repeats, computed) | _of_singles(means, own, error_pct, singles_pct),
    )


def _placed(drawn: FloatArray, is_visited: BoolArray, is_used: BoolArray) -> FloatArray:
    """Draws of the visits in the shape of the readings, NaN where a visit is in no figure."""
    found = np.full((len(drawn), *is_visited.shape[1:]), np.nan)
    found[:, is_visited[0]] = drawn
    found[:, ~is_used[0]] = np.nan
    return found


def _widths(x_pct: FloatArray, known: Covariance, is_visited: BoolArray, is_used: BoolArray) -> dict[str, Width]:
    """Of what is a weighted sum of the errors."""
    used = is_used[is_visited]
    rows = {}
    is_read = is_used[0]
    ends = np.flatnonzero(is_read.any(axis=(0, 1)))
    if ends.size:
        zero, full = (_of_point(is_used, is_visited, point) for point in ends[[0, -1]])
        rows = {"zero error": zero, "span error": full - zero}
    x = x_pct[is_visited][used]
    if used.any() and np.ptp(x) > 0:
        fit = np.zeros((2, len(used)))
        fit[:, used] = np.linalg.pinv(np.vander(x, 2, increasing=True))
        rows |= {"offset by least squares": fit[0], "gain by least squares": fit[1]}
    if not rows:
        return {}
    found: Spread = known.of(np.array(list(rows.values())))
    return {
        name: Width(U=float(U), u_scatter=float(u), weights=rows[name])
        for name, U, u in zip(rows, found.U, found.u_scatter, strict=True)
    }


def _of_point(is_used: BoolArray, is_visited: BoolArray, point: int) -> FloatArray:
    """Weights of the average curve at a point: the mean of both directions, of the mean of their cycles."""
    weights = np.zeros(is_used.shape)
    by_direction = is_used[0, :, :, point].sum(axis=0)
    for direction in np.flatnonzero(by_direction):
        chosen = is_used[0, :, direction, point]
        weights[0, chosen, direction, point] = 1 / by_direction[direction] / np.count_nonzero(by_direction)
    return np.asarray(weights[is_visited])


def _extremes(
    means: _Curves, drawn: FloatArray, error_pct: FloatArray, repeats: FloatArray, computed: Figures
) -> dict[str, Extreme]:
    """Of what is a largest value and nothing of no curve."""
    found = {"measured error": _of_measured_error(means), "hysteresis": _of_hysteresis(means, drawn, error_pct[0])}
    if not math.isnan(computed.non_repeatability.spread_pct[0]):
        found["non-repeatability"] = _of_spread(error_pct[0], repeats)
    loop, off = found["hysteresis"], computed.hysteresis.with_dead_band_pct[0] - computed.hysteresis.hysteresis_pct[0]
    if loop is not None and off > 0:
        found["hysteresis"] = loop.less(float(off))
    x, curve, noise = means.average()
    for each in (computed.independent, computed.terminal_based, computed.zero_based):
        if not math.isnan(each.deviation_pct[0]) and not math.isnan(means.shared_U):
            found[f"non-linearity, {each.kind}"] = _of_linearity(x, curve, noise, each.kind)
    return {name: each for name, each in found.items() if each is not None}


def _largest(rows: FloatArray) -> FloatArray:
    return np.asarray(np.abs(rows).max(axis=-1))


def _itself(rows: FloatArray) -> FloatArray:
    return rows


def _of_measured_error(means: _Curves) -> Extreme | None:
    is_read = np.isfinite(means.mean)
    if math.isnan(means.shared_U):
        return None
    noise = means.noise[:, is_read]
    found = by_scale(_itself, means.mean[is_read], noise, float(np.median(_largest(noise))))
    return None if found is None else found.widened(means.shared_U, least=0.0)


def _of_hysteresis(means: _Curves, drawn: FloatArray, error_pct: FloatArray) -> Extreme | None:
    """Of the difference of the mean curves; what noise alone gives is that of the single cycles."""
    # Within one cycle each, as the standard has it: a shift from cycle to cycle is in both.
    apart = mean(error_pct[:, DOWN] - error_pct[:, UP], axis=0)
    is_read = np.isfinite(apart)
    if is_read.sum() < 2:
        return None
    noise = mean(drawn[:, :, DOWN] - drawn[:, :, UP], axis=1)[:, is_read]
    alone = np.abs(drawn[:, :, DOWN] - drawn[:, :, UP])
    by_noise = float(np.median(np.fmax.reduce(alone.reshape(len(alone), -1), axis=-1)))
    found = by_scale(_itself, apart[is_read], noise, by_noise)
    # What is shared by one direction, such as what was still to settle, is in the difference, and moves it as a whole.
    together = np.abs(means.shared[:, DOWN] - means.shared[:, UP])[:, is_read]
    return None if found is None else found.widened(float(np.quantile(together, COVERAGE, axis=0).max()), least=0.0)


def _of_spread(error_pct: FloatArray, repeats: FloatArray) -> Extreme | None:
    """Of the spread between cycles: what scatter within the visits does not explain; None where each was read once."""
    pairs = list(combinations(range(len(error_pct)), 2))

    def apart(level: FloatArray) -> FloatArray:
        differences = [level[..., one, :, :] - level[..., other, :, :] for one, other in pairs]
        return np.stack(differences, axis=-3).reshape(*level.shape[:-3], -1)

    found, noise = apart(error_pct), apart(repeats)
    is_read = np.isfinite(found) & np.isfinite(noise).all(axis=0)
    if not is_read.any():
        return None
    return by_scale(_itself, found[is_read], noise[:, is_read], float(np.median(_largest(noise[:, is_read]))))


def _of_linearity(x: FloatArray, curve: FloatArray, noise: FloatArray, kind: Kind) -> Extreme | None:
    def left(rows: FloatArray) -> FloatArray:
        offset, gain = line_of(np.broadcast_to(x, rows.shape), rows, kind)
        return np.asarray(rows - offset[:, None] - gain[:, None] * x)

    return by_scale(left, curve, noise, float(np.median(_largest(left(noise)))))


def _of_singles(
    means: _Curves, drawn: FloatArray, error_pct: FloatArray, singles_pct: tuple[FloatArray, FloatArray]
) -> dict[str, Extreme]:
    """Highest and lowest error of any single reading: how far the noise of a run takes them beyond the mean curve."""
    is_read = np.isfinite(means.mean)
    if math.isnan(means.shared_U):
        return {}
    x, noise = means.x[is_read], means.noise[:, is_read]
    curve = smoothed(means.mean[is_read], noise, x, degree=_SMOOTH_DEGREE)
    found = {}
    for name, singles, sign in (("highest", singles_pct[0], 1.0), ("lowest", singles_pct[1], -1.0)):
        # How far the outermost reading of a visit lies from its mean is taken from the visits themselves.
        beyond = sign * (singles - error_pct)
        random = np.random.default_rng(_SEED)
        chance = sign * drawn[:, :, is_read] + random.choice(beyond[np.isfinite(beyond)], drawn[:, :, is_read].shape)

        def highest(level: FloatArray, chance: FloatArray = chance) -> FloatArray:
            return np.asarray(np.fmax.reduce((level + chance).reshape(len(chance), -1), axis=-1))

        outermost = float(sign * np.nanmax(sign * singles))
        extreme = by_shift(outermost, curve, noise.std(axis=0), highest, sign=sign)
        found[f"inaccuracy, {name}"] = extreme.widened(means.shared_U)
    return found
