"""From the table of readings to figures and verdict: the table in, one typed result out.

It touches no instrument, clock or file. The figures themselves are computed in `evaluate/`, over arrays.
"""

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from instruments.errors import ReadingsError
from sequencer.figures.definitions import Standard
from sequencer.figures.figures import Figures, figures
from sequencer.figures.per_point import per_point
from sequencer.models import TypeSheet
from sequencer.readings import Grid, grid
from sequencer.tolerance import half_width

__all__ = ["Evaluation", "Figure", "StageResult", "Verdict", "evaluate"]

Result = Literal["pass", "fail", "not determinable"]

# A source that is merely out of calibration lies nearer; common practice, no source.
_ASTRAY_PCT = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure as it is printed.

    Args:
        name: its name in the standard.
        value: None = not determinable, then `remark` says why.
        unit: of the value.
        u: standard uncertainty from the scatter of the readings, in the same unit; None where none is given.
        at_pct: input in % of range where it was found; None where it belongs to the whole range.
        definition: whose definition it follows.
        remark: why it is not determinable, or what belongs beside it.
    """

    name: str
    value: float | None
    unit: str
    u: float | None = None
    at_pct: float | None = None
    definition: str = ""
    remark: str = ""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Pass, fail, or not determinable; why, and by which rule."""

    result: Result
    reason: str
    rule: str = "simple acceptance: every error within the tolerance; measuring uncertainty not taken into account"

    @property
    def is_pass(self) -> bool:
        """True for a pass alone."""
        return self.result == "pass"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """Everything that follows from one table of readings of one unit.

    Attributes:
        type: of the unit.
        input_unit: of the first tap.
        output_unit: of the last tap.
        output_span: upper less lower end of the output range, > 0, in `output_unit`.
        input_by: "measured" where an instrument read the first tap, else "commanded".
        visits: one row per cycle, direction and point: setpoint_pct, cycle, direction, point, input, input_pct, ideal,
            output, error, error_pct, tolerance, used_pct (error in % of the tolerance), sd, readings_n, is_steady, is_judged, is_within.
        points: one row per setpoint and direction, over all cycles: setpoint_pct, direction, input, ideal, output, sd,
            readings_n, cycles_n, error, error_pct, tolerance, tolerance_pct, used_pct, is_within.
        end_pairs: one row per end pair: setpoint_pct, cycle, first, second, change, change_pct.
        figures: as printed, in order.
        stages: one result a stage that lies between two taps that were read.
        suspect_tap: a tap that disagrees with its neighbours while they agree with each other, "" if none does.
        verdict: the whole.
        arrays: the figures as arrays, for further use.
        grid: the readings as arrays.
    """

    type: str
    standard: Standard
    tolerance: str
    input_unit: str
    output_unit: str
    output_span: float
    input_by: Literal["measured", "commanded"]
    visits: pd.DataFrame
    points: pd.DataFrame
    end_pairs: pd.DataFrame
    figures: tuple[Figure, ...]
    not_determined: tuple[str, ...]
    stages: tuple[StageResult, ...]
    suspect_tap: str
    verdict: Verdict
    arrays: Figures
    grid: Grid

    def figure(self, name: str) -> Figure:
        """A figure by its name; raises KeyError."""
        for each in self.figures:
            if each.name == name:
                return each
        raise KeyError(name)

    @property
    def worst(self) -> "pd.Series[Any] | None":
        """The row of `visits` that uses most of its tolerance; None if none is judged."""
        return _worst(self.visits)

    def _repr_html_(self) -> str:
        from sequencer.reports import notebook  # noqa: PLC0415  only a notebook asks

        return notebook.evaluation_html(self)


