"""Where the pulses of a train rest: they begin late, pause, or stop before the record does."""

from dataclasses import dataclass

import numpy as np

from sequencer.diagnosis.noise.edges import Edges
from sequencer.diagnosis.noise.rhythm import Rhythm
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray

__all__ = ["Rest", "pauses", "rests_of"]

_LEAST_N = 8  # pulses that would have come meanwhile: fewer are missing ones
_LEAST_END_N = 4.0  # the same before the first and after the last one, where nothing tells that they go on
_OVER_GAPS = 1.5  # times the longest gap between two others: as long may a tooth or some be missing
_MOST_PAUSES = 4  # more come again, as what is missing on a wheel does
_LAST_N = 5  # periods that the pace at an end is told by


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """A time without pulses.

    Attributes:
        begin_s: when the last pulse before it came, or the record begins.
        end_s: when the next one comes, or the record ends.
        is_first: nothing came before.
        is_last: nothing came after.
    """

    begin_s: float
    end_s: float
    is_first: bool = False
    is_last: bool = False


def pauses(rhythm: Rhythm) -> BoolArray:
    """Which periods are pauses, and no few missing pulses; shape of the periods."""
    is_long = (rhythm.counts > _LEAST_N) & rhythm.is_recorded
    return is_long if np.count_nonzero(is_long) <= _MOST_PAUSES else np.zeros_like(is_long)


def rests_of(edges: Edges, rhythm: Rhythm) -> tuple[Rest, ...]:
    """Rests of a train, in order.

    Args:
        edges: of the trace.
        rhythm: of these edges.
    """
    kept_s, is_pause = rhythm.kept_s, pauses(rhythm)
    others_s = rhythm.periods_s[~is_pause & rhythm.is_recorded]
    longest_s = float(others_s.max()) if len(others_s) else 0.0
    begin_s, end_s = edges.begin_s, edges.begin_s + edges.length_s
    single_s = rhythm.periods_s[rhythm.is_single]

    def is_rest(from_s: float, to_s: float, pace_s: FloatArray) -> bool:
        lost_s = np.minimum(edges.unrecorded_s[:, 1], to_s) - np.maximum(edges.unrecorded_s[:, 0], from_s)
        silent_s = to_s - from_s - float(np.maximum(lost_s, 0).sum())
        return silent_s > max(_LEAST_END_N * float(np.median(pace_s)), _OVER_GAPS * longest_s)

    found = []
    if is_rest(begin_s, float(kept_s[0]), single_s[:_LAST_N]):
        found.append(Rest(begin_s=begin_s, end_s=float(kept_s[0]), is_first=True))
    found += [Rest(begin_s=float(kept_s[at]), end_s=float(kept_s[at + 1])) for at in np.flatnonzero(is_pause).tolist()]
    last_s = float(rhythm.all_s[-1])
    if is_rest(last_s, end_s, single_s[-_LAST_N:]):
        found.append(Rest(begin_s=last_s, end_s=end_s, is_last=True))
    return tuple(found)
