"""What a decision rule bounds: the risk at its acceptance limit, or of all units, for coverage and degrees of freedom.

The figures that documents print hold for many degrees of freedom; here each is computed for those that there are.
"""

import math
from functools import lru_cache

import numpy as np
from scipy import special

from sequencer.evaluation.figures.conformity import judge
from sequencer.evaluation.figures.risk import risk_over_guard_band
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.inputs.decision_rules import DecisionRule

__all__ = ["risk_at_limit", "risk_in_words", "worst_risk_of_units"]

# Nobody knows the tails of a distribution farther out.
_LEAST = 1e-6
_MANY_DOF = 1000.0
# Ratios of tolerance and uncertainty, and spreads of units over the tolerance, among which the worst is looked for.
_TURS = np.geomspace(1.0, 10.0, 25)
_SPREADS = np.geomspace(0.15, 6.0, 40)
_PARTS = (np.arange(24) + 0.5) / 24


def risk_at_limit(rule: DecisionRule, *, coverage: float, dof: float = math.inf) -> float:
    """Chance that a result on the limit of the guard band lies on the wrong side of the tolerance limit.

    Args:
        rule: with a guard band in parts of U; a negative one is the risk of a false reject.
        coverage: probability that U stands for.
        dof: effective degrees of freedom of U.

    The guard band is w/U times k times u, with k of this coverage at these degrees of freedom, as U is computed: one
    tail of Student's t. Source: JCGM 106:2012 8.3.2 and GUM G.3 (from memory).
    """
    band = abs(rule.w_over_U) * float(coverage_factor(coverage, dof))
    return float(special.stdtr(dof, -band))


@lru_cache(maxsize=16)
def worst_risk_of_units(rule: DecisionRule, *, coverage: float, dof: float = math.inf) -> float:
    """Largest share of all units that is bad and accepted, whatever their spread, for any TUR from 1 up.

    Args:
        rule: whose guard band depends on the TUR.
        coverage: probability that U stands for.
        dof: effective degrees of freedom of U; few make u itself uncertain, by chi squared.
    """
    U = 1 / _TURS
    band = judge(0.0, U, rule=rule, lower=-1.0, upper=1.0).guard_band
    u = U / coverage_factor(coverage, dof)
    wider = np.ones(1) if math.isinf(dof) else np.sqrt(dof / special.chdtri(dof, _PARTS))
    risk = risk_over_guard_band(
        band[:, None, None],
        half_width=1.0,
        sd=_SPREADS[:, None],
        u=u[:, None, None] * wider,
    )
    return float(risk.consumer_frac.mean(axis=-1).max())


def risk_in_words(rule: DecisionRule, *, coverage: float, dof: float = math.inf) -> str:
    """What a rule bounds, with the condition under which that holds.

    Args:
        rule: any.
        coverage: probability that U stands for.
        dof: smallest effective degrees of freedom of what is judged; infinity = many, or before a run.
    """
    dof = math.inf if dof > _MANY_DOF else dof
    degrees = "many" if math.isinf(dof) else f"{dof:.3g}"
    given = f"{100 * coverage:.6g} % coverage, {degrees} degrees of freedom"
    if rule.guard != "of U":
        most = _at_most(worst_risk_of_units(rule, coverage=coverage, dof=dof))
        return f"false accept {most} of all units, whatever their spread; normal units, {given}"
    if rule.w_over_U == 0:
        return "false accept and false reject at most 50 % each, at one point"
    most = _at_most(risk_at_limit(rule, coverage=coverage, dof=dof))
    if rule.is_graded:
        between = "; between, neither is proved" if rule.proves_both else ""
        said = f"false accept {most} for pass, false reject {most} for fail{between}"
    else:
        said = f"false {'accept' if rule.w_over_U > 0 else 'reject'} {most}"
    return f"{said}; at one point, {given}"


def _at_most(risk: float) -> str:
    """An upper bound in three digits, rounded up; in ppm below 0.1 %."""
    if risk <= _LEAST:
        return "below 1 ppm"
    in_unit, unit = (100 * risk, "%") if risk >= 1e-3 else (1e6 * risk, "ppm")
    step = 10.0 ** (math.floor(math.log10(in_unit)) - 2)
    return f"at most {math.ceil(in_unit / step - 1e-6) * step:.3g} {unit}"
