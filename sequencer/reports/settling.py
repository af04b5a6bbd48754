"""One settling as a plot: the trace, the accepted instant, what was still to go, and the value used."""

import math
from collections.abc import Sequence
from dataclasses import replace

from instruments.texts import sized
from sequencer.diagnosis.result import Trace
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.step import READING
from sequencer.reports.as_text import as_pct, fixed, way
from sequencer.reports.drawing.chart import Sample, box_sample, legend_drawing, line_sample
from sequencer.reports.drawing.panel import Panel, Scale
from sequencer.reports.drawing.svg import BAND, DASH, DOWN, FAINT, LIMIT, Look, Point, sentence

__all__ = ["settling_plot", "telling_trace"]

_MOST_SAMPLES = 600
_WAITING, _ENDED = Look(width=1.4), Look(DOWN, DASH, width=1.6)
_TO_GO, _USED = Look(LIMIT, width=1.4), Look(mark="any")


def telling_trace(traces: Sequence[Trace]) -> Trace | None:
    """The settling that tells most: the worst that did not settle, else the slowest reading; None without any."""
    known = [each for each in traces if each.role == READING and len(each.samples) > 1]
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
    used = _value_used(evaluation, trace)
    to_go = trace.to_go if trace.to_go is not None and math.isfinite(trace.to_go) else None
    said = f"{'accepted' if trace.state == 'steady' else 'given up'} after {sized(trace.after_s)} s"
    legend: list[tuple[Sample, str]] = [(line_sample(_WAITING), "readings while waiting"), (line_sample(_ENDED), said)]
    if to_go is not None:
        legend.append((box_sample(BAND, _TO_GO, _TO_GO), f"residual settling error: at most ±{sized(to_go, 2)} {unit}"))
    if used is not None:
        legend.append((line_sample(_USED), f"value used: {fixed(used, _decimals(to_go))} {unit}"))
    place = f"{as_pct(trace.setpoint_pct)}{way(trace.direction)}, cycle {trace.cycle}"
    state = trace.state.replace("never settled", "not settled within the time limit")
    drawing, top = legend_drawing(f"Settling at {place}: {state}, {said}", legend, below=20 + 220 + 46)
    top += 20
    close = _close_reach(samples, samples[-1][1], to_go, used)
    start_s = _close_start(samples, close)
    end_s = max(samples[-1][0], trace.after_s)
    levels = [value for _, value in samples] + ([used] if used is not None else [])
    low, high = min(levels), max(levels)
    margin = 0.07 * (high - low) or (abs(high) or 1.0) / 100
    for times_s, reached, name in (
        (Scale(0.0, 1.04 * end_s, 82, 346), (low - margin, high + margin), "the whole"),
        (Scale(start_s, end_s + 0.06 * (end_s - start_s), 446, 710), close, "its end, magnified"),
    ):
        panel = Panel(drawing, times_s, Scale(*reached, top + 220, top))
        _draw(panel, trace, samples, unit)
        if used is not None and reached[0] <= used <= reached[1]:
            panel.series([(end_s, used)], _USED)
        drawing.text((times_s.at_low, top - 7), name, colour=FAINT)
        panel.edge()
    return drawing.svg()


def _draw(panel: Panel, trace: Trace, samples: Sequence[Point], unit: str) -> None:
    """Band of what was to go, axes, what was sampled inside the panel, and the end of waiting."""
    x, y = panel.x, panel.y
    if trace.to_go is not None and math.isfinite(trace.to_go):
        upper, lower = (samples[-1][1] + sign * trace.to_go for sign in (1, -1))
        panel.area([(x.low, upper), (x.high, upper)], [(x.low, lower), (x.high, lower)], fill=BAND, look=_TO_GO)
    panel.frame("Time since the setpoint change in s", f"Output in {unit}", most_x=6)
    inside = [each for each in samples if x.low <= each[0] <= x.high]
    shown = [(at_s, level if y.low <= level <= y.high else math.nan) for at_s, level in _thinned(inside)]
    panel.series(shown, replace(_WAITING, mark="dot" if len(inside) <= 60 else ""))
    panel.series([(trace.after_s, y.low), (trace.after_s, y.high)], _ENDED)


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
