"""Single readings that stand out from their neighbours, whatever moves all of them."""

import numpy as np
from scipy.ndimage import median_filter

from sequencer.diagnosis.noise.kinds.kind import AWAY_SDS
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray

__all__ = ["stand_out"]

_NEIGHBOURS_N = 7  # of which four have to be hit to hide it: of a share of 12 % in 200 places that is once
_MEDIAN_TO_SD = 0.6745  # of the sizes of normal noise
_MOST = 0.25  # of the readings: more are no single ones


def stand_out(values: FloatArray, floor: float) -> BoolArray:
    """Whether each reading lies off the median of its neighbours, farther than white noise goes; none if many do.

    Args:
        values: shape (n,), finite, in the order taken.
        floor: smallest noise that is believed, same unit.

    Returns:
        Shape (n,).
    """
    away = np.abs(values - median_filter(values, _NEIGHBOURS_N, mode="nearest"))
    moves = away[away > 0]  # readings on few levels are mostly their own median, and no level stands out from others
    is_out = away > AWAY_SDS * max(float(np.median(moves)) / _MEDIAN_TO_SD if len(moves) else 0.0, floor)
    return is_out if is_out.mean() <= _MOST else np.zeros(len(values), dtype=bool)
