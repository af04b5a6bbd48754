"""Drawing by hand: an SVG as text, with axes, round ticks, legend, and markers that differ without colour.

It knows no evaluation and computes no figure.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape

from sequencer.reports.words import fixed, plain

__all__ = [
    "BAND",
    "DASH",
    "DOWN",
    "FAINT",
    "FINE_DASH",
    "GRID",
    "HATCHED",
    "INK",
    "LIMIT",
    "UP",
    "WIDTH",
    "Drawing",
    "Panel",
    "Point",
    "Sample",
    "Scale",
    "bar_sample",
    "box_sample",
    "legend_drawing",
    "nice_ticks",
    "reach",
    "ring_sample",
    "sentence",
    "series_sample",
    "standard_panel",
]

WIDTH = 720.0
_FONT = 12.5  # 720 units are 180 mm on A4, so this is 8.9 points
_LETTER = 0.56 * _FONT  # mean width of a letter, on the wide side
INK, FAINT, GRID = "#1d2733", "#5d6b7a", "#dde3e9"
UP, DOWN, BAND = "#0b4f8a", "#b04a08", "#e4efe6"
LIMIT = "#2f6b3c"
DASH, FINE_DASH = "7 4", "2 3"

_HATCH = (
    '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    f'<rect width="6" height="6" fill="#fff"/><line x1="0" y1="0" x2="0" y2="6" stroke="{INK}" stroke-width="2.4"/>'
    "</pattern></defs>"
)
HATCHED = "url(#hatch)"  # the pattern is the same on every drawing, so the id may stand more than once on a page

Point = tuple[float, float]


def sentence(text: str) -> str:
    """What stands in place of a plot."""
    return f'<p class="no-plot">{escape(text)}</p>'


def nice_ticks(low: float, high: float, most: int = 9) -> tuple[tuple[float, ...], int]:
    """Round places from `low` to `high`, at most about `most`, and the decimals that tell them apart."""
    width = high - low
    if not (math.isfinite(width) and width > 0):
        return (low,), 3
    power = 10.0 ** math.floor(math.log10(width / most))
    step = next((each * power for each in (1, 2, 5, 10, 20) if each * power * most >= width * (1 - 1e-9)), 0.0)
    if step < 1e-300:  # the scale of a reading that is no signal
        return (low,), 3
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    decimals = max(-math.floor(math.log10(step) + 1e-9), 0)
    return tuple(number * step for number in range(first, last + 1)), decimals


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale from values to places on the drawing."""

    low: float
    high: float
    at_low: float
    at_high: float

    def __call__(self, value: float) -> float:
        """Place of a value."""
        return self.at_low + (value - self.low) / (self.high - self.low) * (self.at_high - self.at_low)


