"""The numbers of one evaluation as text: digits follow its tolerance, or the uncertainty of a figure."""

import math

from sequencer.evaluation.figure_list import Figure
from sequencer.evaluation.result import Evaluation
from sequencer.reports.as_text import MINUS, MOST_DECIMALS, decimals_for, fixed, significant

__all__ = ["NumberStyle", "figure_text"]

_LEAST_WIDTH_FRAC = 1e-12  # what arithmetic leaves of no uncertainty at all
_MOST_DECIMALS_WITH_U = 12
_MAGNITUDES = {"hysteresis", "non-repeatability"}  # never negative, so a plus sign would say nothing


class NumberStyle:
    """How the numbers of one evaluation are written: decimals from its tolerance, and the minus sign of the medium.

    Args:
        evaluation: whose tolerance counts.
        minus: sign of negative numbers.
    """

    def __init__(self, evaluation: Evaluation, *, minus: str = MINUS) -> None:
        widths = evaluation.visits["tolerance"]
        known = widths[widths > 0]
        self.minus = minus
        # A tolerance in % of reading falls to nothing at zero; digits that only such a point asks for help nobody.
        self.width = max(float(known.min()), float(known.max()) / 10) if len(known) else math.nan
        self.width_pct = 100 * self.width / evaluation.output_span
        self.is_constant = bool(len(known) == len(widths) > 0 and known.max() - known.min() <= 1e-9 * known.max())
        fallback = evaluation.output_span / 1000
        self.level_decimals = decimals_for(self.width if math.isfinite(self.width) else fallback)
        self.pct_decimals = decimals_for(self.width_pct if math.isfinite(self.width_pct) else 0.1)
        reach = float(evaluation.visits["input"].abs().max()) if len(evaluation.visits) else math.nan
        share_pct = self.width_pct if math.isfinite(self.width_pct) else 0.5
        self.input_decimals = decimals_for(reach * share_pct / 100)

    def level(self, value: float) -> str:
        """A level in the unit of the output."""
        return fixed(value, self.level_decimals, minus=self.minus)

    def given(self, value: float) -> str:
        """A level in the unit of the input."""
        return fixed(value, self.input_decimals, minus=self.minus)

    def level_pct(self, value: float) -> str:
        """A size in % of span."""
        return fixed(value, self.pct_decimals, minus=self.minus)

    def error(self, value: float) -> str:
        """A difference in the unit of the output, with sign."""
        return fixed(value, self.level_decimals, minus=self.minus, is_signed=True)

    def error_pct(self, value: float) -> str:
        """A difference in % of span, with sign."""
        return fixed(value, self.pct_decimals, minus=self.minus, is_signed=True)

    def uncertainty(self, value: float) -> str:
        """An expanded uncertainty in the unit of the output: decimals of a level, more where it needs them."""
        needs = 1 - math.floor(math.log10(value)) if math.isfinite(value) and value > 0 else 0
        return fixed(value, min(max(self.level_decimals, needs), MOST_DECIMALS), minus=self.minus)

    def spread(self, value: float) -> str:
        """A standard deviation in the unit of the output, one decimal more than levels."""
        return fixed(value, min(self.level_decimals + 1, MOST_DECIMALS), minus=self.minus)


def figure_text(figure: Figure, style: NumberStyle) -> tuple[str, str]:
    """Value and standard uncertainty of a figure as text, to the same decimals; "" where there is none.

    With an uncertainty it has two digits and the value as many decimals; in % of span the tolerance gives them.
    """
    if figure.value is None:
        return "", ""
    width = figure.U or figure.u_scatter
    is_known = width is not None and math.isfinite(width) and width > _LEAST_WIDTH_FRAC * abs(figure.value)
    if width is not None and is_known and figure.unit != "% of span":
        decimals = max(1 - math.floor(math.log10(width)), 0)
        beside = figure.u_scatter
        if decimals > _MOST_DECIMALS_WITH_U:  # such as a coefficient of the square of a large number
            digits = max(math.floor(math.log10(abs(figure.value) or width)) + decimals, 1)
            own = "" if beside is None else f"{beside:.1e}".replace("-", style.minus)
            return f"{figure.value:.{digits}e}".replace("-", style.minus), own
        own = "" if beside is None else significant(beside, minus=style.minus)
        return fixed(figure.value, decimals, minus=style.minus), own
    if figure.unit == "% of span":
        is_signed = figure.name not in _MAGNITUDES
        return fixed(figure.value, style.pct_decimals, minus=style.minus, is_signed=is_signed), ""
    if figure.value and math.isfinite(figure.value) and abs(figure.value) < 1e-4:
        return f"{figure.value:.2e}".replace("-", style.minus), ""
    return f"{figure.value:.4g}".replace("-", style.minus), ""
