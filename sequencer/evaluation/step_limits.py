"""The verdict with what the steps beside the traverse found to be within their limits, or not."""

import math
from collections.abc import Sequence
from dataclasses import replace

from instruments.texts import counted, sized
from sequencer.evaluation.verdict import Verdict
from sequencer.inputs.step import Judged

__all__ = ["is_within", "limit_words", "missed_words", "with_left_out", "with_limits"]

_MOST_NAMED = 4


def with_limits(verdict: Verdict, limits: Sequence[Judged]) -> Verdict:
    """The verdict over the traverse and every limit of a step: one that is not met fails, one not told leaves it open.

    Args:
        verdict: by figures and points.
        limits: results of steps that have one.
    """
    missed = [each for each in limits if each.is_met is False]
    open_ = [each for each in limits if each.is_met is None]
    if missed:
        others = "" if verdict.result in {"pass", "conditional pass"} else f"; {verdict.reason}"
        result = verdict.result if verdict.result == "fail" else "fail"
        return replace(verdict, result=result, reason=f"{_named(missed, 'not within its limit')}{others}", accepted="")
    if open_ and verdict.result in {"pass", "conditional pass"}:
        reason = f"{_named(open_, 'not determinable')}; {verdict.reason}"
        return replace(verdict, result="not determinable", reason=reason, accepted="")
    if limits and not open_ and verdict.result in {"pass", "conditional pass"}:
        return replace(verdict, reason=f"{verdict.reason}; {counted(len(limits), 'further limit')} kept")
    return verdict


def with_left_out(verdict: Verdict, left_out: str) -> Verdict:
    """The verdict of a run that took its sequence in part: none is a plain pass.

    Args:
        verdict: over what was taken.
        left_out: the steps that were not, in words; "" = none.
    """
    if not left_out or verdict.result not in {"pass", "conditional pass"}:
        return verdict
    said = f"in part, left out: {left_out}"
    joint = "; " if verdict.reservations else "; with reservation: "
    return replace(
        verdict,
        result="conditional pass",
        reason=f"{verdict.reason}{joint}{said}",
        reservations=(*verdict.reservations, said),
    )


def missed_words(limits: Sequence[Judged]) -> str:
    """The limits that are not kept, in words; "" if all are, or none can be told."""
    missed = [each for each in limits if each.is_met is False]
    return _named(missed, "not within its limit") if missed else ""


def is_within(value: float, U: float, most: float) -> bool | None:
    """Whether a size is at most so much: with U within it, beyond it, or neither, which is None; NaN is None.

    Args:
        value: not negative.
        U: expanded uncertainty, NaN = not known: then the size decides alone.
        most: the limit.
    """
    if math.isnan(value):
        return None
    U = 0.0 if math.isnan(U) else U
    return True if value + U <= most else False if value - U > most else None


def limit_words(each: Judged) -> str:
    """A result with its limit, and whether that is kept."""
    told = {True: "kept", False: "NOT kept", None: "not determinable"}[each.is_met]
    why = f", {each.reason}" if each.reason else ""
    return f"{_valued(each)}, {each.limit}: {told}{why}"


def _valued(each: Judged) -> str:
    if math.isnan(each.value):
        return f"{each.name} not found"
    known = "" if math.isnan(each.U) else f" (U = {sized(each.U, 2)} {each.unit})"
    return f"{each.name} {sized(each.value, 4)} {each.unit}{known}"


def _named(limits: Sequence[Judged], what: str) -> str:
    said = "; ".join(f"{_valued(each)}, {each.limit}{f', {each.reason}' if each.reason else ''}"
                     for each in limits[:_MOST_NAMED])  # fmt: skip
    more = f" and {len(limits) - _MOST_NAMED} more" if len(limits) > _MOST_NAMED else ""
    return f"{counted(len(limits), 'result')} of other steps {what}: {said}{more}"
