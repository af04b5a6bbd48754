"""What is said of the wheel of a pulse train, and of swings of its period."""

import math

from instruments.texts import sized
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.trace_hash import advice
from sequencer.diagnosis.trace_mains import hum_of, swings_with
from sequencer.diagnosis.trace_words import Finding
from sequencer.diagnosis.traced import TraceResult

__all__ = ["of_wheel"]

_RUNOUT_PCT = 0.2  # amplitude of a runout that is worth a line
_HEIGHT_PCT = 4.0  # the same of the height of the pulses


def of_wheel(train: PulseTrain, result: TraceResult) -> list[Finding]:
    """What comes back with each revolution, and what else the period swings with."""
    found = []
    wheel = train.wheel
    # Hum makes low pulses that come again; only a wheel that is known is told from it.
    is_hum = wheel is not None and not wheel.is_given and bool(hum_of(train, result))
    if wheel is not None and wheel.weak_at and not is_hum:
        many = len(wheel.weak_at)
        found.append(
            Finding(
                what=f"{'a pulse comes' if many == 1 else f'{many} pulses come'} with "
                f"{sized(100 * wheel.weakest, 2)} % of the height of the rest, at the same place each time, "
                f"once in {wheel.pulses_n} pulses",
                cause="a worn, bent or chipped tooth or a weak mark, or a wheel out of true",
                check="look at the wheel; at a lower speed or a wider gap this pulse is lost first",
            )
        )
    elif not is_hum and result.is_height_own and train.height_pct > _HEIGHT_PCT:
        found.append(
            Finding(
                what=f"the height of the pulses swings by ±{sized(train.height_pct, 2)} % about every "
                f"{sized(train.height_n)} pulses",
                cause="a wheel or a target out of true, whose gap to the pickup changes as it turns",
                check="dial gauge on the wheel; at a lower speed or a wider gap the lowest pulses are lost first",
            )
        )
    along = swings_with(train, result)
    turns = wheel is not None and wheel.is_there and not wheel.weak_at and along is None and not is_hum
    # Where a revolution is a whole number of samples, the sampling has its pattern too.
    turn_n = 0.0 if wheel is None else wheel.pulses_n / train.rate_Hz / train.edges.interval_s
    is_locked = wheel is not None and abs(turn_n - round(turn_n)) * wheel.revolutions_n < 1
    # Displaced edges make as much of a swing once a revolution as two neighbours differ there.
    by_sampling_pct = 0.0 if wheel is None else 2 * math.sin(math.pi / wheel.pulses_n) * _sampling_pct(train)
    least_pct = max(_RUNOUT_PCT, by_sampling_pct if is_locked else 0.0)
    is_out = wheel is not None and wheel.runout_probability < wheel.chance and wheel.runout_pct > least_pct
    spread_pct = 0.0 if wheel is None or wheel.spread_probability >= wheel.chance else wheel.spread_pct
    if wheel is not None and turns and is_out:
        found.append(
            Finding(
                what=f"once a revolution the period swings by ±{sized(wheel.runout_pct, 2)} % "
                f"({wheel.pulses_n} pulses a revolution)",
                cause="an eccentric or loose wheel, or a shaft that is bent or out of line",
                check="dial gauge on the wheel; count over whole revolutions and it cancels",
            )
        )
    if wheel is not None and turns and spread_pct > _sampling_pct(train):
        found.append(
            Finding(
                what=f"the period differs by {sized(wheel.spread_pct, 2)} % from tooth to tooth, alike each revolution",
                cause="teeth or marks that are not evenly spaced",
                check="count over whole revolutions and it cancels",
            )
        )
    if found:
        return found
    if along is not None and not along.name:
        found.append(
            Finding(
                what=f"the period swings by ±{sized(train.repeat_pct, 2)} % with the line at "
                f"{along.line.rate_Hz:.5g} Hz, which shifts the edges",
                cause="interference on the pulses, nothing that turns",
                check=advice(train, result),
            )
        )
    elif train.repeat_pct > _RUNOUT_PCT and not result.is_swing_own:
        found += _of_added(train, result)
    elif train.repeat_pct > _RUNOUT_PCT and along is None:
        if wheel is not None and (wheel.weak_at or wheel.missing_at) and wheel.is_repeated_by(train.repeat_n):
            return []
        found.append(
            Finding(
                what=f"the period swings by ±{sized(train.repeat_pct, 2)} % about every {sized(train.repeat_n)} pulses",
                cause="something that turns or is regulated at that rate; a wheel if it has so many pulses",
                check="give --pulses-per-revolution, or record at another speed: what turns along stays",
            )
        )
    return found


def _of_added(train: PulseTrain, result: TraceResult) -> list[Finding]:
    """A swing of the edges alone: lines that are added shift them, strong ones by sums and differences too."""
    added = [*(each.line for each in result.origins if each.name.endswith("mains")), *result.unknown]
    if not added:
        return []
    line = max(added, key=lambda each: each.amplitude)
    return [
        Finding(
            what=f"the period swings by ±{sized(train.repeat_pct, 2)} % since what is added to the pulses shifts their "
            f"edges, the line at {line.rate_Hz:.5g} Hz first of all",
            cause="interference on the pulses, nothing that turns",
            check=advice(train, result),
        )
    ]


def _sampling_pct(train: PulseTrain) -> float:
    """What the sampling alone may displace an edge by, % of the period."""
    return 100 * train.edges.timing_s / train.period_s
