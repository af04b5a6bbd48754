"""Non-linearity in its three meanings, each from the average curve; on the error against a curve: its conformity.

Not the largest deviation from a least-squares line, and not a curve of one cycle.
"""

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from instruments.texts import counted
from sequencer.evaluation.figures.curves import Curves, chosen, end_reason, largest
from sequencer.evaluation.figures.definitions import Standard, definition
from sequencer.evaluation.figures.lines import fit_minimax_line
from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["ENDS_WITHIN_PCT", "Kind", "NonLinearity", "line_of", "non_linearity_of"]

Kind: TypeAlias = Literal["independent", "terminal-based", "zero-based"]

# ISA-51.1 takes points within 10 % of the ends for the ends (from memory).
ENDS_WITHIN_PCT = 10.0
_POINTS_NEEDED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class NonLinearity:
    """Largest deviation of the average curve from a straight line, one for each unit; NaN = not determinable.

    Attributes:
        deviation_pct: curve less line, with its sign, % of output span. The independent line is reached on both
            sides: the sign is that of the lowest input among them.
        at_pct: input there, % of input span.
        line_offset_pct: error of the line at 0 % input.
        line_gain: slope of the line, % of output span for each % of input span.
        points_n: points of the curve.
        end_pct: shape (units, 2), first and last input of the curve.
        ends_within_pct: how far these may lie from 0 % and 100 %; they matter to the lines through ends only.
        kind: which line.
    """

    deviation_pct: FloatArray
    at_pct: FloatArray
    line_offset_pct: FloatArray
    line_gain: FloatArray
    points_n: IntArray
    end_pct: FloatArray
    ends_within_pct: float
    kind: Kind
    definition: str

    def reason(self, unit: int) -> str:
        """Why the figure of a unit is not determinable; "" if it is."""
        if not np.isnan(self.deviation_pct[unit]):
            return ""
        if self.points_n[unit] < _POINTS_NEEDED:
            return f"{counted(int(self.points_n[unit]), 'point')} only, {_POINTS_NEEDED} needed"
        ends = "" if self.kind == "independent" else end_reason(self.end_pct[unit], within_pct=self.ends_within_pct)
        return ends or "all inputs are equal"


def non_linearity_of(
    curves: Curves, *, kind: Kind, standard: Standard, ends_within_pct: float = ENDS_WITHIN_PCT
) -> NonLinearity:
    """Largest deviation of the average curve from the line of a kind, from the curves of a block of units.

    Args:
        curves: errors in % of output span, inputs in % of input span.
        kind: independent, the line that makes the largest deviation smallest; terminal-based, the line through the
            first and the last point; zero-based, the line through the first point that makes it smallest.
        standard: whose words the figure carries.
        ends_within_pct: how far the end points may lie from 0 % and 100 % input.
    """
    curve_pct, at_pct = curves.error_curve, curves.x_curve
    points_n = np.isfinite(curve_pct).sum(axis=-1)
    end_pct = at_pct[:, [0, -1]]
    is_known = points_n >= _POINTS_NEEDED
    if kind != "independent":
        has_ends = (np.abs(end_pct - [0.0, 100.0]) <= ends_within_pct).all(axis=-1)
        is_known = is_known & has_ends & (end_pct[:, 1] > end_pct[:, 0])
    offset_pct, gain = line_of(at_pct, curve_pct, kind)
    offset_pct, gain = np.where(is_known, offset_pct, np.nan), np.where(is_known, gain, np.nan)
    deviation = largest(curve_pct - (offset_pct[:, None] + gain[:, None] * at_pct))
    return NonLinearity(
        deviation_pct=deviation.level,
        at_pct=np.where(np.isnan(deviation.level), np.nan, chosen(at_pct, deviation.index)),
        line_offset_pct=offset_pct,
        line_gain=gain,
        points_n=points_n,
        end_pct=np.broadcast_to(end_pct, (len(curve_pct), 2)),
        ends_within_pct=ends_within_pct,
        kind=kind,
        definition=definition(f"non-linearity, {kind}", standard),
    )


def line_of(at_pct: FloatArray, curve_pct: FloatArray, kind: Kind) -> tuple[FloatArray, FloatArray]:
    """Offset and gain of the line that a kind of non-linearity is held against, one for each unit.

    Args:
        at_pct: inputs of the curves, shape (units, points), or one row for all.
        curve_pct: shape (units, points).
        kind: which line.
    """
    if kind == "independent":
        line = fit_minimax_line(at_pct, curve_pct)
        return line.offset, line.gain
    gain = _gain(at_pct, curve_pct, kind=kind)
    return np.asarray(curve_pct[:, 0] - gain * at_pct[:, 0]), gain


def _gain(at_pct: FloatArray, curve_pct: FloatArray, *, kind: Kind) -> FloatArray:
    """Slope of the line through the first point: to the last one, or with the smallest largest deviation."""
    run, rise = at_pct - at_pct[:, :1], curve_pct - curve_pct[:, :1]
    if kind == "terminal-based":
        return np.asarray(rise[:, -1] / np.where(run[:, -1] > 0, run[:, -1], np.nan))
    # With each point mirrored in the first, the narrowest band lies about the first point itself.
    return fit_minimax_line(np.concatenate([run, -run], axis=-1), np.concatenate([rise, -rise], axis=-1)).gain
