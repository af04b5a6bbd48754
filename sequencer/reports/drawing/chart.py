"""A legend; and a chart against input, where what is added is drawn, scaled for and named in the legend at once."""

import math
from collections.abc import Callable, Iterable, Sequence
from enum import IntEnum
from functools import partial

from sequencer.reports.drawing.panel import Panel, Scale, reach, span_between
from sequencer.reports.drawing.svg import DASH, DOWN, INK, LETTER, UP, WIDTH, Drawing, Look, Point

__all__ = ["WAYS", "Chart", "Layer", "Sample", "bar_sample", "box_sample", "legend_drawing", "line_sample"]

WAYS = {"up": Look(UP, "none", "up", 1.8), "down": Look(DOWN, DASH, "down", 1.8), "": Look(INK, "none", "any", 1.8)}
_ASIDE = {"up": -2.5, "down": 2.5, "": 0.0}  # two spans at one input would lie on each other

Sample = Callable[[Drawing, float, float], None]


def legend_drawing(title: str, legend: Sequence[tuple[Sample, str]], *, below: float) -> tuple[Drawing, float]:
    """A drawing with its legend on top, wrapped to the width, and so much room below; and where that room begins."""
    placed, x, y = [], 8.0, 16.0
    for sample, label in legend:
        needs = 38 + LETTER * len(label) + 18
        if x > 8.0 and x + needs > WIDTH:
            x, y = 8.0, y + 20
        placed.append((x, y, sample, label))
        x += needs
    top = y + 18 if legend else 8.0
    drawing = Drawing(title, top + below)
    for x, y, sample, label in placed:
        sample(drawing, x, y)
        drawing.text((x + 38, y + 4), label)
    return drawing, top


def line_sample(look: Look) -> Sample:
    """Sample of a line, of a marker, or of both."""

    def draw(drawing: Drawing, x: float, y: float) -> None:
        if look.width:
            drawing.line((x, y), (x + 32, y), colour=look.colour, width=look.width, dash=look.dash)
        if look.mark:
            drawing.mark((x + 16, y), look.mark)

    return draw


def box_sample(fill: str, *edges: Look) -> Sample:
    """Sample of a filled area with its upper and its lower edge."""

    def draw(drawing: Drawing, x: float, y: float) -> None:
        drawing.box((x, y - 6), (32, 12), fill=fill)
        for edge, level in zip(edges, (y - 6, y + 6), strict=True):
            drawing.line((x, level), (x + 32, level), colour=edge.colour, width=edge.width, dash=edge.dash)

    return draw


def bar_sample(fill: str, colour: str) -> Sample:
    """Sample of a bar."""

    def draw(drawing: Drawing, x: float, y: float) -> None:
        drawing.box((x, y - 6), (32, 12), fill=fill, colour=colour)

    return draw


class Layer(IntEnum):
    """What is drawn over what, from below."""

    AREA = 0
    GRID = 1
    EDGE = 2
    BEHIND = 3
    SPAN = 4
    DOT = 5
    SERIES = 6
    SIGN = 7


