"""What lies between the pulses of a train: ringing after each edge told from bursts that come at any time."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from sequencer.diagnosis.noise.edges import Edges
from sequencer.diagnosis.noise.swings import turning
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray, IntArray

__all__ = ["Hash", "hash_of"]

_AFTER = 0.25  # of the time to the next edge: there ringing is looked for
_QUIET = 0.9  # quantile of the highest swing of each stretch between edges that stands for all
_LOUDER = 2.5  # times as high
_AS_HIGH = 1.2  # times the highest swing after an ordinary edge
_OFTEN = 0.6  # of the edges, after which there is ringing
_WORTH = 0.05  # of the swing
_APART = 0.5  # of a period, within which swings are one burst
_LEAST_EDGES = 8
_TIED_N = 4  # bursts that may tell whether they are tied to the edges
_TIED = 0.12  # of the time from edge to edge: as little do they scatter if they are
_PART_N = 2**16  # samples that are looked at together
_MANY_N = 2**20  # samples, of whose swings all are asked how long they last; of more, some


@dataclass(frozen=True, slots=True, kw_only=True)
class Hash:
    """Hash between pulses, peak to peak in the unit of the trace.

    Attributes:
        height: highest swing away from the edges, of an ordinary stretch between two.
        after_edges: highest swing just after an ordinary edge.
        ringing_s: how long after an edge it stays above the hash; 0 = there is no ringing.
        bursts_s: when bursts come that stand out of the hash and are no ringing.
        burst_height: highest swing in them; 0 without any.
        swing_s: from end to end of one of the highest swings, median: what a filter must pass over.
    """

    height: float
    after_edges: float
    ringing_s: float
    bursts_s: tuple[float, ...]
    burst_height: float
    swing_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Swings:
    """Swings between edges, all of shape (n,): height, middle, duration, which stretch, and whether near its edge."""

    sizes: FloatArray
    middles_s: FloatArray
    lasts_s: FloatArray
    stretch: IntArray
    is_after: BoolArray

    def where(self, kept: BoolArray) -> "_Swings":
        """Some of them."""
        return _Swings(
            sizes=self.sizes[kept],
            middles_s=self.middles_s[kept],
            lasts_s=self.lasts_s[kept],
            stretch=self.stretch[kept],
            is_after=self.is_after[kept],
        )


def hash_of(values: FloatArray, times_s: FloatArray, edges: Edges) -> Hash | None:
    """Hash of a trace with edges; None where there are too few, or no swing between them.

    Args:
        values: shape (n,), no NaN.
        times_s: shape (n,), rising.
        edges: of this trace.
    """
    all_s = np.sort(np.concatenate((edges.rising_s, edges.falling_s)))
    if len(all_s) < _LEAST_EDGES:
        return None
    near, far = np.zeros(len(all_s) - 1), np.zeros(len(all_s) - 1)
    sizes, lasts_s = [np.zeros(0)], [np.zeros(0)]
    every = -(-len(values) // _MANY_N)
    for each in _between(values, times_s, edges, all_s):
        for highest, those in ((near, each.where(each.is_after)), (far, each.where(~each.is_after))):
            starts = np.flatnonzero(np.diff(those.stretch, prepend=-1))
            if len(starts):
                at = those.stretch[starts]
                highest[at] = np.maximum(highest[at], np.maximum.reduceat(those.sizes, starts))
        sizes.append(each.sizes[::every].copy())  # a slice alone would keep all of them
        lasts_s.append(each.lasts_s[::every].copy())
    some, some_s = np.concatenate(sizes), np.concatenate(lasts_s)
    if not len(some):
        return None
    height, after_edges = float(np.quantile(far, _QUIET)), float(np.median(near))
    # A stretch that is clipped, or steady to the digit, says nothing of the others.
    ordinary = float(np.median(far[far > 0])) if far.any() else 0.0
    least = max(_LOUDER * max(ordinary, _step(values)), _WORTH * (edges.high - edges.low))
    is_ringing = after_edges > least and float(np.mean(near > least)) > _OFTEN
    ringing_s, bursts_s, burst_height = 0.0, np.zeros(0), 0.0
    if max(near.max(), far.max()) > least:
        loud = _loud(values, times_s, edges, all_s, least)
        if is_ringing:
            ringing_s = float(np.median((loud.middles_s - all_s[loud.stretch])[loud.is_after]) * 2)
            loud = loud.where(~loud.is_after)
        # What is as high after most edges is of the edges, even where the rest is hardly lower.
        loud = loud.where(~loud.is_after | (loud.sizes > _AS_HIGH * after_edges))
        if not _are_tied(loud, all_s):
            bursts_s = _starts(loud.middles_s, float(all_s[-1] - all_s[0]))
            burst_height = float(loud.sizes.max(initial=0.0))
    return Hash(
        height=height,
        after_edges=after_edges,
        ringing_s=ringing_s,
        bursts_s=tuple(bursts_s[:100].tolist()),
        burst_height=burst_height,
        swing_s=float(np.median(some_s[some >= np.quantile(some, _QUIET)])),
    )


def _between(values: FloatArray, times_s: FloatArray, edges: Edges, all_s: FloatArray) -> Iterator[_Swings]:
    """Swings between the edges, in parts; what lies across an edge, or leads up to one, is the pulse."""
    for start in range(0, len(values), _PART_N):
        part = values[start : start + _PART_N]
        at = turning(part)
        sizes = np.abs(np.diff(part[at]))
        ends_s = times_s[start + at]
        stretches, gaps = _before(all_s, ends_s), _before(edges.unrecorded_s[:, 0], ends_s)
        first, last = stretches[:-1], stretches[1:]
        kept = (first == last) & (first > 0) & (first < len(all_s)) & (sizes <= edges.hash_height)
        kept &= gaps[1:] == gaps[:-1]
        if not kept.any():
            continue
        stretch = first[kept] - 1
        middles_s = ((ends_s[1:] + ends_s[:-1]) / 2)[kept]
        share = (middles_s - all_s[stretch]) / (all_s[stretch + 1] - all_s[stretch])
        yield _Swings(
            sizes=sizes[kept],
            middles_s=middles_s,
            lasts_s=np.diff(ends_s)[kept],
            stretch=stretch,
            is_after=share < _AFTER,
        )


def _before(some_s: FloatArray, times_s: FloatArray) -> IntArray:
    """How many of some times, rising and few, lie before each of others, rising and many; shape of these."""
    begin, end = np.searchsorted(some_s, (times_s[0], times_s[-1]))
    places = np.searchsorted(times_s, some_s[begin:end], side="right")
    return np.asarray(begin + np.cumsum(np.bincount(places, minlength=len(times_s)))[: len(times_s)])


def _step(values: FloatArray) -> float:
    """Smallest step of the trace, as far as its beginning shows it."""
    steps = np.diff(np.unique(values[:_PART_N]))
    return float(steps.min()) if len(steps) else 0.0


def _loud(values: FloatArray, times_s: FloatArray, edges: Edges, all_s: FloatArray, least: float) -> _Swings:
    """Swings between the edges that are higher than this."""
    loud = [each.where(each.sizes > least) for each in _between(values, times_s, edges, all_s)]
    return _Swings(
        sizes=np.concatenate([each.sizes for each in loud]),
        middles_s=np.concatenate([each.middles_s for each in loud]),
        lasts_s=np.concatenate([each.lasts_s for each in loud]),
        stretch=np.concatenate([each.stretch for each in loud]),
        is_after=np.concatenate([each.is_after for each in loud]),
    )


def _are_tied(loud: _Swings, all_s: FloatArray) -> bool:
    """Whether loud swings come at one place between two edges, after rising and falling ones each: no bursts.

    So do what is left of a low tooth, the far end of a ringing, a shape with more than one top.
    """
    stretch, firsts = np.unique(loud.stretch, return_index=True)
    if len(stretch) < _TIED_N:
        return False
    begins_s = all_s[stretch]
    share = (loud.middles_s[firsts] - begins_s) / (all_s[stretch + 1] - begins_s)
    ways = [share[stretch % 2 == each] for each in (0, 1)]
    away = np.concatenate([np.abs(each - np.median(each)) for each in ways if len(each)])
    return float(np.mean(away < _TIED)) > _OFTEN + (1 - _OFTEN) / 2


def _starts(at_s: FloatArray, span_s: float) -> FloatArray:
    """When loud swings come, those near each other as one."""
    apart_s = _APART * span_s / max(len(at_s), 1)
    return at_s[np.diff(at_s, prepend=-np.inf) > apart_s]
