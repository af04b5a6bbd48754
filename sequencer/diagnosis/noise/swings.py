"""Swings of a trace, from turning point to turning point: what hysteresis of a height lets pass, whatever the level."""

import math
from dataclasses import dataclass

import numpy as np

from sequencer.evaluation.figures.per_point import BoolArray, FloatArray, IntArray

__all__ = ["Swings", "swings_of", "turning"]

_LEAST_SHARE = 0.01  # of the highest swing: pulses that grow with speed are no lower
_UNIQUE_N = 100_000  # samples that the resolution is found from
_PART_N = 2**16  # samples that are looked at together
_MOST_N = 2**19  # turning points that are kept
_AT_ONCE = 40  # times that all closed swings are taken out together; swings may lie in each other more deeply


@dataclass(frozen=True, slots=True, kw_only=True)
class Swings:
    """Turning points, and for each the height of the swing that it is half of (rainflow count).

    Attributes:
        at: places of the turning points in the trace, shape (m,), rising.
        values: of the trace there, same shape.
        heights: same shape; a turning point goes once hysteresis is higher. Those that end no closed swing have the
            larger one of the ranges beside them.
        resolution: smallest step of the trace.
        floor: lower swings were left out, since there are too many; 0 = all are here.
    """

    at: IntArray
    values: FloatArray
    heights: FloatArray
    resolution: float
    floor: float

    def beyond(self, height: float) -> IntArray:
        """Places of the turning points that hysteresis of a height leaves, lows and highs in turn."""
        kept = np.flatnonzero(self.heights > height)
        values = self.values[kept]
        # Two in a row of one kind at the ends, where a swing was not closed: the farther one stands.
        for _ in range(len(kept)):
            ways = np.sign(np.diff(values))
            same = np.flatnonzero(ways[1:] * ways[:-1] > 0) + 1
            if not len(same):
                break
            kept, values = np.delete(kept, same), np.delete(values, same)
        return self.at[kept]

    def plateaus(self, most: int) -> list[tuple[float, float, int]]:
        """Where the count hardly depends on hysteresis: (swing below, swing above, swings that pass), widest first.

        The width is the logarithm of the ratio, a step of the resolution added to both.
        """
        # Below the floor only those are left that were never closed: no count.
        falling = self.heights[self.heights >= self.floor]
        falling.sort()
        falling = np.append(self.floor, falling)[::-1]
        high_n = np.count_nonzero(falling[:-1] > _LEAST_SHARE * falling[0])
        above, below = falling[:high_n], falling[1 : high_n + 1]
        narrowness = self.widths(above, below)
        np.negative(narrowness, out=narrowness)
        widest = np.argsort(narrowness, kind="stable")[:most]
        return [(float(below[each]), float(above[each]), int(each) + 1) for each in widest.tolist()]

    def widths(self, above: FloatArray, below: FloatArray) -> FloatArray:
        """Logarithm of the ratio of two swings, as far as the resolution tells."""
        found = above + self.resolution
        found /= below + self.resolution
        return np.asarray(np.log(found, out=found))


def swings_of(values: FloatArray) -> Swings:
    """Swings of a trace, of the half million turning points of the highest.

    Args:
        values: shape (n,), no NaN.

    A range between two that are no smaller is a closed swing, whatever lies beyond them. So each part of a long trace
    is looked at by itself, and what it leaves open together.
    """
    kept_at, kept_heights, left = [np.zeros(0, dtype=np.int64)], [np.zeros(0)], [np.zeros(0, dtype=np.int64)]
    floor, kept_n = 0.0, 0
    for start in range(0, len(values), _PART_N):
        part = values[start : start + _PART_N]
        at = turning(part)
        heights, is_open = _closed(part[at])
        left.append(start + at[is_open])
        is_kept = ~is_open & (heights > floor)
        kept_at.append(start + at[is_kept])
        kept_heights.append(heights[is_kept])
        kept_n += len(kept_at[-1])
        if kept_n > _MOST_N:
            at, heights = np.concatenate(kept_at), np.concatenate(kept_heights)
            floor = float(np.partition(heights, -_MOST_N // 2)[-_MOST_N // 2])
            is_kept = heights > floor
            kept_at, kept_heights, kept_n = [at[is_kept]], [heights[is_kept]], int(np.count_nonzero(is_kept))
    rest = np.concatenate(left)
    rest = rest[turning(values[rest])]
    heights, is_open = _closed(values[rest])
    ranges = np.abs(np.diff(values[rest[is_open]]))
    heights[is_open] = np.maximum(np.append(ranges, 0.0), np.insert(ranges, 0, 0.0))
    at = np.concatenate((*kept_at, rest))
    heights = np.concatenate((*kept_heights, heights))
    del kept_at, kept_heights, left, rest
    order = np.argsort(at, kind="stable")
    at, heights = at[order], heights[order]
    del order
    some = values[:: math.ceil(len(values) / _UNIQUE_N)]
    steps = np.diff(np.unique(some))
    # The one step of two levels is the swing itself, and says nothing of what is finer.
    resolution = float(steps.min()) if len(steps) > 1 else 0.0
    return Swings(
        at=at,
        values=values[at],
        heights=heights,
        resolution=max(resolution, 1e-12 * float(np.ptp(values)), 1e-300),
        floor=floor,
    )


def _closed(y: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Heights of the swings that are closed, by turning point, and which turning points are left."""
    left = np.arange(len(y))
    heights, is_open = np.zeros(len(y)), np.ones(len(y), dtype=bool)
    for _ in range(_AT_ONCE):
        ranges = np.abs(np.diff(y[left]))
        closed = np.flatnonzero((ranges[1:-1] <= ranges[:-2]) & (ranges[1:-1] < ranges[2:])) + 1
        if not len(closed):
            return heights, is_open
        ends = left[np.concatenate((closed, closed + 1))]
        heights[ends] = np.tile(ranges[closed], 2)
        is_open[ends] = False
        left = left[is_open[left]]
    stack: list[int] = []
    level = y.tolist()
    for each in left.tolist():
        stack.append(each)
        while len(stack) > 3:
            first, low, high, last = stack[-4:]
            height = abs(level[high] - level[low])
            if height > abs(level[low] - level[first]) or height >= abs(level[last] - level[high]):
                break
            heights[[low, high]] = height
            is_open[[low, high]] = False
            del stack[-3:-1]
    return heights, is_open


def turning(values: FloatArray) -> IntArray:
    """Places where a trace turns, its ends too; of a flat top the first sample."""
    rises = values[1:] > values[:-1]
    moves = np.flatnonzero(rises | (values[1:] < values[:-1]))
    if not len(moves):
        return np.zeros(1, dtype=np.int64)
    up = rises[moves]
    turns = np.flatnonzero(up[1:] != up[:-1])
    return np.concatenate(([0], moves[turns] + 1, [moves[-1] + 1]))