def evaluate(
    table: pd.DataFrame,
    type_sheet: TypeSheet,
    *,
    standard: Standard = "IEC 61298-2:2008",
    planned_n: int | None = None,
) -> Evaluation:
    """Figures and verdict of a table of readings of one unit.

    Args:
        table: tidy, as `readings` makes it.
        type_sheet: what the unit should do.
        standard: whose definitions.
        planned_n: how many points the plan had to read; fewer in the table leave the verdict not determinable.

    Raises:
        ReadingsError: no reading, no value at the first or the last tap, or a tap that the type sheet does not have.
    """
    sheet = type_sheet.datasheet()
    _refuse_other_units(table, sheet)
    readings = grid(table)
    first, last = sheet.taps[0], sheet.taps[-1]
    unknown = set(readings.value) - {tap.name for tap in sheet.taps}
    if unknown:
        raise ReadingsError(
            f"the type sheet has no tap {', '.join(sorted(unknown))}",
            allowed=", ".join(tap.name for tap in sheet.taps),
            todo="take the type sheet of this unit",
        )
    if last.name not in readings.value:
        raise ReadingsError(f'no reading at the tap "{last.name}"', todo="read the output")
    is_measured = first.name in readings.value and not np.isnan(readings.value[first.name]).all()
    commanded = np.broadcast_to(first.value(readings.setpoint_pct / 100), readings.value[last.name].shape)
    x = readings.value[first.name] if is_measured else np.asarray(commanded, dtype=np.float64)
    y = readings.value[last.name]
    ideal = sheet.ideal(x)
    error = y - ideal
    span = abs(last.span)
    tolerance = half_width(type_sheet.tolerance, sheet, x)
    frac = first.fraction(x)
    is_cut = np.zeros(x.shape, dtype=bool)
    for number, stage in enumerate(sheet.stages):
        is_cut |= stage.characteristic.is_cut_off(
            sheet.taps[number].fraction(sheet.ideal(x, last=number)) if number else frac
        )
    # Below a low-flow cut-off the output is held, so such a point says nothing of zero or conformity.
    in_figures = np.where(is_cut | ~np.isfinite(x), np.nan, 100 * error / span)
    computed = figures(in_figures, np.where(np.isnan(x), np.nan, 100 * frac), standard=standard)
    visits = _visits(readings, x, 100 * frac, ideal, y, error, span, tolerance, last.name)
    printed = _figures(computed, span, last.unit, sign=math.copysign(1.0, last.span))
    stages = _stages(type_sheet, sheet, readings)
    return Evaluation(
        type=type_sheet.type,
        standard=standard,
        tolerance=str(type_sheet.tolerance),
        input_unit=first.unit,
        output_unit=last.unit,
        output_span=span,
        input_by="measured" if is_measured else "commanded",
        visits=visits,
        points=_points(visits, span),
        end_pairs=_end_pairs(readings, last.name, span),
        figures=printed,
        not_determined=computed.not_determined(0),
        stages=stages,
        suspect_tap=_suspect(sheet, readings, stages),
        verdict=_verdict(visits, last.unit, planned_n, stages),
        arrays=computed,
        grid=readings,
    )


def _refuse_other_units(table: pd.DataFrame, sheet: DataSheet) -> None:
    """A table of another type has taps of the same names; its numbers mean something else."""
    for tap in sheet.taps:
        found = set(table.loc[table["tap"] == tap.name, "unit"]) - {tap.unit, ""}
        if found:
            raise ReadingsError(
                f'the readings at tap "{tap.name}" are in {", ".join(sorted(found))}',
                allowed=tap.unit,
                todo="take the type sheet of this unit",
            )


def _visits(
    readings: Grid,
    x: FloatArray,
    input_pct: FloatArray,
    ideal: FloatArray,
    y: FloatArray,
    error: FloatArray,
    span: float,
    tolerance: FloatArray,
    last: str,
) -> pd.DataFrame:
    _, cycles_n, _, points_n = y.shape
    cycle, direction, point = np.meshgrid(np.arange(cycles_n), (0, 1), np.arange(points_n), indexing="ij")
    table = pd.DataFrame(
        {
            "cycle": cycle.ravel() + 1,
            "direction": np.where(direction.ravel() == 1, "down", "up" if readings.has_directions else ""),
            "point": point.ravel(),
            "setpoint_pct": readings.setpoint_pct[point.ravel()],
            "input": x[0].ravel(),
            "input_pct": input_pct[0].ravel(),
            "ideal": ideal[0].ravel(),
            "output": y[0].ravel(),
            "error": error[0].ravel(),
            "error_pct": 100 * error[0].ravel() / span,
            "tolerance": tolerance[0].ravel(),
            "used_pct": 100 * error[0].ravel() / np.where(tolerance[0].ravel() > 0, tolerance[0].ravel(), np.nan),
            "sd": readings.sd[last][0].ravel(),
            "readings_n": np.nan_to_num(readings.readings_n[last][0].ravel()).astype(int),
            "is_visited": ~np.isnan(readings.readings_n[last][0].ravel()),
            "is_steady": readings.is_steady[0].ravel(),
        }
    )
    table = table[table["is_visited"]].drop(columns="is_visited").reset_index(drop=True)
    table["is_judged"] = table["used_pct"].notna()
    # A hair of rounding must not fail a unit that sits on its limit to the last bit.
    table["is_within"] = table["used_pct"].abs() <= 100 * (1 + 1e-9)
    return table


