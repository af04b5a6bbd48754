"""What is said of a pulse train and of a drive in a trace: what is seen, its usual cause, the next check."""

from dataclasses import dataclass

from instruments.texts import sized
from sequencer.diagnosis.noise.edges import Edges
from sequencer.diagnosis.noise.inverter import Carrier, Origin, is_mirrored, mains_of, place_of
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.noise.sines import alias_Hz
from sequencer.diagnosis.noise.spectrum import Line
from sequencer.diagnosis.noise.wheel import CHANCE
from sequencer.diagnosis.traced import TraceResult

__all__ = ["Finding", "counter_words", "line_names", "of_drive", "of_train", "time_words", "times_words"]

_LOW_MAINS_HZ = 185.0  # three times mains
_OWN = 0.1  # of the edges
_MAINS_ORDER = 2  # of pulses: what rectifies gives twice its rate
_LOUD = 0.25  # of the swing, from which on hash is worth a word
_WORTH = 0.01  # of the swing, from which on a line is worth a word
_UPPER_BAND = 0.25  # of the sampling rate, from which on a line may well be an image
_OVER_HUM = 1.2  # times the hum from peak to peak: bursts that are no higher are its tops
_SHIFTS = 0.3  # of the swing: as much shifts edges by a period at least, the slowest ones too
_QUIET = 0.05  # of the swing
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
    if result.carrier is not None and result.carrier.is_of(train.rate_Hz):
        return []  # all that is counted is an inverter's
    return [
        *_extra(train, pulses_n),
        *_missing(train, pulses_n, result),
        *_of_speed(train),
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
                what=f"contact bounce: {sized(train.bounce.bounces_n, 2)} edges too many at a pulse, over at most "
                f"{time_words(train.bounce.lasts_s)}; a counter shows {train.counted_Hz:.6g} instead of "
                f"{train.rate_Hz:.6g} Hz",
                cause="a contact (reed, relay, switch) that opens and closes again before it rests",
                check=f"debounce: take an edge once it lasted {time_words(1.5 * train.bounce.lasts_s)}, which must be "
                f"shorter than the contact rests ({time_words(_narrow_s(train))}); a worn contact bounces longer",
            )
        ]
    share = train.extra_n / pulses_n
    many = f"{sized(100 * share, 2)} % of the pulses" if share < 1 else f"{sized(share, 2)} a pulse"
    return [
        Finding(
            what=f"double counts: {train.extra_n} edges too many ({many}), "
            f"{time_words(train.extra_after_s)} after the true one ({times_words(train.extra_s)}); "
            f"a counter shows {train.counted_Hz:.6g} Hz",
            cause="ringing or noise on a slow edge, and too little hysteresis in the input",
            check="more hysteresis or a filter, a terminated cable, shield at one end; then count again",
        )
    ]


def _of_speed(train: PulseTrain) -> list[Finding]:
    if not train.is_changing:
        return []
    way = "rises" if train.ends_Hz > train.begins_Hz else "falls"
    return [
        Finding(
            what=f"the speed changes while it is recorded: the rate {way} from {train.begins_Hz:.4g} to "
            f"{train.ends_Hz:.4g} Hz, by {sized(train.change_pct, 2)} % in all; {train.rate_Hz:.4g} Hz is its mean",
            cause="what turns runs up or down, or is regulated",
            check="record at a steady speed if it should be one; jitter and wheel are told about the changing speed",
        )
    ]


def _narrow_s(train: PulseTrain) -> float:
    """Time of the shorter state of a pulse."""
    return min(train.duty, 1 - train.duty) * train.period_s


def _of_mains(train: PulseTrain, result: TraceResult) -> list[Finding]:
    if not train.is_changing and mains_of(train.rate_Hz, 0.0, most_order=_MAINS_ORDER):
        return [
            Finding(
                what=f"the rate of {train.rate_Hz:.4g} Hz is that of mains or twice that",
                cause="mains picked up by an open, unshielded or wrongly grounded input, if nothing turns at that rate",
                check="stop what turns: if the pulses stay, they are mains",
            )
        ]
    swing, hum = train.edges.high - train.edges.low, _hum(train, result)
    if not hum:
        return []
    line, named = hum[0].line, hum[0].name
    is_along = _swings_with(train, result) == hum[0]
    along = f", and the period swings with it by ±{sized(train.repeat_pct, 2)} %" if is_along else ""
    return [
        Finding(
            what=f"hum of {named} ({line.rate_Hz:.4g} Hz) on the pulses: "
            + f"±{sized(line.amplitude, 2)} {result.unit}".rstrip()
            + f", {sized(100 * 2 * line.amplitude / swing, 2)} % of the swing{along}",
            cause="mains picked up by the cable or the input: shield, earth loop, supply",
            check="shield at one end, twisted pair, another route; record again with the mains loads nearby off",
        )
    ]


