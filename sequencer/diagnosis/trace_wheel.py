"""What is said of the wheel of a pulse train, and of swings of its period."""

import math

from instruments.texts import sized
from sequencer.diagnosis.noise.inverter import Origin
from sequencer.diagnosis.noise.marks import Marks
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.noise.wheel import Wheel
from sequencer.diagnosis.trace_hash import advice
from sequencer.diagnosis.trace_mains import hum_of, swings_with
from sequencer.diagnosis.trace_marks import marks_finding
from sequencer.diagnosis.trace_words import Finding
from sequencer.diagnosis.traced import TraceResult

__all__ = ["of_wheel"]

_RUNOUT_PCT = 0.2  # amplitude of a runout that is worth a line
_WITH = 2.0  # steps of the spectrum
_UNEVEN = "teeth or marks that are not evenly spaced"
_SPREAD_PCT = 0.1  # range from tooth to tooth that is
_HEIGHT_PCT = 4.0  # the same of the height of the pulses


def of_wheel(train: PulseTrain, result: TraceResult) -> list[Finding]:
    """What comes back with each revolution, and what else the period swings with."""
    # Hum makes low pulses that come again; only a wheel that is known is told from it.
    is_hum = train.wheel is not None and not train.wheel.is_given and bool(hum_of(train, result))
    along = swings_with(train, result)
    found = [] if is_hum else _of_height(train, result)
    is_known = train.wheel is not None and train.wheel.is_there and not train.wheel.weak_at
    if train.wheel is not None and is_known and along is None and not is_hum:
        found += _of_turns(train, train.wheel)
    # What comes back with each revolution of a wheel that is known is the wheel's.
    wheel = train.wheel
    is_turn = train.marks is not None and wheel is not None and wheel.pulses_n % train.marks.every_n == 0
    is_own = result.is_swing_own or (is_turn and wheel is not None and wheel.is_given) or not _of_added(train, result)
    if train.marks is not None and along is None and is_own and not _is_of_bursts(train, train.marks, result):
        return [*[each for each in found if each.cause != _UNEVEN], marks_finding(train, train.marks)]
    return found or _of_swing(train, result, along)


def _is_of_bursts(train: PulseTrain, marks: Marks, result: TraceResult) -> bool:
    """Whether gaps repeat as regular bursts do, which shift the edges that they come with."""
    bursts = None if result.hash is None else result.hash.bursts
    if bursts is None or math.isnan(bursts.every_Hz):
        return False
    turn_Hz = train.rate_Hz / marks.every_n
    return abs(bursts.every_Hz - round(bursts.every_Hz / turn_Hz) * turn_Hz) < _WITH / result.length_s


def _of_height(train: PulseTrain, result: TraceResult) -> list[Finding]:
    """Teeth that are lower than the rest, or heights that swing."""
    wheel = train.wheel
    if wheel is not None and wheel.weak_at:
        many = len(wheel.weak_at)
        return [
            Finding(
                what=f"{'a pulse comes' if many == 1 else f'{many} pulses come'} with "
                f"{sized(100 * wheel.weakest, 2)} % of the height of the rest, at the same place each time, "
                f"once in {wheel.pulses_n} pulses",
                cause="a worn, bent or chipped tooth or a weak mark, or a wheel out of true",
                check="look at the wheel; at a lower speed or a wider gap this pulse is lost first",
            )
        ]
    if not result.is_height_own or train.height_pct <= _HEIGHT_PCT:
        return []
    return [
        Finding(
            what=f"the height of the pulses swings by ±{sized(train.height_pct, 2)} % about every "
            f"{sized(train.height_n)} pulses",
            cause="a wheel or a target out of true, whose gap to the pickup changes as it turns",
            check="dial gauge on the wheel; at a lower speed or a wider gap the lowest pulses are lost first",
        )
    ]


def _of_turns(train: PulseTrain, wheel: Wheel) -> list[Finding]:
    """Runout, and what else differs from tooth to tooth."""
    found = []
    # Where a revolution is a whole number of samples, the sampling has its pattern too.
    turn_n = wheel.pulses_n / train.rate_Hz / train.edges.interval_s
    is_locked = abs(turn_n - round(turn_n)) * wheel.revolutions_n < 1
    # Displaced edges make as much of a swing once a revolution as two neighbours differ there.
    by_sampling_pct = 2 * math.sin(math.pi / wheel.pulses_n) * _sampling_pct(train)
    least_pct = max(_RUNOUT_PCT, by_sampling_pct if is_locked else 0.0)
    if wheel.runout_probability < wheel.chance and wheel.runout_pct > least_pct:
        found.append(
            Finding(
                what=f"once a revolution the period swings by ±{sized(wheel.runout_pct, 2)} % "
                f"({wheel.pulses_n} pulses a revolution)",
                cause="an eccentric or loose wheel, or a shaft that is bent or out of line",
                check="dial gauge on the wheel; count over whole revolutions and it cancels",
            )
        )
    if wheel.spread_probability < wheel.chance and wheel.spread_pct > max(_SPREAD_PCT, _sampling_pct(train)):
        found.append(
            Finding(
                what=f"the period differs by {sized(wheel.spread_pct, 2)} % from tooth to tooth, alike each revolution",
                cause=_UNEVEN,
                check="count over whole revolutions and it cancels",
            )
        )
    return found


def _of_swing(train: PulseTrain, result: TraceResult, along: Origin | None) -> list[Finding]:
    """What the period swings with, where nothing of a wheel is told."""
    if train.repeat_pct <= _RUNOUT_PCT:
        return []
    if along is not None and along.name:
        return []  # told as mains
    if along is not None:
        return [
            Finding(
                what=f"the period swings by ±{sized(train.repeat_pct, 2)} % with the line at "
                f"{sized(along.line.rate_Hz, 5)} Hz, which shifts the edges",
                cause="interference on the pulses, nothing that turns",
                check=advice(train, result),
            )
        ]
    if not result.is_swing_own:
        return _of_added(train, result)
    wheel = train.wheel
    if wheel is not None and (wheel.weak_at or wheel.missing_at) and wheel.is_repeated_by(train.repeat_n):
        return []
    return [
        Finding(
            what=f"the period swings by ±{sized(train.repeat_pct, 2)} % about every {sized(train.repeat_n)} pulses",
            cause="something that turns or is regulated at that rate; a wheel if it has so many pulses",
            check="give --pulses-per-revolution, or record at another speed: what turns along stays",
        )
    ]


def _of_added(train: PulseTrain, result: TraceResult) -> list[Finding]:
    """A swing of the edges alone: lines that are added shift them, strong ones by sums and differences too."""
    added = [*(each.line for each in result.origins if each.name.endswith("mains")), *result.unknown]
    if not added:
        return []
    line = max(added, key=lambda each: each.amplitude)
    return [
        Finding(
            what=f"the period swings by ±{sized(train.repeat_pct, 2)} % since what is added to the pulses shifts their "
            f"edges, the line at {sized(line.rate_Hz, 5)} Hz first of all",
            cause="interference on the pulses, nothing that turns",
            check=advice(train, result),
        )
    ]


def _sampling_pct(train: PulseTrain) -> float:
    """What the sampling alone may displace an edge by, % of the period."""
    return 100 * train.edges.timing_s / train.period_s
