"""The readings of one unit in the order in which they were taken, as arrays: the view that causes are fitted to."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from instruments.errors import ReadingsError
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.inputs.step import BURST_ROLES, END_PAIR, FURTHER, JUDGED_ROLES, QUIET_BURST
from sequencer.readings.table import BY_HAND, valid_rows

__all__ = ["Captured", "Series", "moving", "series_of", "without_outliers"]

_MAD_TO_SD = 1.4826  # of a normal distribution


@dataclass(frozen=True, slots=True, kw_only=True)
class Captured:
    """Readings in a row at one settled point, taken for their noise.

    Attributes:
        setpoint_pct: % of the input range.
        is_drive_on: False where the drive was off for it.
        values: shape (n,), signal as the meter gave it, in `unit`.
        at_s: shape (n,).
    """

    setpoint_pct: float
    is_drive_on: bool
    unit: str
    values: FloatArray
    at_s: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One step, visit after visit; arrays of shape (visits,) unless said otherwise.

    Attributes:
        setpoint: commanded input, as fraction of the input range.
        direction: +1 going up, -1 going down, 0 where the order of the readings tells none.
        is_again: True where the input had not been moved since the visit before (end pairs).
        at_s: when it was read; a count of visits where no time is known.
        has_times: whether `at_s` is time.
        to_go: bound of the residual settling error at the last tap, as fraction of its span; 0 where none is known.
        raw: by tap, each reading as fraction of the tap's range; shape (visits, readings), NaN = none.
        value: by tap, the mean of the readings of a visit without gross outliers.
        sd: by tap, standard deviation of one reading within a visit, pooled; 0 where each was read once.
        is_keyed: whether a person read or typed the values.
        text: by tap, each reading as it was written down; shape (visits, readings), "" = not kept.
        place: by tap, where it was written, such as 'line 5, column "output" of line 1'; same shape, "" = in no table.
        captured: by tap, the bursts that were captured there.
        stated: setpoint that stands beside the readings in a table by hand, as fraction of the input range; NaN = none.
        resolution: by tap, as fraction of its span, where it is known of the readings as they were written.
    """

    setpoint: FloatArray
    direction: FloatArray
    is_again: npt.NDArray[np.bool_]
    at_s: FloatArray
    has_times: bool
    to_go: FloatArray
    raw: dict[str, FloatArray]
    value: dict[str, FloatArray]
    sd: dict[str, float]
    is_keyed: bool
    text: dict[str, npt.NDArray[np.object_]]
    place: dict[str, npt.NDArray[np.object_]] = field(default_factory=dict)
    captured: dict[str, tuple[Captured, ...]] = field(default_factory=dict)
    stated: FloatArray = field(default_factory=lambda: np.empty(0))
    resolution: dict[str, float] = field(default_factory=dict)

    @property
    def visits_n(self) -> int:
        """How many visits."""
        return self.setpoint.size


def series_of(table: pd.DataFrame, sheet: DataSheet) -> Series:
    """The first step of a table that took readings, and further points if there are any, visit after visit.

    Args:
        table: tidy, of one unit.
        sheet: of the unit.

    Raises:
        ReadingsError: no reading in it.
    """
    rows = valid_rows(table)
    rows = rows[rows["role"].isin(JUDGED_ROLES)]
    if rows.empty:
        raise ReadingsError("there is no reading in the table", todo="run again, or check the columns of the CSV")
    # Further points were taken to tell causes apart, so they belong to what is to be explained.
    rows = rows[(rows["step"] == rows["step"].iloc[0]) | (rows["step_name"] == FURTHER)]
    if rows["number"].notna().all():
        rows = rows.sort_values("number", kind="stable")
    visit = rows.groupby(["step", "cycle", "direction", "point", "role"], sort=False, dropna=False).ngroup().to_numpy()
    _, first_row = np.unique(visit, return_index=True)
    heads = rows.iloc[first_row]
    visits_n, farthest = len(heads), PRIORS.readings.farthest_frac
    taps = [tap for tap in sheet.taps if (rows["tap"] == tap.name).any()]
    raw, value, sd = {}, {}, {}
    written: dict[str, dict[str, npt.NDArray[np.object_]]] = {"raw": {}, "range": {}}
    for tap in taps:
        is_here = (rows["tap"] == tap.name).to_numpy()
        here, place = rows[is_here], visit[is_here]
        order = here.groupby(place, sort=False).cumcount().to_numpy()
        readings = np.full((visits_n, int(order.max()) + 1), np.nan)
        readings[place, order] = np.clip(tap.fraction(here["value"].to_numpy(dtype=np.float64)), -farthest, farthest)
        raw[tap.name] = readings
        value[tap.name], sd[tap.name] = without_outliers(readings)
        for name, texts in written.items():
            texts[tap.name] = np.full(readings.shape, "", dtype=object)
            is_by_hand = name == "raw" or (here["step_name"] == BY_HAND).to_numpy()
            texts[tap.name][place, order] = np.where(is_by_hand, here[name].astype(str), "")
    is_last = (rows["tap"] == taps[-1].name).to_numpy()
    at_s, to_go = _in_time(rows[is_last], visit[is_last], visits_n, abs(taps[-1].span))
    has_times = bool(np.isfinite(at_s).all()) and bool((np.diff(at_s) > 0).all()) and visits_n > 1
    first = sheet.taps[0]
    setpoint = heads["setpoint_pct"].to_numpy(dtype=np.float64) / 100
    if first.certified is not None and first.certified.is_set:
        setpoint = first.fraction(first.given(first.value(setpoint)))
    directions = heads["direction"].map({"up": 1.0, "down": -1.0}).fillna(0.0).to_numpy(dtype=np.float64)
    return Series(
        setpoint=setpoint,
        direction=directions,
        is_again=(heads["role"] == END_PAIR).to_numpy(),
        at_s=at_s - at_s[0] if has_times else np.arange(visits_n, dtype=np.float64),
        has_times=has_times,
        to_go=to_go,
        raw=raw,
        value=value,
        sd=sd,
        is_keyed=bool(heads["settling"].isin(["by the operator", ""]).all()),
        text=written["raw"],
        place=written["range"],
        captured=_captured(table),
        stated=_stated(heads),
    )


