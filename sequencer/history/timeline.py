"""What the records of one unit say in their order: how it was found and left, how it drifts, what was done to it.

Tidy frames in, one result out; it reads no file and knows no clock. An adjustment or a repair breaks the line: drift is
what happens from as left to the next as found, never what a screwdriver did; after a repair it begins anew.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from instruments.errors import ReadingsError
from sequencer.history.drift_line import DriftLine, drift_line
from sequencer.history.simulated import mixed, simulated_n

__all__ = ["FIGURES", "YEAR_S", "Drift", "Event", "PointDrift", "Repair", "Run", "Timeline", "Value", "timeline"]

YEAR_S = 365.25 * 86_400
COVERAGE = 0.95  # of what is told of a drift
FIGURES = ("zero error", "span error", "hysteresis", "worst error")
_GOOD = {"pass", "conditional pass"}
_BAD = {"fail", "conditional fail"}
_K = 2.0  # of the U of a figure: 95.45 %, many degrees of freedom


@dataclass(frozen=True, slots=True)
class Value:
    """A figure of a run in % of span; NaN = not known."""

    value: float = math.nan
    U: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """What was done to the unit between two runs."""

    at: datetime
    part: str
    by: str
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One record of the unit.

    Attributes:
        at: when it was taken, UTC.
        folder: of the record.
        state: "as found", "as left" or "".
        verdict: "" = none.
        status: how the run ended.
        reservation: why it counts for no drift and no advice, "" = it counts.
        bench: name of the bench.
        operator: who ran it.
        instruments: that were used.
        figures: by name, those of `FIGURES`.
        used_pct: worst error in % of its tolerance; NaN = not known.
        tolerance_pct: half width where the worst error was found, % of span.
        piece: which stretch without adjustment it belongs to.
        epoch: how many repairs it came after.
    """

    at: datetime
    folder: str
    state: str
    verdict: str
    status: str
    reservation: str
    bench: str
    operator: str
    instruments: tuple[str, ...]
    figures: Mapping[str, Value]
    used_pct: float
    tolerance_pct: float
    piece: int = 0
    epoch: int = 0

    @property
    def is_good(self) -> bool:
        """It passed, with a reservation or without."""
        return self.verdict in _GOOD

    @property
    def is_out(self) -> bool:
        """It was out of tolerance, surely or not."""
        return self.verdict in _BAD


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Drift of a figure in % of span a year; `line` is None where there is none to tell, then `reason` says why.

    Attributes:
        name: of the figure.
        line: over years.
        reason: why there is none.
        since: where its years begin.
    """

    name: str
    line: DriftLine | None
    reason: str = ""
    since: datetime | None = None

    @property
    def jumps(self) -> tuple[tuple[datetime, datetime, float], ...]:
        """Between which runs the figure jumped, and by how much."""
        if self.line is None or self.since is None:
            return ()
        year = timedelta(seconds=YEAR_S)
        return tuple(
            (self.since + each.after * year, self.since + each.until * year, each.size) for each in self.line.jumps
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PointDrift:
    """The point whose error meets its tolerance first.

    Attributes:
        setpoint_pct: of it.
        direction: "up", "down" or "".
        line: of its error over years since the first run.
        tolerance_pct: its tolerance.
        meets_years: from the last as-left run until the 95 % interval of one further reading meets the tolerance;
            infinite where it does not within a thousand years.
    """

    setpoint_pct: float
    direction: str
    line: DriftLine
    tolerance_pct: float
    meets_years: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """A run that found the unit out of tolerance.

    Attributes:
        run: it.
        last_good: when it was last found or left in tolerance before; None = never. What was measured with the unit
            between the two is in doubt.
    """

    run: Run
    last_good: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """History of one unit, runs and repairs in order of time.

    Attributes:
        first_to_meet: the point whose error meets its tolerance first, as the unit stands; None where no drift is told.
        first_adjusted: the same from an adjustment after the last run on: its line begins with what the last
            adjustment left at the point, 0 where there was none.
    """

    serial: str
    type: str
    tag: str
    tolerance: str
    runs: tuple[Run, ...]
    repairs: tuple[Repair, ...]
    drifts: tuple[Drift, ...]
    first_to_meet: PointDrift | None
    first_adjusted: PointDrift | None
    events: tuple[Event, ...]
    remarks: tuple[str, ...]
    is_simulated: bool = False

    @property
    def counted(self) -> tuple[Run, ...]:
        """The runs that drift and advice rest on."""
        return tuple(each for each in self.runs if not each.reservation)


def timeline(
    records: pd.DataFrame, figures: pd.DataFrame, errors: pd.DataFrame, *, repairs: Sequence[Repair] = ()
) -> Timeline:
    """The history of the one unit that the frames are of.

    Args:
        records: one row a record: record, folder, serial, type, state, started_at (UTC), verdict, status, bench,
            operator, instruments, condition, tag, tolerance.
        figures: record, stage, figure, value, U, low, high, unit.
        errors: record, stage, setpoint_pct, direction, cycle, error, U (% of span), tolerance_pct, is_judged.
        repairs: of the unit.

    Raises:
        ReadingsError: there is no record.
    """
    if records.empty:
        raise ReadingsError("there is no record of this unit", todo="livezero records lists those there are")
    told = records[records["started_at"].notna()].sort_values(["started_at", "folder"], kind="stable")
    dated = sorted(repairs, key=lambda each: each.at)
    by_record = dict(list(_end_to_end(errors).groupby("record", sort=False)))
    by_figure = dict(list(figures[figures["stage"] == ""].groupby("record", sort=False)))
    runs: list[Run] = []
    piece = 0
    for row in told.to_dict("records"):
        run = _run({str(name): value for name, value in row.items()}, by_figure, by_record)
        before = runs[-1].at if runs else None
        is_broken = run.state == "as left" or any(before is not None and before < each.at <= run.at for each in dated)
        piece += bool(runs) and is_broken
        runs.append(replace(run, piece=piece, epoch=sum(each.at <= run.at for each in dated)))
    last = {str(name): value for name, value in told.iloc[-1].items()}
    counted = [each for each in runs if not each.reservation]
    return Timeline(
        serial=str(last["serial"]),
        type=str(last["type"]),
        tag=str(last.get("tag") or ""),
        tolerance=str(last.get("tolerance") or ""),
        runs=tuple(runs),
        repairs=tuple(dated),
        drifts=tuple(_drift(name, counted) for name in FIGURES if name != "worst error"),
        first_to_meet=_first(lines := _point_lines(told, errors, counted), counted),
        first_adjusted=_first([each.adjusted(_years(counted, counted[-1].at)) for each in lines], counted),
        events=tuple(_events(counted)),
        remarks=(*mixed(simulated_n(told), len(told)), *_remarks(records, told, runs)),
        is_simulated=simulated_n(told) > 0,
    )


def _end_to_end(errors: pd.DataFrame) -> pd.DataFrame:
    return errors[(errors["stage"] == "") & errors["error"].notna()]


def _run(row: Mapping[str, Any], figures: Mapping[Any, pd.DataFrame], errors: Mapping[Any, pd.DataFrame]) -> Run:
    mine, visits = figures.get(row["record"]), errors.get(row["record"])
    found = {name: _value(mine, name) for name in FIGURES}
    used, tolerance = math.nan, math.nan
    if visits is not None:
        judged = visits[visits["is_judged"].astype(bool)]
        share = (judged["error"].abs() / judged["tolerance_pct"].where(judged["tolerance_pct"] > 0)).fillna(-1.0)
        if len(share) and share.max() >= 0:
            worst = judged.iloc[int(share.to_numpy().argmax())]
            found["worst error"] = Value(float(worst["error"]), _number(worst["U"]))
            used, tolerance = 100 * float(share.max()), float(worst["tolerance_pct"])
    return Run(
        at=pd.Timestamp(row["started_at"]).to_pydatetime(),
        folder=str(row["folder"]),
        state=str(row["state"]),
        verdict=str(row["verdict"]),
        status=str(row["status"]),
        reservation=_reservation(row),
        bench=str(row["bench"]),
        operator=str(row.get("operator") or ""),
        instruments=tuple(map(str, row["instruments"])),
        figures=found,
        used_pct=used,
        tolerance_pct=tolerance,
    )


def _value(figures: pd.DataFrame | None, name: str) -> Value:
    if figures is None:
        return Value()
    rows = figures[(figures["figure"] == name) & (figures["unit"] == "% of span")]
    if rows.empty:
        return Value()
    row = rows.iloc[0]
    U = _number(row["U"])
    if math.isnan(U) and {"low", "high"} <= set(rows.columns):  # of a largest value the interval is not symmetrical
        U = (_number(row["high"]) - _number(row["low"])) / 2
    return Value(_number(row["value"]), U)


def _number(value: Any) -> float:  # noqa: ANN401  of a frame
    return math.nan if value is None else float(value)


def _reservation(row: Mapping[str, Any]) -> str:
    condition = str(row.get("condition") or "whole")
    if condition != "whole":
        return f"the record is {condition}"
    if row["status"] not in {"complete", "by hand", "stopped by the sequence"}:
        return f"the run did not finish: {row['status'] or 'not over'}"
    return ""


def _years(runs: Sequence[Run], at: datetime) -> float:
    return (at - runs[0].at).total_seconds() / YEAR_S


def _drift(name: str, runs: Sequence[Run]) -> Drift:
    known = [each for each in runs if math.isfinite(each.figures[name].value)]
    if len(known) < 2:
        return Drift(name=name, line=None, reason="too few runs: two are wanted with nothing adjusted between them")
    u = np.array([each.figures[name].U / _K for each in known])
    try:
        line = drift_line(
            np.array([_years(known, each.at) for each in known]),
            np.array([each.figures[name].value for each in known]),
            u=u if np.all(u > 0) else None,
            piece=np.array([each.piece for each in known]),
            epoch=np.array([each.epoch for each in known]),
        )
    except ReadingsError as error:
        return Drift(name=name, line=None, reason=error.what)
    return Drift(name=name, line=line, since=known[0].at)


@dataclass(frozen=True, slots=True)
class _PointLine:
    """The error of one point over the years; `left` is what the last adjustment left of it."""

    setpoint_pct: float
    direction: str
    tolerance_pct: float
    line: DriftLine
    left: float

    def adjusted(self, start: float) -> "_PointLine":
        """The same drift, from an adjustment at `start` that leaves as much as the last one did, by one reading."""
        line = replace(self.line, level=self.left, centre=start, u_level=self.line.u_single, cov=0.0)
        return replace(self, line=line)


def _point_lines(records: pd.DataFrame, errors: pd.DataFrame, runs: Sequence[Run]) -> list[_PointLine]:
    """The error of each point that has a tolerance and a drift."""
    if len(runs) < 2:
        return []
    at = records.set_index("record")[["started_at", "folder", "state"]]
    rows = _end_to_end(errors).join(at, on="record", how="inner")
    by_folder = {each.folder: each for each in runs}
    rows = rows[rows["folder"].isin(list(by_folder))]
    found = []
    for place, part in rows.groupby(["setpoint_pct", "direction"]):
        means = part.groupby("record", sort=False).agg(
            {
                "started_at": "first", "folder": "first", "state": "first", "error": "mean", "U": "mean",
                "tolerance_pct": "last",
            }
        )  # fmt: skip
        means = means.sort_values("started_at")
        limit = _number(means["tolerance_pct"].iloc[-1])
        if not limit > 0:
            continue
        u = means["U"].to_numpy(dtype=np.float64) / _K
        try:
            line = drift_line(
                np.array([_years(runs, each.to_pydatetime()) for each in means["started_at"]]),
                means["error"].to_numpy(dtype=np.float64),
                u=u if np.all(u > 0) else None,
                piece=np.array([by_folder[each].piece for each in means["folder"]]),
                epoch=np.array([by_folder[each].epoch for each in means["folder"]]),
            )
        except ReadingsError:
            continue
        if math.isfinite(line.u):
            left = means.loc[means["state"] == "as left", "error"]
            kept = float(left.iloc[-1]) if len(left) else 0.0
            found.append(_PointLine(float(str(place[0])), str(place[1]), limit, line, kept))
    return found


def _first(points: Sequence[_PointLine], runs: Sequence[Run]) -> PointDrift | None:
    """The point whose interval meets its tolerance first, counted from the last run of the unit."""
    found: PointDrift | None = None
    for each in points:
        start = _years(runs, runs[-1].at)
        meets = each.line.reaches(each.tolerance_pct, start, probability=COVERAGE) - start
        if found is None or meets < found.meets_years:
            found = PointDrift(
                setpoint_pct=each.setpoint_pct,
                direction=each.direction,
                line=each.line,
                tolerance_pct=each.tolerance_pct,
                meets_years=meets,
            )
    return found


def _events(runs: Sequence[Run]) -> list[Event]:
    found = []
    for number, run in enumerate(runs):
        if run.is_out:
            good = [each.at for each in runs[:number] if each.is_good]
            found.append(Event(run=run, last_good=good[-1] if good else None))
    return found


def _remarks(records: pd.DataFrame, told: pd.DataFrame, runs: Sequence[Run]) -> list[str]:
    said = [f"{each.folder}: {each.reservation}; it counts for no drift" for each in runs if each.reservation]
    if len(told) < len(records):
        said.append(f"{len(records) - len(told)} records have no date and are left out")
    if len(types := sorted(set(records["type"]))) > 1:
        said.append(f"the serial stands for {len(types)} types: {'; '.join(types)}")
    stateless = sum(not each.state for each in runs)
    if stateless and len(runs) > 1:
        said.append(
            f"{stateless} of {len(runs)} runs are neither as found nor as left: they are taken as found, with nothing "
            "adjusted before"
        )
    return said
