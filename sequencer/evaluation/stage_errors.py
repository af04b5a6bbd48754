"""Errors per stage of a chain, and the tap that disagrees with its neighbours."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from instruments.datasheet import DataSheet, FloatArray
from sequencer.evaluation.budget import Statement
from sequencer.evaluation.judgement import NEGLIGIBLE_FRAC, BoolArray, Resolved, judged, resolved
from sequencer.evaluation.tables import visited
from sequencer.inputs.decision_rules import DEFAULT_RULE
from sequencer.inputs.tolerance import carried, half_width
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.table import Grid

__all__ = ["Result", "StageResult", "beside_suspects", "stage_results", "suspects", "suspicion"]

# A source is no standard: nearer than so many tolerances a fault of the unit may look like one of what reads its input.
_FAR = 2.0
# Two stages that are wrong cancel to so small a part of their errors by chance in one case of ten (no source).
_CANCELS_FRAC = 0.1

Result = Literal["pass", "conditional pass", "conditional fail", "fail", "not determinable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StageResult:
    """One stage, or several that no tap divides: its errors against its own ideal, in % of its output span.

    `reason` says why one with a tolerance of its own is not determinable, or fails where its tolerance is zero.
    """

    name: str
    first: str
    last: str
    worst_pct: float | None
    worst_at_pct: float | None
    tolerance_pct: float | None
    result: Result
    reason: str = ""


def stage_results(
    type_sheet: TypeSheet,
    sheet: DataSheet,
    readings: Grid,
    *,
    steps: Mapping[str, float],
    stated: Sequence[Statement] = (),
) -> tuple[StageResult, ...]:
    """Each stage between two taps that were both read, against its own ideal.

    Args:
        type_sheet: of the unit.
        sheet: the same as numbers.
        readings: as arrays.
        steps: smallest step of the readings, by tap.
        stated: of the instruments; where its tolerance is zero, a stage is out only beyond what they may be wrong by.
    """
    read = [index for index, tap in enumerate(sheet.taps) if tap.name in readings.value]
    if len(sheet.stages) == 1:
        return ()  # a unit of one stage: the verdict says it all
    tolerances = type_sheet.stage_tolerances
    found = []
    for before, after in pairwise(read):
        one, other = sheet.taps[before], sheet.taps[after]
        name = " + ".join(stage.name for stage in sheet.stages[before:after])
        x, y = readings.value[one.name], readings.value[other.name]
        error = y - sheet.ideal(x, first=before, last=after)
        allowed = tolerances[before] if after == before + 1 else None
        plain = StageResult(
            name=name,
            first=one.name,
            last=other.name,
            worst_pct=None,
            worst_at_pct=None,
            tolerance_pct=None,
            result="not determinable",
        )
        if allowed is None:
            found.append(_with_worst(plain, np.abs(error), error, None, readings, abs(other.span)))
            continue
        width = half_width(allowed, sheet, x, first=before, last=after)
        shown = resolved(sheet, x, steps, first=before, last=after)
        reach = _instruments(sheet, x, y, stated, before, after)
        shown = Resolved(least=shown.least, explained=np.fmax(shown.explained, reach))
        found.append(_judged(plain, error, width, shown, readings, abs(other.span)))
    return tuple(found)


def _judged(
    plain: StageResult, error: FloatArray, width: FloatArray, shown: Resolved, readings: Grid, span: float
) -> StageResult:
    """A stage with a tolerance: the worst of its points, and those that its tolerance leaves open."""
    judgement = judged(error, width, span=span, shown=shown, known=None, rule=DEFAULT_RULE)
    is_out = judgement.is_out
    is_open = judgement.is_unresolved & ~is_out
    share = np.abs(error) / np.where((width > NEGLIGIBLE_FRAC * span) & ~is_open, width, np.nan)
    found = _with_worst(plain, share, error, width, readings, span)
    if is_out.any():
        worst = np.unravel_index(np.argmax(np.where(is_out, np.abs(error), -1.0)), error.shape)
        if found.result != "fail":  # its worst point by the tolerance is another one
            found = replace(
                found,
                worst_pct=float(100 * error[worst] / span),
                worst_at_pct=float(readings.setpoint_pct[worst[-1]]),
                tolerance_pct=float(100 * width[worst] / span),
                result="fail",
            )
        return replace(found, reason=f"tolerance and instruments do not explain the error at {_at(readings, is_out)}")
    is_unread = np.isnan(error) & visited(readings)
    why = [
        f"{said} at {_at(readings, where)}"
        for said, where in (
            ("its tolerance is less than what can be resolved", is_open),
            ("it was not read", is_unread),
        )
        if where.any()
    ]
    return replace(found, result="not determinable", reason="; ".join(why)) if why and found.result != "fail" else found


def _at(readings: Grid, where: BoolArray) -> str:
    places = readings.setpoint_pct[np.flatnonzero(where.any(axis=tuple(range(where.ndim - 1))))]
    return ", ".join(f"{place:g} %" for place in places)


def _with_worst(
    plain: StageResult,
    share: FloatArray,
    error: FloatArray,
    width: FloatArray | None,
    readings: Grid,
    span: float,
) -> StageResult:
    """The stage at its worst share of the tolerance, or where it has none at its largest error."""
    if np.isnan(share).all():
        return plain
    at = np.unravel_index(np.nanargmax(share), share.shape)
    found = replace(plain, worst_pct=float(100 * error[at] / span), worst_at_pct=float(readings.setpoint_pct[at[-1]]))
    if width is None:
        return found
    result: Result = "pass" if share[at] <= 1 + 1e-9 else "fail"
    return replace(found, tolerance_pct=float(100 * width[at] / span), result=result)


def _instruments(
    sheet: DataSheet, x: FloatArray, y: FloatArray, stated: Sequence[Statement], before: int, after: int
) -> FloatArray:
    """What the instruments at two taps may be wrong by together, in the unit of the second; 0 where nothing says."""
    by_tap = {each.tap: each for each in stated}
    widths = []
    for index, value in ((before, x), (after, y)):
        tap = sheet.taps[index]
        given = by_tap.get(tap.name)
        signal = tap.to_signal(value)
        wide = np.zeros(x.shape)
        for limits in (given.accuracy, given.certificate) if given is not None else ():
            wide = wide + (0.0 if limits is None else limits.at(signal))
        if given is not None and given.certified is not None:
            wide = wide + given.certified.U(signal)
        in_value = np.maximum(np.abs(tap.to_value(signal + wide) - value), np.abs(tap.to_value(signal - wide) - value))
        widths.append(np.nan_to_num(in_value))
    return np.asarray(carried(sheet, x, widths[0], first=before, last=after) + widths[1])


def suspects(sheet: DataSheet, readings: Grid, stages: tuple[StageResult, ...]) -> tuple[str, ...]:
    """The taps of which a bench instrument reads one wrongly, as the other taps show; () if none does.

    In between it is the tap between two stages that both fail, where the way around it is within what both may have
    together, or leaves a small part of their errors. It is the first tap where only the stage behind it fails, by far,
    and would pass by what the source was told. The last tap has one neighbour alone: no reading tells its instrument
    from the last stage.
    """
    names = [tap.name for tap in sheet.taps]
    found = []
    for before, after in pairwise(stages):
        if before.result != "fail" or after.result != "fail":
            continue
        first, last = names.index(before.first), names.index(after.last)
        x, y = readings.value[before.first], readings.value[after.last]
        around_pct = 100 * np.abs(y - sheet.ideal(x, first=first, last=last)) / abs(sheet.taps[last].span)
        allowed_pct = (before.tolerance_pct or 0.0) + (after.tolerance_pct or 0.0)
        least_pct = min(abs(before.worst_pct or 0.0), abs(after.worst_pct or 0.0))
        if np.nanmax(around_pct) <= max(allowed_pct, _CANCELS_FRAC * least_pct):
            found.append(before.last)
    first_tap = _suspect_first(sheet, readings, stages)
    return tuple(found) or ((first_tap,) if first_tap else ())


def _suspect_first(sheet: DataSheet, readings: Grid, stages: tuple[StageResult, ...]) -> str:
    if len(stages) < 2 or [each.result for each in stages] != ["fail", *["pass"] * (len(stages) - 1)]:
        return ""
    stage = stages[0]
    allowed_pct = stage.tolerance_pct or 0.0
    if stage.first != sheet.taps[0].name or abs(stage.worst_pct or 0.0) < _FAR * allowed_pct:
        return ""
    last = [tap.name for tap in sheet.taps].index(stage.last)
    told = sheet.taps[0].value(readings.setpoint_pct / 100)
    y = readings.value[stage.last]
    error_pct = 100 * np.abs(y - sheet.ideal(np.broadcast_to(told, y.shape), last=last)) / abs(sheet.taps[last].span)
    return stage.first if np.nanmax(error_pct) <= allowed_pct else ""


def beside_suspects(stages: tuple[StageResult, ...], taps: Collection[str]) -> tuple[StageResult, ...]:
    """The stages with those beside suspect taps not determinable: an instrument is what the readings accuse."""
    return tuple(
        replace(stage, result="not determinable", reason=suspicion(sorted({stage.first, stage.last} & set(taps))))
        if {stage.first, stage.last} & set(taps) and stage.tolerance_pct is not None
        else stage
        for stage in stages
    )


def suspicion(taps: Sequence[str]) -> str:
    """That what reads one of these taps is suspect, as a clause."""
    named = " or ".join(f'"{tap}"' for tap in taps)
    return f"what reads the tap {named} is suspect"
