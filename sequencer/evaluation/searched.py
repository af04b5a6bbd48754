"""The rows of a search as its visits, place by place: travel and output in % of the input span.

Dead band and resolution share it: both come to a place from a defined side and go on from there until the output moves.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet
from sequencer.evaluation.judgement import steps_shown
from sequencer.evaluation.moved import Visit
from sequencer.inputs.step import Receivers
from sequencer.inputs.tolerance import slope
from sequencer.readings.table import valid_rows

__all__ = ["Place", "places", "settings_n"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What was visited at one place.

    Attributes:
        at_pct: where the travel begins, % of the input range.
        visits: in order.
        numbers_n: visits at the place, those without a value too.
        digit: step of the readings at the output, % of the input span; 0 = none is known.
        slope: of the output there, in its unit for one of the input; 0 or NaN = the output is not to answer there.
        is_read: every visit has a value.
        is_there: the input was at no other place since.
    """

    at_pct: float
    visits: tuple[Visit, ...]
    numbers_n: int
    digit: float
    slope: float
    is_read: bool
    is_there: bool


def places(table: pd.DataFrame, sheet: DataSheet, *, start: tuple[str, str], receivers: Receivers) -> tuple[Place, ...]:
    """Each place of a search in the order it was first come to.

    Args:
        table: the rows of one search in a tidy table of one unit.
        sheet: of the unit.
        start: column, and what stands there for a visit where a travel begins.
        receivers: of what reads each tap; {} = not known.
    """
    if table.empty:
        return ()
    rows = valid_rows(table)
    last = sheet.taps[-1]
    visits = _visits(rows, sheet)
    visits["is_start"] = visits[start[0]] == start[1]
    begun = visits["is_start"].cumsum()
    visits = visits[begun > 0]
    at_pct = visits["setpoint_pct"].where(visits["is_start"]).ffill()
    digit = max(steps_shown(rows[rows["tap"] == last.name]).get(last.name, 0.0), _resolution(sheet, receivers))
    found = []
    for place, part in visits.groupby(at_pct.round(9), sort=False):
        steep = _slope(sheet, float(place) / 100)
        scale = sheet.taps[0].span / 100 * steep
        found.append(
            Place(
                at_pct=float(part["setpoint_pct"].iloc[0]),
                visits=_as_visits(part, scale),
                numbers_n=len(part),
                digit=digit / abs(scale) if scale else 0.0,
                slope=steep,
                is_read=bool(part["output"].notna().all()),
                is_there=bool(part.index[-1] == visits.index[-1]),
            )
        )
    return tuple(found)


def settings_n(visits: tuple[Visit, ...]) -> int:
    """How often the input was set and read: readings taken on at the same place are one."""
    return 1 + sum(one.travel != then.travel or then.is_reference for one, then in pairwise(visits))


def _visits(rows: pd.DataFrame, sheet: DataSheet) -> pd.DataFrame:
    """One row a visit, in order: what was set, and what was read at the first and the last tap."""
    last, first = sheet.taps[-1], sheet.taps[0]
    every = rows.groupby("number").agg(
        **{name: (name, "first") for name in ("direction", "role", "setpoint_pct", "step", "cycle")},
        at_s=("at_s", "mean"),
    )
    at_output, at_input = (rows[rows["tap"] == tap.name].groupby("number")["value"] for tap in (last, first))
    every["output"], every["sd"], every["n"] = at_output.mean(), at_output.std(), at_output.count()
    every["input"] = 100 * first.fraction(at_input.mean().reindex(every.index).to_numpy())
    shown = steps_shown(rows[rows["tap"] == first.name]).get(first.name, 0.0) / math.sqrt(12)
    scatter = math.sqrt(float(np.nan_to_num(at_input.var().mean())))
    u = np.hypot(scatter / np.sqrt(np.maximum(every["n"], 1)), shown if scatter < shown else 0.0)
    every["u_input"] = 100 * u / abs(first.span)
    every["at_s"] = every["at_s"].fillna(pd.Series(every.index, index=every.index).astype("float64"))
    return every.sort_index()


def _as_visits(part: pd.DataFrame, scale: float) -> tuple[Visit, ...]:
    """The visits of a place; the output counts along the travel."""
    found: list[Visit] = []
    approach, start_pct, start_input = 0, 0.0, math.nan
    kept = part[(part["n"] > 0).to_numpy()] if scale and math.isfinite(scale) else part.iloc[:0]
    sign = -1.0 if part["setpoint_pct"].min() < part["setpoint_pct"].iloc[0] else 1.0
    for row in kept.itertuples():
        if row.is_start:
            approach, start_pct, start_input = approach + 1, float(row.setpoint_pct), float(row.input)  # type: ignore[arg-type]  # of a table
        way = float(row.setpoint_pct) - start_pct  # type: ignore[arg-type]
        went = float(row.input) - start_input  # type: ignore[arg-type]
        is_measured = math.isfinite(went) and way != 0
        found.append(
            Visit(
                approach=approach,
                travel=round(abs(way), 9),
                output=sign * float(row.output) / scale,  # type: ignore[arg-type]
                sd=0.0 if math.isnan(float(row.sd)) else float(row.sd) / abs(scale),  # type: ignore[arg-type]
                readings_n=int(row.n),  # type: ignore[arg-type]
                at_s=float(row.at_s),  # type: ignore[arg-type]
                went=abs(went) if is_measured else abs(way),
                u_went=math.sqrt(2) * float(row.u_input) if is_measured else 0.0,  # type: ignore[arg-type]
            )
        )
    return tuple(found)


def _slope(sheet: DataSheet, frac: float) -> float:
    """Output for one of the input at a place, in their units; 0 where it has none, as at 0 of a square root."""
    steep = float(slope(sheet, sheet.taps[0].value(np.array([frac])))[0])
    return steep if math.isfinite(steep) else 0.0


def _resolution(sheet: DataSheet, receivers: Receivers) -> float:
    """That of the reader at the last tap, in the unit of its value."""
    last = sheet.taps[-1]
    ends = last.to_signal(np.array([last.low, last.high]))
    signal_span = abs(float(ends[1] - ends[0]))
    stated = float(receivers.get(last.name, {}).get("resolution", 0.0))
    return stated * abs(last.span) / signal_span if signal_span > 0 and math.isfinite(stated) else 0.0
