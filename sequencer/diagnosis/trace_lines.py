"""Lines of a trace by their origin: pulses, wheel, mains, an inverter; images of the pulses by what these leave."""

import math
from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.noise.bursts import Bursts
from sequencer.diagnosis.noise.comb import (
    is_beaten,
    is_of_pulses,
    is_pattern_own,
    is_swing_own,
    is_swung,
    mirrored,
    stand_alone,
)
from sequencer.diagnosis.noise.inverter import Origin, carrier_of, mains_of, origins, suppressed, wheel_pulses_of
from sequencer.diagnosis.noise.lattice import Carrier, LEAST_CARRIER_Hz, OUTPUT_Hz
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.noise.spectrum import Line, amplitudes, peaks_in, stands_out

__all__ = ["LINES_N", "SHOWN_LINES", "TraceLines", "is_speed_own", "lines_of"]

LINES_N = 400
"""Lines that are looked at."""

SHOWN_LINES = 5
"""Lines of them that are shown."""

_HANN_POWER = 1.5  # times the square of a sine, that its line and those beside it have together
_OWN = 0.1
_JITTERS_PCT = 1.0  # from which on the jitter of the edges is a noise of its own
_TOLD_ORDERS = 40.0  # multiples of the rate of bursts that this is told to as well as to one
_LOUD = 0.1  # of the swing: hash that is as high is worth a word, however weak its lines are
_UNKNOWN_N = 24  # of them that may be an inverter's
_STEADY_PERIODS = 10.0  # that the pulses may lead or lag, up to which their lines are lines
_WORTH = 0.01  # of the swing, from which on a line is worth a word
_SWELLS = 0.8  # of the height of high pulses is that of low ones
_OF_SWING, _BEATING_N = 0.3, 4  # of a swing of height, from which on lines may make it; so many of them, the strongest
_OF_DUE = 0.5  # of the swing that added lines make is one of theirs
_ABOUT_SWING = 3.0  # times its rate, beside its size, that lines of a swing reach from those of the pulses
_ALIKE_N, _ALIKE = 2.0, 0.5  # steps of the spectrum; of the height of a line, that the one on the other side has
_RUNS_PCT = 5.0  # of the period: sidebands of a carrier make it swing by less
_STEPS_N, _OF_STEP = 100_000, 0.5  # samples that the step is found from; of it
_ABOUT = 0.03  # of its rate, that the carrier may lie away from what is counted
_ALL_ORDERS_N = 3  # multiples, of which an inverter has the same sidebands about one or two
_LEAST_TURNS = 2  # from one pulse that is missing to the next
_TURN_WIDTHS = 0.5
_LEAKS = 1e-3  # of the strongest line: leakage and side lobes are no lines of their own
_HANN_WIDE = 1.5  # steps of the spectrum that noise is collected from (Hann window)
_FLANK, _OVER_NOISE = 2.0, 4.0  # half widths that hold most of the power; times noise that its highest peaks reach
_WIDE_N, _RATE_OFF = 1.5, 1e-5  # steps of the spectrum, and of a multiple, that this may lie off


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceLines:
    """Lines of a spectrum.

    Attributes:
        shown: the strongest, strongest first.
        origins: of these, and of others that are no pulses', strongest first.
        carrier: of an inverter; None where none is seen.
        is_alone: that carrier is all there is, whatever is counted as pulses.
        unknown: lines that neither pulses, mains nor an inverter explain, strongest first.
        is_swing_own: what the period swings with is of the pulses, as far as it can be told, and nothing added to them.
        is_height_own: their height swings, and nothing that is added to them makes it so.
    """

    shown: tuple[Line, ...] = ()
    origins: tuple[Origin, ...] = ()
    carrier: Carrier | None = None
    is_alone: bool = False
    unknown: tuple[Line, ...] = ()
    is_swing_own: bool = True
    is_height_own: bool = False


