"""Sines in readings by least squares, at any times: how much of the scatter a sine takes, aliases, false alarms."""

import math
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from scipy import fft, stats

from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["alias_Hz", "explained", "false_alarm", "fit_sines", "kept_by_aperture", "level_beside_sines"]

ComplexArray: TypeAlias = npt.NDArray[np.complex128]

_MOST_CELLS = 1_000_000  # of a block of frequencies by readings
_LEAST_GRID = 200  # frequencies from which on the grid is the faster way
_EVEN = 1e-6  # of a step: what counts as an even grid of frequencies
_APART = 1e-3  # least of the largest eigenvalue of the products
_MANY_N, _FINE_N, _OFF_TURN = 8192, 512, 1e-5  # times; in a row; radians that one may lie off even ones
_SPREAD = 12  # cells to each side that a reading is spread over


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
    n, t = len(y), times_s - times_s[0]
    with_y, with_one, doubled = _sums(y, t, rates_Hz)
    cc = (n + doubled.real) / 2 - with_one.real**2 / n
    ss = (n - doubled.real) / 2 - with_one.imag**2 / n
    cs = doubled.imag / 2 - with_one.real * with_one.imag / n
    yc, ys = with_y.real, with_y.imag
    determinant = cc * ss - cs**2
    # Where cosine and sine are one and the same seen from these times, there is one of them only.
    is_two = determinant > 1e-9 * n**2
    two = (ss * yc**2 + cc * ys**2 - 2 * cs * yc * ys) / np.where(is_two, determinant, 1)
    largest = np.where(cc >= ss, yc**2 / np.maximum(cc, 1e-300), ys**2 / np.maximum(ss, 1e-300))
    is_any = np.maximum(cc, ss) > 1e-9 * n
    return np.clip(np.where(is_two, two, np.where(is_any, largest, 0.0)) / whole, 0.0, 1.0)


