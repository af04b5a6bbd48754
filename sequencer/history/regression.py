"""A repaired unit held against what it was: as found, its last good record or a pinned baseline, and its type.

"No significant difference" is no proof, so that a unit is as before only where two one-sided tests show it at every
point, within a margin. Contents and sums in, one result out; no file, no clock.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sequencer.diagnosis.compared import Comparison
from sequencer.history.envelope import Envelope
from sequencer.history.equivalence import Equivalence, Shown, equivalence

__all__ = ["MARGIN_FRAC", "Beyond", "Held", "Regression", "UnitRegression", "held", "judged", "outside"]

MARGIN_FRAC = 0.5
"""Of the tolerance: the margin where none is given. Common practice, no source."""

Result = Literal["as before", "changed", "not shown", "not determinable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A unit held against one record.

    Attributes:
        name: what that record is: "as found", "last good", "baseline NAME".
        folder: of that record.
        compared: both side by side, B the unit as it is now.
        tested: equivalence at all points, in % of span.
        decides: whether the unit must be as it was there.
    """

    name: str
    folder: str
    compared: Comparison
    tested: Equivalence
    decides: bool

    @property
    def shown(self) -> Shown:
        """Whether it is equivalent."""
        return self.tested.shown

    @property
    def is_changed(self) -> bool:
        """A difference beyond the uncertainty was found, at a point or in a figure."""
        return self.compared.different_n > 0 or bool(self.changed_figures)

    @property
    def changed_figures(self) -> tuple[str, ...]:
        """The figures that differ beyond their uncertainty."""
        return tuple(each.name for each in self.compared.figures if each.is_different)


@dataclass(frozen=True, slots=True, kw_only=True)
class Beyond:
    """A point or figure outside what 95 % of the type have, by more than its own uncertainty."""

    name: str
    value: float
    U: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRegression:
    """One unit.

    Attributes:
        serial: of it.
        folder: of the record as it is now, "" = none.
        verdict: of that record by itself.
        held: against each record there is to hold it against.
        type_units_n: other units of its type with good records; 0 = it was not held against its type.
        beyond: where it is outside its type.
        reason: why nothing could be said, "" if something could.
    """

    serial: str
    folder: str = ""
    verdict: str = ""
    held: tuple[Held, ...] = ()
    type_units_n: int = 0
    beyond: tuple[Beyond, ...] = ()
    reason: str = ""
    is_simulated: bool = False

    @property
    def result(self) -> Result:
        """As before only where that is shown against what decides, within its type, and the unit itself passes."""
        deciding = [each.shown for each in self.held if each.decides]
        if self.beyond or "not equivalent" in deciding or self.verdict in {"fail", "conditional fail"}:
            return "changed"
        if self.reason or not deciding or "not determinable" in deciding:
            return "not determinable"
        return "as before" if all(each == "equivalent" for each in deciding) else "not shown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Regression:
    """Many units, in the order asked for; `margin` in words."""

    units: tuple[UnitRegression, ...]
    margin: str

    @property
    def is_as_before(self) -> bool:
        """Every unit is."""
        return all(each.result == "as before" for each in self.units)


def held(name: str, compared: Comparison, *, decides: bool) -> Held:
    """A comparison with its equivalence tests.

    Args:
        name: what A is.
        compared: of the unit as it is now (B); its margin counts, or half the tolerance where it has none.
        decides: whether the unit must be as it was there.
    """
    points = compared.points
    margin = points["margin_pct"] if compared.margin else MARGIN_FRAC * points["tolerance_pct"]
    tested = equivalence(
        points["difference_pct"].to_numpy(dtype=np.float64),
        points["u_pct"].to_numpy(dtype=np.float64),
        points["dof"].to_numpy(dtype=np.float64),
        margin.to_numpy(dtype=np.float64),
    )
    return Held(name=name, folder=compared.a.content.folder, compared=compared, tested=tested, decides=decides)


def outside(envelope: Envelope, means: dict[tuple[float, str], tuple[float, float]]) -> tuple[Beyond, ...]:
    """Where a unit lies outside what 95 % of its type have.

    Args:
        envelope: of the other units.
        means: error and U of the unit by setpoint in % and direction, % of span.
    """
    found = []
    for point in envelope.points:
        value, U = means.get((point.setpoint_pct, point.direction), (math.nan, math.nan))
        room = U if math.isfinite(U) else 0.0
        if point.interval is None or not math.isfinite(value):
            continue
        if value - room > point.interval.high or value + room < point.interval.low:
            way = f" {point.direction}scale" if point.direction else ""
            found.append(
                Beyond(
                    name=f"error at {point.setpoint_pct:g} %{way}",
                    value=value,
                    U=U,
                    low=point.interval.low,
                    high=point.interval.high,
                    unit=point.unit,
                )
            )
    return tuple(found)


def judged(units: Sequence[UnitRegression], *, margin: str) -> Regression:
    """All units together; `margin` as given, "" = half the tolerance."""
    return Regression(units=tuple(units), margin=margin or f"{100 * MARGIN_FRAC:g} % of the tolerance")
