"""Two units side by side as one HTML file: answer, both errors in one plot, the difference in another, tables.

No script, no external resource. It computes no figure.
"""

from dataclasses import replace

from markupsafe import Markup

from sequencer.diagnosis.compared import Comparison
from sequencer.reports import compared as said
from sequencer.reports import words
from sequencer.reports.as_text import DIRECTIONS
from sequencer.reports.drawing.chart import WAYS, Chart, Layer
from sequencer.reports.drawing.svg import DASH, DOWN, FINE_DASH, LIMIT, UP, Look
from sequencer.reports.page import page
from sequencer.reports.plots import by_way, draw_tolerance, places

__all__ = ["difference_plot", "errors_plot", "html"]

_U_BAND = "#e7e3f0"


def html(compared: Comparison) -> str:
    """The comparison as one self-contained page."""
    found = compared.a.content.evaluation
    assert found is not None
    word, largest = said.answer(compared)
    return page(
        "side_by_side.html.j2",
        c=compared,
        word=word,
        largest=largest,
        tests=said.sentences(compared),
        sides=[
            (said.side_name(name, side.content), side.content) for name, side in (("A", compared.a), ("B", compared.b))
        ],
        is_simulated=compared.a.content.is_simulated or compared.b.content.is_simulated,
        simulated=words.SIMULATED,
        caution=words.CAUTION,
        span=f"{found.output_span:g} {found.output_unit}",
        errors_plot=Markup(errors_plot(compared)),  # noqa: S704  the plots escape their texts
        difference_plot=Markup(difference_plot(compared)),  # noqa: S704
        points=said.point_rows(compared),
        figures=said.figure_rows(compared),
        own_result=said.own_result,
    )


def errors_plot(compared: Comparison) -> str:
    """Errors of both against input in the tolerance band of A; thick is upscale, thin downscale."""
    found = compared.a.content.evaluation
    assert found is not None
    points = compared.points
    chart = Chart(
        "Errors of both against input",
        "Error in % of output span",
        right=(found.output_span / 100, f"Error in {found.output_unit}"),
        height=290,
    )
    looks = {"a_pct": Look(UP, "none", "any"), "b_pct": Look(DOWN, DASH, "end")}
    for (value, look), name, side in zip(looks.items(), "AB", (compared.a, compared.b), strict=True):
        for way, part in by_way(points):
            wide = replace(look, width=1.0 if way == "down" else 1.9)
            chart.line(places(part, value), wide, f"{name}: {side.content.serial or 'no serial'}")
    if {"up", "down"} <= set(points["direction"]):
        chart.explain(Look(width=1.0), "thin: downscale")
    draw_tolerance(chart, found, found.points, label="tolerance")
    return chart.svg()


def difference_plot(compared: Comparison) -> str:
    """B less A against input, over the band of U about no difference; significant ones are ringed."""
    found = compared.a.content.evaluation
    assert found is not None
    points = compared.points
    chart = Chart(
        "Difference, B less A, against input",
        "B less A, % of output span",
        right=(found.output_span / 100, f"B less A, {found.output_unit}"),
    )
    for way, part in by_way(points):
        chart.line(places(part, "difference_pct"), WAYS[way], DIRECTIONS[way])
    U = points.groupby("setpoint_pct")["U_pct"].max().dropna()
    if len(U):
        chart.band([(float(str(x)), float(y)) for x, y in U.items()], _U_BAND, Look(width=1.0), "no difference, ±U")
    if points["is_different"].any():
        chart.line(places(points[points["is_different"]], "difference_pct"), Look(mark="ring"), "significant")
    margin = points.groupby("setpoint_pct")["margin_pct"].mean().dropna()
    for sign in (1, -1) if compared.margin else ():
        edge = [(float(str(x)), sign * float(y)) for x, y in margin.items()]
        chart.line(edge, Look(LIMIT, FINE_DASH, width=1.6), f"margin ±{compared.margin}", layer=Layer.EDGE)
    chart.reach([*points["margin_pct"], *-points["margin_pct"]])
    return chart.svg()
