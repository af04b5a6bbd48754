"""Decision rules as data: how uncertainty counts where a result is compared with its tolerance.

What each bounds is computed, since it depends on coverage and degrees of freedom (`evaluation/figures/rule_risk.py`).
"""

from dataclasses import dataclass
from typing import Literal

__all__ = ["DEFAULT_RULE", "RULES", "DecisionRule"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionRule:
    """How uncertainty is taken into account where a result is compared with a tolerance.

    Attributes:
        name: as it is asked for, with the document and its edition.
        guard: where the guard band w comes from: "of U" a multiple of the expanded uncertainty; "root sum square" from
            sqrt(T^2 - U^2); "method 6" from the ratio of tolerance and uncertainty.
        w_over_U: the multiple, for "of U".
        is_graded: whether results inside the guard bands get the two conditional verdicts, or pass and fail only.
        proves_both: whether its document says that between the guard bands neither conformity nor its opposite is
            proved.
        source: document and clause, and "from memory" where it was not read.
    """

    name: str
    guard: Literal["of U", "root sum square", "method 6"] = "of U"
    w_over_U: float = 0.0
    is_graded: bool = False
    proves_both: bool = False
    source: str


_ILAC_G8 = "ILAC-G8:09/2019 4.2"
_ILAC_G8_TABLE = "ILAC-G8:09/2019 table 1 (from memory)"
RULES: dict[str, DecisionRule] = {
    rule.name: rule
    for rule in (
        DecisionRule(
            name="ILAC-G8:09/2019 simple acceptance",
            source=f"{_ILAC_G8}.1",
        ),
        DecisionRule(name="ILAC-G8:09/2019 guard band", w_over_U=1.0, source=f"{_ILAC_G8}.2"),
        DecisionRule(
            name="ILAC-G8:09/2019 non-binary",
            w_over_U=1.0,
            is_graded=True,
            source=f"{_ILAC_G8}.3",
        ),
        DecisionRule(name="ILAC-G8:09/2019 6 sigma", w_over_U=3.0, source=_ILAC_G8_TABLE),
        DecisionRule(name="ILAC-G8:09/2019 3 sigma", w_over_U=1.5, source=_ILAC_G8_TABLE),
        DecisionRule(name="ILAC-G8:09/2019 uncritical", w_over_U=-1.0, source=_ILAC_G8_TABLE),
        DecisionRule(
            name="ISO 14253-1:2017",
            w_over_U=0.83,
            is_graded=True,
            proves_both=True,
            source="ISO 14253-1:2017, default rule (from memory)",
        ),
        DecisionRule(
            name="ISO 14253-1:2013",
            w_over_U=1.0,
            is_graded=True,
            proves_both=True,
            source="ISO 14253-1:2013, default rule (from memory)",
        ),
        DecisionRule(
            name="ANSI/NCSL Z540.3 handbook method 6",
            guard="method 6",
            source="ANSI/NCSL Z540.3-2006 5.3 b, handbook method 6 (from memory)",
        ),
        DecisionRule(
            name="root sum square",
            guard="root sum square",
            source="trade practice, acceptance limit sqrt(T^2 - U^2) (from memory)",
        ),
    )
}
DEFAULT_RULE = "ILAC-G8:09/2019 non-binary"
