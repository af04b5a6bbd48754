"""The change of the output at each input against the level of a quantity."""

import numpy as np

from sequencer.reports.drawing.chart import legend_drawing, line_sample
from sequencer.reports.drawing.panel import Panel, Scale, reach
from sequencer.reports.drawing.svg import DASH, DOWN, FINE_DASH, GREY, INK, LIMIT, UP, Look, sentence
from sequencer.steps.influence.evaluation import Influence

__all__ = ["influence_plot"]

_HEIGHT = 240.0
_LOOKS = (
    Look(UP, "none", "up", 1.6),
    Look(DOWN, DASH, "down", 1.6),
    Look(INK, FINE_DASH, "dot", 1.6),
    Look(GREY, "none", "any", 1.6),
)


def influence_plot(found: Influence) -> str:
    """A line for each input, the reference among its levels at zero, with the limit where there is one."""
    outputs = [each for each in found.outputs if np.isfinite(each.effect.change).any()]
    if not outputs:
        return sentence("Nothing was found to draw.")
    shown = outputs if len(outputs) <= len(_LOOKS) else [outputs[0], outputs[len(outputs) // 2], outputs[-1]]
    legend = [(line_sample(look), each.name) for look, each in zip(_LOOKS, shown, strict=False)]
    limit = found.at_most_pct
    if limit is not None:
        legend.append((line_sample(Look(LIMIT, width=1.4)), "limit"))
    drawing, top = legend_drawing(f"Influence of {found.quantity}", legend, below=_HEIGHT + 60)
    levels = [float(each) for one in shown for each in one.effect.levels] + [found.reference]
    ends = [
        float(value)
        for one in shown
        for change, U in zip(one.effect.change, one.effect.U, strict=True)
        if np.isfinite(change)
        for value in (change - U, change + U)
    ]
    ends += [0.0] if limit is None else [0.0, limit, -limit]
    low, high = reach(ends, least=1e-6)
    left, right = reach(levels, least=1e-6, pad=0.04)
    panel = Panel(drawing, Scale(left, right, 92, 704), Scale(low, high, top + _HEIGHT, top))
    panel.frame(f"{found.quantity} in {found.unit}", "Change in % of span")
    for bound in () if limit is None else (-limit, limit):
        panel.series([(left, bound), (right, bound)], Look(LIMIT, width=1.4))
    for number, (look, each) in enumerate(zip(_LOOKS, shown, strict=False)):
        effect = each.effect
        points = [
            (float(level), float(change), float(U))
            for level, change, U in zip(effect.levels, effect.change, effect.U, strict=True)
            if np.isfinite(change)
        ]
        points = sorted([*points, (found.reference, 0.0, 0.0)])
        for level, change, U in points:
            if U > 0:
                panel.span(level, (change - U, change + U), colour=look.colour, aside=2.5 * (number - 1))
        panel.series([(level, change) for level, change, _ in points], look)
    panel.edge()
    return drawing.svg()
