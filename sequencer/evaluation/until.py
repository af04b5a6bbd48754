"""How far cycles have brought a traverse: the uncertainty of its mean errors, and whether its verdict is certain.

Pure: a table in, a number or a word out. Who takes the next cycle asks.
"""

import math
from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from instruments.errors import ReadingsError
from sequencer.evaluation.evaluate import evaluate
from sequencer.evaluation.figures.definitions import Standard
from sequencer.evaluation.figures.per_point import FloatArray
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.step import Seen

__all__ = ["Reached", "certain_verdict", "reached"]

# Looks before the last add no more than this share of the risk that the decision rule has anyway (Bonferroni).
_SHARE_OF_LOOKS = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached:
    """The uncertainty that the mean error of each point has by now, % of the output span; the largest of all points.

    Attributes:
        cycles_n: over which it is a mean.
        U_pct: expanded, NaN = not known: fewer than two cycles, or nothing stated of the instruments.
        U_instruments_pct: what the instruments bring of it, which no further cycle makes less.
        scatter_pct: standard deviation of one cycle, pooled over all points.
        most_of_it: what brings most of `U_instruments_pct`, with its share of that variance; "" = not known.
        cycles_for: how many cycles the wanted uncertainty takes by what scatters now; None = never, or not known.
    """

    cycles_n: int
    U_pct: float
    U_instruments_pct: float
    scatter_pct: float
    cycles_for: int | None
    most_of_it: str = ""


def reached(seen: Seen, wanted_pct: float) -> Reached:
    """The uncertainty that the cycles in a table have brought.

    Args:
        seen: rows of one traverse.
        wanted_pct: expanded uncertainty that is wanted, % of the output span.

    Raises:
        ReadingsError: the table cannot be evaluated.
    """
    found = _evaluated(seen)
    visits, span = found.visits, found.output_span
    cycles_n = int(visits["cycle"].nunique())
    groups = visits.groupby(["point", "direction"])["error"]
    free = float((groups.count() - 1).clip(lower=0).sum())
    squares = float((groups.var().fillna(0.0) * (groups.count() - 1).clip(lower=0)).sum())
    scatter = 100 / span * math.sqrt(squares / free) if free else math.nan
    probability = found.basis.coverage
    instruments = _instruments_pct(found)
    if not free or math.isnan(instruments):
        return Reached(
            cycles_n=cycles_n,
            U_pct=math.nan,
            U_instruments_pct=float(coverage_factor(probability, math.inf)) * instruments,
            scatter_pct=scatter,
            cycles_for=None,
        )
    k = float(coverage_factor(probability, free))
    k_sure = float(coverage_factor(probability, math.inf))
    # Student's factor belongs to the scatter alone: what the instruments bring has many degrees of freedom.
    mean = k * scatter / math.sqrt(cycles_n)
    left = wanted_pct**2 - (k_sure * instruments) ** 2
    return Reached(
        cycles_n=cycles_n,
        U_pct=math.hypot(mean, k_sure * instruments),
        U_instruments_pct=k_sure * instruments,
        scatter_pct=scatter,
        cycles_for=max(math.ceil((k * scatter) ** 2 / left), 2) if left > 0 else None,
        most_of_it=_most_of_it(found),
    )


def certain_verdict(seen: Seen, *, looks_n: int) -> str:
    """Verdict "pass" or "fail" that the table would give at the coverage of one look of several; "" = neither.

    To look after each cycle and stop at the first verdict would add the risk of each look. So each of `looks_n` looks
    before the last is held to a coverage that leaves it its part of a tenth of the risk alone.

    Args:
        seen: rows of one traverse.
        looks_n: how often at most it is looked before the last cycle.
    """
    if seen.basis is None:
        return ""
    coverage = 1 - (1 - seen.basis.coverage) * _SHARE_OF_LOOKS / max(looks_n, 1)
    try:
        verdict = _evaluated(replace(seen, basis=replace(seen.basis, coverage=coverage))).verdict
    except ReadingsError:
        return ""
    return verdict.result if verdict.result in {"pass", "fail"} else ""


def _evaluated(seen: Seen) -> Evaluation:
    return evaluate(seen.table, seen.type_sheet, standard=cast("Standard", seen.standard), basis=seen.basis)


def _effects(found: Evaluation) -> tuple[list[str], FloatArray] | None:
    """Name and squared effect of what no cycle makes less, at the place where they are most; None = not known."""
    if found.budget is None:
        return None
    kept = [each.origin not in {"scatter", "cycle"} for each in found.budget.contributions]
    squares = (np.nan_to_num(found.budget.effect) ** 2)[np.array(kept)]
    is_read = found.is_visited & np.isfinite(found.budget.u)
    if not is_read.any():
        return None
    at_place = squares[:, is_read]
    names = [each.name for each, is_kept in zip(found.budget.contributions, kept, strict=True) if is_kept]
    return names, np.asarray(at_place[:, int(at_place.sum(axis=0).argmax())])


def _instruments_pct(found: Evaluation) -> float:
    """Largest standard uncertainty of an error without its scatter, % of span; NaN = nothing is stated."""
    known = _effects(found)
    return math.nan if known is None else float(100 * np.sqrt(known[1].sum()) / found.output_span)


def _most_of_it(found: Evaluation) -> str:
    known = _effects(found)
    if known is None or not known[1].sum() > 0:
        return ""
    names, squares = known
    largest = int(squares.argmax())
    return f"{names[largest]} ({100 * squares[largest] / squares.sum():.0f} % of its variance)"
