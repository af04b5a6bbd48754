"""Probabilities of the normal, Student t, chi-squared and F distributions over whole arrays.

No test, no interval, no verdict. Arrays of any shapes that broadcast; NaN in, or a number of degrees of freedom that
cannot be, gives NaN. Compared with scipy: 12 digits for t from half a degree of freedom up (infinity is the normal), 10
from 0.125; 12 for chi-squared, 10 for F.
"""

import math
from functools import lru_cache
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = [
    "chi_squared_sf",
    "coverage_factor",
    "f_sf",
    "normal_cdf",
    "normal_quantile",
    "t_cdf",
    "t_quantile",
]

_LEAST_DOF = 0.125
# What is left out of a tail: a fraction exp(-37), some 1e-16.
_CUT = 37.0
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
# Series of gamma(a + 1/2) / (gamma(a) sqrt(a)) in 1 / a; from a = 50 up the next term is below 1e-13.
_RATIO_SERIES = (1.0, -1 / 8, 1 / 128, 5 / 1024, -21 / 32768, -399 / 262144)
_RATIO_FROM = 50.0
# Nearer to certainty the series would need more terms.
_K_SERIES_TO = 0.999999
_K_SERIES_N = 40

# (1 + 2 a) exp(a^2) erfc(a) in powers of (a - 3.75) / (a + 3.75), a from 0 to infinity: smooth and near to one, so that
# both tails keep their digits; the form of Shepherd and Laframboise 1981 (from memory), fitted to scipy's erfcx.
_ERFC_AT = 3.75
_ERFC_SERIES = (
    1.2375126308378275,
    -0.1402405985855446,
    0.003585415485479068,
    0.0822767384900144,
    -0.10880393014252437,
    0.09230432116329124,
    -0.05869339857498204,
    0.02836227738569485,
    -0.009746579696873437,
    0.0017556260745346375,
    0.00029371443687707557,
    -0.00029015500980256724,
    5.164637968957416e-05,
    2.238678332449879e-05,
    -1.1437813668919647e-05,
    -9.781621812259356e-07,
    1.7417602170559014e-06,
    -5.177708624207223e-08,
    -2.484520967553023e-07,
    1.9227450628621967e-08,
    3.194924218527953e-08,
    -2.0419399355916375e-09,
    -2.6214312824702037e-09,
)
_FAR = 40.0  # standard deviations; the probability beyond is no number any more
_lgamma = np.frompyfunc(math.lgamma, 1, 1)
_inv_cdf = np.frompyfunc(NormalDist().inv_cdf, 1, 1)


def normal_cdf(z: npt.ArrayLike) -> FloatArray:
    """Probability that a standard normal variable is at most `z`; all digits in both tails.

    Args:
        z: any shape.
    """
    z = np.asarray(z, dtype=np.float64)
    away = np.minimum(np.abs(z), _FAR)
    a = away / math.sqrt(2)
    tail = np.polynomial.polynomial.polyval((a - _ERFC_AT) / (a + _ERFC_AT), _ERFC_SERIES)
    tail *= np.exp(away * away / -2) / (2 + 4 * a)
    return np.asarray(np.where(z > 0, 1 - tail, tail))


def normal_quantile(probability: npt.ArrayLike) -> FloatArray:
    """Where a standard normal variable lies below with a probability; NaN outside 0 to 1.

    Args:
        probability: any shape, 0 to 1.
    """
    p = np.asarray(probability, dtype=np.float64)
    is_open = (p > 0) & (p < 1)
    z = _floats(_inv_cdf(np.where(is_open, p, 0.5)))
    return np.where(is_open, z, np.where(p == 0, -np.inf, np.where(p == 1, np.inf, np.nan)))


def t_cdf(t: npt.ArrayLike, dof: npt.ArrayLike) -> FloatArray:
    """Probability that a Student t variable is at most `t`.

    Args:
        t: any shape.
        dof: degrees of freedom, not necessarily whole, infinity = normal; below 0.125 gives NaN.
    """
    t, dof = np.broadcast_arrays(np.asarray(t, dtype=np.float64), np.asarray(dof, dtype=np.float64))
    below = normal_cdf(t)
    is_t = np.isfinite(dof) & np.isfinite(t) & (t != 0)
    if is_t.any():
        nu = _some_dof(dof[is_t])
        # Beyond 1e150 the square is no number; the tail there is nil but for the fewest degrees of freedom.
        s = np.arcsinh(np.minimum(np.abs(t[is_t]) / np.sqrt(nu), 1e150))
        log_tail, _ = _log_tail(s, nu)
        tail = np.exp(log_tail)
        below[is_t] = np.where(t[is_t] < 0, tail, 1 - tail)
    return np.where(dof >= _LEAST_DOF, below, np.nan)


