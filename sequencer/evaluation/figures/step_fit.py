"""Which linear system a recorded answer to a step speaks for, its parameters, and how sure they are.

Each family of `step_models` is fitted by least squares with the levels before and after, with and without a drift; the
evidence is the Bayesian information criterion with the scatter unknown (Schwarz 1978, from memory).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from scipy.linalg import toeplitz
from scipy.optimize import least_squares

from instruments.datasheet import FloatArray
from sequencer.evaluation.figures.step_families import FAMILIES, Family
from sequencer.evaluation.figures.step_models import Shape

__all__ = ["Fit", "Trace", "figure_of", "fits"]

# A drift is a thing apart from the step, and rare, as some families are; so it needs more evidence.
_RARE_PENALTY = 2 * math.log(20)
_LEAST_CORRELATION = 0.1
_DRIFTING_N = 2
_POLISHED_N = 2
# A parameter that is known no better than by this factor of e is not known.
_FARTHEST = 1.5
_LATE = (0.0, 0.5, 0.9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """What was recorded of one step.

    Attributes:
        times_s: shape (n,), ascending, from the instant the input was set, stamped at the end of each reading;
            negative = before.
        values: same shape; none is missing.
        aperture_s: over which a reading is a mean; 0 = at once.
        rise_s: over which the input went in a straight line; 0 = at once.
        late_s: by how much the input may have moved later than its instant.
        resolution: of the readings; 0 = fine.
    """

    times_s: FloatArray
    values: FloatArray
    aperture_s: float = 0.0
    rise_s: float = 0.0
    late_s: float = 0.0
    resolution: float = 0.0

    @property
    def interval_s(self) -> float:
        """Usual time between two readings after the step."""
        after = self.times_s[self.times_s > 0]
        return float(np.median(np.diff(after))) if len(after) > 1 else math.inf


_USUAL, _SELDOM = FAMILIES[:3], FAMILIES[3:]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """One system fitted.

    Attributes:
        family: of it.
        has_dead: with a dead time beyond what the input may have been late by.
        has_drift: with a straight drift after the step.
        shape: fitted; its dead time holds what the input was late by.
        before: level before the step.
        step: from there to the level after it, without the drift.
        drift_per_s: in the unit of the readings.
        x: fitted parameters, shape (p,): dead time in s where it is free, then logarithms of the family's own.
        covariance: of x, shape (p, p).
        u_before: standard uncertainty of the level.
        u_step: the same of the step.
        u_drift: the same of the drift; 0 without.
        residuals: shape (n,).
        sd: of the residuals.
        correlation: of neighbouring residuals.
        bic: criterion; less is better.
        weight: among the candidates.
    """

    family: Family
    has_dead: bool
    has_drift: bool
    shape: Shape
    before: float
    step: float
    drift_per_s: float
    x: FloatArray
    residuals: FloatArray
    sd: float
    bic: float
    covariance: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    u_before: float = 0.0
    u_step: float = 0.0
    u_drift: float = 0.0
    correlation: float = 0.0
    weight: float = 0.0

    @property
    def free(self) -> int:
        """Parameters beside the two levels."""
        return len(self.x) + self.has_drift

    @property
    def name(self) -> str:
        """The family, and the dead time where there is one beside it."""
        return self.family.name + (" with dead time" if self.has_dead and not self.family.needs_dead else "")

    def shaped(self, x: FloatArray) -> Shape:
        """The system at other parameters."""
        return _built(self.family, x)


def fits(trace: Trace, *, rise_s: float, starts_s: float) -> tuple[Fit, ...]:
    """All candidates that fit, best first, with weights; the uncertainties are those of the best few.

    Args:
        trace: with at least four readings.
        rise_s: rise time as seen, to begin with.
        starts_s: when the answer was under way, to begin with.
    """
    found = _fitted(trace, _USUAL, rise_s, starts_s)
    if not _is_scatter(found[0], trace):
        found = sorted([*found, *_fitted(trace, _SELDOM, rise_s, starts_s)], key=lambda each: each.bic)
    for fit in found[:_DRIFTING_N]:
        drifting = _fit(_Problem(trace, fit.family, fit.has_dead, has_drift=True), rise_s, starts_s, [fit.x])
        if _is_within(drifting, trace):
            found.append(drifting)
    found = [each for each in found if not _is_needless(each, found)]
    richest = min(found, key=lambda each: each.sd)
    correlation = _correlation(richest.residuals, trace)
    known_n = len(trace.values) * (1 - correlation) / (1 + correlation)
    scored = sorted(
        (replace(each, bic=_bic(each, trace, known_n), correlation=correlation) for each in found),
        key=lambda each: each.bic,
    )
    weights = np.exp(-0.5 * np.array([each.bic - scored[0].bic for each in scored]))
    weights /= weights.sum()
    weighed = [replace(each, weight=float(weight)) for each, weight in zip(scored, weights, strict=True)]
    return tuple(_with_uncertainty(each, trace) if each.weight > 0.01 else each for each in weighed)


def figure_of(found: Sequence[Fit], figure: Callable[[Shape], float]) -> tuple[float, float]:
    """A figure of the best system, and its standard uncertainty: of its parameters, and of which system it is."""
    best = found[0]
    value = figure(best.shape)
    total = 0.0
    for each in found:
        if each.weight > 0.01:
            there = value if each is best else figure(each.shape)
            total += each.weight * (_spread(each, figure) ** 2 + (there - value) ** 2)
    return value, math.sqrt(total)


def _spread(fit: Fit, figure: Callable[[Shape], float]) -> float:
    """Standard uncertainty by a step of one standard deviation each way along the axes of the covariance."""
    if not fit.x.size:
        return 0.0
    sizes, axes = np.linalg.eigh(fit.covariance)
    total = 0.0
    for size, axis in zip(sizes, axes.T, strict=True):
        away = min(math.sqrt(max(float(size), 0.0)), _FARTHEST) * axis
        total += (figure(fit.shaped(fit.x + away)) - figure(fit.shaped(fit.x - away))) ** 2 / 4
    return math.sqrt(total)


def _fitted(trace: Trace, families: Sequence[Family], rise_s: float, starts_s: float) -> list[Fit]:
    """Candidates without drift, best first."""
    found = []
    for family in families:
        for has_dead in (True,) if family.needs_dead else (False, True):
            fit = _fit(_Problem(trace, family, has_dead, has_drift=False), rise_s, starts_s)
            # A dead time that the input itself may have been late by is none.
            is_late = has_dead and fit.shape.dead_s <= trace.late_s + 1e-9
            if not is_late and _is_within(fit, trace):
                found.append(replace(fit, bic=_bic(fit, trace, len(trace.values))))
    return sorted(found, key=lambda each: each.bic)


def _is_within(fit: Fit, trace: Trace) -> bool:
    """Whether the record holds what the system does: a tail beyond it is a drift."""
    return len(fit.shape.rates) < 2 or fit.shape.slowest_s < trace.times_s[-1]


def _is_scatter(fit: Fit, trace: Trace) -> bool:
    """Whether what is left is no more than the plateaus scatter, and does not hang together: no more can be found."""
    seen = fit.shape.seen(trace.times_s, trace.aperture_s, trace.rise_s)
    moving = fit.residuals[(seen > 0.02) & (seen < 0.98)]
    still = fit.residuals[(seen <= 0.02) | (seen >= 0.98)]
    floor = trace.resolution**2 / 12
    if len(still) < 8 or len(moving) < 3:
        return len(moving) < 3
    is_quiet = bool(np.mean(moving**2) < 2.5 * max(float(np.mean(still**2)), floor))
    return is_quiet and _correlation(fit.residuals, trace) == 0


def _is_needless(fit: Fit, others: Sequence[Fit]) -> bool:
    """Whether one with fewer parameters fits as well: it is the same system, with a parameter that says nothing."""
    count = len(fit.residuals)
    return any(
        other is not fit
        and other.has_drift <= fit.has_drift
        and other.free < fit.free
        and count * math.log(max(np.sum(other.residuals**2), 1e-300) / max(np.sum(fit.residuals**2), 1e-300)) < 1.0
        for other in others
    )


def _built(family: Family, x: FloatArray) -> Shape:
    """A system from its fitted parameters; the first is the dead time where there is one more than names."""
    own = x[-len(family.names) :] if family.names else x[:0]
    dead_s = abs(float(x[0])) if len(x) > len(family.names) else 0.0
    return family.build([math.exp(min(max(each, -30.0), 30.0)) for each in own], dead_s)


class _Problem:
    """Least squares of one candidate; levels and drift are solved for inside."""

    def __init__(self, trace: Trace, family: Family, has_dead: bool, *, has_drift: bool) -> None:  # noqa: FBT001
        self.trace, self.family, self.has_dead, self.has_drift = trace, family, has_dead, has_drift
        self.most_s = float(trace.times_s[-1]) if has_dead else trace.late_s
        self.is_late = self.most_s > 0
        self.aside = (np.maximum(trace.times_s, 0.0),) if has_drift else ()
        # Sums of squares without cancellation: readings about their mean.
        self.mean = float(trace.values.mean())
        self.values = trace.values - self.mean

    def columns(self, x: FloatArray) -> FloatArray:
        """Shape (n, 2 or 3): one, the answer to a unit step, the drift."""
        shape = _built(self.family, x)
        seen = shape.seen(self.trace.times_s, self.trace.aperture_s, self.trace.rise_s)
        if self.is_late and shape.dead_s > self.most_s:  # back into what is allowed
            seen = seen * (1 - 0.1 * (shape.dead_s / self.most_s - 1))
        return np.column_stack([np.ones_like(seen), seen, *self.aside])

    def levels(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The levels that fit best, and the residuals."""
        columns = self.columns(x)
        levels = np.linalg.lstsq(columns, self.values, rcond=1e-12)[0]
        return np.asarray(levels, dtype=np.float64), self.values - columns @ levels

    def size(self, x: FloatArray) -> float:
        """Sum of squares, for a start: without a drift in closed form."""
        if self.has_drift:
            return float(np.sum(self.residuals(x) ** 2))
        seen = self.columns(x)[:, 1]
        seen = seen - seen.mean()
        own = float(seen @ seen)
        whole = float(self.values @ self.values)
        return whole - float(seen @ self.values) ** 2 / own if own > 0 else whole

    def residuals(self, x: FloatArray) -> FloatArray:
        """Shape (n,)."""
        return self.levels(x)[1]

    def starts(self, rise_s: float, starts_s: float) -> list[FloatArray]:
        late: tuple[float, ...] = ()
        if self.is_late:
            whole = {self.most_s * part for part in _LATE} if not self.has_dead else {starts_s * p for p in _LATE}
            late = tuple(sorted(min(max(each, 0.0), 0.99 * self.most_s) for each in whole))
            if self.family.needs_dead:  # it jumps from reading to reading: every place between two is tried
                nearby = self.trace.times_s[self.trace.times_s > 0]
                steps = np.concatenate([[0.0], nearby[nearby < starts_s + rise_s + 3 * self.trace.interval_s][:200]])
                late = tuple(((steps[1:] + steps[:-1]) / 2 - self.trace.aperture_s / 2).clip(0, 0.99 * self.most_s))
        own = [[math.log(each) for each in values] for values in self.family.starts(rise_s)]
        return [np.array(each) for each in product(*([late] if self.is_late else []), *own)]


