"""Propagation of distributions by trials, for results on which the law of propagation of uncertainty misleads.

For one result at a time and independent quantities: it is the check on a budget, not the way through many units.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.contributions import DIVISORS, Contribution, from_standard
from sequencer.evaluation.figures.per_point import FloatArray
from sequencer.evaluation.figures.uncertainty import combine

__all__ = ["MonteCarlo", "propagate"]

# Step of the derivatives, in standard uncertainties: small against the curvature, large against rounding.
_STEP = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class MonteCarlo:
    """A result by trials, and beside it by the first order.

    Attributes:
        estimate: mean of the trials.
        u: their standard deviation.
        shortest: shortest coverage interval, low and high end.
        symmetric: coverage interval with equal probability beyond either end.
        trials_n: trials made.
        tolerance: half a unit of the last digit asked for of `u`; what the first order may be off.
        steady_to: numerical tolerance of the trials, two standard deviations of their figures.
        is_stable: whether that was reached before the limit of trials.
        first_order_estimate: the model at the estimates.
        first_order_u: by the law of propagation of uncertainty.
        first_order: its coverage interval.
        off: by how much the ends of `first_order` lie off those of `symmetric`.
        is_first_order_valid: both within `tolerance`.
        probability: coverage of the intervals.
        definition: whose rules.
    """

    estimate: float
    u: float
    shortest: tuple[float, float]
    symmetric: tuple[float, float]
    trials_n: int
    tolerance: float
    steady_to: float
    is_stable: bool
    first_order_estimate: float
    first_order_u: float
    first_order: tuple[float, float]
    off: tuple[float, float]
    is_first_order_valid: bool
    probability: float
    definition: str = "JCGM 101:2008, adaptive procedure 7.9, comparison clause 8"

    @property
    def comparison(self) -> str:
        """What the trials say of the first-order result, in one sentence."""
        if not self.is_stable:
            return (
                f"After {self.trials_n} trials the interval is {self.symmetric[0]:.4g} to {self.symmetric[1]:.4g}, by "
                f"first order {self.first_order[0]:.4g} to {self.first_order[1]:.4g}; it is not yet steady to "
                f"{self.steady_to:g}, so the first order can not be judged: allow more trials."
            )
        if self.is_first_order_valid:
            return f"The first-order interval agrees with {self.trials_n} trials to {self.tolerance:g}: it may be used."
        return (
            f"The first-order interval {self.first_order[0]:.4g} to {self.first_order[1]:.4g} misleads: by Monte Carlo "
            f"propagation it is {self.symmetric[0]:.4g} to {self.symmetric[1]:.4g}."
        )


def propagate(  # noqa: PLR0913  what JCGM 101 asks of the procedure
    model: Callable[..., FloatArray],
    values: Sequence[float],
    contributions: Sequence[Contribution],
    *,
    seed: int,
    probability: float = 0.95,
    digits_n: int = 2,
    tolerance_part: float = 0.2,
    trials_limit: int = 10_000_000,
    is_convolved: bool = False,
) -> MonteCarlo:
    """Distribution of a result, with as many trials as the digits asked for need.

    Args:
        model: takes one array for each quantity, in order, and gives the array of results.
        values: estimates of the quantities.
        contributions: their uncertainties, one value each; sensitivities are taken from the model, not from here. A
            quantity of distribution "t" is drawn from it with `u` as its scale; one of distribution "normal" from the
            normal, whatever its degrees of freedom.
        seed: same seed, same result.
        probability: coverage.
        digits_n: significant digits of `u` that matter.
        tolerance_part: part of half the last of these digits to which the trials must be steady; a fifth where the
            first order is to be judged, 1 for the trials alone.
        is_convolved: as in `combine`, for the first order.
        trials_limit: trials after which the procedure gives up, see `is_stable`.

    Raises:
        ReadingsError: quantities that do not fit the model, or a model that gives no number.

    Source: JCGM 101:2008, 6.4, 7.9.4, 8.1, 8.2 (from memory).
    """
    _check(values, contributions, probability=probability, digits_n=digits_n)
    random = np.random.default_rng(seed)

    def batch(count: int) -> FloatArray:
        return _results(model, [_draw(random, *each, count) for each in zip(values, contributions, strict=True)])

    trials, is_stable = _steady_trials(batch, probability, digits_n, tolerance_part, trials_limit)
    u = float(trials.std(ddof=1))
    tolerance = _tolerance(u, digits_n)
    symmetric = _symmetric(trials, probability)
    first_estimate, first_u, first = _first_order(model, values, contributions, probability, is_convolved=is_convolved)
    off = (abs(first[0] - symmetric[0]), abs(first[1] - symmetric[1]))
    return MonteCarlo(
        estimate=float(trials.mean()),
        u=u,
        shortest=_shortest(trials, probability),
        symmetric=symmetric,
        trials_n=trials.size,
        tolerance=tolerance,
        steady_to=tolerance_part * tolerance,
        is_stable=is_stable,
        first_order_estimate=first_estimate,
        first_order_u=first_u,
        first_order=first,
        off=off,
        is_first_order_valid=is_stable and max(off) <= tolerance,
        probability=probability,
    )


def _steady_trials(
    batch: Callable[[int], FloatArray], probability: float, digits_n: int, tolerance_part: float, trials_limit: int
) -> tuple[FloatArray, bool]:
    """Batches until their figures are steady, ascending, and whether they became so (JCGM 101 7.9.4)."""
    batch_n = max(10_000, int(np.ceil(100 / (1 - probability))))
    batches: list[FloatArray] = []
    figures: list[tuple[float, float, float, float]] = []
    while True:
        trials = batch(batch_n)
        batches.append(trials)
        figures.append((float(trials.mean()), float(trials.std(ddof=1)), *_symmetric(np.sort(trials), probability)))
        if len(batches) == 1:
            continue
        # Of many batches the spread of the whole is that of the batches, but for the differences of their means.
        tolerance = _tolerance(float(np.sqrt(np.mean([u**2 for _, u, _, _ in figures]))), digits_n)
        sd_of_mean = np.std(figures, axis=0, ddof=1) / np.sqrt(len(figures))
        is_stable = bool((2 * sd_of_mean <= tolerance_part * tolerance).all())
        if is_stable or (len(batches) + 1) * batch_n > trials_limit:
            return np.sort(np.concatenate(batches)), is_stable


def _check(
    values: Sequence[float], contributions: Sequence[Contribution], *, probability: float, digits_n: int
) -> None:
    if not 0 < probability < 1 or digits_n < 1:
        raise ReadingsError(
            f"a probability of {probability:g} to {digits_n} digits",
            where="Monte Carlo",
            allowed="between 0 and 1, and one digit or more",
            todo="give 0.95 and 2",
        )
    if len(values) != len(contributions) or not values:
        raise ReadingsError(
            f"{len(values)} values and {len(contributions)} uncertainties",
            where="Monte Carlo",
            todo="give each quantity its value and its uncertainty",
        )
    for value, one in zip(values, contributions, strict=True):
        if one.u.size != 1 or not np.isfinite([value, one.u.item()]).all():
            raise ReadingsError(
                "value or uncertainty is missing, or not a single one",
                where=one.name,
                todo="give one value and one uncertainty; many units go through `combine`",
            )


def _draw(random: np.random.Generator, value: float, one: Contribution, count: int) -> FloatArray:
    u = one.u.item()
    match one.distribution:
        case "rectangular":
            away = random.uniform(-1.0, 1.0, count)
        case "triangular":
            away = random.triangular(-1.0, 0.0, 1.0, count)
        case "arcsine":
            away = np.sin(random.uniform(-np.pi, np.pi, count))
        case "t" if np.isfinite(one.dof.item()):
            away = random.standard_t(one.dof.item(), count)
        case _:
            away = random.standard_normal(count)
    return np.asarray(value + u * DIVISORS.get(one.distribution, 1.0) * away)


def _results(model: Callable[..., FloatArray], draws: list[FloatArray]) -> FloatArray:
    results = np.asarray(model(*draws), dtype=np.float64)
    if results.shape != draws[0].shape or not np.isfinite(results).all():
        raise ReadingsError(
            "the model does not give one number for each trial",
            where="Monte Carlo",
            todo="look where the model has no value within the limits of its quantities",
        )
    return results


def _symmetric(ascending: FloatArray, probability: float) -> tuple[float, float]:
    """JCGM 101 7.7.2."""
    inside = int(probability * ascending.size + 0.5)
    low = (ascending.size - inside) // 2
    return float(ascending[low]), float(ascending[low + inside - 1])


def _shortest(ascending: FloatArray, probability: float) -> tuple[float, float]:
    """JCGM 101 7.7.4 and 5.3.4: of all intervals that hold enough trials, the narrowest."""
    inside = int(probability * ascending.size + 0.5)
    low = int(np.argmin(ascending[inside - 1 :] - ascending[: ascending.size - inside + 1]))
    return float(ascending[low]), float(ascending[low + inside - 1])


def _tolerance(u: float, digits_n: int) -> float:
    """Half a unit of the last of so many significant digits of u (JCGM 101 7.9.2)."""
    if u == 0:
        return 0.0
    # Rounding may carry into the next decade: 9.96 to two digits is 10.
    exponent = int(f"{u:.{digits_n - 1}e}".split("e")[1])
    return float(0.5 * 10.0 ** (exponent - digits_n + 1))


def _first_order(
    model: Callable[..., FloatArray],
    values: Sequence[float],
    contributions: Sequence[Contribution],
    probability: float,
    *,
    is_convolved: bool,
) -> tuple[float, float, tuple[float, float]]:
    """Estimate, combined standard uncertainty and coverage interval by the law of propagation of uncertainty."""
    estimate = float(_results(model, [np.array([value]) for value in values])[0])
    budget = []
    for place, one in enumerate(contributions):
        step = _STEP * one.u.item()
        around = [np.full(2, float(value)) for value in values]
        around[place] += [-step, step]
        # What the floats really are apart: the step itself is lost in rounding beside a large value.
        apart = around[place][1] - around[place][0]
        below, above = _results(model, around)
        sensitivity = (above - below) / apart if apart > 0 else 0.0
        distribution = one.distribution if is_convolved else "normal"
        budget.append(from_standard(one.name, one.u, sensitivity=sensitivity, dof=one.dof, distribution=distribution))
    combined = combine(budget, probability=probability, is_convolved=is_convolved)
    u, U = float(combined.u), float(combined.U)
    return estimate, u, (estimate - U, estimate + U)