def t_quantile(probability: npt.ArrayLike, dof: npt.ArrayLike) -> FloatArray:
    """Where a Student t variable lies below with a probability; NaN outside 0 to 1.

    Args:
        probability: any shape, 0 to 1.
        dof: degrees of freedom, not necessarily whole, infinity = normal; below 0.125 gives NaN.
    """
    p, dof = np.broadcast_arrays(np.asarray(probability, dtype=np.float64), np.asarray(dof, dtype=np.float64))
    z = normal_quantile(p)
    is_t = np.isfinite(dof) & np.isfinite(z) & (z != 0)
    if is_t.any():
        z[is_t] = np.sign(z[is_t]) * _t_above(np.minimum(p[is_t], 1 - p[is_t]), np.abs(z[is_t]), _some_dof(dof[is_t]))
    return np.where(dof >= _LEAST_DOF, z, np.nan)


def coverage_factor(probability: float, dof: npt.ArrayLike) -> FloatArray:
    """Coverage factor k of a two-sided interval.

    Args:
        probability: of the interval, such as 0.9545.
        dof: effective degrees of freedom, any shape; infinity = normal, NaN = not known.

    Raises:
        ReadingsError: not a probability.
    """
    if not 0 < probability < 1:
        raise ReadingsError(
            f"{probability:g} is not the probability of an interval",
            where="coverage",
            allowed="between 0 and 1",
            todo="give 0.95 for 95 %",
        )
    nu = np.asarray(dof, dtype=np.float64)
    is_series = (nu >= 1) & (probability <= _K_SERIES_TO)
    x = 2 / np.where(is_series, nu, 1.0) - 1
    by_series = np.exp(np.polynomial.polynomial.polyval(x, _k_series(min(probability, _K_SERIES_TO))))
    k = np.where(is_series, by_series, np.nan)
    is_other = ~is_series & (nu > 0)
    if is_other.any():
        k[is_other] = -t_quantile((1 - probability) / 2, nu[is_other])
    return k


def chi_squared_sf(chi_squared: npt.ArrayLike, dof: npt.ArrayLike) -> FloatArray:
    """Probability that a chi-squared variable is above a value: small = the value is surprisingly large.

    Args:
        chi_squared: any shape, >= 0.
        dof: whole degrees of freedom; below 1 gives NaN.
    """
    chi, dof = np.broadcast_arrays(np.asarray(chi_squared, dtype=np.float64), np.asarray(dof, dtype=np.float64))
    is_known = (chi >= 0) & (dof >= 1) & (dof < np.inf)
    half, dof = np.where(is_known, np.minimum(chi / 2, 1e300), 1.0), np.where(is_known, dof, 1.0)
    is_even = dof % 2 == 0
    # Whole degrees of freedom: a finite sum of positive terms, which grows by half ** a * exp(-half) / gamma(a + 1).
    above = np.where(is_even, np.exp(-half), 2 * normal_cdf(-np.sqrt(2 * half)))
    log_half = np.log(np.where(half > 0, half, 1.0))
    a = np.where(is_even, 1.0, 0.5)
    while (is_more := a < dof / 2).any():
        term = np.exp(a * log_half - half - _floats(_lgamma(a + 1)))
        above = above + np.where(is_more & (half > 0), term, 0.0)
        a = np.where(is_more, a + 1, a)
    return np.where(is_known, np.where(half > 0, np.minimum(above, 1.0), 1.0), np.nan)


def f_sf(ratio: npt.ArrayLike, dof: npt.ArrayLike, dof_below: npt.ArrayLike) -> FloatArray:
    """Probability that an F variable is above a value: small = the ratio of variances is surprisingly large.

    Args:
        ratio: of the variances, any shape, >= 0.
        dof: degrees of freedom of the variance above the stroke.
        dof_below: of the one below it.
    """
    f, d1, d2 = np.broadcast_arrays(*(np.asarray(each, dtype=np.float64) for each in (ratio, dof, dof_below)))
    is_known = (f >= 0) & (d1 > 0) & (d2 > 0) & np.isfinite(d1) & np.isfinite(d2)
    f, d1, d2 = (np.where(is_known, each, 1.0) for each in (f, d1, d2))
    odds = np.minimum(f * d1 / d2, 1e300)
    x, x_left = 1 / (1 + odds), odds / (1 + odds)
    # The continued fraction converges fast on its own side of the mean only.
    is_swapped = x > (d2 / 2 + 1) / (d1 / 2 + d2 / 2 + 2)
    a, b = np.where(is_swapped, d1, d2) / 2, np.where(is_swapped, d2, d1) / 2
    part = _incomplete_beta(np.where(is_swapped, x_left, x), np.where(is_swapped, x, x_left), a, b)
    return np.where(is_known, np.where(is_swapped, 1 - part, part), np.nan)


