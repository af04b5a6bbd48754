"""Statistical tolerance intervals: what holds a share of all units of a type with a confidence, from those measured.

Normal, with exact factors, and distribution-free, from the ordered values. It is no interval of the mean, and none of
a single further unit; the n here are units, never repeated readings of one.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy import optimize, special

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError

__all__ = [
    "LEAST_N",
    "ToleranceInterval",
    "attained_confidence",
    "distribution_free",
    "least_n",
    "normal",
    "one_sided_factor",
    "tolerance_interval",
    "two_sided_factor",
]

Sides = Literal["two", "upper"]

LEAST_N = 3  # values below which a tolerance interval says nothing that a person would use
_MANY_N = 500  # from here on the distribution-free interval costs next to nothing, and supposes nothing
_NORMAL_LEVEL = 0.05  # of the test for a normal distribution
_LEAST_TESTED_N = 8  # the test has hardly any power below
_NODES_N = 200
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(_NODES_N)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceInterval:
    """An interval that holds a share of the population.

    Attributes:
        low: its lower end; -infinity where only the upper limit was asked for.
        high: its upper end.
        coverage: the share.
        confidence: that was asked for.
        attained: that it has; below `confidence` where there were too few values for it.
        kind: how it was made.
        n: values it was made of.
        factor: k of the normal one, NaN of the other.
        said: why this kind was taken, in a sentence.
    """

    low: float
    high: float
    coverage: float
    confidence: float
    attained: float
    kind: Literal["normal", "distribution-free"]
    n: int
    factor: float
    said: str = ""

    @property
    def is_sure(self) -> bool:
        """It has the confidence that was asked for."""
        return self.attained >= self.confidence


def tolerance_interval(
    values: FloatArray, *, coverage: float = 0.95, confidence: float = 0.95, sides: Sides = "two"
) -> ToleranceInterval:
    """The interval of the kind that the values allow, with the reason of the choice.

    Args:
        values: one a unit, no NaN; shape (n,).
        coverage: share of all units.
        confidence: that so many at least lie inside.
        sides: both limits, or the upper one alone, of what is never negative.

    Raises:
        ReadingsError: fewer than `LEAST_N` values.
    """
    n = len(values)
    if n < LEAST_N:
        raise ReadingsError(
            f"{n} units are too few for a tolerance interval", allowed=f"{LEAST_N} or more", todo="measure more units"
        )
    is_normal, why = _is_normal(values)
    if is_normal:
        found = normal(values, coverage=coverage, confidence=confidence, sides=sides)
    else:
        found = distribution_free(values, coverage=coverage, confidence=confidence, sides=sides)
        if found.attained < confidence:
            needed = least_n(coverage=coverage, confidence=confidence, sides=sides)
            why += f"; {n} units give {100 * found.attained:.3g} % confidence, {needed} would give what is asked for"
    return _with_reason(found, why)


def _with_reason(found: ToleranceInterval, why: str) -> ToleranceInterval:
    fields = {name: getattr(found, name) for name in found.__slots__}
    return ToleranceInterval(**fields | {"said": why})


def _is_normal(values: FloatArray) -> tuple[bool, str]:
    n = len(values)
    if n >= _MANY_N:
        return False, f"distribution-free: with {n} units it supposes nothing and costs next to nothing"
    if n < _LEAST_TESTED_N:
        return True, f"normal: {n} units are too few to test that, so it is supposed"
    if not np.ptp(values) > 0:
        return True, "normal: all values are alike"
    from scipy import stats  # noqa: PLC0415  a second to load

    p = float(stats.shapiro(values).pvalue)
    if p < _NORMAL_LEVEL:
        return False, f"distribution-free: not normal by Shapiro and Wilk (p {p:.2g})"
    return True, f"normal: Shapiro and Wilk do not speak against it (p {p:.2g})"


def normal(
    values: FloatArray, *, coverage: float = 0.95, confidence: float = 0.95, sides: Sides = "two"
) -> ToleranceInterval:
    """Mean and standard deviation with the exact factor, both estimated from the values."""
    n = len(values)
    factor = (two_sided_factor if sides == "two" else one_sided_factor)(n, coverage=coverage, confidence=confidence)
    mean, sd = float(np.mean(values)), float(np.std(values, ddof=1))
    return ToleranceInterval(
        low=mean - factor * sd if sides == "two" else -math.inf,
        high=mean + factor * sd,
        coverage=coverage,
        confidence=confidence,
        attained=confidence,
        kind="normal",
        n=n,
        factor=factor,
    )


def distribution_free(
    values: FloatArray, *, coverage: float = 0.95, confidence: float = 0.95, sides: Sides = "two"
) -> ToleranceInterval:
    """From the ordered values: as many of the outermost left out as the confidence allows, alike at both ends.

    Source: Wilks 1941; ISO 16269-6:2014, distribution-free intervals (from memory).
    """
    n, ordered = len(values), np.sort(values)
    step = 2 if sides == "two" else 1
    out = np.arange(step, max(n // 2, step) + 1, step)
    is_enough = attained_confidence(n, out, coverage=coverage) >= confidence
    dropped = int(out[is_enough][-1]) if is_enough.any() else step
    place = dropped // step - 1
    return ToleranceInterval(
        low=float(ordered[place]) if sides == "two" else -math.inf,
        high=float(ordered[n - 1 - place]),
        coverage=coverage,
        confidence=confidence,
        attained=float(attained_confidence(n, dropped, coverage=coverage)),
        kind="distribution-free",
        n=n,
        factor=math.nan,
    )


def attained_confidence(n: int, dropped: "int | FloatArray | np.ndarray", *, coverage: float) -> FloatArray:
    """Confidence of the interval between ordered values, `dropped` of the n + 1 gaps outside it (range: 2)."""
    return np.asarray(special.bdtrc(np.asarray(dropped) - 1, n, 1 - coverage))


def least_n(*, coverage: float, confidence: float, sides: Sides = "two") -> int:
    """Values whose range, or largest, has the coverage with the confidence."""
    gaps = 2 if sides == "two" else 1
    n = gaps
    while float(attained_confidence(n, gaps, coverage=coverage)) < confidence:
        n += 1
    return n


@lru_cache(maxsize=256)
def two_sided_factor(n: int, *, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """K such that mean -/+ k s holds the share of a normal population with the confidence; exact, n >= 2.

    Source: ISO 16269-6:2014 (method, from memory): the probability that the interval about a mean that is off by z
    holds the share, integrated over z ~ N(0, 1/n).
    """
    z = 8.5 / math.sqrt(n) * (_NODES + 1) / 2  # even in z, so half of it twice
    weight = 2 * 8.5 / math.sqrt(n) / 2 * _WEIGHTS * math.sqrt(n / (2 * math.pi)) * np.exp(-n * z**2 / 2)
    reach = _reach(z, coverage)

    def lacks(k: float) -> float:
        return float(weight @ special.gammaincc((n - 1) / 2, (n - 1) * reach**2 / (2 * k**2))) - confidence

    start = float(special.ndtri((1 + coverage) / 2))
    high = start
    while lacks(high) < 0:
        high *= 2
    return float(optimize.brentq(lacks, start / 4, high, xtol=1e-13, rtol=1e-14))


def _reach(z: FloatArray, coverage: float) -> FloatArray:
    """R such that a standard normal quantity lies within r of z with the probability `coverage`; Newton from above."""
    r = z + float(special.ndtri((1 + coverage) / 2))
    for _ in range(60):
        excess = special.ndtr(z + r) - special.ndtr(z - r) - coverage
        slope = (np.exp(-((z + r) ** 2) / 2) + np.exp(-((z - r) ** 2) / 2)) / math.sqrt(2 * math.pi)
        r = r - excess / slope
    return np.asarray(r)


@lru_cache(maxsize=256)
def one_sided_factor(n: int, *, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """K such that mean + k s lies above the share of a normal population with the confidence; exact, n >= 2."""
    from scipy import stats  # noqa: PLC0415  a second to load

    shift = float(special.ndtri(coverage)) * math.sqrt(n)
    return float(stats.nct.ppf(confidence, n - 1, shift)) / math.sqrt(n)
