"""The verdict of one unit: pass, conditional pass or fail, fail, or not determinable; why, and by which rule."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from instruments.texts import counted, is_measurable, sized
from sequencer.evaluation.budget import LEAST_TUR, Basis
from sequencer.evaluation.figures.conformity import Conformity
from sequencer.evaluation.figures.conformity import Verdict as PointVerdict
from sequencer.evaluation.figures.rule_risk import risk_in_words
from sequencer.evaluation.judgement import Judgement
from sequencer.evaluation.stage_errors import Result, StageResult, suspicion

__all__ = ["WITHOUT_U", "Evidence", "Verdict", "verdict", "worst_visit"]

WITHOUT_U = "simple acceptance: every error within the tolerance; measurement uncertainty not taken into account"

_MOST_NAMED = 12  # places in one sentence

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
        reservations: what makes it weaker than it looks, such as a certificate that has expired; a pass with one is a
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
    """The row that uses most of its tolerance, of those that fail if one does; None if none is judged."""
    judged = visits[visits["is_judged"]]
    if "verdict" in judged and (fails := judged["verdict"] == PointVerdict.FAIL.text).any():
        judged = judged[fails]  # where U is larger than the error, more of it tells nothing
    return None if judged.empty else judged.iloc[int(judged["used_pct"].abs().to_numpy().argmax())]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What a verdict is made of.

    Attributes:
        visits: as in `Evaluation`.
        judgement: of the visits in order.
        end_pairs: as in `Evaluation`, with error and tolerance of the second reading, and its result in words.
        unit: of the output.
        basis: the rule, and what is stated of the instruments.
        stages: of the chain.
        suspect_taps: of which the readings accuse one instrument; () if none.
        is_suspect_at_ends: what is said of one of them is so of input or output as well.
        planned_n: how many points the plan had to read; None = not planned.
        unknown: why the uncertainty is not determinable, "" if it is.
        unfinished: why the run did not finish, "" if it did.
        is_scatter_unknown: each point was read once, in one cycle.
        without_value: readings that gave no value beside others of their visit that did, in words.
        tolerance_to_write: as in `Evaluation`.
    """

    visits: pd.DataFrame
    judgement: Judgement
    end_pairs: pd.DataFrame
    unit: str
    basis: Basis
    stages: tuple[StageResult, ...] = ()
    suspect_taps: tuple[str, ...] = ()
    is_suspect_at_ends: bool = False
    planned_n: int | None = None
    unknown: str = ""
    unfinished: str = ""
    is_scatter_unknown: bool = False
    without_value: tuple[str, ...] = ()
    tolerance_to_write: str = ""

    @property
    def conformity(self) -> Conformity | None:
        """Of the visits by the decision rule; None where nothing is known of the instruments."""
        return self.judgement.conformity

    @property
    def judged(self) -> pd.DataFrame:
        """The visits that have a tolerance to be judged by."""
        return self.visits[self.visits["is_judged"]]

    def results(self, *, is_judged: bool) -> pd.DataFrame:
        """The visits that were read, those with a tolerance to be judged by or the others, with their `result`."""
        found = self.visits.assign(result=self.judgement.result, least=self.judgement.least)
        return found[(found["is_judged"] == is_judged) & found["error"].notna()]


def verdict(given: Evidence) -> Verdict:
    """The verdict over all that was read, the worst of it first."""
    conformity = given.conformity
    rule = WITHOUT_U if conformity is None else _rule(given, conformity)
    low_tur = _low_tur(conformity, given.visits)
    accepted = f"{low_tur}, accepted by {given.basis.low_tur_accepted}" if given.basis.low_tur_accepted else ""
    accepted = accepted if low_tur else ""
    reservations = [*_reservations(given)]
    if low_tur and not accepted:
        reservations.append(f"{low_tur}, not accepted by a named person")
    result, reason = next(_causes(given))
    if result in {"pass", "conditional pass"} and given.unfinished:
        result, reason = "not determinable", f"the run did not finish ({given.unfinished}); {reason}"
    if result not in {"pass", "conditional pass"}:
        accepted = ""  # it would change nothing
    if accepted:
        reason = f"{reason}; {accepted}"
    if result in {"pass", "conditional pass"} and reservations:
        result, reason = "conditional pass", f"{reason}; with reservation: {'; '.join(reservations)}"
    return Verdict(result=result, reason=reason, rule=rule, reservations=tuple(reservations), accepted=accepted)


