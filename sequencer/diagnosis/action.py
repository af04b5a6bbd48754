"""What to do next, in one or two sentences, from the shape of the errors.

A first look only: direction and time before the line, the line before the curve, and where the line crosses zero. It
names a family of causes and the next check; it fits no fault. Families: trade practice, common practice, no source.
"""

from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import FloatArray
from instruments.texts import counted, of_span, sized
from instruments.units import Term, Terms
from sequencer.diagnosis.summary import LIKELY, Account
from sequencer.evaluation.figures.lines import fit_line
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.tolerance import half_width
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["Family", "advice", "may_adjust", "other_basis"]

_NEAR_LIMIT_PCT = 70
# Beyond, a setting is wrong; zero and span have no more reach, or should not be asked to (common practice, no source).
_LARGEST_TRIM_PCT = 10
# What zero and span can take away, once the configuration was found right.
_TRIMS = frozenset({"zero shift", "span error", "zero and span"})
_LEADING_N = 3
_CAUTIOUS = "Change nothing before that is settled."


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """What the shape of the errors points to, in words, and whether zero and span can be the answer to it."""

    text: str
    is_trim: bool = False


def may_adjust(evaluation: Evaluation | None, findings: Account | None = None) -> bool:
    """Whether turning zero and span is right at all.

    Not where the cause is range, unit, wiring, lag, compliance, hysteresis or the bench; and not where a unit lies well
    within its tolerance: turning it would destroy its history (common practice, no source).
    """
    if evaluation is None or evaluation.worst is None or evaluation.verdict.result == "not determinable":
        return False
    if evaluation.suspect_tap or any(stage.result == "fail" for stage in evaluation.stages[:-1]):
        return False
    if abs(float(evaluation.worst["used_pct"])) < _NEAR_LIMIT_PCT:
        return False
    return _family(evaluation).is_trim and not _is_no_trim(findings)


def _is_no_trim(findings: Account | None) -> bool:
    """The likely cause is one that no trim takes away."""
    if findings is None or not findings.names or findings.ranking[0].weight < LIKELY:
        return False
    # A trim that these readings cannot tell from the rest is advised with the check that tells.
    return not _TRIMS & set(findings.names[:_LEADING_N])


def advice(  # noqa: PLR0911  one sentence for each outcome
    evaluation: Evaluation | None,
    status: str,
    reason: str,
    findings: Account | None = None,
    *,
    can_resume: bool = False,
) -> str:
    """What to do after a run or an evaluation.

    Args:
        evaluation: None if there was nothing to evaluate.
        status: how the run ended.
        reason: of that, in words.
        findings: the likely causes; None = not looked for.
        can_resume: the run can go on.
    """
    if status == "not safe":
        return f"Switch the source off by hand, now. {reason}."
    if can_resume or status in {"interrupted", "bench fault"} or evaluation is None:
        again = "Go on with livezero resume, or end it with livezero close"
        anew = "See to that, then run again; what was read is kept"
        return f"The run did not finish: {reason}. {again if can_resume else anew}."
    verdict = evaluation.verdict
    if verdict.result != "pass" and findings is not None and findings.is_transcription:
        return findings.ranking[0].check
    if verdict.result == "pass":
        worst = evaluation.worst
        used = 0.0 if worst is None else abs(float(worst["used_pct"]))
        if used > _NEAR_LIMIT_PCT:
            return f"Within tolerance, but {used:.0f} % of it is used: decide whether to adjust before it is fitted."
        return "Within tolerance: leave it as it is, and fit it."
    if verdict.result == "conditional pass":
        is_near = "verdict" in evaluation.visits and (evaluation.visits["verdict"] == "conditional pass").any()
        near = ["it lies nearer to the limit than the measurement is sure"] if is_near else []
        cause = "; ".join([*near, *verdict.reservations])
        return f"Within tolerance, but {cause}: see to that, or agree with whoever asked for it that it will do."
    if verdict.result == "not determinable":
        return f"No verdict: {verdict.reason}. {_to_get_one(evaluation)}, and run again."
    if verdict.result == "conditional fail":
        return f"Outside the tolerance, but by less than the measurement is sure. {_failed(evaluation, findings)}"
    return _failed(evaluation, findings)


