"""The resolution: the smallest change of the input, going on in one direction, that always shows at the output.

Between two steps of the output the input moves without an answer. So from a place the first step is looked for, then,
from just beyond it, the next one: the travel between the two is what the output did not show. Where readings go to and
fro at such a beginning, the input stands on the step itself, and a change from there is none that can be told: the next
one is looked for from a little farther on.
"""

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import pandas as pd
from scipy import special

from instruments.datasheet import DataSheet
from sequencer.evaluation.moved import Visit
from sequencer.evaluation.searched import Place, places, settings_n
from sequencer.evaluation.threshold import Found, Move, Wanted, found_of, next_move
from sequencer.inputs.step import RESOLUTION, RESOLUTION_START, Receivers

__all__ = ["START", "Next", "Resolution", "interval_of", "next_visit", "resolutions"]

START = ("role", RESOLUTION_START)
"""Column, and what it says of a visit from which the input goes on."""
_NEAR_PCT = 1e-6
_SURE = 5.0  # standard deviations that no noise of a search reaches
_ON_A_STEP = 2.0  # times the scatter elsewhere, that readings go to and fro by
_BY_CHANCE = 1e-4  # that white noise alone scatters so much more
_MOST_RESTARTS = 3
_JUMPS = 0.75  # of the way since the last step, that a step makes up


@dataclass(frozen=True, slots=True, kw_only=True)
class Resolution:
    """The resolution at one place, % of the input span; NaN = not determinable.

    Attributes:
        at_pct: where the input went on from, % of its range.
        middle_pct: the middle of the interval.
        within_pct: half the interval.
        low_pct: its lower end; 0 = no step was seen.
        high_pct: its upper end.
        confidence: that the interval holds the resolution, at all places together.
        most_pct: how far the input went on at most for a step.
        is_never: the output stayed where it was that far; False with NaN = noise hides whether it did.
        is_steady: every approach is explained by one step; else it is the largest of them.
        step: of the output, in its unit, where it jumps; NaN = it does not, or it cannot be told.
        step_unit: that unit.
        noise_pct: standard deviation of a reading.
        is_noise_bound: noise and digits, and not what was wanted, make the interval as wide as it is.
        is_wandering: the output drifted or wandered while it was searched, more than its noise explains.
        settings_n: how often the input was set and read there.
        limit_pct: that it is to keep; None = there is none.
    """

    at_pct: float
    middle_pct: float
    within_pct: float
    low_pct: float
    high_pct: float
    confidence: float
    most_pct: float
    is_never: bool
    is_steady: bool
    step: float
    step_unit: str
    noise_pct: float
    is_noise_bound: bool
    is_wandering: bool
    settings_n: int
    limit_pct: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Next:
    """The next visit at a place.

    Attributes:
        move: where to.
        from_pct: where the travel begins, % of the input range.
        approach: it belongs to, from 1, of that beginning.
    """

    move: Move
    from_pct: float
    approach: int


def _halves(wanted: Wanted) -> tuple[Wanted, Wanted]:
    """What is looked for at the first step and at the next: each has half the interval and half of the error rate."""
    half = replace(wanted, alpha=wanted.alpha / 2, within=wanted.within / 2, floor=wanted.floor / 2)
    return replace(half, repeats=1, is_step=True), half


def _own(at_pct: float, wanted: Wanted, known: tuple[Place, ...]) -> tuple[Place, ...]:
    """The beginnings at a place: itself, then just beyond the first step; another place is twice the most away."""
    near = [each for each in known if -_NEAR_PCT <= each.at_pct - at_pct < 2 * wanted.most - _NEAR_PCT]
    return tuple(sorted(near, key=lambda each: each.at_pct))


