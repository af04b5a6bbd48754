"""A capture as a plot: readings in time, and their histogram beside them on the same scale."""

import math

import numpy as np

from sequencer.diagnosis.capture import Burst, Capture
from sequencer.reports.drawing import (
    DOWN,
    INK,
    UP,
    Drawing,
    Panel,
    Sample,
    Scale,
    bar_sample,
    legend_drawing,
    sentence,
    series_sample,
)
from sequencer.reports.words import as_pct

__all__ = ["capture_plot"]

_HEIGHT = 200.0
_MOST_BINS = 40
_MOST_POINTS = 2000


def capture_plot(capture: Capture) -> str:
    """Each burst of a capture: values in time at the left, how often each level came at the right."""
    known = [burst for burst in capture.bursts if np.isfinite(burst.values).sum() > 1]
    if not known:
        return sentence("Too few readings to draw.")
    legend: list[tuple[Sample, str]] = [
        (series_sample("", colour=_colour(burst), width=1.4), f"drive {burst.drive}" if len(known) > 1 else "readings")
        for burst in known
    ]
    legend.append((bar_sample("#fff", INK), "share of the readings at each level"))
    place = f"{as_pct(capture.setpoint_pct)}, {capture.tap}"
    each = _HEIGHT + 66
    drawing, top = legend_drawing(f"Capture at {place}", legend, below=each * len(known))
    for number, burst in enumerate(known):
        _draw(drawing, burst, capture.unit, top + number * each + 14)
    return drawing.svg()


def _colour(burst: Burst) -> str:
    return UP if burst.drive == "on" else DOWN


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
    trace.curve(pairs, colour=_colour(burst), width=1.0)
    if len(pairs) <= 100:
        trace.marks(pairs, "dot")
    trace.edge()
    bins = min(max(int(math.sqrt(len(values)) * 2), 5), _MOST_BINS)
    counts, edges = np.histogram(values, bins=bins, range=(y.low, y.high))
    share_pct = 100 * counts / counts.sum()
    panel = Panel(drawing, Scale(0.0, 1.05 * float(share_pct.max()), 500, 704), y)
    for share, start, end in zip(share_pct, edges, edges[1:], strict=False):
        if share:
            corners = [(0.0, start), (share, start), (share, end), (0.0, end)]
            drawing.polygon([panel.at(*each) for each in corners], fill="#fff", colour=_colour(burst), width=1.1)
    places = (0, round(float(share_pct.max())))
    for value in places:
        drawing.text((panel.x(value), top + _HEIGHT + 18), f"{value}", anchor="middle")
    drawing.text((602, top + _HEIGHT + 37), "Share of the readings in %", anchor="middle")
    panel.edge()
