"""Plots as SVG text: what the reader sees is what the tables say.

Each function returns an `<svg>`, or one sentence in a `<p>` where there is nothing to draw. It computes no figure.
"""

import math

import numpy as np
import pandas as pd

from instruments.texts import counted
from sequencer.evaluation.result import Evaluation
from sequencer.reports.drawing import (
    BAND,
    DASH,
    DOWN,
    FAINT,
    FINE_DASH,
    GRID,
    HATCHED,
    INK,
    LIMIT,
    UP,
    WIDTH,
    Drawing,
    Panel,
    Point,
    Sample,
    Scale,
    bar_sample,
    box_sample,
    legend_drawing,
    nice_ticks,
    reach,
    ring_sample,
    sentence,
    series_sample,
    standard_panel,
)
from sequencer.reports.uncertainty import guard_bands
from sequencer.reports.words import DIRECTIONS, NumberStyle, as_pct, fixed, ordered, percent_used, way

__all__ = ["bar_plot", "error_plot", "hysteresis_plot", "residual_plot", "tolerance_band", "tolerance_limits"]

_MOST_BARS = 24
_MOST_BEYOND = 5.0  # as found may stretch the scale so many times, then it is left out and counted
_ASIDE = {"up": -2.5, "down": 2.5, "": 0.0}  # two bars at one input would lie on each other
_GUARD, _EARLIER = "#f3ecd2", "#8b949e"


def _pairs(table: pd.DataFrame, value: str) -> list[Point]:
    return [(float(x), float(y)) for x, y in zip(table["setpoint_pct"], table[value], strict=True)]


_STYLES = {"up": (UP, "none"), "down": (DOWN, DASH)}


def error_plot(evaluation: Evaluation, before: Evaluation | None = None) -> str:
    """Error against input, up and down, with the tolerance band; the worst reading is ringed.

    Where an uncertainty is known: bars of U, and the guard band inside the tolerance. What was found before adjusting
    lies behind, in grey.
    """
    points = ordered(evaluation.points)
    if points.empty or not np.isfinite(points["error_pct"]).any():
        return sentence("There is no reading to draw an error from.")
    style, visits, worst = NumberStyle(evaluation), evaluation.visits, evaluation.worst
    bars, accepted = _bars_of_U(evaluation, points), _accepted(evaluation)
    limits = points["tolerance_pct"].to_numpy()
    everything = [*points["error_pct"], *visits["error_pct"], *limits, *(-limits)]
    everything += [y + sign * wide for _, y, wide, _ in bars for sign in (1, -1)]
    earlier, beyond = _earlier(before, everything)
    everything += [y for line in earlier for _, y in line]
    place = _worst_place(evaluation, style)
    legend = _error_legend(evaluation, points, style, has_guard_band=bool(accepted), has_U=bool(bars))
    if earlier:
        legend.append(
            (_earlier_sample, "as found" + (f" ({counted(beyond, 'point')} beyond the scale)" if beyond else ""))
        )
    drawing, panel = standard_panel(
        f"Error against input; {place or 'no point is judged'}",
        legend,
        points["setpoint_pct"],
        reach(everything, least=1e-6),
        height=290,
    )
    tolerance_band(panel, points, is_constant=style.is_constant)
    _guard_band(panel, points, accepted, is_constant=style.is_constant)
    panel.frame("Input in % of range", "Error in % of output span")
    panel.right(evaluation.output_span / 100, f"Error in {evaluation.output_unit}")
    tolerance_limits(panel, points, is_constant=style.is_constant)
    _draw_earlier(panel, earlier)
    for x, y, wide, direction in bars:
        aside = _ASIDE[direction]
        _bar_of_U(
            drawing,
            (panel.x(x) + aside, panel.y(y - wide)),
            (panel.x(x) + aside, panel.y(y + wide)),
            _STYLES.get(direction, (INK, ""))[0],
        )
    if len(visits) > len(points):
        panel.marks(_pairs(visits, "error_pct"), "dot")
    for each in _directions(points):
        part = points[points["direction"] == each]
        if each:
            panel.curve(_pairs(part, "error_pct"), colour=_STYLES[each][0], dash=_STYLES[each][1], width=1.8)
        panel.marks(_pairs(part, "error_pct"), each or "any")
    panel.marks(_pairs(visits[~visits["is_judged"]], "error_pct"), "cross")
    if worst is not None:
        panel.marks([(float(worst["setpoint_pct"]), float(worst["error_pct"]))], "ring")
    panel.edge()
    return drawing.svg()


