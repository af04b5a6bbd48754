"""Lines of a trace by their origin: pulses, wheel, mains, an inverter; images of the pulses by what these leave."""

import math
from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.noise.inverter import (
    Carrier,
    LEAST_CARRIER_Hz,
    Origin,
    carrier_of,
    is_mirrored,
    mains_of,
    origins,
    wheel_pulses_of,
)
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.noise.residue import residue_of
from sequencer.diagnosis.noise.rhythm import rhythm_of
from sequencer.diagnosis.noise.spectrum import Line, amplitudes, lines_in, stands_out

__all__ = ["LINES_N", "SHOWN_LINES", "TraceLines", "lines_of"]

LINES_N = 400
"""Lines that are looked at."""

SHOWN_LINES = 5
"""Lines of them that are shown."""

_OWN = 0.1
_UNKNOWN_N = 24  # of them that may be an inverter's
_STEADY_PERIODS = 10.0  # that the pulses may lead or lag, up to which their lines are lines
_WORTH = 0.01  # of the swing, from which on a line is worth a word
_SWELLS = 0.8  # of the height of high pulses is that of low ones
_STEPS_N, _OF_STEP = 100_000, 0.5  # samples that the step is found from; of it
_LONE = 5.0  # times as strong as the next line
_ABOUT = 0.03  # of its rate, that the carrier may lie away from what is counted
_TURN_WIDTHS = 0.5
_STANDS = 0.35  # of its amplitude: what is left without the pulses, from which on a line is none of theirs


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceLines:
    """Lines of a spectrum.

    Attributes:
        shown: the strongest, strongest first.
        origins: of these, and of others that are no pulses', strongest first.
        carrier: of an inverter; None where none is seen.
        is_alone: what is counted as pulses is that carrier.
        unknown: lines that neither pulses, mains nor an inverter explain, strongest first.
    """

    shown: tuple[Line, ...] = ()
    origins: tuple[Origin, ...] = ()
    carrier: Carrier | None = None
    is_alone: bool = False
    unknown: tuple[Line, ...] = ()


def lines_of(
    grid: tuple[FloatArray, float] | None,
    lines: tuple[Line, ...],
    begin_s: float,
    train: PulseTrain | None,
    interval_s: float,
    *,
    is_few: bool,
    is_wandering: bool,
) -> TraceLines:
    """Lines by their origin, the carrier of an inverter among those that have none, and what is left.

    Args:
        grid: values at one interval, and that interval; None = there are none, and so no lines.
        lines: the strongest of these.
        begin_s: when the first of them was taken.
        train: of the trace; None = there is none.
        interval_s: of the trace.
        is_wandering: the baseline of the pulses moves: noise that has peaks.
        is_few: there are pulses, too few for a train; their lines are told from no others.
    """
    if grid is None:
        return TraceLines()
    length_s = grid[1] * (len(grid[0]) - 1)
    width_Hz = 1 / length_s
    rate_Hz, turn_Hz, moved = math.nan, math.nan, math.nan
    if train is not None:  # every edge too many gives its part
        rate_Hz = train.rate_Hz
        moved = train.edges.height * train.counted_Hz / rate_Hz
        turn_Hz = rate_Hz / train.wheel.pulses_n if train.wheel is not None else math.nan
    told = origins(lines, rate_Hz, moved, turn_Hz, width_Hz, interval_s)
    if train is not None and train.wheel is not None and not train.wheel.is_given:
        # Hum makes low pulses that come again, and so a wheel that it is a multiple of.
        hums = {each.line: mains_of(each.line.rate_Hz, width_Hz, most_order=1) for each in told if each.name == "wheel"}
        told = tuple(replace(each, name=hums.get(each.line) or each.name) for each in told)
    told = _standing_out(told, grid, is_wandering=is_wandering)
    whole = None if train is None else _alone(lines, train, width_Hz, interval_s)
    if whole is not None:  # without pulses there is nothing to be parted from
        return TraceLines(shown=lines[:SHOWN_LINES], origins=told[:_UNKNOWN_N], carrier=whole, is_alone=True)
    is_steady = (
        train is not None and train.change_pct <= _STEADY_PERIODS / (rate_Hz * length_s) * 100 + train.jitter_pct
    )
    if train is not None and is_steady:
        told = _without_pulses(told, grid, begin_s, train, width_Hz)
        pulses_n = wheel_pulses_of([each.line for each in told if not each.name], rate_Hz, width_Hz)
        if pulses_n is not None:
            told = tuple(replace(each, name=each.name or "wheel") for each in told)
    shown = tuple(each for each in told if each.name != "pulses" or each.line in lines[:SHOWN_LINES])[:_UNKNOWN_N]
    found = TraceLines(shown=lines[:SHOWN_LINES], origins=shown)
    if is_few or (train is not None and not is_steady):
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
    # Edges too many that come at random have a spectrum of their own.
    is_own = train is not None and train.extra_n > _OWN * train.counted_n
    # A lone line shifts the edges of pulses, and so has weak ones about: no sidebands.
    is_lone = train is not None and len(unknown) > 1 and unknown[0].amplitude > _LONE * unknown[1].amplitude
    carrier = None if is_own or is_lone else carrier_of(unknown, rate_Hz, turn_Hz, width_Hz, interval_s)
    if carrier is not None and carrier.amplitude < least:
        carrier = None
    return replace(found, carrier=carrier, unknown=tuple(each for each in unknown if each.amplitude >= least))


