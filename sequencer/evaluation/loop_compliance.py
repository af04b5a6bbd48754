"""How much load a two-wire loop still drives at each supply voltage: the border that a search has found.

What a supply voltage does to the output at every load is its influence, and no lack of voltage: at each supply the
output is held against that at the least load there, as long as this one answers at all.

The output holds while the supply less the drop at the load leaves the unit what it needs: R <= (Vs - Vmin) / I. So the
border is a straight line whose slope is 1 / I and which cuts R = 0 at Vmin (Ohm's law; the trade's load diagram).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["MOST_EFFECT_PCT", "Border", "Compliance", "Tried", "compliance", "next_load"]

MOST_EFFECT_PCT = 2.0
"""Of span. A supply that takes more from the output at the least load does not leave the unit what it needs: without
the voltage, the current is what the load lets through, far from where it should be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """The output at one supply voltage and load, above the lower end of its range, in % of the output span."""

    supply_V: float
    load_ohm: float
    output_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Border:
    """At one supply voltage: the largest load at which the output held, and the least at which it did not.

    `holds_ohm` is NaN where it held at none that was tried, `drops_ohm` where it held at all. `effect_pct` is what this
    supply voltage changes at the least load, in % of span, against the highest one; NaN where it does not hold there.
    """

    supply_V: float
    holds_ohm: float
    drops_ohm: float
    effect_pct: float

    @property
    def is_between(self) -> bool:
        """The border lies between the two."""
        return math.isfinite(self.holds_ohm) and math.isfinite(self.drops_ohm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compliance:
    """What a loop drives.

    Attributes:
        borders: by supply voltage, ascending.
        current_mA: of the output at the border.
        least_V: voltage that the unit needs at its terminals, in the middle of what the borders leave; NaN = none lies
            between two loads.
        within_V: half the interval that each border and all of them leave.
        agrees: the borders keep to one voltage; False = the loop does not follow R = (Vs - Vmin) / I.
    """

    borders: tuple[Border, ...]
    current_mA: float
    least_V: float
    within_V: float
    agrees: bool


def _home(tried: Sequence[Tried]) -> float:
    """The output where the supply is highest and the load least: there the loop is freest."""
    freest = max(tried, key=lambda each: (each.supply_V, -each.load_ohm))
    return freest.output_pct


def _border(tried: Sequence[Tried], supply_V: float, home_pct: float, within_pct: float) -> Border:
    here = [each for each in tried if each.supply_V == supply_V]
    effect_pct = min(here, key=lambda each: each.load_ohm).output_pct - home_pct
    holds_there = abs(effect_pct) <= max(MOST_EFFECT_PCT, within_pct)
    home_pct += effect_pct if holds_there else 0.0
    drops = [each.load_ohm for each in here if not home_pct - each.output_pct <= within_pct]
    least = min(drops, default=math.nan)
    # What holds beyond a load that does not is an accident of noise: the border is the first one that drops.
    holds = [each.load_ohm for each in here if home_pct - each.output_pct <= within_pct and not each.load_ohm > least]
    return Border(
        supply_V=supply_V,
        holds_ohm=max(holds, default=math.nan),
        drops_ohm=least,
        effect_pct=effect_pct if holds_there else math.nan,
    )


def next_load(tried: Sequence[Tried], *, within_pct: float, to_ohm: float) -> tuple[float, float] | None:
    """Supply voltage and load to be tried next: the middle of the widest border; None once each is found.

    Args:
        tried: at each supply voltage the least and the largest load, and what was tried since.
        within_pct: drop of the output, in % of span, that is none.
        to_ohm: how finely a border is looked for.
    """
    home = _home(tried)
    borders = [_border(tried, supply_V, home, within_pct) for supply_V in sorted({each.supply_V for each in tried})]
    for each in borders:
        if each.is_between and each.drops_ohm - each.holds_ohm > to_ohm * (1 + 1e-9):
            return each.supply_V, (each.holds_ohm + each.drops_ohm) / 2
    return None


def compliance(tried: Sequence[Tried], *, within_pct: float, current_mA: float) -> Compliance:
    """The borders, and the voltage that the unit needs.

    Args:
        tried: as in `next_load`.
        within_pct: as in `next_load`.
        current_mA: of the output where the loop is free.
    """
    home = _home(tried)
    borders = tuple(
        _border(tried, supply_V, home, within_pct) for supply_V in sorted({each.supply_V for each in tried})
    )
    between = [each for each in borders if each.is_between]
    low = [each.supply_V - each.drops_ohm * current_mA / 1e3 for each in between]
    high = [each.supply_V - each.holds_ohm * current_mA / 1e3 for each in between]
    if not between:
        return Compliance(borders=borders, current_mA=current_mA, least_V=math.nan, within_V=math.nan, agrees=True)
    agrees = max(low) <= min(high)
    bottom, top = (max(low), min(high)) if agrees else (min(low), max(high))
    return Compliance(
        borders=borders,
        current_mA=current_mA,
        least_V=(bottom + top) / 2,
        within_V=(top - bottom) / 2,
        agrees=agrees,
    )
