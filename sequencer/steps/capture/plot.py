"""A capture as a plot: readings in time, and their histogram beside them on the same scale."""

import math

import numpy as np

from sequencer.reports.as_text import as_pct
from sequencer.reports.drawing.chart import bar_sample, legend_drawing, line_sample
from sequencer.reports.drawing.panel import Panel, Scale
from sequencer.reports.drawing.svg import DOWN, INK, UP, Drawing, Look, sentence
from sequencer.steps.capture.evaluation import Burst, Capture

__all__ = ["capture_plot"]

_HEIGHT = 200.0
_MOST_BINS = 40
_MOST_POINTS = 2000


def capture_plot(capture: Capture) -> str:
    """Each burst of a capture: values in time at the left, how often each level came at the right."""
    known = [burst for burst in capture.bursts if np.isfinite(burst.values).sum() > 1]
    if not known:
        return sentence("Too few readings to draw.")
    legend = [(line_sample(_look(burst)), f"drive {burst.drive}" if len(known) > 1 else "readings") for burst in known]
    legend.append((bar_sample("#fff", INK), "share of the readings at each level"))
    place = f"{as_pct(capture.setpoint_pct)}, {capture.tap}"
    each = _HEIGHT + 66
    drawing, top = legend_drawing(f"Capture at {place}", legend, below=each * len(known))
    for number, burst in enumerate(known):
        _draw(drawing, burst, capture.unit, top + number * each + 14)
    return drawing.svg()


def _look(burst: Burst) -> Look:
    return Look(UP if burst.drive == "on" else DOWN, width=1.0)


def _draw(drawing: Drawing, burst: Burst, unit: str, top: float) -> None:
    is_read = np.isfinite(burst.values)
    times_s, values = burst.times_s[is_read], burst.values[is_read]
    low, high = float(values.min()), float(values.max())
    margin = 0.06 * (high - low) or max(abs(high), 1.0) * 1e-4
    y = Scale(low - margin, high + margin, top + _HEIGHT, top)
    trace = Panel(drawing, Scale(0.0, max(float(times_s[-1]), 1e-9), 92, 470), y)
    trace.frame("Time in s", f"Reading in {unit}", most_x=6)
    step = math.ceil(len(values) / _MOST_POINTS)
    pairs = list(zip(times_s[::step].tolist(), values[::step].tolist(), strict=True))
    trace.series(pairs, _look(burst))
    if len(pairs) <= 100:
        trace.series(pairs, Look(mark="dot"))
    trace.edge()
    bins = min(max(int(math.sqrt(len(values)) * 2), 5), _MOST_BINS)
    counts, edges = np.histogram(values, bins=bins, range=(y.low, y.high))
    share_pct = 100 * counts / counts.sum()
    most = float(share_pct.max())
    panel = Panel(drawing, Scale(0.0, 1.05 * most, 500, 704), y)
    panel.frame("Share of the readings in %", None, x_names=[(value, f"{value}") for value in (0, round(most))])
    for share, start, end in zip(share_pct, edges, edges[1:], strict=False):
        if share:
            panel.bar((0.0, float(share)), (start, end), fill="#fff", colour=_look(burst).colour)
    panel.edge()