def _stated(heads: pd.DataFrame) -> FloatArray:
    """The setpoints that stood in a table by hand; none where a table was made without."""
    if "stated_pct" not in heads:
        return np.full(len(heads), np.nan)
    return heads["stated_pct"].to_numpy(dtype=np.float64) / 100


def _in_time(
    rows: pd.DataFrame, visit: npt.NDArray[np.intp], visits_n: int, span: float
) -> tuple[FloatArray, FloatArray]:
    """Mean time of each visit in seconds, NaN where it has none, and the error still to go there as a share of span."""
    sums, counts, to_go = np.zeros(visits_n), np.zeros(visits_n), np.zeros(visits_n)
    np.add.at(sums, visit, rows["at_s"].to_numpy(dtype=np.float64))
    np.add.at(counts, visit, 1.0)
    bounds = rows["to_go"].to_numpy(dtype=np.float64)
    to_go[visit] = np.where(np.isfinite(bounds), bounds, 0.0) / span
    return np.where(counts > 0, sums / np.maximum(counts, 1), np.nan), to_go


def _captured(table: pd.DataFrame) -> dict[str, tuple[Captured, ...]]:
    """The bursts in a table, by tap."""
    rows = table[table["role"].isin(BURST_ROLES)]
    found: dict[str, list[Captured]] = {}
    if rows.empty:
        return {}
    rows = valid_rows(rows)
    for (_step, _point, name, role), part in rows.groupby(["step", "point", "tap", "role"], sort=False):
        burst = Captured(
            setpoint_pct=float(part["setpoint_pct"].iloc[0]),
            is_drive_on=role != QUIET_BURST,
            unit=str(part["signal_unit"].iloc[0]),
            values=part["signal"].to_numpy(dtype=np.float64),
            at_s=part["at_s"].to_numpy(dtype=np.float64),
        )
        found.setdefault(str(name), []).append(burst)
    return {name: tuple(bursts) for name, bursts in found.items()}


def moving(readings: FloatArray) -> npt.NDArray[np.bool_]:
    """Visits that were read too early: all the way up or down, against all others; shape (visits,).

    Args:
        readings: in their order; shape (visits, readings), NaN = none.
    """
    prior = PRIORS.readings
    if readings.shape[1] < prior.moving_n or not np.isfinite(readings).all():
        return np.zeros(len(readings), dtype=bool)
    steps = np.diff(readings, axis=1)
    sd = readings.std(axis=1)
    is_moving = (steps > 0).all(axis=1) | (steps < 0).all(axis=1)
    # One reading far out, the first or the last, is no movement.
    least = np.minimum(readings[:, 1:].std(axis=1), readings[:, :-1].std(axis=1))
    is_moving &= least > prior.moving_sds * np.median(sd)
    return is_moving if is_moving.mean() < prior.moving_share else np.zeros_like(is_moving)


def without_outliers(readings: FloatArray) -> tuple[FloatArray, float]:
    """Mean of each visit without gross outliers, and the scatter of the rest."""
    prior = PRIORS.readings
    if readings.shape[1] < prior.gross_least_n:
        kept = readings
    else:
        middle = _median(readings)
        off = np.abs(readings - middle[:, np.newaxis])
        usual = _MAD_TO_SD * float(np.nanmedian(off)) if np.isfinite(off).any() else 0.0
        is_gross = off > max(prior.gross_sds * usual, prior.gross_frac)
        is_gross &= (is_gross.sum(axis=1) < prior.gross_visit_share * np.isfinite(readings).sum(axis=1))[:, np.newaxis]
        # Where many are far out it is no outlier but the scatter itself.
        if is_gross.sum() > prior.gross_run_share * np.isfinite(readings).sum():
            is_gross[:] = False
        kept = np.where(is_gross, np.nan, readings)
    count = np.isfinite(kept).sum(axis=1)
    mean = np.where(count > 0, np.nansum(kept, axis=1) / np.maximum(count, 1), np.nan)
    squares = np.nansum((kept - mean[:, np.newaxis]) ** 2)
    freedom = np.maximum(count - 1, 0).sum()
    return mean, float(np.sqrt(squares / freedom)) if freedom else 0.0


def _median(readings: FloatArray) -> FloatArray:
    """Lower median along the last axis, NaN where nothing was read."""
    ordered = np.sort(readings, axis=1)
    count = np.isfinite(readings).sum(axis=1)
    return np.asarray(ordered[np.arange(len(readings)), np.maximum(count - 1, 0) // 2])
