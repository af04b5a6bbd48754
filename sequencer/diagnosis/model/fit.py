"""Fits a cause to the readings of a segment, and weighs it: evidence, not mere likelihood, so that parameters cost."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.model.cause import Cause, Sizes
from sequencer.diagnosis.model.likelihood import Likelihood, Weighed, logsumexp
from sequencer.diagnosis.model.priors import PRIORS, Rough
from sequencer.diagnosis.model.segment import WAYS, Act, Segment

__all__ = ["Fit", "Screening", "again", "amplified", "beside", "exactly", "fit"]

_POLISHED_N, _STEPPED_N = 2, 8
_STEPS_N = 7
# Predictions further out than this are as good as infinite.
_MOST_SPANS = 9.0
_TINY, _TINY_SWING = 1e-12, 1e-9
# Newton's step: by how much a size is moved, as a part of it and at least, and how much stiffer than the readings say.
_MOVED, _MOVED_LEAST, _RIDGE, _LINEAR_RIDGE = 1e-4, 1e-6, 1e-6, 1e-12
# Whole, less than half and a tenth of the step at once: the best is taken, until it gains less.
_PARTS, _GAIN_NATS = np.array([1.0, 0.4, 0.1]), 0.02
_NEIGHBOUR = 0.2  # of what the candidates spread over


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A cause at a stage with the sizes that suit the readings best.

    Attributes:
        cause: which one.
        stage: index of the stage it sits in.
        theta: its parameters.
        log_evidence: log probability of the readings, the parameters summed over.
        log_likelihood: of the best parameters.
        predicted: output fraction at each visit; shape (visits,).
        scale: what is left of scatter, in units of what was expected.
        misfit: the same where the equation is taken to hold to the last digit.
    """

    cause: Cause
    stage: int
    theta: FloatArray
    log_evidence: float
    log_likelihood: float
    predicted: FloatArray
    scale: float
    misfit: float

    def leaves(self, segment: Segment) -> float:
        """The largest error that it does not foretell, as a share of the tolerance."""
        return segment.largest(segment.y - self.predicted) / segment.tolerance


def fit(
    cause: Cause,
    segment: Segment,
    stage: int,
    likelihood: Likelihood,
    beside: Sequence[Act] = (),
    *,
    start: FloatArray | None = None,
    floor: float = -np.inf,
    rough: Rough | None = None,
) -> Fit:
    """The best sizes of a cause, and its evidence.

    Args:
        cause: one that applies to the stage.
        segment: what was read.
        stage: where it sits.
        likelihood: of residuals at the visits that were read.
        beside: what else is wrong.
        start: parameters to begin at; None = the candidates of the cause.
        floor: log evidence of what is as good; what stays far below it is not searched to the end.
        rough: how roughly all of it holds; None = as the cause says.
    """
    search = _Search(cause, segment, stage, tuple(beside))
    first = search.best(likelihood, search.from_(start))
    seen = search.amplifying(first.theta, likelihood)
    if seen is not None:
        first = search.again(first, seen, floor)
    return _in_the_main(search, first, seen or likelihood, floor, cause.rough if rough is None else rough)


def exactly(
    cause: Cause,
    segment: Segment,
    stage: int,
    likelihood: Likelihood,
    beside: Sequence[Act] = (),
    *,
    start: FloatArray | None = None,
) -> Fit:
    """The same of one candidate, the equation taken to hold to the last digit; arguments as those of `fit`."""
    search = _Search(cause, segment, stage, tuple(beside))
    first = search.best(likelihood, search.from_(start), count=1)
    seen = search.amplifying(first.theta, likelihood)
    return first if seen is None else search.again(first, seen, -np.inf)


def again(found: Fit, segment: Segment, likelihood: Likelihood) -> Fit:
    """The same cause by another likelihood, from the sizes found."""
    return _Search(found.cause, segment, found.stage, ()).again(found, likelihood, -np.inf)


