"""The report as one HTML file: no script, no external resource, readable in print and without colour.

The template beside this module arranges; here every number becomes text. It computes no figure. Whatever comes from
outside is escaped by the template.
"""

from dataclasses import dataclass
from functools import lru_cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from instruments.texts import as_page
from sequencer.diagnosis.capture import capture_words
from sequencer.diagnosis.result import Content
from sequencer.evaluation.adjustment import Adjustment
from sequencer.evaluation.result import Evaluation
from sequencer.reports import words
from sequencer.reports.as_found_as_left import figure_pairs, point_verdict, setpoint_pairs
from sequencer.reports.capture import capture_plot
from sequencer.reports.diagnosis import cause_plot, evidence_lines, share_lines
from sequencer.reports.plots import bar_plot, error_plot, hysteresis_plot, residual_plot
from sequencer.reports.settling import settling_plot, telling_trace
from sequencer.reports.uncertainty import NOTHING_STATED, budget_table, setpoint_rows

__all__ = ["FigureRow", "PointRow", "figure_rows", "html", "point_rows"]

_UNDONE = {"interrupted", "bench fault", "not safe", "stopped by the sequence"}
_MOST_REMARKS = 60
_MOST_ALTERATIONS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class PointRow:
    """One row of the table of readings, as text; `setpoint` is "" where the row above has the same.

    `U` is the largest of the cycles, "" where none is known; `verdict` the one that weighs most, "" if not judged.
    """

    setpoint: str
    rows_n: int
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
    verdict: str
    symbol: str
    is_out: bool
    is_worst: bool
    is_unsteady: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureRow:
    """One figure, as text; `value` is "" where it is not determinable, then `remark` says why."""

    name: str
    value: str
    unit: str
    u: str
    U: str
    at: str
    definition: str
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _StageRow:
    name: str
    way: str
    worst: str
    at: str
    tolerance: str
    symbol: str
    result: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _TrimRow:
    name: str
    change: str
    change_pct: str
    at: str
    until: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _PairRow:
    cycle: str
    setpoint: str
    first: str
    second: str
    change: str
    change_pct: str


def html(content: Content) -> str:
    """The report of a content as one self-contained page."""
    found = content.evaluation
    trace = telling_trace(content.traces)
    result = "not determinable" if found is None else found.verdict.result
    settled_plot = settling_plot(found, trace, unit=found.output_unit if found else "output units")
    page = _template().render(
        c=content,
        e=found,
        word=words.verdict_word(content),
        result=result,
        symbol=words.SYMBOLS[result],
        symbols={mark: verdict for verdict, mark in words.SYMBOLS.items()},
        headline=_capital(words.headline(content, has_U=False)),
        weighed=_capital(words.weighed(found)) if found else "",
        tur=words.ratio(found.tur) if found else "",
        is_undone=content.status in _UNDONE,
        date=words.date(content.date),
        simulated=words.SIMULATED,
        caution=words.CAUTION,
        advice_note=words.ADVICE_NOTE,
        opinion_note=words.OPINION_NOTE,
        nothing_stated=NOTHING_STATED,
        style=words.NumberStyle(found) if found else None,
        points=point_rows(found) if found else (),
        figures=figure_rows(found) if found else (),
        stages=_stage_rows(found) if found else (),
        pairs=_pair_rows(found) if found else (),
        trims=_trim_rows(content.adjustment, found) if found and content.adjustment else (),
        enough=words.enough(content.adjustment, found) if found and content.adjustment else "",
        figure_pairs=figure_pairs(content.before, found) if found and content.before else (),
        setpoint_pairs=setpoint_pairs(content.before, found) if found and content.before else (),
        before_symbol=words.SYMBOLS[content.before.verdict.result] if content.before else "",
        budget=budget_table(found) if found else None,
        setpoints=setpoint_rows(found) if found else (),
        error_plot=Markup(error_plot(found, content.before)) if found else "",  # noqa: S704  the plots escape their texts
        bar_plot=Markup(bar_plot(found)) if found else "",  # noqa: S704
        hysteresis_plot=Markup(hysteresis_plot(found)) if found else "",  # noqa: S704
        residual_plot=Markup(residual_plot(found)) if found else "",  # noqa: S704
        settling_plot=Markup(settled_plot),  # noqa: S704
        captures=[
            (
                each,
                words.as_pct(each.setpoint_pct),
                capture_words(each),
                Markup(capture_plot(each)),  # noqa: S704
            )
            for each in content.captures
        ],
        cause_plot=Markup(cause_plot(content.findings.curve)) if content.findings else "",  # noqa: S704
        evidence=evidence_lines(content.findings) if content.findings else (),
        shares=share_lines(content.findings) if content.findings else (),
        trace=trace,
        trace_place=f"{words.as_pct(trace.setpoint_pct)}{words.way(trace.direction)}" if trace else "",
        remarks=content.remarks[:_MOST_REMARKS],
        most_alterations=_MOST_ALTERATIONS,
        more_remarks_n=max(len(content.remarks) - _MOST_REMARKS, 0),
    )
    return as_page(page)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


