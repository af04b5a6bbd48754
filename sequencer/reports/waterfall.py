"""The error end to end where it is largest, as the sum of what each stage brings in: its bars, and their drawing.

It computes no error: where a bar begins and ends follows from the shares.
"""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from sequencer.diagnosis.account import Account, Largest
from sequencer.evaluation.result import Evaluation
from sequencer.reports.as_text import MINUS, as_pct, way
from sequencer.reports.drawing.chart import Sample, bar_sample, box_sample, legend_drawing
from sequencer.reports.drawing.panel import Panel, Scale, reach
from sequencer.reports.drawing.svg import BAND, DASH, FAINT, HATCHED, INK, LETTER, LIMIT, UP, WIDTH, Look
from sequencer.reports.number_style import NumberStyle

__all__ = ["Bar", "Waterfall", "waterfall", "waterfall_plot"]

# Where stages cancel, a share of what is left says nothing.
_MOST_SHARE_PCT = 200
_LEFT, _RIGHT, _LINE, _THICK = 158.0, 440.0, 16.0, 18.0
_BESIDE = 10.0
_STAGE_LETTERS = int((_LEFT - _BESIDE) / LETTER)
_CAUSE_LETTERS = int((WIDTH - _RIGHT - _BESIDE) / LETTER)
_PLAIN = "#fff"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """What one stage brings in, from and to in % of output span, with its text; or the whole error, which is last."""

    name: str
    start: float
    end: float
    size: str
    says: str
    is_wrong: bool = False
    is_total: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Waterfall:
    """The bars, where the error was read, and the half width of the tolerance there: None where there is none."""

    bars: tuple[Bar, ...]
    place: str
    tolerance_pct: float | None

    @property
    def limits(self) -> tuple[float, ...]:
        """Both ends of the tolerance; () where there is none."""
        return () if self.tolerance_pct is None else (-self.tolerance_pct, self.tolerance_pct)

    @property
    def ends(self) -> tuple[float, ...]:
        """Every level that a scale must hold."""
        return (*(end for each in self.bars for end in (each.start, each.end)), *self.limits)


def waterfall(account: Account, evaluation: Evaluation, *, minus: str = MINUS) -> Waterfall | None:
    """The error end to end stage by stage; None for a unit of one stage, or where no cause is named."""
    if account.largest is None:
        return None
    style, largest = NumberStyle(evaluation, minus=minus), account.largest
    return Waterfall(
        bars=tuple(_bars(account, largest, style)),
        place=f"{as_pct(largest.setpoint_pct, minus=minus)}{way(largest.direction)}",
        tolerance_pct=_tolerance_pct(evaluation, largest),
    )


def _bars(account: Account, largest: Largest, style: NumberStyle) -> Iterator[Bar]:
    joints = [float(each) for each in np.cumsum([0.0, *(share.error_pct for share in account.shares)])]
    for each, (start, end) in zip(account.shares, pairwise(joints), strict=True):
        size = style.error_pct(each.error_pct)
        if abs(each.share_pct) <= _MOST_SHARE_PCT:
            size += f" ({as_pct(round(each.share_pct), minus=style.minus)})"
        says = "; ".join(each.causes) or "in order"
        yield Bar(name=each.name, start=start, end=end, size=size, says=says, is_wrong=bool(each.causes))
    size = style.error_pct(largest.error_pct)
    yield Bar(name="total", start=0.0, end=joints[-1], size=size, says="end to end", is_total=True)


def _tolerance_pct(evaluation: Evaluation, largest: Largest) -> float | None:
    points = evaluation.points
    points = points[points["direction"] == largest.direction]
    if points.empty:
        return None
    nearest = (points["setpoint_pct"] - largest.setpoint_pct).abs().to_numpy().argmin()
    width = float(points["tolerance_pct"].iloc[int(nearest)])
    return width if width > 0 else None


def waterfall_plot(account: Account, evaluation: Evaluation) -> str:
    """A bar for each stage, beginning where the one before ended, and one for the whole; "" where there is none."""
    found = waterfall(account, evaluation)
    if found is None:
        return ""
    lefts = [[*textwrap.wrap(each.name, _STAGE_LETTERS), each.size] for each in found.bars]
    rights = [textwrap.wrap(each.says, _CAUSE_LETTERS) for each in found.bars]
    heights = [_LINE * max(len(left), len(right)) + 12 for left, right in zip(lefts, rights, strict=True)]
    below = sum(heights)
    title = f"Error at the output, stage by stage, at {found.place}"
    drawing, top = legend_drawing(title, list(_legend(found)), below=below + 46)
    low, high = reach(found.ends, least=1e-3)
    panel = Panel(drawing, Scale(low, high, _LEFT, _RIGHT), Scale(below, 0.0, top + below, top))
    _draw_scale(panel, found, below)
    middles = [sum(heights[:number]) + height / 2 for number, height in enumerate(heights)]
    _draw_bars(panel, found.bars, middles)
    for left, right, middle in zip(lefts, rights, middles, strict=True):
        _beside(panel, left, _LEFT - _BESIDE, middle, anchor="end")
        _beside(panel, right, _RIGHT + _BESIDE, middle, anchor="start")
    panel.edge()
    return drawing.svg()


def _legend(found: Waterfall) -> Iterator[tuple[Sample, str]]:
    if any(each.is_wrong for each in found.bars):
        yield bar_sample(HATCHED, INK), "a fault is named"
    if any(not each.is_wrong and not each.is_total for each in found.bars):
        yield bar_sample(_PLAIN, INK), "in order"
    yield bar_sample(UP, INK), "total"
    if found.limits:
        edge = Look(LIMIT, width=1.6)
        yield box_sample(BAND, edge, edge), "tolerance, end to end"


def _draw_scale(panel: Panel, found: Waterfall, below: float) -> None:
    """Tolerance, grid and the line of no error."""
    if found.limits:
        panel.bar((found.limits[0], found.limits[1]), (0.0, below), fill=BAND, colour="none")
    panel.frame(f"Error in % of output span, at {found.place}", None, most_x=6)
    for x in found.limits:
        panel.drawing.line(panel.at(x, 0.0), panel.at(x, below), colour=LIMIT, width=1.6)
    panel.drawing.line(panel.at(0.0, 0.0), panel.at(0.0, below), colour=FAINT, width=1.2)


def _draw_bars(panel: Panel, bars: Sequence[Bar], middles: Sequence[float]) -> None:
    """Each bar with a line where it ends, so that one of nothing is seen too, and one down to where the next begins."""
    for each, middle in zip(bars, middles, strict=True):
        upper, lower = middle - _THICK / 2, middle + _THICK / 2
        fill = UP if each.is_total else HATCHED if each.is_wrong else _PLAIN
        panel.bar((each.start, each.end), (upper, lower), fill=fill, colour=INK)
        panel.drawing.line(panel.at(each.end, upper), panel.at(each.end, lower), width=2.4)
    for each, (middle, onward) in zip(bars, pairwise(middles), strict=False):
        places = (panel.at(each.end, middle + _THICK / 2), panel.at(each.end, onward - _THICK / 2))
        panel.drawing.line(*places, colour=FAINT, dash=DASH)


def _beside(panel: Panel, lines: Sequence[str], x: float, middle: float, *, anchor: str) -> None:
    first = panel.y(middle) - _LINE * (len(lines) - 1) / 2 + 4
    for number, line in enumerate(lines):
        panel.drawing.text((x, first + _LINE * number), line, anchor=anchor)
