"""The rows of a report's tables as text, for a page and for a terminal alike. It computes no figure."""

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from sequencer.evaluation.adjustment import Adjustment
from sequencer.evaluation.figure_list import Figure
from sequencer.evaluation.result import Evaluation
from sequencer.reports.as_found_as_left import point_verdict
from sequencer.reports.as_text import MINUS, as_pct, fixed, is_out, percent_used, significant
from sequencer.reports.number_style import NumberStyle, figure_text
from sequencer.reports.words import SYMBOLS, ordered

__all__ = [
    "FigureRow",
    "PairRow",
    "PointRow",
    "SetpointRow",
    "StageRow",
    "TrimRow",
    "figure_rows",
    "pair_rows",
    "setpoint_rows",
    "stage_rows",
    "trim_rows",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PointRow:
    """One direction of one setpoint in the table of readings, as text.

    `U` is the largest of the cycles, with its `k`, "" where none is known; `verdict` the one that weighs most, "" if
    not judged.
    """

    direction: str
    injected: str
    returned: str
    ideal: str
    error: str
    error_pct: str
    used: str
    tolerance: str
    sd: str
    readings: str
    U: str
    k: str
    verdict: str
    symbol: str
    is_out: bool
    is_worst: bool
    is_unsteady: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SetpointRow:
    """One setpoint in the table of readings: what holds for all its directions, as text, and those.

    `U_pct` is in % of span, a dash where none is known; `most_used_pct` the largest share of the tolerance, a number.
    """

    setpoint: str
    injected: str
    U_pct: str
    most_used_pct: float
    points: tuple[PointRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureRow:
    """One figure, as text; `value` is "" where it is not determinable, then `remark` says why.

    `own` is the unit's own where noise adds to a largest value, `interval` where the truth lies, `by_noise` what noise
    alone gives; each "" where there is none.
    """

    name: str
    value: str
    unit: str
    u_scatter: str
    U: str
    own: str
    interval: str
    by_noise: str
    at: str
    definition: str
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StageRow:
    """One stage of the chain, as text."""

    name: str
    way: str
    worst: str
    at: str
    tolerance: str
    symbol: str
    result: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimRow:
    """One trim: what to change, with the input where, and what the output is then."""

    name: str
    change: str
    change_pct: str
    at: str
    until: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PairRow:
    """One end pair: two readings without moving the input between them."""

    cycle: str
    setpoint: str
    first: str
    second: str
    change: str
    change_pct: str


def setpoint_rows(evaluation: Evaluation, *, minus: str = MINUS) -> tuple[SetpointRow, ...]:
    """Every setpoint, ascending, with its directions; the worst reading's row is marked."""
    points = ordered(evaluation.points)
    if points.empty:
        return ()
    style = NumberStyle(evaluation, minus=minus)
    visited = dict(list(evaluation.visits.groupby(["point", "direction"])))
    rows = []
    for _, part in points.groupby("point", sort=False):
        sides = [(row, visited[row["point"], row["direction"]]) for row in part.to_dict("records")]
        largest_U = max((float(visits["U"].max()) for _, visits in sides if "U" in visits), default=math.nan)
        rows.append(
            SetpointRow(
                setpoint=as_pct(float(part["setpoint_pct"].iloc[0]), minus=minus),
                injected=style.given(float(part["input"].mean())),
                U_pct=significant(100 * largest_U / evaluation.output_span, minus=minus),
                most_used_pct=float(part["used_pct"].abs().max()),
                points=tuple(_point_row(evaluation, style, row, visits) for row, visits in sides),
            )
        )
    return tuple(rows)


def _point_row(
    evaluation: Evaluation, style: NumberStyle, row: Mapping[Hashable, Any], visits: pd.DataFrame
) -> PointRow:
    worst, verdict = evaluation.worst, point_verdict(visits)
    is_worst = worst is not None and (row["point"], row["direction"]) == (worst["point"], worst["direction"])
    return PointRow(
        direction=row["direction"],
        injected=style.given(row["input"]),
        returned=style.level(row["output"]),
        ideal=style.level(row["ideal"]),
        error=style.error(row["error"]),
        error_pct=style.error_pct(row["error_pct"]),
        used=percent_used(row["used_pct"], minus=style.minus),
        tolerance=style.level(row["tolerance"]),
        sd=style.spread(row["sd"]),
        readings=str(row["readings_n"]),
        U=style.uncertainty(float(visits["U"].max())) if "U" in visits else "",
        k=_k_of_largest(visits) if "U" in visits else "",
        verdict=verdict,
        symbol=SYMBOLS.get(verdict, ""),
        is_out=is_out(row["used_pct"]),
        is_worst=is_worst,
        is_unsteady=not row["is_steady"],
    )


def _k_of_largest(visits: pd.DataFrame) -> str:
    known = visits[visits["U"].notna()]
    return fixed(None if known.empty else float(known.sort_values("U")["k"].iloc[-1]), 2)


def figure_rows(evaluation: Evaluation, *, minus: str = MINUS) -> tuple[FigureRow, ...]:
    """Every figure as text."""
    style = NumberStyle(evaluation, minus=minus)
    return tuple(_figure_row(figure, style) for figure in evaluation.figures)


def _figure_row(figure: Figure, style: NumberStyle) -> FigureRow:
    value, u = figure_text(figure, style)

    def beside(level: float | None) -> str:
        return "" if level is None else figure_text(replace(figure, value=level), style)[0]

    is_largest = figure.corrected is not None
    return FigureRow(
        name=figure.name,
        value=value,
        unit="" if figure.unit == "1" else figure.unit,
        u_scatter=u,
        U="" if figure.U is None or not math.isfinite(figure.U) else significant(figure.U, minus=style.minus),
        own=beside(figure.corrected),
        interval=f"{beside(figure.low)} to {beside(figure.high)}" if is_largest and figure.low is not None else "",
        by_noise="" if figure.by_noise is None else fixed(abs(figure.by_noise), style.pct_decimals),
        at="" if figure.at_pct is None else as_pct(figure.at_pct, minus=style.minus),
        definition=figure.definition,
        remark=figure.remark,
    )


def stage_rows(evaluation: Evaluation) -> tuple[StageRow, ...]:
    """Every stage."""

    def percent(value: float | None, *, is_signed: bool) -> str:
        return "–" if value is None else fixed(value, 3, is_signed=is_signed)

    return tuple(
        StageRow(
            name=stage.name,
            way=f"{stage.first} → {stage.last}",
            worst=percent(stage.worst_pct, is_signed=True),
            at="–" if stage.worst_at_pct is None else as_pct(stage.worst_at_pct),
            tolerance="none of its own"
            if stage.tolerance_pct is None
            else f"±{percent(stage.tolerance_pct, is_signed=False)}",
            symbol=SYMBOLS[stage.result],
            result=stage.result,
        )
        for stage in evaluation.stages
    )


def trim_rows(trims: Adjustment, evaluation: Evaluation, *, minus: str = MINUS) -> tuple[TrimRow, ...]:
    """Zero and span."""
    style = NumberStyle(evaluation, minus=minus)
    return tuple(
        TrimRow(name=name, change=style.error(change), change_pct=style.error_pct(pct), at=at, until=style.level(until))
        for name, change, pct, at, until in (
            ("zero", trims.zero, trims.zero_pct, "0 %", trims.at_bottom),
            ("span", trims.span, trims.span_pct, "100 %", trims.at_top),
        )
    )


def pair_rows(evaluation: Evaluation) -> tuple[PairRow, ...]:
    """Every end pair."""
    style = NumberStyle(evaluation)
    return tuple(
        PairRow(
            cycle=str(row["cycle"]),
            setpoint=as_pct(row["setpoint_pct"]),
            first=style.level(row["first"]),
            second=style.level(row["second"]),
            change=style.error(row["change"]),
            change_pct=style.error_pct(row["change_pct"]),
        )
        for row in evaluation.end_pairs.to_dict("records")
    )
