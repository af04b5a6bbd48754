"""Many tests at once: p values corrected so that the chance of any false alarm among them stays what it is for one."""

import numpy as np

from instruments.datasheet import FloatArray

__all__ = ["holm"]


def holm(p: FloatArray) -> FloatArray:
    """P values adjusted by the step-down procedure of Holm; it holds however the tests hang together.

    Args:
        p: shape (tests,), 0 to 1; NaN = not tested, and not counted.

    Returns:
        Same shape, to be held against the level for all tests together; NaN where `p` is.

    Source: S. Holm, A simple sequentially rejective multiple test procedure, 1979 (from memory).
    """
    tested = np.flatnonzero(~np.isnan(p))
    order = tested[np.argsort(p[tested], kind="stable")]
    steps = p[order] * np.arange(len(order), 0, -1)
    adjusted = np.full(p.shape, np.nan)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return adjusted
