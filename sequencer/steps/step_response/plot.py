"""A step response as a plot: readings, the system that fits, the band and the times that are told."""

import math

import numpy as np

from sequencer.reports.drawing.chart import Sample, box_sample, legend_drawing, line_sample
from sequencer.reports.drawing.panel import Panel, Scale
from sequencer.reports.drawing.svg import BAND, DASH, DOWN, FAINT, FINE_DASH, INK, LIMIT, UP, Drawing, Look, sentence
from sequencer.steps.step_response.evaluation import Move
from sequencer.steps.step_response.limits import place_of

__all__ = ["step_plot"]

_HEIGHT = 230.0
_BELOW = 66.0
_MOST_POINTS = 1500
_EDGE = Look(LIMIT, width=0.8)
_CURVE = Look(UP, width=1.6)
_ASIDE = 6.0
"""T63 times that the plot shows before the rest is cut off."""


def step_plot(move: Move) -> str:
    """The repeat that is shown: readings in time, the fitted system seen through the same aperture, and its times."""
    answer = move.shown
    record, levels = answer.record, answer.levels
    if levels is None or len(record.values) < 2:
        return sentence("Too few readings to draw.")
    times, values = record.times_s, record.values
    legend: list[tuple[Sample, str]] = [(line_sample(Look(mark="dot")), f"readings, first of {len(move.answers)}")]
    if len(move.answers) == 1:
        legend = [(line_sample(Look(mark="dot")), "readings")]
    fitted = answer.fitted
    if fitted is not None:
        legend.append((line_sample(_CURVE), f"{fitted.name}, seen through the aperture"))
    band_label = f"{100 * move.band_frac:g} % of the step about its end"
    legend.append((box_sample(BAND, _EDGE, _EDGE), band_label))
    marks = [(name, found.value) for name in ("T63", "settling") if (found := answer.estimate(name)).is_known]
    looks = {"T63": Look(INK, DASH, width=1.0), "settling": Look(DOWN, FINE_DASH, width=1.4)}
    legend += [(line_sample(looks[name]), "settling time" if name == "settling" else name) for name, _ in marks]
    drawing, top = legend_drawing(f"Step response {place_of(move)}, {move.tap}", legend, below=_HEIGHT + _BELOW)
    end_s = _end_s(times, dict(marks))
    shown = (times <= end_s) & (times >= -0.15 * end_s)
    panel = _panel(drawing, times[shown], values[shown], end_s=end_s, top=top)
    after = levels.after if fitted is None else fitted.before + fitted.step
    step = levels.step if fitted is None else fitted.step
    wide = abs(step) * move.band_frac
    edges = [[(0.0, after + sign * wide), (panel.x.high, after + sign * wide)] for sign in (1, -1)]
    panel.area(edges[0], edges[1], fill=BAND)
    panel.frame("Time since the input was set, in s", f"{move.tap} in {move.unit}", most_x=8, most_y=7)
    for edge in edges:
        panel.series(panel.inside(edge), _EDGE)
    panel.series([(0.0, panel.y.low), (0.0, panel.y.high)], Look(FAINT, width=1.0))
    for name, at_s in marks:
        if at_s <= panel.x.high:
            panel.series([(at_s, panel.y.low), (at_s, panel.y.high)], looks[name])
    every = math.ceil(int(shown.sum()) / _MOST_POINTS)
    pairs = zip(times[shown][::every].tolist(), values[shown][::every].tolist(), strict=True)
    panel.series(list(pairs), Look(mark="dot"))
    if fitted is not None:
        fine = np.linspace(panel.x.low, panel.x.high, 500)
        curve = fitted.before + fitted.step * fitted.shape.seen(fine, record.aperture_s, record.rise_s)
        curve = curve + fitted.drift_per_s * np.maximum(fine, 0.0)
        panel.series(panel.inside(list(zip(fine.tolist(), curve.tolist(), strict=True))), _CURVE)
    panel.edge()
    return drawing.svg()


def _end_s(times: np.ndarray, marks: dict[str, float]) -> float:
    """Where the plot ends: a long time at rest would leave no room for the move."""
    last_s = float(times[-1])
    told_s = [2 * marks["settling"]] if "settling" in marks else [_ASIDE * marks["T63"]] if "T63" in marks else []
    return min([last_s, *(each for each in told_s if each > 0)])


def _panel(drawing: Drawing, times: np.ndarray, values: np.ndarray, *, end_s: float, top: float) -> Panel:
    low, high = float(np.min(values)), float(np.max(values))
    margin = 0.06 * (high - low) or 1e-6
    x = Scale(float(min(times.min(), 0.0)), max(end_s, 1e-9), 92, 704)
    return Panel(drawing, x, Scale(low - margin, high + margin, top + 14 + _HEIGHT, top + 14))
