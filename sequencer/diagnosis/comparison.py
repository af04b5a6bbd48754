"""Two units, or two runs of one, set side by side: which of their errors differ by more than chance.

Contents in, one comparison out; it touches no instrument, clock or file.

At each point that both have (setpoint and direction, averaged over the cycles) the difference is B less A. On the same
bench, with the same instruments in the same ranges, what the instruments have in common cancels: scatter, settling and
resolution remain. On different benches nothing cancels. The differences at all points and their mean are tested
together, by how far the largest of them goes by chance; equivalence asks that |difference| + U lies within a margin at
every point.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError
from instruments.units import Terms
from sequencer.diagnosis.compared import LEVEL, Comparison, Side
from sequencer.diagnosis.comparison_cautions import cautions, lacks_scatter, why_untested
from sequencer.diagnosis.comparison_figures import figure_differences
from sequencer.diagnosis.comparison_statistics import (
    Differences,
    Key,
    differences,
    family_wise,
    from_smoothness,
    matched,
    means_at,
    weights_at,
)
from sequencer.diagnosis.result import Content
from sequencer.evaluation.budget import Basis, Statement
from sequencer.evaluation.figures.curves import BoolArray
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.tolerance import half_width

__all__ = ["compare"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tested:
    """The differences of all points, in % of span, and of their mean as the last: arrays of shape (points + 1,)."""

    difference: FloatArray
    u: FloatArray
    dof: FloatArray
    U: FloatArray
    p: FloatArray
    p_family: FloatArray

    @property
    def is_any(self) -> bool:
        """Whether anything could be tested."""
        return bool(np.isfinite(self.p).any())


def _tested(
    found: tuple[Evaluation, Evaluation],
    keys: tuple[list[Key], list[Key]],
    x: FloatArray,
    *,
    is_same: bool,
) -> _Tested:
    """Each difference with its uncertainty; NaN where it cannot be tested.

    On other benches the instruments must be known; on one bench scatter is enough, or where each point was
    read once the smoothness of the differences.
    """
    a, b = found
    rows = (weights_at(a, keys[0]), weights_at(b, keys[1]))
    means = [means_at(each, at)["error_pct"].to_numpy(dtype=np.float64) for each, at in zip(found, keys, strict=True)]
    difference = means[1] - means[0]
    is_known = is_same or (a.budget is not None and b.budget is not None)

    def with_mean(is_tested: BoolArray) -> tuple[FloatArray, Differences]:
        share = is_tested / max(int(is_tested.sum()), 1)
        both = np.vstack([np.eye(len(share)), share])
        level = both @ np.where(np.isfinite(difference), difference, 0.0)
        if is_same and any(map(lacks_scatter, found)):
            return level, from_smoothness(difference, x, both)
        return level, differences(a, b, (both @ rows[0], both @ rows[1]), is_same=is_same)

    _, first = with_mean(np.isfinite(difference))
    is_tested = np.isfinite(first.u[:-1]) & (first.u[:-1] > 0) & np.isfinite(difference) & is_known
    level, made = with_mean(is_tested)
    level = np.where(np.append(is_tested, is_tested.any()), level, np.nan)
    u, dof = (np.where(np.isfinite(level), each, np.nan) for each in (made.u, made.dof))
    return _Tested(
        difference=np.append(difference, level[-1]),
        u=u,
        dof=dof,
        U=coverage_factor(a.basis.coverage, dof) * u,
        p=np.where(np.isfinite(level), made.p(level), np.nan),
        p_family=family_wise(level, made),
    )


def compare(a: Side, b: Side, *, margin: Terms | None = None, is_same_bench: bool = False) -> Comparison:
    """Set two side by side.

    Args:
        a: what B is held against.
        b: the other.
        margin: half width within which they are to be equivalent, as a tolerance is written; None = not asked.
        is_same_bench: a person says that the same instruments were used, in the same ranges.

    Raises:
        ReadingsError: no reading in one of them, another type or other taps, or no point that both have.
    """
    found_a, found_b = _evaluated(a, "the first"), _evaluated(b, "the second")
    _refuse_what_differs(a, b)
    pairs, unmatched = matched(found_a.points, found_b.points)
    if not pairs:
        raise ReadingsError(
            "the two have no point in common",
            allowed="one setpoint in one direction that both were read at",
            todo="run both with the same sequence",
        )
    is_alike = a.sheet.datasheet().taps == b.sheet.datasheet().taps
    is_same = is_alike and (is_same_bench or _is_same_bench(a.content, b.content))
    keys = ([pair[0] for pair in pairs], [pair[1] for pair in pairs])
    means = [means_at(each, at) for each, at in zip((found_a, found_b), keys, strict=True)]
    x = means[0]["input"].to_numpy(dtype=np.float64)
    tested = _tested((found_a, found_b), keys, x, is_same=is_same)
    half = np.full(x.shape, np.nan) if margin is None else half_width(margin, a.sheet.datasheet(), x)
    points = _points(means, tested, 100 * half / found_a.output_span)
    untested_n = int(np.isnan(tested.p[:-1]).sum())
    return Comparison(
        a=a,
        b=b,
        is_same_bench=is_same,
        points=points,
        mean_pct=float(tested.difference[-1]),
        mean_U_pct=float(tested.U[-1]),
        mean_p_family=float(tested.p_family[-1]),
        overall_p=float(np.nanmin(tested.p_family)) if tested.is_any else math.nan,
        needed_pct=math.nan if tested.is_any else _needed(points),
        coverage=found_a.basis.coverage,
        margin="" if margin is None else str(margin),
        unmatched=unmatched,
        figures=figure_differences(a.content, b.content, is_same=is_same, is_known=tested.is_any),
        cautions=cautions(a, b, is_same=is_same, is_word=is_same_bench, untested_n=untested_n),
        reason="" if tested.is_any else why_untested(found_a, found_b),
    )


def _needed(points: pd.DataFrame) -> float:
    """How far instruments would have to be wrong for no difference to be real, at the point where it is the most."""
    share = points["difference_pct"].abs() / points["tolerance_pct"].where(points["tolerance_pct"] > 0)
    return float(points["difference_pct"].abs().iloc[int(np.nan_to_num(share.to_numpy()).argmax())])


def _points(means: list[pd.DataFrame], tested: _Tested, margin_pct: FloatArray) -> pd.DataFrame:
    """The rows of `Comparison.points`."""
    places = {name: means[0][name].to_numpy() for name in ("setpoint_pct", "direction")}
    errors = {f"{side}_pct": each["error_pct"].to_numpy() for side, each in zip("ab", means, strict=True)}
    difference, U = tested.difference[:-1], tested.U[:-1]
    return pd.DataFrame(
        {
            **places,
            **errors,
            "difference_pct": difference,
            "u_pct": tested.u[:-1],
            "dof": tested.dof[:-1],
            "U_pct": U,
            "p": tested.p[:-1],
            "p_family": tested.p_family[:-1],
            "margin_pct": margin_pct,
            "tolerance_pct": means[0]["tolerance_pct"].to_numpy(),
            "is_different": tested.p_family[:-1] < LEVEL,
            "is_within": np.abs(difference) + U <= margin_pct,
        }
    )


def _evaluated(side: Side, which: str) -> Evaluation:
    if side.content.evaluation is None:
        if side.content.alone is not None:
            raise ReadingsError(
                f"{which} has no traverse: errors over the range are what is compared",
                where=side.content.folder,
                todo="set the reports of both beside each other, or run a sequence that has a traverse with each",
            )
        raise ReadingsError(f"{which} has no reading: {side.content.reason}", where=side.content.folder)
    return side.content.evaluation


def _refuse_what_differs(a: Side, b: Side) -> None:
    """Numbers of another type, of other ranges, units or characteristics mean something else."""
    if a.sheet.type != b.sheet.type:
        raise ReadingsError(
            "the two are of different types",
            allowed=f"the second of type: {a.sheet.type}",
            todo=f"not: {b.sheet.type}",
        )
    one, other = a.sheet.datasheet(), b.sheet.datasheet()
    # A shunt or a lead is corrected for, so another one leaves the values what they are.
    if [replace(tap, correction=None) for tap in one.taps] != [replace(tap, correction=None) for tap in other.taps]:
        told = [
            ", ".join(f"{tap.name} {tap.low:g} .. {tap.high:g} {tap.unit}" for tap in each.taps)
            for each in (one, other)
        ]
        raise ReadingsError(
            "the two have different taps, ranges or sensors",
            allowed=f"the second with: {told[0]}",
            todo=f"not: {told[1]}",
        )
    if [stage.characteristic for stage in one.stages] != [stage.characteristic for stage in other.stages]:
        raise ReadingsError("the two have different characteristics", todo="compare units that should do the same")


def _undated(basis: Basis) -> tuple[Statement, ...]:
    """What is stated of the instruments, whenever: what they drifted between two runs they had in common till then."""
    return tuple(replace(each, drift_years=0.0) for each in basis.statements)


def _is_same_bench(a: Content, b: Content) -> bool:
    """The same instruments by identity, in the same ranges, with the same certificates."""
    if a.evaluation is None or b.evaluation is None or not a.evaluation.basis.statements:
        return False
    used = [{(each.name, each.what, each.identity, each.use) for each in side.instruments} for side in (a, b)]
    return (
        a.bench == b.bench
        and used[0] == used[1]
        and _undated(a.evaluation.basis) == _undated(b.evaluation.basis)
        and a.evaluation.input_by == b.evaluation.input_by
    )
