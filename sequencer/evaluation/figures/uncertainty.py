"""Uncertainty budget: contributions, what they add up to, and which of them matters.

The law of propagation of uncertainty (GUM, JCGM 100:2008) in closed form over whole arrays: units, points, taps. No
distribution is propagated (`montecarlo`), nothing is judged (`conformity`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import EllipsisType
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import FloatArray, IntArray, blocks
from sequencer.evaluation.figures.student import coverage_factor

__all__ = [
    "DIVISORS",
    "Budget",
    "Contribution",
    "Distribution",
    "Origin",
    "Share",
    "combine",
    "dof_of_unreliable",
    "from_certificate",
    "from_half_width",
    "from_readings",
    "from_resolution",
    "from_standard",
    "from_temperature",
]

Distribution: TypeAlias = Literal["normal", "rectangular", "triangular", "arcsine", "t"]
Origin: TypeAlias = Literal[
    "accuracy", "resolution", "certificate", "temperature", "correction", "allowance", "scatter", "settling", ""
]
Pairs: TypeAlias = Mapping[tuple[str, str], npt.ArrayLike]

# Half width over standard uncertainty: GUM 4.3.7, 4.3.9; arcsine is the value of a sine at an unknown moment.
DIVISORS: dict[str, float] = {"rectangular": np.sqrt(3.0), "triangular": np.sqrt(6.0), "arcsine": np.sqrt(2.0)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One line of a budget; arrays of shapes that broadcast with those of the other lines.

    Attributes:
        name: as it is shown.
        u: standard uncertainty, in the unit of this quantity; NaN = not determinable.
        sensitivity: change of the result for a change of this quantity, with its sign.
        dof: degrees of freedom of `u`; infinity = `u` is known for certain.
        distribution: of the quantity; the combined uncertainty does not depend on it, a Monte Carlo run does.
        kind: "A" from readings, "B" from anything else.
        reason: why `u` is NaN where it is.
        tap: where the quantity stands, "" where none is meant.
        origin: where the uncertainty comes from, "" where nothing is said of it.

    Raises:
        ReadingsError: an uncertainty is negative or infinite, or degrees of freedom are not above 0.
    """

    name: str
    u: FloatArray
    sensitivity: FloatArray = field(default_factory=lambda: np.asarray(1.0))
    dof: FloatArray = field(default_factory=lambda: np.asarray(np.inf))
    distribution: Distribution = "normal"
    kind: Literal["A", "B"] = "B"
    reason: str = "uncertainty not known"
    tap: str = ""
    origin: Origin = ""

    def __post_init__(self) -> None:
        if (self.u < 0).any() or np.isinf(self.u).any():
            raise ReadingsError(
                "an uncertainty is negative or infinite",
                where=self.name,
                allowed="0 or more, NaN for not known",
                todo="give accuracy, resolution or uncertainty without its sign",
            )
        if (self.dof <= 0).any():
            raise ReadingsError(
                "degrees of freedom are 0 or less",
                where=self.name,
                allowed="above 0, infinity for certain",
                todo="take at least two readings, or give a pooled standard deviation",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """One line of a budget as it is shown: its part of the combined uncertainty.

    Attributes:
        name: of the contribution.
        u: its effect on the result, |sensitivity| times standard uncertainty.
        share_frac: part of the variance, with its part of the correlations; below 0 where a correlation takes off.
    """

    name: str
    u: float
    share_frac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Combined and expanded uncertainty of many results; NaN = not determinable.

    Attributes:
        contributions: the lines.
        effect: shape (contributions, ...), sensitivity times standard uncertainty, with its sign.
        share_frac: shape (contributions, ...), parts of the first-order variance; they add up to 1.
        u: combined standard uncertainty, second order included if asked for.
        u_second_order: what the second order adds, in quadrature; below 0 where it takes off.
        dof: effective degrees of freedom, unrounded unless truncation was asked for.
        k: coverage factor.
        U: expanded uncertainty, k * u.
        probability: coverage of `U`; None where k was given.
        definition: whose rules.
    """

    contributions: tuple[Contribution, ...]
    effect: FloatArray
    share_frac: FloatArray
    u: FloatArray
    u_second_order: FloatArray
    dof: FloatArray
    k: FloatArray
    U: FloatArray
    probability: float | None
    definition: str

    @property
    def ranking(self) -> IntArray:
        """Shape (contributions, ...): places of the contributions, largest share first; not known ones last."""
        return np.argsort(np.where(np.isnan(self.share_frac), np.inf, -self.share_frac), axis=0, kind="stable")

    def ranked(self, *index: int) -> tuple[Share, ...]:
        """Contributions to one result, largest share first.

        Args:
            index: of the result in the arrays; none if there is only one.
        """
        return tuple(
            Share(
                name=self.contributions[place].name,
                u=abs(float(self.effect[(place, *index)])),
                share_frac=float(self.share_frac[(place, *index)]),
            )
            for place in np.moveaxis(self.ranking, 0, -1)[index].tolist()
        )

    def reason(self, *index: int) -> str:
        """Why the uncertainty of one result is not determinable, such as "reading: one reading only"; "" if it is.

        Args:
            index: of the result in the arrays; none if there is only one.
        """
        if np.isfinite(self.U[index]):
            return ""
        for contribution, effect in zip(self.contributions, self.effect, strict=True):
            if np.isnan(effect[index]):
                u = np.broadcast_to(contribution.u, effect.shape)[index]
                return f"{contribution.name}: {contribution.reason if np.isnan(u) else 'sensitivity not known'}"
        return "degrees of freedom not known"


def combine(
    contributions: Sequence[Contribution],
    *,
    correlations: npt.ArrayLike | Pairs | None = None,
    probability: float = 0.9545,
    k: float | None = None,
    is_dof_truncated: bool = False,
    curvatures: Pairs | None = None,
    thirds: Pairs | None = None,
) -> Budget:
    """Combined standard uncertainty, effective degrees of freedom, coverage factor and expanded uncertainty.

    Args:
        contributions: at least one, each with its own name.
        correlations: correlation coefficients, as a matrix in the order of the contributions, or of the pairs named;
            pairs not named are not correlated.
        probability: coverage wanted; 95.45 % gives k = 2 for many degrees of freedom.
        k: coverage factor to be used as it is, in place of a probability.
        is_dof_truncated: cut the effective degrees of freedom to the next lower whole number, as GUM H.1 does.
        curvatures: second derivatives of the result by the two quantities named, for the second-order terms; each pair
            once. Normal and independent quantities are supposed.
        thirds: third derivatives, once by the first and twice by the second quantity named.

    Raises:
        ReadingsError: no contribution, a name twice or not known, shapes, correlations or a coverage that cannot be.

    Source: GUM (JCGM 100:2008) 5.1.2 with its note, 5.2.2, G.4.1; second order as in H.1.7. The degrees of freedom are
    those of the first order, from unrounded uncertainties; with correlations they are an approximation.
    """
    if k is not None and not 0 < k < np.inf:
        raise ReadingsError("a coverage factor is 0 or less", where="budget", todo="give k = 2, or a probability")
    names = _names(contributions)
    matrix = None if correlations is None else _matrix(correlations, names)
    second = _second_order(contributions, names, curvatures or {}, thirds or {})
    shape = _shape(contributions)
    effect, share_frac = np.empty((2, len(names), *shape))
    u, dof, factor = (np.empty(shape) for _ in range(3))
    for block in blocks(shape[0], effect[:, :1].size) if shape else [...]:
        # What is the same for all results is computed once for a block.
        own = [_taken(one.sensitivity, block, shape) * _taken(one.u, block, shape) for one in contributions]
        parts = [each**2 for each in own] if matrix is None else _correlated(own, matrix)
        variance = np.maximum(sum(parts), 0.0)
        # With nothing uncertain, nothing has a share.
        whole = np.where(variance == 0, np.inf, variance)
        for place, (one, part) in enumerate(zip(own, parts, strict=True)):
            effect[place, block] = one
            np.divide(part, whole, out=share_frac[place, block])
        block_dof = _effective_dof([_taken(one.dof, block, shape) for one in contributions], own, whole)
        dof[block] = np.where(block_dof >= 1, np.floor(block_dof), block_dof) if is_dof_truncated else block_dof
        u[block] = np.sqrt(np.maximum(variance + _taken(second, block, shape), 0.0))
        factor[block] = coverage_factor(probability, dof[block]) if k is None else k
    return Budget(
        contributions=tuple(contributions),
        effect=effect,
        share_frac=share_frac,
        u=u,
        u_second_order=np.broadcast_to(np.sign(second) * np.sqrt(np.abs(second)), shape),
        dof=dof,
        k=factor,
        U=factor * u,
        probability=probability if k is None else None,
        definition="GUM (JCGM 100:2008), "
        + ("first order" if not (curvatures or thirds) else "second order")
        + (", Welch-Satterthwaite" if k is None else f", k = {k:g} as given"),
    )


def from_standard(
    name: str,
    u: npt.ArrayLike,
    *,
    sensitivity: npt.ArrayLike = 1.0,
    dof: npt.ArrayLike = np.inf,
    distribution: Distribution = "normal",
) -> Contribution:
    """Contribution from a standard uncertainty known already (type B).

    Args:
        name: as it is shown.
        u: standard uncertainty.
        sensitivity: of the result to it.
        dof: degrees of freedom.
        distribution: of the quantity.

    Raises:
        ReadingsError: a value that cannot be.
    """
    return Contribution(
        name=name, u=_floats(u), sensitivity=_floats(sensitivity), dof=_floats(dof), distribution=distribution
    )


def from_half_width(
    name: str,
    half_width: npt.ArrayLike,
    *,
    distribution: Literal["rectangular", "triangular", "arcsine"] = "rectangular",
    sensitivity: npt.ArrayLike = 1.0,
    dof: npt.ArrayLike = np.inf,
) -> Contribution:
    """Contribution from limits plus or minus `half_width`, such as an accuracy given without a confidence level.

    Args:
        name: as it is shown.
        half_width: of the limits, >= 0.
        distribution: between them.
        sensitivity: of the result to it.
        dof: degrees of freedom, see `dof_of_unreliable`.

    Raises:
        ReadingsError: a value that cannot be.

    Source: GUM 4.3.7, 4.3.9.
    """
    u = _floats(half_width) / DIVISORS[distribution]
    return from_standard(name, u, sensitivity=sensitivity, dof=dof, distribution=distribution)


def from_resolution(name: str, step: npt.ArrayLike, *, sensitivity: npt.ArrayLike = 1.0) -> Contribution:
    """Contribution from the smallest step a reading shows: step / sqrt(12).

    Args:
        name: as it is shown.
        step: one unit of the last digit, >= 0.
        sensitivity: of the result to it.

    Raises:
        ReadingsError: a value that cannot be.

    Source: GUM F.2.2.1. A difference of two readings has two of these.
    """
    return from_half_width(name, _floats(step) / 2, sensitivity=sensitivity)


def from_certificate(
    name: str,
    U: npt.ArrayLike,
    *,
    k: npt.ArrayLike | None = None,
    probability: float | None = None,
    sensitivity: npt.ArrayLike = 1.0,
    dof: npt.ArrayLike = np.inf,
) -> Contribution:
    """Contribution from an expanded uncertainty of a certificate, with its k or its probability.

    Args:
        name: as it is shown.
        U: expanded uncertainty, >= 0.
        k: coverage factor printed.
        probability: coverage printed, such as 0.95, where k is not: k is then that of the degrees of freedom.
        sensitivity: of the result to it.
        dof: degrees of freedom printed; infinity if none are.

    Raises:
        ReadingsError: neither or both of k and probability, or a value that cannot be.
    """
    if probability is not None and k is None:
        factor = coverage_factor(probability, dof)
    elif k is not None and probability is None:
        factor = _floats(k)
    else:
        raise ReadingsError(
            "an expanded uncertainty has one coverage factor",
            where=name,
            allowed="k, or the probability",
            todo="give what the certificate prints, k = 2 for most",
        )
    if (factor <= 0).any():
        raise ReadingsError("a coverage factor is 0 or less", where=name, todo="give k as printed, 2 for most")
    return from_standard(name, _floats(U) / factor, sensitivity=sensitivity, dof=dof)


def from_readings(
    name: str,
    sd: npt.ArrayLike,
    readings_n: npt.ArrayLike,
    *,
    pooled_sd: npt.ArrayLike | None = None,
    pooled_dof: npt.ArrayLike = np.inf,
    sensitivity: npt.ArrayLike = 1.0,
) -> Contribution:
    """Contribution of the mean of repeated readings (type A): sd / sqrt(n), n - 1 degrees of freedom.

    Args:
        name: as it is shown.
        sd: standard deviation of one reading; NaN with a single one.
        readings_n: readings in the mean.
        pooled_sd: standard deviation of one reading known from before, used in place of `sd` wherever it is known.
        pooled_dof: its degrees of freedom.
        sensitivity: of the result to it.

    Returns:
        NaN where there is one reading only and no pooled standard deviation.

    Raises:
        ReadingsError: a value that cannot be.

    Source: GUM 4.2.3, 4.2.4; t distribution, JCGM 101 6.4.9.
    """
    count = _floats(readings_n)
    pooled = _floats(np.nan if pooled_sd is None else pooled_sd)
    is_pooled = np.isfinite(pooled)
    known_n = np.where((count >= 1) & (is_pooled | (count >= 2)), count, np.nan)
    return Contribution(
        name=name,
        u=np.where(is_pooled, pooled, _floats(sd)) / np.sqrt(known_n),
        sensitivity=_floats(sensitivity),
        dof=np.where(is_pooled & (count >= 1), pooled_dof, known_n - 1),
        distribution="t",
        kind="A",
        reason="fewer than two readings, and no pooled standard deviation",
    )


def from_temperature(
    name: str, coefficient: npt.ArrayLike, change_half_width: npt.ArrayLike, *, sensitivity: npt.ArrayLike = 1.0
) -> Contribution:
    """Contribution of a temperature that lies anywhere within limits about that of the calibration.

    Args:
        name: as it is shown.
        coefficient: change of the quantity per kelvin, of either sign.
        change_half_width: the temperature stays within plus or minus this, in kelvin.
        sensitivity: of the result to the quantity.

    Raises:
        ReadingsError: a value that cannot be.
    """
    return from_half_width(name, np.abs(_floats(coefficient)) * _floats(change_half_width), sensitivity=sensitivity)


def dof_of_unreliable(unreliable_frac: npt.ArrayLike) -> FloatArray:
    """Degrees of freedom of a type B uncertainty that may itself be wrong by a fraction.

    Args:
        unreliable_frac: relative standard uncertainty of the uncertainty; 0.1 gives 50, 0.5 gives 2, 0 infinity.

    Source: GUM G.4.2, equation G.3.
    """
    frac = _floats(unreliable_frac)
    return np.where(frac > 0, 0.5 / np.where(frac > 0, frac, 1.0) ** 2, np.where(frac == 0, np.inf, np.nan))


def _names(contributions: Sequence[Contribution]) -> list[str]:
    names = [contribution.name for contribution in contributions]
    if not names or len(set(names)) < len(names):
        raise ReadingsError(
            "a name stands twice" if names else "no contribution",
            where="budget",
            allowed="one contribution or more, each with its own name",
            todo="name each contribution once",
        )
    return names


def _shape(contributions: Sequence[Contribution]) -> tuple[int, ...]:
    """Of the results."""
    try:
        return np.broadcast_shapes(*(each.shape for one in contributions for each in (one.u, one.sensitivity, one.dof)))
    except ValueError as wrong:
        raise ReadingsError(
            "contributions have shapes that do not go together",
            where="budget",
            allowed="for each result its own value, or one for all",
            todo="give all contributions the shape of the results",
        ) from wrong


def _taken(level: FloatArray, block: slice | EllipsisType, shape: tuple[int, ...]) -> FloatArray:
    """The part of a block; what is the same for all results stays as it is."""
    return level[block] if level.ndim == len(shape) and level.shape[:1] != (1,) else level


def _effective_dof(dof: Sequence[FloatArray], effect: Sequence[FloatArray], variance: FloatArray) -> FloatArray:
    """Welch-Satterthwaite, from effects and their combined variance; infinite where nothing limits them."""
    limit = np.where(np.isnan(variance), np.nan, 0.0)
    for one_dof, one in zip(dof, effect, strict=True):
        # What is known for certain limits nothing.
        if not (one_dof == np.inf).all():
            frac = one**2 / variance
            # What has no effect limits nothing, whatever its degrees of freedom.
            limit = limit + np.where(frac == 0, 0.0, frac**2 / one_dof)
    return np.where(limit == 0, np.inf, 1 / np.where(limit == 0, 1.0, limit))


def _matrix(correlations: npt.ArrayLike | Pairs, names: list[str]) -> FloatArray:
    if isinstance(correlations, Mapping):
        matrix = np.eye(len(names))
        for pair, coefficient in correlations.items():
            first, second = _places(pair, names)
            matrix[first, second] = matrix[second, first] = np.asarray(coefficient, dtype=np.float64)
    else:
        matrix = _floats(correlations)
    is_possible = (
        matrix.shape == (len(names), len(names))
        and bool(np.isfinite(matrix).all())
        and np.array_equal(matrix, matrix.T)
        and bool((np.diag(matrix) == 1).all())
        # Rounded coefficients may miss by a little.
        and bool(np.linalg.eigvalsh(matrix).min() >= -1e-6)
    )
    if not is_possible:
        raise ReadingsError(
            "correlation coefficients contradict each other",
            where="budget",
            allowed="a symmetric matrix, 1 on its diagonal, no eigenvalue below 0",
            todo="correct the coefficients",
        )
    return matrix


def _correlated(effect: Sequence[FloatArray], matrix: FloatArray) -> list[FloatArray]:
    """Parts of the variance: each effect times what the matrix makes of all effects."""
    return [
        one * sum(coefficient * other for coefficient, other in zip(row, effect, strict=True) if coefficient != 0)
        for one, row in zip(effect, matrix, strict=True)
    ]


def _second_order(
    contributions: Sequence[Contribution], names: list[str], curvatures: Pairs, thirds: Pairs
) -> FloatArray:
    """Second-order terms of the variance: GUM 5.1.2, note; each pair of curvatures stands there twice."""
    total = np.asarray(0.0)
    for pair, curvature in curvatures.items():
        first, second = (contributions[place] for place in _places(pair, names))
        factor = 0.5 if first is second else 1.0
        total = total + factor * (_floats(curvature) * first.u * second.u) ** 2
    for pair, third in thirds.items():
        first, second = (contributions[place] for place in _places(pair, names))
        total = total + first.sensitivity * _floats(third) * first.u**2 * second.u**2
    return total


def _places(pair: tuple[str, str], names: list[str]) -> tuple[int, int]:
    for name in pair:
        if name not in names:
            raise ReadingsError(
                f"{name} is not in the budget",
                where="budget",
                allowed=", ".join(names),
                todo="name two contributions",
            )
    return names.index(pair[0]), names.index(pair[1])


def _floats(values: npt.ArrayLike) -> FloatArray:
    return np.asarray(values, dtype=np.float64)
