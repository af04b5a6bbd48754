"""Non-repeatability: the spread between cycles at one input, approached from one direction.

A span from lowest to highest, not a standard deviation; it grows with the number of cycles, so that number is given.
"""

from dataclasses import dataclass

import numpy as np

from sequencer.evaluation.figures.curves import Curves, by_blocks, chosen, flat, largest
from sequencer.evaluation.figures.definitions import Standard, definition
from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["CYCLES_NEEDED", "NonRepeatability", "non_repeatability", "non_repeatability_of"]

CYCLES_NEEDED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class NonRepeatability:
    """Largest spread between cycles, one for each unit; NaN = not determinable.

    Attributes:
        spread_pct: highest less lowest error, % of output span, >= 0.
        at_pct: input there, % of input span.
        direction: 0 found upscale, 1 downscale, -1 not determinable.
        cycles_n: most readings at one input from one direction.
        fewest_cycles_n: fewest readings where it was counted; 0 where not determinable.
        cycles_needed: inputs with fewer readings from a direction were not counted.
    """

    spread_pct: FloatArray
    at_pct: FloatArray
    direction: IntArray
    cycles_n: IntArray
    fewest_cycles_n: IntArray
    cycles_needed: int
    definition: str

    def reason(self, unit: int) -> str:
        """Why the figure of a unit is not determinable; "" if it is."""
        if not np.isnan(self.spread_pct[unit]):
            return ""
        cycles_n = self.cycles_n[unit]
        return f"{cycles_n} cycle{'' if cycles_n == 1 else 's'} only, {self.cycles_needed} needed"


def non_repeatability(
    error_pct: FloatArray,
    x_pct: FloatArray,
    *,
    cycles_needed: int = CYCLES_NEEDED,
    standard: Standard = "IEC 61298-2:2008",
) -> NonRepeatability:
    """Largest of the spreads between cycles at each input from each direction.

    Args:
        error_pct: shape (units, cycles, 2, points), % of output span, NaN = not read.
        x_pct: input, % of input span, of a shape that broadcasts to it.
        cycles_needed: readings without which an input is not counted; 3 or more by the standards.
        standard: whose words the figure carries.

    Raises:
        ReadingsError: a shape is wrong.
    """
    return by_blocks(
        lambda curves: non_repeatability_of(curves, cycles_needed=cycles_needed, standard=standard), error_pct, x_pct
    )


def non_repeatability_of(curves: Curves, *, cycles_needed: int, standard: Standard) -> NonRepeatability:
    """The same, from the curves of a block of units."""
    readings_n = flat(curves.readings_n)
    apart = flat(np.fmax.reduce(curves.error, axis=1) - np.fmin.reduce(curves.error, axis=1))
    is_counted = readings_n >= max(cycles_needed, 1)
    spread = largest(np.where(is_counted, apart, np.nan))
    is_known = ~np.isnan(spread.level)
    return NonRepeatability(
        spread_pct=spread.level,
        at_pct=np.where(is_known, chosen(flat(curves.x_mean), spread.index), np.nan),
        direction=np.where(is_known, spread.index // curves.error.shape[-1], -1),
        cycles_n=readings_n.max(axis=-1),
        fewest_cycles_n=np.where(is_known, np.where(is_counted, readings_n, np.iinfo(np.int64).max).min(axis=-1), 0),
        cycles_needed=cycles_needed,
        definition=definition("non-repeatability", standard),
    )
