"""Uneven marks in a record that has faults or gaps: the pattern of a sound stretch, followed to both ends of it."""

from collections.abc import Iterator

import numpy as np
from scipy import ndimage

from sequencer.diagnosis.noise.marks import Marks, marks_of, with_gaps
from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["followed_marks"]

_MOST_EDGES = 20_000  # that are followed one by one
_WINDOW_N, _LEAST_WINDOW_N, _LOOKED_N = 256, 24, 2048  # edges of a stretch that a pattern is looked for in; of all
_MOST_TURNS = 3  # that may be lost between two edges
_OFF, _MOST_OFF, _MOST_LOST = 0.15, 0.05, 0.2  # of a mean gap; of the edges that are off by more; that are lost
_AROUND_N = 31  # gaps that the speed is the median of
_FOLLOWS = 0.1  # of a change of the speed, that one gap tells


def followed_marks(
    rising_s: FloatArray,
    falling_s: FloatArray,
    rises: FloatArray | None,
    unrecorded_s: FloatArray,
    *,
    timing_s: float = 0.0,
    steady_s: FloatArray | None = None,
) -> tuple[Marks, IntArray, FloatArray] | None:
    """Marks that are uneven, how many pulses each gap between edges holds, and how many mean gaps it is long.

    Args:
        rising_s: all edges, shape (n,).
        falling_s: shape (m,), in turn with these.
        rises: of each pulse, shape (n,); None = not known.
        unrecorded_s: begin and end of stretches without samples, shape (k, 2).
        timing_s: how far sampling may displace one edge.
        steady_s: when pulses come, whatever their height, shape (n,); None = not known.

    Returns:
        None where no stretch has such marks, or the rest does not go on like it.
    """
    if len(rising_s) > _MOST_EDGES:
        return None
    cuts = np.searchsorted(rising_s, unrecorded_s[:, 0], side="right")  # numbers of the first edges after gaps
    for first, last in _windows(len(rising_s), cuts):
        part = slice(first, last)
        lows = falling_s[(falling_s > rising_s[first]) & (falling_s < rising_s[last - 1])]
        marks = marks_of(
            rising_s[part],
            lows,
            None if rises is None else rises[part],
            timing_s=timing_s,
            steady_s=None if steady_s is None else steady_s[part],
        )
        if marks is None:
            continue
        mean_s = float(rising_s[last - 1] - rising_s[first]) / (last - 1 - first)
        counts, shares, _ = _both_ways(rising_s, first, marks.gaps, mean_s, cuts)
        # A pulse may be missing in the stretch itself: the gaps are told by all that are single, of all.
        marks = with_gaps(_gaps(np.diff(rising_s), counts, shares, first, marks.every_n))
        counts, shares, off = _both_ways(rising_s, first, marks.gaps, mean_s, cuts)
        is_there = np.ones(len(counts), dtype=bool)
        is_there[cuts[(cuts > 0) & (cuts <= len(counts))] - 1] = False
        if np.mean(off > _OFF) <= _MOST_OFF and (counts - 1)[is_there].sum() <= _MOST_LOST * len(rising_s):
            return marks, counts.astype(np.int64), shares
    return None


def _both_ways(
    rising_s: FloatArray, first: int, pattern: FloatArray, mean_s: float, cuts: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Followed from an edge that the pattern begins at to both ends, as `_followed`."""
    gaps_s = np.diff(rising_s)
    ahead = _followed(gaps_s[first:], pattern, mean_s, cuts - first)
    back = _followed(gaps_s[:first][::-1], pattern[::-1], mean_s, first - cuts + 1)
    counts, shares, off = (np.concatenate((one[::-1], other)) for one, other in zip(back, ahead, strict=True))
    return counts, shares, off


def _gaps(gaps_s: FloatArray, counts: FloatArray, shares: FloatArray, first: int, every_n: int) -> FloatArray:
    """Median gap at each place of the pattern about the speed, as a share of their mean."""
    around_n = -(-_AROUND_N // every_n) * every_n  # whole patterns: else each place would have a middle of its own
    even_s = ndimage.median_filter(gaps_s / shares, size=min(around_n, len(gaps_s)), mode="nearest")
    places = np.concatenate(([0], np.cumsum(counts)[:-1])).astype(np.int64)
    places = (places - places[first]) % every_n if first < len(places) else places % every_n
    single = counts == 1
    relative = gaps_s / even_s
    found = [relative[single & (places == each)] for each in range(every_n)]
    gaps = np.array([float(np.median(each)) if len(each) else 1.0 for each in found])
    return np.asarray(gaps / gaps.mean())


def _windows(edges_n: int, cuts: IntArray) -> Iterator[tuple[int, int]]:
    """Stretches of neighbouring edges without a gap of the record, long ones first, as far as is worth it."""
    ends = np.unique(np.concatenate(([0], cuts, [edges_n])))
    found = []
    for begin, end in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True):
        for parts in (1, 2, 4, 8):
            width = min((end - begin) // parts, _WINDOW_N)
            if width >= _LEAST_WINDOW_N:
                found += [(start, start + width) for start in np.linspace(begin, end - width, 2 * parts - 1, dtype=int)]
    found.sort(key=lambda each: each[0] - each[1])
    looked_n = 0
    for first, last in dict.fromkeys((int(first), int(last)) for first, last in found):
        looked_n += last - first
        if looked_n > _LOOKED_N:
            return
        yield first, last


def _followed(
    gaps_s: FloatArray, pattern: FloatArray, mean_s: float, cuts: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pulses in each gap, its length in mean gaps by the pattern, and how far it is off, each shape (n,)."""
    every_n = len(pattern)
    lengths = np.cumsum(np.tile(pattern, _MOST_TURNS + 1))
    counts, shares, off = np.ones(len(gaps_s)), np.ones(len(gaps_s)), np.zeros(len(gaps_s))
    lost = set((cuts - 1).tolist())  # numbers of the gaps that were not recorded
    place = 0
    for index, gap_s in enumerate(gaps_s.tolist()):
        before = float(lengths[place - 1]) if place else 0.0
        due = lengths[place : place + _MOST_TURNS * every_n] - before
        if index in lost:  # where it goes on is told by what follows
            following = gaps_s[index + 1 : index + 1 + 2 * every_n] / mean_s
            tiled = np.tile(pattern, 3)
            misses = [
                float(np.abs(following - tiled[start : start + len(following)]).sum()) for start in range(every_n)
            ]
            start = int(np.argmin(misses))
            turns = max(round((gap_s / mean_s - float(due[(start - place - 1) % every_n])) / every_n), 0)
            many = (start - place - 1) % every_n + 1 + turns * every_n
            counts[index] = many
            shares[index] = float(due[(start - place - 1) % every_n]) + turns * every_n
        else:
            many = int(np.argmin(np.abs(due - gap_s / mean_s))) + 1
            counts[index], shares[index] = many, float(due[many - 1])
            off[index] = abs(gap_s / mean_s - shares[index])
            if many == 1 and off[index] < _OFF:
                mean_s += _FOLLOWS * (gap_s / shares[index] - mean_s)
        place = (place + many) % every_n
    return counts, shares, off
