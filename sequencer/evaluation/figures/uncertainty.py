"""Combined uncertainty: what the contributions of a budget add up to, and which of them matters.

The law of propagation of uncertainty (GUM, JCGM 100:2008) in closed form over whole arrays: units, points, taps. No
distribution is propagated (`montecarlo`), nothing is judged (`conformity`), no contribution is made (`contributions`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import EllipsisType
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.contributions import Contribution
from sequencer.evaluation.figures.convolution import half_width_of_sum
from sequencer.evaluation.figures.per_point import FloatArray, IntArray, blocks
from sequencer.evaluation.figures.student import coverage_factor

__all__ = ["NO_SENSITIVITY", "Budget", "Share", "combine"]

NO_SENSITIVITY = "sensitivity not known"
Pairs: TypeAlias = Mapping[tuple[str, str], npt.ArrayLike]


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
                return f"{contribution.name}: {contribution.reason if np.isnan(u) else NO_SENSITIVITY}"
        return "degrees of freedom not known"


def combine(
    contributions: Sequence[Contribution],
    *,
    correlations: npt.ArrayLike | Pairs | None = None,
    probability: float = 0.9545,
    k: float | None = None,
    is_dof_truncated: bool = False,
    is_convolved: bool = False,
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
        is_convolved: take k from the distribution of the sum where one rectangular contribution stands out; else it is
            that of Student's distribution, which is too large there.
        is_dof_truncated: cut the effective degrees of freedom to the next lower whole number, as GUM H.1 does.
        curvatures: second derivatives of the result by the two quantities named, for the second-order terms; each pair
            once. Normal and independent quantities are supposed.
        thirds: third derivatives, once by the first and twice by the second quantity named.

    Raises:
        ReadingsError: no contribution, a name twice or not known, shapes, correlations or a coverage that cannot be.

    Source: GUM (JCGM 100:2008) 5.1.2 with its note, 5.2.2, G.4.1; second order as in H.1.7. The degrees of freedom are
    those of the first order, from unrounded uncertainties; with correlations they are an approximation.
    """
    definition = _definition(k, is_second_order=bool(curvatures or thirds), is_convolved=is_convolved)
    names = _names(contributions)
    matrix = None if correlations is None else _matrix(correlations, names)
    second = _second_order(contributions, names, curvatures or {}, thirds or {})
    shape = _shape(contributions)
    effect, share_frac = np.empty((2, len(names), *shape))
    u, dof, factor = (np.empty(shape) for _ in range(3))
    for block in blocks(shape[0], effect[:, :1].size) if shape else [...]:
        own = [_taken(one.sensitivity, block, shape) * _taken(one.u, block, shape) for one in contributions]
        parts = [each**2 for each in own] if matrix is None else _correlated(own, matrix)
        variance = np.maximum(sum(parts), 0.0)
        whole = np.where(variance == 0, np.inf, variance)  # with nothing uncertain, nothing has a share
        for place, (one, part) in enumerate(zip(own, parts, strict=True)):
            effect[place, block] = one
            np.divide(part, whole, out=share_frac[place, block])
        limits = [_taken(one.dof, block, shape) for one in contributions]
        dof[block] = _effective_dof(limits, own, whole, is_truncated=is_dof_truncated)
        u[block] = np.sqrt(np.maximum(variance + _taken(second, block, shape), 0.0))
        if k is not None:
            factor[block] = k
        elif is_convolved:
            largest = _largest_rectangular(contributions, own, matrix)
            factor[block] = _convolved_factor(
                probability, np.broadcast_to(largest, variance.shape), variance, dof[block]
            )
        else:
            factor[block] = coverage_factor(probability, dof[block])
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
        definition=definition,
    )