def _is_on_a_step(place: Place, travel: float, own: tuple[Place, ...]) -> bool:
    """Whether readings at a travel go to and fro by far more than elsewhere, and than one digit."""
    at_pct = place.at_pct + travel
    there: list[Visit] = []
    others: list[Visit] = []
    for each in own:
        for visit in each.visits:
            is_there = abs(each.at_pct + visit.travel - at_pct) < _NEAR_PCT
            (there if is_there else others).append(visit)
    dof = sum(visit.readings_n - 1 for visit in others)
    if not dof:
        return False
    usual = max(_usual_sd(others, dof), place.digit / math.sqrt(12))  # few readings may stand on one digit by chance
    return any(
        visit.sd > max(_ON_A_STEP * usual, place.digit, _NEAR_PCT)
        and visit.sd**2 > usual**2 * float(special.fdtri(visit.readings_n - 1, dof, 1 - _BY_CHANCE))
        for visit in there
        if visit.readings_n > 1
    )


def _usual_sd(visits: list[Visit], dof: int) -> float:
    """Of the middle reading when visits stand in order of their scatter: some of them may stand on a step, too."""
    passed = 0
    for visit in sorted(visits, key=lambda each: each.sd):
        passed += visit.readings_n - 1
        if 2 * passed >= dof:
            return visit.sd
    return 0.0


def next_visit(at_pct: float, wanted: Wanted, known: tuple[Place, ...]) -> Next | None:
    """Where to go next for one place; None when it is done.

    Args:
        at_pct: the place, % of the input range.
        wanted: what is looked for there, whole.
        known: of `places`, of the whole search.
    """
    first, then = _halves(wanted)
    own = _own(at_pct, wanted, known)
    if not all(each.is_read and each.visits for each in own):
        return None  # without a value there is nothing to choose by
    if not own:
        return Next(move=_moved((), 0.0, first), from_pct=at_pct, approach=1)
    start, last = own[0], own[-1]
    if len(own) <= _MOST_RESTARTS + 1 and last.at_pct < at_pct + wanted.most and _is_on_a_step(last, 0.0, own):
        return Next(move=_moved((), 0.0, then), from_pct=last.at_pct + then.floor, approach=1)
    if len(own) == 1:
        move = next_move(start.visits, start.digit, first, is_there=start.is_there)
        if move is not None:
            return _next(move, start)
        moved = found_of(start.visits, start.digit, first).moved
        if math.isnan(moved):
            return None
        if _is_on_a_step(start, moved, own):
            moved = min(moved + then.floor, wanted.most)
        return Next(move=_moved((), 0.0, then), from_pct=at_pct + moved, approach=1)
    move = next_move(last.visits, last.digit, _as_far(then, at_pct, last), is_there=last.is_there)
    return None if move is None else _next(move, last)


def _as_far(wanted: Wanted, at_pct: float, place: Place) -> Wanted:
    """No farther from a place than twice the most, wherever the next step is looked for from."""
    return replace(wanted, most=min(wanted.most, 2 * wanted.most - (place.at_pct - at_pct)))


def _moved(visits: tuple[Visit, ...], digit: float, wanted: Wanted) -> Move:
    move = next_move(visits, digit, wanted)
    assert move is not None  # nothing was visited, so it is not done
    return move


def _next(move: Move, place: Place) -> Next:
    approach = place.visits[-1].approach + (move.travel == 0)
    return Next(move=move, from_pct=place.at_pct, approach=approach)


def resolutions(
    table: pd.DataFrame, sheet: DataSheet, at_pct: tuple[float, ...], wanted: Wanted, *, receivers: Receivers
) -> tuple[Resolution, ...]:
    """The resolution at each place; those where nothing was tried are left out.

    Args:
        table: rows of one step, tidy, of one unit.
        sheet: of the unit.
        at_pct: the places, % of the input range.
        wanted: what was looked for.
        receivers: of what reads each tap.
    """
    known = places(table[table["role"].isin((RESOLUTION, RESOLUTION_START))], sheet, start=START, receivers=receivers)
    found = []
    for place in at_pct:
        own = [each for each in _own(place, wanted, known) if any(not visit.is_reference for visit in each.visits)]
        if own:
            found.append(_resolution(place, own, wanted, len(at_pct), sheet))
    return tuple(found)


