"""What is said of mains in a trace of pulses, and of lines that shift their edges."""

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.inverter import Origin, is_mirrored, mains_of
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.noise.sines import alias_Hz
from sequencer.diagnosis.trace_words import Finding, images_words
from sequencer.diagnosis.traced import TraceResult

__all__ = ["hum_of", "of_mains", "swings_with"]

_LOW_MAINS_HZ = 125.0  # twice mains
_OWN = 0.1  # of the edges
_MAINS_ORDER = 2  # of pulses: what rectifies gives twice its rate
_WORTH = 0.01  # of the swing, from which on a line is worth a word
_BESIDE = 0.3  # of a line
_SHIFTS = 0.3  # of the swing: as much shifts edges by a period at least, the slowest ones too
_UNEVEN = 0.1  # of a gap
_RUNOUT_PCT = 0.2  # amplitude of a runout that is worth a line


def of_mains(train: PulseTrain, result: TraceResult) -> list[Finding]:
    """Pulses at the rate of mains, or hum on pulses."""
    # Halves of mains may be a little unequal; what has gaps of its own turns.
    is_uneven = train.marks is not None and float(np.ptp(train.marks.gaps)) > _UNEVEN
    is_steady = not train.is_changing and not is_uneven
    if is_steady and mains_of(train.rate_Hz, 0.0, most_order=_MAINS_ORDER):
        return [
            Finding(
                what=f"the rate of {sized(train.rate_Hz, 4)} Hz is that of mains or twice that",
                cause="mains picked up by an open, unshielded or wrongly grounded input, if nothing turns at that rate",
                check="stop what turns: if the pulses stay, they are mains",
            )
        ]
    swing, hum = train.edges.high - train.edges.low, hum_of(train, result)
    if not hum:
        return []
    line, named = hum[0].line, hum[0].name
    is_along = swings_with(train, result) == hum[0]
    along = f", and the period swings with it by ±{sized(train.repeat_pct, 2)} %" if is_along else ""
    images = images_words(line.rate_Hz, result.interval_s)
    alias = f"; or a carrier at {images}, which so many samples a second show as the same line" if images else ""
    return [
        Finding(
            what=f"hum of {named} ({sized(line.rate_Hz, 4)} Hz) on the pulses: "
            + f"±{sized(line.amplitude, 2)} {result.unit}".rstrip()
            + f", {sized(100 * 2 * line.amplitude / swing, 2)} % of the swing{along}",
            cause="mains picked up by the cable or the input: shield, earth loop, supply" + alias,
            check="shield at one end, twisted pair, another route; record again with the mains loads nearby off"
            + ("; at another sampling rate an image moves, mains stay" if images else ""),
        )
    ]


def hum_of(train: PulseTrain, result: TraceResult) -> list[Origin]:
    """Lines of mains that are worth a word, strongest first."""
    least = _WORTH * (train.edges.high - train.edges.low)
    found = [
        each
        for each in result.origins
        if each.name.endswith("mains") and each.line.amplitude > least and not _is_of_wheel(each, train, result)
    ]
    # High multiples alone are a chance; so are lines among those of edges too many, which come at random.
    is_low = any(each.line.rate_Hz < _LOW_MAINS_HZ for each in found)
    is_own = train.extra_n > _OWN * train.counted_n
    return found if is_low and not is_own else []


def _is_of_wheel(origin: Origin, train: PulseTrain, result: TraceResult) -> bool:
    """Whether lines as strong lie a turn of the wheel to either side: one of many that swing with it."""
    if train.wheel is None or not (train.wheel.is_there or train.wheel.weak_at or train.wheel.missing_at):
        return False
    turn_Hz, width_Hz = train.rate_Hz / train.wheel.pulses_n, 1 / result.length_s
    return any(
        abs(abs(each.line.rate_Hz - origin.line.rate_Hz) - turn_Hz) < width_Hz
        and each.line.amplitude > _BESIDE * origin.line.amplitude
        for each in result.origins
    )


def swings_with(train: PulseTrain, result: TraceResult) -> Origin | None:
    """The line, of neither pulses nor wheel, that the period swings with: the pulses sample it."""
    if not train.repeat_pct > _RUNOUT_PCT:
        return None
    if train.wheel is not None and train.wheel.is_there and train.wheel.is_repeated_by(train.repeat_n):
        return None
    off_Hz = train.rate_Hz / max(train.counted_n, 1)
    swing_Hz = train.rate_Hz / train.repeat_n
    # A line of no known origin that is as slow as the swing itself may well be of something that turns.
    others = [
        each
        for each in result.origins
        if each.name.endswith("mains") or (not each.name and each.line.rate_Hz > train.rate_Hz / 2)
    ]
    lines = [each.line for each in result.origins]
    least = _SHIFTS * train.repeat_pct / 100 * (train.edges.high - train.edges.low)
    near = [
        each
        for each in others
        if each.line.amplitude > least
        and abs(alias_Hz(each.line.rate_Hz, 1 / train.rate_Hz) - swing_Hz) < 2 * off_Hz
        and not is_mirrored(each.line, lines, train.rate_Hz, off_Hz)
    ]
    return near[0] if near else None
