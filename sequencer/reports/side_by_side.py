"""Two units side by side as one HTML file: answer, both errors in one plot, the difference in another, tables.

No script, no external resource. It computes no figure.
"""

import math
from functools import lru_cache
from typing import Any

import pandas as pd
from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from instruments.texts import as_page
from sequencer.diagnosis.comparison import Comparison
from sequencer.reports import words
from sequencer.reports.drawing import (
    BAND,
    DASH,
    DOWN,
    FINE_DASH,
    INK,
    LIMIT,
    UP,
    Panel,
    Point,
    Sample,
    box_sample,
    reach,
    ring_sample,
    series_sample,
    standard_panel,
)
from sequencer.reports.plots import tolerance_band, tolerance_limits

__all__ = ["difference_plot", "errors_plot", "html"]

_U_BAND = "#e7e3f0"
_WIDTHS = {"up": 1.9, "down": 1.0, "": 1.9}


def html(compared: Comparison) -> str:
    """The comparison as one self-contained page."""
    found = compared.a.content.evaluation
    assert found is not None
    word, largest = words.compared_answer(compared)
    page = _template().render(
        c=compared,
        word=word,
        largest=largest,
        tests=words.compared_tests(compared),
        sides=[
            (words.side_name(name, side.content), side.content) for name, side in (("A", compared.a), ("B", compared.b))
        ],
        is_simulated=compared.a.content.is_simulated or compared.b.content.is_simulated,
        simulated=words.SIMULATED,
        caution=words.CAUTION,
        span=f"{found.output_span:g} {found.output_unit}",
        errors_plot=Markup(errors_plot(compared)),  # noqa: S704  the plots escape their texts
        difference_plot=Markup(difference_plot(compared)),  # noqa: S704
        points=_point_rows(compared),
        figures=_figure_rows(compared),
    )
    return as_page(page)


@lru_cache(maxsize=1)
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("sequencer", __package__.removeprefix("sequencer.")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("side_by_side.html.j2")


def _point_rows(compared: Comparison) -> list[dict[str, Any]]:
    style = _style(compared)
    return [
        {"setpoint": words.as_pct(row["setpoint_pct"]), "direction": row["direction"]}
        | {key: style.error_pct(row[f"{key}_pct"]) for key in ("a", "b", "difference")}
        | {"U": words.significant(row["U_pct"]), "p": words.p_value(row["p_holm"])}
        | {"is_different": row["is_different"], "is_within": row["is_within"]}
        for row in compared.points.to_dict("records")
    ]


def _figure_rows(compared: Comparison) -> list[tuple[str, ...]]:
    style = _style(compared)
    return [
        (
            each.name,
            *(words.compared_figure(value, each.unit, style) for value in (each.a, each.b, each.difference)),
            *words.compared_chance(each),
            "significant" if each.is_different else "",
            each.unit,
        )
        for each in compared.figures
    ]


def _style(compared: Comparison) -> words.NumberStyle:
    found = compared.a.content.evaluation
    assert found is not None
    return words.NumberStyle(found)


def _lines(points: pd.DataFrame, value: str) -> list[tuple[str, list[Point]]]:
    """Direction, and its places in order."""
    return [
        (str(way), [(float(x), float(y)) for x, y in zip(part["setpoint_pct"], part[value], strict=True)])
        for way, part in points.groupby("direction", sort=False)
    ]


def errors_plot(compared: Comparison) -> str:
    """Errors of both against input in the tolerance band of A; thick is upscale, thin downscale."""
    found = compared.a.content.evaluation
    assert found is not None
    points, style = compared.points, _style(compared)
    looks = (("a_pct", UP, "none", "any"), ("b_pct", DOWN, DASH, "end"))
    legend: list[tuple[Sample, str]] = [
        (series_sample(shape, colour=colour, dash=dash), f"{name}: {side.content.serial or 'no serial'}")
        for (_, colour, dash, shape), name, side in zip(looks, "AB", (compared.a, compared.b), strict=True)
    ]
    if {"up", "down"} <= set(points["direction"]):
        legend.append((series_sample("", width=1.0), "thin: downscale"))
    legend.append((box_sample(BAND, LIMIT), "tolerance"))
    limits = found.points["tolerance_pct"].to_numpy()
    drawing, panel = standard_panel(
        "Errors of both against input",
        legend,
        points["setpoint_pct"],
        reach([*points["a_pct"], *points["b_pct"], *limits, *-limits], least=1e-6),
        height=290,
    )
    tolerance_band(panel, found.points, is_constant=style.is_constant)
    panel.frame("Input in % of range", "Error in % of output span")
    panel.right(found.output_span / 100, f"Error in {found.output_unit}")
    tolerance_limits(panel, found.points, is_constant=style.is_constant)
    for value, colour, dash, shape in looks:
        for way, places in _lines(points, value):
            panel.curve(places, colour=colour, dash=dash, width=_WIDTHS[way])
            panel.marks(places, shape)
    panel.edge()
    return drawing.svg()


def difference_plot(compared: Comparison) -> str:
    """B less A against input, over the band of U about no difference; significant ones are ringed."""
    found = compared.a.content.evaluation
    assert found is not None
    points = compared.points
    legend: list[tuple[Sample, str]] = [
        (series_sample(way or "any", colour=_COLOURS[way][0], dash=_COLOURS[way][1]), words.DIRECTIONS[way])
        for way in ("up", "down", "")
        if (points["direction"] == way).any()
    ]
    U = points.groupby("setpoint_pct")["U_pct"].max().dropna()
    if len(U):
        legend.append((box_sample(_U_BAND, INK), "no difference, ±U"))
    if points["is_different"].any():
        legend.append((ring_sample, "significant"))
    if compared.margin:
        legend.append((series_sample("", colour=LIMIT, dash=FINE_DASH), f"margin ±{compared.margin}"))
    widths = [each for each in (*points["U_pct"], *points["margin_pct"]) if math.isfinite(each)]
    drawing, panel = standard_panel(
        "Difference, B less A, against input",
        legend,
        points["setpoint_pct"],
        reach([*points["difference_pct"], *widths, *(-each for each in widths)], least=1e-6),
        height=250,
    )
    edge = [(float(str(x)), float(y)) for x, y in U.items()]
    _area(panel, edge)
    panel.frame("Input in % of range", "B less A, % of output span")
    panel.right(found.output_span / 100, f"B less A, {found.output_unit}")
    margin = points.groupby("setpoint_pct")["margin_pct"].mean().dropna()
    for sign in (1, -1):
        panel.curve([(x, sign * y) for x, y in edge], width=1.0)
        panel.curve(
            [(float(str(x)), sign * float(y)) for x, y in margin.items()], colour=LIMIT, dash=FINE_DASH, width=1.6
        )
    for way, places in _lines(points, "difference_pct"):
        panel.curve(places, colour=_COLOURS[way][0], dash=_COLOURS[way][1], width=1.8)
        panel.marks(places, way or "any")
    for _, places in _lines(points[points["is_different"]], "difference_pct"):
        panel.marks(places, "ring")
    panel.edge()
    return drawing.svg()


_COLOURS = {"up": (UP, "none"), "down": (DOWN, DASH), "": (INK, "none")}


def _area(panel: Panel, edge: list[Point]) -> None:
    if len(edge) > 1:
        outline = [panel.at(x, y) for x, y in edge] + [panel.at(x, -y) for x, y in reversed(edge)]
        panel.drawing.polygon(outline, fill=_U_BAND)
