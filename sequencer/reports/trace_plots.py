"""A trace drawn: from end to end, a few periods, all periods over each other, intervals, spectrum, averaging.

Greys and shapes tell apart what colours tell too. Nothing is computed here but places.
"""

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.trace_views import AllanView, Detail, Folded, Outline, TraceViews
from sequencer.diagnosis.trace_words import line_names
from sequencer.diagnosis.waveform import TraceResult
from sequencer.reports.drawing.chart import Sample, box_sample, legend_drawing, line_sample
from sequencer.reports.drawing.panel import Panel, Scale, decades
from sequencer.reports.drawing.svg import DASH, FINE_DASH, GRID, INK, UP, WIDTH, Look, sentence

__all__ = ["allan_plot", "detail_plot", "folded_plot", "intervals_plot", "spectrum_plot", "time_in", "whole_plot"]

_LEFT, _RIGHT = 92.0, WIDTH - 30
_HEIGHT = 210.0
_TRACE = Look(UP, width=1.1)
_FILL = "#b9cde0"
_UPPER, _LOWER = Look(INK, DASH, width=1.3), Look(INK, FINE_DASH, width=1.3)
_COUNT = Look(mark="up")
_EXTRA, _MISSING = Look(mark="ring"), Look(mark="cross")
_GREYS = ("#d9dee3", "#b3bcc5", "#8794a1", "#556372", "#1d2733")  # the more often, the darker
_MARGIN = 0.08
_MOST_MARKS = 300
_WIDE = 30.0  # the longest interval, of the shortest, from which on powers of ten are drawn
_LEAST_SPREAD = 0.01  # of an interval that the scale shows to each side


def time_in(span_s: float) -> tuple[float, str]:
    """Factor and unit in which a time is read best."""
    for factor, unit in ((1.0, "s"), (1e3, "ms"), (1e6, "µs")):
        if span_s * factor >= 1:
            return factor, unit
    return 1e9, "ns"


def whole_plot(views: TraceViews, result: TraceResult, *, beside: TraceResult | None = None) -> str:
    """The trace from end to end, with the thresholds; on a scale that holds another one too, if it stands beside it."""
    outline = views.whole
    factor, unit = time_in(result.length_s)
    legend = [_legend_of(outline), *_threshold_legend(result)]
    drawing, top = legend_drawing("Trace from end to end", legend, below=_HEIGHT + 46)
    half_s = 0.0 if outline.is_line else float(outline.times_s[1] - outline.times_s[0]) / 2  # of a column
    ends = ((float(outline.times_s[0]) - half_s) * factor, (float(outline.times_s[-1]) + half_s) * factor)
    levels = np.array([_levels(each) for each in (result, beside) if each is not None])
    high_low = Scale(float(levels.min()), float(levels.max()), top + _HEIGHT, top)
    panel = Panel(drawing, Scale(*ends, _LEFT, _RIGHT), high_low)
    panel.frame(f"Time in {unit}", _value_label(result))
    _draw_outline(panel, outline, factor, 0.0)
    _draw_thresholds(panel, result)
    panel.edge()
    return drawing.svg()


def detail_plot(detail: Detail | None, result: TraceResult) -> str:
    """A few periods, with the edges that a counter counts and the faults among them."""
    if detail is None:
        return sentence("The trace is too short for a detail of it, or has no period.")
    outline, begin_s = detail.outline, float(detail.outline.times_s[0])
    factor, unit = time_in(float(outline.times_s[-1]) - begin_s)
    legend = [_legend_of(outline), *_threshold_legend(result)]
    marks = (
        (_COUNT, detail.rising_s, "counted edge"),
        (_EXTRA, detail.extra_s, "one too many"),
        (_MISSING, detail.missing_s, "pulse missing"),
    )
    legend += [(line_sample(look), name) for look, each_s, name in marks if len(each_s)]
    drawing, top = legend_drawing(f"Detail: {detail.why}", legend, below=_HEIGHT + 46)
    x = _scale((outline.times_s - begin_s) * factor, pad=0.0)
    panel = Panel(drawing, Scale(*x, _LEFT, _RIGHT), Scale(*_levels(result), top + _HEIGHT, top))
    panel.frame(f"Time after {begin_s:.6g} s, in {unit}", _value_label(result))
    _draw_outline(panel, outline, factor, begin_s)
    _draw_thresholds(panel, result)
    for look, each_s, _ in marks:
        if result.edges is not None and len(each_s) <= _MOST_MARKS:
            panel.series([((at - begin_s) * factor, result.edges.upper) for at in each_s.tolist()], look)
    panel.edge()
    return drawing.svg()


