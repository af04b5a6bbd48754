"""What is said of what lies between the pulses of a trace: ringing, bursts, hash, and thresholds against them."""

import math

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.bursts import Bursts
from sequencer.diagnosis.noise.hash import Hash
from sequencer.diagnosis.noise.inverter import mains_of
from sequencer.diagnosis.noise.locked import Ringing
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.trace_mains import hum_of
from sequencer.diagnosis.trace_words import Finding, time_words, times_words
from sequencer.diagnosis.traced import TraceResult

__all__ = ["advice", "narrow_s", "of_hash", "of_wander"]

_LOUD = 0.25  # of the swing, from which on hash is worth a word
_SAID = 0.8  # of the hash: ringing or bursts that are as high are the hash
_MAINS_ORDER = 6  # times a period of mains, that a rectifier of three phases switches
_OVER_HUM = 1.2  # times the hum from peak to peak: bursts that are no higher are its tops
_SAME_RATE, _OF_RINGING = 0.3, 0.5  # off what rings lie lines that make it; of its height, that they reach
_BESIDE = 2.0  # widths of a line off a multiple of the pulses
_WANDERS = 0.5  # of the height of a pulse, from which on a baseline that moves is worth a word
_ENOUGH = 1.5  # times the hash: hysteresis that is proposed
_MOST_ROOM = 0.9  # of the room between bottoms and tops that hysteresis may take
_MOST_COST = 0.5  # of the pulse: a filter that takes more loses the pulses that are narrower than the rest
_FILTER = 3.0  # times the longest swing of hash that a filter is proposed to last


def of_wander(train: PulseTrain, result: TraceResult) -> list[Finding]:
    """A baseline that moves so far that fixed thresholds lose pulses, or count at another place of each."""
    edges, unit = train.edges, f" {result.unit}" if result.unit else ""
    if edges.baseline < _WANDERS * edges.height or train.is_changing or hum_of(train, result):
        return []
    return [
        Finding(
            what=f"the baseline wanders by {sized(edges.baseline, 2)}{unit}, "
            f"{sized(100 * edges.baseline / edges.height, 2)} % of the height of a pulse; the pulses are counted about "
            "it, and fixed thresholds lose some",
            cause="a direct voltage that drifts: supply, temperature, a gap that changes, a capacitor that charges",
            check="couple the input by a capacitor, or by one that is smaller; find what moves as slowly as this",
        )
    ]


def of_hash(train: PulseTrain, result: TraceResult) -> list[Finding]:
    """Ringing, bursts, and hash that is loud beside the pulses."""
    found, unit = [], f" {result.unit}" if result.unit else ""
    between = result.hash
    ringing = None if between is None or _is_of_lines(between.ringing, train, result) else between.ringing
    bursts = None if between is None or not _are_bursts(between, train, result) else between.bursts
    said = max(0.0 if ringing is None else ringing.height, 0.0 if bursts is None else bursts.highest)
    bare_n = result.bare_n or 0
    is_bare = bare_n > 1.002 * train.counted_n + 1
    bare = f"; a counter without hysteresis would count {bare_n} instead of {train.counted_n} edges" if is_bare else ""
    is_of_bursts = bursts is not None and bursts.highest >= said
    if between is not None and ringing is not None:
        found.append(
            Finding(
                what=f"ringing after the edges: {sized(ringing.height, 2)}{unit} peak to peak at "
                f"{sized(ringing.rate_Hz, 2)} Hz, for about {time_words(ringing.lasts_s)}; between the pulses "
                f"{sized(between.height, 2)}{unit}" + ("" if is_of_bursts else bare),
                cause="a cable that is not terminated, a long earth lead of the probe, an inductance with no damping",
                check=advice(train, result),
            )
        )
    if bursts is not None:
        found.append(_of_bursts(bursts, train, result, bare if is_of_bursts else ""))
    is_filtered = train.edges.filter_s > 0
    is_loud = train.edges.hash_height > _LOUD * (train.edges.high - train.edges.low)
    is_said = said > _SAID * train.edges.hash_height
    if is_filtered or ((is_bare or is_loud) and not is_said):
        height = f"hash of {sized(train.edges.hash_height, 2)}{unit} peak to peak"
        if is_filtered:
            what = f"{height} is as high as the pulses: no thresholds alone count them right"
        elif bare_n > train.counted_n:
            what = f"a counter without hysteresis would count {bare_n} instead of {train.counted_n} edges: {height}"
        else:
            share = 100 * train.edges.hash_height / (train.edges.high - train.edges.low)
            what = f"{height} is {sized(share, 2)} % of the swing: without hysteresis it is counted sooner or later"
        found.append(
            Finding(
                what=what,
                cause="noise on the edges as they pass the middle",
                check=advice(train, result),
            )
        )
    return found


def _is_of_lines(ringing: Ringing | None, train: PulseTrain, result: TraceResult) -> bool:
    """Whether what follows edges is what makes them come: a carrier passes the threshold where it goes the same way.

    Its lines lie beside the multiples of the pulses, those of what rings on them.
    """
    if ringing is None:
        return False
    added = (each.line for each in result.origins if not each.name)
    near = [
        each
        for each in added
        if abs(each.rate_Hz - ringing.rate_Hz) < _SAME_RATE * ringing.rate_Hz
        and abs(each.rate_Hz - round(each.rate_Hz / train.rate_Hz) * train.rate_Hz) > _BESIDE / result.length_s
    ]
    return 2 * sum(each.amplitude for each in near) > _OF_RINGING * ringing.height


