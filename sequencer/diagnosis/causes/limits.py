"""Flat parts: compliance, limits, stuck outputs, alarm levels."""

from collections.abc import Callable

import numpy as np

from instruments.datasheet import FloatArray
from instruments.texts import sized
from sequencer.diagnosis.causes.lines import is_current, is_last_stage
from sequencer.diagnosis.model.cause import Cause, Make, Say, Sizes, one, sizes
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Equation, Segment

__all__ = ["CAUSES"]

# A bend before a limit, as fraction of the span: as good as none, and as wide as an output is still said to be held.
_SHARPEST, _SOFTEST = 2e-4, 0.08
_SPEEDS = frozenset({"rpm", "1/min", "r/min"})


def _at_most(theta: FloatArray, segment: Segment, _stage: int, sign: float = 1.0) -> Equation:
    """Behind all that the stage does of itself."""
    return lambda level: segment.after.value(_bent(segment.after.fraction(level), theta, sign))


def _bent(frac: FloatArray, theta: FloatArray, sign: float) -> FloatArray:
    """Held at the first parameter, above it (+1) or below it (-1), coming to it over a bend as wide as the second."""
    over = sign * (frac - theta[:, :1]) / theta[:, 1:2]
    return np.asarray(frac - sign * theta[:, 1:2] * np.logaddexp(0.0, over))


def _held(low: float, high: float) -> Callable[[Segment, int], Sizes]:
    """A limit between two levels, as fractions, and how wide the bend before it is."""
    return lambda _segment, _stage: sizes((low, high, 40, False), (_SHARPEST, _SOFTEST, 3, True))


def _driven(segment: Segment, stage: int) -> Sizes:
    """The highest current; a supply that cannot even drive a quarter of the range is no supply."""
    ends = (0.25, 0.995) if segment.after.span > 0 else (0.005, 0.75)
    return _held(*ends)(segment, stage)


def _clamp(sign: float) -> Cause:
    """An output that is held at one end within its range, whatever holds it."""
    end = "above" if sign > 0 else "below"
    return Cause(
        name="output limit",
        place="level",
        make=lambda t, s, k: _at_most(t, s, k, sign),
        sizes=_held(0.25, 0.995) if sign > 0 else _held(0.02, 0.75),
        say=lambda t, s, k: f"never {end} {_level(t, s)}: a limit is set, or what drives it ends there",
        check="Read the limits of the output in the configuration; measure its supply at this end.",
        applies=lambda s, k: is_last_stage(s, k) and not _speed(s, k),
        rough=PRIORS.fitting.rough,
    )


def _level(theta: FloatArray, segment: Segment) -> str:
    return f"{sized(float(segment.after.value(np.array(theta[0]))), 4)} {segment.after.unit}"


def _constant(theta: FloatArray, segment: Segment, _stage: int) -> Equation:
    return lambda level: np.broadcast_to(
        segment.after.value(theta[:, :1]), (max(len(theta), len(level)), level.shape[1])
    )


def _speed(segment: Segment, stage: int) -> bool:
    return segment.sheet.taps[stage + 1].unit in _SPEEDS


def _alarm(segment: Segment, _stage: int) -> Sizes:
    """NE 43: 3.6 mA and below, or 21 mA and above."""
    ends = (np.array([3.2, 3.6, 21.0, 23.0]) - 4) / 16

    def log_prior(theta: FloatArray) -> FloatArray:
        inside = ((theta[:, 0] >= ends[0]) & (theta[:, 0] <= ends[1] + 1e-3)) | (
            (theta[:, 0] >= ends[2] - 1e-3) & (theta[:, 0] <= ends[3])
        )
        return np.where(inside, -np.log(ends[1] - ends[0] + ends[3] - ends[2]), -200.0)

    start = (np.array([3.4, 3.5, 3.6, 21.0, 21.5, 22.0]) - 4) / 16
    return Sizes(
        start=start[:, np.newaxis], log_prior=log_prior, is_free=(True,), low=(float(ends[0]),), high=(float(ends[3]),)
    )


