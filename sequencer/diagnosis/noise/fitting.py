"""Fitting a density to one burst: evidence by Laplace, cost of parameters, a climb that needs no derivative."""

import math
from collections.abc import Callable

import numpy as np
from scipy import stats

from instruments.texts import sized
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = [
    "LOG_2PI",
    "cells",
    "climb",
    "core",
    "cost",
    "cost_of_place",
    "cost_of_size",
    "cost_of_step",
    "expanded_of_mean",
    "gaussian",
    "gaussian_of",
    "log_beneath",
    "logit",
    "share_of",
    "show",
]

LOG_2PI = math.log(2 * math.pi)

_Likelihood = Callable[[FloatArray], float]

_MOST_SWEEPS = 40  # of all parameters; the kinds here need 10 to 25
_NO_GAIN = 0.02  # of a natural logarithm: far below what tells two kinds apart (1 or more)
_LONGER, _SHORTER = 1.7, 0.35  # a step that gained, and one that failed both ways; any such pair ends at the same place
_FINE = 1 / 6  # of the first step: it is over where all steps are that short
_FLATTEST = 1e-3  # fall of the logarithm below which its curvature is rounding
_LARGEST_LOGIT = 12.0  # shares of 6e-6 and less are none
_CELLED_N = 2000  # readings, from which on they are looked at in cells
_CELLS_IN_A_TENTH = 12  # the densest tenth of a normal distribution is a quarter of its standard deviation wide
_USUAL_STEP = 0.05  # of the largest reading
_NORMAL_HALF = 1.349  # width of the middle half of a normal distribution, in sd


def climb(likelihood: _Likelihood, start: tuple[float, ...], step: tuple[float, ...]) -> tuple[float, FloatArray]:
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
                    width[index] *= _LONGER
                    break
                width[index] = -width[index]
            else:
                width[index] *= _SHORTER
        if best - before < _NO_GAIN and (np.abs(width) <= np.abs(step) * _FINE).all():
            break
    if not math.isfinite(best):
        return -math.inf, at
    return best + _log_width(likelihood, at, best, abs(step[0])), at


def _log_width(likelihood: _Likelihood, at: FloatArray, best: float, away: float) -> float:
    """Log of the integral over the first parameter, over its peak."""
    first = np.eye(len(at))[0]

    def fallen(away: float) -> float:
        return best - (likelihood(at + away * first) + likelihood(at - away * first)) / 2

    # Where the likelihood has fallen by less than one, its curvature is told best.
    while fallen(away) > 1:
        away /= 2
    return math.log(away * math.sqrt(math.pi / max(fallen(away), _FLATTEST)))


def core(y: FloatArray, floor: float) -> tuple[float, float]:
    """Middle and standard deviation of the shortest half of the readings."""
    ordered = np.sort(y)
    half = (len(y) + 2) // 2
    lengths = ordered[half - 1 :] - ordered[: len(y) - half + 1]
    at = int(np.argmin(lengths))
    return float(ordered[at : at + half].mean()), max(float(lengths[at]) / _NORMAL_HALF, floor)


def gaussian(rest: FloatArray, floor: float) -> float:
    """Log density of white residuals, the mean integrated out, their variance at its best."""
    squares, n = float(rest @ rest), len(rest)
    return gaussian_of(squares, n, max(math.sqrt(squares / (n - 1)), floor))


def gaussian_of(squares: float, n: int, sd: float) -> float:
    """Log density of n readings with this sum of squares about their mean, the mean integrated out."""
    return -((n - 1) * (LOG_2PI + 2 * math.log(sd)) + squares / sd**2 + math.log(n)) / 2


def cells(y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Readings in cells: mean and number of each, for a density that knows no order; each reading, where they are few.

    Cells are a fiftieth of the standard deviation of what lies densest. So a sum of log densities over 10 000 readings
    is off by two tenths: 1 / (24 x 50^2) of each.
    """
    if len(y) < _CELLED_N:
        return y, np.ones_like(y)
    ordered = np.sort(y)
    dense_n = len(y) // 10
    width = float((ordered[dense_n:] - ordered[:-dense_n]).min()) / _CELLS_IN_A_TENTH
    if not width > 0:  # many are alike to the digit
        levels, alike_n = np.unique(y, return_counts=True)
        return levels, alike_n.astype(np.float64)
    places = np.floor((ordered - ordered[0]) / width)
    starts = np.flatnonzero(np.diff(places, prepend=-1.0))
    counts: FloatArray = np.diff(starts, append=len(y)).astype(np.float64)
    return np.add.reduceat(ordered, starts) / counts, counts


def cost(parameters_n: int, readings_n: int) -> float:
    """What parameters at their best cost beside the mean (BIC)."""
    return parameters_n / 2 * math.log(readings_n - 1)


def cost_of_place(width: float, known_to: float) -> float:
    """What it costs that a place may be anywhere within a width, and is known to a standard error (Laplace)."""
    return max(math.log(max(width, known_to) / known_to) - LOG_2PI / 2, 0.0)


def cost_of_size(size: float, known_to: float, least: float, most: float) -> float:
    """What it costs that a size may be of any order from least to most, each alike (Laplace).

    Unlike BIC's cost it grows with the size: one of 30 standard deviations, told by two readings, might have been any.
    """
    orders = max(math.log(max(most, size) / least), 1.0)
    return cost_of_place(size * orders, min(known_to, size))


def cost_of_step(step: float, sd: float, share: float, largest: float, readings_n: int) -> float:
    """What the distance of two levels costs; `largest` is the largest reading, in which steps of 5 % and more are rare.

    A count of fewer than 20 in a gate, or a resistance that changes a signal by so much, is seldom (no source).
    """
    known_to = sd / math.sqrt(max(readings_n * share * (1 - share), 1.0))
    return cost_of_size(step, known_to, sd, largest) + 2 * math.log1p((step / (_USUAL_STEP * largest)) ** 2)


def log_beneath(tried_n: int) -> FloatArray:
    """Log probability of no white noise beside another kind, which is as likely as some, and of each size tried."""
    return np.asarray(np.log(np.array((0.5, *[0.5 / (tried_n - 1)] * (tried_n - 1)))))


def share_of(logit: float) -> float:
    """A share, 0..1, from its logit."""
    return 1 / (1 + math.exp(-min(max(logit, -_LARGEST_LOGIT), _LARGEST_LOGIT)))


def expanded_of_mean(sd: float, readings_n: int) -> float:
    """Half width of the 95 % interval of the mean of readings that are each by themselves (Student t)."""
    return float(stats.t.ppf(0.975, max(readings_n - 1, 1))) * sd / math.sqrt(readings_n)


def logit(share: float) -> float:
    """The logit of a share."""
    return math.log(share / (1 - share))


def show(size: float, unit: str, digits: int = 3) -> str:
    """A size with its unit."""
    return f"{sized(size, digits)} {unit}".strip()
