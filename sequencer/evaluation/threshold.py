"""The search for the smallest travel of the input that moves the output: what to try next, and what was found.

A trial that moved costs the way back to the defined side and up again, one that did not costs nothing: the input goes
on from there. So the next travel splits what is left for the fewest moves on average, not in the middle. Pure: visits
in, the next one or the result out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

from sequencer.evaluation.moved import Change, Noise, Visit, changes, noise_of

__all__ = ["Found", "Move", "Wanted", "found_of", "next_move"]

# Share of the wanted width that an unnoticed change may take, twice; the rest is the distance of two travels.
_UNNOTICED = 0.2
_TRIALS_N = 24  # low and high ends that share the error rate: no search but one in noise has more
_MOST_TRIALS_N = 30
_MOST_VISITS_N = 150
_REFERENCES_N = 3
_REST_N = 10  # readings where the travel begins first: the noise at rest comes from them
_AGAIN = 2.0  # moves to come to the start of the travel again
_NONE_WEIGHT = 1.0  # that it answers at once, against all other widths together; common practice, no source
_GUESS_WEIGHT = 1.0  # that it follows as one with play would, against all other widths together
_SLACK = 1.05
_GRID_N = 50
_U_WENT = 2.0  # standard uncertainties of a travel
_STEEP = 1.8  # travel that tells how it follows, in least travels that moved


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is looked for; travels in % of the input span.

    Attributes:
        alpha: probability that the interval does not hold the width.
        within: half the interval wanted, as share of the width.
        floor: the smallest travel that is tried; an interval no wider than that is enough.
        most: the longest.
        repeats: how many approaches are to find it, each for itself.
        readings_n: readings of a trial at first.
        most_n: readings of a trial at most.
        is_step: the width is that of a step: what the output jumps by counts as much as the travel.
    """

    alpha: float
    within: float
    floor: float
    most: float
    repeats: int = 3
    readings_n: int = 3
    most_n: int = 50
    is_step: bool = False

    @property
    def error_rate(self) -> float:
        """Of each end of each change."""
        return self.alpha / (2 * _TRIALS_N)

    def width(self, travel: float) -> float:
        """The interval that is narrow enough at a travel."""
        return max(2 * self.within * travel, self.floor)


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """The next visit: back to where the travel begins (travel 0), or on to a travel; and its readings."""

    travel: float
    readings_n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a search found, % of the input span.

    Attributes:
        low: the width is more than that, 0 = it may answer at once.
        high: and not more than that; NaN = it never moved, or noise hides whether it did.
        moved: the smallest travel that moved it, as it was set; NaN = none did.
        most: the longest travel that was tried.
        repeats: of each approach that found it by itself: the last travel without, the first with a change.
        is_steady: one width explains every approach.
        is_never: it stayed where it was up to the longest travel.
        follows: at most that share of the largest travel that moved is seen at the output; NaN where none did.
        jumps: the same at the smallest travel that moved: near 1 it sticks and catches up, near 0 it has play.
        noise: what is not a change.
        is_noise_bound: noise and digits, and not the wish, set the width of the interval.
    """

    low: float
    high: float
    moved: float
    most: float
    repeats: tuple[tuple[float, float], ...]
    is_steady: bool
    is_never: bool
    follows: float
    jumps: float
    noise: Noise
    is_noise_bound: bool


@dataclass(frozen=True, slots=True)
class _Run:
    """One approach: its changes in order of travel."""

    approach: int
    still: float
    moved: float


class _State:
    """What visits say, read once."""

    def __init__(self, visits: Sequence[Visit], digit: float, wanted: Wanted) -> None:
        self.visits, self.wanted = visits, wanted
        self.noise = noise_of(visits, digit)
        self.changes = changes(visits, self.noise, wanted.error_rate)
        self.blind = 2 * self.noise.half_of(wanted.most_n, wanted.most_n, wanted.error_rate)
        self.first = min(max(wanted.floor, self.blind), wanted.most)
        self.runs = tuple(
            self._run(number) for number in dict.fromkeys(each.approach for each in visits) if self._of(number)
        )
        moved = [each for each in self.changes if each.is_moved]
        self.moved = min((each.travel for each in moved), default=math.inf)
        self.clear = max((each.travel for each in self.changes if self._is_still(each)), default=0.0)
        self.still = max((each.travel for each in self.changes if not each.is_moved), default=0.0)
        self.is_steady = self.clear < self.moved
        self.is_never = self.clear >= wanted.most * (1 - 1e-9)
        if self.moved < math.inf:
            below = [each.travel for each in self.changes if not each.is_moved and each.travel < self.moved]
            self.still = max(below, default=0.0)

    def unnoticed(self, travel: float) -> float:
        """The change that may stay unnoticed at a travel."""
        return _UNNOTICED * self.wanted.width(self.scale(travel))

    def scale(self, travel: float) -> float:
        """The width that an interval at a travel is a share of: of a step the jump, which may begin anywhere."""
        if not self.wanted.is_step:
            return travel
        jumps = [each.middle for each in self.changes if each.is_moved]
        return max(travel, min(jumps, default=0.0))

    def cell(self, travel: float) -> float:
        """The distance to the next travel above."""
        return max((1 - 2 * _UNNOTICED) * self.wanted.width(self.scale(travel)), self.blind)

    def readings_n(self, travel: float) -> int:
        """Readings after which a change that matters at a travel is noticed."""
        wanted, noise = self.wanted, self.noise
        room = self.unnoticed(travel) / 2 - noise.bias
        if room <= 0 or noise.dof < 1:
            return wanted.most_n
        one = noise.half_of(1, 1, wanted.error_rate) - noise.bias
        return min(max(math.ceil((one / room) ** 2), wanted.readings_n), wanted.most_n)

    def is_enough(self, run: _Run) -> bool:
        """Whether an approach found the width by itself."""
        if run.moved == math.inf:
            return False
        return run.moved <= self.first * _SLACK or run.moved - run.still <= _SLACK * self.cell(run.still)

    def _of(self, approach: int) -> list[Change]:
        return [each for each in self.changes if each.approach == approach]

    def _run(self, approach: int) -> _Run:
        parts = self._of(approach)
        moved = min((each.travel for each in parts if each.is_moved), default=math.inf)
        still = max((each.travel for each in parts if not each.is_moved and each.travel < moved), default=0.0)
        return _Run(approach, still, moved)

    def _is_still(self, change: Change) -> bool:
        # Where half the way could have been followed unnoticed, nothing was told.
        most = min(max(self.unnoticed(change.travel), self.blind), change.travel / 2)
        return not change.is_moved and change.high <= most


def next_move(visits: Sequence[Visit], digit: float, wanted: Wanted, *, is_there: bool = True) -> Move | None:
    """Where to go next at one place; None when it is done.

    Args:
        visits: of that place so far, in order.
        digit: step of the readings, % of the input span; 0 = none is known.
        wanted: what is looked for.
        is_there: the input was nowhere else since the last of them.
    """
    if not visits:
        return Move(travel=0.0, readings_n=max(_REST_N, wanted.readings_n))
    state = _State(visits, digit, wanted)
    last = visits[-1]
    if not is_there:
        return None if _is_done(state) else _again(state)
    if not last.is_reference:
        trial = state.changes[-1]
        more = state.readings_n(trial.travel) - trial.readings_n
        is_open = not trial.is_moved and trial.high > state.unnoticed(trial.travel)
        if is_open and more > 0:
            return Move(travel=trial.travel, readings_n=more)
    run = next((each for each in state.runs if each.approach == last.approach), _Run(last.approach, 0.0, math.inf))
    if run.moved < math.inf:
        beyond = _beyond(state, run, last.travel)
        if beyond is not None:
            return beyond
        # A last reference closes a search that has too few to know what drifts.
        return None if _is_done(state) and run.approach >= _REFERENCES_N else _again(state)
    if run.still >= wanted.most * (1 - 1e-9):
        return _again(state)  # it never moved; what it drifted meanwhile tells whether that is so
    if _is_done(state):
        return None
    travel = _next_travel(state, run.still)
    first = wanted.readings_n
    grid = wanted.floor / _GRID_N  # no source is set to more digits than that
    marks = max(round(travel / grid), math.floor(run.still / grid + 1e-6) + 1)
    return Move(travel=min(round(marks * grid, 9), wanted.most), readings_n=first)


def _again(state: _State) -> Move:
    return Move(travel=0.0, readings_n=max(state.readings_n(max(state.still, state.first)), _REST_N // 2))


def _is_done(state: _State) -> bool:
    enough = sum(state.is_enough(run) for run in state.runs)
    if len(state.visits) >= _MOST_VISITS_N:
        return True
    return state.is_never or enough >= state.wanted.repeats or len(state.changes) >= _MOST_TRIALS_N


def _beyond(state: _State, run: _Run, travel: float) -> Move | None:
    """Farther on in an approach that moved: how the output follows tells how much may have been unnoticed."""
    wanted = state.wanted
    if not (state.is_enough(run) and run.still > 0 and travel == run.moved < wanted.most):
        return None
    if any(each.is_moved and each.travel >= _STEEP * run.moved for each in state.changes):
        return None
    if state.moved - _low(state.changes, state.moved) <= wanted.width(state.scale(state.moved)) * _SLACK:
        return None
    return Move(travel=min(2 * run.moved, wanted.most), readings_n=wanted.readings_n)


def _next_travel(state: _State, at: float) -> float:
    """The next travel of an approach that has not moved up to `at`."""
    if not state.is_steady:
        start = max(state.moved - state.cell(state.moved), state.first)
        return start if at < start * (1 - 1e-9) else at + state.cell(at)
    if state.moved == math.inf:
        grid = _grid(at, state.wanted.most, state, math.nan)
    elif state.moved - state.still > _SLACK * state.cell(state.still) and state.moved > state.first * _SLACK:
        grid = _grid(state.still, state.moved, state, _guess(state))
    elif at < state.still * (1 - 1e-9):
        return state.still
    else:
        return state.moved if at < state.moved * (1 - 1e-9) else at + state.cell(at)
    weights = _weights(grid, _guess(state))
    inner = _split(weights)
    return grid[inner] if grid[inner] > at * (1 + 1e-9) else at + state.cell(at)


def _guess(state: _State) -> float:
    """Where one with play would have begun to follow; NaN where nothing moved."""
    moved = [each for each in state.changes if each.is_moved]
    if not moved:
        return math.nan
    least = min(moved, key=lambda each: each.travel)
    return least.travel - least.middle


def _grid(low: float, high: float, state: _State, guess: float) -> tuple[float, ...]:
    """Travels from `low` to `high`, as far apart as they may be; about a guess so that it lies between two of them."""
    grid = [low]
    start = max(low, 0.0)
    if math.isfinite(guess) and low < guess < high:
        above = guess + 1.5 * state.unnoticed(guess) + state.blind / 4
        below = above - state.cell(guess)
        near = 0.3 * state.cell(low)
        marks = [each for each in (below, above) if low + near < each < high - near]
    else:
        marks = []
    for mark in (*marks, high):
        at = grid[-1]
        step = state.first if at == 0 and start == 0 else state.cell(at)
        while at + step < mark * (1 - 1e-6):
            at += step
            grid.append(at)
            step = state.cell(at)
        grid.append(mark)
    return tuple(grid)


def _weights(grid: tuple[float, ...], guess: float) -> tuple[float, ...]:
    """How likely each interval of a grid is to hold the width, about: decades alike, none, and the guess more."""
    first = grid[1] if grid[0] == 0 else grid[0]
    whole = math.log(max(grid[-1] / first, 1 + 1e-9))
    weights = []
    for low, high in pairwise(grid):
        weight = _NONE_WEIGHT if low == 0 else math.log(high / low) / whole
        if low <= guess < high:
            weight += _GUESS_WEIGHT
        weights.append(round(weight, 9))
    return tuple(weights)


@lru_cache(maxsize=256)
def _split(weights: tuple[float, ...]) -> int:
    """Which inner travel of a grid to try, for the fewest moves on average; its number, the last where there is none.

    The tree of least cost over all orders of trials, by dynamic programming: a trial that does not move costs one
    visit, one that does the way back besides where more is to be tried.
    """
    n = len(weights)
    if n < 2:
        return n
    sums = [0.0]
    for each in weights:
        sums.append(sums[-1] + each)
    cost = [[0.0] * (n + 1) for _ in range(n + 1)]
    best = [[0] * (n + 1) for _ in range(n + 1)]
    for size in range(2, n + 1):
        for low in range(n - size + 1):
            high = low + size
            all_weight = sums[high] - sums[low]
            least, at = math.inf, low + 1
            for cut in range(low + 1, high):
                again = _AGAIN * (sums[cut] - sums[low]) if cut - low > 1 else 0.0
                tried = all_weight + again + cost[low][cut] + cost[cut][high]
                if tried < least - 1e-12:
                    least, at = tried, cut
            cost[low][high], best[low][high] = least, at
    return best[0][n]


def _low(seen: Sequence[Change], moved: float) -> float:
    """The least width that changes leave possible, for outputs that follow no steeper the farther they are moved.

    A line through the most that a trial may have moved and the least that one farther out did meets no change at a
    travel that is too small already: however flat the output follows, the width is more.
    """
    low = 0.0
    for still in seen:
        if still.travel > moved:
            continue
        for far in seen:
            if far.travel > still.travel and far.low > max(still.high, 0.0):
                meets = (still.went * far.low - far.went * still.high) / (far.low - still.high)
                low = max(low, meets - _U_WENT * still.u_went)
    return low


def found_of(visits: Sequence[Visit], digit: float, wanted: Wanted) -> Found:
    """What the visits of one place say, with the interval that holds the width but for `wanted.alpha`.

    Args:
        visits: of one place, in order, at least one.
        digit: step of the readings, % of the input span; 0 = none is known.
        wanted: what was looked for.
    """
    state = _State(visits, digit, wanted)
    seen = state.changes
    enough = [run for run in state.runs if state.is_enough(run)] or [run for run in state.runs if run.moved < math.inf]
    never = [run for run in state.runs if run.moved == math.inf and run.still >= wanted.most * (1 - 1e-9)]
    if state.is_never or not enough:
        low, high = _low(seen, math.inf), math.nan
    elif state.is_steady:
        low, high = _low(seen, state.moved), state.moved
    else:
        high = max(run.moved for run in enough)
        own = [[each for each in seen if each.approach == run.approach] for run in enough]
        low = max(_low(parts, run.moved) for parts, run in zip(own, enough, strict=True))
    least, far = _ends([each for each in seen if each.is_moved])
    told = [*enough, *never] if state.is_never else enough
    went = [each.went + _U_WENT * each.u_went for each in seen if each.travel == high and each.is_moved]
    return Found(
        low=low,
        high=max(went, default=high),
        moved=state.moved if state.moved < math.inf else math.nan,
        most=max((each.travel for each in seen), default=0.0),
        repeats=tuple((run.still, run.moved if run.moved < math.inf else math.nan) for run in told),
        is_steady=state.is_steady,
        is_never=state.is_never,
        follows=far,
        jumps=least,
        noise=state.noise,
        is_noise_bound=state.blind > (1 - 2 * _UNNOTICED) * wanted.width(state.still),
    )


def _ends(moved: Sequence[Change]) -> tuple[float, float]:
    if not moved:
        return math.nan, math.nan
    least = min(moved, key=lambda each: each.travel)
    far = max(moved, key=lambda each: each.travel)
    return least.middle / least.went, far.high / far.went
