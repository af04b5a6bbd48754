"""Levels in steps: a converter of few bits, a counter of whole pulses, a display of few digits."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from instruments.datasheet import FloatArray
from instruments.texts import sized
from sequencer.diagnosis.causes.lines import is_last_stage
from sequencer.diagnosis.causes.pulses import RATES
from sequencer.diagnosis.model.cause import Cause, Sizes
from sequencer.diagnosis.model.lattice import STEPS_PARTS_N, most_steps
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Equation, Segment

__all__ = ["CAUSES"]

_ROUNDED = (0.0, 0.5)  # down, or to the next
_WIDER = 1.05  # of the last digit that was written: a step of its own


def _steps(segment: Segment, _stage: int) -> Sizes:
    """Steps that the readings lie on, as fraction of the span, how they are rounded, and where the first one lies."""
    start = np.concatenate([np.insert(segment.steps, 1, each, axis=1) for each in _ROUNDED])
    # Any number of steps in the range is as probable, and near an edge either step.
    tried = np.log(max(most_steps(segment.tolerance), 1.0) * STEPS_PARTS_N * len(_ROUNDED))
    ideal = segment.ideal[segment.is_read]

    def log_prior(theta: FloatArray) -> FloatArray:
        low, high = (_step_of(ideal, theta, segment.tolerance, way) for way in (-1, 1))
        return np.asarray(-tried - np.log(2.0) * (low < high).sum(axis=1))

    return Sizes(
        start=start,
        log_prior=log_prior,
        is_free=(False, False, False),
        low=(-np.inf, -np.inf, -np.inf),
        high=(np.inf, np.inf, np.inf),
    )


def _own_steps(segment: Segment, stage: int) -> Sizes:
    """The same without steps that are no more than the last digit that was written."""
    every = _steps(segment, stage)
    return replace(every, start=every.start[every.start[:, 0] > _WIDER * segment.shown_step])


def _counted_steps(segment: Segment, stage: int) -> Sizes:
    """Those of a rate are shown as they are counted."""
    return (_steps if segment.after.unit in RATES else _own_steps)(segment, stage)


def _stepped(theta: FloatArray, segment: Segment, _stage: int) -> Equation:
    """The step that the reading is on, of those that a good unit could be on there; that of the input if not read."""
    step, beside = theta[:, :1], theta[:, 2:3]

    def equation(level: FloatArray) -> FloatArray:
        frac = segment.after.fraction(level)
        low, at, high = (_step_of(frac, theta, segment.tolerance, way) for way in (-1, 0, 1))
        seen = np.where(np.isfinite(segment.y), np.round((segment.y - beside) / step), at)
        return segment.after.value(beside + step * np.clip(seen, low, high))

    return equation


def _step_of(frac: FloatArray, theta: FloatArray, tolerance: float, way: int) -> FloatArray:
    """The number of the step, with all that a good unit may be off below (-1) or above (+1)."""
    step, shift = theta[:, :1], theta[:, 1:2]
    slack = np.minimum(PRIORS.steps.edge_tolerance * tolerance, PRIORS.steps.edge_step * step)
    return np.asarray(np.floor((frac + way * slack) / step + shift))


def _text(theta: FloatArray, segment: Segment, stage: int) -> str:
    tap = segment.sheet.taps[stage + 1]
    how = "rounded down" if theta[1] == 0 else "rounded"
    return f"in steps of {sized(theta[0] * abs(tap.span))} {tap.unit} ({sized(100 * theta[0], 2)} % of span), {how}"


def _counted(theta: FloatArray, segment: Segment, stage: int) -> str:
    before, after = segment.sheet.taps[stage : stage + 2]
    if after.unit in RATES:
        return f"counted {_text(theta, segment, stage)}"
    count = f"{sized(theta[0] * abs(before.span))} {before.unit}"
    return f"the input is counted in steps of {count}: the output moves {_text(theta, segment, stage)}"


def _is_counted(segment: Segment, stage: int) -> bool:
    return any(tap.unit in RATES for tap in segment.sheet.taps[stage : stage + 2])


def _lies_on(steps: Callable[[Segment, int], Sizes]) -> Callable[[Segment, int], bool]:
    return lambda segment, stage: is_last_stage(segment, stage) and len(steps(segment, stage).start) > 0


def _is_shown_in_steps(segment: Segment, stage: int) -> bool:
    """The readings lie on steps, and what a person wrote down has no digits beyond them."""
    if not _lies_on(_steps)(segment, stage):
        return False
    finest = float(segment.steps[:, 0].min()) * PRIORS.scatter.finer_share
    return not 0 < segment.shown_step < finest


CAUSES: tuple[Cause, ...] = (
    Cause(
        name="output steps",
        place="level",
        make=_stepped,
        is_last=True,
        sizes=_own_steps,
        say=lambda t, s, k: f"moves {_text(t, s, k)}",
        check="Step the input by a quarter of that: the output stays, then jumps. Read resolution and filter settings.",
        applies=lambda s, k: _lies_on(_own_steps)(s, k) and not _is_counted(s, k),
        is_behind=True,
        rough=(),
    ),
    Cause(
        name="gate quantisation",
        place="level",
        make=_stepped,
        is_last=True,
        sizes=_counted_steps,
        say=_counted,
        check="Lengthen the gate, or measure the period: ten times the gate is a tenth of the step.",
        applies=lambda s, k: _lies_on(_counted_steps)(s, k) and _is_counted(s, k),
        weight=2.0,
        is_behind=True,
        rough=(),
    ),
    Cause(
        name="meter resolution",
        place="reading",
        make=_stepped,
        sizes=_steps,
        say=lambda t, s, k: f"reads {_text(t, s, k)}",
        check="Set the lowest range that holds the signal: a tenth of the tolerance is needed.",
        applies=_is_shown_in_steps,
        is_of_bench=True,
        is_behind=True,
        rough=(),
    ),
)
