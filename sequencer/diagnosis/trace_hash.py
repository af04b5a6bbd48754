"""What is said of what lies between the pulses of a trace: ringing, bursts, hash, and thresholds against them."""

from instruments.texts import sized
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.trace_mains import hum_of
from sequencer.diagnosis.trace_words import Finding, time_words, times_words
from sequencer.diagnosis.traced import TraceResult

__all__ = ["advice", "narrow_s", "of_hash", "of_wander"]

_LOUD = 0.25  # of the swing, from which on hash is worth a word
_OVER_HUM = 1.2  # times the hum from peak to peak: bursts that are no higher are its tops
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
    if between is not None and between.ringing_s:
        found.append(
            Finding(
                what=f"ringing after the edges: {sized(between.after_edges, 2)}{unit} peak to peak, for about "
                f"{time_words(between.ringing_s)}; between the pulses {sized(between.height, 2)}{unit}",
                cause="a cable that is not terminated, a long earth lead of the probe, an inductance with no damping",
                check=advice(train, result),
            )
        )
    hum = 2 * sum(each.line.amplitude for each in result.origins if each.name.endswith("mains"))
    is_hum = between is not None and between.burst_height < _OVER_HUM * hum
    is_left = between is not None and _are_left_of_pulses(between.bursts_s, train)
    if between is not None and between.bursts_s and result.carrier is None and not is_hum and not is_left:
        found.append(
            Finding(
                what=f"bursts between the pulses, up to {sized(between.burst_height, 2)}{unit} peak to peak "
                f"({times_words(between.bursts_s)}): not tied to the edges",
                cause="something that switches: a drive, a relay, a solenoid, coupled into the cable",
                check=advice(train, result),
            )
        )
    bare_n = result.bare_n or 0
    is_filtered = train.edges.filter_s > 0
    is_loud = train.edges.hash_height > _LOUD * (train.edges.high - train.edges.low)
    is_said = between is not None and between.ringing_s > 0
    if is_filtered or bare_n > 1.002 * train.counted_n + 1 or (is_loud and not is_said):
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
