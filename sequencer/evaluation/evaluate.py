"""From the table of readings to figures and verdict: the table in, one typed result out.

It touches no instrument, clock or file. The figures themselves are computed in `figures/`, over arrays.
"""

import math
from dataclasses import replace

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from instruments.texts import counted
from sequencer.evaluation.against_ideal import Errors, commanded, errors_of
from sequencer.evaluation.both_axes import both_axes
from sequencer.evaluation.budget import NO_BOUND, Basis, budget, correlated_pairs, scatter_alone, type_a
from sequencer.evaluation.certificates import corrections_told
from sequencer.evaluation.covariance import covariance
from sequencer.evaluation.dead_band import dead_band_pct
from sequencer.evaluation.figure_list import Known, printed
from sequencer.evaluation.figure_uncertainty import figure_uncertainty
from sequencer.evaluation.figures.accuracy import inaccuracy
from sequencer.evaluation.figures.conformity import Verdict as PointVerdict
from sequencer.evaluation.figures.definitions import Standard
from sequencer.evaluation.figures.figures import Figures, figures
from sequencer.evaluation.figures.per_point import per_point
from sequencer.evaluation.figures.residuals import independence, lack_of_fit
from sequencer.evaluation.figures.uncertainty import NO_SENSITIVITY, Budget
from sequencer.evaluation.judgement import (
    BoolArray,
    Judgement,
    Resolved,
    Uncertainty,
    judged,
    resolved,
)
from sequencer.evaluation.result import Evaluation
from sequencer.evaluation.scatter import Components, is_scatter_unknown
from sequencer.evaluation.stage_errors import StageResult, beside_suspects, stage_results, suspects
from sequencer.evaluation.tables import points_table, visits_table, with_uncertainty
from sequencer.evaluation.verdict import Evidence, verdict
from sequencer.inputs.step import END_PAIR, JUDGED_ROLES
from sequencer.inputs.tolerance import half_width, with_floor
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.table import valid_rows

__all__ = ["evaluate"]

# How much wider than what can be told a tolerance is to be, so that it is judged with ease: a TUR of 4, ten steps of
# the readings (common practice, no source).
_TIMES_U, _TIMES_HALF_A_STEP = 4.0, 20.0
# Where no resolution is known, a floor of this share of the widest tolerance is proposed.
_FLOOR_SHARE = 0.1


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
    basis = basis or Basis()
    errors = errors_of(table, type_sheet, basis)
    last, span = errors.last, errors.span
    width_pct = dead_band_pct(table, type_sheet, errors.sheet, errors.readings.setpoint_pct)
    computed = _figures(errors, standard, width_pct)
    scatter = type_a(errors.readings, errors.sheet, basis.statements, input_signal=errors.first.to_signal(errors.x))
    stated = _budget(errors, basis, scatter)
    known = _known(errors, basis, stated, scatter, computed)
    found = _evidence(errors, table, type_sheet, stated, basis, planned_n=planned_n, unfinished=unfinished)
    return Evaluation(
        type=type_sheet.type,
        standard=standard,
        tolerance=type_sheet.stated_tolerance,
        input_unit=errors.first.unit,
        input_signal_unit=errors.first.signal_unit,
        output_unit=last.unit,
        output_span=span,
        input_by="measured" if errors.is_measured else "commanded",
        input_range=(errors.first.low, errors.first.high),
        visits=found.visits,
        points=points_table(found.visits, found.judgement.is_out, span),
        end_pairs=found.end_pairs.drop(columns=["error", "tolerance", "result"]),
        figures=(
            *(() if errors.fit is None else errors.fit.figures(errors.sheet, known, errors.is_visited)),
            *(
                replace(each, remark=errors.with_cut_off(each.remark))
                for each in printed(computed, span, last.unit, sign=math.copysign(1.0, last.span), known=known)
            ),
        ),
        fit=errors.fit,
        not_determined=tuple(map(errors.with_cut_off, computed.not_determined(0))),
        stages=found.stages,
        suspect_tap=next(iter(found.suspect_taps), ""),
        suspect_taps=found.suspect_taps,
        corrections=(*type_sheet.corrections, *corrections_told(errors.sheet, basis.statements)),
        basis=basis,
        budget=stated,
        known=known,
        tests=(
            *(() if errors.fit is None else (errors.fit.sentence,)),
            *_tests(errors, computed, scatter, known),
        ),
        tolerance_to_write=found.tolerance_to_write,
        verdict=verdict(found),
        arrays=computed,
        grid=errors.readings,
    )


