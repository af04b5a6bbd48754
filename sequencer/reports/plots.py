"""Plots as SVG text: what the reader sees is what the tables say.

Each function returns an `<svg>`, or one sentence in a `<p>` where there is nothing to draw. It computes no figure.
"""

import math
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from instruments.texts import counted
from sequencer.evaluation.result import Evaluation
from sequencer.reports.as_text import DIRECTIONS, as_pct, fixed, percent_used, way
from sequencer.reports.drawing.chart import WAYS, Chart, Layer, bar_sample, legend_drawing, line_sample
from sequencer.reports.drawing.panel import Panel, Scale, reach
from sequencer.reports.drawing.svg import BAND, FINE_DASH, GREY, HATCHED, INK, LIMIT, UP, WIDTH, Look, Point, sentence
from sequencer.reports.number_style import NumberStyle
from sequencer.reports.uncertainty import guard_bands
from sequencer.reports.words import ordered

__all__ = [
    "bar_plot",
    "by_way",
    "draw_tolerance",
    "error_plot",
    "hysteresis_plot",
    "places",
    "residual_plot",
    "spans_of_U",
]

_MOST_BARS = 24
_MOST_BEYOND = 5.0  # as found or U may stretch the scale so many times; more is left out or cut, and said
_GUARD = "#f3ecd2"
_TOLERANCE, _ACCEPTED = Look(LIMIT, width=1.6), Look(LIMIT, FINE_DASH, width=1.2)


def places(table: pd.DataFrame, value: str) -> list[Point]:
    """Setpoint in % and value of each row."""
    return [(float(x), float(y)) for x, y in zip(table["setpoint_pct"], table[value], strict=True)]


