"""One settling as a plot: the trace, the accepted instant, what was still to go, and the value used."""

import math
from collections.abc import Sequence

from instruments.texts import sized
from sequencer.diagnosis.result import Trace
from sequencer.evaluation.result import Evaluation
from sequencer.reports.drawing import (
    BAND,
    DASH,
    DOWN,
    FAINT,
    LIMIT,
    Panel,
    Point,
    Sample,
    Scale,
    box_sample,
    legend_drawing,
    sentence,
    series_sample,
)
from sequencer.reports.words import as_pct, fixed, way

__all__ = ["settling_plot", "telling_trace"]

_MOST_SAMPLES = 600


def telling_trace(traces: Sequence[Trace]) -> Trace | None:
    """The settling that tells most: the worst that never settled, else the slowest reading; None without any."""
    known = [each for each in traces if each.role == "reading" and len(each.samples) > 1]
    if not known:
        return None
    never = [each for each in known if each.state != "steady"]
    if never:
        return max(never, key=lambda each: math.inf if each.to_go is None else each.to_go)
    return max(known, key=lambda each: each.after_s)


def _thinned(samples: Sequence[Point]) -> list[Point]:
    """At most about `_MOST_SAMPLES` samples, the lowest and highest of each part kept, so that noise stays visible."""
    if len(samples) <= _MOST_SAMPLES:
        return list(samples)
    kept: list[Point] = []
    size = math.ceil(2 * len(samples) / _MOST_SAMPLES)
    for start in range(0, len(samples), size):
        part = samples[start : start + size]
        kept.extend(sorted({min(part, key=lambda each: each[1]), max(part, key=lambda each: each[1])}))
    return kept


def settling_plot(evaluation: Evaluation | None, trace: Trace | None, *, unit: str) -> str:
    """One settling: the whole, and its end magnified with the band of what was still to go and the value used."""
    if trace is None:
        return sentence("No settling was recorded.")
    samples = [(at_s, value) for at_s, value in trace.samples if math.isfinite(value)]
    if len(samples) < 2:
        return sentence("The settling has too few samples to draw.")
    is_steady = trace.state == "steady"
    used = _value_used(evaluation, trace)
    to_go = trace.to_go if trace.to_go is not None and math.isfinite(trace.to_go) else None
    centre = samples[-1][1]
    legend: list[tuple[Sample, str]] = [(series_sample("", width=1.4), "readings while waiting")]
    said = f"accepted after {sized(trace.after_s)} s" if is_steady else f"given up after {sized(trace.after_s)} s"
    legend.append((series_sample("", width=1.6, dash=DASH, colour=DOWN), said))
    if to_go is not None:
        legend.append((box_sample(BAND, LIMIT), f"still to go: at most ±{sized(to_go, 2)} {unit}"))
    if used is not None:
        legend.append((series_sample("any", width=0), f"value used: {fixed(used, _decimals(to_go))} {unit}"))
    place = f"{as_pct(trace.setpoint_pct)}{way(trace.direction)}, cycle {trace.cycle}"
    drawing, top = legend_drawing(f"Settling at {place}: {trace.state}, {said}", legend, below=20 + 220 + 46)
    top += 20
    bottom = top + 220
    close = _close_reach(samples, centre, to_go, used)
    start_s = _close_start(samples, close)
    end_s = max(samples[-1][0], trace.after_s)
    levels = [value for _, value in samples] + ([used] if used is not None else [])
    low, high = min(levels), max(levels)
    margin = 0.07 * (high - low) or (abs(high) or 1.0) / 100
    panels = (
        (Scale(0.0, 1.04 * end_s, 82, 346), Scale(low - margin, high + margin, bottom, top), "the whole"),
        (
            Scale(start_s, end_s + 0.06 * (end_s - start_s), 446, 710),
            Scale(*close, bottom, top),
            "its end, magnified",
        ),
    )
    for x_scale, y_scale, name in panels:
        panel = Panel(drawing, x_scale, y_scale)
        if to_go is not None:
            edges = [min(max(centre + sign * to_go, y_scale.low), y_scale.high) for sign in (1, -1)]
            corners = [
                (x_scale.low, edges[0]),
                (x_scale.high, edges[0]),
                (x_scale.high, edges[1]),
                (x_scale.low, edges[1]),
            ]
            drawing.polygon([panel.at(*corner) for corner in corners], fill=BAND, colour=LIMIT)
        panel.frame("Time since the setpoint change in s", f"Output in {unit}", most_x=6)
        inside = [each for each in samples if x_scale.low <= each[0] <= x_scale.high]
        panel.curve([(x, y if y_scale.low <= y <= y_scale.high else math.nan) for x, y in _thinned(inside)], width=1.4)
        if len(inside) <= 60:
            panel.marks([each for each in inside if y_scale.low <= each[1] <= y_scale.high], "dot")
        panel.curve([(trace.after_s, y_scale.low), (trace.after_s, y_scale.high)], colour=DOWN, width=1.6, dash=DASH)
        if used is not None and y_scale.low <= used <= y_scale.high:
            panel.marks([(end_s, used)], "any")
        drawing.text((x_scale.at_low, top - 7), name, colour=FAINT)
        panel.edge()
    return drawing.svg()


def _decimals(to_go: float | None) -> int:
    return 4 if not to_go else min(max(1 - math.floor(math.log10(to_go)), 0), 9)


def _value_used(evaluation: Evaluation | None, trace: Trace) -> float | None:
    """The mean that the trace's point went into the figures with."""
    if evaluation is None:
        return None
    visits = evaluation.visits
    same = visits[
        (visits["cycle"] == trace.cycle)
        & (visits["direction"] == trace.direction)
        & ((visits["setpoint_pct"] - trace.setpoint_pct).abs() < 1e-6)
    ]
    if same.empty or not math.isfinite(float(same["output"].iloc[0])):
        return None
    return float(same["output"].iloc[0])


def _close_reach(samples: Sequence[Point], centre: float, to_go: float | None, used: float | None) -> Point:
    """Levels that the magnified panel shows: some bands wide, or the last fifth of the samples where that is wider."""
    tail = [value for _, value in samples[-max(len(samples) // 5, 2) :]]
    half = max(abs(value - centre) for value in tail)
    half = max(half, 3 * to_go if to_go else 0.0, abs(used - centre) if used is not None else 0.0)
    # A value used far from the trace is left to the table: the panel would show nothing else.
    half = min(half, max(*(abs(value - centre) for _, value in samples), 1e-12))
    half = 1.15 * half or (abs(centre) or 1.0) * 1e-6
    return centre - half, centre + half


def _close_start(samples: Sequence[Point], close: Point) -> float:
    """From when on the magnified panel shows the trace: where it has come for good into its levels."""
    start = 0
    for index, (_, value) in enumerate(samples):
        if not close[0] <= value <= close[1]:
            start = index + 1
    start = min(start, len(samples) - 2)
    return samples[start][0] if start else 0.0