def _is_beside(line_Hz: float, rate_Hz: float, hums_Hz: list[float], width_Hz: float) -> bool:
    """Whether a line lies as far from those of the pulses as hum does from nought: hum shifts their edges."""
    orders = np.array([(line_Hz + sign * each) / rate_Hz for each in hums_Hz for sign in (-1, 1)])
    return bool((np.abs(orders - np.round(orders)) * rate_Hz < width_Hz).any())


def _standing_out(
    told: tuple[Origin, ...], grid: tuple[FloatArray, float], *, is_wandering: bool
) -> tuple[Origin, ...]:
    """Without the name of mains, or without the line where the baseline wanders, where it may be a peak of noise."""
    doubtful = [each for each in told if each.name.endswith("mains") or (is_wandering and not each.name)]
    if not doubtful:
        return told
    heights, step_Hz = amplitudes(grid[0]), 1 / (len(grid[0]) * grid[1])
    chance = {each.line for each in doubtful if not stands_out(each.line, heights, step_Hz)}
    if is_wandering:
        return tuple(each for each in told if each.line not in chance)
    return tuple(replace(each, name="") if each.line in chance else each for each in told)


def _alone(lines: tuple[Line, ...], train: PulseTrain, width_Hz: float, interval_s: float) -> Carrier | None:
    """The carrier of an inverter where there is nothing else, and its own swings are what is counted as pulses.

    They swell and fade, as no wheel's do.
    """
    low, high = np.quantile(train.edges.rises, (0.2, 0.8))  # a low tooth or two are no swelling
    is_given = train.wheel is not None and train.wheel.is_given
    # A speed that runs up sweeps over many lines, and its pulses grow with it.
    if is_given or train.is_changing or low > _SWELLS * high or train.rate_Hz < LEAST_CARRIER_Hz:
        return None
    for off_Hz in (2 * width_Hz, _ABOUT * train.rate_Hz):
        within_Hz = train.rate_Hz - off_Hz, train.rate_Hz + off_Hz
        found = carrier_of(lines[:_UNKNOWN_N], math.nan, math.nan, width_Hz, interval_s, within_Hz=within_Hz)
        if found is not None and found.is_of(train.rate_Hz):
            return found
    return None


def _without_pulses(
    told: tuple[Origin, ...], grid: tuple[FloatArray, float], begin_s: float, train: PulseTrain, width_Hz: float
) -> tuple[Origin, ...]:
    """Lines that stand in what the pulses leave are none of theirs, and those that do not are images of them."""
    values, interval_s = grid
    turn_Hz = train.rate_Hz / train.wheel.pulses_n if train.wheel is not None else 0.0
    edges, rate_Hz = train.edges, train.rate_Hz
    rhythm = rhythm_of(edges.rising_s, edges.falling_s, edges.unrecorded_s)
    times_s: FloatArray = np.arange(len(values), dtype=np.float64)
    times_s *= interval_s
    times_s += begin_s
    pulses_n = train.wheel.pulses_n if train.wheel is not None and train.wheel.is_there else 1
    left = residue_of(values, times_s, rhythm, timing_s=edges.timing_s, pulses_n=pulses_n)
    if left is None:  # all of it is edges
        return tuple(each if each.name else replace(each, name="pulses") for each in told)
    residue, is_known = left
    share = float(is_known.mean())
    del times_s, left, is_known  # a spectrum needs the room
    heights = amplitudes(residue)
    own = lines_in(heights, len(residue) * interval_s, most=LINES_N)
    heights /= share
    lines = [each.line for each in told]

    def named(line: Line, name: str) -> str:
        order = round(line.rate_Hz / rate_Hz)
        if name == "wheel" or (order > 0 and abs(line.rate_Hz - order * rate_Hz) <= width_Hz):
            return name
        at = round(line.rate_Hz * interval_s * len(values))
        if not len(heights) or heights[max(at - 1, 0) : at + 2].max() < _STANDS * line.amplitude:
            return "pulses"
        # Whatever swings with the pulses has lines to either side of theirs.
        return "" if is_mirrored(line, lines, rate_Hz, width_Hz) else mains_of(line.rate_Hz, width_Hz)

    renamed = [Origin(line=each.line, name=named(each.line, each.name)) for each in told]
    others = [each.line.rate_Hz for each in renamed if each.name != "pulses"]
    for line in own:
        order = round(line.rate_Hz / rate_Hz)
        is_pulses = order > 0 and abs(line.rate_Hz - order * rate_Hz) <= width_Hz
        if not is_pulses and not any(abs(line.rate_Hz - each) <= width_Hz for each in others):
            real = Line(rate_Hz=line.rate_Hz, amplitude=line.amplitude / share)
            away_Hz = abs(line.rate_Hz - round(line.rate_Hz / turn_Hz) * turn_Hz) if turn_Hz else line.rate_Hz
            name = "wheel" if away_Hz < _TURN_WIDTHS * width_Hz else mains_of(line.rate_Hz, width_Hz)
            renamed.append(Origin(line=real, name=name))
    return tuple(sorted(renamed, key=lambda each: -each.line.amplitude))