def _fit(problem: _Problem, rise_s: float, starts_s: float, more: Sequence[FloatArray] = ()) -> Fit:
    begun = [*more, *problem.starts(rise_s, starts_s)]
    sizes = [problem.size(x) for x in begun]
    order = np.argsort(sizes)[:_POLISHED_N]
    best_x = begun[int(order[0])]
    best_size = float(np.sum(problem.residuals(best_x) ** 2))
    for number in order if begun[0].size else ():
        if sizes[int(number)] > 100 * sizes[int(order[0])]:
            continue
        solved = least_squares(
            problem.residuals, begun[int(number)], method="lm", xtol=1e-10, ftol=1e-11, gtol=1e-12, max_nfev=40
        )
        if 2 * solved.cost < best_size:
            best_x, best_size = np.asarray(solved.x), 2 * float(solved.cost)
    if len(best_x) > len(problem.family.names):
        best_x[0] = min(abs(best_x[0]), problem.most_s)
    levels, residuals = problem.levels(best_x)
    free = len(residuals) - len(levels) - len(best_x)
    return Fit(
        family=problem.family,
        has_dead=problem.has_dead,
        has_drift=problem.has_drift,
        shape=_built(problem.family, best_x),
        before=float(levels[0]) + problem.mean,
        step=float(levels[1]),
        drift_per_s=float(levels[2]) if problem.has_drift else 0.0,
        x=best_x,
        residuals=residuals,
        sd=math.sqrt(best_size / max(free, 1)),
        bic=math.inf,
    )


