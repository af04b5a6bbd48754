"""Slope of readings in time, and what it is worth where their noise hangs together: white, 1/f and random walk.

The standard error of an ordinary straight line supposes that each reading errs for itself; with 1/f noise or a random
walk it is many times too small, and more readings make it worse. Here the noise is a mixture of the three, its shares
are found from the readings, and the slope is that of generalised least squares with them.
Nothing is judged, and no time but that of the readings is known.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["LEAST_N", "Drift", "drift", "straight_line"]

LEAST_N = 8
"""Readings below which nothing is said of the noise, and so nothing of the slope."""

_MOST_BLOCKS = 60
_SHARES_N = 7  # sizes of each kind that are tried, beside none of it
# A larger uncertainty is preferred among shares that fit alike, by this power: noise that the readings hardly show
# may carry the slope all the same. With 0 it held 81 % of the slopes where a random walk hides in white noise.
_CAUTION = 0.5
_DRAWN_N = 400  # sets of noise that the coverage factor is made of
_SEED = 1
_NOTHING = 1e-24  # of the squares: rounding of the arithmetic


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A slope, and which noise stands behind its uncertainty.

    Attributes:
        per_s: slope, unit of the readings in a second.
        U_per_s: half of the interval that holds it with `probability`.
        probability: of that interval.
        u_ols_per_s: standard error of an ordinary line, for comparison.
        white: part of the variance of the slope that comes from noise in which each reading errs for itself.
        flicker: part that comes from 1/f noise.
        walk: part that comes from a random walk; the three add up to 1.
        readings_n: how many.
        lasts_s: from the first to the last.
    """

    per_s: float
    U_per_s: float
    probability: float
    u_ols_per_s: float
    white: float
    flicker: float
    walk: float
    readings_n: int
    lasts_s: float

    @property
    def is_distinct(self) -> bool:
        """Whether the slope stands out of what the noise alone would show."""
        return abs(self.per_s) > self.U_per_s


def drift(values: FloatArray, times_s: FloatArray, *, probability: float = 0.95, step: float = 0.0) -> Drift:
    """Slope in time with the uncertainty that its noise leaves.

    Args:
        values: shape (n,), any unit, no NaN.
        times_s: shape (n,), rising; gaps are allowed.
        probability: of the interval.
        step: one step of the last digit, same unit; what rounding may hide of a change is in the interval.

    Raises:
        ReadingsError: fewer than `LEAST_N` readings, or all at one time.

    Many readings are averaged to neighbouring means first. The covariance of their noise is that of means over an
    interval of white noise, of a spectrum 1/f and of one 1/f^2 (generalised covariances -ln|t| and -|t|, to which a
    constant is nothing). Of a grid of shares the most likely (restricted likelihood, with `_CAUTION`) gives slope and
    standard error by generalised least squares; the coverage factor is that of noise drawn with these shares and
    treated alike, so that it heeds that they were chosen. Own method, no source; coverage by simulation in the tests.
    """
    n = len(values)
    if n < LEAST_N or times_s[-1] <= times_s[0]:
        raise ReadingsError(f"{n} readings say nothing of a drift", allowed=f"{LEAST_N} or more, one after the other")
    y, t, width = _blocks(values, times_s)
    lasts_s = float(times_s[-1] - times_s[0])
    hidden = _hidden(y, t, step) / lasts_s
    found, factor, shares = _Mixtures(t, width).best(y, probability)
    return Drift(
        per_s=found[0],
        U_per_s=math.hypot(factor * found[1], hidden),
        probability=probability,
        u_ols_per_s=straight_line(values, times_s)[1],
        white=shares[0],
        flicker=shares[1],
        walk=shares[2],
        readings_n=n,
        lasts_s=lasts_s,
    )


def straight_line(values: FloatArray, times_s: FloatArray) -> tuple[float, float]:
    """Slope by ordinary least squares, in a second, and its standard error if each reading errs for itself."""
    t = times_s - times_s.mean()
    squares = float(t @ t)
    slope = float(t @ (values - values.mean())) / squares
    rest = values - values.mean() - slope * t
    return slope, math.sqrt(float(rest @ rest) / (len(values) - 2) / squares)


def _hidden(y: FloatArray, t: FloatArray, step: float) -> float:
    """Change over the whole time that rounding hides: a step where nothing else moves the last digit."""
    if step <= 0:
        return 0.0
    slope, _ = straight_line(y, t)
    rest = float(np.std(y - y.mean() - slope * (t - t.mean())))
    # Rounding that comes again falls so with the scatter beneath it (as in `scatter`).
    return step * math.exp(-2 * (math.pi * rest / step) ** 2)