def _hum(train: PulseTrain, result: TraceResult) -> list[Origin]:
    """Lines of mains that are worth a word, strongest first."""
    least = _WORTH * (train.edges.high - train.edges.low)
    found = [each for each in result.origins if each.name.endswith("mains") and each.line.amplitude > least]
    # High multiples alone are a chance; so are lines among those of edges too many, which come at random.
    is_low = any(each.line.rate_Hz < _LOW_MAINS_HZ for each in found)
    is_own = train.extra_n > _OWN * train.counted_n
    return found if is_low and not is_own else []


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
    least = _SHIFTS * train.repeat_pct / 100 * (train.edges.high - train.edges.low)
    near = [
        each
        for each in others
        if each.line.amplitude > least
        and abs(alias_Hz(each.line.rate_Hz, 1 / train.rate_Hz) - swing_Hz) < 2 * off_Hz
        and not is_mirrored(each.line, lines, train.rate_Hz, off_Hz)
    ]
    return near[0] if near else None


def _of_wheel(train: PulseTrain, result: TraceResult) -> list[Finding]:
    found = []
    wheel = train.wheel
    # Hum makes low pulses that come again; only a wheel that is known is told from it.
    is_hum = wheel is not None and not wheel.is_given and bool(_hum(train, result))
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
    along = _swings_with(train, result)
    turns = wheel is not None and wheel.is_there and not wheel.weak_at and along is None and not is_hum
    # Where a revolution is a whole number of samples, the sampling has its pattern too.
    turn_n = 0.0 if wheel is None else wheel.pulses_n / train.rate_Hz / train.edges.interval_s
    is_locked = wheel is not None and abs(turn_n - round(turn_n)) * wheel.revolutions_n < 1
    least_pct = max(_RUNOUT_PCT, _sampling_pct(train) if is_locked else 0.0)
    is_out = wheel is not None and wheel.runout_probability < CHANCE and wheel.runout_pct > least_pct
    is_uneven = wheel is not None and wheel.spread_probability < CHANCE and wheel.spread_pct > _sampling_pct(train)
    if wheel is not None and turns and is_out:
        found.append(
            Finding(
                what=f"once a revolution the period swings by ±{sized(wheel.runout_pct, 2)} % "
                f"({wheel.pulses_n} pulses a revolution)",
                cause="an eccentric or loose wheel, or a shaft that is bent or out of line",
                check="dial gauge on the wheel; count over whole revolutions and it cancels",
            )
        )
    if wheel is not None and turns and is_uneven:
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
                check=_advice(train, result),
            )
        )
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


def _sampling_pct(train: PulseTrain) -> float:
    """What the sampling alone may displace an edge by, % of the period."""
    return 100 * train.edges.timing_s / train.period_s