def _evidence(
    errors: Errors,
    table: pd.DataFrame,
    type_sheet: TypeSheet,
    stated: Budget | None,
    basis: Basis,
    *,
    planned_n: int | None,
    unfinished: str,
) -> Evidence:
    """What the verdict is made of; arguments as in `evaluate`."""
    visits, judgement = _visits(errors, stated, basis.rule)
    stages, suspect_taps = _stages(errors, type_sheet, basis)
    return Evidence(
        visits=visits,
        judgement=judgement,
        end_pairs=_end_pairs(errors, type_sheet, stated, basis.rule),
        unit=errors.last.unit,
        basis=basis,
        stages=stages,
        suspect_taps=suspect_taps,
        is_suspect_at_ends=any(_is_at_ends(errors, basis, tap) for tap in suspect_taps),
        planned_n=planned_n,
        unknown=_why_unknown(stated, errors.is_visited, visits),
        unfinished=unfinished,
        is_scatter_unknown=is_scatter_unknown(errors.readings, errors.last.name),
        without_value=_without_value(table, errors.sheet),
        tolerance_to_write=_tolerance_to_write(type_sheet, visits, judgement, errors.span),
    )


def _figures(errors: Errors, standard: Standard, dead_band: FloatArray | None) -> Figures:
    """All figures; the inaccuracy is that of single readings, everything else of the means of the visits."""
    x_pct = np.where(np.isnan(errors.x), np.nan, errors.input_pct)
    found = figures(errors.in_figures_pct, x_pct, dead_band_pct=dead_band, standard=standard)
    highest, lowest = errors.singles_pct
    return replace(
        found,
        inaccuracy=inaccuracy(highest, x_pct, lowest_pct=lowest, standard=standard),
        hysteresis=replace(found.hysteresis, has_directions=errors.readings.has_directions),
    )


def _budget(errors: Errors, basis: Basis, scatter: Components) -> Budget | None:
    return budget(
        errors.readings,
        errors.sheet,
        basis.statements,
        input_signal=errors.first.to_signal(errors.x),
        scatter=scatter,
        correlations=basis.pairs,
        probability=basis.coverage,
    )


def _visits(errors: Errors, stated: Budget | None, rule: str) -> tuple[pd.DataFrame, Judgement]:
    """The table of visits, and each judged; the band is symmetric about no error."""
    at = errors.is_visited
    shown = errors.shown()
    known = None if stated is None else Uncertainty(U=stated.U[at], k=stated.k[at], dof=stated.dof[at])
    judgement = judged(
        errors.error[at],
        errors.tolerance[at],
        span=errors.span,
        shown=Resolved(least=shown.least[at], explained=shown.explained[at]),
        known=known,
        rule=rule,
    )
    columns = {"input": errors.x, "input_pct": errors.input_pct, "ideal": errors.ideal, "output": errors.y}
    columns |= {"error": errors.error, "tolerance": errors.tolerance}
    visits = visits_table(errors.readings, errors.last.name, at, columns, judgement, errors.span)
    return (visits if known is None else with_uncertainty(visits, known, judgement)), judgement


def _end_pairs(errors: Errors, type_sheet: TypeSheet, stated: Budget | None, rule: str) -> pd.DataFrame:
    """The second reading against the first, at each end of each cycle, without moving the input between them."""
    readings, span = errors.readings, errors.span
    pair = readings.end_pair.get(errors.last.name)
    columns = ["cycle", "setpoint_pct", "first", "second", "change", "change_pct", "error", "tolerance", "result"]
    if pair is None or np.isnan(pair).all():
        return pd.DataFrame(columns=columns)
    _, cycle, direction, point = places = np.nonzero(~np.isnan(pair))
    before = (places[0], cycle, 1 - direction, point)  # the traverse that arrived here went the other way
    first, second = errors.y[before], pair[places]
    x = errors.x[before]
    if errors.is_measured:
        at_once = readings.end_pair[errors.first.name][places]
        x = np.where(np.isnan(at_once), x, at_once)
    elif np.isnan(x).any():
        x = commanded(readings, errors.first, pair.shape)[places]
    error = second - errors.sheet.ideal(x)
    width = half_width(type_sheet.tolerance, errors.sheet, x)
    judgement = judged(
        error,
        width,
        span=span,
        shown=resolved(errors.sheet, x, errors.steps),
        known=None if stated is None else Uncertainty(U=stated.U[before], k=stated.k[before], dof=stated.dof[before]),
        rule=rule,
    )
    values = (cycle + 1, readings.setpoint_pct[point], first, second, second - first, 100 * (second - first) / span)
    told = [PointVerdict(int(each)).text for each in judgement.result]
    return pd.DataFrame(dict(zip(columns, (*values, error, width, told), strict=True)))


def _stages(errors: Errors, type_sheet: TypeSheet, basis: Basis) -> tuple[tuple[StageResult, ...], tuple[str, ...]]:
    """The stages, and the taps whose instrument the readings accuse: beside them nothing is determinable."""
    stages = stage_results(type_sheet, errors.sheet, errors.readings, steps=errors.steps, stated=basis.statements)
    taps = suspects(errors.sheet, errors.readings, stages)
    return beside_suspects(stages, taps), taps


def _is_at_ends(errors: Errors, basis: Basis, tap: str) -> bool:
    """Whether a suspect tap is at an end of the chain, or its instrument reads there as well."""
    reads = {each.tap: each.instrument for each in basis.statements}
    ends = (errors.first.name, errors.last.name)
    return tap in ends or (tap in reads and reads[tap] in {reads.get(end) for end in ends})


