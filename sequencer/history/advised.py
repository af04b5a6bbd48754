"""Which calibration interval the history of one unit speaks for, by each method of ILAC-G24 / OIML D 10 that it allows.

It advises; whether that may be printed is for whoever prints it (ISO/IEC 17025:2017, 7.8.4.3).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from instruments.texts import counted
from sequencer.history.interval import IN_FRAC, LEAST_N, SOURCE, AsFound, exponential, reliability, staircase
from sequencer.history.timeline import YEAR_S, PointDrift, Run, Timeline

__all__ = ["Advice", "Method", "advised"]

_MONTH_YEARS = 1 / 12
_LEAST_SHARED_N = 10
_LEAST_MONTHS, _MOST_MONTHS = 1.0, 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """What one method says: months, 0 = none at all, NaN where it cannot say anything, and why in words."""

    name: str
    months: float
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Advice on the interval.

    Attributes:
        months: the shortest that a method gives; 0 = none, it is adjusted before it goes back; NaN where there is too
            little to go on, which `said` says.
        months_adjusted: the shortest of the others, from an adjustment on; NaN where none was asked for, or none says.
        target: reliability, the share to be found in tolerance.
        methods: each with its own answer.
        said: in a sentence.
        source: whose methods.
    """

    months: float
    target: float
    methods: tuple[Method, ...]
    said: str
    months_adjusted: float = math.nan
    source: str = SOURCE


def advised(history: Timeline, *, target: float = 0.95) -> Advice:
    """The advice; "too few" below three as-found runs with a run before them.

    A unit that stands out of tolerance, or that has no room for its drift, gets none before it is adjusted.
    """
    runs = history.counted
    spells = _spells(runs)
    methods: tuple[Method, ...] = ()
    if len(spells) >= LEAST_N:
        methods = (_by_drift(history.first_to_meet), _by_staircase(spells), _by_reliability(spells, target))
    if bars := _bars(runs, methods):
        # An adjustment takes the error away, and the drift stays: it eats the room again.
        again = (_by_drift(history.first_adjusted), *methods[1:]) if methods else ()
        return _none(bars, again, runs[-1], methods, target)
    later = _shortest(methods)
    if not methods:
        runs_n = counted(len(spells), "run")
        said = f"too few: {runs_n} as found after an earlier run, {LEAST_N} are the least to advise from"
        return Advice(months=math.nan, target=target, methods=(), said=said)
    if later is None:
        return Advice(
            months=math.nan, target=target, methods=methods, said="no method gives an interval from these runs"
        )
    months = _within(later.months)
    said = f"{counted(round(months), 'month')}, the shortest of what the methods give: {later.name}"
    return Advice(months=months, target=target, methods=methods, said=said)


def _bars(runs: Sequence[Run], methods: Sequence[Method]) -> str:
    """Why there is no interval at all as the unit stands now; "" = there may be one."""
    if runs and _is_out(runs[-1]):
        return "it was out of tolerance when it was measured last"
    return next((each.said for each in methods if each.months <= 0), "")


def _shortest(methods: Sequence[Method]) -> Method | None:
    return min((each for each in methods if each.months > 0), key=lambda each: each.months, default=None)


def _none(bars: str, again: Sequence[Method], last: Run, methods: tuple[Method, ...], target: float) -> Advice:
    """No interval as the unit stands, and which one from an adjustment on, by what the methods say of it."""
    later = None if any(each.months <= 0 for each in again) else _shortest(again)
    months = math.nan if later is None else _within(later.months)
    if last.state == "as left":
        todo = "adjust it again, or find why it leaves no room, before it goes back"
    else:
        todo = "adjust before it goes back"
    after = "" if later is None else f"; then {counted(round(months), 'month')}: {later.name}"
    said = f"none: {todo}{after}. {bars[:1].upper()}{bars[1:]}"
    return Advice(months=0.0, target=target, methods=methods, said=said, months_adjusted=months)


def _within(months: float) -> float:
    return min(max(months, _LEAST_MONTHS), _MOST_MONTHS)


def _is_out(run: Run) -> bool:
    return run.is_out or run.used_pct > 100


@dataclass(frozen=True, slots=True)
class _Spell:
    """From one run to the next as found: months, and how it was found."""

    months: float
    found: AsFound


def _spells(runs: Sequence[Run]) -> list[_Spell]:
    spells = []
    for before, run in pairwise(runs):
        months = (run.at - before.at).total_seconds() / YEAR_S / _MONTH_YEARS
        # Minutes after a run, the next one says nothing of an interval.
        if run.state == "as left" or not math.isfinite(run.used_pct) or months < 0.1:
            continue
        spells.append(_Spell(months, "out" if _is_out(run) else "in" if run.used_pct <= 100 * IN_FRAC else "between"))
    return spells


def _by_drift(found: PointDrift | None) -> Method:
    name = "control chart, by drift (6.3)"
    if found is None:
        return Method(name=name, months=math.nan, said="no drift can be told yet")
    where = f"{found.setpoint_pct:g} %{f' {found.direction}scale' if found.direction else ''}"
    if found.line.is_before_repair:
        where += " (by its drift before the last repair)"
    if found.meets_years <= 0:
        said = (
            f"the 95 % interval of one further reading at {where} is beyond the tolerance at once: no room for a drift"
        )
        return Method(name=name, months=0.0, said=said)
    if not math.isfinite(found.meets_years):
        return Method(
            name=name, months=_MOST_MONTHS, said=f"the error at no point nears its tolerance; next is {where}"
        )
    months = found.meets_years / _MONTH_YEARS
    said = f"the 95 % interval of one further reading at {where} meets the tolerance after {months:.1f} months"
    return Method(name=name, months=months, said=said)


def _by_staircase(spells: Sequence[_Spell]) -> Method:
    steps = staircase([each.found for each in spells], spells[0].months, lasted=[each.months for each in spells])
    told = ", ".join(each.found for each in spells)
    return Method(
        name="automatic adjustment, staircase (6.2)",
        months=steps[-1],
        said=f"from {spells[0].months:.1f} months: found {told}; in (within 80 %) allows 1.25 times what it was away, "
        "out takes 0.6",
    )


def _by_reliability(spells: Sequence[_Spell], target: float) -> Method:
    name = "share found in tolerance (6.6)"
    share = reliability(sum(each.found != "out" for each in spells), len(spells))
    mean = sum(each.months for each in spells) / len(spells)
    is_all = share.within == share.of
    said = (
        f"{share.within} of {share.of} in tolerance (90 % interval {100 * share.low:.0f} to {100 * share.high:.0f} %)"
    )
    if len(spells) < _LEAST_SHARED_N:
        return Method(
            name=name, months=math.nan, said=f"{said}: fewer than {_LEAST_SHARED_N} runs say too little of a share"
        )
    if is_all:
        return Method(
            name=name, months=math.nan, said=f"{said}: with none out, one unit says nothing of {100 * target:g} %"
        )
    months = exponential(mean, share.observed, target)
    return Method(name=name, months=months, said=f"{said} after {mean:.1f} months; target {100 * target:g} %")
