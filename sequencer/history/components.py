"""Variance components: how much of what scatters lies between units, between the records of one, and within a record.

Nested analysis of variance (method of moments) from sums a group, so that readings need not be loaded: two levels or
three, balanced or not. It knows no unit under test: arrays in, components out.
"""

import math
from dataclasses import dataclass

from scipy import special

from instruments.datasheet import FloatArray

__all__ = ["PROBABILITY", "Component", "Groups", "nested"]

PROBABILITY = 0.95  # of the interval of each component


@dataclass(frozen=True, slots=True, kw_only=True)
class Groups:
    """Sums over the groups of the highest level (units), shape (groups,); a second level (records) lies within each.

    Attributes:
        n: values in each group, >= 1.
        mean: of them.
        parts_n: parts of each group, such as the records of a unit.
        between_parts: sum of squares between the means of its parts, each weighted by its count.
        within_parts: sum of squares within its parts.
        counts_squared: sum of the squared counts of its parts.
    """

    n: FloatArray
    mean: FloatArray
    parts_n: FloatArray
    between_parts: FloatArray
    within_parts: FloatArray
    counts_squared: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One variance component, in the square of the unit of the values.

    Attributes:
        variance: as estimated, may be negative; NaN = not determinable.
        dof: of the mean square of its level; 0 = none.
        mean_square: of its level.
        low: lower end of the interval of its standard deviation, `PROBABILITY`; NaN = not known.
        high: upper end.
    """

    variance: float
    dof: int
    mean_square: float
    low: float = math.nan
    high: float = math.nan

    @property
    def is_known(self) -> bool:
        """Whether anything could be estimated."""
        return math.isfinite(self.variance)

    @property
    def is_negative(self) -> bool:
        """The estimate is below 0: less than the scatter of the level below it leaves to be seen; taken for 0."""
        return self.is_known and self.variance < 0

    @property
    def used(self) -> float:
        """The variance to go on with: never negative; NaN where it is not known."""
        return max(self.variance, 0.0) if self.is_known else math.nan

    @property
    def sd(self) -> float:
        """Its standard deviation, 0 where the estimate is negative."""
        return math.sqrt(self.used) if self.is_known else math.nan


def nested(groups: Groups) -> tuple[Component, Component, Component]:
    """Components between groups, between the parts of a group, and within a part; the last is the residual.

    A level that nothing varies over (one part in every group, one value in every part) is not determinable, and what
    lies in it counts to the level above it.

    Source: expected mean squares of the unbalanced nested classification, Searle, Casella and McCulloch, Variance
    Components, 1992, chapter 3 (from memory); intervals by Satterthwaite, of the residual the exact chi-square.
    """
    total_n, groups_n, parts_n = float(groups.n.sum()), len(groups.n), float(groups.parts_n.sum())
    dofs = (groups_n - 1, round(parts_n) - groups_n, round(total_n - parts_n))
    grand = float(groups.n @ groups.mean) / total_n
    squares = (
        float(groups.n @ (groups.mean - grand) ** 2),
        float(groups.between_parts.sum()),
        float(groups.within_parts.sum()),
    )
    above, middle, below = (square / dof if dof > 0 else math.nan for square, dof in zip(squares, dofs, strict=True))
    by_group = float((groups.counts_squared / groups.n).sum())
    residual = _component(below, dofs[2], ((1.0, below, dofs[2]),))
    between_parts = _unknown(dofs[1], middle)
    # Without a middle level that varies, the parts add what they scatter to the groups; without a residual, to them.
    if dofs[1] > 0:
        size = (total_n - by_group) / dofs[1]
        terms = ((1 / size, middle, dofs[1]), *(((-1 / size, below, dofs[2]),) if dofs[2] > 0 else ()))
        between_parts = _component(middle, dofs[1], terms)
    between = _unknown(dofs[0], above)
    if dofs[0] > 0:
        size = (total_n - float((groups.n**2).sum()) / total_n) / dofs[0]
        share = (by_group - float(groups.counts_squared.sum()) / total_n) / dofs[0]
        terms = ((1 / size, above, dofs[0]), *_below(share, size, (middle, below), dofs, total_n - by_group))
        between = _component(above, dofs[0], terms)
    return between, between_parts, residual


_Term = tuple[float, float, int]


def _below(
    share: float, size: float, squares: tuple[float, float], dofs: tuple[int, int, int], parts: float
) -> tuple[_Term, ...]:
    """What the levels below add to the mean square between groups, to be taken off, in parts of their mean squares."""
    middle, below = squares
    if dofs[1] > 0:
        of_middle = share * dofs[1] / parts
        rest = ((-(1 - of_middle) / size, below, dofs[2]),) if dofs[2] > 0 else ()
        return ((-of_middle / size, middle, dofs[1]), *rest)
    return ((-1 / size, below, dofs[2]),) if dofs[2] > 0 else ()


def _unknown(dof: int, mean_square: float) -> Component:
    return Component(variance=math.nan, dof=max(dof, 0), mean_square=mean_square)


def _component(mean_square: float, dof: int, terms: tuple[_Term, ...]) -> Component:
    """A sum of mean squares with its interval."""
    variance = sum(factor * square for factor, square, _ in terms)
    if not math.isfinite(variance):
        return _unknown(dof, mean_square)
    doubt = sum((factor * square) ** 2 / of for factor, square, of in terms)
    effective = variance**2 / doubt if doubt > 0 else math.inf
    low, high = math.nan, math.nan
    if variance > 0 and math.isfinite(effective):
        most, least = (float(special.chdtri(effective, tail)) for tail in (_TAIL, 1 - _TAIL))
        if least > 0:  # a variance that is hardly above 0 has next to no degrees of freedom, and no upper end
            low, high = (math.sqrt(effective * variance / each) for each in (most, least))
    return Component(variance=variance, dof=dof, mean_square=mean_square, low=low, high=high)


_TAIL = (1 - PROBABILITY) / 2
