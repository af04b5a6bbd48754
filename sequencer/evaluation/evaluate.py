"""From the table of readings to figures and verdict: the table in, one typed result out.

It touches no instrument, clock or file. The figures themselves are computed in `figures/`, over arrays.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from instruments.errors import ReadingsError
from sequencer.evaluation.budget import Basis, budget, is_own, is_scatter_unknown
from sequencer.evaluation.figure_list import Figure, Known, printed
from sequencer.evaluation.figures.conformity import Conformity, judge
from sequencer.evaluation.figures.conformity import Verdict as PointVerdict
from sequencer.evaluation.figures.contributions import Contribution
from sequencer.evaluation.figures.definitions import Standard
from sequencer.evaluation.figures.errors_in_variables import KnownUncertaintyLine, fit_line_with_uncertainties
from sequencer.evaluation.figures.figures import Figures, figures
from sequencer.evaluation.figures.per_point import per_point
from sequencer.evaluation.figures.residuals import independence, lack_of_fit
from sequencer.evaluation.figures.uncertainty import Budget
from sequencer.evaluation.stage_errors import StageResult, stage_results, suspect
from sequencer.evaluation.verdict import Verdict, verdict, worst_visit
from sequencer.inputs.decision_rules import RULES
from sequencer.inputs.tolerance import half_width
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.table import Grid, grid

__all__ = ["Evaluation", "Figure", "StageResult", "Verdict", "evaluate"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """Everything that follows from one table of readings of one unit.

    Attributes:
        type: of the unit.
        input_unit: of the first tap.
        input_signal_unit: of what carries it, such as ohm; `input_unit` where nothing does.
        output_unit: of the last tap.
        input_range: values at 0 % and 100 % of the first tap, in `input_unit`.
        output_span: upper less lower end of the output range, > 0, in `output_unit`.
        input_by: "measured" where an instrument read the first tap, else "commanded".
        visits: one row per cycle, direction and point: setpoint_pct, cycle, direction, point, input, input_pct, ideal,
            output, error, error_pct, tolerance, used_pct (error in % of the tolerance), sd,
            readings_n, is_steady, is_judged, is_within; U, k, dof, tur, p_conform and verdict where a budget is known.
        points: one row per setpoint and direction, over all cycles: setpoint_pct, direction, input, ideal, output, sd,
            readings_n, cycles_n, error, error_pct, tolerance, tolerance_pct, used_pct, is_within.
        end_pairs: one row per end pair: setpoint_pct, cycle, first, second, change, change_pct.
        figures: as printed, in order.
        stages: one result a stage that lies between two taps that were read.
        suspect_tap: a tap that disagrees with its neighbours while they agree with each other, "" if none does.
        corrections: what of the readings is corrected at which tap, by how much, in words.
        basis: what is stated of the instruments, and the decision rule.
        budget: uncertainty of each error, arrays in the order of `visits`; None where nothing is stated.
        tests: what the tests of the fit say, each in one sentence.
        verdict: the whole.
        arrays: the figures as arrays, for further use.
        grid: the readings as arrays.
    """

    type: str
    standard: Standard
    tolerance: str
    input_unit: str
    input_signal_unit: str
    output_unit: str
    output_span: float
    input_by: Literal["measured", "commanded"]
    input_range: tuple[float, float]
    visits: pd.DataFrame
    points: pd.DataFrame
    end_pairs: pd.DataFrame
    figures: tuple[Figure, ...]
    not_determined: tuple[str, ...]
    stages: tuple[StageResult, ...]
    suspect_tap: str
    corrections: tuple[str, ...]
    basis: Basis
    budget: Budget | None
    tests: tuple[str, ...]
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
        return worst_visit(self.visits)

    @property
    def worst_index(self) -> tuple[int, ...] | None:
        """Where the worst visit stands in the arrays of `budget`; None if none is judged."""
        worst = self.worst
        if worst is None:
            return None
        place = int(np.flatnonzero(self.visits.index.to_numpy() == worst.name)[0])
        return tuple(int(each) for each in np.argwhere(self.is_visited)[place])

    @property
    def is_visited(self) -> npt.NDArray[np.bool_]:
        """Where the rows of `visits` stand in the arrays of `grid` and `budget`, in order."""
        return ~np.isnan(next(reversed(self.grid.readings_n.values())))

    @property
    def worst_U(self) -> float | None:
        """Largest expanded uncertainty of a judged error, in `output_unit`; None where none is known."""
        known = self._known("U")
        return None if known.empty else float(known.max())

    @property
    def tur(self) -> float | None:
        """Smallest tolerance over expanded uncertainty of the judged points; None where none is known."""
        known = self._known("tur")
        return None if known.empty else float(known.min())

    def _known(self, column: str) -> "pd.Series[float]":
        """A column of the judged visits where it is known; empty where nothing is stated of the instruments."""
        if column not in self.visits:
            return pd.Series(dtype=float)
        known: pd.Series[float] = self.visits.loc[self.visits["is_judged"], column].dropna()
        return known


def evaluate(
    table: pd.DataFrame,
    type_sheet: TypeSheet,
    *,
    standard: Standard = "IEC 61298-2:2008",
    planned_n: int | None = None,
    basis: Basis | None = None,
    unfinished: str = "",
) -> Evaluation:
    """Figures and verdict of a table of readings of one unit.

    Args:
        table: tidy, as `readings` makes it.
        type_sheet: what the unit should do.
        standard: whose definitions.
        planned_n: how many points the plan had to read; fewer in the table leave the verdict not determinable.
        basis: what is stated of the instruments, and the decision rule; None = nothing is, so no uncertainty.
        unfinished: why the run that took the readings did not finish, "" if it did; it cannot pass then.

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
    basis = basis or Basis()
    visits = _visits(
        readings, last.name, span, x=x, input_pct=100 * frac, ideal=ideal, y=y, error=error, tolerance=tolerance
    )
    stated = budget(
        readings,
        sheet,
        basis.statements,
        input_signal=first.to_signal(x),
        correlations=basis.pairs,
        probability=basis.coverage,
    )
    is_visited = ~np.isnan(readings.readings_n[last.name])
    found = None if stated is None else _judged(visits, stated, is_visited, basis)
    why_unknown = ""
    if stated is not None and found is not None:
        visits = _with_uncertainty(visits, stated, found, is_visited)
        judged = np.argwhere(is_visited)[visits["is_judged"].to_numpy()]
        why_unknown = next((reason for at in judged if (reason := stated.reason(*at.tolist()))), "")
    line = None
    if stated is not None:
        line = _line(
            stated,
            first.name,
            is_visited,
            ideal_pct=100 * (ideal - last.low) / span,
            output_pct=100 * (y - last.low) / span,
            span=span,
        )
    known = _known(visits, stated, span, is_visited, line)
    stages = stage_results(type_sheet, sheet, readings)
    return Evaluation(
        type=type_sheet.type,
        standard=standard,
        tolerance=str(type_sheet.tolerance),
        input_unit=first.unit,
        input_signal_unit=first.signal_unit,
        output_unit=last.unit,
        output_span=span,
        input_by="measured" if is_measured else "commanded",
        input_range=(first.low, first.high),
        visits=visits,
        points=_points(visits, span),
        end_pairs=_end_pairs(readings, last.name, span),
        figures=printed(computed, span, last.unit, sign=math.copysign(1.0, last.span), known=known),
        not_determined=computed.not_determined(0),
        stages=stages,
        suspect_tap=suspect(sheet, readings, stages),
        corrections=type_sheet.corrections,
        basis=basis,
        budget=stated,
        tests=_tests(in_figures, 100 * frac, computed, line),
        verdict=verdict(
            visits,
            last.unit,
            planned_n=planned_n,
            stages=stages,
            conformity=found,
            basis=basis,
            unknown=why_unknown,
            unfinished=unfinished,
            is_scatter_unknown=is_scatter_unknown(readings, last.name),
        ),
        arrays=computed,
        grid=readings,
    )