def _rule(given: Evidence, conformity: Conformity) -> str:
    """The rule, and what it bounds at the judged point with the fewest degrees of freedom."""
    dof = conformity.dof[given.visits["is_judged"].to_numpy(dtype=bool)]
    fewest = float(np.min(dof, initial=np.inf, where=~np.isnan(dof)))
    return f"{conformity.rule.name} ({risk_in_words(conformity.rule, coverage=given.basis.coverage, dof=fewest)})"


def _reservations(given: Evidence) -> Iterator[str]:
    """What makes a pass weaker than it looks, but for a low TUR."""
    yield from given.basis.reservations
    if given.planned_n is None:  # nobody planned which points there should be
        yield from _not_covered(given.visits)
    if given.conformity is not None and given.is_scatter_unknown:
        yield "one reading a point, one cycle: the scatter of the readings is not known"
    if given.conformity is not None and given.unknown:
        yield f"uncertainty not determinable, {given.unknown}"
    yield from given.without_value
    if given.suspect_taps:
        taps = set(given.suspect_taps)
        names = [f'"{stage.name}"' for stage in given.stages if taps & {stage.first, stage.last}]
        beside = f"stages {' and '.join(names)} are" if len(names) > 1 else f"stage {''.join(names)} is"
        yield (
            f"{suspicion(given.suspect_taps)}: {beside} not determinable, and errors of theirs "
            "that compensate would look the same; read that tap with another instrument"
        )
    for stage in given.stages:
        if stage.result == "not determinable" and stage.reason and not given.suspect_taps:
            yield f'stage "{stage.name}" is not determinable: {stage.reason}'


def _causes(given: Evidence) -> Iterator[tuple[Result, str]]:
    """What may be said of the unit, the first one counts: the worst first, a plain pass last."""
    worst, judged = worst_visit(given.visits), given.judged
    place = "" if worst is None else f"; worst {_place(worst, given.unit)}"
    yield from _bench_at_fault(given)
    points = [PointVerdict(int(each)) for each in given.results(is_judged=True)["result"]]
    outside = int((~judged["is_within"]).sum())
    failed, out = [*_failed(given, points, outside)], [*_out_unjudged(given)]
    if failed or out:
        # What is out of next to no tolerance is told with its size: it may well be the worst, and has no share.
        rest = "" if not failed else place.replace("worst", "worst of the others") if out else place
        yield "fail", f"{', and '.join((*failed, *out))}{rest}"
    if second := _second_readings(given, PointVerdict.FAIL):
        yield "fail", f"{second} outside the tolerance{place}"
    read = " that were read" if _missing_n(given) else ""
    within = "" if outside else f", though end to end all {len(judged)} points{read} are within"
    for stage in given.stages:
        if stage.result == "fail":
            yield (
                "fail",
                (
                    f'stage "{stage.name}" is outside its own tolerance, {stage.worst_pct:+.3g} % of span at '
                    f"{stage.worst_at_pct:g} %{within}{place}"
                ),
            )
    doubtful = _second_readings(given, PointVerdict.CONDITIONAL_FAIL)
    if PointVerdict.CONDITIONAL_FAIL in points:
        yield "conditional fail", f"{counted(outside, 'point')} outside the tolerance, by less than U{place}"
    if doubtful:
        yield "conditional fail", f"{doubtful} outside the tolerance, by less than U{place}"
    obstacles = [*_obstacles(given, points)]
    if obstacles:
        so_far = place.replace("worst", "worst so far") if _missing_n(given) else place
        yield "not determinable", f"{'; '.join(obstacles)}{so_far}"
    if worst is None:
        yield "not determinable", "no point could be judged"
        return
    near = points.count(PointVerdict.CONDITIONAL_PASS)
    if not near and (second := _second_readings(given, PointVerdict.CONDITIONAL_PASS)):
        yield "conditional pass", f"all {len(judged)} points within the tolerance, but {second} nearer than U{place}"
    yield _passing(len(judged), outside, near, given.conformity, place)


