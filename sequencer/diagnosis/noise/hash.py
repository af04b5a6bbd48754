"""What lies between the pulses of a train: ringing locked to the edges, bursts that are not, and hash."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from sequencer.diagnosis.noise.bursts import Bursts, Swings, bursts_of
from sequencer.diagnosis.noise.edges import Edges
from sequencer.diagnosis.noise.locked import Ringing, courses_of, ringing_of, slope_at
from sequencer.diagnosis.noise.swings import turning
from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["Hash", "hash_of"]

_QUIET = 0.9  # quantile of the highest swing of each stretch between edges that stands for all
_AWAY = 0.25  # of the time to the next edge, from which on a swing is away from the edge
_OF_HASH = 0.5
_STEPS = 2.5  # of the digitiser
_WORTH = 0.05  # of the swing
_LEAST_EDGES = 8
_PART_N = 2**16  # samples that are looked at together
_MANY_N = 2**20  # samples, of whose swings all are asked how long they last; of more, some
_ALIKE = 2.0  # times the highest swing of most stretches
_LONG_N = 2**20  # samples
_SLOPE = 0.5  # of the shorter state, that the slope of an edge is looked for in


@dataclass(frozen=True, slots=True, kw_only=True)
class Hash:
    """Hash between pulses, peak to peak in the unit of the trace.

    Attributes:
        height: highest swing away from the edges, of an ordinary stretch between two.
        ringing: after the edges; None where there is none.
        bursts: that stand out of the hash and are tied to no edge; None where there are none.
        swing_s: from end to end of one of the highest swings, median: what a filter must pass over.
        shifts_s: standard deviation that hash, and all else that is not locked to the edges, displaces an edge by.
    """

    height: float
    ringing: Ringing | None
    bursts: Bursts | None
    swing_s: float
    shifts_s: float


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
    swing = edges.high - edges.low
    courses = courses_of(values, times_s, all_s, edges.interval_s)
    ringing = ringing_of(courses, swing)

    def swings() -> Iterator[Swings]:
        return _between(values, times_s, edges, all_s)

    highest, away = np.zeros(len(all_s) - 1), np.zeros(len(all_s) - 1)
    sizes, lasts_s = [np.zeros(0)], [np.zeros(0)]
    every = -(-len(values) // _MANY_N)
    for each in swings():
        share = (each.middles_s - all_s[each.stretch]) / (all_s[each.stretch + 1] - all_s[each.stretch])
        for found, kept in ((highest, share >= 0), (away, share >= _AWAY)):
            stretch = each.stretch[kept]
            starts = np.flatnonzero(np.diff(stretch, prepend=-1))
            if len(starts):
                at = stretch[starts]
                found[at] = np.maximum(found[at], np.maximum.reduceat(each.sizes[kept], starts))
        sizes.append(each.sizes[::every].copy())  # a slice alone would keep all of them
        lasts_s.append(each.lasts_s[::every].copy())
    some, some_s = np.concatenate(sizes), np.concatenate(lasts_s)
    if not len(some):
        return None
    swing_s = float(np.median(some_s[some >= np.quantile(some, _QUIET)]))
    least = max(_STEPS * _step(values), _WORTH * swing)
    height = float(np.quantile(away, _QUIET))
    if ringing is not None and ringing.height < _OF_HASH * height:
        ringing = None  # what keeps time with the edges by chance
    bursts = None
    if highest.max() > least:
        ring_s = 0.0 if ringing is None else 1 / ringing.rate_Hz
        # Where no stretch is louder than the others, a part of a long trace tells what there is in each.
        is_alike = float(highest.max()) < _ALIKE * float(np.median(highest[highest > 0]))
        many = _LONG_N if is_alike else len(values)
        part_s = all_s[all_s <= times_s[:many][-1]]
        bursts = bursts_of(
            lambda: _between(values[:many], times_s[:many], edges, part_s),
            part_s,
            edges.unrecorded_s,
            swing_s=max(swing_s, ring_s / 4),  # each cell of what rings has a swing of it
            interval_s=edges.interval_s,
            ringing=None if ringing is None else courses,
            rings_s=0.0 if ringing is None else ringing.lasts_s + ring_s,
            least=least,
        )
    states_s = np.diff(all_s)
    half_s = _SLOPE * min(float(np.median(states_s[0::2])), float(np.median(states_s[1::2])))
    slope = slope_at(values, times_s, edges.rising_s[1:-1], half_s=half_s, height=edges.height)
    return Hash(
        height=height,
        ringing=ringing,
        bursts=bursts,
        swing_s=swing_s,
        shifts_s=max(each.spread for each in courses) / max(slope, 1e-300),
    )


def _between(values: FloatArray, times_s: FloatArray, edges: Edges, all_s: FloatArray) -> Iterator[Swings]:
    """Swings between the edges, in parts; what lies across an edge, or leads up to one, is the pulse."""
    for start in range(0, len(values), _PART_N):
        part, part_s = values[start : start + _PART_N], times_s[start : start + _PART_N]
        at = turning(part)
        sizes, ends_s = np.abs(np.diff(part[at])), part_s[at]
        stretches, gaps = _before(all_s, ends_s), _before(edges.unrecorded_s[:, 0], ends_s)
        first, last = stretches[:-1], stretches[1:]
        kept = (first == last) & (first > 0) & (first < len(all_s)) & (sizes <= edges.hash_height)
        kept &= gaps[1:] == gaps[:-1]
        if kept.any():
            yield Swings(
                sizes=sizes[kept],
                middles_s=((ends_s[1:] + ends_s[:-1]) / 2)[kept],
                lasts_s=np.diff(ends_s)[kept],
                stretch=first[kept] - 1,
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