def _judged(visits: pd.DataFrame, stated: Budget, is_visited: npt.NDArray[np.bool_], basis: Basis) -> Conformity:
    """Each visit by the decision rule; the band is symmetric about no error."""
    width = visits["tolerance"].to_numpy(dtype=np.float64)
    return judge(
        visits["error"].to_numpy(dtype=np.float64),
        stated.U[is_visited],
        rule=RULES[basis.rule],
        lower=-width,
        upper=width,
        k=stated.k[is_visited],
        dof=stated.dof[is_visited],
    )


def _with_uncertainty(
    visits: pd.DataFrame, stated: Budget, found: Conformity, is_visited: npt.NDArray[np.bool_]
) -> pd.DataFrame:
    return visits.assign(
        U=stated.U[is_visited],
        k=stated.k[is_visited],
        dof=stated.dof[is_visited],
        tur=found.tur,
        p_conform=found.probability,
        verdict=[PointVerdict(int(each)).text for each in found.verdict],
    )


def _effect(stated: Budget, is_visited: npt.NDArray[np.bool_], chosen: Callable[[Contribution], bool]) -> FloatArray:
    """Standard uncertainty of some contributions together at each visit, in the unit of the output."""
    rows = [number for number, each in enumerate(stated.contributions) if chosen(each)]
    squares = (stated.effect[rows] ** 2).sum(axis=0)
    return np.asarray(np.sqrt(squares[is_visited]))