def _beyond(segment: Segment, *, is_high: bool) -> float:
    """The farthest reading beyond one end of the range, as fraction; NaN where none lies where an output may go."""
    seen = segment.y[segment.is_read]
    level = float(seen.max() if is_high else seen.min())
    out = level - 1 if is_high else -level
    farthest = PRIORS.levels.farthest_frac if is_high else -min(segment.zero_level, -PRIORS.levels.farthest_frac)
    return level if segment.tolerance < out <= farthest else np.nan


def _end(segment: Segment, *, is_high: bool) -> Sizes:
    """Where it goes to its limit lies between two outputs that were asked for; the limit is what was read there."""
    asked = np.unique(np.round(segment.ideal[segment.is_read], 5))
    edges = (asked[1:] + asked[:-1]) / 2
    start = np.stack((edges, np.full(edges.size, _beyond(segment, is_high=is_high))), axis=1)
    # As probable anywhere beyond the range; it is told to the noise of the reading.
    told = np.sqrt(2 * np.pi) * float(np.median(segment.noise)) / PRIORS.levels.farthest_frac
    probability = float(np.log(told) - np.log(max(edges.size, 1)))
    return Sizes(
        start=start,
        log_prior=lambda theta: np.full(len(theta), probability),
        is_free=(False, False),
        low=(-np.inf, -np.inf),
        high=(np.inf, np.inf),
    )


def _to_its_limit(*, is_high: bool) -> Cause:
    """An output that goes beyond its range at one end: over or under range, or an open end of what it measures."""
    return Cause(
        name="output limit",
        place="output",
        make=lambda t, s, k: lambda y: np.where((y > t[:, :1]) == is_high, t[:, 1:2], y),
        sizes=lambda s, _k: _end(s, is_high=is_high),
        say=lambda t, s, k: f"goes to {_level(t[1:], s)}, {'above' if is_high else 'below'} about {_level(t, s)}",
        check="Read this end of the range again, and just before it: an output at its limit goes there again.",
        applies=lambda s, k: is_last_stage(s, k) and bool(np.isfinite(_beyond(s, is_high=is_high))),
        weight=0.5,
    )


def _skips(segment: Segment, _stage: int) -> Sizes:
    """Where the band ends lies between two outputs that were asked for; where it begins is where the output stays."""
    asked = np.unique(np.round(segment.ideal[segment.is_read], 5))
    ends = (asked[1:] + asked[:-1]) / 2
    end, width = np.meshgrid(ends, np.array([0.05, 0.1, 0.15, 0.2, 0.3]), indexing="ij")
    start = np.stack(((end - width).ravel(), end.ravel()), axis=1)
    start = start[start[:, 0] > 0.01]
    probability = -np.log(0.85) - np.log(max(ends.size, 1))
    return Sizes(
        start=start,
        log_prior=lambda theta: np.full(len(theta), probability),
        is_free=(True, False),
        low=(0.0, 0.0),
        high=(1.0, 1.3),
    )


def _flat(name: str, how: str, check: str, *, weight: float = 1.0) -> Cause:
    """A current that the bench cannot drive any higher: one equation, which the cause cannot be told from."""
    return Cause(
        name=name,
        place="level",
        make=lambda t, s, k: _at_most(t, s, k, np.sign(s.after.span)),
        sizes=_driven,
        say=lambda t, s, k: f"flat at {_level(t, s)}{how}",
        check=check,
        applies=is_current,
        weight=weight,
        is_of_bench=True,
        rough=PRIORS.fitting.rough,
    )


def _drive(
    say: Say,
    make: Make,
    sizes: Callable[[Segment, int], Sizes],
    *,
    check: str = "Read the speed limits of the drive.",
    applies: Callable[[Segment, int], bool] = _speed,
    weight: float = 1.0,
    linear: tuple[int, ...] = (),
    has_steps: bool = False,
) -> Cause:
    """A speed that is held within bounds: four limits and a band, under one name."""
    return Cause(
        name="drive limits",
        place="output",
        make=make,
        sizes=sizes,
        say=say,
        check=check,
        applies=applies,
        weight=weight,
        linear=linear,
        has_steps=has_steps,
        rough=PRIORS.fitting.rough,
    )


