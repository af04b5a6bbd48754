"""A course: values against time or another quantity, with lines across at what they are held against."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.reports.drawing.chart import Sample, legend_drawing, line_sample
from sequencer.reports.drawing.panel import Panel, Scale, decades
from sequencer.reports.drawing.svg import DASH, FAINT, FINE_DASH, INK, LIMIT, WIDTH, Drawing, Look, Point, sentence

__all__ = ["Course", "course"]

_MOST_POINTS = 2000
_MARGIN = 0.06
_LEFT, _HEIGHT = 92.0, 220.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """One series: places in order, how they are drawn, and half an upright line at each (0 = none)."""

    label: str
    places: Sequence[Point]
    look: Look
    halves: Sequence[float] = ()


def course(
    title: str,
    courses: Sequence[Course],
    *,
    x_label: str,
    y_label: str,
    across: Sequence[tuple[float, str]] = (),
    upright: Sequence[tuple[float, str]] = (),
    x_names: Sequence[tuple[float, str]] | None = None,
    is_log: bool = False,
) -> str:
    """The series in one panel as SVG.

    Args:
        title: what a screen reader reads out.
        courses: the series; where one has more than 2000 places, some are left out.
        x_label: with its unit.
        y_label: with its unit.
        across: levels with a line across, and what each is.
        upright: places with an upright line, and what each is.
        x_names: places with their names, in place of ticks with numbers.
        is_log: both scales are logarithmic; values of 0 and below are left out.
    """
    if is_log:
        courses = [_logarithms(each) for each in courses]
    places = [place for each in courses for place in each.places if all(map(math.isfinite, place))]
    if len(places) < 2:
        return sentence("Too few readings to draw.")
    legend: list[tuple[Sample, str]] = [(line_sample(each.look), each.label) for each in courses if each.label]
    legend += [(line_sample(Look(LIMIT, dash=DASH, width=1.4)), name) for _, name in _once(across)]
    legend += [(line_sample(Look(FAINT, dash=FINE_DASH, width=1.4)), name) for _, name in _once(upright)]
    drawing, top = legend_drawing(title, legend, below=_HEIGHT + 60)
    panel = _panel(drawing, courses, across, top + 8)
    x, y = panel.x, panel.y
    if is_log:
        panel.frame(x_label, y_label, x_names=_powers(x.low, x.high), y_names=_powers(y.low, y.high))
    else:
        panel.frame(x_label, y_label, most_x=8, most_y=6, x_names=x_names)
    for at, _ in upright:
        panel.series([(at, y.low), (at, y.high)], Look(FAINT, dash=FINE_DASH, width=1.4))
    for level, _ in across:
        panel.series([(x.low, level), (x.high, level)], Look(LIMIT, dash=DASH, width=1.4))
    for each in courses:
        panel.series(each.places[:: math.ceil(len(each.places) / _MOST_POINTS) or 1], each.look)
        for (at, value), half in zip(each.places, each.halves, strict=False):
            if half > 0:
                panel.span(at, (value - half, value + half), colour=each.look.colour or INK)
    panel.edge()
    return drawing.svg()


def _powers(low: float, high: float) -> list[tuple[float, str]]:
    """Names along a logarithmic scale: powers of ten, and 2 and 5 times them where these are fewer than three."""
    whole = decades(low, high)
    if len(whole) > 2:
        return whole
    between = [
        (power + math.log10(each), f"{each * 10.0**power:.6g}")
        for power in range(math.floor(low), math.ceil(high) + 1)
        for each in (2, 5)
    ]
    return sorted([*whole, *(each for each in between if low <= each[0] <= high)])


def _once(across: Sequence[tuple[float, str]]) -> list[tuple[float, str]]:
    return [each for place, each in enumerate(across) if each[1] not in [name for _, name in across[:place]]]


def _logarithms(each: Course) -> Course:
    above = [(math.log10(x), math.log10(y)) for x, y in each.places if x > 0 and y > 0]
    return Course(label=each.label, places=above, look=each.look)


def _panel(drawing: Drawing, courses: Sequence[Course], across: Sequence[tuple[float, str]], top: float) -> Panel:
    xs = [x for each in courses for x, _ in each.places if math.isfinite(x)]
    ys = [y for each in courses for _, y in each.places if math.isfinite(y)]
    for each in courses:
        ys += [y + sign * half for (_, y), half in zip(each.places, each.halves, strict=False) for sign in (1, -1)]
    ys += [level for level, _ in across]
    ends = []
    for known in (xs, ys):
        margin = _MARGIN * (max(known) - min(known)) or max(abs(max(known)), 1e-3) * 1e-3
        ends.append((min(known) - margin, max(known) + margin))
    x, y = ends
    return Panel(drawing, Scale(*x, _LEFT, WIDTH - 16), Scale(*y, top + _HEIGHT, top))
