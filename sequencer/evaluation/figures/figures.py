"""All figures of many units at once.

The figures alone: their uncertainties, the verdict and what is wrong with a unit are made elsewhere.
"""

from dataclasses import dataclass

import numpy.typing as npt

from sequencer.evaluation.figures.accuracy import Inaccuracy, MeasuredError, inaccuracy_of, measured_error_of
from sequencer.evaluation.figures.curves import Curves, by_blocks, flat
from sequencer.evaluation.figures.definitions import Standard
from sequencer.evaluation.figures.hysteresis import Hysteresis, hysteresis_of
from sequencer.evaluation.figures.linearity import NonLinearity, non_linearity_of
from sequencer.evaluation.figures.lines import LineFit, fit_line
from sequencer.evaluation.figures.per_point import FloatArray
from sequencer.evaluation.figures.repeatability import CYCLES_NEEDED, NonRepeatability, non_repeatability_of
from sequencer.evaluation.figures.zero_span import ZeroSpan, zero_span_of

__all__ = ["Figures", "figures"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """The figures of many units; each array has the units first, NaN = not determinable.

    Attributes:
        measured_error: largest error of the mean of each direction.
        inaccuracy: largest errors of any single reading.
        hysteresis: largest difference of the directions within one cycle.
        non_repeatability: largest spread between cycles.
        independent: non-linearity against the line of smallest largest deviation.
        terminal_based: non-linearity against the line through both ends.
        zero_based: non-linearity against the line through the lower end.
        zero_span: zero error and span error from the ends.
        line: least-squares line through all single errors, % of output span against % of input span.
        standard: whose definitions.
    """

    measured_error: MeasuredError
    inaccuracy: Inaccuracy
    hysteresis: Hysteresis
    non_repeatability: NonRepeatability
    independent: NonLinearity
    terminal_based: NonLinearity
    zero_based: NonLinearity
    zero_span: ZeroSpan
    line: LineFit
    standard: Standard

    def not_determined(self, unit: int) -> tuple[str, ...]:
        """What could not be determined of a unit, and why, such as "hysteresis: no downscale readings"."""
        reasons = (
            ("measured error", self.measured_error.reason(unit)),
            ("inaccuracy", self.inaccuracy.reason(unit)),
            ("hysteresis", self.hysteresis.reason(unit)),
            ("non-repeatability", self.non_repeatability.reason(unit)),
            ("non-linearity, independent", self.independent.reason(unit)),
            ("non-linearity, terminal-based", self.terminal_based.reason(unit)),
            ("non-linearity, zero-based", self.zero_based.reason(unit)),
            ("zero error", self.zero_span.zero_reason(unit)),
            ("span error", self.zero_span.reason(unit)),
            ("gain and offset", self.line.reason(unit)),
        )
        return tuple(f"{name}: {reason}" for name, reason in reasons if reason)


def figures(
    error_pct: FloatArray,
    x_pct: FloatArray,
    *,
    standard: Standard = "IEC 61298-2:2008",
    dead_band_pct: npt.ArrayLike | None = None,
    cycles_needed: int = CYCLES_NEEDED,
) -> Figures:
    """All figures of many units in one call.

    Args:
        error_pct: shape (units, cycles, 2, points), measured less ideal, % of output span; axis 2 is up, then down; a
            cycle's downscale traverse follows its upscale traverse; points ascend; NaN = not read.
        x_pct: input, % of input span, of a shape that broadcasts to it; (points,) if nominal.
        standard: whose definitions.
        dead_band_pct: for ISA-51.1, see `hysteresis`.
        cycles_needed: for the non-repeatability.

    Raises:
        ReadingsError: a shape is wrong, or a value infinite.
    """

    def of_block(curves: Curves) -> Figures:
        return Figures(
            measured_error=measured_error_of(curves, standard=standard),
            inaccuracy=inaccuracy_of(curves, standard=standard),
            hysteresis=hysteresis_of(curves, dead_band_pct=dead_band_pct, standard=standard),
            non_repeatability=non_repeatability_of(curves, cycles_needed=cycles_needed, standard=standard),
            independent=non_linearity_of(curves, kind="independent", standard=standard),
            terminal_based=non_linearity_of(curves, kind="terminal-based", standard=standard),
            zero_based=non_linearity_of(curves, kind="zero-based", standard=standard),
            zero_span=zero_span_of(curves, standard=standard),
            line=fit_line(flat(curves.x), flat(curves.error)),
            standard=standard,
        )

    return by_blocks(of_block, error_pct, x_pct)