class Chart:
    """One panel with the input below, a scale at the left and, if asked for, one at the right.

    The legend has the entries in the order in which they are added first; the layers decide what lies over what.

    Args:
        title: what a screen reader reads out.
        y_label: of the scale at the left.
        right: factor from the left to the right scale, and the label there; None for no right scale.
        least: the least that the scale shows.
        height: of the panel.
        x_label: of the scale below.
    """

    def __init__(
        self,
        title: str,
        y_label: str,
        *,
        right: tuple[float, str] | None = None,
        least: float = 1e-6,
        height: float = 250,
        x_label: str = "Input in % of range",
    ) -> None:
        self._x_label = x_label
        self._title, self._y_label, self._right, self._least, self._height = title, y_label, right, least, height
        self._legend: dict[str, Sample] = {}
        self._layers: list[tuple[Layer, Callable[[Panel], None]]] = []
        self._x, self._y = [0.0, 100.0], [0.0]

    def line(self, places: Iterable[Point], look: Look, label: str = "", *, layer: Layer | None = None) -> None:
        """A line, markers, or both, at (input in %, value); NaN where one is missing."""
        known = list(places)
        self._x += [x for x, _ in known if math.isfinite(x)]
        self._y += [y for _, y in known]
        level = layer if layer is not None else Layer.SERIES if look.width else Layer.SIGN
        self._add(level, lambda panel: panel.series(known, look), line_sample(look), label)

    def band(self, edge: Sequence[Point], fill: str, look: Look, label: str = "") -> None:
        """The area between a line and its mirror image below 0, with both; what lies beside the panel is cut off."""
        self._strip(edge, _mirrored(edge), fill, box_sample(fill, look, look), label)
        self._edges(edge, look, Layer.EDGE)

    def margin(
        self, outer: Sequence[Point], inner: Sequence[Point], fill: str, looks: Sequence[Look], label: str
    ) -> None:
        """The area between two lines, and its mirror image below 0; the inner line is drawn, outer and inner look."""
        sample = box_sample(fill, *looks)
        self._strip(outer, inner, fill, sample, label)
        self._strip(_mirrored(outer), _mirrored(inner), fill, sample, label)
        self._edges(inner, looks[-1], Layer.AREA)

    def spans(self, spans: Iterable[tuple[float, float, float, str]], label: str) -> None:
        """An upright line for each (input, value, half length, direction), beside its place where there are two."""
        known = list(spans)
        self._x += [x for x, *_ in known]
        self._y += [y + sign * half for _, y, half, _ in known for sign in (1, -1)]

        def draw(panel: Panel) -> None:
            for x, y, half, way in known:
                panel.span(x, (y - half, y + half), colour=WAYS[way].colour, aside=_ASIDE[way])

        if known:
            self._add(
                Layer.SPAN, draw, lambda into, x, y: span_between(into, x + 16, (y + 7, y - 7), colour=INK), label
            )

    def explain(self, look: Look, label: str) -> None:
        """An entry of the legend for what needs no adding."""
        self._legend.setdefault(label, line_sample(look))

    def reach(self, values: Iterable[float]) -> None:
        """Values that the scale holds besides those that are drawn."""
        self._y.extend(values)

    @property
    def extreme(self) -> float:
        """Largest size of a value so far; 0 where there is none."""
        return max(abs(y) for y in self._y if math.isfinite(y))

    def svg(self) -> str:
        """The whole as text."""
        legend = [(sample, label) for label, sample in self._legend.items()]
        drawing, top = legend_drawing(self._title, legend, below=self._height + 46)
        low, high = min(self._x), max(self._x)
        beside = 0.035 * (high - low)
        x = Scale(low - beside, high + beside, 90, WIDTH - 94)
        panel = Panel(drawing, x, Scale(*reach(self._y, least=self._least), top + self._height, top))
        for _, draw in sorted([*self._layers, (Layer.GRID, self._frame)], key=lambda each: each[0]):
            draw(panel)
        panel.edge()
        return drawing.svg()

    def _frame(self, panel: Panel) -> None:
        panel.frame(self._x_label, self._y_label)
        if self._right:
            panel.right(*self._right)

    def _add(self, layer: Layer, draw: Callable[[Panel], None], sample: Sample, label: str) -> None:
        self._layers.append((layer, draw))
        if label:
            self._legend.setdefault(label, sample)

    def _strip(self, upper: Sequence[Point], lower: Sequence[Point], fill: str, sample: Sample, label: str) -> None:
        self._y += [y for _, y in (*upper, *lower)]
        self._add(Layer.AREA, lambda panel: panel.area(upper, lower, fill=fill), sample, label)

    def _edges(self, edge: Sequence[Point], look: Look, layer: Layer) -> None:
        for side in (list(edge), _mirrored(edge)):
            self._layers.append((layer, partial(_clipped, places=side, look=look)))


def _clipped(panel: Panel, *, places: Sequence[Point], look: Look) -> None:
    panel.series(panel.inside(places), look)


def _mirrored(edge: Sequence[Point]) -> list[Point]:
    return [(x, -y) for x, y in edge]