def beside(found: Fit, segment: Segment, likelihood: Likelihood, others: Sequence[Act], *, size: float) -> Likelihood:
    """A likelihood that lets something else stand beside a cause.

    Args:
        found: the cause with its sizes alone.
        segment: what was read.
        likelihood: of a good unit.
        others: what may stand beside it, each by a small amount.
        size: one standard deviation of each, in these amounts.
    """
    own = found.cause.act(found.theta[np.newaxis], segment, found.stage)
    moved = np.concatenate([_bounded(segment, (other, own)) for other in others]) - found.predicted
    return likelihood.freed(size * moved[:, segment.is_read].T)


def _in_the_main(search: "_Search", exact: Fit, likelihood: Likelihood, floor: float, rough: Rough) -> Fit:
    """The fit with an allowance for an equation that holds only in the main, summed over how roughly it holds."""
    is_whole = exact.misfit < PRIORS.fitting.misfit_scale and exact.leaves(search.segment) < PRIORS.trying.near_share
    if is_whole or not rough:
        return exact
    size = search.segment.largest(exact.predicted - search.without)
    shape = search.segment.smooth
    fits, odds = [exact], [1 - sum(each.odds for each in rough)]
    for each in rough:
        inexact = likelihood.inexact(
            min(each.share * size, each.most * search.segment.tolerance), shape, by_visit=each.by_visit
        )
        fits.append(search.again(max(fits, key=_evidence), inexact, floor))
        odds.append(each.odds)
    whole = logsumexp(np.array([each.log_evidence for each in fits]) + np.log(np.array(odds)))
    return replace(max(fits, key=_evidence), log_evidence=float(whole), misfit=exact.misfit)


def _evidence(found: Fit) -> float:
    return found.log_evidence


def _bounded(segment: Segment, acts: Sequence[Act], moved: float | FloatArray = 0.0) -> FloatArray:
    """What is predicted, never beyond a few spans; `moved` is added to the input."""
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        found = np.clip(segment.predict(acts, moved=moved), -_MOST_SPANS, _MOST_SPANS)
    found[np.isnan(found)] = _MOST_SPANS
    return np.asarray(found)


def amplified(segment: Segment, acts: Sequence[Act], likelihood: Likelihood) -> Likelihood | None:
    """The likelihood where something amplifies, or holds, what a good unit does before it; None where nothing does.

    Args:
        segment: what was read.
        acts: what is wrong, one candidate.
        likelihood: of a good unit.
    """
    prior, step = PRIORS.amplified, segment.small_step
    is_read = segment.is_read
    up, middle, down = np.broadcast_to(_bounded(segment, acts, step * WAYS), (3, is_read.size))[:, is_read]
    rise, fall = np.abs(up - middle), np.abs(middle - down)
    larger, swing = np.maximum(rise, fall), (rise + fall) / 2
    gain = swing / np.maximum(segment.ideal_swing[is_read], _TINY_SWING) if acts else np.ones_like(swing)
    usual = max(float(np.median(gain)), 1.0)
    is_singular = gain > prior.singular * usual
    # Held on one side: which, an error too small to see decides.
    is_edge = (np.minimum(rise, fall) < prior.edge_share * larger) & (larger > prior.edge_step * step)
    is_flat = (larger < prior.flat_step * step) & bool(acts)
    # After it was held the output may not have come back yet, although it stood still.
    was_flat = np.concatenate(([False], is_flat[:-1])) & ~is_flat
    was_flat &= np.abs(segment.y[is_read] - middle) > prior.back_sds * likelihood.noise
    behind = prior.back_share * np.abs(np.diff(middle, prepend=middle[0])) * was_flat
    if usual < prior.least_gain and not (is_singular | is_flat | is_edge).any():
        return None
    blur = np.hypot(np.where(is_edge & ~is_flat, swing, 0.0), behind)
    # What a good unit is off before it, it is off at each visit to a place alike.
    is_shared = is_singular & ~is_edge & ~is_flat
    alike = (swing * is_shared)[:, np.newaxis] * (segment.places[:, np.newaxis] == np.unique(segment.places[is_shared]))
    carried = np.where(is_flat, 0.0, np.clip(gain, 1.0, prior.singular * usual))
    behind_it = np.full((swing.size, 1), prior.behind_share * segment.tolerance)
    return likelihood.amplified(carried, blur, np.concatenate((behind_it, alike), axis=1))


