"""What is said of a result, in the same words in every view. It computes no figure: it only says what was found."""

import math
from collections.abc import Iterable

import pandas as pd

from instruments.texts import counted
from sequencer.diagnosis.result import Content
from sequencer.evaluation.adjustment import Adjustment
from sequencer.evaluation.result import Evaluation
from sequencer.reports.as_text import MINUS, as_pct, coverage, fixed, is_out, percent_used, significant, way
from sequencer.reports.number_style import NumberStyle

__all__ = [
    "ADVICE_NOTE",
    "CAUTION",
    "OPINION_NOTE",
    "SIMULATED",
    "SYMBOLS",
    "TOLD_OTHERWISE",
    "doubted",
    "enough",
    "headline",
    "ordered",
    "spoken",
    "verdict_word",
    "weighed",
    "worst_verdict",
]

SIMULATED = "Simulated bench: no real unit was tested."
CAUTION = (
    "Local codes, the site's permits and licensed practice come first. Nothing in this report replaces them, and "
    "nothing in it says that a live circuit may be worked on."
)
ADVICE_NOTE = "Advice is an interpretation of the result, not part of it."
OPINION_NOTE = "Diagnosis and advice are opinions and interpretations; they stand apart from the result."
TOLD_OTHERWISE = "opinion (ISO/IEC 17025:2017, 7.8.7), would be told otherwise by its check:"
# A text of its own for each, so that no verdict hangs on a colour; in brackets where it holds with less than certainty.
SYMBOLS = {"pass": "✓", "conditional pass": "(✓)", "conditional fail": "(✗)", "fail": "✗", "not determinable": "?"}
_MOST_DOUBTS = 5
_WORST_FIRST = ("fail", "conditional fail", "not determinable", "conditional pass", "pass")


def verdict_word(content: Content) -> str:
    """PASS, CONDITIONAL PASS, CONDITIONAL FAIL, FAIL or NOT DETERMINABLE."""
    return content.verdict.result.upper()


def spoken(content: Content) -> str:
    """Verdict and reason in one line."""
    return f"{verdict_word(content)}: {content.verdict.reason}"


def doubted(content: Content) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The doubts that stand above the verdict, with how many more there are; and the remarks that are left below."""
    shown = content.doubts[:_MOST_DOUBTS]
    rest = len(content.doubts) - len(shown)
    more = (f"and {counted(rest, 'more doubt')}, among the remarks",) if rest else ()
    return (*shown, *more), tuple(each for each in content.remarks if each not in shown)


def worst_verdict(verdicts: Iterable[str]) -> str:
    """The one of several verdicts of points that weighs most; "" if there is none."""
    return min(verdicts, key=_WORST_FIRST.index, default="")


def weighed(evaluation: Evaluation, *, minus: str = MINUS) -> str:
    """What the worst error was weighed against: U with k and coverage, tolerance there, decision rule."""
    worst, at = evaluation.worst, evaluation.worst_index
    if worst is None or at is None:
        return ""
    unit, style = evaluation.output_unit, NumberStyle(evaluation, minus=minus)
    sign = "±" if minus == MINUS else "+/-"
    allowed = f"tolerance {sign}{style.uncertainty(worst['tolerance'])} {unit}"
    known = evaluation.budget
    if known is None:
        return f"uncertainty not known, {allowed}"
    if not math.isfinite(known.U[at]):
        return f"U not determinable, {allowed}, rule {evaluation.basis.rule}"
    return (
        f"U = {significant(float(known.U[at]))} {unit} (k = {known.k[at]:.2f}, {coverage(known.probability)}), "
        f"{allowed}, rule {evaluation.basis.rule}"
    )


def enough(trims: Adjustment, evaluation: Evaluation) -> str:
    """Whether trimming can bring a unit in, in one sentence."""
    if trims.is_enough is None:
        return "Whether that is enough is not determinable: there is no tolerance at some point."
    counted = "with U" if evaluation.worst_U is not None else "U not counted, it is not known"
    if trims.is_enough:
        return f"Zero and span can bring it within the tolerance ({counted})."
    return f"Zero and span cannot bring it within the tolerance ({counted}): what remains is no matter of trimming."


def _worst(evaluation: Evaluation, *, minus: str = MINUS, has_U: bool = True) -> str:
    """The worst reading: error in output unit with U, % of span, share of tolerance, place; "" if none is judged."""
    worst = evaluation.worst
    if worst is None:
        return ""
    style = NumberStyle(evaluation, minus=minus)
    U = worst.get("U", math.nan)
    uncertain = f" (U {significant(U, minus=minus)})" if has_U and math.isfinite(U) else ""
    return (
        f"{style.error(worst['error'])} {evaluation.output_unit}{uncertain}, "
        f"{style.error_pct(worst['error_pct'])} % of span, {percent_used(worst['used_pct'])} % of the tolerance, "
        f"at {as_pct(worst['setpoint_pct'], minus=minus)}{way(worst['direction'])}"
    )


def headline(content: Content, *, minus: str = MINUS, has_U: bool = True) -> str:
    """What stands beside the verdict: the worst reading; a failing stage first where end to end all is within.

    A verdict that is not determinable is no matter of the worst reading, so there stands why.
    """
    found = content.evaluation
    if found is None:
        return content.verdict.reason
    worst = _worst(found, minus=minus, has_U=has_U)
    if not worst or found.verdict.result == "not determinable":
        return found.verdict.reason
    failed = [stage for stage in found.stages if stage.result == "fail" and stage.worst_pct is not None]
    if failed and found.worst is not None and not is_out(found.worst["used_pct"]):
        stage = max(failed, key=lambda each: abs(each.worst_pct or 0.0) / (each.tolerance_pct or 1.0))
        share = 100 * (stage.worst_pct or 0.0) / (stage.tolerance_pct or math.nan)
        return (
            f'stage "{stage.name}" {fixed(stage.worst_pct, 3, minus=minus, is_signed=True)} % of span, '
            f"{percent_used(share, minus=minus)} % of its own tolerance"
        )
    if found.verdict.result == "fail" and found.worst is not None and not is_out(found.worst["used_pct"]):
        return found.verdict.reason  # out where no share of a tolerance says so
    return f"worst {worst}" + (f"; {found.verdict.accepted}" if found.verdict.accepted else "")


def ordered(points: pd.DataFrame) -> pd.DataFrame:
    """Points as they are shown: setpoints ascending, at each of them up before down."""
    if points.empty:
        return points
    rank = points["direction"].map({"": 0, "up": 1, "down": 2})
    return points.assign(rank=rank).sort_values(["setpoint_pct", "point", "rank"]).drop(columns="rank")