def by_way(table: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    """Each direction that a table has, and its rows: up, down, then those without."""
    for each in WAYS:
        part = table[table["direction"] == each]
        if len(part):
            yield each, part


def error_plot(evaluation: Evaluation, before: Evaluation | None = None) -> str:
    """Error against input, up and down, with the tolerance band; the worst reading is ringed.

    Where an uncertainty is known: bars of U, and the guard band inside the tolerance. What was found before adjusting
    lies behind, in grey.
    """
    points = ordered(evaluation.points)
    if points.empty or not np.isfinite(points["error_pct"]).any():
        return sentence("There is no reading to draw an error from.")
    visits, worst, place = evaluation.visits, evaluation.worst, _worst_place(evaluation)
    chart = Chart(
        f"Error against input; {place or 'no point is judged'}",
        "Error in % of output span",
        right=(evaluation.output_span / 100, f"Error in {evaluation.output_unit}"),
        height=290,
    )
    for each, part in by_way(points):
        look = WAYS[each] if each else Look(mark="any")
        chart.line(places(part, "error_pct"), look, f"{DIRECTIONS[each]}, mean" if each else "mean", layer=Layer.SERIES)
    if len(visits) > len(points):
        chart.line(places(visits, "error_pct"), Look(mark="dot"), "one cycle", layer=Layer.DOT)
    chart.reach(visits["error_pct"])
    style = NumberStyle(evaluation)
    exact = f" ±{style.width_pct:.4g} %" if style.is_constant else ""
    pieces = draw_tolerance(chart, evaluation, points, label=f"tolerance{exact}")
    _draw_guard_band(chart, pieces, _accepted(evaluation))
    _draw_U(chart, spans_of_U(evaluation, points))
    if not visits["is_judged"].all():
        chart.line(places(visits[~visits["is_judged"]], "error_pct"), Look(mark="cross"), "not judged")
    if worst is not None:
        chart.line([(float(worst["setpoint_pct"]), float(worst["error_pct"]))], Look(mark="ring"), place)
    if before is not None:
        _draw_before(chart, before)
    return chart.svg()


def _draw_U(chart: Chart, spans: Sequence[tuple[float, float, float, str]]) -> None:
    """Bars of U; one that would flatten all else is cut, and that is said with its size."""
    most = _MOST_BEYOND * chart.extreme
    cut = [each for each in spans if abs(each[1]) + each[2] > most]
    label = "expanded uncertainty U"
    if cut:
        at_pct, _, largest, _ = max(cut, key=lambda each: each[2])
        places_n = len({x for x, *_ in cut})
        label += f", cut at {counted(places_n, 'input')}: up to {largest:.3g} % of span, at {as_pct(at_pct)}"
    chart.spans([(x, y, min(half, most - abs(y)), way) for x, y, half, way in spans], label)


def _worst_place(evaluation: Evaluation) -> str:
    worst, style = evaluation.worst, NumberStyle(evaluation)
    if worst is None:
        return ""
    return (
        f"worst: {style.error_pct(worst['error_pct'])} % of span, {percent_used(worst['used_pct'])} % of "
        f"tolerance, at {as_pct(worst['setpoint_pct'])}{way(worst['direction'])}"
    )


def spans_of_U(evaluation: Evaluation, points: pd.DataFrame) -> list[tuple[float, float, float, str]]:
    """Place, error, U and direction of each point; the largest U of its cycles, all in % of span."""
    if "U" not in evaluation.visits:
        return []
    largest = 100 * evaluation.visits.groupby(["point", "direction"])["U"].max() / evaluation.output_span
    U = [float(largest[key]) for key in zip(points["point"], points["direction"], strict=True)]
    errors = places(points, "error_pct")
    found = [(*place, wide, way) for place, wide, way in zip(errors, U, points["direction"], strict=True)]
    return [each for each in found if math.isfinite(each[1] + each[2])]


def draw_tolerance(chart: Chart, evaluation: Evaluation, points: pd.DataFrame, *, label: str) -> list[list[Point]]:
    """The band of the tolerance; its upper edge in pieces (input, half width), broken where nothing is judged."""
    pieces = _pieces(points, is_constant=NumberStyle(evaluation).is_constant)
    for piece in pieces:
        chart.band(piece, BAND, _TOLERANCE, label)
    limits = points["tolerance_pct"].to_numpy()
    chart.reach([*limits, *-limits])
    return pieces


def _pieces(points: pd.DataFrame, *, is_constant: bool) -> list[list[Point]]:
    if is_constant:
        width = float(points["tolerance_pct"].iloc[0])
        return [[(-math.inf, width), (math.inf, width)]]
    pieces: list[list[Point]] = [[]]
    for place, part in points.groupby("setpoint_pct"):
        width = float(part["tolerance_pct"].mean())
        if width > 0:
            pieces[-1].append((float(str(place)), width))
        elif pieces[-1]:
            pieces.append([])
    apart = (max(100.0, points["setpoint_pct"].max()) - min(0.0, points["setpoint_pct"].min())) * 1.07 / 100
    return [
        piece if len(piece) > 1 else [(piece[0][0] - apart, piece[0][1]), (piece[0][0] + apart, piece[0][1])]
        for piece in pieces
        if piece
    ]


def _accepted(evaluation: Evaluation) -> dict[float, float]:
    """Acceptance limit in % of span by setpoint in %, where there is a guard band inside the tolerance."""
    table = evaluation.visits.assign(w=guard_bands(evaluation))
    table = table[(table["w"] > 0) & table["is_judged"]]
    limits = (100 * (table["tolerance"] - table["w"]) / evaluation.output_span).groupby(table["setpoint_pct"]).min()
    return {float(str(place)): max(float(limit), 0.0) for place, limit in limits.items()}


def _draw_guard_band(chart: Chart, pieces: Sequence[list[Point]], accepted: dict[float, float]) -> None:
    """Between acceptance limit and tolerance limit: another tint, and a broken line where accepting ends."""
    for piece in pieces:
        # A limit stays as it is beyond the first and the last setpoint, as the tolerance does.
        xs = [x for x in sorted(accepted) if piece[0][0] <= x <= piece[-1][0]]
        if xs:
            inner = [(piece[0][0], accepted[xs[0]]), *((x, accepted[x]) for x in xs), (piece[-1][0], accepted[xs[-1]])]
            chart.margin(piece, inner, _GUARD, (_TOLERANCE, _ACCEPTED), "guard band")


def _draw_before(chart: Chart, before: Evaluation) -> None:
    """Errors before adjusting, a line a direction; those that would squeeze all else are left out and counted."""
    lines = [places(part, "error_pct") for _, part in ordered(before.points).groupby("direction", sort=False)]
    most = _MOST_BEYOND * chart.extreme
    beyond = sum(abs(y) > most for line in lines for _, y in line)
    label = "as found" + (f" ({counted(beyond, 'point')} beyond the scale)" if beyond else "")
    for line in lines:
        shown = [(x, y if abs(y) <= most else math.nan) for x, y in line]
        chart.line(shown, Look(GREY, mark="square", width=1.3), label, layer=Layer.BEHIND)


def _least(evaluation: Evaluation) -> float:
    """The least that a scale of small errors shows: a tenth of the tolerance."""
    style = NumberStyle(evaluation)
    return style.width_pct / 10 if math.isfinite(style.width_pct) else 1e-3


def hysteresis_plot(evaluation: Evaluation) -> str:
    """Down minus up against input, each cycle thin and their mean thick; changes of end pairs marked apart."""
    visits = evaluation.visits
    sides = {way: visits[visits["direction"] == way].set_index(["cycle", "point"]) for way in ("up", "down")}
    both = sides["up"].join(sides["down"]["error_pct"].rename("down_pct"), how="inner")
    both["opening"] = both["down_pct"] - both["error_pct"]
    both = both[np.isfinite(both["opening"])].sort_values("setpoint_pct").reset_index()
    if both.empty:
        return sentence("No input was read both ways in one cycle, so there is no hysteresis loop to draw.")
    cycles = both["cycle"].nunique()
    mean = both.groupby("point")[["setpoint_pct", "opening"]].mean().sort_values("setpoint_pct")
    found = evaluation.figure("hysteresis").value
    said = f"; hysteresis {fixed(found, NumberStyle(evaluation).pct_decimals)} % of span" if found is not None else ""
    chart = Chart(
        f"Downscale minus upscale against input{said}",
        "Down minus up, % of span",
        right=(evaluation.output_span / 100, f"Down minus up, {evaluation.output_unit}"),
        least=_least(evaluation),
    )
    chart.line(places(mean, "opening"), Look(mark="any", width=2.6), "mean" if cycles > 1 else "the one cycle")
    for _, part in both.groupby("cycle") if cycles > 1 else ():
        chart.line(
            places(part, "opening"),
            Look(dash=FINE_DASH, width=1.0),
            f"each of {cycles} cycles",
            layer=Layer.BEHIND,
        )
    pairs = evaluation.end_pairs
    pairs = pairs[np.isfinite(pairs["change_pct"].astype(float))]
    if len(pairs):
        chart.line(places(pairs, "change_pct"), Look(mark="end"), "end pair: change without moving the input")
    return chart.svg()


def residual_plot(evaluation: Evaluation) -> str:
    """Each error less the fitted least-squares line, against input; the line joins the means."""
    line, visits = evaluation.arrays.line, evaluation.visits
    gain, offset = float(line.gain[0]), float(line.offset[0])
    if not (math.isfinite(gain) and math.isfinite(offset)):
        return sentence("A line needs readings at two different inputs at least, so there are no residuals to draw.")
    table = visits[["setpoint_pct", "point", "direction", "error_pct"]].copy()
    # The line was fitted against the measured input; the setpoint differs from it by less than the plot can show.
    table["residual"] = table["error_pct"] - (offset + gain * table["setpoint_pct"])
    table = table[np.isfinite(table["residual"])]
    mean = table.groupby("point")[["setpoint_pct", "residual"]].mean().sort_values("setpoint_pct")
    chart = Chart(
        "Residuals from the least-squares line against input",
        "Residual in % of span",
        right=(evaluation.output_span / 100, f"Residual in {evaluation.output_unit}"),
        least=_least(evaluation),
    )
    for each, part in by_way(table):
        chart.line(places(part, "residual"), Look(mark=WAYS[each].mark), DIRECTIONS[each])
    chart.line(places(mean, "residual"), Look(width=1.6), "mean of all")
    left_out = len(table) - int(line.points_n[0])
    if left_out > 0:
        chart.explain(Look(), f"({left_out} below the low-flow cut-off are not in the line)")
    return chart.svg()


def bar_plot(evaluation: Evaluation) -> str:
    """A pair of bars for each setpoint, injected and returned, both in % of their range; a line where ideal is."""
    points = evaluation.points
    if points.empty:
        return sentence("There is no reading to draw bars from.")
    means = points.groupby("point")[["setpoint_pct", "input", "ideal", "output"]].mean().sort_values("setpoint_pct")
    means = means[np.isfinite(means["output"])]
    if len(means) > _MOST_BARS:
        return sentence(f"{len(means)} setpoints are too many for bars; the table has them all.")
    scales = _fractions(means)
    if scales is None:
        return sentence("The ends of both ranges were not read, so there is nothing to draw bars in % of range from.")
    injected, returned, ideal = scales
    legend = [
        (bar_sample(HATCHED, INK), "injected"),
        (bar_sample(UP, UP), "returned"),
        (line_sample(Look(width=2.4)), "ideal"),
    ]
    drawing, top = legend_drawing("Injected and returned at each setpoint, in % of range", legend, below=200 + 46)
    low, high = reach([*injected, *returned, *ideal, 100.0], least=1.0, pad=0.04)
    low = low if min(*injected, *returned, 0.0) < -0.5 else 0.0
    panel = Panel(drawing, Scale(0.0, len(means), 76, WIDTH - 16), Scale(low, high, top + 200, top))
    names = [(number + 0.5, as_pct(float(at)).removesuffix(" %")) for number, at in enumerate(means["setpoint_pct"])]
    panel.frame("Setpoint in % of input range", "", most_y=6, x_names=names)
    for number, (one, other, wanted) in enumerate(zip(injected, returned, ideal, strict=True)):
        panel.bar((number + 0.18, number + 0.5), (0, one), fill=HATCHED, colour=INK)
        panel.bar((number + 0.5, number + 0.82), (0, other), fill=UP, colour=UP)
        drawing.line(panel.at(number + 0.46, wanted), panel.at(number + 0.88, wanted), width=2.4)
    drawing.text((18, top + 100), "% of range", anchor="middle", turned=-90)
    panel.edge()
    return drawing.svg()


def _fractions(means: pd.DataFrame) -> tuple[list[float], list[float], list[float]] | None:
    """Injected, returned and ideal in % of range; None where the ends of the ranges cannot be told.

    An evaluation carries no ranges, so they come from the ideal values: a straight line through them, else both ends.
    """
    places = means["setpoint_pct"].to_numpy()
    given = _line_through(places, means["input"].to_numpy())
    out = _line_through(places, means["ideal"].to_numpy())
    if out is None and {0.0, 100.0} <= set(np.round(places, 2)):
        ends = means["ideal"].to_numpy()[[int(np.argmin(np.abs(places - end))) for end in (0.0, 100.0)]]
        out = (float(ends[0]), float(ends[1] - ends[0]) / 100)
    if given is None or out is None:
        return None
    injected, returned, ideal = (
        ((means[name].to_numpy() - low) / per_pct).tolist()
        for name, (low, per_pct) in (("input", given), ("output", out), ("ideal", out))
    )
    return injected, returned, ideal


def _line_through(x: np.ndarray, y: np.ndarray) -> Point | None:
    """Level at 0 % and slope per % of a straight scale; None where the values do not lie on one."""
    known = np.isfinite(x) & np.isfinite(y)
    if known.sum() < 2 or np.ptp(x[known]) < 1.0:
        return None
    slope, low = np.polyfit(x[known], y[known], 1)
    off = np.abs(y[known] - (low + slope * x[known])).max()
    return (float(low), float(slope)) if slope and off <= abs(slope) else None
