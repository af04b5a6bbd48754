"""The envelope of a type: what its units do at each point and in each figure, how far they spread, which stand apart.

It takes sums a unit, not readings, so that hundreds of thousands of records need not be in memory; a query or
`units_of` makes them. The n of every interval are units: repeated records of one say how it repeats, no more.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from instruments.errors import ReadingsError
from sequencer.history.components import Component, Groups, nested
from sequencer.history.outliers import LEVEL, outliers
from sequencer.history.simulated import mixed
from sequencer.history.tolerance_interval import LEAST_N, ToleranceInterval, tolerance_interval

__all__ = ["SUMS", "Envelope", "Proposal", "Spread", "envelope", "units_of"]

SUMS = ("n", "mean", "parts_n", "between_parts", "within_parts", "counts_squared")
"""Columns of the sums of one unit, as in `components.Groups`."""

_MAGNITUDES = {"hysteresis", "non-repeatability"}
_DIGITS = 2
_POINT, _FIGURE = ["setpoint_pct", "direction"], ["stage", "figure", "unit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """One point or one figure over all units.

    Attributes:
        name: of the figure, "error" at a point.
        stage: where it was found; "" = the whole unit.
        unit: of the values.
        setpoint_pct: of a point; NaN of a figure.
        direction: of a point.
        units_n: units that have it.
        records_n: records of all.
        mean: of the means of the units.
        between: component between units.
        within: component between the records of one unit.
        cycles: component between the cycles of one record; not known of a figure, which has one value a record.
        interval: that holds 95 % of all units with 95 % confidence; None with fewer than three units.
        U: mean expanded uncertainty of the values; NaN = not known.
        limit: half width of the tolerance there; NaN = none.
        apart: serials of the units that stand apart, the farthest first.
    """

    name: str
    stage: str
    unit: str
    setpoint_pct: float
    direction: str
    units_n: int
    records_n: int
    mean: float
    between: Component
    within: Component
    cycles: Component
    interval: ToleranceInterval | None
    U: float
    limit: float
    apart: tuple[str, ...]

    @property
    def is_point(self) -> bool:
        """A point of the curve of errors."""
        return math.isfinite(self.setpoint_pct)

    @property
    def reach(self) -> float:
        """The larger end of the interval, as a size; NaN where there is none."""
        if self.interval is None:
            return math.nan
        return max(
            (abs(each) for each in (self.interval.low, self.interval.high) if math.isfinite(each)), default=math.nan
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A tolerance that could be written for the type.

    Attributes:
        half_width_pct: of span, rounded up to two digits.
        reach_pct: of the interval that holds 95 % of all units, at the point where it is widest.
        guard_pct: expanded uncertainty added, so that a unit at that end still passes a test that takes it off.
        at: the point.
        stated_pct: tolerance that the type sheet states there; NaN = none.
        is_sure: the interval has the confidence that was asked for.
    """

    half_width_pct: float
    reach_pct: float
    guard_pct: float
    at: Spread
    stated_pct: float
    is_sure: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """The type over its units."""

    type: str
    units_n: int
    records_n: int
    points: tuple[Spread, ...]
    figures: tuple[Spread, ...]
    proposal: Proposal | None
    remarks: tuple[str, ...]
    is_simulated: bool = False

    @property
    def curve(self) -> pd.DataFrame:
        """A row a point, in % of span: mean, standard deviations, ends and confidence of the interval, U, tolerance."""
        return pd.DataFrame(
            {
                "setpoint_pct": each.setpoint_pct,
                "direction": each.direction,
                "units": each.units_n,
                "mean": each.mean,
                "sd_units": each.between.sd,
                "sd_records": each.within.sd,
                "sd_cycles": each.cycles.sd,
                "low": each.interval.low if each.interval else math.nan,
                "high": each.interval.high if each.interval else math.nan,
                "confidence": each.interval.attained if each.interval else math.nan,
                "U": each.U,
                "tolerance": each.limit,
            }
            for each in self.points
        )

    @property
    def apart(self) -> tuple[str, ...]:
        """Every unit that stands apart somewhere, in order of serial."""
        return tuple(sorted({serial for each in (*self.points, *self.figures) for serial in each.apart}))