def _directions(points: pd.DataFrame) -> list[str]:
    return [each for each in ("up", "down", "") if (points["direction"] == each).any()]


def _worst_place(evaluation: Evaluation, style: NumberStyle) -> str:
    worst = evaluation.worst
    if worst is None:
        return ""
    return (
        f"worst: {style.error_pct(worst['error_pct'])} % of span, {percent_used(worst['used_pct'])} % of "
        f"tolerance, at {as_pct(worst['setpoint_pct'])}{way(worst['direction'])}"
    )


def _error_legend(
    evaluation: Evaluation, points: pd.DataFrame, style: NumberStyle, *, has_guard_band: bool, has_U: bool
) -> list[tuple[Sample, str]]:
    """What the marks of the error plot mean, those that are there."""
    visits, place = evaluation.visits, _worst_place(evaluation, style)
    legend: list[tuple[Sample, str]] = [
        (series_sample(each or "any", colour=_STYLES[each][0], dash=_STYLES[each][1]), f"{DIRECTIONS[each]}, mean")
        if each
        else (series_sample("any", width=0), "mean")
        for each in _directions(points)
    ]
    band = f" ±{style.width_pct:.4g} %" if style.is_constant else ""
    optional: tuple[tuple[bool, Sample, str], ...] = (
        (len(visits) > len(points), series_sample("dot", width=0), "one cycle"),
        (bool((points["tolerance_pct"] > 0).any()), box_sample(BAND, LIMIT), f"tolerance{band}"),
        (has_guard_band, _guard_sample, "guard band"),
        (has_U, _bar_of_U_sample, "expanded uncertainty U"),
        (bool(visits["is_judged"].sum() < len(visits)), series_sample("cross", width=0), "not judged"),
        (bool(place), ring_sample, place),
    )
    return [*legend, *((sample, label) for is_there, sample, label in optional if is_there)]


def _bars_of_U(evaluation: Evaluation, points: pd.DataFrame) -> list[tuple[float, float, float, str]]:
    """Place, error, U and direction of each point; the largest U of its cycles, all in % of span."""
    if "U" not in evaluation.visits:
        return []
    largest = 100 * evaluation.visits.groupby(["point", "direction"])["U"].max() / evaluation.output_span
    found = [
        (
            float(row["setpoint_pct"]),
            float(row["error_pct"]),
            float(largest[row["point"], row["direction"]]),
            row["direction"],
        )
        for row in points.to_dict("records")
    ]
    return [each for each in found if math.isfinite(each[1] + each[2])]


def _bar_of_U(drawing: Drawing, low: Point, high: Point, colour: str) -> None:
    drawing.line(low, high, colour=colour)
    for x, y in (low, high):
        drawing.line((x - 3, y), (x + 3, y), colour=colour)


def _bar_of_U_sample(drawing: Drawing, x: float, y: float) -> None:
    _bar_of_U(drawing, (x + 16, y + 7), (x + 16, y - 7), INK)


def _accepted(evaluation: Evaluation) -> dict[float, float]:
    """Acceptance limit in % of span by setpoint in %, where there is a guard band inside the tolerance."""
    table = evaluation.visits.assign(w=guard_bands(evaluation))
    table = table[(table["w"] > 0) & table["is_judged"]]
    limits = (100 * (table["tolerance"] - table["w"]) / evaluation.output_span).groupby(table["setpoint_pct"]).min()
    return {float(str(place)): max(float(limit), 0.0) for place, limit in limits.items()}


def _guard_band(panel: Panel, points: pd.DataFrame, accepted: dict[float, float], *, is_constant: bool) -> None:
    """Between acceptance limit and tolerance limit: another tint, and a broken line where accepting ends."""
    if not accepted:
        return
    for piece in _edges(panel, points, is_constant=is_constant):
        places = sorted(accepted)
        # A limit stays as it is beyond the first and the last setpoint, as the tolerance does.
        xs = [x for x in places if piece[0][0] <= x <= piece[-1][0]]
        if not xs:
            continue
        inner = [(piece[0][0], accepted[xs[0]]), *((x, accepted[x]) for x in xs), (piece[-1][0], accepted[xs[-1]])]
        for sign in (1, -1):
            outline = [panel.at(x, sign * y) for x, y in piece]
            outline += [panel.at(x, sign * y) for x, y in reversed(inner)]
            panel.drawing.polygon(outline, fill=_GUARD)
            panel.curve([(x, sign * y) for x, y in inner], colour=LIMIT, width=1.2, dash=FINE_DASH)


