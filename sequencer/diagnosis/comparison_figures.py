"""How the figures of two units differ."""

import math

import numpy as np
from scipy import special

from instruments.texts import finite_or_none
from sequencer.diagnosis.compared import FigureDifference
from sequencer.diagnosis.comparison_statistics import differences, of_figure
from sequencer.diagnosis.result import Content
from sequencer.evaluation.figures.multiple import holm
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.step import READING

__all__ = ["figure_differences"]


def figure_differences(a: Content, b: Content, *, is_same: bool, is_known: bool) -> tuple[FigureDifference, ...]:
    """Each figure of both, with U and p where the uncertainties are known."""
    found_a, found_b = a.evaluation, b.evaluation
    assert found_a is not None
    assert found_b is not None
    theirs = {each.name: each for each in found_b.figures}
    both = [(each, theirs[each.name]) for each in found_a.figures if each.unit == "% of span" and each.name in theirs]
    u, dof = np.full((2, len(both)), np.nan)
    for place, (figure, _) in enumerate(both):
        if is_known:
            u[place], dof[place] = _of_figure(figure.name, found_a, found_b, is_same=is_same)
    difference = np.array([math.nan if None in {x.value, y.value} else y.value - x.value for x, y in both])  # type: ignore[operator]
    with np.errstate(divide="ignore", invalid="ignore"):
        p = np.where(u > 0, 2 * special.stdtr(dof, -np.abs(difference) / u), np.nan)
    corrected, U = holm(p), coverage_factor(found_a.basis.coverage, dof) * u
    rows = [
        FigureDifference(
            name=x.name,
            unit=x.unit,
            a=x.value,
            b=y.value,
            U=finite_or_none(U[place]),
            p_family=finite_or_none(corrected[place]),
        )
        for place, (x, y) in enumerate(both)
    ]
    worst = [None if each.worst is None else float(each.worst["used_pct"]) for each in (found_a, found_b)]
    rows.append(FigureDifference(name="worst error", unit="% of tolerance", a=worst[0], b=worst[1]))
    times = [_settled_after_s(each) for each in (a, b)]
    rows.append(FigureDifference(name="settling, median", unit="s", a=times[0], b=times[1]))
    return tuple(rows)


def _of_figure(name: str, a: Evaluation, b: Evaluation, *, is_same: bool) -> tuple[float, float]:
    """Standard uncertainty of the difference of a figure, and its degrees of freedom; NaN where it is not known."""
    weights = [each.known.of_figures.widths[name].weights for each in (a, b) if _has_width(each, name)]  # type: ignore[union-attr]
    if len(weights) == 2:
        made = differences(a, b, (weights[0][None], weights[1][None]), is_same=is_same)
        return float(made.u[0]), float(made.dof[0])
    return of_figure(name, a, b, is_same=is_same), math.inf


def _has_width(found: Evaluation, name: str) -> bool:
    return found.known.of_figures is not None and name in found.known.of_figures.widths


def _settled_after_s(content: Content) -> float | None:
    """Median time to steady over the points that were read after a change of the input."""
    times = [each.after_s for each in content.traces if each.role == READING and each.state == "steady"]
    return float(np.median(times)) if times else None