def _blocks(values: FloatArray, times_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means of neighbouring readings, at their mean times, and the time that each stands for."""
    n = len(values)
    each_n = math.ceil(n / _MOST_BLOCKS)
    usual_s = float(np.median(np.diff(times_s)))
    starts = np.arange(0, n - each_n + 1, each_n) + n % each_n  # the first readings are left over, not the last
    places = starts[:, None] + np.arange(each_n)
    t = times_s[places].mean(axis=1)
    return values[places].mean(axis=1), t - t.mean(), np.full(len(t), each_n * usual_s)


class _Mixtures:
    """The line under each mixture of noise on a grid of shares.

    Args:
        t: shape (n,), times of the means.
        width: shape (n,), the time that each stands for.
    """

    def __init__(self, t: FloatArray, width: FloatArray) -> None:
        n = len(t)
        self._without_mean = _contrasts(n)
        self._dof = n - 2
        covers = [self._without_mean @ kind @ self._without_mean.T for kind in _kinds(t, width)]
        x = self._without_mean @ t
        self._parts = [
            (covers[0], flicker * covers[1], walk * covers[2])
            for flicker in [0.0, *np.geomspace(0.3 / n, 30.0, _SHARES_N).tolist()]
            for walk in [0.0, *np.geomspace(3.0 / n**2, 30.0, _SHARES_N).tolist()]
        ]
        self._factors = [np.linalg.cholesky(white + flicker + walk) for white, flicker, walk in self._parts]
        self._x = [linalg.solve_triangular(factor, x, lower=True) for factor in self._factors]

    def best(self, y: FloatArray, probability: float) -> tuple[tuple[float, float], float, tuple[float, ...]]:
        """Slope and standard error, coverage factor, and parts of the variance: white, 1/f, random walk.

        Where the readings are on a straight line to the last digit, the standard error is nothing.
        """
        z = self._without_mean @ y
        if float(z @ z) <= _NOTHING * float(y @ y):
            return (0.0, 0.0), 0.0, (1.0, 0.0, 0.0)
        (chosen,), (slope,), (se,) = self._fitted(z[:, None])
        drawn = np.random.default_rng(_SEED).normal(size=(len(z), _DRAWN_N))
        _, slopes, ses = self._fitted(self._factors[chosen] @ drawn)
        factor = float(np.quantile(np.abs(slopes) / ses, probability))
        by = linalg.solve_triangular(self._factors[chosen], self._x[chosen], lower=True, trans="T")
        parts = np.array([float(by @ part @ by) for part in self._parts[chosen]])
        return (float(slope), float(se)), factor, tuple((parts / parts.sum()).tolist())

    def _fitted(self, z: FloatArray) -> tuple[IntArray, FloatArray, FloatArray]:
        """Of each column of readings: place of the best mixture, slope, standard error."""
        slopes, ses, likely = np.empty((3, len(self._parts), z.shape[1]))
        for place, (factor, x) in enumerate(zip(self._factors, self._x, strict=True)):
            white = linalg.solve_triangular(factor, z, lower=True)
            information = float(x @ x)
            slopes[place] = x @ white / information
            rest = np.maximum(((white - np.outer(x, slopes[place])) ** 2).sum(axis=0), 1e-300)
            ses[place] = np.sqrt(rest / self._dof / information)
            likely[place] = (
                _CAUTION * np.log(ses[place])
                - np.log(np.diag(factor)).sum()
                - 0.5 * math.log(information)
                - 0.5 * self._dof * np.log(rest)
            )
        best = likely.argmax(axis=0)
        columns = np.arange(z.shape[1])
        return best, slopes[best, columns], ses[best, columns]


def _contrasts(n: int) -> FloatArray:
    """Shape (n - 1, n): orthonormal rows to each of which a constant is nothing (Helmert)."""
    k = np.arange(1, n)[:, None]
    place = np.arange(n)
    rows = np.where(place < k, 1.0, np.where(place == k, -k, 0.0))
    return np.asarray(rows / np.sqrt(k * (k + 1.0)))


def _kinds(t: FloatArray, width: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Generalised covariances of means over intervals, with the width of one as unit of time: white, 1/f, 1/f^2."""
    unit = float(width[0])
    start, end = (t - width / 2) / unit, (t + width / 2) / unit

    def averaged(twice: Callable[[FloatArray], FloatArray]) -> FloatArray:
        """Mean of a function of the distance over two intervals, from its second integral."""
        return np.asarray(
            twice(end[:, None] - start)
            - twice(end[:, None] - end)
            - twice(start[:, None] - start)
            + twice(start[:, None] - end)
        )

    return np.eye(len(t)), -averaged(_twice_log), -averaged(_twice_distance)


def _twice_log(away: FloatArray) -> FloatArray:
    """Second integral of ln|t|."""
    square = away**2 / 2
    return np.asarray(square * (np.log(np.maximum(np.abs(away), 1e-300)) - 1.5))


def _twice_distance(away: FloatArray) -> FloatArray:
    """Second integral of |t|."""
    return np.asarray(np.abs(away) ** 3 / 6)
