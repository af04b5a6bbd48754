"""What is left of a trace without its pulses: the shape that they have in common taken from each."""

import numpy as np

from sequencer.diagnosis.noise.rhythm import Rhythm
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray

__all__ = ["residue_of"]

_CELLS_PER_SAMPLE = 2  # places of a period that the shape is known at
_CELLS_N = (16, 512)
_LEAST_SAMPLES = 6  # in a cell, on the average
_JUMP = 0.4  # of the height of the shape: what moves as far within a sample is an edge, that sampling displaces
_DISPLACED = 0.03  # of the height of the shape
_LEAST_LEFT = 0.3  # of the samples
_PART_N = 2**16  # samples that are looked at together


def residue_of(
    values: FloatArray, times_s: FloatArray, rhythm: Rhythm, *, timing_s: float = 0.0, pulses_n: int = 1
) -> tuple[FloatArray, BoolArray] | None:
    """A trace less the mean shape of its pulses, each laid from edge to edge, and where that is known.

    Lines of the pulses are gone, their images by sampling too, whatever they are near to. What lies between the pulses
    and keeps no time with them stays.

    Args:
        values: shape (n,), no NaN.
        times_s: shape (n,), rising.
        rhythm: of the edges.
        timing_s: how far sampling may displace an edge; where the shape is so steep that it matters, nothing is known.
        pulses_n: of a wheel whose pulses are not alike: each has its own shape, where there are revolutions enough.

    Returns:
        Shape (n,), 0 where nothing is known: at edges, in periods with a fault, where nothing was recorded; and True
        where it is known. None where too little is.
    """
    kept_s, many = rhythm.kept_s, len(rhythm.periods_s)
    is_sound = rhythm.is_single.copy()
    extra = np.searchsorted(kept_s, rhythm.all_s[rhythm.is_extra]) - 1
    is_sound[extra[(extra >= 0) & (extra < many)]] = False
    parts = [slice(start, start + _PART_N) for start in range(0, len(values), _PART_N)]
    is_known = np.zeros(len(values), dtype=bool)
    for part in parts:
        period = np.searchsorted(kept_s, times_s[part], side="right") - 1
        is_inside = (period >= 0) & (period < many)
        is_inside[is_inside] = is_sound[period[is_inside]]
        is_known[part] = is_inside
    known_n = int(np.count_nonzero(is_known))
    if known_n < _LEAST_LEFT * len(values):
        return None
    per_period = known_n / max(int(is_sound.sum()), 1)
    cells_n = int(np.clip(_CELLS_PER_SAMPLE * per_period, *_CELLS_N))
    each_n = known_n // (_LEAST_SAMPLES * pulses_n)
    if pulses_n > 1 and each_n >= per_period:
        tooth = np.concatenate(([0], np.cumsum(rhythm.counts))) % pulses_n
        cells_n = pulses_n * min(cells_n, each_n)
    else:
        tooth = np.zeros(many + 1, dtype=np.int64)
        pulses_n, cells_n = 1, max(min(cells_n, known_n // _LEAST_SAMPLES), 4)

    def turns_in(part: slice) -> FloatArray:
        """Where the samples that are known lie in a turn of the wheel, in pulses."""
        seen_s = times_s[part][is_known[part]]
        at = np.searchsorted(kept_s, seen_s, side="right") - 1
        return np.asarray(tooth[at] + (seen_s - kept_s[at]) / rhythm.periods_s[at])

    # In parts: all at once would take a dozen times the room of the samples.
    seen_n, turned, summed = np.zeros(cells_n, dtype=np.int64), np.zeros(cells_n), np.zeros(cells_n)
    for part in parts:
        turn = turns_in(part)
        cell = np.minimum((turn * (cells_n / pulses_n)).astype(np.int64), cells_n - 1)
        seen_n += np.bincount(cell, minlength=cells_n)
        turned += np.bincount(cell, weights=turn, minlength=cells_n)
        summed += np.bincount(cell, weights=values[part][is_known[part]], minlength=cells_n)
    some = np.flatnonzero(seen_n)
    places, shape = turned[some] / seen_n[some], summed[some] / seen_n[some]

    def shape_at(turns: FloatArray) -> FloatArray:
        return np.asarray(np.interp(turns, places, shape, period=pulses_n))

    step, height = 1 / per_period, float(np.ptp(shape))
    off_n = timing_s / float(np.median(np.diff(times_s))) / 2
    left = np.zeros(len(values))
    for part in parts:
        turn, known = turns_in(part), np.flatnonzero(is_known[part]) + part.start
        moves = np.abs(shape_at(turn + step) - shape_at(turn - step)) / height
        is_edge = (moves > _JUMP) | (moves * off_n > _DISPLACED)
        left[known] = np.where(is_edge, 0.0, values[known] - shape_at(turn))
        is_known[known] = ~is_edge
    return (left, is_known) if is_known.mean() >= _LEAST_LEFT else None