def _points(visits: pd.DataFrame, span: float) -> pd.DataFrame:
    rows = []
    for (point, direction), part in visits.groupby(["point", "direction"], sort=True):
        means = {name: float(part[name].mean()) for name in ("setpoint_pct", "input", "ideal", "output", "error")}
        over_cycles = per_point(part["output"].to_numpy(), axis=0)
        width = float(part["tolerance"].mean())
        used = float(part["used_pct"].abs().max())
        rows.append(
            {"point": point, "direction": direction}
            | means
            | {
                "error_pct": 100 * means["error"] / span,
                "sd": _pooled(part["sd"].to_numpy()) if len(part) == 1 else float(over_cycles.sd),
                "readings_n": int(part["readings_n"].sum()),
                "cycles_n": len(part),
                "tolerance": width,
                "tolerance_pct": 100 * width / span,
                "used_pct": used,
                "is_within": bool(part["is_within"].all()) if part["is_judged"].any() else None,
                "is_steady": bool(part["is_steady"].all()),
            }
        )
    return pd.DataFrame(rows)


def _pooled(sd: FloatArray) -> float:
    known = sd[~np.isnan(sd)]
    return float(np.sqrt((known**2).mean())) if known.size else math.nan


def _end_pairs(readings: Grid, last: str, span: float) -> pd.DataFrame:
    """The second reading less the first, at each end of each cycle, without moving the input between them."""
    second, first = readings.end_pair[last][0], readings.value[last][0]
    rows = []
    for cycle, direction, point in np.argwhere(~np.isnan(second)):
        before = first[cycle, 1 - direction, point]  # the traverse that arrived here went the other way
        rows.append(
            {
                "cycle": int(cycle) + 1,
                "setpoint_pct": float(readings.setpoint_pct[point]),
                "first": float(before),
                "second": float(second[cycle, direction, point]),
                "change": float(second[cycle, direction, point] - before),
                "change_pct": float(100 * (second[cycle, direction, point] - before) / span),
            }
        )
    return pd.DataFrame(rows, columns=["cycle", "setpoint_pct", "first", "second", "change", "change_pct"])