def other_basis(
    evaluation: Evaluation | None, type_sheet: TypeSheet, findings: Account | None = None
) -> tuple[str, ...]:
    """A remark where a unit that fails would pass with the same number of another base: a usual slip of type sheets.

    Only where it passes at every point by more than its uncertainty, and no likely cause is beyond a trim. A base that
    follows the signal is doubted only where the unit fails towards one end of the range alone. It is no cause: readings
    cannot tell what was ordered.
    """
    parts = type_sheet.tolerance.parts
    if evaluation is None or evaluation.verdict.result != "fail" or len(parts) != 1 or not parts[0].base:
        return ()
    if _is_no_trim(findings):
        return ()
    visits = evaluation.visits[evaluation.visits["error"].notna()]
    failed_pct, passed_pct = (
        visits.loc[visits["is_judged"] & (visits["is_within"] == is_within), "setpoint_pct"]
        for is_within in (False, True)
    )
    is_one_end = failed_pct.max() < passed_pct.min() or failed_pct.min() > passed_pct.max()
    if parts[0].base != "span" and not is_one_end:
        return ()
    sheet = type_sheet.datasheet()
    reach = visits["error"].abs() + (visits["U"].fillna(0.0) if "U" in visits else 0.0)
    upper = max(abs(sheet.taps[-1].low), abs(sheet.taps[-1].high))
    passing = [
        base
        for base, width in (
            *(
                (base, half_width(_on(parts[0], base), sheet, visits["input"].to_numpy(np.float64)))
                for base in ("span", "reading", "output")
            ),
            ("upper range value", np.full(len(visits), parts[0].value / 100 * upper)),
        )
        if base != parts[0].base and bool((reach <= width).all())
    ]
    if not passing:
        return ()
    other = f"{parts[0].value:g} {parts[0].unit} of {' or '.join(passing)}"
    return (
        f"with {other} instead of {parts[0]} every point would pass: check on the data sheet which of them is meant",
    )


def _on(part: Term, base: str) -> Terms:
    return Terms((replace(part, base=base),))


def _to_get_one(evaluation: Evaluation) -> str:
    """What would give a verdict."""
    if evaluation.tolerance_to_write:
        return "State in the type sheet what the data sheet of the type allows there"
    if evaluation.tur is not None and evaluation.tur < 1:
        return "Take better instruments, or settle more strictly"
    if evaluation.budget is not None and evaluation.worst is not None and evaluation.worst_U is None:
        return "State what the description of an instrument lacks"
    return "Read the missing points, or lengthen the settling"


def _failed(evaluation: Evaluation, findings: Account | None) -> str:
    if _is_no_trim(findings):
        assert findings is not None
        return f'Settle first whether "{findings.ranking[0].place}" has this: {findings.names[0]}. {_CAUTIOUS}'
    if evaluation.suspect_tap:
        return (
            f'The tap "{evaluation.suspect_tap}" disagrees with both its neighbours, and they agree with each other: '
            "suspect what reads it (marks, unit, range) before the unit."
        )
    guilty = [stage for stage in evaluation.stages if stage.result == "fail"]
    lead = ""
    if guilty:
        worst = max(guilty, key=lambda stage: abs(stage.worst_pct or 0.0) / (stage.tolerance_pct or 1.0))
        lead = f'The error arises in stage "{worst.name}", between {worst.first} and {worst.last}. '
        if worst is not evaluation.stages[-1]:  # the shape end to end says nothing of a stage in between
            return lead + "Look there first: its input is right, its output is not. Adjust nothing behind it."
    return lead + _family(evaluation).text


