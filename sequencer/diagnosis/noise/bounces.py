"""Edges that come in clusters, as those of a contact that bounces: time that a state must last to be none of them."""

from dataclasses import dataclass

import numpy as np

from sequencer.evaluation.figures.per_point import BoolArray, FloatArray

__all__ = ["Bounce", "closings_of", "clusters", "hold_s", "unsteady"]

_APART = 2.8  # times as long as the longest gap within a cluster is the shortest between two
_APART_MEDIAN = 4.0  # the same of the medians: two teeth that are missing make three
_CLUSTER_N = 12.0  # edges in a cluster at most, on the average
_CLUSTERS_N = 4
_LEAST_STATES = 32
_LEAST_KEPT = 8  # states that are no bounces
_BOUNCED = 0.1  # of the states, that are short beside the rest
_TRIED_N = 6
_TOGGLED = 6.0  # times as long as a state within a cluster rests one between two, where few clusters tell
_TOGGLED_SHARE = 0.3  # of them have more than one edge: opening need not bounce
_SHORT_CLUSTER = 0.5  # of a rest


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounce:
    """A contact that opens and closes some times before it rests.

    Attributes:
        closings_n: how many times it closes, or opens.
        bounces_n: edges too many at one that has any, mean.
        lasts_s: longest time from the first edge to the last one before the contact rests.
    """

    closings_n: int
    bounces_n: float
    lasts_s: float


def hold_s(rising_s: FloatArray, falling_s: FloatArray) -> float:
    """Time that parts states from bounces: short ones of both kinds, one after the other; 0 where there are none.

    A pulse of little duty has short states of one kind only, each between long ones.
    """
    lasts_s = np.diff(np.sort(np.concatenate((rising_s, falling_s))))
    if len(lasts_s) < _LEAST_STATES:
        return 0.0
    rising = np.sort(lasts_s)
    least_n, most_n = int(_BOUNCED * len(rising)), len(rising) - _LEAST_KEPT
    ratios = rising[least_n + 1 : most_n + 1] / np.maximum(rising[least_n:most_n], 1e-300)
    at = least_n + int(np.argmax(ratios))
    if rising[at + 1] < _APART * rising[at]:
        return 0.0
    parts_s = float(np.sqrt(rising[at] * rising[at + 1]))
    is_short = lasts_s < parts_s
    together_n = np.count_nonzero(is_short[1:] & is_short[:-1])
    return parts_s if together_n > _BOUNCED * np.count_nonzero(~is_short) else 0.0


def closings_of(rising_s: FloatArray, falling_s: FloatArray, begin_s: float, end_s: float) -> Bounce | None:
    """A contact that bounces, however few its closings are, and whatever their rhythm; None where it is none.

    Args:
        rising_s: shape (n,).
        falling_s: shape (m,), in turn with the rising ones.
        begin_s: when the trace begins.
        end_s: when it ends.
    """
    parts_s = _toggled_s(rising_s, falling_s, begin_s, end_s)
    if not parts_s:
        return None
    all_s = np.sort(np.concatenate((rising_s, falling_s)))
    starts = np.flatnonzero(np.diff(all_s, prepend=-np.inf) >= parts_s)
    edges_n = np.diff(starts, append=len(all_s))
    closings_n = max(int((~unsteady(rising_s, falling_s, parts_s)).sum()), 1)
    return Bounce(
        closings_n=closings_n,
        bounces_n=(len(rising_s) - closings_n) / min(int((edges_n > 1).sum()), closings_n),
        lasts_s=float((all_s[starts + edges_n - 1] - all_s[starts]).max()),
    )


def _toggled_s(rising_s: FloatArray, falling_s: FloatArray, begin_s: float, end_s: float) -> float:
    """Time that parts states from bounces where each cluster leaves the other state behind; 0 where it does not.

    So few closings tell a contact that bounces. Pulses that come in groups leave the state that they found.

    Args:
        rising_s: shape (n,).
        falling_s: shape (m,), in turn with the rising ones.
        begin_s: when the trace begins.
        end_s: when it ends.
    """
    all_s = np.sort(np.concatenate((rising_s, falling_s)))
    if len(all_s) < 3:
        return 0.0
    lasts_s = np.diff(all_s)
    ends_s = min(float(all_s[0]) - begin_s, end_s - float(all_s[-1]))
    ordered = np.sort(lasts_s)
    ratios = ordered[1:] / np.maximum(ordered[:-1], 1e-300)
    if len(ratios) and ratios.max() >= _TOGGLED:
        at = int(np.argmax(ratios))
        longest_s, rest_s = float(ordered[at]), float(ordered[at + 1])
    else:  # one cluster in all
        longest_s, rest_s = float(ordered[-1]), ends_s
    if rest_s < _TOGGLED * longest_s:
        return 0.0
    parts_s = float(np.sqrt(longest_s * rest_s))
    starts = np.flatnonzero(np.concatenate(([True], lasts_s >= parts_s)))
    stops = np.append(starts[1:], len(all_s))
    edges_n = stops - starts
    is_short = float((all_s[stops - 1] - all_s[starts]).max()) < _SHORT_CLUSTER * rest_s
    # The record may cut the first and the last one.
    inner = edges_n[1:-1] if len(edges_n) > 3 else edges_n
    is_toggled = bool((inner % 2 == 1).all()) and float(np.mean(edges_n > 1)) >= _TOGGLED_SHARE
    return parts_s if is_toggled and is_short and edges_n.mean() <= _CLUSTER_N else 0.0


def clusters(rising_s: FloatArray, falling_s: FloatArray) -> list[tuple[BoolArray, float]]:
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
                (unsteady(rising_s, falling_s, hold_s), hold_s),
                (np.insert(np.diff(rising_s) < hold_s, 0, False), hold_s),
            ]
    return [each for each in found if (~each[0]).sum() >= _CLUSTERS_N]


def unsteady(rising_s: FloatArray, falling_s: FloatArray, hold_s: float) -> BoolArray:
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
