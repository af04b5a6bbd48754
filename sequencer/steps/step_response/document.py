"""Step responses as JSON values, without their readings: those are in the table."""

import math
from typing import Any

from sequencer.evaluation.figures.step_response import Answer, Estimate
from sequencer.steps.step_response.evaluation import FIGURES, Move

__all__ = ["as_json"]


def as_json(move: Move) -> dict[str, Any]:
    """A move with its figures over the repeats, and each repeat."""
    return {
        "step": move.step,
        "from_pct": move.from_pct,
        "to_pct": move.to_pct,
        "tap": move.tap,
        "unit": move.unit,
        "band_pct": 100 * move.band_frac,
        "hold_s": move.hold_s,
        "aperture_s": move.aperture_s,
        "input_late_at_most_s": move.late_s,
        "left_out_n": move.left_out_n,
        "figures": {name: _estimate(move.estimate(name)) for name in FIGURES},
        "repeats": [_answer(each) for each in move.answers],
    }


def _answer(answer: Answer) -> dict[str, Any]:
    fitted, direct = answer.fitted, answer.direct
    return {
        "readings_n": len(answer.record.values),
        "doubts": [{"kind": each.kind, "words": each.words} for each in answer.doubts],
        "system": None
        if fitted is None
        else {
            "name": fitted.name,
            "weights": dict(fitted.weights),
            "parameters": {name: _estimate(each) for name, each in fitted.parameters.items()},
            "before": fitted.before,
            "step": fitted.step,
            "drift_per_s": fitted.drift_per_s,
            **{name: _estimate(getattr(fitted, name)) for name in FIGURES},
        },
        "readings": None
        if direct is None
        else {
            "first_seen_s": [_number(each) for each in direct.first_seen_s],
            "moving_n": direct.moving_n,
            **{name: _estimate(getattr(direct, name)) for name in FIGURES if name != "dead_time"},
        },
    }


def _estimate(found: Estimate) -> dict[str, Any]:
    """Times in s, an overshoot in fractions of the step; `u` is a standard uncertainty."""
    told: dict[str, Any] = {"value": _number(found.value), "u": _number(found.u)}
    if not found.is_known:
        told |= {"at_most": _number(found.at_most), "reason": found.reason}
    return told


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
