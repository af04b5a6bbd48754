"""Curves through the readings of one unit by least squares: polynomials, and tables of points.

The basis is orthogonal or nearly so (Legendre over the range of the readings, hats between the points of a table); it
is orthogonalised by QR, never by the normal equations. Coefficients of powers are made of it in exact fractions, since
there large numbers cancel. The input is taken as free of error.
"""

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt
from numpy.polynomial import legendre

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["CurveFit", "fit_polynomial", "fit_table"]

# Columns that hang together to so many digits leave a coefficient without one.
_SINGULAR = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFit:
    """A curve by least squares, with uncertainties from the residuals.

    Attributes:
        coefficients: of powers of x (polynomial, the lowest is `lowest`), or levels at the points of the table.
        u: standard uncertainty of each; NaN with no degree of freedom left.
        lowest: power that the first coefficient belongs to: 1 through the origin, else 0.
        knots: x of the points of a table; empty for a polynomial.
        series: of a polynomial, in Legendre's polynomials over `domain`, for values without cancellation.
        domain: ends of x that `series` is for.
        residual_sd: standard deviation of one reading about the curve; NaN with no degree of freedom left.
        dof: readings less coefficients.
        weights: shape (coefficients, readings), what each coefficient is of the readings.
        largest: deviation from the curve that is farthest off, with its sign.
        largest_at: x of it.
    """

    coefficients: FloatArray
    u: FloatArray
    lowest: int
    knots: FloatArray
    series: FloatArray
    domain: tuple[float, float]
    residual_sd: float
    dof: int
    weights: FloatArray
    largest: float
    largest_at: float

    definition = "orthogonal least squares, input without error, uncertainty from the residuals"


def fit_polynomial(x: FloatArray, y: FloatArray, *, degree: int, through_origin: bool = False) -> CurveFit:
    """Polynomial of a degree through readings.

    Args:
        x: inputs, shape (readings,), finite, one or more.
        y: shape (readings,), finite.
        degree: 1 or more.
        through_origin: without a constant term, so that it is 0 at x = 0.

    Raises:
        ReadingsError: fewer readings than coefficients, or inputs that do not tell them apart.
    """
    reach = float(np.abs(x).max())
    domain = (-reach, reach) if through_origin else (float(x.min()), float(x.max()))
    if domain[0] == domain[1]:
        raise _undetermined("all inputs are one")
    places = (2 * x - (domain[0] + domain[1])) / (domain[1] - domain[0])
    basis = np.eye(degree + 1)
    if through_origin:  # x times each polynomial of a degree less
        basis = np.stack([_padded(legendre.legmulx(row), degree) for row in np.eye(degree)], axis=1)
    matrix = legendre.legvander(places, degree) @ basis
    found, columns, upper, left = _least_squares(matrix, y)
    powers = _fractions_product(_power_rows(domain, degree), basis)[int(through_origin) :]
    spread = np.array(_fractions_product(powers, _inverse(upper)), dtype=np.float64)
    sd, dof = _scatter(left, len(found))
    return CurveFit(
        coefficients=np.array([row[0] for row in _fractions_product(powers, found[:, None])], dtype=np.float64),
        u=sd * np.sqrt((spread**2).sum(axis=1)),
        lowest=int(through_origin),
        knots=np.empty(0),
        series=basis @ found,
        domain=domain,
        residual_sd=sd,
        dof=dof,
        weights=spread @ columns.T,
        **_largest(x, left),
    )


def fit_table(x: FloatArray, y: FloatArray, *, knots: FloatArray) -> CurveFit:
    """Levels at the points of a table, straight in between, and beyond the outermost as beside them.

    Args:
        x: inputs, shape (readings,), finite.
        y: shape (readings,), finite.
        knots: x of the points, rising, two or more.

    Raises:
        ReadingsError: as `fit_polynomial`.
    """
    part = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, len(knots) - 2)
    share = (x - knots[part]) / (knots[part + 1] - knots[part])
    rows, matrix = np.arange(len(x)), np.zeros((len(x), len(knots)))
    matrix[rows, part], matrix[rows, part + 1] = 1 - share, share
    found, columns, upper, left = _least_squares(matrix, y)
    sd, dof = _scatter(left, len(found))
    return CurveFit(
        coefficients=found,
        u=sd * np.sqrt((_inverse(upper) ** 2).sum(axis=1)),
        lowest=0,
        knots=knots,
        series=np.empty(0),
        domain=(float(knots[0]), float(knots[-1])),
        residual_sd=sd,
        dof=dof,
        weights=_inverse(upper) @ columns.T,
        **_largest(x, left),
    )


def _undetermined(why: str) -> ReadingsError:
    return ReadingsError(
        f"the curve of the type sheet cannot be fitted: {why}",
        allowed="more different inputs than the curve has coefficients, spread over its range",
        todo="read more points, or take a simpler curve",
    )


def _least_squares(matrix: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Coefficients, both factors of QR, and residuals."""
    if len(y) < matrix.shape[1]:
        raise _undetermined(f"{len(y)} readings for {matrix.shape[1]} coefficients")
    columns, upper = np.linalg.qr(matrix)
    size = np.abs(np.diag(upper))
    if size.min() <= _SINGULAR * size.max():
        raise _undetermined("the inputs do not tell its coefficients apart")
    found: FloatArray = np.linalg.solve(upper, columns.T @ y).astype(np.float64)
    found += np.linalg.solve(upper, columns.T @ (y - matrix @ found))  # what rounding left is fitted once more
    left: FloatArray = y - matrix @ found
    return found, np.asarray(columns, dtype=np.float64), np.asarray(upper, dtype=np.float64), left


def _inverse(upper: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.solve(upper, np.eye(len(upper))), dtype=np.float64)


def _scatter(left: FloatArray, coefficients_n: int) -> tuple[float, int]:
    dof = len(left) - coefficients_n
    return (math.sqrt(float(left @ left) / dof) if dof else math.nan), dof


def _largest(x: FloatArray, left: FloatArray) -> dict[str, float]:
    at = int(np.abs(left).argmax())
    return {"largest": float(left[at]), "largest_at": float(x[at])}


def _padded(row: npt.ArrayLike, degree: int) -> FloatArray:
    found = np.zeros(degree + 1)
    found[: np.size(row)] = row
    return found


def _power_rows(domain: tuple[float, float], degree: int) -> list[list[Fraction]]:
    """What each power of x has of each of Legendre's polynomials over a domain, exact; [power][polynomial]."""
    low, high = map(Fraction, domain)
    scale, shift = 2 / (high - low), -(high + low) / (high - low)

    def times_place(row: list[Fraction]) -> list[Fraction]:
        moved = [Fraction(0), *(scale * each for each in row[:-1])]
        return [a + shift * b for a, b in zip(moved, row, strict=True)]

    none = [Fraction(0)] * (degree + 1)
    rows = [[Fraction(1), *none[1:]]]
    for k in range(degree):  # (k + 1) P[k + 1] = (2 k + 1) x P[k] - k P[k - 1]
        before = rows[k - 1] if k else none
        pairs = zip(times_place(rows[k]), before, strict=True)
        rows.append([((2 * k + 1) * up - k * down) / (k + 1) for up, down in pairs])
    return [list(column) for column in zip(*rows, strict=True)]


def _fractions_product(left: list[list[Fraction]], right: FloatArray) -> list[list[Fraction]]:
    """A product of matrices without rounding."""
    exact = [[Fraction(float(each)) for each in column] for column in right.T]
    return [[sum((a * b for a, b in zip(row, column, strict=True)), Fraction(0)) for column in exact] for row in left]
