"""One explanation of the readings: what is common to causes, scatter, slips, pairs and the unknown."""

from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.model.fit import Fit

__all__ = ["Hypothesis"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypothesis:
    """One explanation of the readings.

    Attributes:
        name: of the cause; "no fault", "noise", "unknown" too.
        place: stage or tap, in words.
        segment: index of the segment it is in, -1 = none.
        log_odds: log evidence less that of a healthy unit.
        weight: prior weight among causes.
        log_likelihood: of its best sizes, for telling what cannot be told apart; NaN where it is no mean model.
        predicted: output fraction at each visit of its segment; None where it is no mean model.
        parameters_n: how many sizes were fitted.
        text: what it says, with sizes and units.
        check: the next check.
        is_of_bench: the bench or the person, not the unit.
        contains: names of causes that are special cases of it.
        scale: what is left of scatter, in units of what was expected.
        effect: largest error it accounts for, as a share of the tolerance; the whole error where it is no mean model.
        scatter: the kind of noise that it says the readings scatter by, as a fault: the scatter is no fault of the
            instruments, and no better ones would take it away; "" = none.
        fits: of each of its causes; () where it is no mean model.
    """

    name: str
    place: str
    segment: int
    log_odds: float
    weight: float
    text: str
    check: str
    log_likelihood: float = np.nan
    predicted: FloatArray | None = None
    parameters_n: int = 1
    is_of_bench: bool = False
    contains: tuple[str, ...] = ()
    scale: float = 1.0
    effect: float = np.inf
    scatter: str = ""
    fits: tuple[Fit, ...] = ()

    @property
    def fit(self) -> Fit | None:
        """That of the only cause; None where there are two, or none."""
        return self.fits[0] if len(self.fits) == 1 else None

    @property
    def is_partly_unknown(self) -> bool:
        """Something that no cause explains stands beside one."""
        return "unknown" in self.name.split(" + ")
