"""What follows the clock, not the input: drift, warm-up, ground loops."""

from dataclasses import replace

import numpy as np

from instruments.datasheet import FloatArray
from instruments.texts import NOTHING, is_measurable, sized
from sequencer.diagnosis.causes.lines import is_current, level_text, pct
from sequencer.diagnosis.model.cause import Cause, Sizes, sizes
from sequencer.diagnosis.model.segment import Equation, Segment

__all__ = ["CAUSES"]

# What is left of a warm-up when the first reading is taken, as log: less cannot be told from a zero shift.
_GONE_LOG = 6.0
# Fewer readings show no swing.
_SWING_N = 6
# Beyond so many tolerances a drift is the rarer, by this power.
_LARGE, _LARGE_POWER = 5.0, 2.0
# How far it swings, as a share of its shift, one standard deviation.
_SWING_SHARE = 0.3


def _length(segment: Segment) -> float:
    return max(float(segment.series.at_s[-1] - segment.series.at_s[0]), 1e-9)


def _drift(theta: FloatArray, segment: Segment, _stage: int) -> Equation:
    # It began before the first reading, during exercise and settling.
    return lambda y: y + theta[:, :1] * (segment.series.at_s / _length(segment) + theta[:, 1:2])


def _warm_up(theta: FloatArray, segment: Segment, _stage: int) -> Equation:
    at = segment.series.at_s / _length(segment)
    return lambda y: y + theta[:, 2:3] - theta[:, :1] * np.exp(-at / theta[:, 1:2])


def _warmings(segment: Segment, _stage: int) -> Sizes:
    """Size and time constant of what decays, and where it ends: at nominal if it was adjusted warm."""
    T = segment.tolerance
    lasting = np.geomspace(0.02, 1.5, 14)
    start = np.stack((np.zeros(14), lasting, np.zeros(14)), axis=1)

    def log_prior(theta: FloatArray) -> FloatArray:
        size, end = np.maximum(np.abs(theta[:, 0]), 1e-9), np.maximum(np.abs(theta[:, 2]), 1e-9)
        octaves = np.log(0.5 / T)
        # Adjusted warm, it ends at nominal. Adjusted cold, it began there, before the first reading.
        warm = -np.log(2 * octaves * size) - np.log(size * np.sqrt(2 * np.pi)) - 0.5 * (end / size) ** 2
        left = theta[:, 0] * np.sign(theta[:, 2]) / end
        is_cold = (left > np.exp(-_GONE_LOG)) & (left < 1.05)
        cold = np.where(is_cold, -np.log(2 * octaves * end) - np.log(_GONE_LOG * size), -60.0)
        # A decay that one reading alone would show is that reading's own matter.
        small = 25.0 * np.log(np.maximum(0.5 * T / size, 1.0)) + _too_large(size, T)
        return np.asarray(np.logaddexp(warm, cold) - small - np.log(2.0) - np.log(np.log(75.0) * theta[:, 1]))

    return Sizes(
        start=start,
        log_prior=log_prior,
        is_free=(True, True, True),
        low=(-0.6, min(0.7 / max(segment.series.visits_n - 1, 1), 0.5), -0.6),
        high=(0.6, 3.0, 0.6),
    )


def _too_large(size: FloatArray, tolerance: float) -> FloatArray:
    """What follows the clock is a few tolerances; more is the rarer the more it is. A loss in nats."""
    return np.asarray(_LARGE_POWER * np.log(np.maximum(size / (_LARGE * tolerance), 1.0)))


def _drifts(segment: Segment, _stage: int) -> Sizes:
    T = segment.tolerance
    plain = sizes((0.6 * T, 0.5, 12, True), (0.0, 0.6, 3, False), signed=(True, False))
    return replace(plain, log_prior=lambda theta: plain.log_prior(theta) - _too_large(np.abs(theta[:, 0]), T))