def lines_of(
    grid: tuple[FloatArray, float] | None,
    lines: tuple[Line, ...],
    train: PulseTrain | None,
    interval_s: float,
    bursts: Bursts | None,
    *,
    is_few: bool,
    is_wandering: bool,
) -> TraceLines:
    """Lines by their origin, the carrier of an inverter among those that have none, and what is left.

    Args:
        grid: values at one interval, and that interval; None = there are none, and so no lines.
        lines: the strongest of these.
        train: of the trace; None = there is none.
        interval_s: of the trace.
        bursts: between the pulses; None = there are none.
        is_wandering: the baseline of the pulses moves: noise that has peaks.
        is_few: there are pulses, too few for a train; their lines are told from no others.
    """
    if grid is None:
        return TraceLines()
    length_s = grid[1] * (len(grid[0]) - 1)
    width_Hz = 1 / length_s
    rate_Hz, moved = math.nan, math.nan
    if train is not None:  # every edge too many gives its part
        rate_Hz = train.rate_Hz
        moved = train.edges.height * train.counted_Hz / rate_Hz
    is_steady = (
        train is not None and train.change_pct <= _STEADY_PERIODS / (rate_Hz * length_s) * 100 + train.scatter_pct
    )
    heights, step_Hz = amplitudes(grid[0]), 1 / (len(grid[0]) * grid[1])
    steady = train if is_steady else None
    is_own = steady is None or _is_swing_own(heights, step_Hz, steady)
    turn_Hz = _turn_Hz(train, has_marks=is_own)
    if steady is not None:
        told = _by_comb(lines[:SHOWN_LINES], heights, step_Hz, steady, turn_Hz, is_own=is_own)
    else:
        told = origins(lines, rate_Hz, moved, turn_Hz, width_Hz, interval_s)
    told = _less_smeared(_hums_first(told, train, width_Hz), heights, step_Hz, train)
    is_noisy = is_wandering or (train is not None and train.jitter_pct > max(_JITTERS_PCT, 2 * train.jitter_floor_pct))
    told = _standing_out(told, heights, step_Hz, is_noisy=is_noisy)
    told = _of_bursts_first(told, bursts, width_Hz)
    is_given = train is not None and train.wheel is not None and train.wheel.is_given
    whole = None if is_given else _alone(lines, heights, train, width_Hz, interval_s)
    if whole is not None:  # without pulses there is nothing to be parted from
        return TraceLines(shown=lines[:SHOWN_LINES], origins=told[:_UNKNOWN_N], carrier=whole, is_alone=True)
    if steady is not None:
        pulses_n = wheel_pulses_of([each.line for each in told if not each.name], rate_Hz, width_Hz)
        if pulses_n is not None:
            told = tuple(replace(each, name=each.name or "wheel") for each in told)
    shown = tuple(each for each in told if each.name != "pulses" or each.line in lines[:SHOWN_LINES])[:_UNKNOWN_N]
    added = tuple(each.line for each in told if not each.name)
    found = TraceLines(
        shown=lines[:SHOWN_LINES],
        origins=shown,
        is_swing_own=is_own,
        is_height_own=steady is not None and _is_height_own(heights, step_Hz, steady, added),
    )
    if is_few or (train is not None and steady is None):
        return found  # the lines of the pulses are smeared over those of all else
    # Steps of the digitiser keep time with the pulses: lines of less may well be theirs.
    least = 0.0
    if train is not None:
        steps = np.diff(np.unique(grid[0][:_STEPS_N]))
        least = max(0.5 * _WORTH * (train.edges.high - train.edges.low), _OF_STEP * float(steps.min()))
    hums_Hz = [each.line.rate_Hz for each in told if each.name.endswith("mains") and each.line.amplitude > least]
    unknown = tuple(
        each.line
        for each in told
        if not each.name
        and each.line.amplitude > 0.2 * least
        and not _is_beside(each.line.rate_Hz, rate_Hz, hums_Hz, width_Hz)
    )[:_UNKNOWN_N]
    paired = () if steady is None else _hidden(unknown, heights, step_Hz)
    carrier = carrier_of((*unknown, *paired), rate_Hz, turn_Hz, width_Hz, interval_s)
    if carrier is not None and train is not None and not _is_worth_a_word(carrier, train, least):
        carrier = None
    return replace(found, carrier=carrier, unknown=tuple(each for each in unknown if each.amplitude >= least))


def _hidden(unknown: tuple[Line, ...], heights: FloatArray, step_Hz: float) -> tuple[Line, ...]:
    """Lines that a pulse train hides, as far as those of which they are the other half are seen."""
    rates_Hz = np.array([each.rate_Hz for each in unknown])
    places_Hz = mirrored(rates_Hz, heights, step_Hz, 2 * OUTPUT_Hz[1])
    at = np.round(places_Hz / step_Hz).astype(np.int64)
    return tuple(
        Line(rate_Hz=rate_Hz, amplitude=float(heights[each]))
        for rate_Hz, each in zip(places_Hz.tolist(), at, strict=True)
    )