def folded_plot(folded: Folded | None, result: TraceResult) -> str:
    """All periods over each other: the darker, the more often the trace was there."""
    if folded is None or result.train is None:
        return sentence("Without a pulse train there is no period to lay over the others.")
    legend: list[tuple[Sample, str]] = [
        (box_sample(_GREYS[0], Look(_GREYS[0]), Look(_GREYS[0])), "seldom"),
        (box_sample(_GREYS[-1], Look(), Look()), "often"),
        *_threshold_legend(result),
    ]
    drawing, top = legend_drawing("One period over all others", legend, below=_HEIGHT + 46)
    factor, unit = time_in(result.train.period_s)
    factor *= result.train.period_s
    x = Scale(folded.places[0] * factor, folded.places[-1] * factor, _LEFT, _RIGHT)
    panel = Panel(drawing, x, Scale(*_levels(result), top + _HEIGHT, top))
    panel.frame(f"Time after the counted edge in {unit}", _value_label(result))
    _draw_cells(panel, folded, factor)
    _draw_thresholds(panel, result)
    panel.edge()
    return drawing.svg()


def _draw_cells(panel: Panel, folded: Folded, factor: float) -> None:
    """Cells that lie on each other and are as dark are drawn as one."""
    depth = np.log1p(folded.counts) / math.log1p(float(folded.counts.max()))
    greys = np.ceil(depth * len(_GREYS)).astype(np.int64)  # 0: the trace never came here
    for column, left, right in zip(greys, folded.places, folded.places[1:], strict=False):
        turns = np.concatenate(([0], np.flatnonzero(np.diff(column)) + 1, [len(column)]))
        for first, last in pairwise(turns.tolist()):
            if column[first]:
                levels = float(folded.levels[first]), float(folded.levels[last])
                panel.bar((left * factor, right * factor), levels, fill=_GREYS[column[first] - 1], colour="none")


def intervals_plot(intervals: Outline | None, result: TraceResult) -> str:
    """From edge to edge, in time; without fault all lie on one line. In powers of ten where they differ by as much."""
    if intervals is None:
        return sentence("Fewer than three edges were counted.")
    known = np.concatenate((intervals.low, intervals.high))
    known = known[np.isfinite(known) & (known > 0)]
    is_wide = known.max() > _WIDE * known.min()
    factor, unit = time_in(float(np.median(known)))
    time_factor, time_unit = time_in(result.length_s)

    def level(each_s: FloatArray) -> FloatArray:
        return np.log10(np.maximum(each_s, known.min()) * factor) if is_wide else each_s * factor

    look = Look(UP, mark="dot")
    legend: list[tuple[Sample, str]] = [
        (line_sample(look), "from one counted edge to the next") if intervals.is_line else _legend_of(intervals)
    ]
    if result.train is not None:
        legend.append((line_sample(_LOWER), "median of the sound ones"))
    drawing, top = legend_drawing("Intervals between counted edges in time", legend, below=_HEIGHT + 46)
    low, high = _scale(level(known), pad=_MARGIN)
    if not is_wide and high < (1 + _LEAST_SPREAD) * low:  # even ones lie on one level
        low, high = low * (1 - _LEAST_SPREAD), high * (1 + _LEAST_SPREAD)
    x = Scale(float(intervals.times_s[0]) * time_factor, float(intervals.times_s[-1]) * time_factor, _LEFT, _RIGHT)
    panel = Panel(drawing, x, Scale(low, high, top + _HEIGHT, top))
    panel.frame(f"Time in {time_unit}", f"Interval in {unit}", y_names=_names(panel.y) if is_wide else None)
    shown = Outline(times_s=intervals.times_s, low=level(intervals.low), high=level(intervals.high))
    if shown.is_line:
        panel.series(_places(shown.times_s * time_factor, shown.low), look)
    else:
        _draw_outline(panel, shown, time_factor, 0.0)
    if result.train is not None:
        median = float(level(np.array(result.train.period_s)))
        panel.series([(x.low, median), (x.high, median)], _LOWER)
    panel.edge()
    return drawing.svg()