def _number(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _figures(computed: Figures, span: float, unit: str, *, sign: float) -> tuple[Figure, ...]:
    """The figures of the one unit as they are printed."""
    pct = "% of span"

    def of(
        name: str,
        value: FloatArray,
        definition: str,
        reason: str,
        at: FloatArray | None = None,
        u: FloatArray | None = None,
    ) -> Figure:
        return Figure(
            name=name,
            value=_number(value[0]),
            unit=pct,
            u=None if u is None else _number(u[0]),
            at_pct=None if at is None else _number(at[0]),
            definition=definition,
            remark=reason,
        )

    error, single, loop = computed.measured_error, computed.inaccuracy, computed.hysteresis
    spread, ends, line = computed.non_repeatability, computed.zero_span, computed.line
    lines = (
        ("non-linearity, independent", computed.independent),
        ("non-linearity, terminal-based", computed.terminal_based),
        ("non-linearity, zero-based", computed.zero_based),
    )
    gain = float(line.gain[0])
    return (
        of("measured error", error.error_pct, error.definition, error.reason(0), error.at_pct),
        of("inaccuracy, highest", single.highest_pct, single.definition, single.reason(0), single.highest_at_pct),
        of("inaccuracy, lowest", single.lowest_pct, single.definition, single.reason(0), single.lowest_at_pct),
        of("hysteresis", loop.hysteresis_pct, loop.definition, loop.reason(0), loop.at_pct),
        of("non-repeatability", spread.spread_pct, spread.definition, spread.reason(0), spread.at_pct),
        *(of(name, each.deviation_pct, each.definition, each.reason(0), each.at_pct) for name, each in lines),
        of("zero error", ends.zero_pct, ends.zero_definition, ends.zero_reason(0)),
        of("span error", ends.span_pct, ends.definition, ends.reason(0)),
        Figure(
            name="offset by least squares",
            value=_number(float(line.offset[0]) * span / 100),
            unit=unit,
            u=_number(float(line.u_offset[0]) * span / 100),
            at_pct=0.0,
            definition=line.definition,
            remark=line.reason(0),
        ),
        Figure(
            name="gain by least squares",
            value=_number(1 + sign * gain),
            unit="1",
            u=_number(float(line.u_gain[0])),
            definition=line.definition,
            remark=line.reason(0),
        ),
        Figure(
            name="covariance of offset and gain",
            value=_number(sign * float(line.cov_offset_gain[0]) * span / 100),
            unit=unit,
            definition=line.definition,
            remark=line.reason(0),
        ),
        Figure(
            name="residual standard deviation",
            value=_number(float(line.residual_sd[0]) * span / 100),
            unit=unit,
            definition=line.definition,
            remark=line.reason(0),
        ),
    )


def _stages(type_sheet: TypeSheet, sheet: DataSheet, readings: Grid) -> tuple[StageResult, ...]:
    """Each stage between two taps that were both read, against its own ideal."""
    read = [index for index, tap in enumerate(sheet.taps) if tap.name in readings.value]
    tolerances = type_sheet.stage_tolerances
    found = []
    for before, after in zip(read, read[1:], strict=False):
        if len(sheet.stages) == 1:
            break  # a unit of one stage: the verdict says it all
        one, other = sheet.taps[before], sheet.taps[after]
        x, y = readings.value[one.name], readings.value[other.name]
        error_pct = 100 * (y - sheet.ideal(x, first=before, last=after)) / abs(other.span)
        allowed = tolerances[before] if after == before + 1 else None
        limit_pct = 100 * half_width(allowed, sheet, x, first=before, last=after) / abs(other.span) if allowed else None
        worst = worst_at = width = None
        result: Result = "not determinable"
        if not np.isnan(error_pct if limit_pct is None else error_pct + limit_pct).all():
            share = np.abs(error_pct) if limit_pct is None else np.abs(error_pct) / limit_pct
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


def _suspect(sheet: DataSheet, readings: Grid, stages: tuple[StageResult, ...]) -> str:
    """The tap between two stages that both fail, where the way around it is within what both may have together."""
    names = [tap.name for tap in sheet.taps]
    for before, after in zip(stages, stages[1:], strict=False):
        if before.result != "fail" or after.result != "fail":
            continue
        first, last = names.index(before.first), names.index(after.last)
        x, y = readings.value[before.first], readings.value[after.last]
        around_pct = 100 * np.abs(y - sheet.ideal(x, first=first, last=last)) / abs(sheet.taps[last].span)
        if np.nanmax(around_pct) <= (before.tolerance_pct or 0.0) + (after.tolerance_pct or 0.0):
            return before.last
    return ""


def _worst(visits: pd.DataFrame) -> "pd.Series[Any] | None":
    judged = visits[visits["is_judged"]]
    return None if judged.empty else judged.iloc[int(judged["used_pct"].abs().to_numpy().argmax())]


def _verdict(visits: pd.DataFrame, unit: str, planned_n: int | None, stages: tuple[StageResult, ...]) -> Verdict:
    judged = visits[visits["is_judged"]]
    if judged.empty:
        return Verdict(result="not determinable", reason="no point could be judged")
    worst = _worst(visits)
    assert worst is not None
    way = f" {worst['direction']}scale" if worst["direction"] else ""
    place = (
        f"{worst['error']:+.4g} {unit} ({worst['error_pct']:+.3g} % of span, "
        f"{abs(worst['used_pct']):.0f} % of the tolerance) at {worst['setpoint_pct']:g} %{way}"
    )
    astray_pct = (visits["input_pct"] - visits["setpoint_pct"]).abs()
    if (astray_pct > _ASTRAY_PCT).any():  # the source is off or set otherwise, or the reference reads another thing
        return Verdict(
            result="not determinable",
            reason=f"at {int((astray_pct > _ASTRAY_PCT).sum())} of {len(visits)} points the input measured lies up to "
            f"{astray_pct.max():.3g} % of span from its setpoint: check source, reference and wiring",
        )
    outside = int((~judged["is_within"]).sum())
    if outside:
        return Verdict(result="fail", reason=f"{outside} of {len(judged)} points outside the tolerance; worst {place}")
    # Without its input a point is as good as not read.
    missing = max(planned_n or 0, len(visits)) - int(visits["error"].notna().sum())
    unsteady = int((~visits["is_steady"]).sum())
    if missing:
        return Verdict(result="not determinable", reason=f"{missing} points were not read; worst so far {place}")
    if unsteady:
        return Verdict(
            result="not determinable", reason=f"{unsteady} of {len(visits)} points never settled; worst {place}"
        )
    for stage in stages:
        if stage.result == "fail":
            return Verdict(
                result="fail",
                reason=f'stage "{stage.name}" is outside its own tolerance, {stage.worst_pct:+.3g} % of span at '
                f"{stage.worst_at_pct:g} %, though end to end all {len(judged)} points are within; worst {place}",
            )
    return Verdict(result="pass", reason=f"all {len(judged)} points within the tolerance; worst {place}")