class Screening:
    """Causes as they stand beside what else is wrong, not polished: whether each is worth a fit.

    Args:
        segment: what was read.
        beside: what else is wrong.
    """

    def __init__(self, segment: Segment, beside: Sequence[Act]) -> None:
        self._segment, self._beside = segment, tuple(beside)
        self._without = _bounded(segment, self._beside)[0] if beside else segment.ideal

    def of(self, cause: Cause, stage: int, likelihood: Likelihood) -> float:
        """Rough log evidence of the best candidate of a cause, after one step where it lies on a grid."""
        search = self._search(cause, stage)
        return search.stepped_once(likelihood) if search.is_on_a_grid else search.coarsely(likelihood)

    def of_each(self, causes: Sequence[tuple[Cause, int]], likelihood: Likelihood) -> list[float]:
        """The same of many, each at its stage; of those on a grid only the likeliest take the step."""
        searches = [self._search(cause, stage) for cause, stage in causes]
        found = [each.coarsely(likelihood) for each in searches]
        on_a_grid = [index for index, each in enumerate(searches) if each.is_on_a_grid]
        for index in sorted(on_a_grid, key=lambda index: -found[index])[:_STEPPED_N]:
            found[index] = searches[index].stepped_once(likelihood)
        return found

    def _search(self, cause: Cause, stage: int) -> "_Search":
        return _Search(cause, self._segment, stage, self._beside, without=self._without)