class Drawing:
    """An SVG in the making: every text goes through `escape`, every number is short."""

    def __init__(self, title: str, height: float) -> None:
        self._title = plain(title)
        self.height = height
        self._parts: list[str] = []

    def add(self, tag: str, text: str = "", **attributes: float | str) -> None:
        """Append an element; attribute names take "_" for "-", a trailing one is dropped."""
        written = " ".join(
            f'{name.rstrip("_").replace("_", "-")}="{self._value(value)}"' for name, value in attributes.items()
        )
        self._parts.append(f"<{tag} {written}>{escape(text)}</{tag}>" if text else f"<{tag} {written}/>")

    @staticmethod
    def _value(value: float | str) -> str:
        return escape(value) if isinstance(value, str) else f"{value:.2f}".rstrip("0").rstrip(".")

    def line(self, start: Point, end: Point, *, colour: str = INK, width: float = 1.0, dash: str = "none") -> None:
        """A straight line."""
        self.add(
            "line",
            x1=start[0],
            y1=start[1],
            x2=end[0],
            y2=end[1],
            stroke=colour,
            stroke_width=width,
            stroke_dasharray=dash,
        )

    def polyline(self, places: Sequence[Point], *, colour: str, width: float = 1.5, dash: str = "none") -> None:
        """Straight lines from place to place."""
        self.add(
            "polyline",
            points=" ".join(f"{x:.1f},{y:.1f}" for x, y in places),
            fill="none",
            stroke=colour,
            stroke_width=width,
            stroke_dasharray=dash,
            stroke_linejoin="round",
        )

    def polygon(self, places: Sequence[Point], *, fill: str, colour: str = "none", width: float = 1.4) -> None:
        """A closed shape."""
        self.add(
            "polygon",
            points=" ".join(f"{x:.1f},{y:.1f}" for x, y in places),
            fill=fill,
            stroke=colour,
            stroke_width=width,
            stroke_linejoin="round",
        )

    def text(self, at: Point, text: str, *, anchor: str = "start", colour: str = INK, turned: float = 0.0) -> None:
        """A text; `turned` in degrees about its place."""
        turn = {"transform": f"rotate({turned:g} {at[0]:.1f} {at[1]:.1f})"} if turned else {}
        self.add("text", text, x=at[0], y=at[1], text_anchor=anchor, fill=colour, **turn)

    def mark(self, at: Point, shape: str, *, size: float = 5.0) -> None:
        """A marker: "up", "down", "any", "dot", "ring", "end" or "cross"."""
        x, y = at
        if shape == "up":
            self.polygon([(x, y - size), (x + size, y + 0.8 * size), (x - size, y + 0.8 * size)], fill=UP, colour=UP)
        elif shape == "down":
            places = [(x, y + size), (x + size, y - 0.8 * size), (x - size, y - 0.8 * size)]
            self.polygon(places, fill="#fff", colour=DOWN, width=1.7)
        elif shape == "end":
            places = [(x, y - size), (x + size, y), (x, y + size), (x - size, y)]
            self.polygon(places, fill="#fff", colour=INK, width=1.5)
        elif shape == "cross":
            for sign in (1, -1):
                self.line((x - size, y - sign * size), (x + size, y + sign * size), width=1.6)
        else:
            radius, fill, width = {"any": (4.0, UP, 1.0), "dot": (1.7, FAINT, 0.0)}.get(shape, (10.0, "none", 2.2))
            self.add("circle", cx=x, cy=y, r=radius, fill=fill, stroke=INK, stroke_width=width)

    def svg(self) -> str:
        """The whole as text."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {self.height:g}" role="img" '
            f'aria-label="{escape(self._title)}" font-family="system-ui, sans-serif" font-size="{_FONT:g}" '
            f'style="max-width:{WIDTH:g}px;width:100%;height:auto">'
        )
        hatch = _HATCH if any(HATCHED in part for part in self._parts) else ""
        return f"{head}<title>{escape(self._title)}</title>{hatch}{''.join(self._parts)}</svg>"


Sample = Callable[[Drawing, float, float], None]


def legend_drawing(title: str, legend: Sequence[tuple[Sample, str]], *, below: float) -> tuple[Drawing, float]:
    """A drawing with its legend on top and so much room below; and where that room begins."""
    placed, top = _lay_legend(legend)
    drawing = Drawing(title, top + below)
    for x, y, sample, label in placed:
        sample(drawing, x, y)
        drawing.text((x + 38, y + 4), label)
    return drawing, top


def _lay_legend(items: Sequence[tuple[Sample, str]]) -> tuple[list[tuple[float, float, Sample, str]], float]:
    """Place of each item above the plot, wrapped to the width, and the height they take together."""
    placed, x, y = [], 8.0, 16.0
    for sample, label in items:
        needs = 38 + _LETTER * len(label) + 18
        if x > 8.0 and x + needs > WIDTH:
            x, y = 8.0, y + 20
        placed.append((x, y, sample, label))
        x += needs
    return placed, y + 18 if items else 8.0


def series_sample(shape: str, *, colour: str = INK, dash: str = "none", width: float = 1.5) -> Sample:
    """Sample of a line with a marker on it."""

    def draw(drawing: Drawing, x: float, y: float) -> None:
        if width:
            drawing.line((x, y), (x + 32, y), colour=colour, width=width, dash=dash)
        if shape:
            drawing.mark((x + 16, y), shape)

    return draw


def box_sample(fill: str, colour: str) -> Sample:
    """Sample of a filled area with its two edges."""

    def draw(drawing: Drawing, x: float, y: float) -> None:
        drawing.add("rect", x=x, y=y - 6, width=32, height=12, fill=fill)
        for edge in (y - 6, y + 6):
            drawing.line((x, edge), (x + 32, edge), colour=colour, width=1.4)

    return draw


def ring_sample(drawing: Drawing, x: float, y: float) -> None:
    """Sample of a ring."""
    drawing.add("circle", cx=x + 16, cy=y, r=7, fill="none", stroke=INK, stroke_width=2.2)


class Panel:
    """Axes on a drawing: from values to places, with ticks and labels outside the frame."""

    def __init__(self, drawing: Drawing, x: Scale, y: Scale) -> None:
        self.drawing = drawing
        self.x = x
        self.y = y

    def at(self, x: float, y: float) -> Point:
        """Place of a value."""
        return self.x(x), self.y(y)

    def frame(self, x_label: str, y_label: str, *, most_x: int = 11) -> None:
        """Grid, ticks with numbers, labels, and the frame."""
        left, right, bottom, top = self.x.at_low, self.x.at_high, self.y.at_low, self.y.at_high
        places, decimals = nice_ticks(self.y.low, self.y.high, 9)
        beside = left - 7
        for value in places:
            text = fixed(value, decimals)
            self.drawing.line((left, self.y(value)), (right, self.y(value)), colour=GRID)
            self.drawing.text((left - 7, self.y(value) + 4), text, anchor="end")
            beside = min(beside, left - 7 - _LETTER * len(text))
        places, decimals = nice_ticks(self.x.low, self.x.high, most_x)
        for value in places:
            self.drawing.line((self.x(value), bottom), (self.x(value), top), colour=GRID)
            self.drawing.line((self.x(value), bottom), (self.x(value), bottom + 4), colour=FAINT)
            self.drawing.text((self.x(value), bottom + 18), fixed(value, decimals), anchor="middle")
        if self.y.low < 0 < self.y.high:
            self.drawing.line((left, self.y(0)), (right, self.y(0)), colour=FAINT, width=1.2)
        self.drawing.text(((left + right) / 2, bottom + 37), x_label, anchor="middle")
        self.drawing.text((beside - 10, (bottom + top) / 2), y_label, anchor="middle", turned=-90)

    def edge(self) -> None:
        """The frame itself, drawn last so that nothing lies on it."""
        self.drawing.add(
            "rect",
            x=self.x.at_low,
            y=self.y.at_high,
            width=self.x.at_high - self.x.at_low,
            height=self.y.at_low - self.y.at_high,
            fill="none",
            stroke=FAINT,
            stroke_width=1.2,
        )

    def right(self, factor: float, label: str) -> None:
        """A second axis at the right, its values `factor` times those at the left."""
        places, decimals = nice_ticks(self.y.low * factor, self.y.high * factor, 9)
        beside = edge = self.x.at_high
        for value in places:
            y, text = self.y(value / factor), fixed(value, decimals)
            self.drawing.line((edge, y), (edge + 4, y), colour=FAINT)
            self.drawing.text((edge + 7, y + 4), text, colour=FAINT)
            beside = max(beside, edge + 7 + _LETTER * len(text))
        middle = (self.y.at_low + self.y.at_high) / 2
        self.drawing.text((beside + 10, middle), label, anchor="middle", colour=FAINT, turned=90)

    def curve(self, values: Iterable[Point], *, colour: str = INK, width: float = 1.5, dash: str = "none") -> None:
        """Lines through values; broken where one is missing."""
        part: list[Point] = []
        for x, y in (*values, (math.nan, math.nan)):
            if math.isfinite(x) and math.isfinite(y):
                part.append(self.at(x, y))
                continue
            if len(part) > 1:
                self.drawing.polyline(part, colour=colour, width=width, dash=dash)
            part = []

    def marks(self, values: Iterable[Point], shape: str) -> None:
        """A marker at each value that is there."""
        for x, y in values:
            if math.isfinite(x) and math.isfinite(y):
                self.drawing.mark(self.at(x, y), shape)


def reach(values: Iterable[float], *, least: float, pad: float = 0.07) -> tuple[float, float]:
    """From lowest to highest with 0 inside, at least `least` wide each way where all is near 0, and a margin."""
    known = [each for each in values if math.isfinite(each)]
    low, high = min([*known, 0.0]), max([*known, 0.0])
    if high - low < least:
        low, high = low - least / 2, high + least / 2
    margin = pad * (high - low)
    return low - margin, high + margin


def standard_panel(
    title: str,
    legend: Sequence[tuple[Sample, str]],
    setpoints: Iterable[float],
    y: tuple[float, float],
    *,
    height: float = 250,
) -> tuple[Drawing, Panel]:
    """A drawing with the legend above and one panel with the input below."""
    drawing, top = legend_drawing(title, legend, below=height + 46)
    bottom = top + height
    places = [*setpoints, 0.0, 100.0]
    low, high = min(places), max(places)
    margin = 0.035 * (high - low)
    return drawing, Panel(drawing, Scale(low - margin, high + margin, 90, WIDTH - 94), Scale(*y, bottom, top))


def bar_sample(fill: str, colour: str) -> Sample:
    """Sample of a bar."""

    def draw(drawing: Drawing, x: float, y: float) -> None:
        drawing.add("rect", x=x, y=y - 6, width=32, height=12, fill=fill, stroke=colour, stroke_width=1)

    return draw
