"""Fits a cause to the readings of a segment, and weighs it: evidence, not mere likelihood, so that parameters cost."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.model.cause import Cause, Sizes
from sequencer.diagnosis.model.likelihood import Likelihood, Weighed, logsumexp
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Act, Segment

__all__ = ["Fit", "amplified", "fit", "screened"]

_POLISHED_N = 2
_STEPS_N = 7
# Predictions further out than this are as good as infinite; characteristics are looked at up to so far out.
_MOST_SPANS, _FAR_OUT = 9.0, 1.5
_TINY, _TINY_SWING = 1e-12, 1e-9
# Newton's step: by how much a size is moved, as a part of it and at least, and how much stiffer than the readings say.
_MOVED, _MOVED_LEAST, _RIDGE, _LINEAR_RIDGE = 1e-4, 1e-6, 1e-6, 1e-12
# Whole, less than half and a tenth of the step at once: the best is taken, until it gains less.
_PARTS, _GAIN_NATS = np.array([1.0, 0.4, 0.1]), 1e-3
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
    """

    cause: Cause
    stage: int
    theta: FloatArray
    log_evidence: float
    log_likelihood: float
    predicted: FloatArray
    scale: float


def fit(
    cause: Cause,
    segment: Segment,
    stage: int,
    likelihood: Likelihood,
    beside: Sequence[Act] = (),
    *,
    start: FloatArray | None = None,
    floor: float = -np.inf,
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
    """
    search = _Search(cause, segment, stage, tuple(beside))
    first = search.best(
        likelihood, search.sizes.start if start is None or not search.is_continuous else start[np.newaxis]
    )
    seen = search.amplifying(first.theta, likelihood)
    if seen is not None:
        first = search.again(first, seen, floor)
    return _in_the_main(search, first, seen or likelihood, floor)


def _in_the_main(search: "_Search", exact: Fit, likelihood: Likelihood, floor: float) -> Fit:
    """The fit with an allowance for an equation that holds only in the main, where that explains more."""
    odds, share = PRIORS.fitting.inexact_odds, PRIORS.fitting.inexact_share
    if exact.scale < PRIORS.fitting.misfit_scale:
        return exact
    is_read = search.is_read
    effect = (exact.predicted - search.ideal)[is_read]
    y, way = np.clip(2 * search.ideal[is_read] - 1, -_FAR_OUT, _FAR_OUT), search.segment.series.direction[is_read]
    shape = np.stack((np.ones_like(y), y, 1.5 * y**2 - 0.5, way), axis=1)
    loose = search.again(exact, likelihood.inexact(effect, shape, share=share), floor)
    better = max(exact, loose, key=lambda each: each.log_evidence)
    both = np.logaddexp(exact.log_evidence + np.log1p(-odds), loose.log_evidence + np.log(odds))
    return replace(better, log_evidence=float(both))


def _bounded(segment: Segment, acts: Sequence[Act], moved: float = 0.0) -> FloatArray:
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
    up, middle, down = (_bounded(segment, acts, way * step)[0, is_read] for way in (1, 0, -1))
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
    blur = np.hypot(np.where((is_singular | is_edge) & ~is_flat, swing, 0.0), behind)
    carried = np.where(is_flat, 0.0, np.clip(gain, 1.0, prior.singular * usual))
    return likelihood.amplified(carried, blur, behind=prior.behind_share * segment.tolerance)


def screened(cause: Cause, segment: Segment, stage: int, likelihood: Likelihood, beside: Sequence[Act]) -> float:
    """Log posterior of the best candidate of a cause as it stands, not polished: whether it is worth a fit."""
    search = _Search(cause, segment, stage, tuple(beside))
    return search.coarsely(likelihood)


class _Search:
    """One cause at one stage: predictions, and the search for the best sizes."""

    def __init__(self, cause: Cause, segment: Segment, stage: int, beside: tuple[Act, ...]) -> None:
        self.cause, self.segment, self.stage, self.beside = cause, segment, stage, beside
        self.sizes = cause.sizes(segment, stage)
        self.is_read = segment.is_read
        self.y = segment.y[self.is_read]
        self.ideal = segment.ideal
        self.is_continuous = any(self.sizes.is_free) and not cause.has_steps

    def predicted(self, theta: FloatArray) -> FloatArray:
        """Output at each visit, of shape (candidates, visits)."""
        found = _bounded(self.segment, (*self.beside, self.cause.act(theta, self.segment, self.stage)))
        return np.broadcast_to(found, (len(theta), self.is_read.size))

    def amplifying(self, theta: FloatArray, likelihood: Likelihood) -> Likelihood | None:
        """The likelihood where the cause amplifies what a good unit does before it; None where it does not."""
        acts = (*self.beside, self.cause.act(theta[np.newaxis], self.segment, self.stage))
        return amplified(self.segment, acts, likelihood)

    def coarsely(self, likelihood: Likelihood) -> float:
        """Log posterior of the best candidate."""
        _, _, _, posterior = self._tried(likelihood, self.sizes.start)
        return float(posterior.max())

    def _tried(self, likelihood: Likelihood, start: FloatArray) -> tuple[FloatArray, FloatArray, Weighed, FloatArray]:
        """Candidates, solved for what is linear in them; what they predict, how likely that is, their posteriors."""
        if self.cause.is_linear:
            # One candidate is as good as many where all is: a single step leads from each to the same sizes.
            is_all = len(self.cause.linear) == len(self.sizes.is_free)
            start = self._stepped(likelihood, start[:1] if is_all else start)
        predicted = self.predicted(start)
        weighed = likelihood.weigh(self.y - predicted[:, self.is_read])
        return start, predicted, weighed, weighed.log_likelihood + self._prior(start, predicted)

    def best(self, likelihood: Likelihood, start: FloatArray) -> Fit:
        """The best sizes from these candidates on."""
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
        found = [self._polished(start[index], likelihood) for index in _best_of(posterior, start)]
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
        largest = np.abs(predicted - self.ideal)[:, self.is_read].max(axis=1)
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
        )

    def _stepped(self, likelihood: Likelihood, start: FloatArray) -> FloatArray:
        """One step of Newton's from each candidate at once: exact for the parameters that act linearly."""
        linear = [index for index, is_free in enumerate(self.sizes.is_free) if is_free and index in self.cause.linear]
        mean = self.predicted(start)[:, self.is_read]
        columns = []
        for index in linear:
            moved = start.copy()
            moved[:, index] += _MOVED
            columns.append((self.predicted(moved)[:, self.is_read] - mean) / _MOVED)
        rows = np.stack([*columns, self.y - mean])
        white = likelihood.whitened(rows.reshape(-1, self.y.size), 1.0).reshape(*rows.shape[:2], -1)
        normal = np.einsum("isv,jsv->sij", white[:-1], white[:-1])
        ridge = _LINEAR_RIDGE * np.trace(normal, axis1=1, axis2=2)[:, np.newaxis, np.newaxis] + _TINY
        moved = np.linalg.solve(
            normal + ridge * np.eye(len(linear)), np.einsum("isv,sv->si", white[:-1], white[-1])[:, :, np.newaxis]
        )
        stepped = start.copy()
        stepped[:, linear] += moved[:, :, 0]
        return np.clip(stepped, self.sizes.low, self.sizes.high)

    def _polished(self, theta: FloatArray, likelihood: Likelihood) -> Fit:
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
        for _ in range(_STEPS_N):
            step = np.maximum(_MOVED_LEAST, _MOVED * np.abs(best))[free]
            around = np.repeat(best[np.newaxis], free.size, axis=0)
            around[np.arange(free.size), free] += step
            jacobian = (self.predicted(around)[:, is_read] - mean[is_read]) / step[:, np.newaxis]
            rows = likelihood.whitened(np.vstack((jacobian, y - mean[is_read])), scale)
            normal = rows[:-1] @ rows[:-1].T
            ridge = _RIDGE * np.diag(np.maximum(np.diag(normal), _TINY))
            moved = np.linalg.lstsq(normal + ridge, rows[:-1] @ rows[-1], rcond=None)[0]
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
        width = np.maximum(high - low, _TINY)[free]
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


def _best_of(posterior: FloatArray, start: FloatArray) -> list[int]:
    """The best candidate, and the best one that is no neighbour of it."""
    order = np.argsort(-posterior)
    chosen = [int(order[0])]
    spread = np.maximum(start.max(axis=0) - start.min(axis=0), _TINY)
    for index in order[1:]:
        if len(chosen) == _POLISHED_N or posterior[index] < posterior[order[0]] - PRIORS.fitting.hopeless_nats:
            break
        if (np.abs(start[index] - start[chosen[0]]) / spread).max() > _NEIGHBOUR:
            chosen.append(int(index))
    return chosen