def _line(
    stated: Budget,
    first: str,
    is_visited: npt.NDArray[np.bool_],
    *,
    ideal_pct: FloatArray,
    output_pct: FloatArray,
    span: float,
) -> KnownUncertaintyLine | None:
    """Output against ideal output, both in % of span, with the uncertainties of input and output."""
    u_x = 100 * _effect(stated, is_visited, lambda each: each.name.startswith(f"{first}: ")) / span
    u_y = 100 * _effect(stated, is_visited, lambda each: not each.name.startswith(f"{first}: ")) / span
    x_pct, y_pct = ideal_pct[is_visited], output_pct[is_visited]
    is_used = np.isfinite(x_pct + y_pct + u_x + u_y) & (u_x + u_y > 0)
    if is_used.sum() < 2:
        return None
    x_pct, y_pct, u_x, u_y = (each[is_used][np.newaxis] for each in (x_pct, y_pct, u_x, u_y))
    return fit_line_with_uncertainties(x_pct, y_pct, u_y=u_y, u_x=u_x)


def _known(
    visits: pd.DataFrame,
    stated: Budget | None,
    span: float,
    is_visited: npt.NDArray[np.bool_],
    line: KnownUncertaintyLine | None,
) -> Known:
    if stated is None:
        return Known(at={}, scatter=math.nan, line=None)
    largest = (100 * visits.groupby("setpoint_pct")["U"].max() / span).dropna()
    # Between two readings of the same instruments only this differs.
    own = _effect(stated, is_visited, lambda each: each.kind == "A" or is_own(each))
    k = stated.k[is_visited]
    scatter = 100 * float(np.nanmax(k * own)) / span if np.isfinite(k * own).any() else math.nan
    return Known(at={float(at): float(U) for at, U in largest.items()}, scatter=scatter, line=line)  # type: ignore[arg-type]


def _tests(
    error_pct: FloatArray, x_pct: FloatArray, computed: Figures, line: KnownUncertaintyLine | None
) -> tuple[str, ...]:
    """What the tests of the straight line say: repeats against the line, neighbours in time, uncertainties."""
    unit, cycles_n, directions_n, points_n = error_pct.shape
    by_point = np.moveaxis(error_pct, 1, -1).reshape(unit, directions_n * points_n, cycles_n)
    inputs = np.moveaxis(x_pct, 1, -1).reshape(unit, directions_n * points_n, cycles_n)
    fit = lack_of_fit(per_point(inputs, axis=-1).mean, by_point)
    left = error_pct - computed.line.offset[0] - computed.line.gain[0] * x_pct
    in_time = np.concatenate((left[:, :, :1, :], left[:, :, 1:, ::-1]), axis=2).reshape(unit, -1)
    said = [fit.sentence(0), independence(in_time).sentence(0)]
    return tuple(said if line is None else [*said, line.test(0)])


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


def _visits(  # noqa: PLR0913  one array a column
    readings: Grid,
    last: str,
    span: float,
    *,
    x: FloatArray,
    input_pct: FloatArray,
    ideal: FloatArray,
    y: FloatArray,
    error: FloatArray,
    tolerance: FloatArray,
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