def _failed(given: Evidence, points: list[PointVerdict], outside: int) -> Iterator[str]:
    """What of the visits with a tolerance is outside, in words."""
    if PointVerdict.FAIL not in points:
        return
    conformity = given.conformity
    if conformity is None or outside:
        yield f"{outside} of {len(points)} points outside the tolerance"
    else:  # a rule with a guard band that knows pass and fail only
        near = points.count(PointVerdict.FAIL)
        yield f"{near} of {len(points)} points nearer to the limit than {conformity.rule.name} accepts"


def _out_unjudged(given: Evidence) -> Iterator[str]:
    """What is out though its tolerance is next to nothing, in words."""
    rows = given.results(is_judged=False)
    out = rows[rows["result"] == PointVerdict.FAIL]
    if len(out):
        worst = out.iloc[int(out["error"].abs().to_numpy().argmax())]
        yield (
            f"{sized(worst['error'], 4, is_signed=True)} {given.unit} at {_places(out)}, where the tolerance is "
            f"{sized(worst['tolerance'], 3)} {given.unit} and {_reach(given, out)} does not explain it"
        )


def _obstacles(given: Evidence, points: list[PointVerdict]) -> Iterator[str]:
    """Why there is no verdict, with the places."""
    visits = given.visits
    # Without its input a point is as good as not read.
    missing, unread = _missing_n(given), visits[visits["error"].isna()]
    if missing:
        where = f" ({_places(unread)})" if len(unread) else ""
        yield f"{counted(missing, 'point')} {'was' if missing == 1 else 'were'} not read{where}"
    unsteady = visits[~visits["is_steady"]]
    if len(unsteady):
        yield f"{len(unsteady)} of {len(visits)} points not settled within the time limit ({_places(unsteady)})"
    if PointVerdict.NOT_DETERMINABLE in points:
        yield from _undetermined(given)
    rows = given.results(is_judged=False)
    unresolved = rows[rows["result"] == PointVerdict.NOT_DETERMINABLE]
    if len(unresolved):
        yield f"{_too_narrow(given, unresolved)}{_to_write(given)}"
    if second := _second_readings(given, PointVerdict.NOT_DETERMINABLE):
        yield f"{second} not determinable"


def _too_narrow(given: Evidence, rows: pd.DataFrame) -> str:
    """Each tolerance that is less than can be resolved, with its places, and what it would have to exceed."""
    told = rows.assign(told=[sized(float(each), 3) for each in rows["tolerance"]]).groupby("told", sort=False)
    widths = [f"{'of ' if not number else ''}{width} {given.unit} at {_places(part)}"
              for number, (width, part) in enumerate(told)]  # fmt: skip
    least = float(rows["least"].max())
    known = given.conformity is not None and rows["U"].notna().all()
    step = f", half a step of {sized(2 * least, 2)} {given.unit}" if least > 0 else ""
    than = f"U = {sized(float(rows['U'].max()), 2)} {given.unit}" if known else f"the resolution of the output{step}"
    return f"the tolerance {', '.join(widths)} is less than {than}"


