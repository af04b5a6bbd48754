"""Ripple from the table of a run, place by place, and its limit."""

import math
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import FloatArray
from sequencer.evaluation.step_limits import is_within
from sequencer.inputs.step import Judged, Seen
from sequencer.readings.table import valid_rows
from sequencer.steps.ripple.content import Ripple, ripple

__all__ = ["RIPPLE", "Found", "found", "judged"]

RIPPLE = "ripple"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The ripple at one place, in % of the span at the tap.

    Attributes:
        at_pct: % of the input range.
        tap: that was read.
        step: number of the step.
        times_s: shape (n,), since the first reading.
        values_pct: shape (n,), less their mean.
        ripple: what swings; None where readings are too few.
        at_most_pct: limit of peak to peak; NaN = none.
    """

    at_pct: float
    tap: str
    step: int
    times_s: FloatArray
    values_pct: FloatArray
    ripple: Ripple | None
    at_most_pct: float


def found(seen: Seen, *, number: int, mains_Hz: tuple[float, ...], at_most_pct: float) -> tuple[Found, ...]:
    """The ripple at each place of one step."""
    rows = seen.rows(RIPPLE)
    rows = valid_rows(rows[rows["step"] == number])
    taps = {tap.name: tap for tap in seen.sheet.taps}
    places = []
    for (_, name), part in rows.dropna(subset=["signal"]).groupby(["point", "tap"], sort=False):
        tap, known = taps[str(name)], seen.receivers.get(str(name), {})
        low, high = tap.to_reading(np.array([tap.low, tap.high])).tolist()
        to_pct = 100 / abs(high - low)
        values, at_s = (part[each].to_numpy(dtype="float64") for each in ("signal", "at_s"))
        content = None
        with suppress(ReadingsError):  # too few, which is said in words
            content = ripple(
                values * to_pct,
                at_s,
                mains_Hz=mains_Hz,
                aperture_s=known.get("takes_s", 0.0),
                resolution=known.get("resolution", 0.0) * to_pct,
            )
        places.append(
            Found(
                at_pct=float(part["setpoint_pct"].iloc[0]),
                tap=tap.name,
                step=number,
                times_s=at_s - at_s[0],
                values_pct=(values - values.mean()) * to_pct,
                ripple=content,
                at_most_pct=at_most_pct,
            )
        )
    return tuple(places)


def judged(each: Found) -> Judged | None:
    """Peak to peak against its limit; nothing seen is no proof where the meter hides what is looked for."""
    if math.isnan(each.at_most_pct):
        return None
    content, reason = each.ripple, ""
    is_met: bool | None = None
    if content is None:
        reason = "too few readings"
    elif is_within(content.peak_to_peak, content.U, each.at_most_pct) is False:
        is_met = False
    elif content.whole > each.at_most_pct:
        reason = f"if it is of mains, it is {content.whole:.3g} % before the aperture of the meter"
    elif hidden := [one for one in content.watched if one.is_hidden]:
        reason = f"the meter hides {', '.join(f'{one.rate_Hz:g} Hz' for one in hidden)}"
    elif max(content.least, content.peak_to_peak + content.U) > each.at_most_pct:
        reason = "the noise leaves it open; take more readings"
    else:
        is_met = True
    return Judged(
        name=f"ripple at {each.at_pct:g} %, peak to peak",
        value=math.nan if content is None else content.peak_to_peak,
        U=math.nan if content is None else content.U,
        unit="% of span",
        limit=f"at most {each.at_most_pct:g} % of span",
        is_met=is_met,
        reason=reason,
    )
