"""The verdict of one unit: pass, conditional pass or fail, fail, or not determinable; why, and by which rule."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from instruments.texts import counted, sized
from sequencer.evaluation.budget import LEAST_TUR, Basis
from sequencer.evaluation.figures.conformity import Conformity
from sequencer.evaluation.figures.conformity import Verdict as PointVerdict
from sequencer.evaluation.stage_errors import Result, StageResult

__all__ = ["WITHOUT_U", "Verdict", "verdict", "worst_visit"]

WITHOUT_U = "simple acceptance: every error within the tolerance; measuring uncertainty not taken into account"

# A source that is merely out of calibration lies nearer; common practice, no source.
_ASTRAY_PCT = 5.0
# Ends within 10 % of the range, five points at least, of which three tell a line from a curve (ISA-51.1, from memory).
_FEWEST_POINTS, _END_PCT, _BEYOND_PCT = 3, 10.0, 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What is said of the unit.

    Args:
        result: pass, conditional pass, conditional fail, fail, or not determinable.
        reason: why, in one sentence with the worst point.
        rule: the decision rule that gave it, with its document.
        reservations: what makes it weaker than it looks, such as a certificate that had run out; a pass with one is a
            conditional pass.
        accepted: what a person answers for by name so that it is a pass, "" if nothing.
    """

    result: Result
    reason: str
    rule: str = WITHOUT_U
    reservations: tuple[str, ...] = ()
    accepted: str = ""

    @property
    def is_pass(self) -> bool:
        """True for a plain pass alone."""
        return self.result == "pass"


def worst_visit(visits: pd.DataFrame) -> "pd.Series[Any] | None":
    """The row of the visits that uses most of its tolerance; None if none is judged."""
    judged = visits[visits["is_judged"]]
    return None if judged.empty else judged.iloc[int(judged["used_pct"].abs().to_numpy().argmax())]


def verdict(  # noqa: PLR0913  what there is to weigh, by keyword
    visits: pd.DataFrame,
    unit: str,
    *,
    planned_n: int | None,
    stages: tuple[StageResult, ...],
    conformity: Conformity | None,
    basis: Basis,
    unknown: str = "",
    unfinished: str = "",
    is_scatter_unknown: bool = False,
) -> Verdict:
    """The verdict over all visits, the worst of them first.

    Args:
        visits: as in `Evaluation`.
        unit: of the output.
        planned_n: how many points the plan had to read; None = not planned.
        stages: of the chain.
        conformity: of the visits in order; None where nothing is known of the instruments.
        basis: the rule, and what is stated of the instruments.
        unknown: why the uncertainty is not determinable, "" if it is.
        unfinished: why the run did not finish, "" if it did.
        is_scatter_unknown: each point was read once, in one cycle.
    """
    rule = WITHOUT_U if conformity is None else f"{conformity.rule.name} ({conformity.rule.risk})"
    reservations = [f"certificate had run out: {each}" for each in basis.overdue]
    if planned_n is None:  # nobody planned which points there should be
        reservations.extend(_not_covered(visits))
    if conformity is not None and is_scatter_unknown:
        reservations.append("one reading a point, one cycle: how far readings scatter is not known")
    if conformity is not None and unknown:
        reservations.append(f"uncertainty not determinable, {unknown}")
    low_tur = _low_tur(conformity, visits)
    accepted = f"{low_tur}, accepted by {basis.low_tur_accepted}" if low_tur and basis.low_tur_accepted else ""
    if low_tur and not accepted:
        reservations.append(f"{low_tur}, and nobody accepts that by name")
    result, reason = next(
        _causes(visits, unit, planned_n=planned_n, stages=stages, conformity=conformity, unknown=unknown)
    )
    if result in {"pass", "conditional pass"} and unfinished:
        result, reason = "not determinable", f"the run did not finish ({unfinished}); {reason}"
    if result not in {"pass", "conditional pass"}:
        accepted = ""  # it would change nothing
    if accepted:
        reason = f"{reason}; {accepted}"
    if result in {"pass", "conditional pass"} and reservations:
        result, reason = "conditional pass", f"{reason}; with reservation: {'; '.join(reservations)}"
    return Verdict(result=result, reason=reason, rule=rule, reservations=tuple(reservations), accepted=accepted)


