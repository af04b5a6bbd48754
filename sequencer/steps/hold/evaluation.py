"""Long-term drift from the table of a run: slope, largest change, and the Allan deviation of the readings."""

import math
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import pandas as pd

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.averaging import Averaging, averaging
from sequencer.evaluation.figures.drift import Drift, drift
from sequencer.evaluation.figures.per_point import FloatArray
from sequencer.evaluation.step_limits import is_within
from sequencer.evaluation.visit_errors import resolution_pct, visit_errors
from sequencer.inputs.step import Judged, Seen

__all__ = ["HOLD", "Held", "held", "judged"]

HOLD = "hold"
_DAY_S = 86_400.0
_PARTS_N = 24  # means that the largest change is between: an hour each of a day
_UNEVEN = 1.5  # of the usual interval: farther apart is a gap


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What the output did at one input, in % of its span.

    Attributes:
        at_pct: % of the input range.
        step: number of the step.
        times_s: shape (n,), since the first reading.
        error_pct: shape (n,), output less ideal.
        drift: slope in time; None = too few readings.
        means: shape (m, 2): times in s and means of neighbouring readings, that the largest change is between.
        change_pct: largest less smallest of these means.
        averaging: what a mean of so many readings is worth; None where readings lack or are uneven in time.
        gaps_n: how many intervals are longer than usual.
        at_most_pct: limit of the drift in a day; NaN = none.
        change_at_most_pct: limit of the largest change; NaN = none.
    """

    at_pct: float
    step: int
    times_s: FloatArray
    error_pct: FloatArray
    drift: Drift | None
    means: FloatArray
    change_pct: float
    averaging: Averaging | None
    gaps_n: int
    at_most_pct: float
    change_at_most_pct: float

    @property
    def per_day_pct(self) -> float:
        """Slope in % of span a day; NaN = not known."""
        return math.nan if self.drift is None else self.drift.per_s * _DAY_S

    @property
    def U_per_day_pct(self) -> float:
        """Of that."""
        return math.nan if self.drift is None else self.drift.U_per_s * _DAY_S


def held(seen: Seen, *, number: int, at_most_pct: float, change_at_most_pct: float) -> Held | None:
    """What one step says; None where fewer than two readings were taken."""
    rows = seen.rows(HOLD)
    rows = rows[rows["step"] == number]
    if rows.empty:
        return None
    readings = visit_errors(rows, seen.sheet)
    if len(readings) < 2:
        return None
    times_s = (readings["at_s"] - readings["at_s"].iloc[0]).to_numpy(dtype="float64")
    errors = readings["error_pct"].to_numpy(dtype="float64")
    resolution = resolution_pct(rows, seen.sheet, seen.receivers)
    found = None
    with suppress(ReadingsError):  # too few, which is said in words
        found = drift(errors, times_s, step=resolution)
    intervals = np.diff(times_s)
    gaps_n = int((intervals > _UNEVEN * np.median(intervals)).sum())
    means = _means(errors, times_s)
    return Held(
        at_pct=float(readings["setpoint_pct"].iloc[0]),
        step=number,
        times_s=times_s,
        error_pct=errors,
        drift=found,
        means=means,
        change_pct=float(np.ptp(means[:, 1])),
        averaging=None if gaps_n else averaging(errors, times_s),
        gaps_n=gaps_n,
        at_most_pct=at_most_pct,
        change_at_most_pct=change_at_most_pct,
    )


def _means(errors: FloatArray, times_s: FloatArray) -> FloatArray:
    """Means over equal parts of the time: one noisy reading is no change. Single readings where they are few."""
    parts_n = min(_PARTS_N, len(errors))
    part = np.minimum((times_s / max(times_s[-1], 1e-9) * parts_n).astype(np.int64), parts_n - 1)
    grouped = pd.DataFrame({"t": times_s, "y": errors}).groupby(part)
    return np.asarray(grouped.mean().to_numpy(dtype="float64"))


def judged(each: Held) -> tuple[Judged, ...]:
    """Drift in a day and largest change, where the step states limits."""
    found = []
    if not math.isnan(each.at_most_pct):
        found.append(_drift_judged(each))
    if not math.isnan(each.change_at_most_pct):
        found.append(
            Judged(
                name=f"largest change at {each.at_pct:g} %",
                value=each.change_pct,
                unit="% of span",
                limit=f"at most {each.change_at_most_pct:g} % of span",
                is_met=each.change_pct <= each.change_at_most_pct,
            )
        )
    return tuple(found)


def _drift_judged(each: Held) -> Judged:
    size, U = abs(each.per_day_pct), each.U_per_day_pct
    is_met, reason = is_within(size, U, each.at_most_pct), ""
    if each.drift is None:
        reason = "too few readings"
    elif is_met is None:
        reason = "the noise of so short a time leaves it open; hold it longer"
    return Judged(
        name=f"drift at {each.at_pct:g} %",
        value=size,
        U=U,
        unit="% of span in a day",
        limit=f"at most {each.at_most_pct:g} % of span in a day",
        is_met=is_met,
        reason=reason,
    )