CAUSES: tuple[Cause, ...] = (
    _flat(
        "loop compliance",
        ": the supply cannot drive more through the loop",
        "Take 100 ohm out of the loop: the plateau rises. Measure the voltage at the terminals at the top.",
        weight=2.0,
    ),
    _flat(
        "supply sag",
        ": the supply sags, perhaps under other loops",
        "Measure the supply at the terminals at the top, with the other loops on and off.",
    ),
    _flat("meter burden", " with the meter in the loop", "Take the meter out: if the plateau goes, it was its burden."),
    Cause(
        name="sensor burnout",
        place="level",
        make=_constant,
        sizes=_alarm,
        say=lambda t, s, k: f"at an alarm level, {_level(t, s)}, whatever the input",
        check="Test the sensor for continuity; read the status of the unit.",
        applies=lambda s, k: is_current(s, k) and sorted((s.after.low, s.after.high)) == [4.0, 20.0],
        weight=2.0,
    ),
    Cause(
        name="stuck output",
        place="level",
        make=_constant,
        sizes=lambda _s, _k: sizes((-0.3, 1.4, 60, False)),
        say=lambda t, s, k: f"stands at {_level(t, s)}, whatever the input",
        check="Read the configuration: a simulated or fixed output is still on? Then switch off and on.",
        applies=is_last_stage,
    ),
    Cause(
        name="meter fuse blown",
        place="reading",
        make=lambda t, s, k: np.zeros_like,
        sizes=lambda _s, _k: one(),
        say=lambda t, s, k: f"0 {s.after.unit}: the loop is open",
        check="Look at the fuse of the meter's current input, then at polarity and terminals.",
        applies=is_current,
        is_of_bench=True,
        weight=2.0,
    ),
    Cause(
        name="wrong tap",
        place="reading",
        make=lambda t, s, k: np.zeros_like,
        sizes=lambda _s, _k: one(),
        say=lambda t, s, k: "nothing of this kind of signal arrives: another tap may be connected",
        check="Wiggle one input, and see which reading follows.",
        applies=is_last_stage,
        is_of_bench=True,
        weight=0.5,
    ),
    _clamp(1.0),
    _clamp(-1.0),
    _to_its_limit(is_high=True),
    _to_its_limit(is_high=False),
    _drive(
        lambda t, s, k: f"never above {_level(t, s)}: a highest speed is set",
        lambda t, s, k: lambda y: np.minimum(y, t[:, :1]),
        lambda _s, _k: sizes((0.3, 0.995, 30, False)),
        weight=1.5,
    ),
    _drive(
        lambda t, s, k: f"never below {_level(t, s)}: a lowest speed is set",
        lambda t, s, k: lambda y: np.maximum(y, t[:, :1]),
        lambda _s, _k: sizes((0.004, 0.6, 30, False)),
        weight=1.5,
    ),
    _drive(
        lambda t, s, k: f"held between {_level(t, s)} and {_level(t[1:], s)}: lowest and highest speed are set",
        lambda t, s, k: lambda y: np.clip(y, t[:, :1], t[:, 1:2]),
        lambda _s, _k: sizes((0.004, 0.5, 12, False), (0.51, 0.995, 12, False)),
    ),
    _drive(
        lambda t, s, k: f"stands still below {100 * t[0]:.3g} %: a dead band of the demand",
        lambda t, s, k: lambda y: np.where(y < t[:, :1], 0.0, y),
        lambda _s, _k: sizes((0.0061, 0.6043, 120, False)),
        check="Read the dead band of the drive's input.",
        has_steps=True,
    ),
    _drive(
        lambda t, s, k: f"skips the speeds from {_level(t, s)} to about {_level(t[1:], s)}",
        lambda t, s, k: lambda y: np.where((y > t[:, :1]) & (y < t[:, 1:2]), t[:, :1], y),
        _skips,
        check="Read the skipped speeds of the drive.",
        applies=lambda s, k: _speed(s, k) and len(_skips(s, k).start) > 0,
        linear=(0,),
    ),
)
