"""Before spending bench time: how often a good unit will be rejected and a bad one accepted.

Of the whole unit with all its points by the rule of the sequence, and over the guard band at its poorest point alone.
"""

from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray
from instruments.errors import PlanError
from sequencer.evaluation.figures.conformity import judge
from sequencer.evaluation.figures.risk import guard_band_for_risk, risk_over_guard_band, unit_sd
from sequencer.evaluation.figures.rule_risk import risk_in_words
from sequencer.evaluation.figures.unit_risk import UnitRisk, curves, unit_risk
from sequencer.inputs.decision_rules import RULES
from sequencer.inputs.step import JUDGED_ROLES, READING
from sequencer.planning.points import Plan, Point

__all__ = ["IN_TOLERANCE", "RiskPoint", "RiskTable", "UnitChances", "expected_chances", "risk_table", "unit_chances"]

IN_TOLERANCE = 0.95
"""Share of all units that is supposed to be in tolerance where nobody says another."""

_W_OVER_U = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskPoint:
    """Chances at one guard band, of all units: a bad one accepted, a good one rejected."""

    w_over_U: float
    accepted_to: float
    false_accept: float
    false_reject: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitChances:
    """Chances of a unit with all its judged points, by the rule of the sequence.

    Attributes:
        in_tolerance: share of all units that is truly in tolerance at all points, as supposed.
        shared: where the errors of the instruments are the same at all points of a run, as those of one range mostly
            are; None where the rule leaves nothing to accept.
        independent: where they are not, and each point has errors of its own: the other end.
        places_n: places with their direction that are judged.
        unknown_n: judged places without a known uncertainty, which are left out.
        scatter: standard deviation of one reading that was supposed, in the unit of the output; 0 = none.
    """

    in_tolerance: float
    shared: UnitRisk | None
    independent: UnitRisk | None
    places_n: int
    unknown_n: int
    scatter: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskTable:
    """Chances of the whole unit, and at the point of the plan with the smallest TUR.

    Attributes:
        of_unit: with all its points.
        setpoint_pct: the poorest point.
        unit: of the output.
        tolerance: half width there.
        U: expanded uncertainty there, before any scatter of readings.
        tur: tolerance over U.
        in_tolerance: share of all units that are truly in tolerance, as supposed.
        points: the curve.
        rule: the sequence's decision rule.
        bounds: what that rule bounds, in words.
        of_rule: chances with that rule; None where it leaves nothing to accept.
        w_for_2_pct: guard band that holds false accepts to 2 %, in `unit`; 0 where none is needed.
        definition: whose.
    """

    of_unit: UnitChances
    setpoint_pct: float
    unit: str
    tolerance: float
    U: float
    tur: float
    in_tolerance: float
    points: tuple[RiskPoint, ...]
    rule: str
    bounds: str
    of_rule: RiskPoint | None
    w_for_2_pct: float
    definition: str


def unit_chances(plan: Plan, *, in_tolerance: float = IN_TOLERANCE, scatter: float = 0.0) -> UnitChances:
    """How often a unit is judged wrongly with all the points of a plan.

    A pass wants every reading within what the rule accepts; a conditional pass counts as a rejection. The true error of
    a unit is made of `curves`. Shared by all points are what the instruments bring, scaled with its uncertainty at
    each, and what is left of settling, which lies behind on the way up and before on the way down.

    Args:
        plan: with the uncertainty of its points.
        in_tolerance: share of all units that is truly in tolerance at all points, 0..1.
        scatter: standard deviation of one reading at the output, in its unit; before a run nothing is known of it.

    Raises:
        PlanError: the uncertainty of no judged point is known, or it exceeds the tolerance.
    """
    _poorest(plan)
    places = _places(plan, is_repeated=scatter > 0)
    known = [(point, is_down) for point, is_down in places if point.U is not None]
    points, is_downs = [point for point, _ in known], np.array([is_down for _, is_down in known])
    width, U, u_alone, resolution, settling = (
        np.array([getattr(point, name) for point in points], dtype=np.float64)
        for name in ("tolerance", "U", "u", "u_own", "u_settling")
    )
    scatters = scatter / np.sqrt([point.setpoint.readings_n for point in points])
    k = U / u_alone
    own, u = np.hypot(resolution, scatters), np.hypot(u_alone, scatters)
    of_instruments = np.sqrt(np.maximum(u**2 - own**2 - settling**2, 0.0))
    rule = RULES[plan.sequence.file.decision_rule]
    accept = judge(0.0, k * u, rule=rule, lower=-width, upper=width).accept_upper

    def chances(sources: FloatArray, alone: FloatArray) -> UnitRisk | None:
        if not ((accept > 0) & (k * u <= width)).all():
            return None
        parts = curves(np.array([point.setpoint.frac for point in points]), is_downs)
        return unit_risk(parts, in_tolerance=in_tolerance, tolerance=width, accept=accept, shared=sources, own=alone)

    return UnitChances(
        in_tolerance=in_tolerance,
        shared=chances(np.stack((of_instruments, np.where(is_downs, settling, -settling))), own),
        independent=chances(np.zeros((0, len(points))), u),
        places_n=len(points),
        unknown_n=len(places) - len(points),
        scatter=scatter,
    )


def expected_chances(plan: Plan) -> UnitChances | None:
    """The same as it is said of a plan: at the usual share; None where nothing can be judged."""
    try:
        return unit_chances(plan)
    except PlanError:
        return None


def _places(plan: Plan, *, is_repeated: bool) -> list[tuple[Point, bool]]:
    """The judged places, and whether the input comes down to them; cycles where they are to be repeated."""
    found: dict[tuple[float, bool, int], tuple[Point, bool]] = {}
    for point in plan.points:
        at = point.setpoint
        if point.role in JUDGED_ROLES and point.tolerance > 0:
            # A second reading is of the way that arrived there.
            is_down = (at.direction == "down") is not at.is_again
            found.setdefault((at.frac, is_down, point.number if is_repeated else 0), (point, is_down))
    return list(found.values())


def risk_table(plan: Plan, *, in_tolerance: float, scatter: float = 0.0) -> RiskTable:
    """The chances of the unit, and the curve of its poorest point.

    Args:
        plan: with the uncertainty of its points.
        in_tolerance: share of all units that are truly in tolerance, 0..1.
        scatter: as in `unit_chances`; the curve of one point is without it.

    Raises:
        PlanError: the uncertainty of no judged point is known, or it exceeds the tolerance.

    Source: JCGM 106:2012 9.5 (from memory): normal units, right on average; joint probabilities.
    """
    point, U, tur = _poorest(plan)
    width = point.tolerance
    sd, u = float(unit_sd(in_tolerance, half_width=width)), point.u
    bands = np.array([share * U for share in _W_OVER_U])
    risk = risk_over_guard_band(bands, half_width=width, sd=sd, u=u)
    rule = RULES[plan.sequence.file.decision_rule]
    accepted = judge(0.0, U, rule=rule, lower=-width, upper=width)
    band = float(accepted.guard_band)
    own = risk_over_guard_band(band, half_width=width, sd=sd, u=u)
    return RiskTable(
        of_unit=unit_chances(plan, in_tolerance=in_tolerance, scatter=scatter),
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
        bounds=risk_in_words(rule, coverage=plan.sequence.file.coverage),
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
    if not plan.has_traverse:
        raise PlanError(
            "this sequence has no traverse, so no point that is held against the tolerance",
            where=plan.sequence.document.where("steps"),
            todo="add one",
        )
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
