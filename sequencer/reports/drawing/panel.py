"""A panel: from values to places on a drawing, with round ticks and labels outside its frame."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sequencer.reports.as_text import fixed
from sequencer.reports.drawing.svg import FAINT, GRID, LETTER, Drawing, Look, Point

__all__ = ["Panel", "Scale", "decades", "nice_ticks", "reach", "span_between"]


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


def decades(low: float, high: float) -> list[tuple[float, str]]:
    """Powers of ten between two logarithms, each as its logarithm and its name: (-2, "0.01")."""
    return [(float(power), f"{10.0**power:g}") for power in range(math.ceil(low), math.floor(high) + 1)]


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


class Panel:
    """Axes on a drawing: from values to places, with ticks and labels outside the frame."""

    def __init__(self, drawing: Drawing, x: Scale, y: Scale) -> None:
        self.drawing = drawing
        self.x = x
        self.y = y

    def at(self, x: float, y: float) -> Point:
        """Place of a value."""
        return self.x(x), self.y(y)

    def frame(
        self,
        x_label: str,
        y_label: str | None,
        *,
        most_x: int = 11,
        most_y: int = 9,
        x_names: Sequence[tuple[float, str]] | None = None,
        y_names: Sequence[tuple[float, str]] | None = None,
    ) -> None:
        """Grid, ticks with numbers, and labels.

        Args:
            x_label: below the panel.
            y_label: at the left; "" for none, None for no numbers either.
            most_x: ticks of the input, about.
            most_y: ticks at the left, about.
            x_names: places with their names, in place of ticks with numbers.
            y_names: the same at the left.
        """
        left, right, bottom, top = self.x.at_low, self.x.at_high, self.y.at_low, self.y.at_high
        if y_label is not None:
            self._levels(y_label, most_y, y_names)
        if x_names is None:
            places, decimals = nice_ticks(self.x.low, self.x.high, most_x)
            for value in places:
                self.drawing.line((self.x(value), bottom), (self.x(value), top), colour=GRID)
                self.drawing.line((self.x(value), bottom), (self.x(value), bottom + 4), colour=FAINT)
            x_names = [(value, fixed(value, decimals)) for value in places]
        for value, name in x_names:
            self.drawing.text((self.x(value), bottom + 18), name, anchor="middle")
        if y_label is not None and y_names is None and self.y.low < 0 < self.y.high:
            self.drawing.line((left, self.y(0)), (right, self.y(0)), colour=FAINT, width=1.2)
        self.drawing.text(((left + right) / 2, bottom + 37), x_label, anchor="middle")

    def _levels(self, label: str, most: int, names: Sequence[tuple[float, str]] | None) -> None:
        left, right = self.x.at_low, self.x.at_high
        if names is None:
            places, decimals = nice_ticks(self.y.low, self.y.high, most)
            names = [(value, fixed(value, decimals)) for value in places]
        beside = left - 7
        for value, text in names:
            self.drawing.line((left, self.y(value)), (right, self.y(value)), colour=GRID)
            self.drawing.text((left - 7, self.y(value) + 4), text, anchor="end")
            beside = min(beside, left - 7 - LETTER * len(text))
        if label:
            middle = (self.y.at_low + self.y.at_high) / 2
            self.drawing.text((beside - 10, middle), label, anchor="middle", turned=-90)

    def edge(self) -> None:
        """The frame itself, drawn last so that nothing lies on it."""
        size = (self.x.at_high - self.x.at_low, self.y.at_low - self.y.at_high)
        self.drawing.box((self.x.at_low, self.y.at_high), size, fill="none", colour=FAINT, width=1.2)

    def right(self, factor: float, label: str) -> None:
        """A second axis at the right, its values `factor` times those at the left."""
        places, decimals = nice_ticks(self.y.low * factor, self.y.high * factor, 9)
        beside = edge = self.x.at_high
        for value in places:
            y, text = self.y(value / factor), fixed(value, decimals)
            self.drawing.line((edge, y), (edge + 4, y), colour=FAINT)
            self.drawing.text((edge + 7, y + 4), text, colour=FAINT)
            beside = max(beside, edge + 7 + LETTER * len(text))
        middle = (self.y.at_low + self.y.at_high) / 2
        self.drawing.text((beside + 10, middle), label, anchor="middle", colour=FAINT, turned=90)

    def series(self, values: Iterable[Point], look: Look) -> None:
        """A line through values, broken where one is missing, then a marker at each that is there."""
        part: list[Point] = []
        places: list[Point] = []
        for x, y in (*values, (math.nan, math.nan)):
            if math.isfinite(x) and math.isfinite(y):
                part.append(self.at(x, y))
                continue
            if len(part) > 1 and look.width:
                self.drawing.polyline(part, colour=look.colour, width=look.width, dash=look.dash)
            places += part
            part = []
        for place in places if look.mark else ():
            self.drawing.mark(place, look.mark)

    def area(self, upper: Sequence[Point], lower: Sequence[Point], *, fill: str, look: Look | None = None) -> None:
        """What lies between two lines as far as it lies inside the panel; `look` is that of its outline."""
        outline = [self.at(*each) for each in self.inside([*upper, *reversed(lower)])]
        edge = look or Look("none", width=1.4)
        self.drawing.polygon(outline, fill=fill, colour=edge.colour, width=edge.width)

    def inside(self, places: Iterable[Point]) -> list[Point]:
        """Places, those beside the panel moved onto its edge."""
        return [(min(max(x, self.x.low), self.x.high), min(max(y, self.y.low), self.y.high)) for x, y in places]

    def bar(self, x: Point, y: Point, *, fill: str, colour: str) -> None:
        """A bar from one x and y to the other."""
        left, right = sorted((self.x(x[0]), self.x(x[1])))
        top, bottom = sorted((self.y(y[0]), self.y(y[1])))
        self.drawing.box((left, top), (right - left, bottom - top), fill=fill, colour=colour)

    def span(self, x: float, y: Point, *, colour: str, aside: float = 0.0) -> None:
        """An upright line with an end at each of two levels, `aside` units beside its place."""
        span_between(self.drawing, self.x(x) + aside, (self.y(y[0]), self.y(y[1])), colour=colour)


def span_between(drawing: Drawing, x: float, ends: Point, *, colour: str) -> None:
    """An upright line with a short one across each end, in places on the drawing."""
    drawing.line((x, ends[0]), (x, ends[1]), colour=colour)
    for y in ends:
        drawing.line((x - 3, y), (x + 3, y), colour=colour)


def reach(values: Iterable[float], *, least: float, pad: float = 0.07) -> tuple[float, float]:
    """From lowest to highest with 0 inside, at least `least` wide each way where all is near 0, and a margin."""
    known = [each for each in values if math.isfinite(each)]
    low, high = min([*known, 0.0]), max([*known, 0.0])
    if high - low < least:
        low, high = low - least / 2, high + least / 2
    margin = pad * (high - low)
    return low - margin, high + margin
