"""What another quantity than the input does to a value: changes from the reference, and the effect per unit.

A drift of the unit looks like an effect where the quantity was only led one way. Returns to the reference tell it: what
the value does between two of them is taken as a straight line in time, and off each change (common practice, no
source; IEC 61298-3 asks for the change from the reference operating conditions, from memory).
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from instruments.datasheet import FloatArray
from sequencer.evaluation.figures.student import coverage_factor

__all__ = ["Effect", "Stay", "effect"]

_CHANCE = 0.001  # of calling what is proportional otherwise
_LEAST_U = 1e-12  # what has no scatter and no resolution is not known for ever


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """A value while the quantity stood at one level.

    Args:
        level: of the quantity.
        at_s: when, in the middle of the stay.
        value: NaN = not found.
        u: standard uncertainty of the value from scatter and resolution; what all stays share drops out.
    """

    level: float
    at_s: float
    value: float
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What a quantity does to one value.

    Attributes:
        levels: shape (n,), ascending, without the reference.
        change: shape (n,), from the value at the reference, drift taken off; NaN = not found.
        U: shape (n,), expanded uncertainty of each change.
        per_unit: slope of the change in the quantity through the reference; NaN = fewer than one level.
        U_per_unit: expanded uncertainty of it.
        is_proportional: the changes lie on that line within their uncertainty; None for fewer than two levels.
        drift: of the value at the reference, from the first stay there to the last.
        returns_n: how often the reference was come back to.
        coverage: probability of the intervals.
        not_held: levels at which the unit did not work, so that nothing per unit is told from them.
    """

    levels: FloatArray
    change: FloatArray
    U: FloatArray
    per_unit: float
    U_per_unit: float
    is_proportional: bool | None
    drift: float
    returns_n: int
    coverage: float
    not_held: tuple[float, ...] = ()

    @property
    def largest(self) -> int | None:
        """Index of the largest change; None where none was found."""
        size = np.abs(self.change)
        return None if np.isnan(size).all() else int(np.nanargmax(size))


def effect(
    stays: Sequence[Stay],
    reference: float,
    *,
    alike: Sequence[Sequence[Stay]] = (),
    coverage: float = 0.9545,
    not_held: Collection[float] = (),
) -> Effect:
    """The effect of a quantity on a value.

    Args:
        stays: in the order of time; at least one at the reference.
        reference: level that changes are taken from.
        alike: stays of all values of which it is looked how much more they scatter from one return to the next than
            their own uncertainties say; () = of this one alone.
        coverage: probability of the intervals.
        not_held: levels from which nothing per unit is to be told.

    Raises:
        ValueError: no stay at the reference.
    """
    home = _at(reference, stays)
    if not home:
        raise ValueError("no value at the reference")
    at_s, there = (np.array([getattr(each, name) for each in home]) for name in ("at_s", "value"))
    is_known = any(each.u > 0 for each in stays)
    factor, free_n = _dispersion([_at(reference, each) for each in (alike if is_known and alike else (stays,))])
    if not is_known and not math.isfinite(free_n):  # neither stated nor seen
        factor = math.nan
    levels = np.array(sorted({each.level for each in stays if each.level != reference}))
    change, u = np.full(levels.shape, math.nan), np.full(levels.shape, math.nan)
    for index, level in enumerate(levels):
        away = [each for each in stays if each.level == level and math.isfinite(each.value)]
        if not away:
            continue
        each_change, each_u = zip(*(_change(stay, home, at_s, there, factor) for stay in away), strict=True)
        change[index] = float(np.mean(each_change))
        u[index] = math.sqrt(float(np.mean(np.square(each_u))) / len(away))
    # Welch and Satterthwaite: only what was seen to scatter beyond has few degrees of freedom.
    share = factor**2 / (1 + factor**2) if math.isfinite(factor) else 0.0
    k = coverage_factor(coverage, np.full_like(u, free_n / share**2 if share > 0 else math.inf))
    k_line = float(np.nanmax(k, initial=float(coverage_factor(coverage, math.inf))))
    is_held = ~np.isin(levels, list(not_held))
    per_unit, u_per_unit, is_proportional = _line((levels - reference)[is_held], change[is_held], u[is_held])
    return Effect(
        levels=levels,
        change=change,
        U=k * u,
        per_unit=per_unit,
        U_per_unit=k_line * u_per_unit,
        is_proportional=is_proportional,
        drift=float(there[-1] - there[0]) if len(home) > 1 else math.nan,
        returns_n=len(home) - 1,
        coverage=coverage,
        not_held=tuple(float(each) for each in levels[~is_held]),
    )


def _at(reference: float, stays: Sequence[Stay]) -> list[Stay]:
    return [each for each in stays if each.level == reference and math.isfinite(each.value)]


def _dispersion(homes: Sequence[Sequence[Stay]]) -> tuple[float, float]:
    """How much values scatter at the reference from one return to the next, beyond their own uncertainties, and dof.

    Of three returns in a row the middle one says what a line from the first to the last cannot tell. What is left of
    it, held against what its own uncertainties make of it, is Birge's ratio: the squares beyond it are the answer.
    """
    threes = [three for home in homes for three in zip(home, home[1:], home[2:], strict=False)]
    ratios = []
    for before, middle, after in threes:
        share = (middle.at_s - before.at_s) / max(after.at_s - before.at_s, 1e-9)
        off = middle.value - (1 - share) * before.value - share * after.value
        own = middle.u**2 + ((1 - share) * before.u) ** 2 + (share * after.u) ** 2
        ratios.append(off**2 / max(own, _LEAST_U**2))
    if not ratios:
        return 0.0, math.inf
    return math.sqrt(max(float(np.mean(ratios)) - 1, 0.0)), float(len(ratios))


def _change(
    stay: Stay, home: Sequence[Stay], at_s: FloatArray, there: FloatArray, factor: float
) -> tuple[float, float]:
    """Change of one stay from the reference as that stood then, and its standard uncertainty."""
    then = float(np.interp(stay.at_s, at_s, there))
    after = int(np.searchsorted(at_s, stay.at_s))
    if after in {0, len(home)}:  # no return on one side: as it was last
        near = [(home[min(after, len(home) - 1)], 1.0)]
    else:
        share = (stay.at_s - at_s[after - 1]) / max(at_s[after] - at_s[after - 1], 1e-9)
        near = [(home[after - 1], 1 - share), (home[after], share)]
    squares = stay.u**2 + sum((weight * each.u) ** 2 for each, weight in near)
    return stay.value - then, math.sqrt(max(squares, _LEAST_U**2) * (1 + factor**2))


def _line(away: FloatArray, change: FloatArray, u: FloatArray) -> tuple[float, float, bool | None]:
    """Slope through the origin by weighted least squares, its standard uncertainty, and whether the changes keep to it.

    The changes share the reference, so their uncertainties are not quite independent; the slope's is as if they were.
    """
    known = np.isfinite(change)
    if not known.any():
        return math.nan, math.nan, None
    if np.isnan(u[known]).any():
        return float((away * change)[known].sum() / (away**2)[known].sum()), math.nan, None
    x, y = away[known], change[known]
    weight = 1 / np.maximum(u[known], 1e-12 + 1e-9 * float(np.max(np.abs(y), initial=0.0))) ** 2
    slope = float((weight * x * y).sum() / (weight * x**2).sum())
    error = float(1 / math.sqrt((weight * x**2).sum()))
    if known.sum() < 2:
        return slope, error, None
    left = float((weight * (y - slope * x) ** 2).sum())
    return slope, error, bool(left <= special.chdtri(int(known.sum()) - 1, _CHANCE))
