"""Before spending bench time: how often a good unit will be rejected and a bad one accepted, over the guard band."""

from dataclasses import dataclass

import numpy as np

from instruments.errors import PlanError
from sequencer.evaluation.figures.conformity import judge
from sequencer.evaluation.figures.risk import guard_band_for_risk, risk_over_guard_band, unit_sd
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.inputs.decision_rules import RULES
from sequencer.inputs.step import READING
from sequencer.planning.points import Plan, Point

__all__ = ["RiskPoint", "RiskTable", "risk_table"]

_W_OVER_U = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskPoint:
    """Chances at one guard band, of all units: a bad one accepted, a good one rejected."""

    w_over_U: float
    accepted_to: float
    false_accept: float
    false_reject: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskTable:
    """Chances at the point of the plan with the smallest TUR.

    Attributes:
        setpoint_pct: that point.
        unit: of the output.
        tolerance: half width there.
        U: expanded uncertainty there, before any scatter of readings.
        tur: tolerance over U.
        in_tolerance: share of all units that are truly in tolerance, as supposed.
        points: the curve.
        rule: the sequence's decision rule.
        of_rule: chances with that rule; None where it leaves nothing to accept.
        w_for_2_pct: guard band that holds false accepts to 2 %, in `unit`; 0 where none is needed.
        definition: whose.
    """

    setpoint_pct: float
    unit: str
    tolerance: float
    U: float
    tur: float
    in_tolerance: float
    points: tuple[RiskPoint, ...]
    rule: str
    of_rule: RiskPoint | None
    w_for_2_pct: float
    definition: str


def risk_table(plan: Plan, *, in_tolerance: float) -> RiskTable:
    """The curve for a plan.

    Args:
        plan: with the uncertainty of its points.
        in_tolerance: share of all units that are truly in tolerance, 0..1.

    Raises:
        PlanError: the uncertainty of no judged point is known, or it exceeds the tolerance.

    Source: JCGM 106:2012 9.5 (from memory): normal units, right on average; joint probabilities.
    """
    point, U, tur = _poorest(plan)
    width = point.tolerance
    # Before a run nothing limits the degrees of freedom.
    k = float(coverage_factor(plan.sequence.file.coverage, np.inf))
    sd, u = float(unit_sd(in_tolerance, half_width=width)), U / k
    bands = np.array([share * U for share in _W_OVER_U])
    risk = risk_over_guard_band(bands, half_width=width, sd=sd, u=u)
    rule = RULES[plan.sequence.file.decision_rule]
    accepted = judge(0.0, U, rule=rule, lower=-width, upper=width)
    band = float(accepted.guard_band)
    own = risk_over_guard_band(band, half_width=width, sd=sd, u=u)
    return RiskTable(
        setpoint_pct=100 * point.setpoint.frac,
        unit=plan.sheet.taps[-1].unit,
        tolerance=width,
        U=U,
        tur=tur,
        in_tolerance=in_tolerance,
        points=tuple(
            RiskPoint(w_over_U=share, accepted_to=width - w, false_accept=float(bad), false_reject=float(good))
            for share, w, bad, good in zip(_W_OVER_U, bands, risk.consumer_frac, risk.producer_frac, strict=True)
            if w < width
        ),
        rule=rule.name,
        of_rule=None
        if np.isnan(band) or band >= width
        else RiskPoint(
            w_over_U=band / U,
            accepted_to=width - band,
            false_accept=float(own.consumer_frac),
            false_reject=float(own.producer_frac),
        ),
        w_for_2_pct=float(guard_band_for_risk(0.02, half_width=width, sd=sd, u=u)),
        definition=risk.definition,
    )


def _poorest(plan: Plan) -> tuple[Point, float, float]:
    """The judged point with the smallest TUR, its U and its TUR; raises PlanError as `risk_table` does."""
    known = [point for point in plan.points if point.role == READING and point.tur is not None]
    if not known:
        raise PlanError(
            "no uncertainty is known on this bench",
            where=str(plan.bench.path),
            todo="give accuracy and resolution in the instrument descriptions",
        )
    point = min(known, key=lambda each: each.tur or 0.0)
    assert point.U is not None
    assert point.tur is not None
    if point.tur < 1:
        raise PlanError(
            f"the uncertainty exceeds the tolerance at {100 * point.setpoint.frac:g} % (TUR {point.tur:.2f})",
            where=str(plan.bench.path),
            todo="take better instruments; no rule can judge there",
        )
    return point, point.U, point.tur
