"""What the history of a unit says of its calibration interval, by the methods of ILAC-G24:2022 / OIML D 10:2022.

Automatic adjustment ("staircase", 6.2), control chart (6.3, by drift) and the share found in tolerance, held against a
target reliability. It gives numbers; whether they may be printed is for whoever prints them: a calibration certificate
has no recommendation of an interval unless it is agreed with the customer (ISO/IEC 17025:2017, 7.8.4.3).
Numbers of clauses and rules from memory.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy import special

__all__ = ["LEAST_N", "SOURCE", "AsFound", "Reliability", "Staircase", "exponential", "reliability", "staircase"]

SOURCE = "ILAC-G24:2022 / OIML D 10:2022"
LEAST_N = 3
"""As-found runs below which nothing is advised."""

AsFound = Literal["in", "between", "out"]
IN_FRAC = 0.8  # of the permitted error: common choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Staircase:
    """How the staircase steps; the choice of the laboratory, not of the method."""

    lengthen: float = 1.25
    shorten: float = 0.6
    least: float = 3.0
    most: float = 36.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reliability:
    """A share found in tolerance, with its Clopper-Pearson interval.

    Attributes:
        within: found in tolerance.
        of: as-found runs.
        low: lower end of the 90 % interval: the one-sided 95 % limit.
        high: upper end.
    """

    within: int
    of: int
    low: float
    high: float

    @property
    def observed(self) -> float:
        """The share."""
        return self.within / self.of


def staircase(
    found: Sequence[AsFound],
    start: float,
    *,
    lasted: Sequence[float] | None = None,
    rule: Staircase | None = None,
) -> tuple[float, ...]:
    """The interval after each as-found result, in the unit of `start`: "in" lengthens it, "out" shortens it.

    Args:
        found: each result.
        start: the interval before the first.
        lasted: how long the unit really was away before each; None = as long as the staircase said. A unit that was
            found good after 12 months speaks for one step beyond 12, however often it was.
        rule: how it steps.
    """
    by = rule or Staircase()
    intervals = []
    for number, each in enumerate(found):
        away = start if lasted is None else lasted[number]
        if each == "in":
            start = min(start * by.lengthen, max(start, away * by.lengthen))
        elif each == "out":
            start = min(start, away) * by.shorten
        start = min(max(start, by.least), by.most)
        intervals.append(start)
    return tuple(intervals)


def reliability(within: int, of: int) -> Reliability:
    """The share found in tolerance; of > 0.

    Source: Clopper and Pearson, Biometrika 26 (1934) 404-413.
    """
    low = float(special.betaincinv(within, of - within + 1, 0.05)) if within else 0.0
    high = float(special.betaincinv(within + 1, of - within, 0.95)) if within < of else 1.0
    return Reliability(within=within, of=of, low=low, high=high)


def exponential(old: float, observed: float, target: float) -> float:
    """The interval that meets a target reliability where units leave tolerance at a steady rate.

    Args:
        old: the interval that gave `observed`.
        observed: share found in tolerance, 0 to 1.
        target: share that is wanted, 0 to 1.

    Returns:
        In the unit of `old`; infinite where all were in tolerance, which says nothing of how long: take the lower limit
        of the share. 0 where none was.
    """
    if observed >= 1:
        return math.inf
    return old * math.log(target) / math.log(observed) if observed > 0 else 0.0
