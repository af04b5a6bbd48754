"""What was meant by the order of readings taken by hand: points, traverses, cycles and end pairs.

A point is what the same input, or nearly the same, was applied to. How near is judged by the steps of the grid: inputs
are one point if they lie several times nearer to each other than to any other input. Inputs are never chained.
"""

from collections import Counter
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from instruments.datasheet import FloatArray
from sequencer.inputs.step import END_PAIR, READING, Direction

__all__ = ["Order", "Points", "cycles_of", "grouped", "in_order", "times_of", "unpaired"]

_NEARER = 5.0  # times nearer to each other than to what is no longer the same point
_WIDEST_PCT = 1.0  # of range, of one point; no hand source is set worse than that
# The input was not moved from one row to the next: a share of the step, the last digit as typed; and never more than.
_STILL_SHARE, _MOST_STILL_PCT = 0.02, 0.5
_BOW_FRAC = 1e-5  # by how much a curved characteristic may bend over readings that are averaged
_ROUND_DIGITS = 9  # 0.1 kHz and 100 Hz are one input, whatever the arithmetic leaves


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """The point of each row, ascending from 0, the input of each point in %, and how found, "" = plain to see."""

    of_row: list[int]
    setpoints: list[float]
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """Of each row: direction ("" where the order tells none), cycle from 1, and role."""

    directions: list[str]
    cycles: list[int]
    roles: list[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """Rows in the order taken.

    Attributes:
        x_pct: input, % of range; shape (rows,).
        is_apart: shape (rows,), True where a stated direction or cycle sets a row apart from the one before.
        count_pct: last digit of the inputs as typed, % of range.
        output: ideal output fraction for an input in %.
    """

    x_pct: FloatArray
    is_apart: npt.NDArray[np.bool_]
    count_pct: float
    output: Callable[[FloatArray], FloatArray]

    def _runs(self, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Where among some rows each run of readings begins that were taken one after the other."""
        is_first = np.concatenate(([True], (np.diff(rows) > 1) | self.is_apart[rows[1:]]))
        return np.flatnonzero(is_first)

    def is_bent(self, rows: npt.NDArray[np.int64]) -> bool:
        """Readings that would be averaged, but that the characteristic is curved between."""
        starts, x_pct = self._runs(rows), self.x_pct[rows]
        counts = np.diff(np.append(starts, rows.size))
        mean = self.output(np.add.reduceat(x_pct, starts) / counts)
        return bool((np.abs(np.add.reduceat(self.output(x_pct), starts) / counts - mean) > _BOW_FRAC).any())

    def is_still(self, rows: npt.NDArray[np.int64], gap_pct: float) -> bool:
        """Whether the input was nowhere moved between two of these rows that follow each other."""
        starts, x_pct = self._runs(rows), self.x_pct[rows]
        extent_pct = np.maximum.reduceat(x_pct, starts) - np.minimum.reduceat(x_pct, starts)
        still_pct = min(_MOST_STILL_PCT, max(_STILL_SHARE * gap_pct, self.count_pct * (1 + 1e-6)))
        return bool((extent_pct <= still_pct).all())


def grouped(
    x_pct: FloatArray,
    *,
    stated_pct: FloatArray | None,
    is_apart: npt.NDArray[np.bool_],
    count_pct: float,
    output: Callable[[FloatArray], FloatArray],
) -> Points:
    """The point that each row belongs to.

    Args:
        x_pct: input in the order taken, % of range; shape (rows,).
        stated_pct: the setpoint that stands beside each, % of range, which decides; None = not stated.
        is_apart: shape (rows,), True where a stated direction or cycle sets a row apart from the one before.
        count_pct: last digit of the inputs as typed, % of range.
        output: ideal output fraction for an input in %; readings that it bends between are not averaged.
    """
    rows = _Rows(x_pct=x_pct, is_apart=is_apart, count_pct=count_pct, output=output)
    labels = _by_input(rows) if stated_pct is None else _by_setpoint(rows, stated_pct)
    shown_pct = x_pct if stated_pct is None else stated_pct
    counts = np.bincount(labels)
    means = np.bincount(labels, weights=shown_pct) / counts
    inputs = np.bincount(labels, weights=x_pct) / counts
    order = np.lexsort((inputs, means))
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    low, high = np.full((2, counts.size), np.inf)
    np.minimum.at(low, labels, x_pct)
    np.minimum.at(high, labels, -x_pct)
    widest_pct = float((-high - low).max())
    found = f"{counts.size} points from {x_pct.size} rows"
    if widest_pct <= 10.0**-_ROUND_DIGITS:
        remark = ""
    elif stated_pct is None:
        remark = f"{found}: inputs within {widest_pct:.2g} % of range of each other count as one point"
    else:
        remark = f"{found} by the column of setpoints; inputs of one lie within {widest_pct:.2g} % of range"
    return Points(
        of_row=[int(each) for each in place[labels]], setpoints=[float(each) for each in means[order]], remark=remark
    )


def _by_input(rows: _Rows) -> npt.NDArray[np.int64]:
    """A label for each row: the widest groups of inputs that pass for one point, cut at their largest gaps."""
    levels, of_level = np.unique(np.round(rows.x_pct, _ROUND_DIGITS), return_inverse=True)
    in_order = np.argsort(of_level, kind="stable")
    starts = np.searchsorted(of_level[in_order], np.arange(levels.size + 1))
    gaps = np.diff(levels)
    labels = np.empty(levels.size, dtype=np.int64)
    waiting, label = [(0, levels.size - 1)], 0
    while waiting:
        first, last = waiting.pop()
        around = [gaps[first - 1]] if first else []
        around += [gaps[last]] if last < gaps.size else []
        gap_pct = float(min(around, default=_MOST_STILL_PCT))
        extent_pct = levels[last] - levels[first]
        is_one = extent_pct <= min(_WIDEST_PCT, gap_pct / _NEARER)
        if is_one and first < last:
            here = np.sort(in_order[starts[first] : starts[last + 1]])
            is_one = rows.is_still(here, gap_pct) and not rows.is_bent(here)
        if is_one or first == last:
            labels[first : last + 1] = label
            label += 1
            continue
        cut = first + int(np.argmax(gaps[first:last]))
        waiting += [(first, cut), (cut + 1, last)]
    return np.asarray(labels[of_level], dtype=np.int64)


def _by_setpoint(rows: _Rows, stated_pct: FloatArray) -> npt.NDArray[np.int64]:
    """A label for each row: one a setpoint, and one an input where the characteristic bends between its inputs."""
    _, labels = np.unique(np.round(stated_pct, _ROUND_DIGITS), return_inverse=True)
    for label in range(int(labels.max()) + 1):
        here = np.flatnonzero(labels == label)
        if rows.is_bent(here):
            _, own = np.unique(np.round(rows.x_pct[here], _ROUND_DIGITS), return_inverse=True)
            labels[here] = np.where(own == 0, label, labels.max() + own)
    return np.asarray(labels, dtype=np.int64)


def in_order(x_pct: FloatArray, points: list[int], is_apart: npt.NDArray[np.bool_] | None = None) -> Order:
    """Direction, cycle and role of each row from the order of the inputs.

    Rows at one point, one after the other, are a visit. A turning point belongs to the traverse that arrives there; of
    more readings than the other visits have, those left over are its end pair.

    Args:
        x_pct: input in the order taken, % of range; shape (rows,).
        points: of each row.
        is_apart: shape (rows,), True where a stated cycle sets a row apart from the one before; None = nowhere.
    """
    rows_n = len(points)
    is_first = np.diff(points, prepend=-1) != 0
    is_first |= False if is_apart is None else is_apart
    starts = np.flatnonzero(is_first)
    counts = np.diff(np.append(starts, rows_n))
    moves = [x_pct[at] - x_pct[at - 1] if points[at] != points[at - 1] else 0.0 for at in starts[1:]]
    ways = _ways([0.0, *moves])
    turns = [at for at in range(1, len(ways) - 1) if ways[at] != ways[at + 1]]
    last = max(points)
    if rows_n > 3 and sum(0 < points[starts[at]] < last for at in turns) > rows_n / 3:
        # No traverse to be seen.
        return Order(directions=[""] * rows_n, cycles=times_of(points), roles=[READING] * rows_n)
    directions = [str(each) for each in np.repeat(ways, counts)]
    roles = [READING] * rows_n
    if turns:
        ends = {*turns, len(ways) - 1}
        usual = Counter(int(count) for at, count in enumerate(counts) if at not in ends).most_common()
        once = min(count for count, times in usual if times == usual[0][1])
        for at in ends:
            stop = int(starts[at] + counts[at])
            again = slice(stop - max(0, min(once, int(counts[at]) - once)), stop)
            roles[again] = [END_PAIR] * (again.stop - again.start)
            directions[again] = ["down" if ways[at] == "up" else "up"] * (again.stop - again.start)
    return Order(directions=directions, cycles=cycles_of(directions, roles), roles=roles)


def _ways(moves: Sequence[float]) -> list[Direction]:
    """Direction of each visit by the move to it; where there was none, by the next move, else by the last."""
    way: Direction = next((("up" if move > 0 else "down") for move in reversed(moves) if move), "up")
    ways: list[Direction] = []
    for move in reversed(moves):
        way = way if not move else "up" if move > 0 else "down"
        ways.append(way)
    return ways[::-1]


def times_of(places: Sequence[Hashable]) -> list[int]:
    """How often each place has come up so far, itself included."""
    seen: Counter[Hashable] = Counter()
    times = []
    for place in places:
        seen[place] += 1
        times.append(seen[place])
    return times


def cycles_of(directions: list[str], roles: list[str]) -> list[int]:
    """A cycle is an upscale traverse and the downscale traverse that follows, the end pair at its bottom included.

    The other way round where the first traverse leads down and the last one up: each has its partner then.
    """
    read = [direction for direction, role in zip(directions, roles, strict=True) if role == READING]
    is_down_first = bool(read) and read[0] == "down" and read[-1] == "up"
    first, second = ("down", "up") if is_down_first else ("up", "down")
    cycles, cycle, before = [], 1, ""
    for direction, role in zip(directions, roles, strict=True):
        if role == READING:
            if direction == first and before == second:
                cycle += 1
            before = direction
        cycles.append(cycle)
    return cycles


def unpaired(order: Order, points: Points) -> str:
    """A remark where downscale readings lie between the upscale points of their cycle; "" where all have a pair."""
    visited: dict[tuple[int, str], set[int]] = {}
    for cycle, direction, role, point in zip(order.cycles, order.directions, order.roles, points.of_row, strict=True):
        if role == READING:
            visited.setdefault((cycle, direction), set()).add(point)
    pairs_n = between_n = 0
    for (cycle, direction), down in visited.items():
        up = visited.get((cycle, "up"), set())
        if direction == "down" and up:
            pairs_n += len(down & up)
            between_n += sum(min(up) < point < max(up) for point in down - up)
    if not between_n:
        return ""
    return (
        f"{pairs_n} of {pairs_n + between_n} downscale points have an upscale point; the others are held against the "
        "upscale error interpolated between its neighbours, for hysteresis, where these lie within 25 % of range"
    )