def _incomplete_beta(x: FloatArray, x_left: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    """Regularised incomplete beta function by its continued fraction (DLMF 8.17.22), in the form of Lentz."""
    log_beta = _floats(_lgamma(a)) + _floats(_lgamma(b)) - _floats(_lgamma(a + b))
    is_open = (x > 0) & (x_left > 0)
    log_front = a * np.log(np.where(is_open, x, 1.0)) + b * np.log(np.where(is_open, x_left, 1.0)) - log_beta
    c, d = np.ones_like(x), 1 / (1 - (a + b) * x / (a + 1))
    fraction = d
    # The steps needed grow with the square root of the larger one.
    for m in range(1, 40 + 4 * int(np.sqrt(np.max(np.maximum(a, b), initial=1.0)))):
        for step in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            c, d = 1 + step / c, 1 / (1 + step * d)
            fraction = fraction * c * d
    return np.where(is_open, np.exp(np.where(is_open, log_front, 0.0)) * fraction / a, np.where(x > 0, 1.0, 0.0))


def _log_tail(s: FloatArray, nu: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log of the probability above t = sqrt(nu) sinh(s), s >= 0, and that probability over the density of s there.

    In s the density is that of cosh(s) ** -nu, whose logarithm bends down everywhere: a tail of it is one smooth
    integral for all degrees of freedom, large or small, near or far.
    """
    # cosh(s + h) / cosh(s) = cosh(h) + tanh(s) sinh(h); with y = exp(h) - 1 nothing cancels where h is small.
    tanh = np.tanh(s)
    end = np.expm1(_CUT / nu)
    more = end * (2 + end)
    range_h = np.log1p((end + more / (tanh + np.sqrt(more + tanh**2))) / (1 + tanh))
    area = np.zeros_like(s)
    for node, weight in zip((_NODES + 1) / 2, _WEIGHTS, strict=True):
        # Spaced by squares: narrow where few degrees of freedom bend the integrand.
        y = np.expm1(range_h * node**2)
        ratio_less_1 = (y**2 + tanh * y * (2 + y)) / (2 * (1 + y))
        area += weight * node * np.exp(-nu * np.log1p(ratio_less_1))
    area *= range_h
    log_cosh = np.where(s < 1, np.log1p(np.sinh(np.minimum(s, 1.0)) ** 2) / 2, s + np.log1p(np.exp(-2 * s)) - np.log(2))
    return _log_gamma_ratio(nu / 2) - math.log(math.pi) / 2 - nu * log_cosh + np.log(area), area


def _t_above(tail: FloatArray, z: FloatArray, nu: FloatArray) -> FloatArray:
    """Positive t with a probability `tail` above it; z is the same of the normal distribution."""
    # Wallace's approximation to start; then Halley's steps on the log of the tail, cubic.
    squared = (z * (8 * nu + 3) / (8 * nu + 1)) ** 2 / nu
    s = np.arcsinh(np.sqrt(np.expm1(np.minimum(squared, 600.0))))
    log_wanted = np.log(tail)
    for _ in range(4):
        log_tail, area = _log_tail(s, nu)
        off = log_tail - log_wanted
        s = np.maximum(s + off * area / np.maximum(1 + off * (1 - nu * area * np.tanh(s)) / 2, 0.5), 0.0)
    return np.asarray(np.sqrt(nu) * np.sinh(np.minimum(s, 700.0)))


def _log_gamma_ratio(a: FloatArray) -> FloatArray:
    """Log of gamma(a + 1/2) / gamma(a)."""
    few, many = np.minimum(a, _RATIO_FROM), np.maximum(a, _RATIO_FROM)
    by_lgamma = _floats(_lgamma(few + 0.5)) - _floats(_lgamma(few))
    by_series = np.log(many) / 2 + np.log(np.polynomial.polynomial.polyval(1 / many, _RATIO_SERIES))
    return np.where(a < _RATIO_FROM, by_lgamma, by_series)


@lru_cache(maxsize=32)
def _k_series(probability: float) -> FloatArray:
    """Coefficients of log k in x = 2 / dof - 1, from -1 to 1: 13 digits, thirty times as fast as each for itself."""
    x = np.cos(np.pi * (np.arange(_K_SERIES_N) + 0.5) / _K_SERIES_N)
    k = -t_quantile((1 - probability) / 2, 2 / (x + 1))
    series = np.polynomial.chebyshev.chebfit(x, np.log(k), _K_SERIES_N - 1)
    # Rounding is all that stands in the last terms. Powers do as well as Chebyshev's, and cost a third less: log k is
    # smooth far beyond this range, so the coefficients fall by half from one to the next.
    return np.asarray(np.polynomial.chebyshev.cheb2poly(np.polynomial.chebyshev.chebtrim(series, 1e-15)))


def _some_dof(dof: FloatArray) -> FloatArray:
    """Degrees of freedom that can be computed with; what stands for the others is thrown away afterwards."""
    return np.where(dof >= _LEAST_DOF, dof, 1.0)


def _floats(objects: npt.ArrayLike) -> FloatArray:
    return np.asarray(objects, dtype=np.float64)