def _guard_sample(drawing: Drawing, x: float, y: float) -> None:
    drawing.add("rect", x=x, y=y - 6, width=32, height=12, fill=_GUARD)
    drawing.line((x, y - 6), (x + 32, y - 6), colour=LIMIT, width=1.4)
    drawing.line((x, y + 6), (x + 32, y + 6), colour=LIMIT, width=1.2, dash=FINE_DASH)


def _earlier(before: Evaluation | None, everything: list[float]) -> tuple[list[list[Point]], int]:
    """Errors before adjusting, a line a direction, NaN where they would squeeze all else; and how many those are."""
    if before is None:
        return [], 0
    points = ordered(before.points)
    most = _MOST_BEYOND * max((abs(each) for each in everything if math.isfinite(each)), default=math.inf)
    lines, beyond = [], 0
    for _, part in points.groupby("direction", sort=False):
        pairs = _pairs(part, "error_pct")
        beyond += sum(abs(y) > most for _, y in pairs)
        lines.append([(x, y if abs(y) <= most else math.nan) for x, y in pairs])
    return lines, beyond


def _draw_earlier(panel: Panel, lines: list[list[Point]]) -> None:
    for line in lines:
        panel.curve(line, colour=_EARLIER, width=1.3)
        for x, y in line:
            if math.isfinite(y):
                _earlier_mark(panel.drawing, panel.at(x, y))


def _earlier_mark(drawing: Drawing, at: Point) -> None:
    drawing.add("rect", x=at[0] - 3, y=at[1] - 3, width=6, height=6, fill="#fff", stroke=_EARLIER, stroke_width=1.3)


def _earlier_sample(drawing: Drawing, x: float, y: float) -> None:
    drawing.line((x, y), (x + 32, y), colour=_EARLIER, width=1.3)
    _earlier_mark(drawing, (x + 16, y))


def _edges(panel: Panel, points: pd.DataFrame, *, is_constant: bool) -> list[list[Point]]:
    """Upper edge of the tolerance in pieces: (input, half width); broken where nothing is judged."""
    if is_constant:
        width = float(points["tolerance_pct"].iloc[0])
        return [[(panel.x.low, width), (panel.x.high, width)]]
    pieces: list[list[Point]] = [[]]
    for place, part in points.groupby("setpoint_pct"):
        width = float(part["tolerance_pct"].mean())
        if width > 0:
            pieces[-1].append((float(str(place)), width))
        elif pieces[-1]:
            pieces.append([])
    apart = (panel.x.high - panel.x.low) / 100
    return [
        piece if len(piece) > 1 else [(piece[0][0] - apart, piece[0][1]), (piece[0][0] + apart, piece[0][1])]
        for piece in pieces
        if piece
    ]


def tolerance_band(panel: Panel, points: pd.DataFrame, *, is_constant: bool) -> None:
    """The area of the tolerance, to be drawn before all else."""
    for piece in _edges(panel, points, is_constant=is_constant):
        outline = [panel.at(x, y) for x, y in piece] + [panel.at(x, -y) for x, y in reversed(piece)]
        panel.drawing.polygon(outline, fill=BAND)