def _causes(
    visits: pd.DataFrame,
    unit: str,
    *,
    planned_n: int | None,
    stages: tuple[StageResult, ...],
    conformity: Conformity | None,
    unknown: str,
) -> Iterator[tuple[Result, str]]:
    """What may be said of the unit, the first one counts: the worst first, a plain pass last."""
    worst = worst_visit(visits)
    if worst is None:
        yield "not determinable", "no point could be judged"
        return
    judged, place = visits[visits["is_judged"]], _place(worst, unit)
    yield from _bench_at_fault(visits)
    outside = int((~judged["is_within"]).sum())
    points = _found(conformity, judged)
    if PointVerdict.FAIL in points or (conformity is None and outside):
        found = f"{outside} of {len(judged)} points outside the tolerance"
        if conformity is not None and not outside:  # a rule with a guard band that knows pass and fail only
            near = points.count(PointVerdict.FAIL)
            found = f"{near} of {len(judged)} points nearer to the limit than {conformity.rule.name} accepts"
        yield "fail", f"{found}; worst {place}"
    if PointVerdict.CONDITIONAL_FAIL in points:
        yield "conditional fail", f"{counted(outside, 'point')} outside the tolerance, by less than U; worst {place}"
    # Without its input a point is as good as not read.
    missing = max(planned_n or 0, len(visits)) - int(visits["error"].notna().sum())
    unsteady = int((~visits["is_steady"]).sum())
    if missing:
        yield (
            "not determinable",
            f"{counted(missing, 'point')} {'was' if missing == 1 else 'were'} not read; worst so far {place}",
        )
    if unsteady:
        yield "not determinable", f"{unsteady} of {len(visits)} points never settled; worst {place}"
    if PointVerdict.NOT_DETERMINABLE in points:
        yield "not determinable", f"{_obstacle(conformity, judged, unit, unknown)}; worst {place}"
    for stage in stages:
        if stage.result == "fail":
            yield (
                "fail",
                (
                    f'stage "{stage.name}" is outside its own tolerance, {stage.worst_pct:+.3g} % of span at '
                    f"{stage.worst_at_pct:g} %, though end to end all {len(judged)} points are within; worst {place}"
                ),
            )
    yield _passing(len(judged), outside, points.count(PointVerdict.CONDITIONAL_PASS), conformity, place)


def _passing(
    judged_n: int, outside_n: int, near_n: int, conformity: Conformity | None, place: str
) -> tuple[Result, str]:
    within = f"all {judged_n} points within the tolerance"
    if near_n:
        return "conditional pass", f"{within}, but {near_n} nearer to its limit than U; worst {place}"
    if outside_n and conformity is not None:  # a rule that rejects only what is proved to be outside
        within = (
            f"{outside_n} of {judged_n} points outside the tolerance, by no more than {conformity.rule.name} accepts"
        )
    return "pass", f"{within}; worst {place}"


def _bench_at_fault(visits: pd.DataFrame) -> Iterator[tuple[Result, str]]:
    """The source is off or set otherwise, or the reference reads another thing: the unit cannot be blamed."""
    astray_pct = (visits["input_pct"] - visits["setpoint_pct"]).abs()
    is_astray = astray_pct > _ASTRAY_PCT
    if is_astray.any():
        yield (
            "not determinable",
            (
                f"at {int(is_astray.sum())} of {len(visits)} points the input measured lies up to "
                f"{sized(astray_pct.max())} % of span from its setpoint: check source, reference and wiring"
            ),
        )


def _low_tur(conformity: Conformity | None, visits: pd.DataFrame) -> str:
    """The smallest TUR of the judged visits in words where it is below what a plain pass wants; "" if it is not."""
    if conformity is None:
        return ""
    tur = conformity.tur[visits["is_judged"].to_numpy()]
    least = float(np.min(tur, initial=np.inf, where=~np.isnan(tur)))
    return f"TUR {math.floor(100 * least) / 100:.2f} is below {LEAST_TUR:g}" if least < LEAST_TUR else ""


def _not_covered(visits: pd.DataFrame) -> Iterator[str]:
    """What of the range readings taken by hand say nothing of, or say too much of."""
    read = visits.loc[visits["error"].notna(), "setpoint_pct"]
    if read.empty:
        return
    if read.nunique() < _FEWEST_POINTS or read.min() > _END_PCT or read.max() < 100 - _END_PCT:
        lowest, highest = sized(read.min()), sized(read.max())
        yield f"readings at {read.nunique()} points from {lowest} % to {highest} % of the range only"
    if read.min() < -_BEYOND_PCT or read.max() > 100 + _BEYOND_PCT:
        yield "readings far beyond the range"


def _found(conformity: Conformity | None, judged: pd.DataFrame) -> list[PointVerdict]:
    """Verdict of each judged visit."""
    if conformity is None:
        return []
    return [PointVerdict(int(each)) for each in conformity.verdict[judged.index.to_numpy()]]


def _obstacle(conformity: Conformity | None, judged: pd.DataFrame, unit: str, unknown: str) -> str:
    """Why the first point that is not determinable is not."""
    assert conformity is not None
    for index in judged.index.to_numpy():
        if conformity.verdict[index] == PointVerdict.NOT_DETERMINABLE:
            if np.isnan(conformity.U[index]) and unknown:
                return f"the uncertainty is not determinable ({unknown}), and {conformity.rule.name} needs it"
            return conformity.reason(int(index), in_unit=unit).removeprefix("Not determinable: ").rstrip(".")
    return "not determinable"


def _place(worst: "pd.Series[Any]", unit: str) -> str:
    way = f" {worst['direction']}scale" if worst["direction"] else ""
    known = worst.get("U")
    uncertain = f", U = {sized(known, 2)} {unit}" if known is not None and not np.isnan(known) else ""
    return (
        f"{sized(worst['error'], 4, is_signed=True)} {unit}{uncertain} "
        f"({sized(worst['error_pct'], is_signed=True)} % of span, "
        f"{abs(worst['used_pct']):.0f} % of the tolerance) at {worst['setpoint_pct']:g} %{way}"
    )
