"""Zero error and span error, from the two ends of the average curve.

Not the offset and gain of a least-squares line: those are another statement, made by `lines`.
"""

from dataclasses import dataclass

import numpy as np

from sequencer.evaluation.figures.curves import Curves, by_blocks, end_reason
from sequencer.evaluation.figures.definitions import Standard, definition
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["ENDS_WITHIN_PCT", "ZeroSpan", "zero_span", "zero_span_of"]

# Room for a source that does not quite reach the end; a traverse from 10 to 90 % has no zero error.
ENDS_WITHIN_PCT = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroSpan:
    """Zero error and span error, one of each for each unit; NaN = not determinable.

    Attributes:
        zero_pct: error of the average curve at its lower end, % of output span.
        span_pct: error at the upper end less error at the lower end, % of output span.
        end_pct: shape (units, 2), inputs of both ends, % of input span.
        ends_within_pct: how far these may lie from 0 % and 100 %.
        zero_definition: words of the standard for the zero error.
        definition: words of the standard for the span error.
    """

    zero_pct: FloatArray
    span_pct: FloatArray
    end_pct: FloatArray
    ends_within_pct: float
    zero_definition: str
    definition: str

    def zero_reason(self, unit: int) -> str:
        """Why the zero error of a unit is not determinable; "" if it is."""
        return end_reason(np.array([self.end_pct[unit, 0], 100.0]), within_pct=self.ends_within_pct)

    def reason(self, unit: int) -> str:
        """Why the span error of a unit is not determinable; "" if it is."""
        return end_reason(self.end_pct[unit], within_pct=self.ends_within_pct)


def zero_span(
    error_pct: FloatArray,
    x_pct: FloatArray,
    *,
    standard: Standard = "IEC 61298-2:2008",
    ends_within_pct: float = ENDS_WITHIN_PCT,
) -> ZeroSpan:
    """Error at the lower end, and what the error gains up to the upper end.

    Args:
        error_pct: shape (units, cycles, 2, points), % of output span, NaN = not read.
        x_pct: input, % of input span, of a shape that broadcasts to it.
        standard: whose words the figures carry.
        ends_within_pct: how far the end points may lie from 0 % and 100 % input.

    Raises:
        ReadingsError: a shape is wrong.
    """
    return by_blocks(
        lambda curves: zero_span_of(curves, standard=standard, ends_within_pct=ends_within_pct), error_pct, x_pct
    )


def zero_span_of(curves: Curves, *, standard: Standard, ends_within_pct: float = ENDS_WITHIN_PCT) -> ZeroSpan:
    """The same, from the curves of a block of units."""
    end_pct = curves.x_curve[:, [0, -1]]
    is_end = np.abs(end_pct - [0.0, 100.0]) <= ends_within_pct
    zero_pct, full_pct = np.where(is_end, curves.error_curve[:, [0, -1]], np.nan).T
    return ZeroSpan(
        zero_pct=zero_pct,
        span_pct=full_pct - zero_pct,
        end_pct=np.broadcast_to(end_pct, (len(curves.error), 2)),
        ends_within_pct=ends_within_pct,
        zero_definition=definition("zero error", standard),
        definition=definition("span error", standard),
    )
