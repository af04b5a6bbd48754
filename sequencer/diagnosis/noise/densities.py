"""Log densities of one reading, one for each kind of noise; single readings at many points use them, and bursts at one.

`away` is a reading less what it should be; all sizes are in its unit. Nothing is fitted here.
"""

import math

import numpy as np

from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["log_cdf", "log_lost", "log_mixture", "log_normal", "log_sine", "log_thrown"]

_LOG_2PI = math.log(2 * math.pi)
_PHASES = np.sin(math.pi * ((np.arange(64) + 0.5) / 64 - 0.5))  # of half a turn; the other half is the same
_NARROWEST = 1 / 24  # noise beneath a sine, in amplitudes; else the quadrature misses the edges of the arcsine
_RATIOS = np.linspace(0, 3, 301)
_ANYWHERE = 0.02  # of the readings that an open contact loses: they lie anywhere


def log_normal(away: FloatArray, sd: FloatArray | float) -> FloatArray:
    """White noise."""
    return np.asarray(-0.5 * (away / sd) ** 2 - np.log(sd) - _LOG_2PI / 2)


def log_cdf(x: FloatArray) -> FloatArray:
    """Log of the normal distribution function; good to 1e-3 in the function, and in the logarithm of its tail."""
    positive = 0.5 * (1 + np.tanh(np.sqrt(2 / np.pi) * (x + 0.044715 * x**3)))
    tail = -0.5 * np.minimum(x, -1.0) ** 2 - np.log(np.maximum(-x, 1.0)) - 0.5 * _LOG_2PI
    return np.where(x > -4, np.log(np.maximum(positive, 1e-12)), tail)


def log_sine(away: FloatArray, amplitude: float, sd: float) -> FloatArray:
    """A sine read at random phases (arcsine distribution) with white noise, which is amplitude / 24 at least."""
    noise = max(sd / amplitude, _NARROWEST)
    each = -0.5 * ((_RATIOS[:, np.newaxis] - _PHASES) / noise) ** 2
    nearest = each.max(axis=1)
    logs = nearest + np.log(np.exp(each - nearest[:, np.newaxis]).mean(axis=1))
    ratio = np.abs(away) / amplitude
    # Farther out than the table goes it is the tail of the noise about the peak.
    farther = 0.5 * ((np.maximum(ratio, _RATIOS[-1]) - 1) ** 2 - (_RATIOS[-1] - 1) ** 2) / noise**2
    return np.asarray(np.interp(ratio, _RATIOS, logs) - farther - math.log(noise * amplitude) - _LOG_2PI / 2)


def log_thrown(away: FloatArray, size: FloatArray | float, sd: FloatArray | float) -> FloatArray:
    """Thrown upwards by a half-normal amount, its root mean square `size`, with white noise."""
    wide = np.sqrt(np.square(size) + np.square(sd))
    return log_normal(away, wide) + math.log(2) + log_cdf(away * size / (sd * wide))


def log_lost(value: FloatArray, rail: float, blur: float, width: float) -> FloatArray:
    """A reading that an open contact sends to a rail, or somewhere within `width`."""
    there = log_normal(value - rail, blur) + math.log1p(-_ANYWHERE)
    return np.logaddexp(there, math.log(_ANYWHERE / width))


def log_mixture(share: FloatArray | float, usual: FloatArray, other: FloatArray) -> FloatArray:
    """A share of the readings is of another density, 0 < share < 1."""
    return np.logaddexp(np.log1p(-share) + usual, np.log(share) + other)
