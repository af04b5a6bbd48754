"""The verdict with what the steps beside the traverse found to be within their limits, or not; or by these alone."""

import math
from collections.abc import Sequence
from dataclasses import replace

from instruments.texts import counted, sized
from sequencer.evaluation.stage_errors import Result
from sequencer.evaluation.verdict import Verdict
from sequencer.inputs.step import Judged, Seen, registry
from sequencer.readings.table import valid_rows

__all__ = [
    "NOTHING_JUDGED",
    "by_limits_alone",
    "is_within",
    "limit_words",
    "unread",
    "with_left_out",
    "with_limits",
    "with_reservations",
]

_MOST_NAMED = 4
_RULE = (
    "a result is within its limit, or beyond it, where it is with its U, and else not determinable; where no U is "
    "known the result decides alone"
)
NOTHING_JUDGED = "nothing is judged: no traverse is held against the tolerance, and no step states a limit"


def by_limits_alone(
    limits: Sequence[Judged], *, without: str = "", unfinished: str = "", reservations: Sequence[str] = ()
) -> Verdict:
    """The verdict of a run that has no traverse: that of the limits which its steps state, if any does.

    Args:
        limits: results of steps that have one.
        without: why limits that are kept are no verdict, "" if they are one.
        unfinished: why the run did not finish, "" if it did; it cannot pass then.
        reservations: what makes a pass weaker than it looks.
    """
    obstacle = without or (f"the run did not finish ({unfinished})" if unfinished else "")
    if not limits and not obstacle:
        return Verdict(result="not determinable", reason=NOTHING_JUDGED, rule=_RULE)
    if obstacle or any(each.is_met is not True for each in limits):
        rest = [each for each in limits if each.is_met is not True]
        missed = [each for each in rest if each.is_met is False]
        open_ = _named(rest, "not determinable", whose="its steps") if rest and not missed else ""
        said = (_named(missed, "not within its limit", whose="its steps") if missed else "", open_, obstacle)
        result: Result = "fail" if missed else "not determinable"
        return Verdict(result=result, reason="; ".join(filter(None, said)), rule=_RULE)
    kept = f"every limit kept: {_listed(limits)}"
    if not reservations:
        return Verdict(result="pass", reason=kept, rule=_RULE)
    reason = f"{kept}; with reservation: {'; '.join(reservations)}"
    return Verdict(result="conditional pass", reason=reason, rule=_RULE, reservations=tuple(reservations))


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
        return replace(verdict, result="fail", reason=f"{_named(missed, 'not within its limit')}{others}", accepted="")
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
    return with_reservations(verdict, (f"in part, left out: {left_out}",) if left_out else ())


def with_reservations(verdict: Verdict, more: Sequence[str]) -> Verdict:
    """The verdict with what makes a pass weaker than it looks: it is a conditional one then.

    Args:
        verdict: without.
        more: a sentence each.
    """
    if not more or verdict.result not in {"pass", "conditional pass"}:
        return verdict
    joint = "; " if verdict.reservations else "; with reservation: "
    return replace(
        verdict,
        result="conditional pass",
        reason=f"{verdict.reason}{joint}{'; '.join(more)}",
        reservations=(*verdict.reservations, *more),
    )


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


def unread(seen: Seen) -> list[Judged]:
    """The limits of steps of which no reading has a value: they are open, whatever the step makes of nothing."""
    kinds = {step.settings: (name, step) for name, step in registry().items()}
    rows = valid_rows(seen.table)
    has_value = rows["value"].notna() & (rows["tap"] == seen.sheet.taps[-1].name)
    read = {int(number) for number in rows.loc[has_value, "step"].dropna().unique()}
    found = []
    for number, settings in sorted(seen.settings.items()):
        name, step = kinds.get(type(settings), ("", None))
        if step is not None and number not in read and step.states_limit(settings):
            said = f"step {number}, {name.replace('_', ' ')}"
            reason = "no reading of it has a value"
            found.append(Judged(name=said, value=math.nan, unit="", limit="its limit", is_met=None, reason=reason))
    return found


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


def _named(limits: Sequence[Judged], what: str, *, whose: str = "other steps") -> str:
    return f"{counted(len(limits), 'result')} of {whose} {what}: {_listed(limits)}"


def _listed(limits: Sequence[Judged]) -> str:
    said = "; ".join(f"{_valued(each)}, {each.limit}{f', {each.reason}' if each.reason else ''}"
                     for each in limits[:_MOST_NAMED])  # fmt: skip
    return said + (f" and {len(limits) - _MOST_NAMED} more" if len(limits) > _MOST_NAMED else "")
