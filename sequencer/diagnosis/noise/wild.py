"""Samples that lie far outside all others: a disturbance of the record, taken out before anything else is looked at."""

import numpy as np

from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["wild_samples", "without_wild"]

_MOST_N = 3
_OUTSIDE = 0.5  # of the range of all others
_LEAST_N = 32
_PART_N = 2**16  # samples that are looked at together


def wild_samples(values: FloatArray) -> IntArray:
    """Places of at most three single samples that lie farther outside the others than half of their range.

    Args:
        values: shape (n,), no NaN.
    """
    if len(values) < _LEAST_N:
        return np.zeros(0, dtype=np.int64)
    parts = [start + _outer(values[start : start + _PART_N]) for start in range(0, len(values), _PART_N)]
    ends = np.unique(np.concatenate(parts))
    ends = ends[_outer(values[ends])]
    about = float(np.median(values[:: max(len(values) // 10_000, 1)]))
    order = ends[np.argsort(-np.abs(values[ends] - about), kind="stable")]
    for wild_n in range(1, _MOST_N + 1):
        wild, others = order[:wild_n], order[wild_n:]
        low, high = float(values[others].min()), float(values[others].max())
        room = _OUTSIDE * (high - low)
        if high > low and ((values[wild] > high + room) | (values[wild] < low - room)).all():
            # Two beside each other are a pulse, and so are samples that the trace goes up to.
            return np.sort(wild) if np.diff(np.sort(wild), prepend=-2).min() > 1 else np.zeros(0, dtype=np.int64)
    return np.zeros(0, dtype=np.int64)


def _outer(values: FloatArray) -> IntArray:
    """Places of the few lowest and the few highest values; of very few some are both."""
    many = min(2 * _MOST_N + 1, len(values) - 1)
    return np.concatenate((np.argpartition(values, many)[:many], np.argpartition(values, -many)[-many:]))


def without_wild(values: FloatArray, wild: IntArray) -> FloatArray:
    """The values with some drawn straight from neighbour to neighbour; the same array where there are none."""
    if not len(wild):
        return values
    drawn = values.copy()
    drawn[wild] = (values[np.maximum(wild - 1, 1 - wild)] + values[np.where(wild + 1 < len(values), wild + 1, -2)]) / 2
    return drawn