def _turn_Hz(train: PulseTrain | None, *, has_marks: bool) -> float:
    """How often the wheel turns, by its marks, or by what is missing at even distances; NaN where nothing tells it."""
    if train is None:
        return math.nan
    if has_marks and train.marks is not None:
        return train.rate_Hz / train.marks.every_n
    if train.wheel is not None:
        return train.rate_Hz / train.wheel.pulses_n
    apart_s = np.diff(train.missing_s)
    is_even = len(apart_s) >= _LEAST_TURNS and float(np.ptp(apart_s)) < train.period_s / 2
    return 1 / float(apart_s.mean()) if is_even else math.nan


def _hums_first(told: tuple[Origin, ...], train: PulseTrain | None, width_Hz: float) -> tuple[Origin, ...]:
    """Mains before a wheel that was found by its low pulses: hum makes such too, and is a multiple of its turns."""
    if train is None or train.wheel is None or train.wheel.is_given:
        return told
    hums = {each.line: mains_of(each.line.rate_Hz, width_Hz, most_order=1) for each in told if each.name == "wheel"}
    return tuple(replace(each, name=hums.get(each.line) or each.name) for each in told)


def _of_bursts_first(told: tuple[Origin, ...], bursts: Bursts | None, width_Hz: float) -> tuple[Origin, ...]:
    """With the name of bursts, whose lines lie at multiples of a regular rate, highest about what they ring with.

    Bursts without a rate have a hump of noise there, of which some peak is always highest.
    """
    if bursts is None:
        return told

    def is_theirs(line: Line) -> bool:
        if math.isnan(bursts.every_Hz):
            return False
        order = max(round(line.rate_Hz / bursts.every_Hz), 1)
        return abs(line.rate_Hz - order * bursts.every_Hz) < width_Hz * (1 + order / _TOLD_ORDERS)

    return tuple(replace(each, name="bursts") if not each.name and is_theirs(each.line) else each for each in told)


def _is_swing_own(heights: FloatArray, step_Hz: float, train: PulseTrain) -> bool:
    """Whether the swing of the period, if there is one, is of the pulses themselves."""
    if not train.repeat_pct:
        return True
    if train.marks is not None:
        return is_pattern_own(heights, step_Hz, train.rate_Hz, train.marks.gaps)
    return is_swing_own(heights, step_Hz, train.rate_Hz, train.rate_Hz / train.repeat_n, train.repeat_pct / 100)


def _is_height_own(heights: FloatArray, step_Hz: float, train: PulseTrain, added: tuple[Line, ...]) -> bool:
    """Whether the height of the pulses swings by itself: what is added to them makes them differ too."""
    if not train.height_pct:
        return False
    swing_Hz, share = train.rate_Hz / train.height_n, train.height_pct / 100
    strong = [each for each in added if each.amplitude > _OF_SWING * share * train.edges.height]
    if is_beaten(swing_Hz, [each.rate_Hz for each in strong[:_BEATING_N]], train.rate_Hz, step_Hz):
        return False
    return is_swing_own(heights, step_Hz, train.rate_Hz, swing_Hz, share, is_of_height=True)


