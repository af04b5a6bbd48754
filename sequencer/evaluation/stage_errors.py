"""Errors per stage of a chain, and the tap that disagrees with its neighbours."""

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from instruments.datasheet import DataSheet
from sequencer.inputs.tolerance import half_width
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.table import Grid

__all__ = ["Result", "StageResult", "stage_results", "suspect"]

Result = Literal["pass", "conditional pass", "conditional fail", "fail", "not determinable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StageResult:
    """One stage, or several that no tap divides: its errors against its own ideal, in % of its output span."""

    name: str
    first: str
    last: str
    worst_pct: float | None
    worst_at_pct: float | None
    tolerance_pct: float | None
    result: Result


def stage_results(type_sheet: TypeSheet, sheet: DataSheet, readings: Grid) -> tuple[StageResult, ...]:
    """Each stage between two taps that were both read, against its own ideal."""
    read = [index for index, tap in enumerate(sheet.taps) if tap.name in readings.value]
    tolerances = type_sheet.stage_tolerances
    found = []
    for before, after in pairwise(read):
        if len(sheet.stages) == 1:
            break  # a unit of one stage: the verdict says it all
        one, other = sheet.taps[before], sheet.taps[after]
        x, y = readings.value[one.name], readings.value[other.name]
        error_pct = 100 * (y - sheet.ideal(x, first=before, last=after)) / abs(other.span)
        allowed = tolerances[before] if after == before + 1 else None
        limit_pct = 100 * half_width(allowed, sheet, x, first=before, last=after) / abs(other.span) if allowed else None
        worst = worst_at = width = None
        result: Result = "not determinable"
        # Nothing is judged where a share of a reading of 0 leaves no tolerance.
        share = (
            np.abs(error_pct) if limit_pct is None else np.abs(error_pct) / np.where(limit_pct > 0, limit_pct, np.nan)
        )
        if not np.isnan(share).all():
            at = np.unravel_index(np.nanargmax(share), share.shape)
            worst, worst_at = float(error_pct[at]), float(readings.setpoint_pct[at[-1]])
            if limit_pct is not None:
                width = float(limit_pct[at])
                result = "pass" if share[at] <= 1 + 1e-9 else "fail"
        found.append(
            StageResult(
                name=" + ".join(stage.name for stage in sheet.stages[before:after]),
                first=one.name,
                last=other.name,
                worst_pct=worst,
                worst_at_pct=worst_at,
                tolerance_pct=width,
                result=result,
            )
        )
    return tuple(found)


def suspect(sheet: DataSheet, readings: Grid, stages: tuple[StageResult, ...]) -> str:
    """The tap between two stages that both fail, where the way around it is within what both may have together."""
    names = [tap.name for tap in sheet.taps]
    for before, after in pairwise(stages):
        if before.result != "fail" or after.result != "fail":
            continue
        first, last = names.index(before.first), names.index(after.last)
        x, y = readings.value[before.first], readings.value[after.last]
        around_pct = 100 * np.abs(y - sheet.ideal(x, first=first, last=last)) / abs(sheet.taps[last].span)
        if np.nanmax(around_pct) <= (before.tolerance_pct or 0.0) + (after.tolerance_pct or 0.0):
            return before.last
    return ""