def _sums(y: FloatArray, t: FloatArray, rates_Hz: FloatArray) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Sums over the readings of y e, of e and of e squared, e = exp(2 pi i f t), at each frequency."""
    m = len(rates_Hz)
    step_Hz = (rates_Hz[-1] - rates_Hz[0]) / max(m - 1, 1)
    is_even = m > 1 and np.allclose(np.diff(rates_Hz), step_Hz, rtol=_EVEN, atol=0)
    if is_even and m >= _LEAST_GRID:
        return (
            _on_grid(y, t, rates_Hz[0], step_Hz, m),
            _on_grid(np.ones_like(y), t, rates_Hz[0], step_Hz, m),
            _on_grid(np.ones_like(y), 2 * t, rates_Hz[0], step_Hz, m),
        )
    found = np.empty((3, m), dtype=np.complex128)
    if is_even:
        turned, step = np.exp(2j * np.pi * rates_Hz[0] * t), np.exp(2j * np.pi * step_Hz * t)
        for each in range(m):  # from one to the next by a turn, which is faster than a sine of each
            found[:, each] = turned @ y, turned.sum(), turned @ turned
            turned *= step
        return found[0], found[1], found[2]
    rows_n = max(_MOST_CELLS // len(y), 1)
    for start in range(0, m, rows_n):
        turning = np.exp(2j * np.pi * rates_Hz[start : start + rows_n, None] * t)
        found[:, start : start + rows_n] = turning @ y, turning.sum(axis=1), (turning**2).sum(axis=1)
    return found[0], found[1], found[2]


def _on_grid(weights: FloatArray, t: FloatArray, low_Hz: float, step_Hz: float, m: int) -> ComplexArray:
    """Sum of weights exp(2 pi i f t) at m even frequencies: each reading is spread over a fine grid, then one FFT.

    Source: Greengard and Lee 2004, accelerating the nonuniform FFT (from memory); 1e-12 of the sum of the weights.
    """
    cells_n = 2 * fft.next_fast_len(max(m, 2 * _SPREAD))
    width = 4 * np.pi * _SPREAD / (3 * cells_n**2)  # for a grid of twice as many cells as frequencies
    turned = weights * np.exp(2j * np.pi * (low_Hz + (m // 2) * step_Hz) * t)
    place = t * step_Hz % 1.0 * cells_n
    nearest = np.floor(place).astype(np.int64)
    grid = np.zeros(cells_n, dtype=np.complex128)
    for aside in range(1 - _SPREAD, _SPREAD + 1):
        away = 2 * np.pi / cells_n * (nearest + aside - place)
        part = turned * np.exp(-(away**2) / (4 * width))
        at = (nearest + aside) % cells_n
        grid += np.bincount(at, part.real, cells_n) + 1j * np.bincount(at, part.imag, cells_n)
    orders = np.arange(m) - m // 2
    narrowed = fft.ifft(grid)[orders] * np.sqrt(np.pi / width)
    return np.asarray(narrowed * np.exp(width * orders.astype(np.float64) ** 2))


def fit_sines(values: FloatArray, times_s: FloatArray, rates_Hz: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
    """Amplitude of the sine at each frequency, and what is left of the readings; least squares with a mean."""
    many = len(rates_Hz)
    basis, size, _ = _solved(values, times_s, rates_Hz)
    return np.hypot(size[1 : many + 1], size[many + 1 :]), values - size @ basis


def level_beside_sines(values: FloatArray, times_s: FloatArray, rates_Hz: tuple[float, ...]) -> tuple[float, float]:
    """What the readings are about, and half width of its 95 % interval: their mean is not, where no turn is whole.

    NaN where a sine goes so little that it may be any part of the level.
    """
    basis, size, products = _solved(values, times_s, rates_Hz)
    rest, left_n = values - size @ basis, len(values) - len(size)
    if not _is_apart(products) or left_n < 1:
        return float(values.mean()), math.nan
    variance = float(rest @ rest) / left_n * float(np.linalg.inv(products)[0, 0])
    return float(size[0]), float(stats.t.ppf(0.975, left_n)) * math.sqrt(variance)


def _solved(
    values: FloatArray, times_s: FloatArray, rates_Hz: tuple[float, ...]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, cosines and sines, how much of each is in the readings, and the products of each with each."""
    many, after_s = len(rates_Hz), times_s - times_s[0]
    basis = np.ones((2 * many + 1, len(values)))
    for at, rate_Hz in enumerate(rates_Hz, start=1):
        turned = _turned(after_s, rate_Hz)
        basis[at], basis[at + many] = turned.real, turned.imag
    products = basis @ basis.T
    # Where no sine is nearly made of the others, their products are enough, at a fifth of the time.
    is_apart = _is_apart(products)
    size = np.linalg.solve(products, basis @ values) if is_apart else np.linalg.lstsq(basis.T, values, rcond=1e-7)[0]
    return basis, np.asarray(size, dtype=np.float64), products


def _is_apart(products: FloatArray) -> bool:
    apart = np.linalg.eigvalsh(products)
    return bool(apart[0] > _APART * apart[-1])


def _turned(times_s: FloatArray, rate_Hz: float) -> ComplexArray:
    """exp(2 pi i f t), shape (n,); of many even times by the products of few."""
    many, turns = len(times_s), 2j * np.pi * rate_Hz
    step_s = float(times_s[-1]) / max(many - 1, 1)
    if many < _MANY_N or 2 * np.pi * rate_Hz * float(np.abs(times_s - step_s * np.arange(many)).max()) > _OFF_TURN:
        return np.asarray(np.exp(turns * times_s))
    fine = np.exp(turns * step_s * np.arange(_FINE_N))
    coarse = np.exp(turns * step_s * _FINE_N * np.arange(-(-many // _FINE_N)))
    return np.asarray((coarse[:, None] * fine).ravel()[:many])


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