def interval_of(at_pct: float, wanted: Wanted, known: tuple[Place, ...]) -> tuple[float, float]:
    """The interval of the resolution at one place, % of the input span; NaN above = not determinable."""
    own = [each for each in _own(at_pct, wanted, known) if any(not visit.is_reference for visit in each.visits)]
    return _interval(own, *_founds(own, wanted), wanted)


def _founds(own: list[Place], wanted: Wanted) -> tuple[Found, Found | None]:
    first, then = _halves(wanted)
    start, last = own[0], own[-1]
    beyond = found_of(last.visits, last.digit, _as_far(then, start.at_pct, last)) if len(own) > 1 else None
    return found_of(start.visits, start.digit, first), beyond


def _interval(own: list[Place], start: Found, beyond: Found | None, wanted: Wanted) -> tuple[float, float]:
    if beyond is None:
        return 0.0, math.nan
    # The first step lies between what did not move and where the next one is looked for from.
    high = beyond.high + max(own[-1].at_pct - own[0].at_pct - start.low, start.high - start.low)
    # Where readings go to and fro, the middle of the step may still lie a little farther on.
    ends = sum(_is_on_a_step(own[-1], travel, tuple(own)) for travel in (0.0, beyond.moved))
    return beyond.low, high + ends * _halves(wanted)[1].floor


def _resolution(at_pct: float, own: list[Place], wanted: Wanted, places_n: int, sheet: DataSheet) -> Resolution:
    start, beyond = _founds(own, wanted)
    last = beyond or start
    low, high = _interval(own, start, beyond, wanted)
    jump = _largest_jump(own, last.noise.sd)
    is_coarser = jump is not None and jump[0] > high
    if is_coarser and jump is not None:  # the search took something else for a step: one that was seen tells more
        low, high = jump
    return Resolution(
        at_pct=at_pct,
        middle_pct=(low + high) / 2,
        within_pct=(high - low) / 2,
        low_pct=low,
        high_pct=high,
        confidence=1 - wanted.alpha * places_n,
        most_pct=last.most,
        is_never=last.is_never,
        is_steady=last.is_steady and not is_coarser,
        step=_step(last, own[-1], sheet),
        step_unit=sheet.taps[-1].unit,
        noise_pct=last.noise.sd,
        is_noise_bound=start.is_noise_bound or last.is_noise_bound,
        is_wandering=last.noise.is_wandering,
        settings_n=sum(settings_n(each.visits) for each in own),
    )


def _largest_jump(own: list[Place], noise: float) -> tuple[float, float] | None:
    """The interval of the largest step that the output made between neighbouring inputs, % of the input span.

    Where an output jumps by more than its input went on, and noise does not make that, it stood still for as much
    before: so its resolution is no finer. None where it never did.
    """
    found: tuple[float, float] | None = None
    for place in own:
        for approach in {visit.approach for visit in place.visits}:
            there = sorted((each for each in place.visits if each.approach == approach), key=lambda each: each.went)
            for one, other in pairwise(there):
                jump, gap = other.output - one.output, other.went - one.went
                blind = _SURE * noise * math.sqrt(1 / one.readings_n + 1 / other.readings_n) + place.digit
                blind += _SURE * math.hypot(one.u_went, other.u_went)
                if jump - gap > blind and jump - gap - blind > (found[0] if found else 0.0):
                    found = jump - gap - blind, jump + gap + blind
    return found


def _step(found: Found, place: Place, sheet: DataSheet) -> float:
    """The jump of the output, in its unit; NaN where it follows without one."""
    if found.low <= 0 or not found.jumps > _JUMPS:
        return math.nan
    return found.jumps * found.moved / 100 * abs(sheet.taps[0].span) * abs(place.slope)