@lru_cache(maxsize=1)
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("sequencer", __package__.removeprefix("sequencer.")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("report.html.j2")


def point_rows(evaluation: Evaluation, *, minus: str = words.MINUS) -> tuple[PointRow, ...]:
    """Every setpoint and direction as text, setpoints ascending, up before down; the worst reading's row is marked."""
    points = words.ordered(evaluation.points)
    style = words.NumberStyle(evaluation, minus=minus)
    worst = evaluation.worst
    rows: list[PointRow] = []
    visited = dict(list(evaluation.visits.groupby(["point", "direction"])))
    rows_n = points.groupby("point").size().to_dict() if len(points) else {}
    before = None
    for row in points.to_dict("records"):
        part = visited[row["point"], row["direction"]]
        verdict = point_verdict(part)
        is_worst = worst is not None and (row["point"], row["direction"]) == (worst["point"], worst["direction"])
        rows.append(
            PointRow(
                setpoint="" if row["point"] == before else words.as_pct(row["setpoint_pct"], minus=minus),
                rows_n=int(rows_n[row["point"]]),
                direction=row["direction"],
                injected=style.given(row["input"]),
                returned=style.level(row["output"]),
                ideal=style.level(row["ideal"]),
                error=style.error(row["error"]),
                error_pct=style.error_pct(row["error_pct"]),
                used=words.percent_used(row["used_pct"], minus=minus),
                tolerance=style.level(row["tolerance"]),
                sd=style.spread(row["sd"]),
                readings=str(row["readings_n"]),
                U=style.uncertainty(float(part["U"].max())) if "U" in part else "",
                verdict=verdict,
                symbol=words.SYMBOLS.get(verdict, ""),
                is_out=words.is_out(row["used_pct"]),
                is_worst=is_worst,
                is_unsteady=not row["is_steady"],
            )
        )
        before = row["point"]
    return tuple(rows)


def figure_rows(evaluation: Evaluation, *, minus: str = words.MINUS) -> tuple[FigureRow, ...]:
    """Every figure as text."""
    style = words.NumberStyle(evaluation, minus=minus)
    rows = []
    for figure in evaluation.figures:
        value, u = words.figure_text(figure, style)
        rows.append(
            FigureRow(
                name=figure.name,
                value=value,
                unit="" if figure.unit == "1" else figure.unit,
                u=u,
                U=words.uncertainty_text(figure, minus=minus),
                at="" if figure.at_pct is None else words.as_pct(figure.at_pct, minus=minus),
                definition=figure.definition,
                remark=figure.remark,
            )
        )
    return tuple(rows)


def _stage_rows(evaluation: Evaluation) -> tuple[_StageRow, ...]:
    def percent(value: float | None, *, is_signed: bool) -> str:
        return "–" if value is None else words.fixed(value, 3, is_signed=is_signed)

    return tuple(
        _StageRow(
            name=stage.name,
            way=f"{stage.first} → {stage.last}",
            worst=percent(stage.worst_pct, is_signed=True),
            at="–" if stage.worst_at_pct is None else words.as_pct(stage.worst_at_pct),
            tolerance="none of its own"
            if stage.tolerance_pct is None
            else f"±{percent(stage.tolerance_pct, is_signed=False)}",
            symbol=words.SYMBOLS[stage.result],
            result=stage.result,
        )
        for stage in evaluation.stages
    )


def _trim_rows(trims: Adjustment, evaluation: Evaluation) -> tuple[_TrimRow, ...]:
    style = words.NumberStyle(evaluation)
    return tuple(
        _TrimRow(
            name=name, change=style.error(change), change_pct=style.error_pct(pct), at=at, until=style.level(until)
        )
        for name, change, pct, at, until in (
            ("zero", trims.zero, trims.zero_pct, "0 %", trims.at_bottom),
            ("span", trims.span, trims.span_pct, "100 %", trims.at_top),
        )
    )


def _pair_rows(evaluation: Evaluation) -> tuple[_PairRow, ...]:
    style = words.NumberStyle(evaluation)
    return tuple(
        _PairRow(
            cycle=str(row["cycle"]),
            setpoint=words.as_pct(row["setpoint_pct"]),
            first=style.level(row["first"]),
            second=style.level(row["second"]),
            change=style.error(row["change"]),
            change_pct=style.error_pct(row["change_pct"]),
        )
        for row in evaluation.end_pairs.to_dict("records")
    )