def _swinging(theta: FloatArray, segment: Segment, _stage: int) -> Equation:
    phase = 2 * np.pi * segment.series.at_s / _length(segment) / theta[:, 3:4]
    swing = theta[:, 1:2] * np.cos(phase) + theta[:, 2:3] * np.sin(phase)
    return lambda y: y + theta[:, :1] + swing


def _swings(segment: Segment, _stage: int) -> Sizes:
    T = segment.tolerance
    # A swing faster than two readings is an alias of a slower one, or of a shift.
    shortest = 2.05 / max(segment.series.visits_n - 1, 1)
    periods = 1 / np.arange(0.25, 1 / shortest, 0.25)
    start = np.zeros((periods.size, 4))
    start[:, 3] = periods

    def log_prior(theta: FloatArray) -> FloatArray:
        swing = np.hypot(theta[:, 1], theta[:, 2])
        # A two-dimensional normal density for the swing, alike at each frequency and in each octave of the shift. What
        # leaks goes one way, so that it swings by less than it shifts.
        width = 0.2 * T + _SWING_SHARE * np.abs(theta[:, 0])
        return np.asarray(
            -0.5 * (swing / width) ** 2
            - np.log(2 * np.pi * width**2)
            - np.log(2 * np.maximum(np.abs(theta[:, 0]), 0.3 * T) * np.log(0.5 / T))
            - np.log(theta[:, 3] ** 2 / shortest)
        )

    return Sizes(
        start=start,
        log_prior=log_prior,
        is_free=(True, True, True, True),
        low=(-0.5, -0.5, -0.5, shortest),
        high=(0.5, 0.5, 0.5, 5.0),
    )


CAUSES: tuple[Cause, ...] = (
    Cause(
        name="drift",
        place="output",
        make=_drift,
        sizes=_drifts,
        say=lambda t, s, k: _drift_text(t, s),
        check="Stand at one point and watch; warm up for half an hour and run again.",
    ),
    Cause(
        name="warm-up",
        place="output",
        make=_warm_up,
        sizes=_warmings,
        say=lambda t, s, k: _warm_text(t, s),
        linear=(0, 2),
        check="Warm up for half an hour and run again.",
        contains=("drift",),
    ),
    Cause(
        name="ground loop",
        place="level",
        make=lambda t, s, k: lambda level: s.after.value(_swinging(t, s, k)(s.after.fraction(level))),
        sizes=_swings,
        say=lambda t, s, k: _swing_text(t, s),
        linear=(0, 1, 2),
        check="Put an isolator in, or unplug the other equipment (a computer too): the swing must go.",
        applies=lambda s, k: is_current(s, k) and s.series.visits_n > _SWING_N,
        weight=0.7,
        contains=("zero shift", "meter offset", "drift", "warm-up"),
        is_lone=True,
    ),
)


def _drift_text(theta: FloatArray, segment: Segment) -> str:
    if not segment.series.has_times:
        return f"moves by {level_text(theta[0], segment)} from the first reading to the last, whatever the input"
    per_h = theta[0] / _length(segment) * 3600
    return f"drifts by {pct(per_h)} of span in an hour, whatever the input"


def _warm_text(theta: FloatArray, segment: Segment) -> str:
    lasting = theta[1] * _length(segment)
    unit = "s" if segment.series.has_times else "readings"
    return f"came up by {level_text(theta[0], segment)} with a time constant of about {sized(lasting)} {unit}"


def _swing_text(theta: FloatArray, segment: Segment) -> str:
    lasting = theta[3] * _length(segment)
    unit = "s" if segment.series.has_times else "readings"
    frac = float(np.hypot(theta[1], theta[2]))
    swing = f"{sized(frac * abs(segment.after.span), 2)} {segment.after.unit}" if is_measurable(frac) else NOTHING
    return f"shifted by {level_text(theta[0], segment)} and swinging by {swing} over about {sized(lasting, 2)} {unit}"
