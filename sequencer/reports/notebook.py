"""What a notebook shows of a result: a fragment of HTML without style sheet, escaped. No figure here."""

from collections.abc import Callable, Mapping, Sequence

from markupsafe import Markup, escape

from instruments.texts import as_page
from instruments.units import show
from sequencer.diagnosis.account import Account
from sequencer.diagnosis.compared import Comparison
from sequencer.evaluation.result import Evaluation
from sequencer.planning.plan import Plan
from sequencer.reports import compared as said
from sequencer.reports import words
from sequencer.reports.as_text import duration, ratio, set_points
from sequencer.reports.plots import bar_plot, error_plot, hysteresis_plot, residual_plot
from sequencer.reports.rows import figure_rows
from sequencer.reports.side_by_side import difference_plot

__all__ = ["PLOTS", "account_html", "comparison_html", "evaluation_html", "plan_html"]

PLOTS: Mapping[str, Callable[[Evaluation], str]] = {
    "error": error_plot,
    "hysteresis": hysteresis_plot,
    "residual": residual_plot,
    "bars": bar_plot,
}
"""Plots of an evaluation, by the name that they are asked for."""


def _table(heads: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> Markup:
    head = Markup("").join(Markup('<th style="text-align:left">{}</th>').format(each) for each in heads)
    body = Markup("").join(
        Markup("<tr>{}</tr>").format(
            Markup("").join(Markup('<td style="text-align:left">{}</td>').format(cell) for cell in row)
        )
        for row in rows
    )
    return Markup("<table><thead><tr>{}</tr></thead><tbody>{}</tbody></table>").format(head, body)


def plan_html(plan: Plan) -> str:
    """A plan: how long, which steps, how it is wired, warnings."""
    steps = [
        (
            str(number),
            points[0].step_name,
            set_points([point.setpoint.frac for point in points]),
            str(len(points)),
            duration(sum(point.estimate_s for point in points)),
        )
        for number in dict.fromkeys(point.step for point in plan.points)
        for points in [[point for point in plan.points if point.step == number]]
    ]
    wires = [
        (
            wired.tap,
            f"{wired.source.instrument}, {wired.source.entry.range}" if wired.source else "",
            show(wired.safe_level) if wired.safe_level is not None else "",
            f"{wired.receiver.instrument}, {wired.receiver.entry.range}" if wired.receiver else "",
        )
        for wired in plan.wires
    ]
    tur = "not known" if plan.tur is None else f"{plan.tur:.1f}"
    head = Markup("<p><strong>{}</strong><br>{}<br>{} points, about {}; TUR {}</p>").format(
        plan.sequence.file.sequence, plan.sheet.type, len(plan.points), duration(plan.estimate_s), tur
    )
    warned = Markup("").join(Markup("<li>{}</li>").format(each) for each in plan.warnings)
    return as_page(
        Markup("<div>{}{}{}{}{}</div>").format(
            head,
            _table(("step", "name", "at, % of input range", "points", "takes"), steps),
            _table(("tap", "set by", "safe level", "read by"), wires),
            Markup("<p>Corrected: {}.</p>").format("; ".join(plan.corrections)) if plan.corrections else Markup(""),
            Markup("<p>Warnings</p><ul>{}</ul>").format(warned) if plan.warnings else Markup(""),
        )
    )


def evaluation_html(evaluation: Evaluation) -> str:
    """An evaluation: verdict and its reason, reservations, TUR, error plot, figures."""
    verdict = evaluation.verdict
    reserved = Markup("").join(Markup("<li>{}</li>").format(each) for each in verdict.reservations)
    rows = [
        (row.name, f"{row.value} {row.unit}".strip(), row.U, row.u_scatter, row.own, row.interval, row.by_noise, row.at)
        if row.value
        else (row.name, f"not determinable: {row.remark}", *([""] * 6))
        for row in figure_rows(evaluation)
    ]
    return as_page(
        Markup("<div><p><strong>{} {}</strong> {}<br>{}, tolerance ±{}; {}; TUR {}</p>{}{}{}</div>").format(
            words.SYMBOLS[verdict.result],
            verdict.result.upper(),
            escape(verdict.reason),
            evaluation.type,
            evaluation.tolerance,
            verdict.rule,
            "not known" if evaluation.tur is None else ratio(evaluation.tur),
            Markup("<p>Reservations</p><ul>{}</ul>").format(reserved) if verdict.reservations else Markup(""),
            Markup(error_plot(evaluation)),  # noqa: S704  the plot escapes its texts
            _table(("figure", "value", "U, expanded", "u of scatter", "own", "between", "noise alone", "at"), rows),
        )
    )


def account_html(account: Account) -> str:
    """What is the matter: where, what, what to check next; then the ranking."""
    lines = Markup("").join(
        Markup("<p>{}</p>").format(each) for each in (account.stage, account.cause, account.check) if each
    )
    ranked = [
        (f"{100 * each.weight:.0f} %", each.place, " or ".join(each.names), each.text) for each in account.ranking
    ]
    table = _table(("probability", "place", "cause", "size"), ranked) if ranked else Markup("")
    return as_page(Markup("<div>{}{}</div>").format(lines, table))


def comparison_html(compared: Comparison) -> str:
    """A comparison: the answer, what it rests on, the difference drawn."""
    word, largest = said.answer(compared)
    sides = [said.side_name(name, side.content) for name, side in (("A", compared.a), ("B", compared.b))]
    tests = Markup("").join(
        Markup("<li>{}</li>").format(each) for each in (*compared.cautions, *said.sentences(compared))
    )
    return as_page(
        Markup("<div><p><strong>{}</strong> {}<br>{}<br>{}</p>{}<ul>{}</ul></div>").format(
            word,
            largest,
            *sides,
            Markup(difference_plot(compared)),  # noqa: S704  the plot escapes its texts
            tests,
        )
    )