def _definition(k: float | None, *, is_second_order: bool, is_convolved: bool) -> str:
    if k is not None and not 0 < k < np.inf:
        raise ReadingsError("a coverage factor is 0 or less", where="budget", todo="give k = 2, or a probability")
    by_k = "rectangular and t convolved (EA-4/02 S9)" if is_convolved else "Welch-Satterthwaite"
    coverage = by_k if k is None else f"k = {k:g} as given"
    return f"GUM (JCGM 100:2008), {'second' if is_second_order else 'first'} order, {coverage}"


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
    """The part of a block; what is the same for all results stays as it is, and is computed once."""
    return level[block] if level.ndim == len(shape) and level.shape[:1] != (1,) else level


def _effective_dof(
    dof: Sequence[FloatArray], effect: Sequence[FloatArray], variance: FloatArray, *, is_truncated: bool
) -> FloatArray:
    """Welch-Satterthwaite, from effects and their combined variance; infinite where nothing limits them."""
    limit = np.where(np.isnan(variance), np.nan, 0.0)
    for one_dof, one in zip(dof, effect, strict=True):
        # What is known for certain limits nothing.
        if not (one_dof == np.inf).all():
            frac = one**2 / variance
            # What has no effect limits nothing, whatever its degrees of freedom.
            limit = limit + np.where(frac == 0, 0.0, frac**2 / one_dof)
    found = np.where(limit == 0, np.inf, 1 / np.where(limit == 0, 1.0, limit))
    return np.where(found >= 1, np.floor(found), found) if is_truncated else found


def _matrix(correlations: npt.ArrayLike | Pairs, names: list[str]) -> FloatArray:
    if isinstance(correlations, Mapping):
        matrix = np.eye(len(names))
        for pair, coefficient in correlations.items():
            first, second = _places(pair, names)
            matrix[first, second] = matrix[second, first] = np.asarray(coefficient, dtype=np.float64)
    else:
        matrix = np.asarray(correlations, dtype=np.float64)
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


def _largest_rectangular(
    contributions: Sequence[Contribution], effect: Sequence[FloatArray], matrix: FloatArray | None
) -> FloatArray:
    """Largest effect of one rectangular quantity; the same quantity twice counts as one, half the same as none."""
    found = [np.zeros(())]
    for place, (one, own) in enumerate(zip(contributions, effect, strict=True)):
        others = [] if matrix is None else [int(at) for at in np.flatnonzero(matrix[place]) if at != place]
        together = (
            own + sum((matrix[place, at] * effect[at] for at in others), np.zeros(())) if matrix is not None else own
        )
        is_one = matrix is None or all(abs(matrix[place, at]) == 1 for at in others)
        if one.distribution == "rectangular" and is_one and bool((one.dof == np.inf).all()):
            found.append(np.abs(np.nan_to_num(together)))
    return np.asarray(np.max(np.broadcast_arrays(*found), axis=0))


def _convolved_factor(probability: float, largest: FloatArray, variance: FloatArray, dof: FloatArray) -> FloatArray:
    """Coverage factor where a rectangular quantity stands beside the rest, of which Student's distribution is taken."""
    rest = np.maximum(variance - largest**2, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        # What is rectangular has no limit of its degrees of freedom, so they are all of the rest.
        frac = np.where(variance > 0, rest / variance, 1.0)
        dof_rest = np.where(np.isinf(dof) | (frac == 0), np.inf, dof * frac**2)
        width = half_width_of_sum(probability, largest, np.sqrt(rest), dof_rest)
        return np.where(variance > 0, width / np.sqrt(variance), coverage_factor(probability, dof))


def _second_order(
    contributions: Sequence[Contribution], names: list[str], curvatures: Pairs, thirds: Pairs
) -> FloatArray:
    """Second-order terms of the variance: GUM 5.1.2, note; each pair of curvatures stands there twice."""
    total = np.asarray(0.0)
    for pair, curvature in curvatures.items():
        first, second = (contributions[place] for place in _places(pair, names))
        factor = 0.5 if first is second else 1.0
        total = total + factor * (np.asarray(curvature) * first.u * second.u) ** 2
    for pair, third in thirds.items():
        first, second = (contributions[place] for place in _places(pair, names))
        total = total + first.sensitivity * np.asarray(third) * first.u**2 * second.u**2
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
