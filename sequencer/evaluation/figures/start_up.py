"""Start-up drift: how far the output at one input lies from its final value, at instants after switching on.

Arrays of readings in, figures out; when a unit was switched on, and whether it was cold, is for who took them to know.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import FloatArray
from sequencer.evaluation.figures.student import coverage_factor

__all__ = ["Instant", "StartUpDrift", "start_up_drift"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Instant:
    """The output at one instant.

    Attributes:
        after_s: since switching on, mean of the readings.
        value: mean of the readings.
        readings_n: how many.
        away: value less that at the last instant.
        U: expanded uncertainty of `away`; NaN = not known, 0 at the last instant itself.
    """

    after_s: float
    value: float
    readings_n: int
    away: float
    U: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StartUpDrift:
    """All instants at one input, in the unit of the readings.

    Attributes:
        instants: in order of time; the last stands for the final value.
        largest: of the instants, that farthest from the final value.
        band: half width about the final value.
        is_within_from_s: the first instant from which on all lie within the band.
        was_out_at_s: the instant before, at which it did not; NaN where there is none.
        is_moving: whether the last step between instants is more than its uncertainty and more than the band, so that
            the last value is not final.
    """

    instants: tuple[Instant, ...]
    largest: Instant
    band: float
    is_within_from_s: float
    was_out_at_s: float
    is_moving: bool


def start_up_drift(
    readings: Sequence[tuple[FloatArray, FloatArray]], *, band: float, step: float = 0.0, probability: float = 0.95
) -> StartUpDrift:
    """Differences to the last instant, and from when the output is within a band about it.

    Args:
        readings: of each instant, in order: times since switching on in s, and values; each shape (n,), no NaN.
        band: half width, same unit.
        step: one step of the last digit, same unit.
        probability: of the uncertainties.

    Raises:
        ReadingsError: fewer than two instants.

    The scatter is that about the mean of each instant, pooled over them. What instruments share at all instants is in
    none of the differences; what they drift by themselves is. Source: IEC 61298-2, start-up drift (from memory: output
    after 5 min, 1 h and 4 h, differences to that after 4 h).
    """
    if len(readings) < 2:
        raise ReadingsError("start-up drift needs readings at two instants", todo="give two times or more")
    means = np.array([float(values.mean()) for _, values in readings])
    many = np.array([len(values) for _, values in readings])
    free = int((many - 1).sum())
    squares = sum(float(((values - values.mean()) ** 2).sum()) for _, values in readings)
    variance = squares / free if free else math.nan
    k = float(coverage_factor(probability, free)) if free else math.nan
    # Digits that the scatter does not hide round each mean for itself (rectangular).
    digits = step**2 / 12
    u = [math.sqrt(variance * (1 / n + 1 / many[-1]) + 2 * digits) for n in many.tolist()]
    away = means - means[-1]
    instants = tuple(
        Instant(
            after_s=float(times_s.mean()),
            value=float(mean),
            readings_n=len(times_s),
            away=float(off),
            U=0.0 if place == len(readings) - 1 else k * u[place],
        )
        for place, ((times_s, _), mean, off) in enumerate(zip(readings, means, away, strict=True))
    )
    last_out = max((place for place, off in enumerate(away) if abs(off) > band), default=-1)
    before = instants[-2]
    return StartUpDrift(
        instants=instants,
        largest=max(instants, key=lambda each: abs(each.away)),
        band=band,
        is_within_from_s=instants[last_out + 1].after_s,
        was_out_at_s=instants[last_out].after_s if last_out >= 0 else math.nan,
        is_moving=abs(before.away) > max(band, before.U if math.isfinite(before.U) else 0.0),
    )
