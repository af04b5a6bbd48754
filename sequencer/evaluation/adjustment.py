"""What to turn, in which order, by how much, and what will remain: zero and span trims from the fit.

Whether adjusting is right at all is not decided here (`diagnosis.action`): no trim takes a wrong range, a lag or
hysteresis away.
"""

import math
from dataclasses import dataclass

import numpy as np

from instruments.texts import sized
from instruments.units import is_alike
from sequencer.evaluation.figures.lines import fit_minimax_line
from sequencer.evaluation.result import Evaluation

__all__ = ["LEAVE_ALONE_FRAC", "Adjustment", "adjustment"]

# Below this share of the tolerance a unit is left alone: turning it destroys its history (common practice, no source).
LEAVE_ALONE_FRAC = 0.7
_ONE_PASS_WORTH_FRAC = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """Trims of zero and span that make the largest error smallest.

    Attributes:
        zero: change at 0 % of the input, in the unit of the output; what turning zero takes away.
        zero_pct: the same in % of span.
        span: change of the output at 100 % less that at 0 %, in its unit; what turning span takes away.
        span_pct: the same in % of span.
        at_bottom: turn zero until the output reads this, input at 0 %.
        at_top: then turn span until the output reads this, input at 100 %.
        as_left: predicted largest error, in the unit of the output.
        as_left_pct: the same in % of span; hysteresis, curve and scatter set it, no trim takes it away.
        is_enough: whether what is left, with U where it is known, lies within the tolerance at each point; None where
            there is no tolerance.
        steps: work instructions, one sentence a step.
    """

    zero: float
    zero_pct: float
    span: float
    span_pct: float
    at_bottom: float
    at_top: float
    as_left: float
    as_left_pct: float
    is_enough: bool | None
    steps: tuple[str, ...]


def adjustment(evaluation: Evaluation) -> Adjustment | None:
    """The trims for a unit; None where fewer than three points were read, or one of the ends was not.

    Args:
        evaluation: of the as-found run.

    The line taken away is that of the smallest largest error over every reading of both directions.
    """
    visits = evaluation.visits[evaluation.visits["is_judged"] & evaluation.visits["error_pct"].notna()]
    ends = visits.groupby("setpoint_pct")["output"].mean()
    if len(ends) < 3 or ends.index.min() > 1 or ends.index.max() < 99:
        return None
    x_frac = visits["setpoint_pct"].to_numpy(dtype=np.float64) / 100
    error_pct = visits["error_pct"].to_numpy(dtype=np.float64)
    line = fit_minimax_line(x_frac[np.newaxis], error_pct[np.newaxis])
    zero_pct, slope_pct = float(line.offset[0]), float(line.gain[0])
    left = np.abs(error_pct - zero_pct - slope_pct * x_frac)
    left_pct = float(left.max())
    share = evaluation.output_span / 100
    bottom, top = float(ends.iloc[0]) - zero_pct * share, float(ends.iloc[-1]) - (zero_pct + slope_pct) * share
    tolerance_pct = visits["tolerance"].to_numpy(dtype=np.float64) / share
    U_pct = np.nan_to_num(visits["U"].to_numpy(dtype=np.float64)) / share if "U" in visits else 0.0
    return Adjustment(
        zero=-zero_pct * share,
        zero_pct=-zero_pct,
        span=-slope_pct * share,
        span_pct=-slope_pct,
        at_bottom=bottom,
        at_top=top,
        as_left=left_pct * share,
        as_left_pct=left_pct,
        is_enough=bool((left + U_pct <= tolerance_pct).all()),
        steps=_steps(
            evaluation,
            bottom=bottom,
            top=top,
            gain_off=slope_pct / 100,
            left_pct=left_pct,
            least_pct=float(tolerance_pct.min()),
            is_outside=bool((left > tolerance_pct).any()),
        ),
    )


def _steps(
    evaluation: Evaluation,
    *,
    bottom: float,
    top: float,
    gain_off: float,
    left_pct: float,
    least_pct: float,
    is_outside: bool,
) -> tuple[str, ...]:
    unit = evaluation.output_unit
    # To 0.01 % of span or finer: 12.345 mA, 2.3456 V.
    decimals = max(0, 4 - math.floor(math.log10(evaluation.output_span)))
    low, high = evaluation.input_range
    # A span knob turns about zero input, not about 0 %: with 4 mA in at 0 %, it moves the bottom too. Set the bottom
    # beforehand by as much as span will move it back, and one pass does (worked out; common practice, no source).
    # A temperature has no zero that a knob turns about.
    moved_frac = 0.0 if is_alike(evaluation.input_unit, "degC") else gain_off * low / (high - low)
    steps = []
    if abs(100 * moved_frac) > _ONE_PASS_WORTH_FRAC * least_pct:
        bottom_first = bottom + moved_frac * evaluation.output_span
        steps.append(
            f"At 0 %: turn zero until {bottom_first:z.{decimals}f} {unit} ({bottom:z.{decimals}f} once span is right)."
        )
    else:
        steps.append(f"At 0 %: turn zero until {bottom:z.{decimals}f} {unit}.")
    steps.append(f"At 100 %: turn span until {top:z.{decimals}f} {unit}.")
    steps.append("Go back to 0 % and look; repeat both if it moved.")
    steps.append(f"Expect a worst error of {sized(left_pct, 2)} % of span; then run again as left.")
    if is_outside:
        steps.append(
            "That is outside the tolerance still: curve, hysteresis or scatter set it, and no trim takes that away. "
            "Repair, or send it back."
        )
    return tuple(steps)
