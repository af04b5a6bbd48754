"""What the output does beyond its range, from the table of a run."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet
from instruments.texts import sized
from sequencer.evaluation.budget import Basis
from sequencer.evaluation.figures.contributions import (
    from_certificate,
    from_half_width,
    from_readings,
    from_resolution,
)
from sequencer.evaluation.figures.ne43 import CurrentClass, current_class
from sequencer.evaluation.figures.per_point import FloatArray
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.evaluation.figures.uncertainty import combine
from sequencer.evaluation.visit_errors import visit_errors
from sequencer.inputs.step import Judged, Seen

__all__ = [
    "BACK",
    "OFF",
    "OPEN",
    "OUT",
    "RECONNECTED",
    "RECOVERS",
    "ROLES",
    "Level",
    "Limits",
    "Side",
    "judged",
    "limits",
]

OUT, BACK, RECOVERS = "limits", "limits, in range", "limits, recovery"
OFF, OPEN, RECONNECTED = "limits, off", "limits, open input", "limits, connected again"
ROLES = (OUT, BACK, RECOVERS, OFF, OPEN, RECONNECTED)

_LIVE_ZERO_mA = (4.0, 20.0)
_STANDS = 0.05  # of the change that is due between the last two steps: less is a limit
_PROBABILITY = 0.95
_AT_THE_EDGE = "at the edge within U"


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One level of the output, in its unit.

    Attributes:
        value: mean of the readings.
        sd: of the readings; NaN = one only.
        swing: largest less smallest reading.
        U: expanded uncertainty with what is stated of the meter; NaN = nothing is stated.
        pct: of the output range.
        read_as: by NE 43; None where the output is no 4 .. 20 mA.
    """

    value: float
    sd: float
    swing: float
    U: float
    pct: float
    read_as: CurrentClass | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """Beyond one end of the range.

    Attributes:
        way: "below" or "above".
        places_pct: shape (n,), of the input range, from the end of the range outwards.
        outputs_pct: shape (n,), of the output range.
        ideals_pct: shape (n,), what a straight line would give.
        linear_to_pct: input up to which the output is within the allowed error; NaN = not even at the end.
        level: at the outermost place.
        is_held: whether the output stands at a limit there; False = it still follows.
        begins_pct: input at which the ideal output reaches that limit; NaN where it still follows.
        recovery_s: after which it is within the allowed error of its value in range; NaN = not seen.
        paced_s: from reading to reading of the recovery; NaN = one reading.
        offset_pct: in range, after less before, % of span.
        U_offset_pct: of that, from the scatter; NaN = not known.
    """

    way: Literal["below", "above"]
    places_pct: FloatArray
    outputs_pct: FloatArray
    ideals_pct: FloatArray
    linear_to_pct: float
    level: Level
    is_held: bool
    begins_pct: float
    recovery_s: float
    paced_s: float
    offset_pct: float
    U_offset_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one step says.

    Attributes:
        step: its number.
        unit: of the output.
        sides: below, above.
        linear_within_pct: error that counts as linear, and as recovered.
        opened: with the input open; None = not asked for, or not read.
        reconnected_pct: in range after that, less before; NaN = not read.
        burnout: what is required of it, "up", "down" or "".
        is_judged: whether NE 43 is required of the limits.
        recovery_at_most_s: NaN = no limit.
    """

    step: int
    unit: str
    sides: tuple[Side, ...]
    linear_within_pct: float
    opened: Level | None
    reconnected_pct: float
    burnout: Literal["", "up", "down"]
    is_judged: bool
    recovery_at_most_s: float


def limits(
    seen: Seen,
    *,
    number: int,
    linear_within_pct: float,
    recovery_at_most_s: float,
    is_judged: bool,
    burnout: Literal["", "up", "down"],
) -> Limits:
    """What one step says; arguments as in `Limits`."""
    rows = seen.rows(*ROLES)
    readings = visit_errors(rows[rows["step"] == number], seen.sheet)
    last = seen.sheet.taps[-1]
    sides = tuple(
        _side(readings[readings["cycle"] == cycle], seen, way, linear_within_pct)
        for cycle, way in ((1, "below"), (2, "above"))
        if ((readings["cycle"] == cycle) & (readings["role"] == OUT)).any()
    )
    opened = readings[readings["role"] == OPEN]["output"].to_numpy(dtype="float64")
    again = readings[readings["role"] == RECONNECTED]["error_pct"]
    at_home = readings[readings["role"] == BACK]
    risen = at_home[at_home["direction"] == "up"]  # as it comes from the safe level, where such readings are there
    before = (at_home if risen.empty else risen)["error_pct"]
    return Limits(
        step=number,
        unit=last.unit,
        sides=sides,
        linear_within_pct=linear_within_pct,
        # A unit that looks for a broken sensor does so now and then: the later half has seen it.
        opened=_level(opened[len(opened) // 2 :], seen) if len(opened) else None,
        reconnected_pct=float(again.mean() - before.mean()) if len(again) and len(before) else math.nan,
        burnout=burnout,
        is_judged=is_judged,
        recovery_at_most_s=recovery_at_most_s,
    )


def _side(readings: pd.DataFrame, seen: Seen, way: str, within_pct: float) -> Side:
    sheet = seen.sheet
    last = sheet.taps[-1]
    out = readings[readings["role"] == OUT]
    visits = out.groupby("point", sort=True).agg(
        place=("setpoint_pct", "first"), output=("output", "mean"), error=("error_pct", "mean")
    )
    outputs = 100 * last.fraction(visits["output"].to_numpy(dtype="float64"))
    errors = visits["error"].to_numpy(dtype="float64") * (1 if last.span > 0 else -1)
    ideals = outputs - errors
    is_off = np.abs(errors) > within_pct
    linear_n = int(is_off.argmax()) if is_off.any() else len(errors)
    level = _level(out[out["point"] == out["point"].max()]["output"].to_numpy(dtype="float64"), seen)
    due, came = (abs(float(each[-1] - each[-2])) if len(each) > 1 else math.nan for each in (ideals, outputs))
    is_held = bool(came < _STANDS * due)
    places = visits["place"].to_numpy(dtype="float64")
    recovery_s, paced_s = _recovery(readings, within_pct)
    offset_pct, U_offset_pct = _offset(readings)
    return Side(
        way="below" if way == "below" else "above",
        places_pct=places,
        outputs_pct=outputs,
        ideals_pct=ideals,
        linear_to_pct=float(places[linear_n - 1]) if linear_n else math.nan,
        level=level,
        is_held=is_held,
        begins_pct=_reaches(places, ideals, level.pct) if is_held else math.nan,
        recovery_s=recovery_s,
        paced_s=paced_s,
        offset_pct=offset_pct,
        U_offset_pct=U_offset_pct,
    )


def _reaches(places: FloatArray, ideals: FloatArray, level: float) -> float:
    """Input at which the ideal output has a level, straight between the places; NaN beside them."""
    order = np.argsort(ideals)
    return float(np.interp(level, ideals[order], places[order], left=math.nan, right=math.nan))


def _recovery(readings: pd.DataFrame, within_pct: float) -> tuple[float, float]:
    """Time from setting the input back until the output stays near where it stands at last; and the pace."""
    moving = readings[readings["role"] == RECOVERS]
    home = readings[(readings["role"] == BACK) & (readings["number"] > moving["number"].max())]
    if moving.empty or home.empty:
        return math.nan, math.nan
    after_s = (moving["at_s"] - moving["set_at_s"]).to_numpy(dtype="float64")
    away = np.abs(moving["error_pct"].to_numpy(dtype="float64") - float(home["error_pct"].mean()))
    paced_s = float(np.median(np.diff(after_s))) if len(after_s) > 1 else math.nan
    late = np.flatnonzero(away > within_pct)
    first = int(late[-1]) + 1 if len(late) else 0
    return (float(after_s[first]) if first < len(after_s) else math.nan), paced_s


def _offset(readings: pd.DataFrame) -> tuple[float, float]:
    """In range after the overrange less before it, and its uncertainty from the scatter."""
    back = [
        part["error_pct"].to_numpy(dtype="float64") for _, part in readings[readings["role"] == BACK].groupby("number")
    ]
    if len(back) < 2:
        return math.nan, math.nan
    before, after = back[0], back[-1]
    free = len(before) + len(after) - 2
    offset = float(after.mean() - before.mean())
    if not free:
        return offset, math.nan
    squares = float(((before - before.mean()) ** 2).sum() + ((after - after.mean()) ** 2).sum())
    u = math.sqrt(squares / free * (1 / len(before) + 1 / len(after)))
    return offset, float(coverage_factor(_PROBABILITY, free)) * u


def _level(outputs: FloatArray, seen: Seen) -> Level:
    value = float(outputs.mean())
    U = _U_of_level(outputs, seen)
    return Level(
        value=value,
        sd=float(outputs.std(ddof=1)) if len(outputs) > 1 else math.nan,
        swing=float(np.ptp(outputs)),
        U=U,
        pct=100 * float(seen.sheet.taps[-1].fraction(np.array(value))),
        read_as=current_class(value, U if math.isfinite(U) else 0.0) if _is_live_zero(seen.sheet) else None,
    )


def _is_live_zero(sheet: DataSheet) -> bool:
    last = sheet.taps[-1]
    return last.unit == "mA" and tuple(sorted((last.low, last.high))) == _LIVE_ZERO_mA


def _U_of_level(outputs: FloatArray, seen: Seen) -> float:
    """Of a mean at the last tap, where the meter is stated in its unit; NaN elsewhere."""
    last, basis = seen.sheet.taps[-1], seen.basis
    stated = [each for each in basis.statements if each.tap == last.name] if isinstance(basis, Basis) else []
    if not stated or last.sensor is not None:
        return math.nan
    (meter,) = stated
    level = np.array(abs(float(outputs.mean())))
    lines = [from_resolution("resolution", meter.resolution)]
    if meter.accuracy is not None:
        lines.append(from_half_width("accuracy", meter.accuracy.at(level)))
    if meter.certificate is not None:
        lines.append(from_certificate("certificate", meter.certificate.at(level), k=meter.certificate_k))
    if len(outputs) > 1:
        lines.append(from_readings("scatter", float(outputs.std(ddof=1)), len(outputs)))
    return float(combine(lines, probability=_PROBABILITY).U)


def judged(each: Limits) -> tuple[Judged, ...]:
    """What the step requires: levels at both limits, recovery, broken sensor."""
    found = []
    for side in each.sides:
        if each.is_judged:
            found.append(_of_level(f"output {side.way} the range", side.level, each.unit, "measuring"))
        if not math.isnan(each.recovery_at_most_s):
            found.append(_of_recovery(side, each.recovery_at_most_s))
    if each.burnout:
        wanted: CurrentClass = "failure high" if each.burnout == "up" else "failure low"
        found.append(_of_level("output with open input", each.opened, each.unit, wanted))
    return tuple(found)


def _of_level(name: str, level: Level | None, unit: str, wanted: CurrentClass) -> Judged:
    bounds = {
        "measuring": "3.8 to 20.5 mA (NE 43)",
        "failure high": "21 mA or more (NE 43)",
        "failure low": "3.6 mA or less (NE 43)",
    }
    limit = bounds[wanted]
    if level is None or level.read_as is None:
        reason = "it was not read" if level is None else "the output is no 4 .. 20 mA"
        value = math.nan if level is None else level.value
        return Judged(name=name, value=value, unit=unit, limit=limit, is_met=None, reason=reason)
    if level.read_as == "not determinable":
        is_met, reason = None, "the uncertainty of the meter reaches over the level"
    else:
        is_met, reason = level.read_as == wanted, _AT_THE_EDGE if _is_at_an_edge(level) else ""
    return Judged(name=name, value=level.value, U=level.U, unit=unit, limit=limit, is_met=is_met, reason=reason)


def _is_at_an_edge(level: Level) -> bool:
    """Within its uncertainty of the end of a class: a unit that stops there as it should reads now in, now out."""
    return math.isfinite(level.U) and current_class(level.value - level.U) != current_class(level.value + level.U)


def at_an_edge(each: Limits) -> tuple[str, ...]:
    """What of the limits is kept no more surely than by half: a reservation each."""
    return tuple(
        f"{one.name} {sized(one.value, 5)} {one.unit} (U = {sized(one.U, 2)} {one.unit}) is {_AT_THE_EDGE}: {one.limit}"
        for one in judged(each)
        if one.is_met and one.reason == _AT_THE_EDGE
    )


def _of_recovery(side: Side, at_most_s: float) -> Judged:
    is_met: bool | None = side.recovery_s <= at_most_s
    reason = ""
    if math.isnan(side.recovery_s):
        is_met = None if math.isnan(side.paced_s) else False
        reason = "one reading only" if is_met is None else "not in the time it was watched"
    elif not is_met and not side.recovery_s - side.paced_s > at_most_s:  # it may have come between two readings
        is_met, reason = None, "the readings are too slow for it"
    return Judged(
        name=f"recovery from {side.way} the range",
        value=side.recovery_s,
        unit="s",
        limit=f"at most {at_most_s:g} s",
        is_met=is_met,
        reason=reason,
    )