def spectrum_plot(views: TraceViews, result: TraceResult, *, beside: TraceViews | None = None) -> str:
    """Amplitude over frequency, both in powers of ten; the main lines carry their number.

    On a scale that holds another one too, if it stands beside it.
    """
    known = views.amplitudes > 0
    if known.sum() < 3:
        return sentence("No spectrum: the samples are not evenly spaced, few, or flat.")
    rates, heights = np.log10(views.rates_Hz[known]), np.log10(views.amplitudes[known])
    legend: list[tuple[Sample, str]] = [(line_sample(_TRACE), "largest amplitude about each frequency")]
    drawing, top = legend_drawing("Spectrum", legend, below=_HEIGHT + 46)
    top += 14  # for the numbers of the lines
    both = [(rates, heights)]
    if beside is not None and (beside.amplitudes > 0).any():
        is_there = beside.amplitudes > 0
        both.append((np.log10(beside.rates_Hz[is_there]), np.log10(beside.amplitudes[is_there])))
    high = max(float(each.max()) for _, each in both) + 0.35
    low = max(min(float(np.quantile(each, 0.02)) for _, each in both) - 0.3, high - 8)
    x = Scale(min(float(each[0]) for each, _ in both), max(float(each[-1]) for each, _ in both), _LEFT, _RIGHT)
    panel = Panel(drawing, x, Scale(low, high, top + _HEIGHT - 14, top))
    _draw_decades(panel, "Frequency in Hz", f"Amplitude{_in(result.unit)}")
    panel.series(panel.inside(_places(rates, heights)), _TRACE)
    names = line_names(result)
    for number, (line, name) in enumerate(zip(result.lines, names, strict=True), start=1):
        if line.rate_Hz > 0:
            x_at, y_at = panel.at(math.log10(line.rate_Hz), math.log10(line.amplitude))
            drawing.text((x_at, y_at - 5), f"{number}*" if name else f"{number}", anchor="middle")
    panel.edge()
    return drawing.svg()


def allan_plot(allan: AllanView | None) -> str:
    """Allan deviation over the time of averaging, both in powers of ten, beside the slope of white noise."""
    if allan is None:
        return sentence("Too few readings or sound periods for an Allan deviation.")
    spans, deviations = np.log10(allan.spans_s), np.log10(allan.deviations)
    legend = [
        (line_sample(Look(UP, mark="any", width=1.3)), "Allan deviation"),
        (line_sample(_LOWER), "as white noise would fall"),
    ]
    drawing, top = legend_drawing("Allan deviation", legend, below=_HEIGHT + 46)
    white = deviations[0] - (spans - spans[0]) / 2
    low = min(float(deviations.min()), float(white.min()))
    x = Scale(float(spans[0]) - 0.1, float(spans[-1]) + 0.1, _LEFT, _RIGHT)
    panel = Panel(drawing, x, Scale(low - 0.2, float(deviations.max()) + 0.2, top + _HEIGHT, top))
    of = "% of the period" if allan.unit == "%" else allan.unit
    _draw_decades(panel, "Averaged over so many seconds", f"Deviation{_in(of)}")
    panel.series(_places(spans, white), _LOWER)
    panel.series(_places(spans, deviations), Look(UP, mark="any", width=1.3))
    panel.edge()
    return drawing.svg()


