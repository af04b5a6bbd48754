"""Kinds of noise that have no order in time, fitted to one burst of readings: lattice, dropouts, bursts, a sine.

The evidence of each has the mean integrated out by Laplace over a flat prior of density 1; the other parameters are at
their best, and cost half of ln(n - 1) each. It says nothing of causes.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from sequencer.diagnosis.noise.densities import log_lost, log_mixture, log_normal, log_sine, log_thrown
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["Unordered", "bursts", "dropouts", "lattice", "sine"]

_WIDEST_STEP = 0.6  # of the largest reading: a wider gap between two levels is a loss of signal, no lattice
_THROWN = 3  # a burst is at least that many sd of the noise beneath
_WIDEST = 0.6  # noise beneath a sine, in amplitudes: beyond it white noise is as good alone
_NEAR_RAIL = 0.003  # of the largest reading
_MOST_SWEEPS = 40
_NO_GAIN = 0.02  # of a natural logarithm

_Likelihood = Callable[[FloatArray], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unordered:
    """One kind, fitted; sizes in the unit of the readings.

    Attributes:
        log_evidence: natural logarithm, -inf where these readings cannot be of that kind.
        sd: of the white noise beneath.
        size: from level to level of a lattice; amplitude of a sine; mean of what is thrown, negative if downwards.
        share: of the readings on the upper level, thrown or lost, 0..1.
    """

    log_evidence: float
    sd: float = math.nan
    size: float = math.nan
    share: float = math.nan


_NONE = Unordered(log_evidence=-math.inf)


def lattice(y: FloatArray, floor: float, *, spacing: float | None = None) -> Unordered:
    """Two levels a spacing apart, with white noise.

    Args:
        y: shape (n,), any unit.
        floor: smallest noise that is believed, same unit.
        spacing: where it is known; None = found.
    """
    ordered = np.sort(y)
    widest_step = _WIDEST_STEP * float(np.abs(y).max())

    def likelihood(at: FloatArray) -> float:
        step, sd = math.exp(at[3]), math.hypot(math.exp(at[1]), floor)
        if step > widest_step and spacing is None:
            return -math.inf
        away = y - at[0]
        return float(log_mixture(_share(at[2]), log_normal(away, sd), log_normal(away - step, sd)).sum())

    # Cut at the widest gap, and in the middle, since noise as wide as a step leaves no gap.
    fits = []
    for cut in {int(np.argmax(np.diff(ordered))) + 1, len(y) // 2}:
        lower, upper = ordered[:cut], ordered[cut:]
        step = float(upper.mean() - lower.mean())
        if step <= 0:
            continue
        sd = max(math.sqrt((lower.var() * len(lower) + upper.var() * len(upper)) / len(y)), floor)
        start = (float(lower.mean()), math.log(sd), _logit(len(upper) / len(y)), math.log(spacing or step))
        fits.append(_climb(likelihood, start, (sd, 0.2, 0.3, 0.0 if spacing else 0.02)))
    if not fits:
        return _NONE
    best, at = max(fits, key=lambda fit: fit[0])
    return Unordered(
        log_evidence=best - _cost(2 if spacing else 3, y),
        sd=math.hypot(math.exp(at[1]), floor),
        size=math.exp(at[3]),
        share=_share(at[2]),
    )


def dropouts(y: FloatArray, floor: float) -> Unordered:
    """A share of the readings lies at 0 or anywhere in the range, less than half of them."""
    middle, core = _core(y, floor)
    largest = float(np.abs(y).max())
    width = max(largest + float(np.ptp(y)), 10 * floor)
    lost = log_lost(y, 0.0, max(_NEAR_RAIL * largest, floor), width)

    def likelihood(at: FloatArray) -> float:
        usual = log_normal(y - at[0], math.hypot(math.exp(at[1]), floor))
        return float(log_mixture(_share(at[2]) / 2, usual, lost).sum())

    best, at = max(
        (_climb(likelihood, (middle, math.log(core), start), (core, 0.3, 1.0)) for start in (-4.0, -1.0)),
        key=lambda fit: fit[0],
    )
    return Unordered(log_evidence=best - _cost(2, y), sd=math.hypot(math.exp(at[1]), floor), share=_share(at[2]) / 2)


def bursts(y: FloatArray, floor: float) -> Unordered:
    """A share of the readings is thrown to one side of the rest, by a half-normal amount."""
    middle, core = _core(y, floor)
    start = (middle, math.log(core), -1.5, math.log(max(float(y.std()), 3 * core)))

    def parts(at: FloatArray, sign: int) -> tuple[FloatArray, FloatArray]:
        sd, away = math.hypot(math.exp(at[1]), floor), sign * (y - at[0])
        thrown = log_thrown(away, math.exp(at[3]) + _THROWN * sd, sd)
        return thrown, log_mixture(_share(at[2]), log_normal(away, sd), thrown)

    def likelihood(at: FloatArray, sign: int) -> float:
        return float(parts(at, sign)[1].sum())

    (best, at), sign = max(
        ((_climb(partial(likelihood, sign=sign), start, (core, 0.4, 0.8, 0.5)), sign) for sign in (1, -1)),
        key=lambda fit: fit[0][0],
    )
    thrown, both = parts(at, sign)
    is_thrown = np.exp(math.log(_share(at[2])) + thrown - both)  # probability, of each reading
    return Unordered(
        log_evidence=best - _cost(3, y) - math.log(2),  # the side is one more choice of two
        sd=math.hypot(math.exp(at[1]), floor),
        size=float(is_thrown @ (y - at[0])) / max(float(is_thrown.sum()), 1e-300),
        share=float(is_thrown.mean()),
    )


def sine(y: FloatArray, floor: float) -> Unordered:
    """A sine read at random phases, with white noise."""

    def likelihood(at: FloatArray) -> float:
        amplitude = math.exp(at[1])
        sd = math.hypot(math.exp(at[2]) * amplitude, floor)
        return -math.inf if sd > _WIDEST * amplitude else float(log_sine(y - at[0], amplitude, sd).sum())

    half = max(float(np.ptp(y)) / 2, floor)
    fits = [
        _climb(likelihood, (float(y.min() + y.max()) / 2, math.log(amplitude), math.log(0.2)), (half / 20, 0.1, 0.5))
        for amplitude in (max(1.35 * float(y.std()), 2 * floor), 0.9 * half + 2 * floor)
    ]
    best, at = max(fits, key=lambda fit: fit[0])
    if not math.isfinite(best):
        return _NONE
    amplitude = math.exp(at[1])
    return Unordered(log_evidence=best - _cost(2, y), sd=math.hypot(math.exp(at[2]) * amplitude, floor), size=amplitude)


def _core(y: FloatArray, floor: float) -> tuple[float, float]:
    """Middle and standard deviation of the shortest half of the readings."""
    ordered = np.sort(y)
    half = (len(y) + 2) // 2
    lengths = ordered[half - 1 :] - ordered[: len(y) - half + 1]
    at = int(np.argmin(lengths))
    return float(ordered[at : at + half].mean()), max(float(lengths[at]) / 1.349, floor)


def _cost(parameters_n: int, y: FloatArray) -> float:
    return parameters_n / 2 * math.log(len(y) - 1)


def _share(logit: float) -> float:
    return 1 / (1 + math.exp(-min(max(logit, -12.0), 12.0)))


def _logit(share: float) -> float:
    return math.log(share / (1 - share))


def _climb(likelihood: _Likelihood, start: tuple[float, ...], step: tuple[float, ...]) -> tuple[float, FloatArray]:
    """Largest value near a start and where it lies, the first parameter integrated out by Laplace.

    One parameter after the other, each with a step that adapts; a step of 0 holds it.
    """
    at, width = np.array(start), np.array(step)
    best = likelihood(at)
    for _ in range(_MOST_SWEEPS):
        before = best
        for index in np.flatnonzero(width):
            for _ in range(2):
                trial = at.copy()
                trial[index] += width[index]
                value = likelihood(trial)
                if value > best:
                    best, at = value, trial
                    width[index] *= 1.7
                    break
                width[index] = -width[index]
            else:
                width[index] *= 0.35
        if best - before < _NO_GAIN and (np.abs(width) <= np.abs(step) / 6).all():
            break
    if not math.isfinite(best):
        return -math.inf, at
    first = np.eye(len(at))[0]

    def fallen(away: float) -> float:
        return best - (likelihood(at + away * first) + likelihood(at - away * first)) / 2

    # Where the likelihood has fallen by less than one, its curvature is told best.
    away = abs(step[0])
    while fallen(away) > 1:
        away /= 2
    return best + math.log(away * math.sqrt(math.pi / max(fallen(away), 1e-3))), at