def _bic(fit: Fit, trace: Trace, known_n: float) -> float:
    """Criterion with a scatter that is not known, but not below what the digits leave.

    A plateau shows the same digits again and again, so that few residuals would speak for a scatter that is not there.
    """
    count = len(fit.residuals)
    floor = max((trace.resolution**2) / 12, (1e-9 * abs(fit.step)) ** 2, 1e-300)
    mean_square = float(np.mean(fit.residuals**2))
    variance = max(mean_square, floor)
    likelihood = known_n * (math.log(variance) + mean_square / variance)
    free = len(fit.x) + fit.has_drift
    return likelihood + free * math.log(count) + _RARE_PENALTY * (fit.has_drift + fit.family.is_rare)


def _correlation(residuals: FloatArray, trace: Trace) -> float:
    """Of neighbouring residuals, where it stands out; that of a fit is low by about 4 / n."""
    count = len(residuals)
    together = np.diff(trace.times_s) < 1.5 * trace.interval_s
    size = float(np.mean(residuals**2))
    if size <= (trace.resolution**2) / 12 or together.sum() < 8:  # digits: `_with_uncertainty` has them
        return 0.0
    found = float(np.mean((residuals[1:] * residuals[:-1])[together])) / size + 4 / count
    return min(found, 0.95) if found > max(_LEAST_CORRELATION, 2.5 / math.sqrt(count)) else 0.0