# -- what several drawings share -------------------------------------------------------------------------------------


def _draw_decades(panel: Panel, x_label: str, y_label: str) -> None:
    """Grid and names at the powers of ten; where there is none, at twos and fives too."""
    x_names, y_names = _names(panel.x), _names(panel.y)
    for at, _ in x_names:
        panel.drawing.line((panel.x(at), panel.y.at_low), (panel.x(at), panel.y.at_high), colour=GRID)
    panel.frame(x_label, y_label, x_names=x_names, y_names=y_names)


def _names(scale: Scale) -> Sequence[tuple[float, str]]:
    names = decades(scale.low, scale.high)
    if len(names) > 2:
        return names
    powers = range(math.floor(scale.low), math.ceil(scale.high) + 1)
    finer = [(power + math.log10(part), f"{part * 10.0**power:.3g}") for power in powers for part in (1, 2, 5)]
    return [(at, name) for at, name in finer if scale.low <= at <= scale.high]


def _draw_outline(panel: Panel, outline: Outline, factor: float, begin_s: float) -> None:
    """A line where the values are few; else what lies between lowest and highest, each stretch for itself."""
    times = (outline.times_s - begin_s) * factor
    if outline.is_line:
        panel.series(_places(times, outline.low), _TRACE)
        return
    is_there = np.isfinite(outline.low)
    turns = np.flatnonzero(np.diff(np.concatenate(([0], is_there.astype(np.int8), [0]))))
    half = float(times[1] - times[0]) / 2
    for first, last in zip(turns[::2], turns[1::2], strict=True):
        # A stretch of one column has a width too.
        at = np.concatenate(([times[first] - half], times[first:last], [times[last - 1] + half]))
        low, high = (np.pad(each[first:last], 1, mode="edge") for each in (outline.low, outline.high))
        panel.area(_places(at, high), _places(at, low), fill=_FILL, look=Look(UP, width=0.7))


def _draw_thresholds(panel: Panel, result: TraceResult) -> None:
    if result.edges is None:
        return
    for level, look in ((result.edges.upper, _UPPER), (result.edges.lower, _LOWER)):
        panel.series([(panel.x.low, level), (panel.x.high, level)], look)


def _threshold_legend(result: TraceResult) -> list[tuple[Sample, str]]:
    if result.edges is None:
        return []
    about = " about the baseline" if result.edges.baseline else ""
    return [
        (line_sample(_UPPER), f"upper threshold{about} {result.edges.upper:.3g}"),
        (line_sample(_LOWER), f"lower {result.edges.lower:.3g}"),
    ]


def _legend_of(outline: Outline) -> tuple[Sample, str]:
    if outline.is_line:
        return line_sample(_TRACE), "trace"
    return box_sample(_FILL, Look(UP), Look(UP)), "lowest to highest of the trace"


def _levels(result: TraceResult) -> tuple[float, float]:
    ends = np.array((result.lowest, result.highest))
    if result.highest == result.lowest:
        ends = ends + np.array((-0.5, 0.5)) * (abs(result.highest) or 1.0)
    return _scale(ends, pad=_MARGIN)


def _scale(values: FloatArray, *, pad: float) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    margin = pad * (high - low)
    return low - margin, high + margin


def _places(x: FloatArray, y: FloatArray) -> list[tuple[float, float]]:
    return list(zip(x.tolist(), y.tolist(), strict=True))


def _value_label(result: TraceResult) -> str:
    return f"{result.name}{_in(result.unit)}"


def _in(unit: str) -> str:
    return f" in {unit}" if unit else ""