def is_speed_own(train: PulseTrain, found: TraceLines, step_Hz: float) -> bool:
    """Whether a swing of the speed is one of the pulses, and not of their edges: lines that are added shift these.

    A line of the amplitude a moves an edge by a over its slope, and the slope is that of the lines of the pulses, which
    are as steep as 2 pi k A of the multiple k at most. A period swings by twice the sine of half a turn of the beat.

    Args:
        train: of the trace.
        found: its lines.
        step_Hz: how near two of them may lie before they are one.
    """
    if not train.swing_pct:
        return True
    swing_Hz = 1 / train.swing_every_s
    steep = sum(
        2 * math.pi * max(round(each.line.rate_Hz / train.rate_Hz), 1) * each.line.amplitude
        for each in found.origins
        if each.name == "pulses"
    )
    others = [each for each in found.origins if each.name != "pulses"]

    def is_added(origin: Origin) -> bool:
        """A speed that swings has lines about those of the pulses (Carson 1922), on both sides of them alike."""
        line = origin.line
        order = round(line.rate_Hz / train.rate_Hz)
        about_Hz = order * train.rate_Hz * train.swing_pct / 100 + _ABOUT_SWING * swing_Hz
        other_Hz = 2 * order * train.rate_Hz - line.rate_Hz
        is_paired = any(
            abs(each.line.rate_Hz - other_Hz) < _ALIKE_N * step_Hz and each.line.amplitude > _ALIKE * line.amplitude
            for each in others
        )
        is_beyond = abs(line.rate_Hz - order * train.rate_Hz) > about_Hz
        is_of_drive = found.carrier is not None and line in found.unknown
        return not is_paired and (is_beyond or is_of_drive or origin.name.endswith("mains"))

    added = sorted((each.line for each in others if is_added(each)), key=lambda each: each.amplitude, reverse=True)
    added = added[:_BEATING_N]
    moved = sum(each.amplitude for each in added) / steep if steep else 0.0
    due_pct = 100 * 2 * math.sin(math.pi * swing_Hz / train.rate_Hz) * moved
    is_beating = is_beaten(swing_Hz, [each.rate_Hz for each in added], train.rate_Hz, step_Hz)
    return due_pct <= _OF_DUE * train.swing_pct or not is_beating


def _is_worth_a_word(carrier: Carrier, train: PulseTrain, least: float) -> bool:
    """Whether an inverter is high enough, and its lines are none of edges that come at random."""
    if train.extra_n > _OWN * train.counted_n:
        return False
    # What rings at each switching is high for moments, and spreads over many lines.
    is_hash = train.edges.hash_height > _LOUD * (train.edges.high - train.edges.low)
    return carrier.amplitude >= least or (is_hash and carrier.height > least)


def _is_beside(line_Hz: float, rate_Hz: float, hums_Hz: list[float], width_Hz: float) -> bool:
    """Whether a line lies as far from those of the pulses as hum does from nought: hum shifts their edges."""
    orders = np.array([(line_Hz + sign * each) / rate_Hz for each in hums_Hz for sign in (-1, 1)])
    return bool((np.abs(orders - np.round(orders)) * rate_Hz < width_Hz).any())


def _less_smeared(
    told: tuple[Origin, ...], heights: FloatArray, step_Hz: float, train: PulseTrain | None
) -> tuple[Origin, ...]:
    """Without lines of no name that are peaks of noise, where jitter makes the lines of the pulses wide.

    Periods that each are off by a share s of their own let the phase wander: the multiple k of the rate f becomes
    noise that is w = pi k^2 s^2 f wide to half of its power on each side, w / (pi (w^2 + d^2)) of it in each Hz at a
    distance d (phase diffusion, from memory).
    """
    if train is None or not train.adding_up_pct:
        return told
    share = train.adding_up_pct / 100

    def is_peak(line: Line) -> bool:
        order = max(round(line.rate_Hz / train.rate_Hz), 1)
        wide_Hz, away_Hz = math.pi * (order * share) ** 2 * train.rate_Hz, line.rate_Hz - order * train.rate_Hz
        first, last = (round((order * train.rate_Hz + sign * _FLANK * wide_Hz) / step_Hz) for sign in (-1, 1))
        power = float((heights[max(first - 1, 0) : last + 2] ** 2).sum()) / _HANN_WIDE
        within = step_Hz * _HANN_WIDE * wide_Hz / (math.pi * (wide_Hz**2 + away_Hz**2))
        return line.amplitude < _OVER_NOISE * math.sqrt(power * min(within, 1.0))

    return tuple(each for each in told if each.name or not is_peak(each.line))


def _standing_out(
    told: tuple[Origin, ...], heights: FloatArray, step_Hz: float, *, is_noisy: bool
) -> tuple[Origin, ...]:
    """Without the name of mains, or without the line in the noise of a wander or of jitter, where it may be a peak."""
    doubtful = [each for each in told if each.name.endswith("mains") or (is_noisy and not each.name)]
    chance = {each.line for each in doubtful if not stands_out(each.line, heights, step_Hz)}
    if is_noisy:
        return tuple(each for each in told if each.line not in chance)
    return tuple(replace(each, name="") if each.line in chance else each for each in told)


