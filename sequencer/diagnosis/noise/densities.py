"""Log densities that several kinds of noise are made of; the density of each kind stands in its own module.

`away` is a reading less what it should be; all sizes are in its unit.
"""

import math

import numpy as np

from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["log_cdf", "log_mixture", "log_normal"]

_LOG_2PI = math.log(2 * math.pi)
_TAIL_FROM = -4.0  # below it tanh is too coarse, and the asymptotic tail good to 6 % and better
_TANH = math.sqrt(2 / math.pi)
_LARGEST_ODDS = 700.0  # of what exp can give; the tail stands there


def log_normal(away: FloatArray, sd: FloatArray | float) -> FloatArray:
    """White noise."""
    found = away / sd
    found *= found
    found *= -0.5
    found -= np.log(sd) + _LOG_2PI / 2
    return np.asarray(found)


def log_cdf(x: FloatArray) -> FloatArray:
    """Log of the normal distribution function; good to 1e-3 in the function, and in the logarithm of its tail."""
    # 0.044715: the constant of the tanh approximation (Page 1977, from memory); (1 + tanh z) / 2 = 1 / (1 + exp(-2 z)).
    odds = x * x
    odds *= -2 * _TANH * 0.044715
    odds -= 2 * _TANH
    odds *= x
    np.minimum(odds, _LARGEST_ODDS, out=odds)
    found = np.exp(odds, out=odds)
    found += 1
    np.log(found, out=found)
    np.negative(found, out=found)
    far = np.flatnonzero(x <= _TAIL_FROM)
    if len(far):
        tail = x.ravel()[far]
        found.ravel()[far] = -0.5 * tail**2 - np.log(-tail) - 0.5 * _LOG_2PI
    return np.asarray(found)


def log_mixture(share: FloatArray | float, usual: FloatArray, other: FloatArray) -> FloatArray:
    """A share of the readings is of another density, 0 < share < 1."""
    return np.logaddexp(np.log1p(-share) + usual, np.log(share) + other)
