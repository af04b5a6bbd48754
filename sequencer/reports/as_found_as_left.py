"""As found beside as left, as text: figures, and the largest error at each setpoint. It computes no figure."""

from dataclasses import dataclass

import pandas as pd

from sequencer.evaluation.result import Evaluation
from sequencer.reports import words
from sequencer.reports.as_text import MINUS, as_pct, fixed
from sequencer.reports.number_style import NumberStyle, figure_text

__all__ = ["FigurePair", "SetpointPair", "figure_pairs", "point_verdict", "setpoint_pairs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FigurePair:
    """One figure before and after, in % of span."""

    name: str
    before: str
    after: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetpointPair:
    """Largest error at one setpoint before and after, with its verdict; a dash where it was not read."""

    setpoint: str
    before: str
    before_pct: str
    before_symbol: str
    after: str
    after_pct: str
    after_symbol: str


def figure_pairs(before: Evaluation, after: Evaluation, *, minus: str = MINUS) -> tuple[FigurePair, ...]:
    """The figures in % of span that both evaluations have, in order."""
    style = NumberStyle(after, minus=minus)
    earlier = {each.name: each for each in before.figures}
    return tuple(
        FigurePair(
            name=each.name,
            before=figure_text(earlier[each.name], style)[0] or "not determinable",
            after=figure_text(each, style)[0] or "not determinable",
        )
        for each in after.figures
        if each.unit == "% of span" and each.name in earlier
    )


def setpoint_pairs(before: Evaluation, after: Evaluation, *, minus: str = MINUS) -> tuple[SetpointPair, ...]:
    """Every setpoint that either evaluation has, ascending."""
    style = NumberStyle(after, minus=minus)
    sides = [_largest(each, style) for each in (before, after)]
    nothing = (fixed(None, 0, minus=minus), fixed(None, 0, minus=minus), "")
    return tuple(
        SetpointPair(
            setpoint=as_pct(place, minus=minus),
            **dict(zip(("before", "before_pct", "before_symbol"), sides[0].get(place, nothing), strict=True)),
            **dict(zip(("after", "after_pct", "after_symbol"), sides[1].get(place, nothing), strict=True)),
        )
        for place in sorted(set(sides[0]) | set(sides[1]))
    )


def _largest(evaluation: Evaluation, style: NumberStyle) -> dict[float, tuple[str, str, str]]:
    visits = evaluation.visits[evaluation.visits["error"].notna()]
    found = {}
    for place, part in visits.groupby("setpoint_pct"):
        row = part.iloc[int(part["error"].abs().to_numpy().argmax())]
        found[round(float(str(place)), 3)] = (
            style.error(row["error"]),
            style.error_pct(row["error_pct"]),
            words.SYMBOLS[point_verdict(part)] if part["is_judged"].any() else "",
        )
    return found


def point_verdict(visits: pd.DataFrame) -> str:
    """The verdict that weighs most among some visits; by the tolerance alone where no uncertainty is known."""
    judged = visits[visits["is_judged"]]
    if judged.empty:
        return ""
    if "verdict" in judged:
        return words.worst_verdict(judged["verdict"])
    return "pass" if judged["is_within"].all() else "fail"
