"""Smooth errors of any shape: a Gaussian process over the range, as columns of one standard deviation each."""

import numpy as np

from instruments.datasheet import FloatArray

__all__ = ["smooth"]

_FAR_OUT = (-0.5, 1.5)  # beyond the range an output is held, and a curve goes on as it comes
_LEAST = 1e-7  # of the largest variance: what is below it no reading tells
_DIGITS_N = 5


def smooth(frac: FloatArray, way: FloatArray, *, length: float, way_share: float) -> FloatArray:
    """Columns of an error that changes smoothly over the range, in part alike both ways, in part not.

    Args:
        frac: what is asked for, as fraction of the range; shape (visits,).
        way: +1 going up, -1 going down, 0 neither.
        length: over which it changes, as fraction of the range (of a squared exponential).
        way_share: what is not alike both ways, as a share of what is.

    Returns:
        Shape (visits, columns).
    """
    at = np.round(np.stack((np.clip(frac, *_FAR_OUT), way), axis=1), _DIGITS_N)
    each, place = np.unique(at, axis=0, return_inverse=True)
    y, sign = each[:, :1], each[:, 1:]
    covariance = np.exp(-0.5 * ((y - y.T) / length) ** 2) * (1 + way_share**2 * sign * sign.T)
    variances, vectors = np.linalg.eigh(covariance)
    is_told = variances > _LEAST * variances[-1]
    return np.asarray((vectors[:, is_told] * np.sqrt(variances[is_told]))[place.ravel()])
