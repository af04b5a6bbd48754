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
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError
from instruments.texts import finite_or_none
from instruments.units import Terms
from sequencer.diagnosis.comparison_statistics import (
    Differences,
    Key,
    differences,
    family_wise,
    from_smoothness,
    matched,
    means_at,
    of_figure,
    weights_at,
)
from sequencer.diagnosis.result import Content
from sequencer.evaluation.budget import Basis, Statement
from sequencer.evaluation.figures.curves import BoolArray
from sequencer.evaluation.figures.multiple import holm
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.evaluation.result import Evaluation
from sequencer.evaluation.scatter import is_scatter_unknown
from sequencer.inputs.step import READING
from sequencer.inputs.tolerance import half_width
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["LEVEL", "Comparison", "FigureDifference", "Result", "Side", "compare"]

LEVEL = 0.05  # chance of one false alarm or more among all tests together

Result = Literal[
    "different", "no difference found", "equivalent", "not equivalent", "equivalence not shown", "not determinable"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One of the two.

    Attributes:
        content: the run, or the readings taken by hand.
        sheet: type sheet of the unit, as it was used.
        sequence_digest: of the sequence as it was used; "" for readings that no run took.
    """

    content: Content
    sheet: TypeSheet
    sequence_digest: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureDifference:
    """One figure of both, and B less A; None where one of them is not determinable.

    Attributes:
        name: of the figure.
        unit: of both, and of `U`.
        a: that of A.
        b: that of B.
        U: expanded uncertainty of B less A, what the instruments have in common left out; None where it is not known.
        p_family: chance of a difference that large where there is none, corrected by Holm among the figures.
    """

    name: str
    unit: str
    a: float | None
    b: float | None
    U: float | None = None
    p_family: float | None = None

    @property
    def difference(self) -> float | None:
        """B less A."""
        return None if self.a is None or self.b is None else self.b - self.a

    @property
    def is_different(self) -> bool:
        """Beyond chance."""
        return self.p_family is not None and self.p_family < LEVEL


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What sets two units or runs apart. Errors and differences are in % of the output span.

    Attributes:
        a: the one that the other is held against.
        b: the other.
        is_same_bench: the same instruments in the same ranges, so that what they have in common cancels.
        points: one row per setpoint and direction that both have: setpoint_pct, direction, a_pct, b_pct (mean error of
            the cycles), difference_pct, u_pct, dof, U_pct, p, p_family, margin_pct, tolerance_pct, is_different,
            is_within; NaN where the uncertainty is not known.
        mean_pct: mean of the differences that were tested.
        mean_U_pct: its expanded uncertainty.
        mean_p_family: its p value, corrected along with those of the points.
        overall_p: that there is no difference at all: the smallest of the corrected p values.
        needed_pct: where nothing could be tested: by how much instruments would have to be wrong, in % of span, for the
            largest difference not to be real; NaN where something was tested.
        coverage: probability that each U stands for.
        margin: that equivalence was asked for, "" if it was not.
        unmatched: points that only one of them has, in words.
        figures: of both.
        cautions: what the comparison does not rest on safely.
        reason: why it is not determinable, "" if it is.
    """

    a: Side
    b: Side
    is_same_bench: bool
    points: pd.DataFrame
    mean_pct: float
    mean_U_pct: float
    mean_p_family: float
    overall_p: float
    needed_pct: float
    coverage: float
    margin: str
    unmatched: tuple[str, ...]
    figures: tuple[FigureDifference, ...]
    cautions: tuple[str, ...]
    reason: str

    @property
    def result(self) -> Result:
        """The answer; with a margin that of equivalence."""
        if self.reason:
            return "different" if self.is_beyond_instruments and not self.margin else "not determinable"
        if not self.margin:
            return "different" if self.overall_p < LEVEL else "no difference found"
        if self.points["is_within"].all():
            return "equivalent"
        # Beyond the margin only where a difference was found at all: Holm guards the many looks.
        beyond = self.points["difference_pct"].abs() - self.points["U_pct"] > self.points["margin_pct"]
        return "not equivalent" if (beyond & self.points["is_different"]).any() else "equivalence not shown"

    @property
    def is_beyond_instruments(self) -> bool:
        """Where nothing is stated: whether an instrument would have to be wrong by more than the unit may be."""
        limit = self.points["tolerance_pct"].max()
        return bool(self.needed_pct > limit > 0)

    @property
    def is_alike(self) -> bool:
        """No difference was found; or where a margin was given, both are equivalent within it."""
        return self.result in {"no difference found", "equivalent"}

    @property
    def worst(self) -> "pd.Series[float]":
        """The row of `points` with the largest difference."""
        return self.points.iloc[int(self.points["difference_pct"].abs().to_numpy().argmax())]

    @property
    def different_n(self) -> int:
        """At how many points a difference was found."""
        return int(self.points["is_different"].sum())

    @property
    def tested_n(self) -> int:
        """How many points were tested."""
        return int(self.points["p"].notna().sum())


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
        if is_same and any(map(_lacks_scatter, found)):
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
        figures=_figures(a.content, b.content, is_same=is_same, is_known=tested.is_any),
        cautions=_cautions(a, b, is_same=is_same, is_word=is_same_bench, untested_n=untested_n),
        reason="" if tested.is_any else _why_untested(found_a, found_b),
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


def _figures(a: Content, b: Content, *, is_same: bool, is_known: bool) -> tuple[FigureDifference, ...]:
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


def _cautions(a: Side, b: Side, *, is_same: bool, is_word: bool, untested_n: int) -> tuple[str, ...]:
    both = (*a.content.instruments, *b.content.instruments)
    simulated = [name for name, each in (("A", a), ("B", b)) if each.content.is_simulated]
    told = (
        (bool(simulated), f"simulated bench ({' and '.join(simulated)}): no real unit was tested"),
        (bool(a.content.folder) and a.content.folder == b.content.folder, "both are the same record"),
        (
            "" not in {a.sequence_digest, b.sequence_digest} and a.sequence_digest != b.sequence_digest,
            "the sequence is not the same, or another revision of it",
        ),
        (a.sheet != b.sheet, "the type sheet is not the same: another revision, such as another tolerance"),
        (not is_same, "other instruments, or not known to be the same: their accuracies do not cancel"),
        (is_same and is_word, "that the same instruments were used, in the same ranges, is taken on your word"),
        (
            is_same and any(_is_once(each) for each in (a, b)),
            "each point was read once: scatter is taken from what is left of the differences about a parabola",
        ),
        (
            is_same and not is_word and not (both and all(each.identity for each in both)),
            "an instrument does not report its identity: one bench file is taken for one set of instruments",
        ),
        (
            a.sheet.fit is not None,
            "each is held against the curve fitted to its own readings: what is left beside these is compared",
        ),
        (untested_n > 0, f"{untested_n} points could not be tested: their uncertainty is not known"),
    )
    return (*_cautions_of("A", a), *_cautions_of("B", b), *(text for is_so, text in told if is_so))


def _is_once(side: Side) -> bool:
    found = side.content.evaluation
    return found is not None and _lacks_scatter(found)


def _lacks_scatter(found: Evaluation) -> bool:
    """Whether each point was read once: what scatters is then taken from the smoothness of the differences."""
    return found.known.covariance is None or not found.known.covariance.is_scatter_known


def _cautions_of(name: str, side: Side) -> list[str]:
    content = side.content
    is_unfinished = content.status not in {"complete", "by hand"}
    cycles_n = 0 if content.evaluation is None else content.evaluation.visits["cycle"].nunique()
    told = (
        (bool(side.content.alterations), f"the record of {name} was altered since it was sealed"),
        (is_unfinished, f"the run of {name} did not finish: {content.reason}"),
        (cycles_n < 2, f"{name} has one cycle: its repeatability between cycles is not known"),
    )
    return [text for is_so, text in told if is_so]


def _why_untested(a: Evaluation, b: Evaluation) -> str:
    nothing = [name for name, each in (("A", a), ("B", b)) if each.budget is None]
    if nothing:
        return (
            f"no accuracy specification is known for the instruments of {' and '.join(nothing)}, "
            "so any difference may come from them"
        )
    once = [
        name for name, each in (("A", a), ("B", b)) if is_scatter_unknown(each.grid, next(reversed(each.grid.value)))
    ]
    if once:
        return f"each point of {' and '.join(once)} was read once, so the scatter of the readings is not known"
    return "the accuracy of an instrument is not known"