def _why_unknown(stated: Budget | None, is_visited: BoolArray, visits: pd.DataFrame) -> str:
    """Why the uncertainty of a visit that is judged is not determinable, "" where it is."""
    if stated is None:
        return ""
    places = np.argwhere(is_visited)[visits["is_judged"].to_numpy()]
    reason = next((reason for at in places if (reason := stated.reason(*at.tolist()))), "")
    return NO_BOUND if reason.endswith(NO_SENSITIVITY) else reason


def _without_value(table: pd.DataFrame, sheet: DataSheet) -> tuple[str, ...]:
    """Readings that gave no value where others of the same visit did, a sentence a tap and point."""
    rows = valid_rows(table)
    rows = rows[rows["role"].isin(JUDGED_ROLES) & rows["tap"].isin([tap.name for tap in sheet.taps])]
    rows = rows[rows["step"] == rows["step"].iloc[0]]
    if rows["value"].notna().all():
        return ()
    said: dict[str, None] = {}
    for (role, _, direction, _, tap), part in rows.groupby(["role", "cycle", "direction", "point", "tap"]):
        empty = int(part["value"].isna().sum())
        where = f"{round(part['setpoint_pct'].iloc[0], 2) + 0.0:g} %{f' {direction}scale' if direction else ''}"
        if role == END_PAIR and empty == len(part) and tap == sheet.taps[-1].name:
            said[f"the second reading of the end pair at {where} gave no value"] = None
        elif 0 < empty < len(part):
            said[f'{empty} of {counted(len(part), "reading")} of "{tap}" at {where} gave no value'] = None
    return tuple(said)


def _tolerance_to_write(type_sheet: TypeSheet, visits: pd.DataFrame, judgement: Judgement, span: float) -> str:
    """As `Evaluation.tolerance_to_write`: only where the tolerance falls short at some points, not everywhere."""
    if not judgement.is_unresolved.any():
        return ""
    widest = float(visits["tolerance"].max())
    least = float(judgement.least[judgement.is_unresolved].max())
    times = _TIMES_HALF_A_STEP if judgement.conformity is None else _TIMES_U
    needed = times * least or _FLOOR_SHARE * widest
    return str(with_floor(type_sheet.tolerance, 100 * needed / span)) if 0 < needed < widest else ""


def _known(errors: Errors, basis: Basis, stated: Budget | None, scatter: Components, computed: Figures) -> Known:
    """What is known of the figures from what is stated of the instruments, and from what repeats."""
    is_visited, scale = errors.is_visited, 100 / errors.span
    at_frac = errors.readings.setpoint_pct[np.nonzero(is_visited)[-1]] / 100
    if stated is None:
        alone = scatter_alone(
            scatter, errors.y, step=errors.steps.get(errors.last.name, 0.0), probability=basis.coverage
        )
        if alone is None:
            return Known(said=scatter.said)
        return Known(said=scatter.said, covariance=covariance(alone, scatter, is_visited, at_frac=at_frac, scale=scale))
    by_tap = {each.tap: each for each in basis.statements}
    ends = (by_tap[errors.first.name], by_tap[errors.last.name])
    pairs = correlated_pairs(stated.contributions, *ends, basis.pairs)
    found = covariance(
        stated,
        scatter,
        is_visited,
        at_frac=at_frac,
        scale=scale,
        pairs=pairs,
        has_directions=errors.readings.has_directions,
    )
    ideal_pct, output_pct = (scale * (each - errors.last.low)[is_visited] for each in (errors.ideal, errors.y))
    return Known(
        said=scatter.said,
        covariance=found,
        of_figures=figure_uncertainty(
            errors.in_figures_pct, errors.input_pct, errors.singles_pct, found, is_visited, computed
        ),
        line=both_axes(ideal_pct, output_pct, stated, found, is_visited, scale=scale),
    )


def _tests(errors: Errors, computed: Figures, scatter: Components, known: Known) -> tuple[str, ...]:
    """What the tests say: repeats against the line, neighbours in time, cycles against each other, the line itself."""
    error_pct, x_pct = errors.in_figures_pct, errors.input_pct
    unit, cycles_n, directions_n, points_n = error_pct.shape
    by_point = np.moveaxis(error_pct, 1, -1).reshape(unit, directions_n * points_n, cycles_n)
    inputs = np.moveaxis(x_pct, 1, -1).reshape(unit, directions_n * points_n, cycles_n)
    fit = lack_of_fit(per_point(inputs, axis=-1).mean, by_point)
    left = error_pct - computed.line.offset[0] - computed.line.gain[0] * x_pct
    in_time = left.reshape(unit, -1)[:, np.argsort(errors.readings.taken, axis=None, kind="stable")]
    said = [fit.sentence(0), independence(in_time).sentence(0)]
    return (*said, *scatter.said, *(() if known.line is None else (known.line.said,)))
