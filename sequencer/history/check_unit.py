"""Whether a bench is in control, by the control chart of a unit kept for nothing else: frames in, charts out."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import pandas as pd

from sequencer.history.control import LEAST_N, Chart, Signal, chart
from sequencer.history.timeline import Value

__all__ = ["BASE_N", "FIGURES", "CheckRun", "CheckUnit", "FigureChart", "check_unit"]

BASE_N = 20
"""Runs that limits come from: the first, so that a bench that slides does not take its limits along."""

FIGURES = ("zero error", "span error")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRun:
    """One run of the check unit."""

    at: datetime
    folder: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureChart:
    """The chart of one figure, in % of span; `limits` is None where there is too little to draw them from.

    Attributes:
        name: of the figure.
        runs: that have it, in order of time.
        values: of each.
        limits: from the first `limits.n` of them.
        signals: where a rule is broken.
    """

    name: str
    runs: tuple[CheckRun, ...]
    values: tuple[Value, ...]
    limits: Chart | None
    signals: tuple[Signal, ...]

    @property
    def last(self) -> tuple[Signal, ...]:
        """The signals of the last run."""
        return tuple(each for each in self.signals if each.place == len(self.values) - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckUnit:
    """A bench by its check unit.

    Attributes:
        serial: of the unit.
        bench: name of it.
        charts: one a figure.
        is_simulated: it is a simulated bench.
    """

    serial: str
    bench: str
    charts: tuple[FigureChart, ...]
    is_simulated: bool

    @property
    def last_at(self) -> datetime | None:
        """When the unit was run last; None = never."""
        return max((each.runs[-1].at for each in self.charts if each.runs), default=None)

    @property
    def is_in_control(self) -> bool | None:
        """Of the last run; None where there are too few to tell."""
        if not self.charts or any(each.limits is None for each in self.charts):
            return None
        return not any(each.last for each in self.charts)

    def remark(self, today: date) -> str:
        """What is to be said of a run on this bench today; "" where the bench was checked today and is in control."""
        at = self.last_at
        if at is None:
            return f"the check unit {self.serial} was never run on this bench: whether it is in control is not known"
        day = f"{at:%Y-%m-%d}"
        if self.is_in_control is None:
            n = min(len(each.values) for each in self.charts)
            return (
                f"the check unit {self.serial} was run {n} times on this bench, {LEAST_N + 1} are the least to tell "
                "whether it is in control"
            )
        if not self.is_in_control:
            why = "; ".join(f"{each.name} {signal.rule}" for each in self.charts for signal in each.last)
            return f"the bench is out of control: check unit {self.serial}, {day}: {why}"
        if at.date() != today:
            return f"the bench was in control when its check unit {self.serial} was run last, {day}, not today"
        return ""


def check_unit(
    records: pd.DataFrame,
    figures: pd.DataFrame,
    *,
    serial: str,
    bench: str,
    names: Sequence[str] = FIGURES,
    base_n: int = BASE_N,
) -> CheckUnit:
    """The charts of a check unit on one bench.

    Args:
        records: of the unit, as `timeline` takes them.
        figures: of the same.
        serial: of the unit.
        bench: name of the bench; runs on others are left out.
        names: figures that are charted.
        base_n: runs that the limits come from, at most; the last run is never among them.
    """
    mine = records[
        (records["bench"] == bench)
        & (records["condition"] == "whole")
        & (records["status"] == "complete")
        & records["started_at"].notna()
    ].sort_values(["started_at", "folder"], kind="stable")
    whole = figures[(figures["stage"] == "") & (figures["unit"] == "% of span") & figures["value"].notna()]
    return CheckUnit(
        serial=serial,
        bench=bench,
        charts=tuple(_chart(mine, whole[whole["figure"] == name], name, base_n) for name in names),
        is_simulated="is_simulated" in mine and bool(mine["is_simulated"].any()),
    )


def _chart(records: pd.DataFrame, figures: pd.DataFrame, name: str, base_n: int) -> FigureChart:
    rows = records.merge(figures[["record", "value", "U"]], on="record").to_dict("records")
    values = np.array([float(row["value"]) for row in rows])
    base = min(base_n, len(values) - 1)
    limits, signals = chart(values, base_n=base) if base >= LEAST_N else (None, ())
    return FigureChart(
        name=name,
        runs=tuple(CheckRun(at=row["started_at"].to_pydatetime(), folder=str(row["folder"])) for row in rows),
        values=tuple(Value(float(row["value"]), math.nan if pd.isna(row["U"]) else float(row["U"])) for row in rows),
        limits=limits,
        signals=signals,
    )
