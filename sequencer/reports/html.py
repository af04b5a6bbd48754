"""The report as one HTML file: no script, no external resource, readable in print and without colour.

The template beside this module arranges; here every number becomes text. It computes no figure. Whatever comes from
outside is escaped by the template.
"""

from markupsafe import Markup

from sequencer.diagnosis.result import Content
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.step import registry
from sequencer.reports import words
from sequencer.reports.as_found_as_left import figure_pairs, setpoint_pairs
from sequencer.reports.as_text import as_pct, date, ratio, way
from sequencer.reports.diagnosis import cause_plot, evidence_lines, work_lines
from sequencer.reports.number_style import NumberStyle
from sequencer.reports.page import page
from sequencer.reports.plots import bar_plot, error_plot, hysteresis_plot, residual_plot
from sequencer.reports.rows import figure_rows, pair_rows, setpoint_rows, stage_rows, trim_rows
from sequencer.reports.settling import settling_plot, telling_trace
from sequencer.reports.uncertainty import NOTHING_STATED, budget_table
from sequencer.reports.uncertainty import setpoint_rows as budget_rows
from sequencer.reports.waterfall import waterfall_plot

__all__ = ["html"]

_UNDONE = {"interrupted", "bench fault", "not safe", "stopped by the sequence"}
_MOST_REMARKS = 60
_MOST_ALTERATIONS = 12


def html(content: Content) -> str:
    """The report of a content as one self-contained page."""
    found = content.evaluation
    doubts, remarks = words.doubted(content)
    trace = telling_trace(content.traces)
    result = content.verdict.result
    settled_plot = settling_plot(found, trace, unit=found.output_unit if found else "output units")
    return page(
        "report.html.j2",
        c=content,
        e=found,
        word=words.verdict_word(content),
        result=result,
        symbol=words.SYMBOLS[result],
        headline=_capital(words.headline(content, has_U=False)),
        weighed=_capital(words.weighed(found)) if found else "",
        is_undone=content.status in _UNDONE,
        date=date(content.date),
        simulated=words.SIMULATED,
        caution=words.CAUTION,
        advice_note=words.ADVICE_NOTE,
        opinion_note=words.OPINION_NOTE,
        work=work_lines(content.findings) if content.findings else (),
        told_otherwise=_capital(words.TOLD_OTHERWISE),
        settling_plot=Markup(settled_plot),  # noqa: S704  the plots escape their texts
        parts=[registry()[name].html(results) for name, results in content.steps.items()],
        trace=trace,
        trace_place=f"{as_pct(trace.setpoint_pct)}{way(trace.direction)}" if trace else "",
        doubts=doubts,
        remarks=remarks[:_MOST_REMARKS],
        most_alterations=_MOST_ALTERATIONS,
        more_remarks_n=max(len(remarks) - _MOST_REMARKS, 0),
        **(_judged(content, found) if found else {}),
    )


def _judged(content: Content, found: Evaluation) -> dict[str, object]:
    """What stands only on the page of a unit that was judged."""
    points, trims, before, findings = setpoint_rows(found), content.adjustment, content.before, content.findings
    return {
        "symbols": {mark: verdict for verdict, mark in words.SYMBOLS.items()},
        "tur": ratio(found.tur),
        "nothing_stated": NOTHING_STATED,
        "style": NumberStyle(found),
        "points": points,
        "readings": [each for row in points for each in row.points],
        "figures": figure_rows(found),
        "stages": stage_rows(found),
        "pairs": pair_rows(found),
        "trims": trim_rows(trims, found) if trims else (),
        "enough": words.enough(trims, found) if trims else "",
        "figure_pairs": figure_pairs(before, found) if before else (),
        "setpoint_pairs": setpoint_pairs(before, found) if before else (),
        "before_symbol": words.SYMBOLS[before.verdict.result] if before else "",
        "budget": budget_table(found),
        "setpoints": budget_rows(found),
        "error_plot": Markup(error_plot(found, before)),  # noqa: S704
        "bar_plot": Markup(bar_plot(found)),  # noqa: S704
        "hysteresis_plot": Markup(hysteresis_plot(found)),  # noqa: S704
        "residual_plot": Markup(residual_plot(found)),  # noqa: S704
        "waterfall": Markup(waterfall_plot(findings, found)) if findings else "",  # noqa: S704
        "cause_plots": [(each, Markup(cause_plot(each))) for each in findings.curves] if findings else (),  # noqa: S704
        "evidence": evidence_lines(findings) if findings else (),
    }


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