def _undetermined(given: Evidence) -> Iterator[str]:
    """Why the points that the rule leaves open are open, for each reason with its places."""
    conformity = given.conformity
    assert conformity is not None
    rows = given.results(is_judged=True)
    rows = rows[rows["result"] == PointVerdict.NOT_DETERMINABLE]
    is_unknown = rows["U"].isna() & bool(given.unknown)
    if is_unknown.any():
        lacking = f"the uncertainty is not determinable ({given.unknown}), and {conformity.rule.name} needs it"
        yield f"{lacking}, at {_places(rows[is_unknown])}"
    rest = rows[~is_unknown]
    if len(rest):
        reasons = [conformity.reason(int(str(index)), in_unit=given.unit) for index in rest.index]
        is_first = np.array([each == reasons[0] for each in reasons])
        why = reasons[0].removeprefix("Not determinable: ").rstrip(".")
        others = "" if is_first.all() else f", and likewise with other figures at {_places(rest[~is_first])}"
        yield f"{why}, at {_places(rest[is_first])}{others}{_to_write(given)}"


def _missing_n(given: Evidence) -> int:
    return max(given.planned_n or 0, len(given.visits)) - int(given.visits["error"].notna().sum())


def _second_readings(given: Evidence, result: PointVerdict) -> str:
    """The second readings of end pairs with a result, in words; "" if none has it."""
    rows = given.end_pairs[given.end_pairs["error"].notna() & (given.end_pairs["result"] == result.text)]
    return f"the second reading of the end pair at {_places(rows)}" if len(rows) else ""


def _reach(given: Evidence, rows: pd.DataFrame) -> str:
    """What is too much for the tolerance of some visits, in words."""
    if given.conformity is None or not rows["U"].notna().all():
        return "the resolution of the readings"
    return f"U = {sized(float(rows['U'].max()), 2)} {given.unit}"


def _to_write(given: Evidence) -> str:
    if not given.tolerance_to_write:
        return ""
    return f" (if the data sheet of the type allows it, write: tolerance: {given.tolerance_to_write})"


def _at(setpoint_pct: float) -> str:
    """A setpoint as it is named: the rest of an input that was measured says nothing."""
    return f"{round(setpoint_pct, 2) + 0.0:g}"


def _places(rows: pd.DataFrame) -> str:
    """Setpoints of rows with their direction, each once."""
    ways = rows["direction"] if "direction" in rows else [""] * len(rows)
    found = dict.fromkeys(
        f"{_at(setpoint)} %{f' {way}scale' if way else ''}"
        for setpoint, way in zip(rows["setpoint_pct"], ways, strict=True)
    )
    named = list(found)[:_MOST_NAMED]
    more = f" and {len(found) - len(named)} more" if len(found) > len(named) else ""
    return ", ".join(named) + more


def _passing(
    judged_n: int, outside_n: int, near_n: int, conformity: Conformity | None, place: str
) -> tuple[Result, str]:
    within = f"all {judged_n} points within the tolerance"
    if near_n:
        return "conditional pass", f"{within}, but {near_n} nearer to its limit than U{place}"
    if outside_n and conformity is not None:  # a rule that rejects only what is proved to be outside
        within = (
            f"{outside_n} of {judged_n} points outside the tolerance, by no more than {conformity.rule.name} accepts"
        )
    return "pass", f"{within}{place}"


def _bench_at_fault(given: Evidence) -> Iterator[tuple[Result, str]]:
    """The source is off or set otherwise, or the reference reads another thing: the unit cannot be blamed."""
    visits = given.visits
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
    if given.suspect_taps and given.is_suspect_at_ends:
        yield (
            "not determinable",
            (
                f"{suspicion(given.suspect_taps)}, and the errors end to end rest on it: "
                "check that instrument, or read the tap with another one"
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


def _place(worst: "pd.Series[Any]", unit: str) -> str:
    way = f" {worst['direction']}scale" if worst["direction"] else ""
    known = worst.get("U")
    uncertain = f", U = {sized(known, 2)} {unit}" if known is not None and not np.isnan(known) else ""
    error, pct = "0", "0"
    if is_measurable(worst["error_pct"] / 100):
        error, pct = sized(worst["error"], 4, is_signed=True), sized(worst["error_pct"], is_signed=True)
    return (
        f"{error} {unit}{uncertain} ({pct} % of span, "
        f"{abs(worst['used_pct']):.0f} % of the tolerance) at {_at(worst['setpoint_pct'])} %{way}"
    )