def _family(evaluation: Evaluation) -> Family:
    points = evaluation.points
    limit_pct = float(points.loc[points["tolerance_pct"] > 0, "tolerance_pct"].min())
    unsteady = int((~evaluation.visits["is_steady"]).sum())
    if unsteady:
        return Family(
            text=f"{counted(unsteady, 'point')} never settled: look at the settling trace for damping, interference "
            f"or a loose contact. {_CAUTIOUS}"
        )
    strays = evaluation.visits["sd"] > evaluation.visits["tolerance"]
    if strays.any():
        return Family(
            text=f"Single readings stray at {int(strays.sum())} of {len(strays)} points by more than the tolerance: a "
            f"loose contact, or interference. Look at the readings in time; tap, flex, re-terminate. {_CAUTIOUS}"
        )
    pair_pct = float(evaluation.end_pairs["change_pct"].abs().max()) if len(evaluation.end_pairs) else 0.0
    if pair_pct > limit_pct / 4:
        return Family(
            text=f"The output moved by {of_span(pair_pct, 2)} between two readings at one end, input unmoved: a lag, "
            f"or an old reading. Lengthen the settling and run again. {_CAUTIOUS}"
        )
    loop = evaluation.figure("hysteresis").value or 0.0
    if loop > 1.5 * limit_pct:
        return Family(
            text=f"Up and down differ by {of_span(loop, 2)} while the end pairs agree: hysteresis, play or friction. "
            "No trim takes that away; look at the mechanics, or send it back."
        )
    means = points.groupby("setpoint_pct")[["error_pct", "output"]].mean().sort_index()
    x_pct, error_pct = means.index.to_numpy(dtype=np.float64), means["error_pct"].to_numpy()
    flat = _flat(means["output"].to_numpy(), evaluation.output_span)
    if flat:
        return Family(
            text=f"The output does not follow the input {flat}: a clamp, an alarm level, a threshold, or a supply too "
            "low for the load. Measure the voltage at the terminals there, and read the configured range."
        )
    return _line_or_curve(x_pct, error_pct, limit_pct)


def _flat(output: FloatArray, span: float) -> str:
    """Where neighbouring points give the same output; "" if none do."""
    known = output[~np.isnan(output)]
    if known.size < 4:
        return ""
    step = np.abs(np.diff(known)) / span
    if (step < 0.002).all():
        return "anywhere"
    if step[0] < 0.002:
        return "at the bottom of the range"
    if step[-1] < 0.002:
        return "at the top of the range"
    return ""


def _line_or_curve(x_pct: FloatArray, error_pct: FloatArray, limit_pct: float) -> Family:
    if np.isfinite(x_pct + error_pct).sum() < 3:
        return Family(text="Too few points to tell zero from span: take more.")
    line = fit_line(x_pct[np.newaxis], error_pct[np.newaxis])
    zero, slope = float(line.offset[0]), 100 * float(line.gain[0])
    left = float(np.nanmax(np.abs(error_pct - zero - slope * x_pct / 100)))
    if left > max(limit_pct, 0.3 * float(np.nanmax(np.abs(error_pct)))):
        return Family(
            text=f"No straight line explains it, {of_span(left, 2)} is left over: compare the characteristic (square "
            "root, sensor type, table) with the order, and look for single points that stand out."
        )
    bottom, top = (sized(each, 2, is_signed=True) for each in (zero, zero + slope))
    found = f"The error line is {bottom} % of span at 0 % and {top} % at 100 %: "
    if abs(slope) < 0.3 * max(abs(zero), limit_pct):
        return Family(
            text=found + "a shift. Read the same loop with a second meter; if it agrees, turn zero, then run as left.",
            is_trim=abs(zero) < _LARGEST_TRIM_PCT,
        )
    pivot = -zero / slope
    if abs(pivot) < 0.08:
        return Family(
            text=found
            + "a gain inside the unit. Compare the configured upper range value (or pulses per revolution) with the "
            "order first; only if that is right, turn span, then run as left.",
            is_trim=abs(slope) < _LARGEST_TRIM_PCT,
        )
    if abs(pivot + 0.25) < 0.08:
        return Family(
            text=found
            + "a gain on the current itself. Measure the load resistor, and check the meter with a second one."
        )
    if abs(pivot - 1) < 0.08:
        return Family(
            text=found + "the start of the range is wrong. Compare 0-20 against 4-20 mA and the lower range value."
        )
    if max(abs(zero), abs(slope)) >= _LARGEST_TRIM_PCT:
        return Family(text=found + "too much for a trim. Compare the configured range, unit and wiring with the order.")
    return Family(
        text=found
        + "zero and span. Compare the configured range with the order; if it is right, zero first, then span.",
        is_trim=True,
    )
