"""An SVG as text: elements, escaped and short, and markers that differ without colour. It knows no axis."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from instruments.texts import visible

__all__ = [
    "BAND",
    "DASH",
    "DOWN",
    "FAINT",
    "FINE_DASH",
    "GREY",
    "GRID",
    "HATCHED",
    "INK",
    "LETTER",
    "LIMIT",
    "UP",
    "WIDTH",
    "Drawing",
    "Look",
    "Point",
    "sentence",
]

WIDTH = 720.0
_FONT = 12.5  # 720 units are 180 mm on A4, so this is 8.9 points
LETTER = 0.56 * _FONT  # mean width of a letter, on the wide side
INK, FAINT, GRID, GREY = "#1d2733", "#5d6b7a", "#dde3e9", "#8b949e"
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


@dataclass(frozen=True, slots=True)
class Look:
    """How values are drawn: a line where `width` > 0, a marker (see `Drawing.mark`) at each where `mark` is not ""."""

    colour: str = INK
    dash: str = "none"
    mark: str = ""
    width: float = 0.0


class Drawing:
    """An SVG in the making: every text goes through `escape`, every number is short."""

    def __init__(self, title: str, height: float) -> None:
        self._title = visible(" ".join(title.split()))
        self.height = height
        self._parts: list[str] = []

    def add(self, tag: str, text: str = "", /, **attributes: float | str) -> None:
        """Append an element; attribute names take "_" for "-"."""
        written = " ".join(f'{name.replace("_", "-")}="{self._value(value)}"' for name, value in attributes.items())
        self._parts.append(f"<{tag} {written}>{escape(text)}</{tag}>" if text else f"<{tag} {written}/>")

    @staticmethod
    def _value(value: float | str) -> str:
        return escape(value) if isinstance(value, str) else f"{value:.2f}".rstrip("0").rstrip(".")

    def line(self, start: Point, end: Point, *, colour: str = INK, width: float = 1.0, dash: str = "none") -> None:
        """A straight line."""
        ends = {"x1": start[0], "y1": start[1], "x2": end[0], "y2": end[1]}
        self.add("line", **ends, stroke=colour, stroke_width=width, stroke_dasharray=dash)

    def polyline(self, places: Sequence[Point], *, colour: str, width: float = 1.5, dash: str = "none") -> None:
        """Straight lines from place to place."""
        look: dict[str, float | str] = {"stroke": colour, "stroke_width": width, "stroke_dasharray": dash}
        self.add("polyline", points=_listed(places), fill="none", **look, stroke_linejoin="round")

    def polygon(self, places: Sequence[Point], *, fill: str, colour: str = "none", width: float = 1.4) -> None:
        """A closed shape."""
        look: dict[str, float | str] = {"fill": fill, "stroke": colour, "stroke_width": width}
        self.add("polygon", points=_listed(places), **look, stroke_linejoin="round")

    def box(self, at: Point, size: Point, *, fill: str, colour: str = "none", width: float = 1.0) -> None:
        """A rectangle from its upper left corner, `size` wide and high."""
        self.add("rect", x=at[0], y=at[1], width=size[0], height=size[1], fill=fill, stroke=colour, stroke_width=width)

    def text(self, at: Point, text: str, *, anchor: str = "start", colour: str = INK, turned: float = 0.0) -> None:
        """A text; `turned` in degrees about its place."""
        turn = {"transform": f"rotate({turned:g} {at[0]:.1f} {at[1]:.1f})"} if turned else {}
        self.add("text", text, x=at[0], y=at[1], text_anchor=anchor, fill=colour, **turn)

    def mark(self, at: Point, shape: str, *, size: float = 5.0) -> None:
        """A marker: "up", "down", "any", "dot", "ring", "end", "square" or "cross"."""
        x, y = at
        if shape == "up":
            self.polygon([(x, y - size), (x + size, y + 0.8 * size), (x - size, y + 0.8 * size)], fill=UP, colour=UP)
        elif shape == "down":
            places = [(x, y + size), (x + size, y - 0.8 * size), (x - size, y - 0.8 * size)]
            self.polygon(places, fill="#fff", colour=DOWN, width=1.7)
        elif shape == "end":
            places = [(x, y - size), (x + size, y), (x, y + size), (x - size, y)]
            self.polygon(places, fill="#fff", colour=INK, width=1.5)
        elif shape == "square":
            self.box((x - 3, y - 3), (6, 6), fill="#fff", colour=GREY, width=1.3)
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


def _listed(places: Sequence[Point]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
