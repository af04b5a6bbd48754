"""What is said of a pulse train and of a drive in a trace: what is seen, its usual cause, the next check."""

from dataclasses import dataclass

import numpy as np

from sequencer.diagnosis.noise.edges import Edges
from sequencer.diagnosis.noise.inverter import Origin, is_mirrored, place_of
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.noise.sines import alias_Hz
from sequencer.diagnosis.noise.spectrum import Line
from sequencer.diagnosis.traced import TraceResult

__all__ = ["Finding", "counter_words", "line_names", "of_drive", "of_train", "time_words", "times_words"]

_MAINS_HZ = (50.0, 60.0, 100.0, 120.0)
_MAINS_OFF = 0.004
_LOUD = 0.25  # of the swing, from which on hash is worth a word
_WORTH = 0.01  # of the swing, from which on a line is worth a word
_UPPER_BAND = 0.25  # of the sampling rate, from which on a line may well be an image
_JUMPS = 0.3  # of an interval that sampling may displace an edge by
_ENOUGH = 1.5  # times the hash: hysteresis that is proposed
_MOST_ROOM = 0.9  # of the room between bottoms and tops that hysteresis may take
_FILTER = 3.0  # times the longest swing of hash that a filter is proposed to last
_RUNOUT_PCT = 0.2  # amplitude of a runout that is worth a line
_SHOWN = 3
_MOST_ORDER = 40
_NEAR = 0.004  # of a frequency: as near as grids hold theirs


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing seen: what it is, what causes it, what to check next."""

    what: str
    cause: str = ""
    check: str = ""


def of_train(train: PulseTrain, result: TraceResult) -> list[Finding]:
    """What is wrong with the pulses and the wheel, and what lies between the pulses."""
    pulses_n = max(round(train.rate_Hz * result.length_s), 1)
    return [
        *_extra(train, pulses_n),
        *_missing(train, pulses_n, result),
        *_of_mains(train, result),
        *_of_wheel(train, result),
        *_of_hash(train, result),
    ]


def _extra(train: PulseTrain, pulses_n: int) -> list[Finding]:
    if not train.extra_n:
        return []
    if train.bounce is not None:
        return [
            Finding(
                what=f"contact bounce: {train.bounce.bounces_n:.2g} edges too many at a pulse, over at most "
                f"{time_words(train.bounce.lasts_s)}; a counter shows {train.counted_Hz:.6g} instead of "
                f"{train.rate_Hz:.6g} Hz",
                cause="a contact (reed, relay, switch) that opens and closes again before it rests",
                check=f"debounce: take an edge once it lasted {time_words(1.5 * train.bounce.lasts_s)}, which must be "
                f"shorter than the contact rests ({time_words(_narrow_s(train))}); a worn contact bounces longer",
            )
        ]
    share = train.extra_n / pulses_n
    many = f"{100 * share:.2g} % of the pulses" if share < 1 else f"{share:.2g} a pulse"
    return [
        Finding(
            what=f"double counts: {train.extra_n} edges too many ({many}), "
            f"{time_words(train.extra_after_s)} after the true one ({times_words(train.extra_s)}); "
            f"a counter shows {train.counted_Hz:.6g} Hz",
            cause="ringing or noise on a slow edge, and too little hysteresis in the input",
            check="more hysteresis or a filter, a terminated cable, shield at one end; then count again",
        )
    ]


def _narrow_s(train: PulseTrain) -> float:
    """Time of the shorter state of a pulse."""
    return min(train.duty, 1 - train.duty) * train.period_s


def _of_mains(train: PulseTrain, result: TraceResult) -> list[Finding]:
    mains_Hz = next((each for each in _MAINS_HZ if abs(train.rate_Hz / each - 1) < _MAINS_OFF), None)
    if mains_Hz is not None:
        return [
            Finding(
                what=f"the rate of {train.rate_Hz:.4g} Hz is that of mains or twice that",
                cause="mains picked up by an open, unshielded or wrongly grounded input, if nothing turns at that rate",
                check="stop what turns: if the pulses stay, they are mains",
            )
        ]
    swing = train.edges.high - train.edges.low
    hum = [each for each in result.origins if each.name.endswith("mains") and each.line.amplitude > _WORTH * swing]
    if not hum:
        return []
    line, named = hum[0].line, hum[0].name
    is_along = _swings_with(train, result) == hum[0]
    along = f", and the period swings with it by ±{train.repeat_pct:.2g} %" if is_along else ""
    return [
        Finding(
            what=f"hum of {named} ({line.rate_Hz:.4g} Hz) on the pulses: ±{line.amplitude:.2g} {result.unit}".rstrip()
            + f", {100 * 2 * line.amplitude / swing:.2g} % of the swing{along}",
            cause="mains picked up by the cable or the input: shield, earth loop, supply",
            check="shield at one end, twisted pair, another route; record again with the mains loads nearby off",
        )
    ]


def _swings_with(train: PulseTrain, result: TraceResult) -> Origin | None:
    """The line, of neither pulses nor wheel, that the period swings with: the pulses sample it."""
    if not train.repeat_pct > _RUNOUT_PCT:
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
    near = [
        each
        for each in others
        if abs(alias_Hz(each.line.rate_Hz, 1 / train.rate_Hz) - swing_Hz) < 2 * off_Hz
        and not is_mirrored(each.line, lines, train.rate_Hz, off_Hz)
    ]
    return near[0] if near else None


def _of_wheel(train: PulseTrain, result: TraceResult) -> list[Finding]:
    found = []
    wheel = train.wheel
    if wheel is not None and wheel.weak_at:
        many = len(wheel.weak_at)
        found.append(
            Finding(
                what=f"{'a pulse comes' if many == 1 else f'{many} pulses come'} with {100 * wheel.weakest:.2g} % of "
                f"the height of the rest, at the same place each time, once in {wheel.pulses_n} pulses",
                cause="a worn, bent or chipped tooth or a weak mark, or a wheel out of true",
                check="look at the wheel; at a lower speed or a wider gap this pulse is lost first",
            )
        )
    along = _swings_with(train, result)
    turns = wheel is not None and wheel.is_there and not wheel.weak_at and along is None
    if wheel is not None and turns and wheel.runout_pct > max(_RUNOUT_PCT, _sampling_pct(train)):
        found.append(
            Finding(
                what=f"once a revolution the period swings by ±{wheel.runout_pct:.2g} % "
                f"({wheel.pulses_n} pulses a revolution)",
                cause="an eccentric or loose wheel, or a shaft that is bent or out of line",
                check="dial gauge on the wheel; count over whole revolutions and it cancels",
            )
        )
    elif wheel is not None and turns and wheel.spread_pct > _sampling_pct(train):
        found.append(
            Finding(
                what=f"the period differs by {wheel.spread_pct:.2g} % from tooth to tooth, alike each revolution",
                cause="teeth or marks that are not evenly spaced",
                check="count over whole revolutions and it cancels",
            )
        )
    elif along is not None and not along.name:
        found.append(
            Finding(
                what=f"the period swings by ±{train.repeat_pct:.2g} % with the line at {along.line.rate_Hz:.5g} Hz, "
                "which shifts the edges",
                cause="interference on the pulses, nothing that turns",
                check=_advice(train, result),
            )
        )
    elif train.repeat_pct > _RUNOUT_PCT and along is None:
        found.append(
            Finding(
                what=f"the period swings by ±{train.repeat_pct:.2g} % about every {train.repeat_n:.3g} pulses",
                cause="something that turns or is regulated at that rate; a wheel if it has so many pulses",
                check="give --pulses-per-revolution, or record at another speed: what turns along stays",
            )
        )
    return found


def _sampling_pct(train: PulseTrain) -> float:
    """What the sampling alone may displace an edge by, % of the period."""
    return 100 * train.edges.timing_s / train.period_s


def _of_hash(train: PulseTrain, result: TraceResult) -> list[Finding]:
    found, unit = [], f" {result.unit}" if result.unit else ""
    between = result.hash
    if between is not None and between.ringing_s:
        found.append(
            Finding(
                what=f"ringing after the edges: {between.after_edges:.2g}{unit} peak to peak, for about "
                f"{time_words(between.ringing_s)}; between the pulses {between.height:.2g}{unit}",
                cause="a cable that is not terminated, a long earth lead of the probe, an inductance with no damping",
                check=_advice(train, result),
            )
        )
    if between is not None and between.bursts_s and result.carrier is None:
        found.append(
            Finding(
                what=f"bursts between the pulses, up to {between.burst_height:.2g}{unit} peak to peak "
                f"({times_words(between.bursts_s)}): not tied to the edges",
                cause="something that switches: a drive, a relay, a solenoid, coupled into the cable",
                check=_advice(train, result),
            )
        )
    bare_n = result.bare_n or 0
    is_filtered = train.edges.filter_s > 0
    is_loud = train.edges.hash_height > _LOUD * (train.edges.high - train.edges.low)
    is_said = between is not None and between.ringing_s > 0
    if is_filtered or bare_n > 1.002 * train.counted_n + 1 or (is_loud and not is_said):
        height = f"hash of {train.edges.hash_height:.2g}{unit} peak to peak"
        if is_filtered:
            what = f"{height} is as high as the pulses: no thresholds alone count them right"
        elif bare_n > train.counted_n:
            what = f"a counter without hysteresis would count {bare_n} instead of {train.counted_n} edges: {height}"
        else:
            share = 100 * train.edges.hash_height / (train.edges.high - train.edges.low)
            what = f"{height} is {share:.2g} % of the swing: without hysteresis it is counted sooner or later"
        found.append(
            Finding(
                what=what,
                cause="noise on the edges as they pass the middle",
                check=_advice(train, result),
            )
        )
    return found


def _advice(train: PulseTrain, result: TraceResult) -> str:
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
            f"lower threshold below {low:.3g}{unit}, upper above {high:.3g}{unit}{about} (hysteresis of "
            f"{_ENOUGH:g} times the hash; the pulses leave room for {room / max(edges.hash_height, 1e-300):.2g} times)"
        )
    swing_s = edges.filter_s or (_FILTER * result.hash.swing_s if result.hash is not None else 0.0)
    if 0 < swing_s < _narrow_s(train):
        said.append(
            f"a filter of {time_words(swing_s)}, which costs {100 * swing_s / _narrow_s(train):.2g} % of the pulse"
        )
    return (
        ", or ".join(said) if said else "less noise at the source: neither thresholds nor a filter part it from pulses"
    )


def _missing(train: PulseTrain, pulses_n: int, result: TraceResult) -> list[Finding]:
    if not train.missing_n:
        return []
    share = 100 * train.missing_n / pulses_n
    if train.wheel is not None and train.wheel.missing_at:
        many = len(train.wheel.missing_at)
        least = (
            2 * train.edges.hash_height / float(np.median(train.edges.heights))
            if result.hash is None
            else (2 * result.hash.height / float(np.median(train.edges.heights)))
        )
        left = (
            f"; what comes there has {100 * result.gap_share:.2g} % of the height of the rest"
            if result.gap_share > max(least, _WORTH)
            else ""
        )
        return [
            Finding(
                what=f"{'a pulse is' if many == 1 else f'{many} pulses are'} missing once in {train.wheel.pulses_n} "
                f"pulses, at the same place each time ({train.missing_n} in all): {share:.2g} % low{left}",
                cause="a missing or damaged tooth or mark, or one left out on purpose as an index",
                check="look at the wheel; if it is an index, scale with the pulses that come",
            )
        ]
    return [
        Finding(
            what=f"missing pulses: {train.missing_n} ({share:.2g} % of the pulses; {times_words(train.missing_s)})",
            cause="amplitude or width below what the input needs: gap of the pickup, threshold, loose connection",
            check="set the gap; look at amplitude and threshold at the lowest speed; flex the cable while recording",
        )
    ]


def of_drive(result: TraceResult) -> list[Finding]:
    """Lines of an inverter, and lines that may be images."""
    found, unit = [], f" {result.unit}" if result.unit else ""
    carrier = result.carrier
    if carrier is not None:
        multiples = ", ".join(f"{each * carrier.rate_Hz:.4g}" for each in carrier.orders if each > 1)
        also = f" and its multiples ({multiples} Hz)" if multiples else ""
        found.append(
            Finding(
                what=f"lines of an inverter: carrier of {carrier.rate_Hz:.5g} Hz{also}, with sidebands of twice the "
                f"output frequency of {carrier.output_Hz:.3g} Hz, up to ±{carrier.amplitude:.2g}{unit}",
                cause="the pulse-width modulation of a drive, coupled into pickup, cable or supply",
                check="record with the drive off and compare (livezero trace off.csv on.csv); change the carrier "
                "frequency, and the lines move; shielded motor cable, output filter, another route",
            )
        )
    high = [each for each in result.unknown if each.rate_Hz * result.interval_s > _UPPER_BAND]
    # Edges that jump from sample to sample have images of their own.
    is_coarse = result.train is not None and result.train.edges.timing_s > _JUMPS * result.interval_s
    if high and carrier is None and not is_coarse:
        sampling_Hz = 1 / result.interval_s
        found.append(
            Finding(
                what=f"the lines at {', '.join(f'{each.rate_Hz:.5g}' for each in high[:_SHOWN])} Hz may be images of "
                f"faster ones ({sampling_Hz - high[0].rate_Hz:.5g}, {sampling_Hz + high[0].rate_Hz:.5g} Hz ...)",
                cause="something faster than half the sampling rate, such as the carrier of an inverter",
                check=f"record faster than {4 * sampling_Hz:.3g} samples a second, or at another rate: images move",
            )
        )
    return found


def counter_words(edges: Edges, unit: str) -> str:
    """Thresholds, and what was done to the trace before they were set."""
    return (
        f"thresholds {edges.lower:.3g} and {edges.upper:.3g}{unit and f' {unit}'}"
        + (f", about a baseline that moves by {edges.baseline:.2g}" if edges.baseline else "")
        + (f", after a mean over {time_words(edges.filter_s)}" if edges.filter_s else "")
    )


def line_names(result: TraceResult) -> tuple[str, ...]:
    """What each main line is by its frequency: pulses, wheel, mains, inverter, a multiple; "" if none of them."""
    origins = {each.line.rate_Hz: each.name for each in result.origins}
    return tuple(_line_name(line, origins, result) for line in result.lines)


def _line_name(line: Line, origins: dict[float, str], result: TraceResult) -> str:
    name, train, carrier = origins.get(line.rate_Hz, ""), result.train, result.carrier
    if name == "pulses" and train is not None:
        order = _order(line.rate_Hz, train.rate_Hz)
        return "the pulses" if order == 1 else f"{order} x the pulses" if order else "an image of the pulses"
    strongest_Hz = result.lines[0].rate_Hz
    multiple = _order(line.rate_Hz, strongest_Hz)
    # The fifth of ten a second lies at 50 Hz too.
    is_own = train is None and not origins.get(strongest_Hz)
    if name and not (is_own and multiple > 1):
        return name
    if carrier is not None:
        place = place_of(line.rate_Hz, carrier.rate_Hz, carrier.output_Hz, 1 / result.length_s, result.interval_s)
        if place is not None:
            return _inverter_name(*place)
    return f"{multiple} x line 1" if multiple > 1 else ""


def _inverter_name(order: int, side: int) -> str:
    carrier = "the carrier" if order == 1 else f"{order} x the carrier"
    output = "its output" if abs(side) == 1 else f"{abs(side)} x its output"
    return f"{carrier} of an inverter" + (f" {'+' if side > 0 else '-'} {output}" if side else "")


def _order(rate_Hz: float, first_Hz: float) -> int:
    """Which multiple of a frequency another one is; 0 if none."""
    order = round(rate_Hz / first_Hz)
    return order if 1 <= order <= _MOST_ORDER and abs(rate_Hz / (order * first_Hz) - 1) < _NEAR else 0


def times_words(times_s: tuple[float, ...]) -> str:
    """The first times of some."""
    said = ", ".join(f"{each:.5g}" for each in times_s[:_SHOWN])
    return f"at {said} s{' ...' if len(times_s) > _SHOWN else ''}"


def time_words(time_s: float) -> str:
    """A time in s, ms, us or ns."""
    for factor, unit in ((1.0, "s"), (1e3, "ms"), (1e6, "us")):
        if time_s * factor >= 0.9995:
            return f"{time_s * factor:.3g} {unit}"
    return f"{time_s * 1e9:.3g} ns"
