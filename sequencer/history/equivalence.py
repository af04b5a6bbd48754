"""Equivalence by two one-sided t tests: that a difference lies within a margin is shown, not merely not denied.

A difference that is not significant proves nothing: with poor instruments none ever is. Here the burden is turned
round, so that a difference counts as within the margin only where the readings show it.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from instruments.datasheet import FloatArray

__all__ = ["LEVEL", "Equivalence", "Shown", "equivalence"]

LEVEL = 0.05
"""Chance of calling equivalent what lies outside the margin; the interval that goes with it is that of 90 %."""

Shown = Literal["equivalent", "not equivalent", "not shown", "not determinable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """Two one-sided tests of differences, arrays of one shape; NaN where the uncertainty is not known.

    Attributes:
        difference: that were tested.
        margin: half width within which each should lie, > 0.
        p_lower: chance of what was found were the difference below -margin.
        p_upper: were it above +margin.
        low: lower end of the 90 % interval.
        high: upper end.
    """

    difference: FloatArray
    margin: FloatArray
    p_lower: FloatArray
    p_upper: FloatArray
    low: FloatArray
    high: FloatArray

    @property
    def p(self) -> FloatArray:
        """The larger of the two: below `LEVEL`, the difference is shown to lie within the margin."""
        return np.maximum(self.p_lower, self.p_upper)

    @property
    def overall_p(self) -> float:
        """Of all together: that all lie within needs each of them shown, so many tests need no correction."""
        return float(self.p.max()) if self.p.size and np.isfinite(self.p).all() else math.nan

    @property
    def is_beyond(self) -> np.ndarray:
        """Where the 90 % interval lies wholly outside the margin."""
        return np.asarray((self.low > self.margin) | (self.high < -self.margin))

    @property
    def shown(self) -> Shown:
        """The answer for all together."""
        if self.is_beyond.any():
            return "not equivalent"
        if math.isnan(self.overall_p):
            return "not determinable"
        return "equivalent" if self.overall_p < LEVEL else "not shown"


def equivalence(difference: FloatArray, u: FloatArray, dof: FloatArray, margin: FloatArray | float) -> Equivalence:
    """Two one-sided t tests of each difference.

    Args:
        difference: any shape.
        u: standard uncertainty of each; 0 or NaN = not known.
        dof: its degrees of freedom; infinite = normal.
        margin: half width within which it should lie.

    Source: Schuirmann, J. Pharmacokin. Biopharm. 15 (1987) 657-680.
    """
    d = np.asarray(difference, dtype=np.float64)
    wide = np.broadcast_to(np.asarray(margin, dtype=np.float64), d.shape)
    known = np.where(np.asarray(u) > 0, u, np.nan)
    k = -special.stdtrit(dof, LEVEL)
    return Equivalence(
        difference=d,
        margin=wide,
        p_lower=np.asarray(special.stdtr(dof, -(d + wide) / known)),
        p_upper=np.asarray(special.stdtr(dof, (d - wide) / known)),
        low=d - k * known,
        high=d + k * known,
    )