def units_of(values: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Sums a unit of values in memory: rows of `by` and serial, columns `SUMS`, U, limit, records.

    Args:
        values: columns of `by`, serial, record, value, U, limit.
        by: what makes a point or a figure.
    """
    unit = [*by, "serial"]
    parts = (
        values[values["value"].notna()]
        .groupby([*unit, "record"], sort=True)
        .agg(
            n=("value", "size"),
            mean=("value", "mean"),
            spread=("value", "var"),
            U=("U", "mean"),
            limit=("limit", "max"),
        )
        .reset_index()
    )
    parts["within"] = (parts["n"] - 1) * parts["spread"].fillna(0.0)
    parts["weighted"] = parts["n"] * parts["mean"]
    total = parts.groupby(unit, sort=True)[["n", "weighted"]].transform("sum")
    parts["between"] = parts["n"] * (parts["mean"] - total["weighted"] / total["n"]) ** 2
    parts["squared"] = parts["n"] ** 2
    found = (
        parts.groupby(unit, sort=True)
        .agg(
            n=("n", "sum"),
            mean=("weighted", "sum"),
            parts_n=("n", "size"),
            between_parts=("between", "sum"),
            within_parts=("within", "sum"),
            counts_squared=("squared", "sum"),
            U=("U", "mean"),
            limit=("limit", "max"),
            records=("n", "size"),
        )
        .reset_index()
    )
    found["mean"] /= found["n"]
    return found


def envelope(
    type_: str,
    points: pd.DataFrame,
    figures: pd.DataFrame,
    *,
    records_n: int,
    left_out: Mapping[str, int] | None = None,
    simulated_n: int = 0,
) -> Envelope:
    """The envelope of a type.

    Args:
        type_: of all records.
        points: a row a point and unit: setpoint_pct, direction, serial, `SUMS`, U, limit (% of span), records.
        figures: a row a figure and unit: stage, figure, unit, serial, `SUMS`, U, limit, records.
        records_n: records in all.
        left_out: records of the type that do not count, by what is wrong with them.
        simulated_n: records of a simulated bench among those that count.

    Raises:
        ReadingsError: there is no point.
    """
    if points.empty:
        raise ReadingsError(
            f"no record of this type has errors to go by: {type_}", todo="livezero records lists what there is"
        )
    order = {"up": 0, "": 0, "down": 1}
    by_point, by_figure = points.groupby(_POINT, sort=True), figures.groupby(_FIGURE, sort=False)
    level = LEVEL / (by_point.ngroups + by_figure.ngroups)  # for any unit of a good type to stand apart anywhere
    at_points = [
        _spread(part, ("", "error", "% of span"), (float(str(place[0])), str(place[1])), level=level)
        for place, part in by_point
    ]
    at_points.sort(key=lambda each: (order.get(each.direction, 0), each.setpoint_pct))
    of_figures = [
        _spread(part, (str(place[0]), str(place[1]), str(place[2])), (math.nan, ""), level=level)
        for place, part in by_figure
    ]
    units_n = int(points["serial"].nunique())
    return Envelope(
        type=type_,
        units_n=units_n,
        records_n=records_n,
        points=tuple(at_points),
        figures=tuple(of_figures),
        proposal=_proposal(at_points),
        is_simulated=simulated_n > 0,
        remarks=(*mixed(simulated_n, records_n), *_left_out(left_out or {}), *_remarks(units_n, at_points, of_figures)),
    )


def _spread(part: pd.DataFrame, of: tuple[str, str, str], at: tuple[float, str], *, level: float) -> Spread:
    """Of one point or figure: `of` is stage, name and unit, `at` setpoint and direction."""
    (stage, name, unit), (setpoint_pct, direction) = of, at
    sums = {each: part[each].to_numpy(dtype=np.float64) for each in SUMS}
    between, within, cycles = nested(Groups(**sums))
    means, serials = sums["mean"], part["serial"].to_numpy()
    interval = None
    if len(means) >= LEAST_N:
        is_size = math.isnan(setpoint_pct) and (name in _MAGNITUDES or (bool(stage) and means.min() >= 0))
        interval = tolerance_interval(means, sides="upper" if is_size else "two")
    return Spread(
        name=name,
        stage=stage,
        unit=unit,
        setpoint_pct=setpoint_pct,
        direction=direction,
        units_n=len(means),
        records_n=int(part["records"].sum()),
        mean=float(means.mean()),
        between=between,
        within=within,
        cycles=cycles,
        interval=interval,
        U=float(part["U"].mean()),
        limit=float(part["limit"].max()),
        apart=tuple(str(serials[each.place]) for each in outliers(means, level=level)),
    )


def _proposal(points: Sequence[Spread]) -> Proposal | None:
    """What the widest point asks for, with its uncertainty as guard band; None where an interval or U is missing."""
    known = [each for each in points if math.isfinite(each.reach) and math.isfinite(each.U)]
    if len(known) < len(points):
        return None
    widest = max(known, key=lambda each: each.reach + each.U)
    assert widest.interval is not None
    return Proposal(
        half_width_pct=_rounded_up(widest.reach + widest.U),
        reach_pct=widest.reach,
        guard_pct=widest.U,
        at=widest,
        stated_pct=widest.limit,
        is_sure=all(each.interval is not None and each.interval.is_sure for each in known),
    )


def _rounded_up(value: float) -> float:
    if not value > 0:
        return value
    step = 10.0 ** (math.floor(math.log10(value)) - _DIGITS + 1)
    return float(f"{math.ceil(value / step - 1e-9) * step:.{_DIGITS}g}")


def _left_out(left_out: Mapping[str, int]) -> list[str]:
    counts = [f"{number} {what}" for what, number in left_out.items()]
    return [f"records of the type that are left out: {', '.join(counts)}"] if counts else []


def _remarks(units_n: int, points: Sequence[Spread], figures: Sequence[Spread]) -> list[str]:
    said = []
    if units_n < LEAST_N:
        said.append(f"{units_n} units: {LEAST_N} are the least that an interval is made of; means and components alone")
    for name, what in (("between", "units"), ("within", "records of one unit"), ("cycles", "cycles of one record")):
        negative = sum(getattr(each, name).is_negative for each in points)
        unknown = sum(not getattr(each, name).is_known for each in points)
        if negative:
            said.append(
                f"between {what}: the estimate is negative at {negative} of {len(points)} points, as chance has it "
                "where the component is small; it is taken for 0 there"
            )
        if unknown:
            missing = {"between": "one unit", "within": "one record of each unit", "cycles": "one cycle in each record"}
            said.append(f"between {what}: not known at {unknown} of {len(points)} points: {missing[name]} alone")
    for spreads, what in ((points, "points"), (figures, "figures")):
        free = [each.interval for each in spreads if each.interval is not None and each.interval.kind != "normal"]
        if free:
            least = min(free, key=lambda each: each.attained)
            said.append(f"{len(free)} of {len(spreads)} {what} have an interval that is {least.said}")
    return said
