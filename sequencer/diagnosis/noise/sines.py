"""Sines in readings by least squares, at any times: how much of the scatter a sine takes, aliases, false alarms."""

import math

import numpy as np

from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["alias_Hz", "explained", "false_alarm", "fit_sines", "kept_by_aperture"]

_MOST_CELLS = 2_000_000  # of a block of frequencies by readings


def alias_Hz(rate_Hz: float, interval_s: float) -> float:
    """Where a frequency appears when a reading is taken every `interval_s`: between 0 and half the reading rate."""
    turns = rate_Hz * interval_s
    return abs(turns - round(turns)) / interval_s


def kept_by_aperture(rate_Hz: float, aperture_s: float) -> float:
    """Share of a sine that is left when each reading is the mean over an aperture: |sin(pi f Ta) / (pi f Ta)|."""
    return abs(float(np.sinc(rate_Hz * aperture_s)))


def explained(values: FloatArray, times_s: FloatArray, rates_Hz: FloatArray) -> FloatArray:
    """Share of the sum of squares about the mean that a sine takes, at each frequency.

    The generalised Lomb-Scargle periodogram (floating mean, equal weights; Zechmeister and Kuerster 2009, from memory).

    Args:
        values: shape (n,), any unit.
        times_s: shape (n,), any spacing.
        rates_Hz: shape (m,), above 0.

    Returns:
        Shape (m,), 0..1.
    """
    y = values - values.mean()
    whole = float(y @ y)
    if whole == 0:
        return np.zeros(len(rates_Hz))
    found = []
    rows_n = max(_MOST_CELLS // len(y), 1)
    for start in range(0, len(rates_Hz), rows_n):
        angle = 2 * np.pi * rates_Hz[start : start + rows_n, None] * (times_s - times_s[0])
        c, s = np.cos(angle), np.sin(angle)
        c -= c.mean(axis=1, keepdims=True)
        s -= s.mean(axis=1, keepdims=True)
        cc, ss, cs = (c * c).sum(axis=1), (s * s).sum(axis=1), (c * s).sum(axis=1)
        yc, ys = c @ y, s @ y
        determinant = cc * ss - cs**2
        # Where cosine and sine are one and the same seen from these times, there is one of them only.
        is_two = determinant > 1e-9 * len(y) ** 2
        two = (ss * yc**2 + cc * ys**2 - 2 * cs * yc * ys) / np.where(is_two, determinant, 1)
        largest = np.where(cc >= ss, yc**2 / np.maximum(cc, 1e-300), ys**2 / np.maximum(ss, 1e-300))
        is_any = np.maximum(cc, ss) > 1e-9 * len(y)
        found.append(np.where(is_two, two, np.where(is_any, largest, 0.0)) / whole)
    return np.clip(np.concatenate(found), 0.0, 1.0)


def fit_sines(values: FloatArray, times_s: FloatArray, rates_Hz: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
    """Amplitude of the sine at each frequency, and what is left of the readings; least squares with a mean."""
    angle = 2 * np.pi * np.outer(times_s - times_s[0], np.array(rates_Hz))
    basis = np.concatenate((np.ones((len(values), 1)), np.cos(angle), np.sin(angle)), axis=1)
    size = np.linalg.lstsq(basis, values, rcond=1e-7)[0]
    many = len(rates_Hz)
    return np.hypot(size[1 : many + 1], size[many + 1 :]), values - basis @ size


def false_alarm(share: float, readings_n: int, tried_n: int) -> float:
    """Probability that white noise alone gives a sine that takes `share` of the squares somewhere.

    Args:
        share: from `explained`.
        readings_n: how many readings.
        tried_n: independent frequencies looked at, about half the readings for a scan up to half the reading rate.
    """
    # (1 - share) ^ ((n - 3) / 2) for one frequency: exact for even spacing (beta distribution).
    single = (1 - share) ** ((readings_n - 3) / 2)
    return float(-math.expm1(tried_n * math.log1p(-min(single, 1 - 1e-16))))
