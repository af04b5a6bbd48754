"""Whether readings show one thing once, which is too little to tell a kind of noise, and how long a record must be."""

import math

import numpy as np

from sequencer.diagnosis.noise.wild import wild_samples, without_wild
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["is_seen_once", "longer_s"]

_LOW, _HIGH = 0.35, 0.65  # of the range: between them is no level
_MOST_CROSSINGS = 3  # of that band: a period and a half
_MOVED_SDS = 12.0  # of the noise from reading to reading: less is no event
_OUT = 0.1  # of the range: farther from the middle is away from rest
_LONGEST_EVENT = 0.5  # of the record
_LONGEST_PAUSE = 0.25  # of the event
_TIMES = 10  # that it should come, to be told


def is_seen_once(values: FloatArray) -> bool:
    """Whether all that moves is one edge, one hump or swing, or one stretch between rest and rest.

    Args:
        values: shape (n,), finite, in the order taken.
    """
    y = without_wild(values, wild_samples(values))
    low, span = float(y.min()), float(np.ptp(y))
    # Second differences have six times the variance of white noise, and nearly nothing of what is smooth.
    noise = float(np.median(np.abs(np.diff(y, 2)))) / 0.6745 / math.sqrt(6)
    if span == 0 or span < _MOVED_SDS * noise:
        return False
    share = (y - low) / span
    is_high = share[(share < _LOW) | (share > _HIGH)] > _HIGH
    if np.count_nonzero(np.diff(is_high)) <= _MOST_CROSSINGS:
        return True
    away = np.flatnonzero(np.abs(y - np.median(y)) > _OUT * span)
    event_n = int(away[-1] - away[0]) + 1
    return event_n < _LONGEST_EVENT * len(y) and int(np.diff(away).max(initial=0)) <= max(_LONGEST_PAUSE * event_n, 1.0)


def longer_s(length_s: float) -> float:
    """How long a record should be, s: what came once may come again after as long; two digits, upwards."""
    needed_s = _TIMES * length_s
    digits = 1 - math.floor(math.log10(needed_s))
    return float(math.ceil(needed_s * 10**digits) / 10**digits)