def _of_bursts(bursts: Bursts, train: PulseTrain, result: TraceResult, bare: str) -> Finding:
    """Bursts: how often they come, how high they are, what they ring with, and what a counter makes of them.

    Args:
        bursts: between the edges.
        train: of the trace.
        result: of the trace.
        bare: what a counter without hysteresis makes of them.
    """
    unit = f" {result.unit}" if result.unit else ""
    if mains_of(bursts.every_Hz, 0.0, most_order=_MAINS_ORDER):
        often = f"{sized(bursts.every_Hz)} a second, in step with mains"
        cause = "something that switches in step with mains: a dimmer, a rectifier, a thyristor controller"
    elif not math.isnan(bursts.every_Hz):
        often = f"{sized(bursts.every_Hz)} a second, regularly"
        cause = "the switching of a drive or of a switched supply at that rate, coupled into pickup or cable"
    else:
        often = f"about {sized(bursts.per_s, 2)} a second" if bursts.bursts_n > 1 else "one"
        cause = "something that switches: a drive, a relay, a solenoid, coupled into the cable"
    edges = train.edges
    if train.extra_n:
        counts = f"of {train.extra_n} edges too many {_in_bursts_n(bursts, train)} lie in them"
    elif edges.filter_s:
        counts = f"only after a mean over {time_words(edges.filter_s)} they are not counted"
    else:
        counts = f"with thresholds {sized(edges.lower)} and {sized(edges.upper)}{unit} none of them is counted"
    return Finding(
        what=f"bursts between the pulses, {often}, up to {sized(bursts.highest, 2)}{unit} peak to peak, of about "
        f"{sized(bursts.rings_Hz, 2)} Hz for {time_words(bursts.lasts_s)} ({times_words(bursts.at_s)}): "
        f"not tied to the edges; {counts}{bare}",
        cause=cause,
        check=advice(train, result),
    )


def _in_bursts_n(bursts: Bursts, train: PulseTrain) -> int:
    """Edges too many that lie in bursts, as far as both are listed, of all of them."""
    starts_s, extra_s = np.array(bursts.at_s), np.array(train.extra_s)
    extra_s = extra_s[extra_s < starts_s[-1] + bursts.lasts_s] if bursts.bursts_n > len(starts_s) else extra_s
    if not len(extra_s):
        return 0
    away_s = extra_s[:, None] - starts_s
    around_s = bursts.lasts_s + 1 / bursts.rings_Hz
    share = float((np.abs(away_s) < 2 * around_s).any(axis=1).mean())
    return round(share * train.extra_n)


def _are_bursts(between: Hash, train: PulseTrain, result: TraceResult) -> bool:
    """Whether bursts are none of hum's tops, and not what is left of a worn tooth."""
    if between.bursts is None:
        return False
    hum = 2 * sum(each.line.amplitude for each in result.origins if each.name.endswith("mains"))
    return between.bursts.highest >= _OVER_HUM * hum and not _are_left_of_pulses(between.bursts.at_s, train)


def _are_left_of_pulses(bursts_s: tuple[float, ...], train: PulseTrain) -> bool:
    """Whether all bursts come where a pulse is missing at the same place each time: what is left of a worn tooth."""
    if train.wheel is None or not train.wheel.missing_at:
        return False
    longest_s = (len(train.wheel.missing_at) + 1) * train.period_s
    return all(any(0 < at_s - from_s < longest_s for from_s in train.missing_s) for at_s in bursts_s)


def advice(train: PulseTrain, result: TraceResult) -> str:
    """Thresholds with their margin, and the filter that does as much."""
    edges, unit = train.edges, f" {result.unit}" if result.unit else ""
    room = edges.lowest_top - edges.highest_bottom
    needed = _ENOUGH * edges.hash_height
    said = []
    if not edges.filter_s and needed < _MOST_ROOM * room:
        middle = (edges.lowest_top + edges.highest_bottom) / 2
        low, high = middle - needed / 2, middle + needed / 2
        about = " about the baseline, which moves" if edges.baseline else ""
        said.append(
            f"lower threshold below {sized(low)}{unit}, upper above {sized(high)}{unit}{about} (hysteresis of "
            f"{_ENOUGH:g} times the hash; the pulses leave room for "
            f"{sized(room / max(edges.hash_height, 1e-300), 2)} times)"
        )
    swing_s = edges.filter_s or (_FILTER * result.hash.swing_s if result.hash is not None else 0.0)
    if 0 < swing_s < _MOST_COST * narrow_s(train):
        said.append(
            f"a filter of {time_words(swing_s)}, which costs {sized(100 * swing_s / narrow_s(train), 2)} % of the pulse"
        )
    return (
        ", or ".join(said) if said else "less noise at the source: neither thresholds nor a filter part it from pulses"
    )


def narrow_s(train: PulseTrain) -> float:
    """Time of the shorter state of a pulse."""
    return min(train.duty, 1 - train.duty) * train.period_s
