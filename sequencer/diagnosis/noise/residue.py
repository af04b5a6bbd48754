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
    period = np.searchsorted(kept_s, times_s, side="right") - 1
    is_known = (period >= 0) & (period < many)
    is_known[is_known] = is_sound[period[is_known]]
    if is_known.mean() < _LEAST_LEFT:
        return None
    at, y = period[is_known], values[is_known]
    turn = (times_s[is_known] - kept_s[at]) / rhythm.periods_s[at]
    per_period = len(y) / max(int(is_sound.sum()), 1)
    cells_n = int(np.clip(_CELLS_PER_SAMPLE * per_period, *_CELLS_N))
    each_n = len(y) // (_LEAST_SAMPLES * pulses_n)
    if pulses_n > 1 and each_n >= per_period:
        tooth = np.concatenate(([0], np.cumsum(rhythm.counts)))[at] % pulses_n
        turn, cells_n = tooth + turn, pulses_n * min(cells_n, each_n)
    else:
        pulses_n, cells_n = 1, max(min(cells_n, len(y) // _LEAST_SAMPLES), 4)
    cell = np.minimum((turn * (cells_n / pulses_n)).astype(np.int64), cells_n - 1)
    seen_n = np.bincount(cell, minlength=cells_n)
    some = np.flatnonzero(seen_n)
    places = np.bincount(cell, weights=turn, minlength=cells_n)[some] / seen_n[some]
    shape = np.bincount(cell, weights=y, minlength=cells_n)[some] / seen_n[some]

    def shape_at(turns: FloatArray) -> FloatArray:
        return np.asarray(np.interp(turns, places, shape, period=pulses_n))

    step = 1 / per_period
    moves = np.abs(shape_at(turn + step) - shape_at(turn - step)) / float(np.ptp(shape))
    off_n = timing_s / float(np.median(np.diff(times_s))) / 2
    is_edge = (moves > _JUMP) | (moves * off_n > _DISPLACED)
    left = np.zeros(len(values))
    left[is_known] = np.where(is_edge, 0.0, y - shape_at(turn))
    is_known[is_known] = ~is_edge
    return (left, is_known) if is_known.mean() >= _LEAST_LEFT else None
