"""Control chart of individual values with their moving range: whether today is as it was before.

The limits come from earlier values alone, by their moving ranges, which a slow drift or a jump hardly widens; never
from the standard deviation of all. It knows no bench and no clock.
"""

import math
from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError

__all__ = ["BEYOND_RANGE", "LEAST_N", "RULE", "RUN_N", "Chart", "Signal", "chart", "limits_of"]

LEAST_N = 8
"""Values that limits are drawn from at least; with fewer, false alarms are several times as frequent."""
RUN_N = 9
RULE = (
    f"individuals and moving range of two, limits at 3 sigma from the mean moving range (ISO 7870-2); and {RUN_N} in a "
    "row on one side of the centre line"
)
BEYOND_RANGE = "moving range beyond its limit"
_D2 = 2 / math.sqrt(math.pi)  # mean range of two standard normal values, exact
_D4 = 1 + 3 * math.sqrt(2 - _D2**2) / _D2  # d3 over d2: the standard deviation of that range


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Limits of a chart, in the unit of the values."""

    centre: float
    sigma: float
    n: int

    @property
    def upper(self) -> float:
        """Upper limit of an individual value."""
        return self.centre + 3 * self.sigma

    @property
    def lower(self) -> float:
        """Lower limit."""
        return self.centre - 3 * self.sigma

    @property
    def range_upper(self) -> float:
        """Upper limit of the difference of two neighbours."""
        return _D4 * _D2 * self.sigma


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """Why a value is out of control: its place among all values, and the rule in words; a value may break several."""

    place: int
    rule: str


def limits_of(values: FloatArray) -> Chart:
    """Centre and sigma from values in order of time, shape (n,), n >= 2.

    Source: NIST/SEMATECH e-Handbook, 6.3.2.2; d2 there is rounded to 1.128, here exact.
    """
    return Chart(centre=float(np.mean(values)), sigma=float(np.mean(np.abs(np.diff(values)))) / _D2, n=len(values))


def chart(values: FloatArray, *, base_n: int) -> tuple[Chart, tuple[Signal, ...]]:
    """Limits from the first `base_n` values, and every value after or among them that breaks a rule.

    Args:
        values: in order of time, no NaN.
        base_n: values that the limits come from.

    Raises:
        ReadingsError: fewer than `LEAST_N` to draw limits from.
    """
    if base_n < LEAST_N:
        raise ReadingsError(
            f"{base_n} earlier values are too few to draw limits from",
            allowed=f"{LEAST_N} or more, 20 are better",
            todo="run the check unit more often",
        )
    found = limits_of(values[:base_n])
    moved = np.abs(np.diff(values, prepend=values[0]))
    side = np.sign(values - found.centre)
    in_row = 0
    signals = []
    for place, value in enumerate(values):
        in_row = in_row + 1 if place and side[place] == side[place - 1] != 0 else 1
        broken = []
        if not found.lower <= value <= found.upper:
            broken.append("beyond 3 sigma")
        if moved[place] > found.range_upper:
            broken.append(BEYOND_RANGE)
        if in_row >= RUN_N and not broken:
            broken.append(f"{in_row} in a row on one side of the centre")
        signals += [Signal(place=place, rule=rule) for rule in broken]
    return found, tuple(signals)