def _alone(
    lines: tuple[Line, ...], heights: FloatArray, train: PulseTrain | None, width_Hz: float, interval_s: float
) -> Carrier | None:
    """The carrier of an inverter where there is nothing else, and its own swings may be counted as pulses.

    They swell and fade, as no wheel's do.
    """
    whole = suppressed(lines, float(heights[1:] @ heights[1:]) / _HANN_POWER, width_Hz)
    if whole is not None or train is None:
        return whole
    low, high = np.quantile(train.edges.rises, (0.2, 0.8))  # a low tooth or two are no swelling
    # A speed that runs up sweeps over many lines, and its pulses grow with it.
    is_running = train.is_changing and train.change_pct > _RUNS_PCT
    if is_running or low > _SWELLS * high or train.rate_Hz < LEAST_CARRIER_Hz:
        return None
    within_Hz = (1 - _ABOUT) * train.rate_Hz, (1 + _ABOUT) * train.rate_Hz
    found = carrier_of(lines[:_UNKNOWN_N], math.nan, math.nan, width_Hz, interval_s, within_Hz=within_Hz)
    if found is None or not found.is_of(train.rate_Hz) or _is_of_a_wheel(found, lines, width_Hz):
        return None
    return found


def _is_of_a_wheel(carrier: Carrier, lines: tuple[Line, ...], width_Hz: float) -> bool:
    """Whether the same sidebands lie about one multiple after the other, as of pulses that are modulated as one."""
    rates_Hz = np.array([each.rate_Hz for each in lines])

    def is_about_all(side: int) -> bool:
        return all(
            bool(
                (np.abs(rates_Hz - order * carrier.rate_Hz - sign * side * carrier.output_Hz) < order * width_Hz).any()
            )
            for order in range(1, _ALL_ORDERS_N + 1)
            for sign in (-1, 1)
        )

    return any(is_about_all(side) for side in carrier.sides)


def _by_comb(
    lines: tuple[Line, ...], heights: FloatArray, step_Hz: float, train: PulseTrain, turn_Hz: float, *, is_own: bool
) -> tuple[Origin, ...]:
    """Lines of a steady train: those of its pulses come again a pulse rate away, those that are added do not.

    Args:
        lines: that are shown.
        heights: of the spectrum from 0.
        step_Hz: from one of these to the next.
        train: of the trace.
        turn_Hz: how often its wheel turns; NaN = not known.
        is_own: the swing of the period is of the pulses themselves.
    """
    rate_Hz = train.rate_Hz
    rates_Hz, sizes = peaks_in(heights, 1 / step_Hz)
    orders = np.round(rates_Hz / rate_Hz)
    # A line so near nought is a wander of the pulses' own level.
    is_whole = np.abs(rates_Hz - orders * rate_Hz) <= _WIDE_N * step_Hz + _RATE_OFF * orders * rate_Hz
    is_whole &= (orders > 0) & ~stand_alone(rates_Hz, heights, step_Hz, rate_Hz)
    is_wheel = np.abs(rates_Hz - np.round(rates_Hz / turn_Hz) * turn_Hz) < _TURN_WIDTHS * step_Hz
    is_wheel &= ~is_whole
    if train.repeat_pct and is_own:
        is_whole |= is_swung(rates_Hz, heights, step_Hz, rate_Hz, rate_Hz / train.repeat_n, train.repeat_pct / 100)
    is_pulses = is_whole | (is_of_pulses(rates_Hz, heights, step_Hz, rate_Hz) & ~is_wheel)
    # The same peak, found twice, may differ in its last digits.
    near_Hz = (
        np.abs(rates_Hz[:, None] - [each.rate_Hz for each in lines]) if lines else np.full((len(rates_Hz), 1), np.inf)
    )
    shown = near_Hz.min(axis=1) < step_Hz / 2
    strongest = np.argsort(-sizes, kind="stable")
    strongest = strongest[sizes[strongest] > _LEAKS * sizes.max(initial=0.0)]
    kept = strongest[~is_pulses[strongest] | shown[strongest]][:LINES_N]

    def name_of(at: int) -> str:
        if is_pulses[at]:
            return "pulses"
        return "wheel" if is_wheel[at] else mains_of(float(rates_Hz[at]), step_Hz)

    def line_of(at: int) -> Line:
        if shown[at]:
            return lines[int(np.argmin(near_Hz[at]))]
        return Line(rate_Hz=float(rates_Hz[at]), amplitude=float(sizes[at]))

    return tuple(Origin(line=line_of(at), name=name_of(at)) for at in kept.tolist())
