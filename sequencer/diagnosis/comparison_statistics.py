"""Statistics of a comparison: points paired, the uncertainty of their differences, and how probable chance is.

Arrays and tables in, arrays out; what two sides are, and what is said of them, stands in `comparison`.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from instruments.datasheet import FloatArray
from sequencer.evaluation.figure_list import Figure
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.evaluation.result import Evaluation

__all__ = ["Key", "Parts", "combined", "matched", "means_at", "of_figure", "of_mean", "p_values", "uncertainty"]

_SAME_PCT = 0.5  # of the range; a hand source is set nearer than that
_ORDER = {"": 0, "up": 1, "down": 2}
Key = tuple[int, str]
"""Point and direction, as an evaluation counts them."""


def matched(a: pd.DataFrame, b: pd.DataFrame) -> tuple[list[tuple[Key, Key]], tuple[str, ...]]:
    """Pairs of points of one direction whose setpoints are nearest to each other; and those that have no partner."""
    places = [
        {(int(row["point"]), str(row["direction"])): float(row["setpoint_pct"]) for row in each.to_dict("records")}
        for each in (a, b)
    ]
    near = sorted(
        (abs(at - other_at), key, other)
        for key, at in places[0].items()
        for other, other_at in places[1].items()
        if key[1] == other[1] and abs(at - other_at) < _SAME_PCT
    )
    pairs: dict[Key, Key] = {}
    for _, key, other in near:
        if key not in pairs and other not in pairs.values():
            pairs[key] = other
    alone = [
        f"{place:.4g} %{' ' + key[1] if key[1] else ''}: only {name}"
        for name, each, paired in (("A", places[0], set(pairs)), ("B", places[1], set(pairs.values())))
        for key, place in sorted(each.items(), key=lambda item: (item[1], _ORDER[item[0][1]]))
        if key not in paired
    ]
    return sorted(pairs.items(), key=lambda pair: (places[0][pair[0]], _ORDER[pair[0][1]])), tuple(alone)


def means_at(found: Evaluation, keys: list[Key]) -> pd.DataFrame:
    """The rows of `points` of an evaluation at these places, in their order."""
    return found.points.set_index(["point", "direction"], drop=False).loc[keys].reset_index(drop=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """Standard uncertainty of one side's mean error at each point, in % of span: scatter with its dof, and the rest."""

    scatter: FloatArray
    dof: float
    rest: FloatArray


def uncertainty(found: Evaluation, keys: list[Key], *, is_same: bool) -> Parts:
    """NaN where it is not known."""
    nothing = np.full(len(keys), np.nan)
    stated = found.budget
    if stated is None:
        return Parts(scatter=nothing, dof=math.nan, rest=nothing)
    at = found.is_visited
    is_scatter = np.array([each.kind == "A" for each in stated.contributions])
    is_kept = np.array([each.origin in {"resolution", "settling"} for each in stated.contributions])
    squares = stated.effect**2
    scatter_2 = squares[is_scatter].sum(axis=0)
    rest_2 = squares[is_kept].sum(axis=0) if is_same else stated.u**2 - scatter_2
    visits = found.visits.assign(scatter_2=scatter_2[at], rest_2=np.maximum(rest_2[at], 0.0))
    by_point = visits.groupby(["point", "direction"])
    table = pd.DataFrame(
        {"var": by_point["error"].var(ddof=1), "n": by_point["error"].count()}
        | {name: by_point[name].max() for name in ("scatter_2", "rest_2")}
    )
    dof = float((table["n"] - 1).clip(lower=0).sum())
    if dof:  # between the cycles; what scatters within a dwell is in it
        pooled = float((table["var"].fillna(0.0) * (table["n"] - 1).clip(lower=0)).sum()) / dof
        mean_2 = pooled / table["n"]
    else:
        lines = [each for each in stated.contributions if each.kind == "A"]
        dof = min((float(np.min(each.dof)) for each in lines), default=math.nan)
        mean_2 = table["scatter_2"] if lines else table["scatter_2"] * math.nan
    share = 100 / found.output_span
    rows = table.assign(mean_2=mean_2).loc[keys]
    return Parts(
        scatter=share * np.sqrt(rows["mean_2"].to_numpy()), dof=dof, rest=share * np.sqrt(rows["rest_2"].to_numpy())
    )


def combined(
    scatter: list[npt.NDArray[np.float64]], rest: list[npt.NDArray[np.float64]], dof: list[float]
) -> tuple[FloatArray, FloatArray]:
    """Standard uncertainty of a difference, and its degrees of freedom by Welch-Satterthwaite."""
    variance = sum((each**2 for each in (*scatter, *rest)), np.zeros_like(scatter[0]))
    below = sum((each**4 / nu for each, nu in zip(scatter, dof, strict=True)), np.zeros_like(scatter[0]))
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.where(below > 0, variance**2 / below, np.where(variance > 0, np.inf, np.nan))
    return np.sqrt(variance), found


def of_mean(parts: list[Parts], chosen: npt.NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """The same of the mean over some points.

    Scatter averages out over the points; what the instruments bring along may be the same at every one.
    """
    count = max(int(chosen.sum()), 1)
    return combined(
        [np.sqrt((part.scatter[chosen] ** 2).sum()) / count for part in parts],
        [part.rest[chosen].sum() / count for part in parts],
        [part.dof for part in parts],
    )


def p_values(difference: FloatArray, u: FloatArray, dof: FloatArray) -> FloatArray:
    """Chance of a difference that large or larger where there is none; NaN where `u` is not known."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t = -np.abs(difference) / u
    return np.asarray(np.where(np.isfinite(t), 2 * special.stdtr(dof, t), np.nan))


_DIFFERENCES = frozenset(
    {
        "hysteresis",
        "non-repeatability",
        "non-linearity, independent",
        "non-linearity, terminal-based",
        "non-linearity, zero-based",
    }
)


def of_figure(
    a: Figure,
    b: Figure,
    found: tuple[Evaluation, Evaluation],
    parts: list[Parts],
    setpoint_pct: FloatArray,
    *,
    is_same: bool,
) -> tuple[float, float]:
    """Standard uncertainty of the difference of a figure of both, % of span, and its degrees of freedom."""
    ends = {"zero error": (0.0,), "span error": (0.0, 100.0)}.get(a.name)
    if ends is None and a.name == "measured error" and a.at_pct is not None and a.at_pct == b.at_pct:
        ends = (a.at_pct,)
    if ends is not None:  # means of the cycles, as the points are
        squares = [of_mean(parts, np.abs(setpoint_pct - end) < _SAME_PCT) for end in ends]
        u_2 = sum(float(u) ** 2 for u, _ in squares)
        below = sum(float(u) ** 4 / float(dof) for u, dof in squares)
        return (math.sqrt(u_2), u_2**2 / below if below else math.inf) if u_2 else (math.nan, math.nan)
    widths = [each.U for each in (a, b)]
    # A figure of single readings on one bench, found at one place: what is of each reading alone. Those that are
    # differences themselves have nothing else in U.
    if is_same and a.name not in _DIFFERENCES and a.at_pct == b.at_pct:
        widths = [_own_U(each) for each in found]
    k = float(coverage_factor(found[0].basis.coverage, np.array(math.inf)))
    return math.hypot(*(math.nan if each is None else each / k for each in widths)), math.inf


def _own_U(found: Evaluation) -> float | None:
    """Expanded uncertainty of one reading from scatter, settling and resolution: that of a difference over sqrt(2)."""
    known = (each.U for each in found.figures if each.name in _DIFFERENCES and each.U is not None)
    return next((each / math.sqrt(2) for each in known), None)
