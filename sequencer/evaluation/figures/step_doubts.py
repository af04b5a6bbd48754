"""What stands against figures of an answer to a step, in words; and the record that they are made of."""

import math
from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray
from instruments.texts import counted
from sequencer.evaluation.figures.step_direct import DirectFigures, Levels, moves_at_end
from sequencer.evaluation.figures.step_fit import Fit, Trace
from sequencer.evaluation.figures.step_models import Shape, crossing_s, overshoot_frac

__all__ = [
    "Doubt",
    "SeenStep",
    "StepRecord",
    "held_at_limit",
    "misfit_of",
    "of_scatter",
    "of_the_end",
    "of_the_kind",
    "peak_held",
]

_FIT_FRAC = 0.003
"""Below this share of the step a misfit is not worth a word."""
_SHORT_FRAC = 0.1
"""A system that still has so much of its step to go at the end of the record gives no figure."""
_MANY = 3
"""A system of so many times takes a shape that is cut off as readily as a simpler one takes its own: wrong by several
standard uncertainties on drawn systems of the fourth order with a few per cent to go. It gives no figure before the
output has come to rest."""
_TELLS = 0.02
"""Scatter of the readings, as a share of the step, from which on it is said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRecord:
    """Readings about one step of the input.

    Attributes:
        times_s: shape (n,), ascending, from the instant the input was set, at the end of each reading; negative =
            before.
        values: same shape; NaN = not read.
        aperture_s: over which a reading is a mean.
        rise_s: over which the input went in a straight line.
        late_s: by how much the input may have moved later than its instant.
        resolution: of the readings.
        band_frac: half width of the settling band, in fractions of the step.
        hold_s: how long the output has to stay inside at the end of the record.
        held_at: levels at which such an output is held, beyond its range; () = none is known.
    """

    times_s: FloatArray
    values: FloatArray
    aperture_s: float = 0.0
    rise_s: float = 0.0
    late_s: float = 0.0
    resolution: float = 0.0
    band_frac: float = 0.01
    hold_s: float = 0.0
    held_at: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """What stands against figures of a step, in words; `kind` names it."""

    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class SeenStep:
    """A record with what was found of it before any system is fitted."""

    record: StepRecord
    trace: Trace
    levels: Levels
    direct: DirectFigures

    def pct(self, size: float) -> str:
        """A size in the unit of the readings, as a share of the step."""
        return f"{100 * abs(size / self.levels.step):.2g} %"


def held_at_limit(record: StepRecord, levels: Levels) -> Doubt | None:
    """Whether the output ends at a level where it is held: what it would do beyond is not seen."""
    near = max(3 * levels.u_after, record.resolution, 0.001 * abs(levels.step))
    for level in record.held_at:
        if abs(levels.after - level) <= near:
            words = (
                f"the output ends at {levels.after:.5g}, where such an output is held ({level:g}): no figure of time"
            )
            return Doubt(kind="held", words=words)
    return None


def of_the_end(seen: SeenStep, best: Fit, *, fits_well: bool) -> list[Doubt]:
    """Whether the output has come to rest, and stays there."""
    record = seen.record
    end_s = float(record.times_s[-1])
    to_go = abs(1 - float(best.shape.seen(np.array([end_s]))[0]))
    swing = max(to_go, _envelope(best.shape, end_s) if overshoot_frac(best.shape) else 0.0)
    known = abs(best.u_step / best.step)
    doubts = []
    most = _SHORT_FRAC if len(best.family.names) < _MANY else record.band_frac
    if max(swing, known) > most or not math.isfinite(known):
        words = (
            f"record too short: by the system that fits best the output still has {100 * max(swing, known):.2g} % of "
            "its step to go at the end; take a longer record"
        )
        doubts.append(Doubt(kind="very short", words=words))
    elif swing > record.band_frac:
        words = (
            f"record too short: at its end the output still has {100 * swing:.2g} % of the step to go, by the system "
            "that fits; no settling time"
        )
        doubts.append(Doubt(kind="short", words=words))
    drift_frac = abs(best.drift_per_s / best.step)
    if best.has_drift and fits_well and not doubts:
        words = f"after the step the output drifts on, by {seen.pct(best.drift_per_s)} of the step in a second"
        if drift_frac * end_s > record.band_frac:
            words += (
                f"; it leaves the band of {100 * record.band_frac:.2g} % by that: settling is that of the step alone"
            )
        doubts.append(Doubt(kind="drift", words=words))
    elif not fits_well and not doubts:
        moved = moves_at_end(seen.trace, seen.levels)
        if moved > record.band_frac / 4:
            words = (
                f"the output still moves at the end of the record, by {100 * moved:.2g} % of the step over its last "
                f"{record.hold_s:.3g} s; take a longer record"
            )
            doubts.append(Doubt(kind="moving", words=words))
    return doubts


def _envelope(shape: Shape, end_s: float) -> float:
    size = sum(abs(weight) for weight in shape.weights)
    return size * math.exp(-max(end_s - shape.dead_s - shape.ramp_s, 0.0) / shape.slowest_s) if shape.rates else 0.0


def of_scatter(seen: SeenStep) -> list[Doubt]:
    """Whether the readings scatter so much that figures suffer."""
    scatter = seen.levels.sd / abs(seen.levels.step)
    if scatter <= _TELLS:
        return []
    words = (
        f"the readings scatter by {100 * scatter:.2g} % of the step (standard deviation): which system it is cannot be "
        "told well"
    )
    return [Doubt(kind="scatter", words=words)]


def of_the_kind(seen: SeenStep, best: Fit, *, fits_well: bool) -> list[Doubt]:
    """What the family itself says; one that does not fit says nothing."""
    doubts = []
    if fits_well and best.shape.ramp_s > max(seen.trace.interval_s, best.shape.slowest_s / 2):
        rate = best.step / best.shape.ramp_s
        words = f"it moves at a limited rate, {abs(rate):.3g} in a second: its times grow with the size of the step"
        doubts.append(Doubt(kind="limited rate", words=words))
    if seen.direct.moving_n < 4:
        words = (
            f"only {counted(seen.direct.moving_n, 'reading')} between 10 and 90 % of the step: figures rest on the form"
        )
        doubts.append(Doubt(kind="few in the rise", words=words))
    window_s = seen.record.aperture_s + seen.record.late_s
    rise_s = crossing_s(best.shape, 0.9) - crossing_s(best.shape, 0.1)
    if fits_well and rise_s < 2 * window_s:
        words = (
            f"the rise of {rise_s:.3g} s is short against the {window_s:.3g} s of a reading and of the setting of the "
            "input: it rests on their form"
        )
        doubts.append(Doubt(kind="window", words=words))
    return doubts


def misfit_of(seen: SeenStep, best: Fit) -> Doubt | None:
    """Whether even the best system leaves more than the readings scatter."""
    usual = max(seen.levels.sd, seen.record.resolution / math.sqrt(12))
    in_rise = (best.shape.seen(seen.record.times_s) > 0.02) & (best.shape.seen(seen.record.times_s) < 0.98)
    size = math.sqrt(float(np.mean(best.residuals[in_rise] ** 2))) if in_rise.sum() >= 3 else best.sd
    worst = float(np.abs(best.residuals).max())
    if max(size, best.sd) > 2 * usual and worst > _FIT_FRAC * abs(seen.levels.step):
        words = (
            f"no system fits: the best leaves up to {seen.pct(worst)} of the step, the readings scatter by "
            f"{seen.pct(usual)}; figures are those straight from the readings"
        )
        return Doubt(kind="misfit", words=words)
    return None


def peak_held(record: StepRecord, levels: Levels) -> Doubt | None:
    """Whether a swing runs into a level where the output is held."""
    near = max(2 * levels.sd, record.resolution, 1e-4 * abs(levels.step))
    for level in record.held_at:
        at_level = (np.abs(record.values - level) <= near) & (record.times_s > 0)
        if at_level.sum() >= 3 and abs(levels.after - level) > 3 * near:
            words = f"the output swings up to {level:g}, where it is held: the overshoot is larger than what is seen"
            return Doubt(kind="peak held", words=words)
    return None
