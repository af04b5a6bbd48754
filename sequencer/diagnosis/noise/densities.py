"""Log densities that several kinds of noise are made of; the density of each kind stands in its own module.

`away` is a reading less what it should be; all sizes are in its unit.
"""

import math

import numpy as np

from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["log_cdf", "log_mixture", "log_normal"]

_LOG_2PI = math.log(2 * math.pi)
_TAIL_FROM = -4.0  # below it tanh is too coarse, and the asymptotic tail good to 6 % and better
_LEAST_CDF = 1e-12


def log_normal(away: FloatArray, sd: FloatArray | float) -> FloatArray:
    """White noise."""
    return np.asarray(-0.5 * (away / sd) ** 2 - np.log(sd) - _LOG_2PI / 2)


def log_cdf(x: FloatArray) -> FloatArray:
    """Log of the normal distribution function; good to 1e-3 in the function, and in the logarithm of its tail."""
    # 0.044715: the constant of the tanh approximation (Page 1977, from memory).
    positive = 0.5 * (1 + np.tanh(np.sqrt(2 / np.pi) * x * (1 + 0.044715 * x * x)))
    tail = -0.5 * np.minimum(x, -1.0) ** 2 - np.log(np.maximum(-x, 1.0)) - 0.5 * _LOG_2PI
    return np.where(x > _TAIL_FROM, np.log(np.maximum(positive, _LEAST_CDF)), tail)


def log_mixture(share: FloatArray | float, usual: FloatArray, other: FloatArray) -> FloatArray:
    """A share of the readings is of another density, 0 < share < 1."""
    return np.logaddexp(np.log1p(-share) + usual, np.log(share) + other)
