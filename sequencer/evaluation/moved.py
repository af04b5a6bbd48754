"""Did the output move? The noise at rest, what digits hide, and the change of each trial with its interval.

Every trial is set beside where its travel began, read before it and, once that is known, after it again: what drifts
evenly goes out. Nothing here chooses a trial; `threshold` does.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from scipy import special

__all__ = ["Change", "Noise", "Visit", "changes", "noise_of", "quantile"]

_WANDER_DOF = 5  # few references count as so many: with fewer no trial would ever decide (tried: bench_dead_band.py)
_BY_CHANCE = 0.05  # references that differ by no more than this say of noise do not wander
_TOLD_BY_CHANCE = 5e-4  # that it is said of a place where noise alone was
_ROUNDING = 1e-9  # of the computer's own numbers
_TWO_LEVELS = 0.25  # variance of readings that flicker between two digits at most, in squares of a digit


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One visit of a search, levels in % of the input span (the output divided by its slope, along the travel).

    Attributes:
        approach: how often the input came from the defined side before, from 1.
        travel: from where it began as it was set, >= 0; 0 = where it began.
        output: mean of the readings, along the travel: one that follows moves by as much as the input.
        sd: standard deviation of the readings; 0 for a single one.
        readings_n: how many.
        at_s: when, in the time of the run.
        went: the travel as it was measured.
        u_went: standard uncertainty of that.
    """

    approach: int
    travel: float
    output: float
    sd: float
    readings_n: int
    at_s: float
    went: float
    u_went: float = 0.0

    @property
    def is_reference(self) -> bool:
        """Whether it is where the travel begins."""
        return self.travel == 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """What is not a change, in % of the input span.

    Attributes:
        sd: of single readings, about their mean.
        dof: degrees of freedom of it; 0 = nothing is known yet.
        between: standard deviation of a visit come to again, beyond the scatter of its readings.
        drift: of the output in a second, as it shows from reference to reference.
        u_drift: standard uncertainty of it, from one stretch of time to the next.
        wander_dof: degrees of freedom of `between` and `u_drift` where they stand out of the noise; infinite where not.
        bias: the most that rounding to digits shifts a difference of two means.
        is_wandering: places come to again differ by more than noise and digits explain, which is told; that they may
            wander is allowed for sooner.
    """

    sd: float
    dof: float
    between: float
    drift: float
    u_drift: float
    wander_dof: float
    bias: float
    is_wandering: bool = False

    def half(self, inverse_n: float, wandered: float, alpha: float) -> float:
        """Half the interval of a change.

        Args:
            inverse_n: sum of the squared weights of the readings in it.
            wandered: variance of what wandered meanwhile, squares of % of the input span.
            alpha: probability that an end is wrong.
        """
        own = self.sd**2 * inverse_n
        # Welch and Satterthwaite: a wandering known from few references counts with what few can tell.
        parts = own**2 / max(self.dof, 1.0) + wandered**2 / self.wander_dof
        dof = (own + wandered) ** 2 / parts if parts > 0 else max(self.dof, 1.0)
        return quantile(alpha, dof) * math.sqrt(own + wandered) + self.bias

    def half_of(self, first_n: float, then_n: float, alpha: float) -> float:
        """Half the interval of a change between two visits of so many readings, soon after each other."""
        return self.half(1 / first_n + 1 / then_n, 2 * self.between**2, alpha)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What the output did in a trial, % of the input span; `low` and `high` each hold but for `alpha`."""

    approach: int
    travel: float
    went: float
    u_went: float
    low: float
    middle: float
    high: float
    readings_n: int

    @property
    def is_moved(self) -> bool:
        """Whether it moved for sure."""
        return self.low > 0


def quantile(alpha: float, dof: float) -> float:
    """Student's t that is exceeded with the probability `alpha`."""
    return float(-special.stdtrit(max(dof, 1.0), alpha))


def noise_of(visits: Sequence[Visit], digit: float) -> Noise:
    """What is not a change, from the readings at rest and from the places come to again.

    Args:
        visits: of one place, in order.
        digit: step of the readings; 0 = none is known.
    """
    dof = float(sum(each.readings_n - 1 for each in visits))
    variance = sum((each.readings_n - 1) * each.sd**2 for each in visits) / max(dof, 1.0)
    # Readings that flicker between two digits tell nothing of the noise; what is more than that does.
    dithered = max(variance - _TWO_LEVELS * digit**2, 0.0)
    # Sum over the harmonics of a rounded mean under normal noise; the first one stands for all where there is any.
    hidden = digit / 2
    if digit > 0 and dithered > 0:
        hidden = min(hidden, digit / math.pi * math.exp(-2 * math.pi**2 * dithered / digit**2))
    tried = {each.approach for each in visits if not each.is_reference}
    # A first one that nothing was tried from lies too far back to tell of the drift since.
    seen = [each for each in visits if each.is_reference and (each.approach in tried or each.approach != 1)]
    drift, u_drift, dof_drift, drifts = _drift(seen, variance, digit)
    between, dof_between, wanders = _between(seen, variance, digit)
    return Noise(
        sd=math.sqrt(variance),
        dof=dof,
        between=between,
        drift=drift,
        u_drift=u_drift,
        wander_dof=min(dof_drift, dof_between),
        bias=2 * hidden + _ROUNDING,
        is_wandering=drifts or wanders,
    )


