"""What a report shows of uncertainty, as text: the budget at the worst point, and what follows at each setpoint.

It computes no figure: budget and verdicts are those of the evaluation; the guard band is what its rule gives for them.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from sequencer.evaluation.figures.conformity import judge
from sequencer.evaluation.figures.contributions import Contribution
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.decision_rules import RULES
from sequencer.reports import words
from sequencer.reports.as_text import as_pct, coverage, dof, fixed, probability, ratio, significant, way
from sequencer.reports.number_style import NumberStyle

__all__ = ["NOTHING_STATED", "BudgetRow", "BudgetTable", "SetpointRow", "budget_table", "guard_bands", "setpoint_rows"]

NOTHING_STATED = (
    "Nothing is stated of the instruments that set or read the ends of this unit, so no uncertainty is known and the "
    "verdict does not take it into account. State accuracy and resolution in their descriptions, and the certificate "
    "in the bench file (keyed instruments where a person reads), and run again."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One contribution as text; `sensitivity` and `effect` lead to the output's unit."""

    name: str
    u: str
    unit: str
    distribution: str
    sensitivity: str
    effect: str
    dof: str
    share: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetTable:
    """The budget of one error as text.

    Attributes:
        place: which error.
        rows: largest share first.
        reason: why the uncertainty is not determinable, "" if it is.
        correlation: a sentence on correlated contributions, "" if there are none.
    """

    place: str
    rows: tuple[BudgetRow, ...]
    u: str
    dof: str
    k: str
    U: str
    coverage: str
    reason: str
    correlation: str
    tur: str
    probability: str
    guard_band: str
    accepted: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetpointRow:
    """What holds at one setpoint as text, the worst of directions and cycles."""

    setpoint: str
    U: str
    tolerance: str
    guard_band: str
    accepted: str
    tur: str
    probability: str
    symbol: str
    verdict: str


def guard_bands(evaluation: Evaluation) -> "pd.Series[float]":
    """Guard band at each visit by the rule of the evaluation, in the unit of the output; NaN where none is known."""
    visits = evaluation.visits
    if "U" not in visits:
        return pd.Series(math.nan, index=visits.index)
    width = visits["tolerance"].to_numpy(dtype=np.float64)
    found = judge(
        visits["error"].to_numpy(dtype=np.float64),
        visits["U"].to_numpy(dtype=np.float64),
        rule=RULES[evaluation.basis.rule],
        lower=-width,
        upper=width,
    )
    return pd.Series(found.guard_band, index=visits.index)


def budget_table(evaluation: Evaluation) -> BudgetTable | None:
    """The budget at the worst point, to be followed by hand; None where none is known, or no point was judged."""
    known, at, worst = evaluation.budget, evaluation.worst_index, evaluation.worst
    if known is None or at is None or worst is None:
        return None
    unit = evaluation.output_unit
    by_name = {each.name: each for each in known.contributions}
    decimals = _decimals(float(known.U[at]))
    rows = []
    for share in known.ranked(*at):
        line = by_name[share.name]
        own = _own_unit(evaluation, line)
        rows.append(
            BudgetRow(
                name=share.name,
                u=significant(_at(line.u, known.u.shape, at), 4),
                unit=own,
                distribution=f"{line.distribution}, {line.kind}",
                sensitivity=f"{significant(_at(line.sensitivity, known.u.shape, at), 4)}"
                + ("" if own == unit else f" {unit}/{own}"),
                effect=fixed(share.u, decimals),
                dof=dof(_at(line.dof, known.u.shape, at)),
                share=fixed(100 * share.share_frac, 1),
            )
        )
    w = float(guard_bands(evaluation).loc[int(str(worst.name))])
    style = NumberStyle(evaluation)
    return BudgetTable(
        place=f"{as_pct(worst['setpoint_pct'])}{way(worst['direction'])}, cycle {worst['cycle']}",
        rows=tuple(rows),
        u=fixed(float(known.u[at]), decimals),
        dof=dof(float(known.dof[at])),
        k=fixed(float(known.k[at]), 3),
        U=fixed(float(known.U[at]), decimals),
        coverage=coverage(known.probability),
        reason=known.reason(*at),
        correlation=_correlation(evaluation),
        tur=ratio(worst["tur"]),
        probability=probability(worst["p_conform"]),
        guard_band=_guard(w, style, unit),
        accepted=_accepted(float(worst["tolerance"]), w, style),
    )


def _at(values: npt.ArrayLike, shape: tuple[int, ...], at: tuple[int, ...]) -> float:
    return float(np.broadcast_to(np.asarray(values, dtype=np.float64), shape)[at])


def _decimals(U: float) -> int:
    """Decimals that show four digits of U, so that the effects add up to it as they stand there."""
    return min(max(3 - math.floor(math.log10(U)), 0), 12) if math.isfinite(U) and U > 0 else 6


def _own_unit(evaluation: Evaluation, line: Contribution) -> str:
    """Unit that a contribution is stated in: that of the output, of the input, or of a sensor's signal."""
    stated = evaluation.basis.statements
    if not stated or line.tap != stated[0].tap:
        return evaluation.output_unit
    # Scatter is that of values, what is stated is of the signal that carries them.
    return evaluation.input_unit if line.kind == "A" else evaluation.input_signal_unit


def _correlation(evaluation: Evaluation) -> str:
    pairs = ", ".join(f"{one} and {other} r = {r:g}" for one, other, r in evaluation.basis.correlations)
    if not pairs:
        return ""
    return f"Stated as correlated: {pairs}. Each such pair at input and output adds 2·r·(its two signed effects) to u²."


def _guard(w: float, style: NumberStyle, unit: str) -> str:
    if not math.isfinite(w):
        return "not known"
    return "none" if w == 0 else f"{style.uncertainty(abs(w))} {unit} {'inside' if w > 0 else 'outside'} the tolerance"


def _accepted(width: float, w: float, style: NumberStyle) -> str:
    if not math.isfinite(width - w):
        return fixed(None, 0)
    return "nothing" if width < w else f"±{style.uncertainty(width - w)}"


def setpoint_rows(evaluation: Evaluation) -> tuple[SetpointRow, ...]:
    """Each setpoint: largest U and guard band, smallest TUR and probability; () where no uncertainty is known."""
    if "U" not in evaluation.visits:
        return ()
    style = NumberStyle(evaluation)
    rows = []
    visits = evaluation.visits.assign(w=guard_bands(evaluation))
    for setpoint, part in visits.groupby("setpoint_pct"):
        width, w = float(part["tolerance"].min()), float(part["w"].max())
        judged = part[part["is_judged"]]
        verdict = words.worst_verdict(judged["verdict"])
        rows.append(
            SetpointRow(
                setpoint=as_pct(float(str(setpoint))),
                U=style.uncertainty(float(part["U"].max())),
                tolerance=f"±{style.uncertainty(width)}" if width > 0 else fixed(None, 0),
                guard_band=style.uncertainty(w),
                accepted=_accepted(width, w, style) if width > 0 else fixed(None, 0),
                tur=ratio(float(judged["tur"].min()) if len(judged) else None),
                probability=probability(float(judged["p_conform"].min()) if len(judged) else math.nan),
                symbol=words.SYMBOLS.get(verdict, ""),
                verdict=verdict or "not judged",
            )
        )
    return tuple(rows)
