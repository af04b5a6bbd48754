"""Hysteresis: how far downscale and upscale lie apart at one input within one cycle.

Not the difference of the averages, and not a downscale traverse with the upscale one that follows it. Whether it is
true hysteresis, lag or a stale reading is for the end pair to tell. Where the downscale inputs are others than the
upscale ones, as by hand, the upscale error between two neighbours is interpolated; never beyond the ends.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.curves import DOWN, UP, Curves, by_blocks, chosen, flat, largest
from sequencer.evaluation.figures.definitions import Standard, definition
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray, IntArray

__all__ = ["FARTHEST_APART_PCT", "Hysteresis", "hysteresis", "hysteresis_of"]

FARTHEST_APART_PCT = 25.0
"""Upscale readings farther apart than this, in % of input span, are not interpolated between: five points are usual."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hysteresis:
    """Largest difference of downscale and upscale error, one for each unit; NaN = not determinable.

    Attributes:
        hysteresis_pct: as the standard has it, % of output span, >= 0.
        at_pct: input there (mean of both directions), % of input span.
        cycle: its cycle, from 0; -1 where not determinable.
        with_dead_band_pct: the same before any dead band is taken off.
        pairs_n: inputs read both ways within one cycle, or downscale between two upscale neighbours.
        directions_n: shape (units, 2), readings upscale and downscale.
        has_dead_band: whether one was given, NaN or not.
    """

    hysteresis_pct: FloatArray
    at_pct: FloatArray
    cycle: IntArray
    with_dead_band_pct: FloatArray
    pairs_n: IntArray
    directions_n: IntArray
    has_dead_band: bool
    definition: str
    has_directions: bool = True

    def reason(self, unit: int) -> str:
        """Why the figure of a unit is not determinable; "" if it is."""
        if not np.isnan(self.hysteresis_pct[unit]):
            return ""
        if not self.has_directions:
            return "the points were taken in an order that has no up and down"
        for name, readings_n in zip(("upscale", "downscale"), self.directions_n[unit], strict=True):
            if readings_n == 0:
                return f"no {name} readings"
        if self.pairs_n[unit] == 0:
            return "no input read both ways in one cycle"
        if self.has_dead_band:
            return 'dead band not found, and this definition takes it off: give its step a larger "most"'
        return (
            'dead band not known, and this definition takes it off: state "dead band" in the type sheet, '
            'or add a "dead band" step'
        )


def hysteresis(
    error_pct: FloatArray,
    x_pct: FloatArray,
    *,
    dead_band_pct: npt.ArrayLike | None = None,
    standard: Standard = "IEC 61298-2:2008",
) -> Hysteresis:
    """Largest magnitude of downscale less upscale error at one input in one cycle.

    Args:
        error_pct: shape (units, cycles, 2, points), % of output span, NaN = not read. A cycle's downscale traverse
            is the one that *follows* its upscale traverse.
        x_pct: input, % of input span, of a shape that broadcasts to it.
        dead_band_pct: from a test of its own, % of *output* span, scalar or of a shape that broadcasts to (units,
            points), NaN = not known. ISA-51.1 takes it off at each input; IEC 61298-2 leaves it in, and it is not used.
        standard: whose definition.

    Raises:
        ReadingsError: a shape is wrong.
    """
    return by_blocks(
        lambda curves: hysteresis_of(curves, dead_band_pct=dead_band_pct, standard=standard), error_pct, x_pct
    )


def hysteresis_of(curves: Curves, *, dead_band_pct: npt.ArrayLike | None, standard: Standard) -> Hysteresis:
    """The same, from the curves of a block of units; the dead band is that of all units."""
    apart_pct = np.abs(curves.error[:, :, DOWN] - _upscale(curves))
    apart = worst = largest(flat(apart_pct))
    if standard == "ISA-51.1-1979":
        dead_band = _dead_band(dead_band_pct, (curves.all_units_n, apart_pct.shape[-1]))[curves.units]
        worst = largest(flat(np.maximum(apart_pct - dead_band[:, None], 0.0)))
    is_known = ~np.isnan(worst.level)
    return Hysteresis(
        hysteresis_pct=worst.level,
        at_pct=np.where(is_known, chosen(flat(_place(curves.x)), worst.index), np.nan),
        cycle=np.where(is_known, worst.index // apart_pct.shape[-1], -1),
        with_dead_band_pct=apart.level,
        pairs_n=np.isfinite(apart_pct).sum(axis=(1, 2)),
        directions_n=curves.readings_n.sum(axis=2),
        has_dead_band=dead_band_pct is not None,
        definition=definition("hysteresis", standard),
    )


def _place(x_pct: FloatArray) -> FloatArray:
    """Input of each pair, the mean of both directions, or the downscale one where that alone was read."""
    both = x_pct.mean(axis=2)
    return np.asarray(np.where(np.isnan(both), x_pct[:, :, DOWN], both))


def _upscale(curves: Curves) -> FloatArray:
    """Upscale error at each downscale reading: read there, else on the line between its two upscale neighbours."""
    up, is_down = curves.error[:, :, UP], np.isfinite(curves.error[:, :, DOWN])
    lacks = (is_down & np.isnan(up)).any(axis=2)
    if not lacks.any():
        return up
    x_up, x_down = (np.broadcast_to(curves.x[:, :, way], up.shape) for way in (UP, DOWN))
    units, cycles, points = np.nonzero(is_down & np.isnan(up))
    below, above = (each[units, cycles, points] for each in _neighbours(np.isfinite(up)))
    has_both = (below >= 0) & (above < up.shape[-1])
    units, cycles, points, below, above = (each[has_both] for each in (units, cycles, points, below, above))
    x = x_down[units, cycles, points]
    low_x, high_x = x_up[units, cycles, below], x_up[units, cycles, above]
    low, high = up[units, cycles, below], up[units, cycles, above]
    is_beside = (low_x <= x) & (x <= high_x) & (high_x - low_x <= FARTHEST_APART_PCT * (1 + 1e-9))
    share = (x - low_x) / np.where(high_x > low_x, high_x - low_x, 1.0)
    found = up.copy()
    found[units, cycles, points] = np.where(is_beside, low + share * (high - low), np.nan)
    return found


def _neighbours(is_known: BoolArray) -> tuple[IntArray, IntArray]:
    """Last known point before each and first one after it; -1, and the number of points, where there is none."""
    places_n = is_known.shape[-1]
    places = np.arange(places_n)
    below = np.maximum.accumulate(np.where(is_known, places, -1), axis=-1)
    above = np.minimum.accumulate(np.where(is_known, places, places_n)[..., ::-1], axis=-1)[..., ::-1]
    return below, above


def _dead_band(dead_band_pct: npt.ArrayLike | None, shape: tuple[int, int]) -> FloatArray:
    dead_band = np.asarray(np.nan if dead_band_pct is None else dead_band_pct, dtype=np.float64)
    try:
        dead_band = np.broadcast_to(dead_band, shape)
    except ValueError as wrong:
        raise ReadingsError(
            f"dead bands have the shape {dead_band.shape}",
            where="dead_band_pct",
            allowed=f"one figure, or one for each point, up to {shape}",
            todo="give one dead band for each point",
        ) from wrong
    if (dead_band < 0).any():
        raise ReadingsError("a dead band is negative", where="dead_band_pct", todo="give its width, % of output span")
    return dead_band
