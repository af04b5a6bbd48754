"""Does a result conform to its tolerance: decision rules as data, verdicts with the reason in a sentence.

No uncertainty is made here (`uncertainty`), and no chance over many units (`risk`).
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt
from scipy import special

from instruments.errors import ReadingsError
from instruments.texts import sized
from sequencer.evaluation.figures.curves import BoolArray
from sequencer.evaluation.figures.per_point import FloatArray, IntArray
from sequencer.inputs.decision_rules import DecisionRule

__all__ = [
    "Conformity",
    "Verdict",
    "judge",
    "method_6_multiplier",
    "probability_of_conformity",
]

# A result on a limit but for rounding lies on it: the verdict is then the same on every machine.
_ON_LIMIT_FRAC = 1e-12


class Verdict(IntEnum):
    """What is said of a result; as a number in arrays."""

    PASS = 0
    CONDITIONAL_PASS = 1
    CONDITIONAL_FAIL = 2
    FAIL = 3
    NOT_DETERMINABLE = 4

    @property
    def text(self) -> str:
        """In words, such as "conditional pass"."""
        return self.name.lower().replace("_", " ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Conformity:
    """Verdicts of many results, arrays of one shape; NaN = not determinable.

    Attributes:
        verdict: numbers of `Verdict`.
        value: results judged.
        U: their expanded uncertainty.
        lower: tolerance limit, -infinity if there is none.
        upper: tolerance limit, infinity if there is none.
        guard_band: w, >= 0 inwards.
        accept_lower: acceptance limit, the tolerance limit moved by w.
        accept_upper: acceptance limit, the tolerance limit moved by w.
        probability: that the true value conforms, for the result found.
        tur: half the tolerance over U; NaN with one limit only, or where both are 0.
        dof: effective degrees of freedom of U.
        rule: decision rule.
    """

    verdict: IntArray
    value: FloatArray
    U: FloatArray
    lower: FloatArray
    upper: FloatArray
    guard_band: FloatArray
    accept_lower: FloatArray
    accept_upper: FloatArray
    probability: FloatArray
    tur: FloatArray
    dof: FloatArray
    rule: DecisionRule

    @property
    def is_pass(self) -> BoolArray:
        """Whether the verdict is a plain pass."""
        return np.asarray(self.verdict == Verdict.PASS)

    def reason(self, *index: int, in_unit: str = "") -> str:
        """Why a result has its verdict, in one sentence.

        Args:
            index: of the result in the arrays; none if there is only one.
            in_unit: unit of the result, for the text.
        """
        verdict = Verdict(int(self.verdict[index]))
        if verdict is Verdict.NOT_DETERMINABLE:
            return f"Not determinable: {self._obstacle(*index, in_unit=in_unit)}."
        value = _with_unit(self.value[index], in_unit)
        limits = _limits(self.lower[index], self.upper[index], in_unit)
        # Simple acceptance is the one rule that can judge without it.
        if np.isnan(self.U[index]):
            return f"{verdict.text.capitalize()} by {self.rule.name}: {value}, limits {limits}; uncertainty not known."
        accepted = _limits(self.accept_lower[index], self.accept_upper[index], in_unit)
        chance = _conforms(self.probability[index], is_certain=self.U[index] == 0)
        return (
            f"{verdict.text.capitalize()} by {self.rule.name}: {value} with U = {_with_unit(self.U[index], in_unit)}, "
            f"limits {limits}, accepted {accepted}; {chance}."
        )

    def _obstacle(self, *index: int, in_unit: str) -> str:
        if np.isnan(self.value[index]):
            return "no value"
        if np.isnan(self.lower[index]) or np.isnan(self.upper[index]):
            return "no tolerance"
        if np.isnan(self.U[index]):
            return f"uncertainty not known, and {self.rule.name} needs it"
        U = _with_unit(self.U[index], in_unit)
        if self.tur[index] < 1:
            limits = _limits(self.lower[index], self.upper[index], in_unit)
            return f"U = {U} exceeds the tolerance {limits}"
        if np.isnan(self.guard_band[index]):
            return f"{self.rule.name} needs a tolerance with two limits"
        return f"the guard bands of {_with_unit(self.guard_band[index], in_unit)} leave nothing to accept"


def judge(
    value: npt.ArrayLike,
    U: npt.ArrayLike,
    *,
    rule: DecisionRule,
    lower: npt.ArrayLike = -np.inf,
    upper: npt.ArrayLike = np.inf,
    k: npt.ArrayLike = 2.0,
    dof: npt.ArrayLike = np.inf,
) -> Conformity:
    """Verdict for each result.

    Args:
        value: results, such as errors; NaN = none.
        U: expanded uncertainties; NaN = not known.
        rule: one of `RULES`, or an agreed one.
        lower: tolerance limit; NaN = not known.
        upper: tolerance limit; NaN = not known.
        k: coverage factor in U.
        dof: effective degrees of freedom, for the probability of conformity: t where they are few.

    Returns:
        Arrays of the shape all arguments broadcast to. Not determinable where something is missing, where U exceeds
        half the tolerance, and where the guard bands leave nothing to accept.

    Raises:
        ReadingsError: an uncertainty is negative, limits are crossed, or shapes do not go together.
    """
    found, U, lower, upper, k, dof = _together(value, U, lower, upper, k, dof)
    is_two_sided = np.isfinite(lower) & np.isfinite(upper)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = np.where(is_two_sided, upper - lower, np.nan) / 2
        tur = half / U
        w = _guard_band(rule, U, half, tur)
    accept_lower, accept_upper = lower + w, upper - w
    slack = _ON_LIMIT_FRAC * np.maximum(_size(lower), _size(upper))
    depth = np.minimum(found - lower, upper - found) + slack
    verdict = np.where(depth >= w, Verdict.PASS, Verdict.FAIL)
    if rule.is_graded:
        inside = np.where(depth >= 0, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL)
        verdict = np.where((depth < w) & (depth >= -w), inside, verdict)
    is_known = ~np.isnan(depth) & np.isfinite(w) & ~(tur < 1) & ~(accept_lower > accept_upper + slack)
    return Conformity(
        verdict=np.where(is_known, verdict, Verdict.NOT_DETERMINABLE).astype(np.int64),
        value=found,
        U=U,
        lower=lower,
        upper=upper,
        guard_band=w,
        accept_lower=accept_lower,
        accept_upper=accept_upper,
        probability=probability_of_conformity(found, U / k, lower=lower, upper=upper, dof=dof),
        tur=tur,
        dof=dof,
        rule=rule,
    )


def probability_of_conformity(
    value: npt.ArrayLike,
    u: npt.ArrayLike,
    *,
    lower: npt.ArrayLike = -np.inf,
    upper: npt.ArrayLike = np.inf,
    dof: npt.ArrayLike = np.inf,
) -> FloatArray:
    """Probability that the true value lies within the tolerance, for the result found and nothing known before.

    Args:
        value: results; NaN = none.
        u: standard uncertainties; NaN = not known.
        lower: tolerance limit.
        upper: tolerance limit.
        dof: degrees of freedom of u; infinity = normal.

    Raises:
        ReadingsError: an uncertainty is negative, limits are crossed, or shapes do not go together.

    Source: JCGM 106:2012 7.2 to 7.4 (from memory).
    """
    found, u, lower, upper, dof = _together(value, u, lower, upper, dof)
    depth = np.minimum(found - lower, upper - found)
    certain = np.where(np.isnan(depth), np.nan, depth >= 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        below, above = (lower - found) / u, (upper - found) / u
    # Beyond the lower limit the difference is taken of the small tails on the other side.
    is_mirrored = below > 0
    below, above = np.where(is_mirrored, -above, below), np.where(is_mirrored, -below, above)
    return np.where(u == 0, certain, special.stdtr(dof, above) - special.stdtr(dof, below))


def method_6_multiplier(tur: npt.ArrayLike) -> FloatArray:
    """Guard band in parts of U that holds false accepts of all units below 2 %; 0 from TUR 4.6 up.

    Args:
        tur: half the tolerance over U.

    Source: ANSI/NCSL Z540.3 handbook, method 6 (from memory).
    """
    ratio = np.asarray(tur, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(ratio > 0, np.maximum(1.04 - np.exp(0.38 * np.log(ratio) - 0.54), 0.0), np.nan)


def _guard_band(rule: DecisionRule, U: FloatArray, half: FloatArray, tur: FloatArray) -> FloatArray:
    if rule.guard == "root sum square":
        return np.asarray(half - np.sqrt(half**2 - U**2))
    if rule.guard == "method 6":
        return np.asarray(method_6_multiplier(tur) * U)
    return np.zeros_like(U) if rule.w_over_U == 0 else rule.w_over_U * U


def _together(
    value: npt.ArrayLike, uncertainty: npt.ArrayLike, lower: npt.ArrayLike, upper: npt.ArrayLike, *more: npt.ArrayLike
) -> tuple[FloatArray, ...]:
    arrays = [np.asarray(each, dtype=np.float64) for each in (value, uncertainty, lower, upper, *more)]
    try:
        found, u, low, high, *others = np.broadcast_arrays(*arrays)
    except ValueError as wrong:
        raise ReadingsError(
            f"shapes do not go together: {', '.join(str(each.shape) for each in arrays)}",
            where="conformity",
            allowed="for each result its own value, or one for all",
            todo="give uncertainty and limits for each result, or once",
        ) from wrong
    if (u < 0).any() or np.isinf(u).any() or np.isinf(found).any():
        raise ReadingsError(
            "an uncertainty is negative, or something infinite",
            where="conformity",
            allowed="U of 0 or more, NaN for not known",
            todo="give U without its sign, and NaN for an over-range reading",
        )
    if (low > high).any():
        raise ReadingsError("the lower limit lies above the upper", where="conformity", todo="exchange the limits")
    return (found, u, low, high, *others)


def _size(limit: FloatArray) -> FloatArray:
    return np.where(np.isfinite(limit), np.abs(limit), 0.0)


def _with_unit(level: float, in_unit: str) -> str:
    return f"{sized(level, 4)} {in_unit}".rstrip()


def _limits(lower: float, upper: float, in_unit: str) -> str:
    if np.isinf(lower):
        return "none" if np.isinf(upper) else f"up to {_with_unit(upper, in_unit)}"
    if np.isinf(upper):
        return f"from {_with_unit(lower, in_unit)}"
    return f"{sized(lower, 4)} to {_with_unit(upper, in_unit)}"


def _conforms(probability: float, *, is_certain: bool) -> str:
    """Never rounded to certainty."""
    if np.isnan(probability):
        return "probability of conformity not known"
    if probability > 0.9999 and not is_certain:
        return "conforms with a probability of more than 99.99 %"
    if probability < 0.0001 and not is_certain:
        return "conforms with a probability of less than 0.01 %"
    return f"conforms with a probability of {100 * probability:.4g} %"