def _with_uncertainty(fit: Fit, trace: Trace) -> Fit:
    """The fit with the covariance of its parameters.

    Neighbouring residuals may hang together (an autoregression of the first order), and readings that stand on one
    digit share its rounding as far as scatter does not hide it: exp(-4 pi^2 (sd / digit)^2) of its variance.
    """
    problem = _Problem(trace, fit.family, fit.has_dead, has_drift=fit.has_drift)
    slopes = []
    for index in range(len(fit.x)):
        away = np.zeros(len(fit.x))
        is_dead = len(fit.x) > len(fit.family.names) and index == 0
        away[index] = 1e-4 * (trace.interval_s if is_dead else 1.0)
        ways = [fit.x + away, fit.x - away]
        if is_dead:  # one of none goes one way only: a system that answers before it is asked is the same as one after
            ways[1] = np.maximum(ways[1], [0.0, *([-np.inf] * (len(fit.x) - 1))])
        high, low = (_built(fit.family, each) for each in ways)
        ends = [each.seen(trace.times_s, trace.aperture_s, trace.rise_s) for each in (high, low)]
        apart = high.dead_s - low.dead_s if is_dead else 2 * float(away[index])
        slopes.append(fit.step * (ends[0] - ends[1]) / apart)
    jacobian = np.column_stack([*slopes, problem.columns(fit.x)])
    sizes = np.sqrt(np.sum(jacobian**2, axis=0))
    sizes = np.maximum(sizes, 1e-12 * sizes.max())  # a parameter that changes nothing, such as a lag of no time
    inverse = np.linalg.pinv(jacobian / sizes, rcond=1e-10) / sizes[:, None]
    variance = max(fit.sd**2, trace.resolution**2 / 12, 1e-300)
    count = len(trace.values)
    if fit.correlation:
        lags = fit.correlation ** np.arange(min(count, 400))
        shared = toeplitz(np.concatenate([lags, np.zeros(count - len(lags))])) if count <= 3000 else None
        covariance = variance * (inverse @ shared @ inverse.T if shared is not None else _inflated(inverse, fit))
    else:
        covariance = variance * inverse @ inverse.T
    seen = fit.shape.seen(trace.times_s, trace.aperture_s, trace.rise_s)
    hidden = math.exp(-4 * math.pi**2 * (_still_sd(seen, trace) / trace.resolution) ** 2) if trace.resolution else 0.0
    for plateau in (seen < 0.01, seen > 0.99):
        moved = inverse @ plateau.astype(np.float64)
        covariance = covariance + hidden * trace.resolution**2 / 12 * np.outer(moved, moved)
    own = len(fit.x)
    return replace(
        fit,
        covariance=_opened(covariance[:own, :own], fit, trace),
        u_before=math.sqrt(covariance[own, own]),
        u_step=math.sqrt(covariance[own + 1, own + 1]),
        u_drift=math.sqrt(covariance[own + 2, own + 2]) if fit.has_drift else 0.0,
    )


def _still_sd(seen: FloatArray, trace: Trace) -> float:
    """Scatter of neighbours at rest: it is nothing where all show the same digits."""
    still = (seen < 0.01) | (seen > 0.99)
    apart = np.diff(trace.values)[still[1:] & still[:-1]]
    return math.sqrt(float(np.mean(apart**2)) / 2) if len(apart) > 2 else 0.0


def _inflated(inverse: FloatArray, fit: Fit) -> FloatArray:
    """For long records: as if there were fewer readings."""
    return inverse @ inverse.T * (1 + fit.correlation) / (1 - fit.correlation)


def _opened(covariance: FloatArray, fit: Fit, trace: Trace) -> FloatArray:
    """A dead time alone is only known between two readings where none of them saw the edge."""
    if fit.family.needs_dead:
        open_s = max(trace.interval_s - trace.aperture_s - trace.rise_s, 0.0)
        known = np.clip(covariance[0, 0], 0.0, trace.interval_s**2)
        return np.array([[known + open_s**2 / 12]])
    return covariance