def _excess(squares: Sequence[float], own: Sequence[float], digits: Sequence[float]) -> tuple[float, float, bool]:
    """What squares have on average beyond their own variances, and its degrees of freedom, where it stands out.

    Args:
        squares: one a reference.
        own: variance of each, by the scatter of the readings.
        digits: what rounding may add to each.

    Returns:
        The excess, its degrees of freedom, and whether it is to be told.
    """
    n = len(squares)
    if not n:
        return 0.0, math.inf, False
    more = max(sum(one - noise for one, noise in zip(squares, own, strict=True)) / n, 0.0)
    told = sum(one / max(noise, _ROUNDING**2) for one, noise in zip(squares, own, strict=True))
    sure = sum(one / max(noise + digit, _ROUNDING**2) for one, noise, digit in zip(squares, own, digits, strict=True))
    dof = float(max(n, _WANDER_DOF)) if told > float(special.chdtri(n, _BY_CHANCE)) else math.inf
    return more, dof, sure > float(special.chdtri(n, _TOLD_BY_CHANCE))


def _between(seen: Sequence[Visit], variance: float, digit: float) -> tuple[float, float, bool]:
    """Scatter of the references about the line through their neighbours, its degrees of freedom, whether it is told."""
    squares, own = [], []
    for before, at, after in zip(seen, seen[1:], seen[2:], strict=False):
        w = _share(before.at_s, at.at_s, after.at_s)
        spread = 1 + (1 - w) ** 2 + w**2
        away = at.output - (1 - w) * before.output - w * after.output
        within = 1 / at.readings_n + (1 - w) ** 2 / before.readings_n + w**2 / after.readings_n
        squares.append(away**2 / spread)
        own.append(variance * within / spread)
    more, dof, is_told = _excess(squares, own, [digit**2 / 12] * len(own))
    return math.sqrt(more), dof, is_told


def _drift(seen: Sequence[Visit], variance: float, digit: float) -> tuple[float, float, float, bool]:
    """Drift in a second between references, its standard uncertainty and degrees of freedom; one says no sign.

    At last whether it is told.
    """
    pairs = [(one, then) for one, then in pairwise(seen) if then.at_s > one.at_s]
    rates = [(then.output - one.output) / (then.at_s - one.at_s) for one, then in pairs]
    own = [variance * (1 / one.readings_n + 1 / then.readings_n) / (then.at_s - one.at_s) ** 2 for one, then in pairs]
    digits = [digit**2 / 6 / (then.at_s - one.at_s) ** 2 for one, then in pairs]
    more, dof, is_told = _excess([rate**2 for rate in rates], own, digits)
    if more <= 0 or len(pairs) < 2:
        return 0.0, math.sqrt(more), dof, is_told
    mean = sum(rates) / len(rates)
    return mean, math.sqrt(sum((rate - mean) ** 2 for rate in rates) / (len(rates) - 1)), dof, is_told


def _share(before_s: float, at_s: float, after_s: float) -> float:
    return min(max((at_s - before_s) / (after_s - before_s), 0.0), 1.0) if after_s > before_s else 0.5


def changes(visits: Sequence[Visit], noise: Noise, alpha: float) -> tuple[Change, ...]:
    """The change of the output in each trial, in order; visits of one trial in a row are one.

    Args:
        visits: of one place, in order, a reference first in each approach.
        noise: of the same.
        alpha: probability that a low or a high end is wrong.
    """
    references = {each.approach: each for each in visits if each.is_reference}
    trials: dict[tuple[int, float], list[Visit]] = {}
    for each in visits:
        if not each.is_reference and each.approach in references:
            trials.setdefault((each.approach, each.travel), []).append(each)
    found = []
    for (approach, travel), parts in trials.items():
        change, half, n = _change(parts, references[approach], references.get(approach + 1), noise, alpha)
        found.append(
            Change(
                approach=approach,
                travel=travel,
                went=sum(each.readings_n * each.went for each in parts) / sum(each.readings_n for each in parts),
                u_went=max(each.u_went for each in parts),
                low=change - half,
                middle=change,
                high=change + half,
                readings_n=n,
            )
        )
    return tuple(found)


def _change(
    parts: Sequence[Visit], before: Visit, after: Visit | None, noise: Noise, alpha: float
) -> tuple[float, float, int]:
    """Change of one trial, half its interval, and its readings; the references before and after it by their times."""
    n = sum(each.readings_n for each in parts)
    output = sum(each.readings_n * each.output for each in parts) / n
    at_s = sum(each.readings_n * each.at_s for each in parts) / n
    if after is None:
        gone_s = max(at_s - before.at_s, 0.0)
        rest, squares, spread = before.output + noise.drift * gone_s, 1 / before.readings_n, 2.0
        drifted = noise.u_drift * gone_s
    else:
        w = _share(before.at_s, at_s, after.at_s)
        rest = (1 - w) * before.output + w * after.output
        # What wanders is held at both ends, and least known halfway.
        drifted = noise.u_drift * max(after.at_s - before.at_s, 0.0) * math.sqrt(w * (1 - w))
        squares = (1 - w) ** 2 / before.readings_n + w**2 / after.readings_n
        spread = 1 + (1 - w) ** 2 + w**2
    return output - rest, noise.half(1 / n + squares, noise.between**2 * spread + drifted**2, alpha), n
