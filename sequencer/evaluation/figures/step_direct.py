"""Figures of a recorded answer to a step, straight from the readings: no system is supposed.

A reading is a mean over its aperture, stamped at its end, so every time is earlier than its stamp by half of that, and
by half of the rise of the input; this is exact to the second power of the aperture over the time constant.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import norm, studentized_range, t

from instruments.datasheet import FloatArray
from sequencer.evaluation.figures.step_fit import Trace

__all__ = [
    "DirectFigures",
    "Estimate",
    "Levels",
    "direct_figures",
    "levels_of",
    "moves_at_end",
    "slope_stands_out",
    "wild_readings",
]

BoolArray = npt.NDArray[np.bool_]

_CHANCE = 0.01
"""Share of records without any such thing in which scatter alone passes for it."""
_FEW = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A figure with its standard uncertainty.

    Attributes:
        value: NaN = not determinable, then `reason` says why.
        u: standard uncertainty; NaN = not known.
        at_most: no value, but it is not above this; NaN = no such bound.
        reason: why there is no value; "" = there is one.
    """

    value: float = math.nan
    u: float = math.nan
    at_most: float = math.nan
    reason: str = ""

    @property
    def is_known(self) -> bool:
        """Whether there is a value."""
        return math.isfinite(self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Where the output stands before the step and at the end of the record.

    Attributes:
        before: mean before the step.
        after: mean of the end that has to be held.
        sd: scatter of readings that stand still, not below what the digits leave.
        u_before: standard uncertainty of the mean.
        u_after: the same.
        slope_per_s: of the readings at the end.
        u_slope: its standard uncertainty.
        held_n: readings at the end.
    """

    before: float
    after: float
    sd: float
    u_before: float
    u_after: float
    slope_per_s: float
    u_slope: float
    held_n: int

    @property
    def step(self) -> float:
        """From one to the other."""
        return self.after - self.before

    @property
    def u_step(self) -> float:
        """Its standard uncertainty."""
        return math.hypot(self.u_before, self.u_after)


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectFigures:
    """Figures straight from the readings; times in s from the instant of the step, shares in fractions of it.

    Attributes:
        first_seen_s: end of the first reading that shows a change, and of the last that shows none before it.
        T63: time to 63.2 % of the step.
        rise: time from 10 to 90 % of the step.
        settling: when the readings were last outside the band.
        overshoot: beyond the level at the end, in fractions of the step.
        moving_n: readings between 10 and 90 %.
    """

    first_seen_s: tuple[float, float]
    T63: Estimate
    rise: Estimate
    settling: Estimate
    overshoot: Estimate
    moving_n: int


def wild_readings(values: FloatArray) -> BoolArray:
    """Which readings stand alone far off while their neighbours agree: shape (n,), booleans."""
    found = np.zeros(len(values), dtype=np.bool_)
    if len(values) < 5:
        return found
    aside = values[1:-1] - (values[:-2] + values[2:]) / 2
    between = np.abs(values[2:] - values[:-2])
    usual = 1.4826 * float(np.median(np.abs(aside))) + 1e-12 * float(np.abs(values).max())
    span = float(np.percentile(values, 95) - np.percentile(values, 5))
    far = (np.abs(aside) > 8 * usual) & (np.abs(aside) > 4 * between) & (np.abs(aside) > 0.02 * span)
    # The neighbours of a wild one are aside by half of it.
    for place in np.flatnonzero(far):
        near = np.abs(aside[max(place - 1, 0) : place + 2])
        found[place + 1] = abs(aside[place]) >= near.max()
    return found


def levels_of(trace: Trace, *, hold_s: float) -> Levels:
    """Levels before the step and at the end, over the last `hold_s` of the record (four readings at least)."""
    times, values = trace.times_s, trace.values
    before = values[times <= 0]
    held = times >= times[-1] - hold_s
    held[-_FEW:] = True
    held &= times > 0
    at_s, end = times[held], values[held]
    slope, u_slope, scatter = _line(at_s, end)
    squares = [(scatter**2, max(len(end) - 2, 0))]
    if len(before) > 1:
        squares.append((float(np.var(before, ddof=1)), len(before) - 1))
    free = sum(count for _, count in squares)
    sd = math.sqrt(sum(square * count for square, count in squares) / free) if free else math.nan
    floor = trace.resolution / math.sqrt(12)
    sd = max(sd, floor)
    return Levels(
        before=float(before.mean()) if len(before) else math.nan,
        after=float(end.mean()),
        sd=sd,
        u_before=math.hypot(sd / math.sqrt(max(len(before), 1)), _kept(sd, trace)),
        u_after=math.hypot(sd / math.sqrt(len(end)), _kept(sd, trace)),
        slope_per_s=slope,
        u_slope=max(u_slope, floor / (np.ptp(at_s) or math.inf)),
        held_n=len(end),
    )


def _kept(sd: float, trace: Trace) -> float:
    """What averaging leaves of the rounding: it goes only where scatter is as large as the digits."""
    if not trace.resolution:
        return 0.0
    return trace.resolution / math.sqrt(12) * math.exp(-2 * math.pi**2 * (sd / trace.resolution) ** 2)


def _line(at_s: FloatArray, values: FloatArray) -> tuple[float, float, float]:
    """Slope with its standard uncertainty, and scatter about it."""
    away = at_s - at_s.mean()
    size = float(away @ away)
    if len(values) < 3 or size == 0:
        return 0.0, math.inf, math.nan
    slope = float(away @ values) / size
    left = values - values.mean() - slope * away
    scatter = math.sqrt(float(left @ left) / (len(values) - 2))
    return slope, scatter / math.sqrt(size), scatter


def direct_figures(trace: Trace, levels: Levels, *, band_frac: float, hold_s: float) -> DirectFigures:
    """Figures straight from the readings.

    Args:
        trace: with readings before the step.
        levels: of it; the step is not zero.
        band_frac: half width of the settling band, in fractions of the step.
        hold_s: how long the output has to stay inside until the record ends.
    """
    parts = (trace.values - levels.before) / levels.step
    sd = levels.sd / abs(levels.step)
    guard = 2 * sd
    shift_s = (trace.aperture_s + trace.rise_s + trace.late_s) / 2
    crossing = {
        level: _crossing(trace.times_s, parts, level, guard=guard, usual_s=trace.interval_s)
        for level in (0.1, 1 - math.exp(-1), 0.9)
    }
    moving_n = int(np.sum((parts > 0.1) & (parts < 0.9) & (trace.times_s > 0)))
    if moving_n < _FEW:  # a straight line from one to the next is a rough guess of what lies between
        crossing = {level: _moved(each, 0.0, trace.interval_s / math.sqrt(12)) for level, each in crossing.items()}
    low, middle, high = crossing.values()
    start = trace.late_s / math.sqrt(12)
    rise = Estimate(reason="10 or 90 % is not reached")
    if low.is_known and high.is_known:
        rise = Estimate(value=high.value - low.value, u=math.hypot(low.u, high.u))
    return DirectFigures(
        first_seen_s=_first_seen(trace.times_s, parts, max(4 * sd, 1e-9)),
        T63=_moved(middle, shift_s, start),
        rise=rise,
        settling=_moved(_settling(trace, parts, levels, band_frac, hold_s), shift_s, start),
        overshoot=_overshoot(parts, trace.times_s, sd, levels),
        moving_n=moving_n,
    )


def _moved(found: Estimate, shift_s: float, u_s: float) -> Estimate:
    if not found.is_known:
        return found
    return Estimate(value=max(found.value - shift_s, 0.0), u=math.hypot(found.u, u_s))


def _crossing(times: FloatArray, parts: FloatArray, level: float, *, guard: float, usual_s: float) -> Estimate:
    """When a level is first passed: a straight line through what lies between surely below and surely above it."""
    is_above = (parts >= level + guard) & (times > 0)
    if not is_above.any():
        is_above = (parts >= level) & (times > 0)
    if not is_above.any():
        return Estimate(reason=f"{100 * level:.3g} % of the step is not reached")
    last = int(np.argmax(is_above))
    below = np.flatnonzero(parts[:last] <= level - guard)
    first = int(below[-1]) if len(below) else max(last - 1, 0)
    at_s, seen = times[first : last + 1], parts[first : last + 1]
    wide_s = float(at_s[-1] - at_s[0])
    if len(at_s) < _FEW:
        near = max(int(np.argmax(seen >= level)), 1)
        (start_s, end_s), (low, high) = at_s[near - 1 : near + 1], seen[near - 1 : near + 1]
        value = start_s + (level - low) / (high - low) * (end_s - start_s) if high > low else (start_s + end_s) / 2
        slope = (seen[-1] - seen[0]) / wide_s if wide_s else math.inf
        # A straight line between two readings misses a bend by at most an eighth of the interval, about.
        u_s = math.hypot(guard / 2 / slope, wide_s / (len(at_s) - 1) / 8 / math.sqrt(3)) if slope > 0 else wide_s
        if end_s - start_s > 1.5 * usual_s:  # readings are missing there
            u_s = math.hypot(u_s, (end_s - start_s) / math.sqrt(12))
        return Estimate(value=float(value), u=float(u_s))
    slope, _, scatter = _line(at_s, seen)
    if slope <= 0:
        return Estimate(value=float(at_s.mean()), u=wide_s / math.sqrt(12))
    value = float(at_s.mean() + (level - seen.mean()) / slope)
    return Estimate(value=value, u=max(scatter, guard / 2) / math.sqrt(len(at_s)) / slope)


def _first_seen(times: FloatArray, parts: FloatArray, threshold: float) -> tuple[float, float]:
    """End of the last reading without a change before the first two in a row with one, and of the first of these."""
    changed = (np.abs(parts) > threshold) & (times > 0)
    lasting = changed & np.append(changed[1:], True)
    if not lasting.any():
        return math.nan, math.nan
    first = int(np.argmax(lasting))
    return (max(float(times[first - 1]), 0.0) if first else 0.0), float(times[first])


def _settling(trace: Trace, parts: FloatArray, levels: Levels, band: float, hold_s: float) -> Estimate:
    """When the last reading lay outside the band, interpolated to the edge; for those times when it is certain."""
    times = trace.times_s
    sd, u_end = levels.sd / abs(levels.step), levels.u_after / abs(levels.step)
    if slope_stands_out(levels):  # the level at the end is none yet: what is still to go moves the band
        to_go = abs(levels.slope_per_s * (times[-1] - times[-levels.held_n]) / levels.step)
        if to_go > band:
            return Estimate(
                reason=f"the output still moves at the end of the record, by {_pct(to_go)} of the step over the time "
                f"that it has to hold, more than the band of {_pct(band)}"
            )
        u_end = math.hypot(u_end, to_go)
    count = max(int(np.sum(times > 0)), 1)
    reach = sd * float(norm.isf(_CHANCE / 2 / count))
    if reach > band:
        return Estimate(reason=f"the readings scatter by {_pct(reach)} of the step, more than the band of {_pct(band)}")
    outside = np.flatnonzero((np.abs(parts - 1) > band) & (times > 0))
    if not len(outside):
        return Estimate(reason="no reading lies outside the band", at_most=float(times[times > 0][0]))
    last = int(outside[-1])
    held_s = float(times[-1] - times[last])
    if last == len(times) - 1 or held_s < hold_s:
        return Estimate(
            reason=f"record too short: the output is inside the band of {_pct(band)} only for its last "
            f"{held_s:.3g} s, and {hold_s:.3g} s are asked for"
        )
    edge = 1 + math.copysign(band, parts[last] - 1)
    share = (edge - parts[last]) / (parts[last + 1] - parts[last]) if parts[last + 1] != parts[last] else 0.5
    wide_s = float(times[last + 1] - times[last])
    # With scatter the last one outside may be any of those near the edge, and it rather is a late one.
    near = slice(max(last - 2, 0), last + 4)
    slope = abs(_line(times[near], parts[near])[0])
    u_s = math.hypot(wide_s / 8, math.hypot(sd, u_end) / slope) if slope else held_s
    return Estimate(value=float(times[last] + min(max(share, 0.0), 1.0) * wide_s), u=float(min(u_s, held_s)))


def _overshoot(parts: FloatArray, times: FloatArray, sd: float, levels: Levels) -> Estimate:
    """Highest swing beyond the level at the end; where scatter could make it, only what it is not beyond."""
    after = parts[times > 0]
    reach = float(np.argmax(after >= 0.9)) if (after >= 0.9).any() else len(after)
    late = after[int(reach) :]
    if len(late) < _FEW:
        return Estimate(reason="too few readings near the end of the move")
    moved = abs(levels.slope_per_s * (times[-1] - times[-levels.held_n]) / levels.step)
    if slope_stands_out(levels) and moved > 2 * sd and int(np.argmax(late)) >= len(late) - levels.held_n:
        return Estimate(reason="the output still moves at the end of the record")
    u_end = levels.u_after / abs(levels.step)
    seen_from = sd * float(norm.isf(_CHANCE / len(late))) + 2 * u_end
    top = int(np.argmax(late))
    over = float(late[top]) - 1
    if over <= seen_from:
        return Estimate(at_most=seen_from, reason=f"none seen beyond {_pct(seen_from)} of the step")
    first, last = _around(late - 1, top, over / 2)
    near = late[first:last] - 1
    if len(near) < 5:
        return Estimate(value=over, u=math.hypot(sd, u_end))
    places = np.arange(len(near)) - (len(near) - 1) / 2
    columns = np.column_stack([np.ones(len(near)), places, places**2, places**3])[:, : 4 if len(near) > 6 else 3]
    found = columns @ np.linalg.lstsq(columns, near, rcond=None)[0]
    return Estimate(value=float(found.max()), u=math.hypot(sd * math.sqrt(columns.shape[1] / len(near)), u_end))


def _around(over: FloatArray, top: int, level: float) -> tuple[int, int]:
    """The readings in a row about the top that lie above a level."""
    below = np.flatnonzero(over < level)
    first = int(below[below < top].max(initial=-1)) + 1
    return first, int(below[below > top].min(initial=len(over)))


def _pct(frac: float) -> str:
    return f"{100 * frac:.2g} %"


def slope_stands_out(levels: Levels) -> bool:
    """Whether the readings at the end still move by more than their scatter makes likely."""
    free = levels.held_n - 2
    return free > 0 and abs(levels.slope_per_s) > levels.u_slope * float(t.isf(_CHANCE / 2, free))


def moves_at_end(trace: Trace, levels: Levels) -> float:
    """By how much the output moves over the readings at the end, as a share of the step; 0 = no more than they scatter.

    Means of quarters, so that a swing that turns there is seen, whose slope is none; their range is held against the
    studentised range of neighbours' scatter.
    """
    end = trace.values[-levels.held_n :]
    if len(end) < 4 * _FEW:
        moved = levels.slope_per_s * (trace.times_s[-1] - trace.times_s[-levels.held_n])
        return abs(moved / levels.step) if slope_stands_out(levels) else 0.0
    means = np.array([part.mean() for part in np.array_split(end, 4)])
    sd = max(math.sqrt(float(np.mean(np.diff(end) ** 2)) / 2), trace.resolution / math.sqrt(12))
    moved = float(np.ptp(means))
    least = sd / math.sqrt(len(end) / 4) * float(studentized_range.isf(_CHANCE, 4, len(end) - 1))
    return moved / abs(levels.step) if moved > max(least, trace.resolution) else 0.0
