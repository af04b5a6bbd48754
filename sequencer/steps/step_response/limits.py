"""Figures of a step response against what they may be at most."""

import math

from instruments.texts import sized
from sequencer.evaluation.figures.step_response import Estimate
from sequencer.evaluation.step_limits import is_within
from sequencer.inputs.step import Judged
from sequencer.reports.as_text import as_pct
from sequencer.reports.terminal.lines import MINUS
from sequencer.steps.step_response.evaluation import FIGURES, Move

__all__ = ["NAMES", "judged", "place_of", "values"]

NAMES = {
    "dead_time": "dead time",
    "T63": "T63",
    "rise": "10-90 % time",
    "settling": "settling time",
    "overshoot": "overshoot",
}


def place_of(move: Move, *, minus: str = MINUS) -> str:
    """A move in words: "10 % to 90 %"."""
    return f"{as_pct(move.from_pct, minus=minus)} to {as_pct(move.to_pct, minus=minus)}"


def judged(moves: tuple[Move, ...]) -> tuple[Judged, ...]:
    """Every figure that has a limit, of every move, its worst repeat against the limit."""
    return tuple(_judged(move, figure, limit) for move in moves for figure, limit in move.limits)


def values(moves: tuple[Move, ...]) -> tuple[Judged, ...]:
    """Every figure of every move that is known, as a number, the mean of its repeats."""
    found = []
    for move in moves:
        for figure in FIGURES:
            estimate = move.estimate(figure)
            if estimate.is_known:
                factor, unit = _scale(figure)
                found.append(
                    Judged(
                        name=f"{NAMES[figure]}, {place_of(move)}",
                        value=factor * estimate.value,
                        U=2 * factor * estimate.u,
                        unit=unit,
                        limit="",
                        is_met=None,
                    )
                )
    return tuple(found)


def _scale(figure: str) -> tuple[float, str]:
    return (100.0, "% of the step") if figure == "overshoot" else (1.0, "s")


def _judged(move: Move, figure: str, limit: float) -> Judged:
    """Kept only where the whole uncertainty lies below the limit, not kept where it lies above."""
    factor, unit = _scale(figure)
    found = _worst([answer.estimate(figure) for answer in move.answers])
    U = 2 * found.u
    reason, value, is_met = found.reason, found.value, None
    if found.is_known:
        is_met = is_within(value, U, limit)
        if is_met is None:
            reason = "nearer to the limit than its uncertainty"
    elif math.isfinite(found.at_most):
        value = found.at_most  # it is no larger
        is_met = True if found.at_most <= limit else None
    bound = ", below" if not found.is_known and math.isfinite(found.at_most) else ""
    return Judged(
        name=f"{NAMES[figure]}, {place_of(move)}{bound}",
        value=factor * value,
        U=factor * U,
        unit=unit,
        limit=f"at most {sized(factor * limit, 4)} {unit.split()[0]}",
        is_met=is_met,
        reason="" if is_met is not None else reason,
    )


def _worst(found: list[Estimate]) -> Estimate:
    """The largest; one that has no bound at all is worse than any."""
    unknown = [each for each in found if not each.is_known and not math.isfinite(each.at_most)]
    if unknown:
        return unknown[0]
    return max(found, key=lambda each: each.value if each.is_known else each.at_most)