class _Search:
    """One cause at one stage: predictions, and the search for the best sizes."""

    def __init__(
        self,
        cause: Cause,
        segment: Segment,
        stage: int,
        beside: tuple[Act, ...],
        *,
        without: FloatArray | None = None,
    ) -> None:
        self.cause, self.segment, self.stage, self.beside = cause, segment, stage, beside
        self.sizes = cause.sizes_at(segment, stage)
        self.is_read = segment.is_read
        self.y = segment.y[self.is_read]
        # What it stands beside is no effect of its own.
        if without is None:
            without = _bounded(segment, beside)[0] if beside else segment.ideal
        self.without = without
        self.is_continuous = any(self.sizes.is_free) and not cause.has_steps

    def predicted(self, theta: FloatArray) -> FloatArray:
        """Output at each visit, of shape (candidates, visits)."""
        found = _bounded(self.segment, (*self.beside, self.cause.act(theta, self.segment, self.stage)))
        return np.broadcast_to(found, (len(theta), self.is_read.size))

    def amplifying(self, theta: FloatArray, likelihood: Likelihood) -> Likelihood | None:
        """The likelihood where the cause amplifies what a good unit does before it; None where it does not."""
        if self.cause.is_behind:
            return None
        acts = (*self.beside, self.cause.act(theta[np.newaxis], self.segment, self.stage))
        return amplified(self.segment, acts, likelihood)

    def coarsely(self, likelihood: Likelihood) -> float:
        """Rough log evidence of the best candidate: each free size is told about as well as a shift would be."""
        _, _, _, posterior = self._tried(likelihood, self.sizes.start)
        width = np.sqrt(2 * np.pi / self.y.size) * likelihood.usual
        return float(posterior.max()) + self.is_continuous * sum(self.sizes.is_free) * float(np.log(width))

    @property
    def is_on_a_grid(self) -> bool:
        """Candidates of a size that is continuous lie so far apart that the best may still be far off."""
        return self.is_continuous and len(self.cause.linear) < len(self.sizes.is_free)

    def stepped_once(self, likelihood: Likelihood) -> float:
        """Log evidence of the best candidate after one step from it."""
        start, _, _, posterior = self._tried(likelihood, self.sizes.start)
        return self._polished(start[int(posterior.argmax())], likelihood, steps_n=1).log_evidence

    def _tried(self, likelihood: Likelihood, start: FloatArray) -> tuple[FloatArray, FloatArray, Weighed, FloatArray]:
        """Candidates, solved for what is linear in them; what they predict, how likely that is, their posteriors."""
        if self.cause.is_linear:
            # One candidate is as good as many where all is: a single step leads from each to the same sizes. From the
            # smallest, since a large one may meet a limit.
            is_inside = self.segment.is_inside[self.is_read]
            if len(self.cause.linear) < len(self.sizes.is_free):
                start = self._stepped(likelihood, start)
            else:
                start = start[np.abs(start).sum(axis=1).argmin()][np.newaxis]
                steps = [self._stepped(likelihood, start)]
                if is_inside.any() and not is_inside.all():  # what is held there says nothing of the sizes
                    steps.append(self._stepped(likelihood, start, is_inside))
                start = np.concatenate(steps)
        predicted = self.predicted(start)
        weighed = likelihood.weigh(self.y - predicted[:, self.is_read])
        return start, predicted, weighed, weighed.log_likelihood + self._prior(start, predicted)

    def from_(self, start: FloatArray | None) -> FloatArray:
        """The candidates to begin at: one that is known, where the sizes are continuous, else all."""
        return self.sizes.start if start is None or not self.is_continuous else start[np.newaxis]

    def best(self, likelihood: Likelihood, start: FloatArray, *, count: int = _POLISHED_N) -> Fit:
        """The best sizes from these candidates on; so many of them are polished."""
        start, first, weighed, posterior = self._tried(likelihood, start)
        if not self.is_continuous:
            # Where a step may lie anywhere between two readings, the middle is as good as any.
            ties = np.flatnonzero(posterior > posterior.max() - PRIORS.fitting.tie_nats)
            best = int(ties[len(ties) // 2])
            cells = _cells(self.sizes) if self.cause.has_steps else np.zeros(len(start))
            return self._fit(
                start[best],
                float(logsumexp(posterior + cells)),
                weighed.log_likelihood[best],
                first[best],
                weighed.scale[best],
            )
        found = [self._polished(start[index], likelihood) for index in _best_of(posterior, start, count)]
        return max(found, key=lambda each: each.log_evidence)

    def again(self, found: Fit, likelihood: Likelihood, floor: float) -> Fit:
        """The same cause by another likelihood, from the sizes found; those as they are where that is far below."""
        weighed = likelihood.weigh(self.y - found.predicted[self.is_read])
        level = float(weighed.log_likelihood[0])
        log_evidence = found.log_evidence - found.log_likelihood + level
        if log_evidence > floor - PRIORS.fitting.far_nats:
            return self.best(likelihood, found.theta[np.newaxis] if self.is_continuous else self.sizes.start)
        return replace(found, log_evidence=log_evidence, log_likelihood=level, scale=float(weighed.scale[0]))

    def _prior(self, theta: FloatArray, predicted: FloatArray) -> FloatArray:
        """Log prior; what stays far within the tolerance is no cause of anything."""
        prior = PRIORS.fitting
        largest = np.abs(predicted - self.without)[:, self.is_read].max(axis=1)
        small = np.log(np.maximum(prior.small_share * self.segment.tolerance / np.maximum(largest, _TINY), 1.0))
        return np.asarray(self.sizes.log_prior(theta) - prior.small_power * small)

    def _fit(
        self,
        theta: FloatArray,
        log_evidence: float,
        log_likelihood: float,
        predicted: FloatArray,
        scale: float,
    ) -> Fit:
        return Fit(
            cause=self.cause,
            stage=self.stage,
            theta=theta,
            log_evidence=float(log_evidence),
            log_likelihood=float(log_likelihood),
            predicted=predicted,
            scale=float(scale),
            misfit=float(scale),
        )

    def _stepped(
        self,
        likelihood: Likelihood,
        start: FloatArray,
        counts: "FloatArray | np.typing.NDArray[np.bool_] | float" = 1.0,
    ) -> FloatArray:
        """One step of Newton's from each candidate at once: exact for the parameters that act linearly.

        `counts` is 0 for visits that are left out.
        """
        linear = [index for index, is_free in enumerate(self.sizes.is_free) if is_free and index in self.cause.linear]
        mean = self.predicted(start)[:, self.is_read]
        columns = []
        for index in linear:
            moved = start.copy()
            moved[:, index] += _MOVED
            columns.append((self.predicted(moved)[:, self.is_read] - mean) / _MOVED)
        rows = np.stack([*columns, self.y - mean]) * counts
        white = likelihood.whitened(rows.reshape(-1, self.y.size), 1.0).reshape(*rows.shape[:2], -1)
        normal = np.einsum("isv,jsv->sij", white[:-1], white[:-1])
        ridge = _LINEAR_RIDGE * np.trace(normal, axis1=1, axis2=2)[:, np.newaxis, np.newaxis] + _TINY
        moved = np.linalg.solve(
            normal + ridge * np.eye(len(linear)), np.einsum("isv,sv->si", white[:-1], white[-1])[:, :, np.newaxis]
        )
        stepped = start.copy()
        stepped[:, linear] += moved[:, :, 0]
        return np.clip(stepped, self.sizes.low, self.sizes.high)

    def _polished(self, theta: FloatArray, likelihood: Likelihood, *, steps_n: int = _STEPS_N) -> Fit:
        """Gauss-Newton from one candidate, and the evidence by Laplace's approximation."""
        free = np.flatnonzero(self.sizes.is_free)
        low, high = np.array(self.sizes.low), np.array(self.sizes.high)
        is_read, y = self.is_read, self.y
        best = theta.copy()
        mean = self.predicted(best[np.newaxis])[0]
        weighed = likelihood.weigh(y - mean[is_read])
        score = float(weighed.log_likelihood[0] + self._prior(best[np.newaxis], mean[np.newaxis])[0])
        scale, level = float(weighed.scale[0]), float(weighed.log_likelihood[0])
        jacobian = np.zeros((free.size, y.size))
        width = np.maximum(high - low, _TINY)[free]
        for _ in range(steps_n):
            step = np.maximum(_MOVED_LEAST, _MOVED * np.abs(best))[free]
            around = np.repeat(best[np.newaxis], free.size, axis=0)
            around[np.arange(free.size), free] += step
            jacobian = (self.predicted(around)[:, is_read] - mean[is_read]) / step[:, np.newaxis]
            rows = likelihood.whitened(np.vstack((jacobian, y - mean[is_read])), scale)
            normal = rows[:-1] @ rows[:-1].T
            # A size that the readings say nothing of stays where it is, and takes no other along to its bounds.
            ridge = np.diag(_RIDGE * np.maximum(np.diag(normal), _TINY) + 12 / width**2)
            moved = np.linalg.solve(normal + ridge, rows[:-1] @ rows[-1])
            tries = np.repeat(best[np.newaxis], _PARTS.size, axis=0)
            tries[:, free] += _PARTS[:, np.newaxis] * moved
            tries = np.clip(tries, low, high)
            means = self.predicted(tries)
            each = likelihood.weigh(y - means[:, is_read])
            scores = each.log_likelihood + self._prior(tries, means)
            index = int(scores.argmax())
            if scores[index] <= score + _GAIN_NATS:
                break
            best, mean, score = tries[index], means[index], float(scores[index])
            scale, level = float(each.scale[index]), float(each.log_likelihood[index])
        rows = likelihood.whitened(jacobian, scale)
        _, log_det = np.linalg.slogdet(rows @ rows.T + np.diag(12 / width**2))
        log_evidence = score + 0.5 * free.size * np.log(2 * np.pi) - 0.5 * log_det
        return self._fit(best, log_evidence, level, mean, scale)


def _cells(sizes: Sizes) -> FloatArray:
    """Log width of the cell of each candidate on the grid, for those parameters that are free."""
    total = np.zeros(len(sizes.start))
    for index, is_free in enumerate(sizes.is_free):
        if is_free:
            axis = np.unique(sizes.start[:, index])
            total += np.log(np.gradient(axis))[np.searchsorted(axis, sizes.start[:, index])]
    return total


def _best_of(posterior: FloatArray, start: FloatArray, count: int) -> list[int]:
    """The best candidate, and then those that are no neighbours of it."""
    order = np.argsort(-posterior)
    chosen = [int(order[0])]
    spread = np.maximum(start.max(axis=0) - start.min(axis=0), _TINY)
    for index in order[1:]:
        if len(chosen) == count or posterior[index] < posterior[order[0]] - PRIORS.fitting.hopeless_nats:
            break
        if (np.abs(start[index] - start[chosen[0]]) / spread).max() > _NEIGHBOUR:
            chosen.append(int(index))
    return chosen
