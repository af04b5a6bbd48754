"""One covariance for all readings of a run, and what follows from it for figures that many readings go into.

An instrument's error is one error all through a run: its readings share it, by their share of the reading and its
floor. A rounding comes again at each visit of a setpoint. What scatters is of each visit, what drifts of each cycle.
The matrix is kept as its factors, one column each, and a diagonal, so that a figure costs a product for each factor.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.evaluation.figures.contributions import Contribution, Origin
from sequencer.evaluation.figures.convolution import half_width_of_sum
from sequencer.evaluation.figures.curves import BoolArray
from sequencer.evaluation.figures.per_point import IntArray
from sequencer.evaluation.figures.uncertainty import Budget
from sequencer.evaluation.scatter import Components

__all__ = ["Covariance", "Spread", "covariance"]

_LEAST_DOF = 1e-3
# Part of the variance of an accuracy that bends along the range: an instrument adjusted at two points is not straight
# between them (common practice, no source). With none, an accuracy of the range alone would leave a gain certain.
_BENT_FRAC = 0.01
_BENT: tuple[Origin, ...] = ("accuracy", "certificate")


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Uncertainty of figures that are weighted sums of errors, arrays of shape (figures,).

    Attributes:
        u: standard uncertainty with all that is known.
        U: expanded uncertainty.
        u_scatter: standard uncertainty from scatter alone, type A.
        dof: effective degrees of freedom of `u`.
    """

    u: FloatArray
    U: FloatArray
    u_scatter: FloatArray
    dof: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Covariance:
    """Covariance of the errors at the visited places, in their unit; NaN = not known there.

    Attributes:
        factors: shape (factors, visits), effect of one standard uncertainty of what readings share.
        is_rectangular: shape (factors,), else normal.
        is_rounding: shape (factors,), what comes again at each visit of a setpoint and at no other.
        is_of_run: shape (factors,), what another run on the same bench does not share: rounding and settling.
        within: shape (visits,), variance of the mean of a visit from the scatter within it; NaN where read once.
        within_dof: its degrees of freedom.
        scatter: shape (visits,), variance of the scatter of one visit.
        scatter_dof: shape (visits,), its degrees of freedom; infinity where nothing scatters.
        group: shape (visits,), visits of one number share their estimate of scatter.
        cycle: shape (visits,), number of the cycle.
        between: variance that the cycles show of a visit, with its share of the scatter; 0 with one cycle.
        between_dof: of that.
        visits_n: visits of a cycle, for that share; infinity with one cycle.
        probability: coverage of each U.
        is_scatter_known: whether anything was read twice; else `scatter` is what lies beside a smooth curve.
        is_scatter_told: whether that is known at all; else `scatter` is nothing, for want of better.
    """

    factors: FloatArray
    is_rectangular: BoolArray
    is_rounding: BoolArray
    is_of_run: BoolArray
    within: FloatArray
    within_dof: float
    scatter: FloatArray
    scatter_dof: FloatArray
    group: IntArray
    cycle: IntArray
    between: float
    between_dof: int
    visits_n: float
    probability: float
    is_scatter_known: bool
    is_scatter_told: bool

    def of(self, weights: FloatArray, *, without_shared: bool = False) -> Spread:
        """Uncertainty of weighted sums of the errors.

        Args:
            weights: shape (figures, visits); 0 where a visit does not count.
            without_shared: leave out what two runs on one bench share, as in their difference.

        Returns:
            NaN where a visit counts of which nothing is known.
        """
        is_used = weights != 0
        clean = np.where(is_used, weights, 0.0)
        effects = self._sums(clean, is_used, self.factors)
        if without_shared:
            effects = np.where(self.is_of_run[:, None], effects, 0.0)
        scatter, inverse_dof = self._scatter(clean, is_used)
        rectangular = np.abs(np.where(self.is_rectangular[:, None], effects, 0.0))
        largest = rectangular.max(axis=0) if len(rectangular) else np.zeros(len(weights))
        variance = (effects**2).sum(axis=0) + scatter
        rest = np.maximum(variance - largest**2, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            dof_rest = np.where(inverse_dof > 0, rest**2 / inverse_dof, np.inf)
            dof = np.where(inverse_dof > 0, variance**2 / inverse_dof, np.inf)
        return Spread(
            u=np.sqrt(variance),
            U=half_width_of_sum(self.probability, largest, np.sqrt(rest), np.maximum(dof_rest, _LEAST_DOF)),
            u_scatter=np.sqrt(scatter) if self.is_scatter_told else np.full(len(scatter), np.nan),
            dof=dof,
        )

    @staticmethod
    def _sums(weights: FloatArray, is_used: BoolArray, rows: FloatArray) -> FloatArray:
        """Rows times weights, shape (rows, figures); what is not known matters only where it counts."""
        unknown = np.isnan(rows)
        found = np.where(unknown, 0.0, rows) @ weights.T
        return np.asarray(np.where(unknown.astype(float) @ is_used.T.astype(float) > 0, np.nan, found))

    def _scatter(self, weights: FloatArray, is_used: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Variance from scatter, and the sum of its squared parts over their degrees of freedom."""
        cycles = np.unique(self.cycle)
        by_cycle = sum(((weights * (self.cycle == each)).sum(axis=-1) ** 2 for each in cycles), np.zeros(len(weights)))
        variance, inverse = np.zeros((2, len(weights)))
        for each in np.unique(self.group):
            here = self.group == each
            part = self._sums((weights * here) ** 2, is_used & here, self.scatter[None])[0]
            if self.between_dof:
                # The mean square between the cycles has its part of the scatter in it already.
                shared = (by_cycle / self.visits_n) * np.nanmean(self.scatter[here]) * here.mean()
                part = np.maximum(part - shared, 0.0)
            variance = variance + part
            inverse = inverse + part**2 / np.nanmin(self.scatter_dof[here])
        shift = by_cycle * self.between if self.between_dof else np.zeros(len(weights))
        return variance + shift, inverse + (shift**2 / self.between_dof if self.between_dof else 0.0)

    @property
    def is_known(self) -> BoolArray:
        """Shape (visits,): whether all that makes an error there uncertain is known."""
        return self.is_own_known & np.isfinite(self.factors).all(axis=0)

    @property
    def is_own_known(self) -> BoolArray:
        """Shape (visits,): the same of what readings of one run do not share."""
        return np.asarray(np.isfinite(self.scatter + self.factors[self.is_rounding].sum(axis=0)))

    def draws(
        self, count: int, random: np.random.Generator, *, is_sure: bool = False, without_shared: bool = False
    ) -> tuple[FloatArray, FloatArray]:
        """Errors of measurement as they might have been: what is of each visit, and what all readings of the run share.

        Args:
            count: how many runs.
            random: where they come from.
            without_shared: as in `of`.
            is_sure: take the estimates of scatter as they are; else they are drawn along, so that quantiles are of t.

        Returns:
            Twice shape (count, visits); 0 where nothing is known.
        """
        factors = np.nan_to_num(self.factors)
        normal = random.standard_normal((count, len(factors)))
        flat = random.uniform(-np.sqrt(3.0), np.sqrt(3.0), normal.shape)
        drawn = np.where(self.is_rectangular, flat, normal)
        own = drawn[:, self.is_rounding] @ factors[self.is_rounding]
        chosen = ~self.is_rounding & (self.is_of_run | (not without_shared))
        shared = drawn[:, chosen] @ factors[chosen]
        return own + self._scattered(count, random, is_sure=is_sure), shared

    def _scattered(self, count: int, random: np.random.Generator, *, is_sure: bool) -> FloatArray:
        scattered = random.standard_normal((count, len(self.scatter))) * np.sqrt(np.nan_to_num(self.scatter))
        for each in np.unique(self.group):
            here = self.group == each
            scattered[:, here] *= _unsure(
                random, np.inf if is_sure else float(np.nanmin(self.scatter_dof[here])), count
            )
        if self.between_dof:
            shift = np.sqrt(self.between) * _unsure(random, np.inf if is_sure else self.between_dof, count)
            for each in np.unique(self.cycle):
                here = self.cycle == each
                mean = scattered[:, here].mean(axis=-1, keepdims=True)
                scattered[:, here] += shift * random.standard_normal((count, 1)) - mean
        return np.asarray(scattered)

    def repeats(self, count: int, random: np.random.Generator) -> FloatArray:
        """What scatter within the visits makes of their means, shape (count, visits); NaN where each was read once."""
        drawn = random.standard_normal((count, len(self.within))) * np.sqrt(self.within)
        return np.asarray(drawn * _unsure(random, self.within_dof, count))

    def shared_U(self) -> FloatArray:
        """Expanded uncertainty at each visit from what all readings of the run share, shape (visits,)."""
        factors = self.factors[~self.is_rounding]
        largest = np.abs(np.where(self.is_rectangular[~self.is_rounding, None], factors, 0.0)).max(axis=0, initial=0.0)
        rest = np.sqrt(np.maximum((factors**2).sum(axis=0) - largest**2, 0.0))
        return half_width_of_sum(self.probability, largest, rest)


def _unsure(random: np.random.Generator, dof: float, count: int) -> FloatArray:
    """What an estimated standard deviation may have to be multiplied by, shape (count, 1)."""
    if not np.isfinite(dof):
        return np.ones((count, 1))
    return np.asarray(np.sqrt(dof / random.chisquare(max(dof, 0.5), (count, 1))))


def covariance(
    budget: Budget,
    scatter: Components,
    is_visited: BoolArray,
    *,
    at_frac: FloatArray,
    scale: float,
    pairs: Mapping[tuple[str, str], float] = {},
    has_directions: bool = True,
) -> Covariance:
    """The covariance of a run.

    Args:
        budget: uncertainty of each error.
        scatter: of the readings.
        is_visited: the places that count, shape of the budget's arrays (1, cycles, directions, points).
        at_frac: shape (visits,), input as a part of the range.
        scale: into the unit of the result, for each unit of the budget.
        pairs: correlation of two contributions, by their names.
        has_directions: the points were taken up and down, or one way.
    """
    _, cycle, direction, point = np.nonzero(is_visited)
    effects = [scale * each[is_visited] for each in budget.effect]
    columns: dict[str, list[FloatArray]] = {}
    for line, effect in zip(budget.contributions, effects, strict=True):
        if line.origin == "settling":  # what is behind upscale is so at every point of that way
            side = direction if has_directions else point  # else each point is come to from another side
            columns[line.name] = [np.where(side == each, effect, 0.0) for each in np.unique(side)]
        elif line.origin == "resolution":
            columns[line.name] = [np.where(point == each, effect, 0.0) for each in np.unique(point)]
        elif line.kind != "A":
            columns[line.name] = _shared(line, effect, is_visited, at_frac, scale)
    for (one, other), coefficient in pairs.items():
        if one in columns and other in columns and len(columns[one]) == len(columns[other]):
            columns[one] = [a + coefficient * b for a, b in zip(columns[one], columns[other], strict=True)]
            columns[other] = [np.sqrt(1 - coefficient**2) * each for each in columns[other]]
    by_name = {line.name: line for line in budget.contributions}
    is_rectangular: list[bool] = []
    is_rounding: list[bool] = []
    is_of_run: list[bool] = []
    for name, found in columns.items():
        line = by_name[name]
        rounds = line.origin == "resolution"
        is_wide = line.distribution == "rectangular" and not rounds
        is_rectangular += [is_wide, *([is_wide and line.origin == "settling"] * (len(found) - 1))]
        is_rounding += [rounds] * len(found)
        is_of_run += [rounds or line.origin == "settling"] * len(found)
    own_scatter, dof = _own_scatter(budget, scatter, is_visited)
    squared = scale**2
    within, within_dof = _within(scatter, is_visited)
    cycles = scatter.cycles
    has_shift = cycles is not None and cycles.between_dof > 0
    return Covariance(
        factors=np.array([each for found in columns.values() for each in found]).reshape(-1, len(point)),
        is_rectangular=np.array(is_rectangular, dtype=bool),
        is_rounding=np.array(is_rounding, dtype=bool),
        is_of_run=np.array(is_of_run, dtype=bool),
        within=squared * within,
        within_dof=within_dof,
        scatter=squared * own_scatter,
        scatter_dof=dof,
        group=np.zeros(len(point), dtype=np.int64)
        if scatter.is_one or (scatter.smooth is not None and scatter.smooth.is_farther)
        else point,
        cycle=cycle,
        between=squared * cycles.between if cycles is not None and has_shift else 0.0,
        between_dof=cycles.between_dof if cycles is not None and has_shift else 0,
        visits_n=cycles.visits_n if cycles is not None and has_shift else np.inf,
        probability=budget.probability or np.nan,
        is_scatter_known=bool(scatter.lines),
        is_scatter_told=bool(scatter.lines) or scatter.smooth is not None,
    )


def _shared(
    line: Contribution, effect: FloatArray, is_visited: BoolArray, at_frac: FloatArray, scale: float
) -> list[FloatArray]:
    """Factors of what all readings share of one contribution, the widest first."""
    if line.bipolar is None:
        straight = [effect]
    else:
        slope = scale * np.broadcast_to(line.sensitivity, is_visited.shape)[is_visited]
        parts = [slope * np.broadcast_to(each, is_visited.shape)[is_visited] for each in line.bipolar]
        # What both together may reach at one end is kept whole.
        straight = [*parts, np.sqrt(np.maximum(effect**2 - sum(each**2 for each in parts), 0.0))]
    if line.origin not in _BENT:
        return straight
    bent = [np.sqrt(_BENT_FRAC) * effect * turn(np.pi * at_frac) for turn in (np.cos, np.sin)]
    return [*(np.sqrt(1 - _BENT_FRAC) * each for each in straight), *bent]


def _within(scatter: Components, is_visited: BoolArray) -> tuple[FloatArray, float]:
    """Variance of the mean of each visit from what scatters within it, and its degrees of freedom."""
    lines = [each.line for each in scatter.within.values()]
    if not lines:
        return np.full(int(is_visited.sum()), np.nan), np.inf
    variance = sum(((line.sensitivity * line.u) ** 2 for line in lines), np.zeros(is_visited.shape))
    return variance[is_visited], min(float(each.reading.dof.min()) for each in scatter.within.values())


def _own_scatter(budget: Budget, scatter: Components, is_visited: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Variance of the scatter of one visit, and its degrees of freedom, both in full."""
    cycles, smooth = scatter.cycles, scatter.smooth
    if smooth is not None and smooth.is_farther:
        places_n = int(is_visited.sum())
        return np.full(places_n, smooth.variance), np.full(places_n, smooth.dof)
    rest = 1.0 if cycles is None or not cycles.between_dof else 1 - 1 / cycles.visits_n
    lines = [
        (effect[is_visited] ** 2 / rest, np.broadcast_to(line.dof, is_visited.shape)[is_visited])
        for line, effect in zip(budget.contributions, budget.effect, strict=True)
        if line.origin == "scatter"
    ]
    variance = sum((each for each, _ in lines), np.zeros(int(is_visited.sum())))
    inverse = sum((each**2 / dof for each, dof in lines), np.zeros(len(variance)))
    with np.errstate(divide="ignore", invalid="ignore"):
        return variance, np.where(inverse > 0, variance**2 / inverse, np.inf)
