"""The error curve of a test report: the same drawing as elsewhere, in the language of the report."""

import re

import numpy as np

from sequencer.documents.languages import Language
from sequencer.documents.stated import localised
from sequencer.evaluation.result import Evaluation
from sequencer.reports.drawing.chart import WAYS, Chart, Layer
from sequencer.reports.drawing.svg import GREY, Look
from sequencer.reports.number_style import NumberStyle
from sequencer.reports.plots import by_way, draw_tolerance, places, spans_of_U
from sequencer.reports.words import ordered

__all__ = ["error_curve"]

_DECIMAL = re.compile(r">([−-]?[0-9]+)\.([0-9]+)<")


def error_curve(found: Evaluation, before: Evaluation | None, spoken: Language) -> str:
    """Error against input by direction, with U and tolerance, as SVG; as found in grey behind; "" without a reading."""
    points = ordered(found.points)
    if points.empty or not np.isfinite(points["error_pct"]).any():
        return ""
    chart = Chart(
        spoken["curve"],
        spoken["y axis"],
        right=(found.output_span / 100, spoken["y axis right"].format(unit=localised(found.output_unit, spoken))),
        height=250,
        x_label=spoken["x axis"],
    )
    for each, part in by_way(points):
        label = f"{spoken[f'direction {each}']}, {spoken['curve mean']}" if each else spoken["curve mean"]
        chart.line(places(part, "error_pct"), WAYS[each], label, layer=Layer.SERIES)
    if (points["tolerance_pct"] > 0).any():
        style = NumberStyle(found)
        exact = f" ±{spoken.number(f'{style.width_pct:.4g}')} %" if style.is_constant else ""
        draw_tolerance(chart, found, points, label=f"{spoken['curve tolerance']}{exact}")
    chart.spans(spans_of_U(found, points), spoken["curve U"])
    if before is not None:
        for each, part in by_way(ordered(before.points)):
            look = Look(GREY, WAYS[each].dash, width=1.4)
            way = f", {spoken[f'direction {each}']}" if each else ""
            chart.line(places(part, "error_pct"), look, f"{spoken['curve as found']}{way}", layer=Layer.BEHIND)
    svg = chart.svg()
    return _DECIMAL.sub(rf">\1{spoken['decimal mark']}\2<", svg)