def _of_hash(train: PulseTrain, result: TraceResult) -> list[Finding]:
    found, unit = [], f" {result.unit}" if result.unit else ""
    between = result.hash
    if between is not None and between.ringing_s:
        found.append(
            Finding(
                what=f"ringing after the edges: {sized(between.after_edges, 2)}{unit} peak to peak, for about "
                f"{time_words(between.ringing_s)}; between the pulses {sized(between.height, 2)}{unit}",
                cause="a cable that is not terminated, a long earth lead of the probe, an inductance with no damping",
                check=_advice(train, result),
            )
        )
    hum = 2 * sum(each.line.amplitude for each in result.origins if each.name.endswith("mains"))
    is_hum = between is not None and between.burst_height < _OVER_HUM * hum
    if between is not None and between.bursts_s and result.carrier is None and not is_hum:
        found.append(
            Finding(
                what=f"bursts between the pulses, up to {sized(between.burst_height, 2)}{unit} peak to peak "
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
            f"lower threshold below {sized(low)}{unit}, upper above {sized(high)}{unit}{about} (hysteresis of "
            f"{_ENOUGH:g} times the hash; the pulses leave room for "
            f"{sized(room / max(edges.hash_height, 1e-300), 2)} times)"
        )
    swing_s = edges.filter_s or (_FILTER * result.hash.swing_s if result.hash is not None else 0.0)
    if 0 < swing_s < _narrow_s(train):
        said.append(
            f"a filter of {time_words(swing_s)}, which costs "
            f"{sized(100 * swing_s / _narrow_s(train), 2)} % of the pulse"
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
            2 * train.edges.hash_height / train.edges.height
            if result.hash is None
            else (2 * result.hash.height / train.edges.height)
        )
        left = (
            f"; what comes there has {sized(100 * result.gap_share, 2)} % of the height of the rest"
            if result.gap_share > max(least, _WORTH)
            else ""
        )
        return [
            Finding(
                what=f"{'a pulse is' if many == 1 else f'{many} pulses are'} missing once in {train.wheel.pulses_n} "
                f"pulses, at the same place each time ({train.missing_n} in all): {sized(share, 2)} % low{left}",
                cause="a missing or damaged tooth or mark, or one left out on purpose as an index",
                check="look at the wheel; if it is an index, scale with the pulses that come",
            )
        ]
    return [
        Finding(
            what=f"missing pulses: {train.missing_n} ({sized(share, 2)} % of the pulses; "
            f"{times_words(train.missing_s)})",
            cause="amplitude or width below what the input needs: gap of the pickup, threshold, loose connection",
            check="set the gap; look at amplitude and threshold at the lowest speed; flex the cable while recording",
        )
    ]


def of_drive(result: TraceResult) -> list[Finding]:
    """Lines of an inverter, and lines that may be images."""
    found, carrier = [], result.carrier
    if carrier is not None:
        found.append(
            Finding(
                what=_carrier_words(carrier, result),
                cause="the pulse-width modulation of a drive, coupled into pickup, cable or supply",
                check="record with the drive off and compare (livezero trace off.csv on.csv); change the carrier "
                "frequency, and the lines move; shielded motor cable, output filter, another route",
            )
        )
    high = [each for each in result.unknown if each.rate_Hz * result.interval_s > _UPPER_BAND]
    # Edges that jump from sample to sample have images of their own; hash on slow ones only looks like it.
    edges = None if result.train is None else result.train.edges
    is_jumping = edges is not None and edges.timing_s > _JUMPS * result.interval_s
    is_coarse = is_jumping and edges is not None and edges.hash_height < _QUIET * (edges.high - edges.low)
    if high and carrier is None and not is_coarse:
        sampling_Hz = 1 / result.interval_s
        found.append(
            Finding(
                what=f"the lines at {', '.join(f'{each.rate_Hz:.5g}' for each in high[:_SHOWN])} Hz may be images of "
                f"faster ones ({sampling_Hz - high[0].rate_Hz:.5g}, {sampling_Hz + high[0].rate_Hz:.5g} Hz ...)",
                cause="something faster than half the sampling rate, such as the carrier of an inverter",
                check=f"record faster than {sized(4 * sampling_Hz)} samples a second, or at another rate: images move",
            )
        )
    return found


def _carrier_words(carrier: Carrier, result: TraceResult) -> str:
    unit, train = f" {result.unit}" if result.unit else "", result.train
    multiples = ", ".join(f"{each * carrier.rate_Hz:.4g}" for each in carrier.orders if each > 1)
    also = f" and its multiples ({multiples} Hz)" if multiples else ""
    is_all = train is not None and carrier.is_of(train.rate_Hz)
    sides = (
        f"with sidebands of twice the output frequency of {sized(carrier.output_Hz)} Hz"
        if carrier.sides
        else f"with sidebands that {time_words(result.length_s)} do not part"
    )
    return (
        f"lines of an inverter: carrier of {carrier.rate_Hz:.5g} Hz{also}, {sides}, up to "
        f"±{sized(carrier.amplitude, 2)}{unit}"
        + ("; what is counted as pulses is the carrier itself" if is_all else "")
    )


def counter_words(edges: Edges, unit: str) -> str:
    """Thresholds, and what was done to the trace before they were set."""
    return (
        f"thresholds {sized(edges.lower)} and {sized(edges.upper)}{unit and f' {unit}'}"
        + (f", about a baseline that moves by {sized(edges.baseline, 2)}" if edges.baseline else "")
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
    if carrier is not None and carrier.sides:
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
            return f"{sized(time_s * factor)} {unit}"
    return f"{sized(time_s * 1e9)} ns"