def tolerance_limits(panel: Panel, points: pd.DataFrame, *, is_constant: bool) -> None:
    """The edges of the tolerance."""
    for piece in _edges(panel, points, is_constant=is_constant):
        for sign in (1, -1):
            panel.curve([(x, sign * y) for x, y in piece], colour=LIMIT, width=1.6)


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
    style = NumberStyle(evaluation)
    legend: list[tuple[Sample, str]] = [(series_sample("any", width=2.6), "mean" if cycles > 1 else "the one cycle")]
    if cycles > 1:
        legend.append((series_sample("", width=1.0, dash=FINE_DASH), f"each of {cycles} cycles"))
    pairs = evaluation.end_pairs
    pairs = pairs[np.isfinite(pairs["change_pct"].astype(float))]
    if len(pairs):
        legend.append((series_sample("end", width=0), "end pair: change without moving the input"))
    said = f"; hysteresis {fixed(found, style.pct_decimals)} % of span" if found is not None else ""
    least = style.width_pct / 10 if math.isfinite(style.width_pct) else 1e-3
    drawing, panel = standard_panel(
        f"Downscale minus upscale against input{said}",
        legend,
        [*both["setpoint_pct"], *pairs["setpoint_pct"]],
        reach([*both["opening"], *pairs["change_pct"]], least=least),
    )
    panel.frame("Input in % of range", "Down minus up, % of span")
    panel.right(evaluation.output_span / 100, f"Down minus up, {evaluation.output_unit}")
    if cycles > 1:
        for _, part in both.groupby("cycle"):
            panel.curve(_pairs(part, "opening"), width=1.0, dash=FINE_DASH)
    panel.curve(_pairs(mean, "opening"), width=2.6)
    panel.marks(_pairs(mean, "opening"), "any")
    panel.marks(_pairs(pairs, "change_pct"), "end")
    panel.edge()
    return drawing.svg()


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
    style = NumberStyle(evaluation)
    mean = table.groupby("point")[["setpoint_pct", "residual"]].mean().sort_values("setpoint_pct")
    used = [each for each in ("up", "down", "") if (table["direction"] == each).any()]
    legend: list[tuple[Sample, str]] = [(series_sample(each or "any", width=0), DIRECTIONS[each]) for each in used]
    legend.append((series_sample("", width=1.6), "mean of all"))
    left_out = len(table) - int(line.points_n[0])
    if left_out > 0:
        legend.append((series_sample("", width=0), f"({left_out} below the low-flow cut-off are not in the line)"))
    least = style.width_pct / 10 if math.isfinite(style.width_pct) else 1e-3
    drawing, panel = standard_panel(
        "Residuals from the least-squares line against input",
        legend,
        table["setpoint_pct"],
        reach(table["residual"], least=least),
    )
    panel.frame("Input in % of range", "Residual in % of span")
    panel.right(evaluation.output_span / 100, f"Residual in {evaluation.output_unit}")
    panel.curve(_pairs(mean, "residual"), width=1.6)
    for each in used:
        panel.marks(_pairs(table[table["direction"] == each], "residual"), each or "any")
    panel.edge()
    return drawing.svg()


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
    legend: list[tuple[Sample, str]] = [
        (bar_sample(HATCHED, INK), "injected"),
        (bar_sample(UP, UP), "returned"),
        (series_sample("", width=2.4), "ideal"),
    ]
    drawing, top = legend_drawing("Injected and returned at each setpoint, in % of range", legend, below=200 + 46)
    bottom = top + 200
    low, high = reach([*injected, *returned, *ideal, 100.0], least=1.0, pad=0.04)
    low = low if min(*injected, *returned, 0.0) < -0.5 else 0.0
    panel = Panel(drawing, Scale(0.0, len(means), 76, WIDTH - 16), Scale(low, high, bottom, top))
    places, decimals = nice_ticks(low, high, 6)
    for value in places:
        drawing.line(panel.at(0, value), panel.at(len(means), value), colour=GRID)
        drawing.text((69, panel.y(value) + 4), fixed(value, decimals), anchor="end")
    for number, (place, one, other, wanted) in enumerate(
        zip(means["setpoint_pct"], injected, returned, ideal, strict=True)
    ):
        _bar(panel, number + 0.18, one, fill=HATCHED, colour=INK)
        _bar(panel, number + 0.5, other, fill=UP, colour=UP)
        drawing.line(panel.at(number + 0.46, wanted), panel.at(number + 0.88, wanted), width=2.4)
        label = as_pct(float(place)).removesuffix(" %")
        drawing.text((panel.x(number + 0.5), bottom + 18), label, anchor="middle")
    drawing.line(panel.at(0, 0), panel.at(len(means), 0), colour=FAINT, width=1.2)
    drawing.text(((76 + WIDTH - 16) / 2, bottom + 37), "Setpoint in % of input range", anchor="middle")
    drawing.text((18, (top + bottom) / 2), "% of range", anchor="middle", turned=-90)
    panel.edge()
    return drawing.svg()


def _bar(panel: Panel, x: float, value: float, *, fill: str, colour: str) -> None:
    ends = sorted((panel.y(0), panel.y(value)))
    wide = panel.x(0.32) - panel.x(0)
    panel.drawing.add(
        "rect",
        x=panel.x(x),
        y=ends[0],
        width=wide,
        height=ends[1] - ends[0],
        fill=fill,
        stroke=colour,
        stroke_width=1,
    )


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
