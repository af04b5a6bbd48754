"""Start-up drift from the table of a run, input by input."""

import math
from dataclasses import dataclass, replace

from sequencer.evaluation.figures.start_up import StartUpDrift, start_up_drift
from sequencer.evaluation.step_limits import is_within
from sequencer.evaluation.visit_errors import resolution_pct, visit_errors
from sequencer.inputs.step import Judged, Seen

__all__ = ["FOUND", "ON", "ROLES", "Found", "as_number", "found", "judged"]

ON, FOUND = "start-up drift, switched on", "start-up drift"
ROLES = (ON, FOUND)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The drift at one input, in % of the output span.

    Attributes:
        at_pct: % of the input range.
        drift: instants in s since switching on.
        at_most_pct: limit of the largest difference; NaN = none.
        asked_s: times since switching on that were asked for, without those in between.
    """

    at_pct: float
    drift: StartUpDrift
    at_most_pct: float
    asked_s: tuple[float, ...]


def found(seen: Seen, *, asked_s: tuple[float, ...], within_pct: float, at_most_pct: float) -> tuple[Found, ...]:
    """The drift at each input that was read at two instants or more.

    Args:
        seen: the readings.
        asked_s: as in `Found`.
        within_pct: half width of the final band, % of span.
        at_most_pct: limit; NaN = none.
    """
    rows = seen.rows(*ROLES)
    if rows.empty:
        return ()
    readings = visit_errors(rows, seen.sheet)
    started = readings[readings["role"] == ON]
    if started.empty:
        return ()
    zero_s = float(started["set_at_s"].fillna(started["at_s"]).iloc[0])
    step_pct = resolution_pct(rows, seen.sheet, seen.receivers)
    drifts = []
    for at_pct, part in readings[readings["role"] == FOUND].groupby("setpoint_pct"):
        instants = [
            ((each["at_s"] - zero_s).to_numpy(dtype="float64"), each["error_pct"].to_numpy(dtype="float64"))
            for _, each in part.groupby("number", sort=True)
        ]
        if len(instants) > 1:
            drift = start_up_drift(instants, band=within_pct, step=step_pct)
            drifts.append(Found(at_pct=float(str(at_pct)), drift=drift, at_most_pct=at_most_pct, asked_s=asked_s))
    return tuple(drifts)


def as_number(each: Found) -> Judged:
    """The largest difference, without its limit."""
    largest = each.drift.largest
    return Judged(
        name=f"start-up drift at {each.at_pct:g} %",
        value=abs(largest.away),
        U=largest.U,
        unit="% of span",
        limit="",
        is_met=None,
    )


def judged(each: Found) -> Judged | None:
    """The largest difference against its limit; None where there is none."""
    if math.isnan(each.at_most_pct):
        return None
    found = as_number(each)
    is_met = is_within(found.value, found.U, each.at_most_pct)
    reason = "" if is_met is not None else "the scatter of the readings leaves it open"
    return replace(found, limit=f"at most {each.at_most_pct:g} % of span", is_met=is_met, reason=reason)
