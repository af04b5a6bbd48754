"""Contributions to an uncertainty: one line of a budget each, from a certificate, limits, a resolution or readings.

What they add up to is in `uncertainty`.
"""

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import FloatArray
from sequencer.evaluation.figures.student import coverage_factor

__all__ = [
    "DIVISORS",
    "Contribution",
    "Distribution",
    "Origin",
    "dof_of_unreliable",
    "from_certificate",
    "from_half_width",
    "from_readings",
    "from_resolution",
    "from_standard",
]

Distribution: TypeAlias = Literal["normal", "rectangular", "triangular", "arcsine", "t"]
Origin: TypeAlias = Literal[
    "accuracy",
    "resolution",
    "certificate",
    "drift",
    "temperature",
    "correction",
    "allowance",
    "scatter",
    "cycle",
    "settling",
    "",
]

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
        bipolar: where one error of an instrument serves readings of both signs: its share of the reading and its floor,
            in standard uncertainties; None where one factor carries all of it.

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
    bipolar: tuple[FloatArray, FloatArray] | None = None

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


def dof_of_unreliable(unreliable_frac: npt.ArrayLike) -> FloatArray:
    """Degrees of freedom of a type B uncertainty that may itself be wrong by a fraction.

    Args:
        unreliable_frac: relative standard uncertainty of the uncertainty; 0.1 gives 50, 0.5 gives 2, 0 infinity.

    Source: GUM G.4.2, equation G.3.
    """
    frac = _floats(unreliable_frac)
    return np.where(frac > 0, 0.5 / np.where(frac > 0, frac, 1.0) ** 2, np.where(frac == 0, np.inf, np.nan))


def _floats(values: npt.ArrayLike) -> FloatArray:
    return np.asarray(values, dtype=np.float64)
