"""What came out of a comparison, as plain values for every kind of report."""

from dataclasses import dataclass
from typing import Literal

import pandas as pd

from sequencer.diagnosis.result import Content
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["LEVEL", "Comparison", "FigureDifference", "Result", "Side"]

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
