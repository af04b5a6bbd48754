"""The rhythm of edges: which of them begin a pulse, which are too many, how many pulses lie between two."""

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sequencer.evaluation.figures.per_point import BoolArray, FloatArray, IntArray

__all__ = ["LEAST_N", "Rhythm", "rhythm_of"]

LEAST_N = 8
"""Rising edges from which on a rate is told."""

_CUT = 0.8  # of a period: a shorter one is no jitter
_SHORT = 0.25  # of a period: an edge that comes sooner after the last is one too many
_AROUND_N = 31  # periods that the normal one is the median of
_APART = 2.8  # times as long as the longest gap within a cluster is the shortest between two
_APART_MEDIAN = 4.0  # the same of the medians: two teeth that are missing make three
_CLUSTER_N = 12.0  # edges in a cluster at most, on the average
_CLUSTERS_N = 4
_CLUSTERS_MISSING = 0.2
_TRIED_N = 6
_REGULAR_JITTER = 0.2
_CLEAN_JITTER, _CLEAN_FAULTS = 0.1, 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Rhythm:
    """What the times of edges say.

    Attributes:
        kept_s: first edge of each pulse, shape (n,).
        is_extra: of all rising edges, True where one is too many.
        periods_s: from one kept edge to the next, shape (n - 1,).
        counts: pulses that each period holds, one and those missing, same shape.
        is_recorded: False where a part of the period was not recorded, same shape.
        is_single: a recorded period of one pulse, same shape.
        jitter: robust standard deviation of single periods, as a share.
        hold_s: time that a state had to last to be no part of a cluster; 0 = there are none.
    """

    kept_s: FloatArray
    is_extra: BoolArray
    periods_s: FloatArray
    counts: IntArray
    is_recorded: BoolArray
    is_single: BoolArray
    jitter: float
    hold_s: float

    @property
    def is_regular(self) -> bool:
        """One rate explains the edges."""
        return self.is_single.sum() >= 0.5 * max(self.is_recorded.sum(), 1) and self.jitter <= _REGULAR_JITTER

    @property
    def is_clean(self) -> bool:
        """No chance of hash that was smoothed, which comes in waves of many lengths."""
        single = self.periods_s[self.is_single]
        spread = float(np.subtract(*np.quantile(single, (0.9, 0.1)))) / float(np.median(single))
        return self.faults < _CLEAN_FAULTS and self.jitter < _CLEAN_JITTER and spread < 4 * _CLEAN_JITTER

    @property
    def faults(self) -> float:
        """Edges too many and pulses missing, as a share of the pulses."""
        missing_n = int((self.counts - 1)[self.is_recorded].sum())
        return (int(self.is_extra.sum()) + missing_n) / max(len(self.kept_s), 1)


def rhythm_of(rising_s: FloatArray, falling_s: FloatArray, unrecorded_s: FloatArray) -> Rhythm:
    """The rhythm of edges; clusters (a contact that bounces) are one edge each.

    Args:
        rising_s: shape (n,), three at least.
        falling_s: shape (m,), in turn with the rising ones.
        unrecorded_s: begin and end of stretches without samples, shape (k, 2).
    """
    plain = _rhythm(rising_s, np.zeros(len(rising_s), dtype=bool), unrecorded_s, 0.0)
    if plain.is_regular and not _is_doubtful(plain):
        return plain
    for is_extra, hold_s in _clusters(rising_s, falling_s):
        tried = _rhythm(rising_s, is_extra, unrecorded_s, hold_s)
        if tried.is_regular and (tried.counts - 1).sum() <= _CLUSTERS_MISSING * len(tried.kept_s):
            return tried
    return plain


def _is_doubtful(plain: Rhythm) -> bool:
    """As many pulses missing as there are: those that come are clusters."""
    return bool((plain.counts - 1)[plain.is_recorded].sum() > 0.7 * len(plain.kept_s)) or plain.is_extra.mean() > _SHORT


def _rhythm(rising_s: FloatArray, is_cluster: BoolArray, unrecorded_s: FloatArray, hold_s: float) -> Rhythm:
    firsts = np.flatnonzero(~is_cluster)
    is_extra = is_cluster.copy()
    is_extra[firsts] = _extra(rising_s[firsts])
    kept_s = rising_s[~is_extra]
    periods_s = np.diff(kept_s)
    begins = np.searchsorted(unrecorded_s[:, 1], kept_s[:-1], side="left")
    ends = np.searchsorted(unrecorded_s[:, 0], kept_s[1:], side="right")
    is_recorded = begins >= ends
    normal_s = _normal(periods_s)
    counts = np.maximum(np.round(periods_s / normal_s), 1).astype(np.int64)
    is_single = (counts == 1) & is_recorded
    single = periods_s[is_single] / normal_s[is_single] - 1
    return Rhythm(
        kept_s=kept_s,
        is_extra=is_extra,
        periods_s=periods_s,
        counts=counts,
        is_recorded=is_recorded,
        is_single=is_single,
        jitter=1.4826 * float(np.median(np.abs(single - np.median(single)))) if len(single) else math.inf,
        hold_s=hold_s,
    )


def _clusters(rising_s: FloatArray, falling_s: FloatArray) -> list[tuple[BoolArray, float]]:
    """Ways to take edges in clusters as one, by time that a state must last: which edges are then too many."""
    gaps_s = np.sort(np.diff(rising_s))
    ratios = gaps_s[1:] / np.maximum(gaps_s[:-1], 1e-300)
    found = []
    for at in np.argsort(-ratios)[:_TRIED_N].tolist():
        short_n, long_n = at + 1, len(gaps_s) - at - 1
        is_cluster = long_n >= _CLUSTERS_N and 0.2 * long_n <= short_n <= (_CLUSTER_N - 1) * (long_n + 1)
        medians = float(np.median(gaps_s[at + 1 :]) / max(np.median(gaps_s[: at + 1]), 1e-300))
        if is_cluster and ratios[at] >= _APART and medians >= _APART_MEDIAN:
            hold_s = float(np.sqrt(gaps_s[at] * gaps_s[at + 1]))
            found += [
                (_unsteady(rising_s, falling_s, hold_s), hold_s),
                (np.insert(np.diff(rising_s) < hold_s, 0, False), hold_s),
            ]
    return [each for each in found if (~each[0]).sum() >= _CLUSTERS_N]


def _unsteady(rising_s: FloatArray, falling_s: FloatArray, hold_s: float) -> BoolArray:
    """Rising edges that do not begin a steady upper state after a steady lower one."""
    times_s = np.concatenate((rising_s, falling_s))
    order = np.argsort(times_s, kind="stable")
    number = np.where(order < len(rising_s), order, -1)  # of a rising edge; -1 of a falling one
    lasts = np.append(np.diff(times_s[order]), np.inf) >= hold_s
    before = np.insert(lasts[:-1], 0, True)
    steady = np.flatnonzero(lasts)
    is_extra = np.ones(len(rising_s), dtype=bool)
    # A pulse begins where the last steady low ends, if the next steady state is high.
    starts = np.flatnonzero(before & (number >= 0))
    following = np.searchsorted(steady, starts)
    is_there = following < len(steady)
    starts, following = starts[is_there], following[is_there]
    is_up = number[steady[following]] >= 0
    is_extra[number[starts[is_up]]] = False
    return is_extra


def _extra(rising_s: FloatArray) -> BoolArray:
    """Which edges follow another too soon, or cut a period in two."""
    # With every pulse counted twice half of the intervals are short; the upper quartile is still a whole one.
    whole_s = float(np.quantile(np.diff(rising_s), 0.75))
    is_extra = np.zeros(len(rising_s), dtype=bool)
    near = np.diff(rising_s) < _SHORT * whole_s
    if near.any():
        last_s = float(rising_s[0])
        for index, at_s in enumerate(rising_s[1:].tolist(), start=1):
            if at_s - last_s < _SHORT * whole_s:
                is_extra[index] = True
            else:
                last_s = at_s
    # One in the middle of a period follows none too soon: two short periods that are one together tell it.
    kept = np.flatnonzero(~is_extra)
    periods_s = np.diff(rising_s[kept])
    relative = periods_s / _normal(periods_s)
    first, second = relative[:-1], relative[1:]
    is_cut = (np.maximum(first, second) < _CUT) & (np.abs(first + second - 1) < 1 - _CUT)
    is_extra[kept[1:-1][is_cut]] = True
    return is_extra


def _normal(periods_s: FloatArray) -> FloatArray:
    """Median of the periods around each: the rate may change over the record."""
    width = min(_AROUND_N, len(periods_s) - (1 - len(periods_s) % 2))
    return np.asarray(ndimage.median_filter(periods_s, size=max(width, 1), mode="mirror"))
