"""What a trace from an oscilloscope is: a pulse train with its faults, or noise with its kind; origin of its lines.

A trace in, one typed result out; no instrument, no file, no words.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.noise.bounces import Bounce, closings_of
from sequencer.diagnosis.noise.burst import LEAST_N, BurstNoise, noise_of
from sequencer.diagnosis.noise.bursts import Bursts
from sequencer.diagnosis.noise.edges import Edges, rising_edges, unrecorded
from sequencer.diagnosis.noise.hash import Hash, hash_of
from sequencer.diagnosis.noise.inverter import Origin, mains_of
from sequencer.diagnosis.noise.lattice import Carrier
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.noise.rhythm import LEAST_N as LEAST_EDGES
from sequencer.diagnosis.noise.spectrum import Line, evenly, main_lines, without_wander
from sequencer.diagnosis.noise.wild import wild_samples, without_wild
from sequencer.diagnosis.trace_edges import Given, Pulsed, given_of, pulses_by, pulses_in
from sequencer.diagnosis.trace_lines import LINES_N, SHOWN_LINES, TraceLines, is_speed_own, lines_of
from sequencer.readings.waveform import TraceFile

__all__ = ["TraceResult", "trace_result"]

_BY_LEVELS = {"intermittent contact", "bursts to one side", "periodic disturbance", "quantisation flicker", "unknown"}
_MOST_SQUARES = 0.5  # of a trace: lines that have so much of them are what it is
_BLOCKS = 4096  # means that a long trace is looked at as
_CLIPPED = 0.01  # share of samples on the last level from which a top is called flat
_FEW_LEVELS = 16  # of a logic analyser: flat by nature
_COARSE = 2.5  # steps of the digitiser, up to which hash is its last digit
_COARSE_LEVELS = 1024
_BETWEEN = 0.2  # of the samples that lie between the ends
_SLOPED = 0.35  # of the slope halfway
_LEAPS = 0.15  # of the span: as far between two samples is a leap
_RARE, _DIGITS = 1e-3, 0.01  # of the samples; of the level
_LEVELS_N = 100_000  # samples that the step of the digitiser is found from
_PART_N = 2**16  # samples that are looked at together


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceResult:
    """What one trace says.

    Attributes:
        name: of the column or channel.
        unit: of the values, "" if none was written.
        samples_n: used.
        left_out_n: without a number.
        lacking_n: that the file speaks of, and does not hold: it was cut off.
        length_s: from first to last sample.
        interval_s: median from sample to sample.
        is_even: one interval as far as the spectrum looks, a few samples lacking; only then is there a spectrum.
        lowest: of the values.
        highest: of the values.
        mean: of the values.
        sd: of the values.
        clipped_pct: samples on a flat top or bottom where the trace seems cut off; 0 if it does not.
        train: None where there is no pulse train, then `no_train` says why.
        given: thresholds that were given; None where they are found.
        bounce: of a contact whose closings are too few, or at no regular rate; None where there is none.
        hum_moved: from end to end, by hum that was taken out before pulses were found; 0 = none was.
        bare_n: rising edges that a counter without hysteresis would count; None without edges.
        noise: of the trace as readings, where there is no train; None where it is flat or too short.
        block_n: samples for each reading of `noise`: their mean, or the first.
        edges: as thresholds find them; None where there are none.
        hash: between the pulses; None without a train, or without any.
        gap_share: height of what comes where a pulse is missing, as a share of the others; NaN where none is.
        wild_s: when samples lie far outside all others; they are left out of all but lowest and highest.
        lines: strongest first.
        origins: of these, and of others that are no pulses', strongest first.
        carrier: of an inverter; None where none is seen.
        unknown: lines that neither pulses, mains nor an inverter explain, strongest first.
        is_swing_own: False where the period swings and no line of the pulses does: what is added shifts their edges.
        is_speed_own: False where their speed swings by no more than added lines shift edges.
        is_height_own: their height swings, and nothing that is added to them makes it so.
        unrecorded_n: stretches without samples in between.
        unrecorded_s: how long these are together.
        is_flat: one level throughout, but for the last digits.
    """

    name: str
    unit: str
    samples_n: int
    left_out_n: int
    lacking_n: int
    length_s: float
    interval_s: float
    is_even: bool
    lowest: float
    highest: float
    mean: float
    sd: float
    clipped_pct: float
    train: PulseTrain | None
    no_train: str
    given: Given | None
    bounce: Bounce | None
    hum_moved: float
    bare_n: int | None
    noise: BurstNoise | None
    block_n: int
    edges: Edges | None
    hash: Hash | None
    gap_share: float
    wild_s: tuple[float, ...]
    lines: tuple[Line, ...]
    origins: tuple[Origin, ...]
    carrier: Carrier | None
    unknown: tuple[Line, ...]
    is_swing_own: bool
    is_speed_own: bool
    is_height_own: bool
    unrecorded_n: int
    unrecorded_s: float
    is_flat: bool


def trace_result(
    trace: TraceFile,
    *,
    pulses_per_revolution: int | None = None,
    lower: float | None = None,
    upper: float | None = None,
) -> TraceResult:
    """Analyse a trace.

    Args:
        trace: as read.
        pulses_per_revolution: of the wheel; None = not known.
        lower: threshold that arms, in the unit of the trace; None = found.
        upper: threshold that counts; None = found.
    """
    wild = wild_samples(trace.values)
    values, times_s = without_wild(trace.values, wild), trace.times_s
    grid = evenly(values, times_s)
    lines = () if grid is None else main_lines(*grid, most=LINES_N)
    given = given_of(values, times_s, (lower, upper), lines)
    if given is None:
        pulsed = pulses_in(values, times_s, lines, pulses_per_revolution=pulses_per_revolution)
    else:
        limits = given.lower, given.upper
        pulsed = pulses_by(values, times_s, limits, pulses_per_revolution=pulses_per_revolution)
    edges, train, reason = pulsed.edges, pulsed.train, pulsed.no_train
    bounce = None
    if train is None and edges is not None:
        end_s = edges.begin_s + edges.length_s
        bounce = closings_of(edges.rising_s, edges.falling_s, edges.begin_s, end_s)
    is_few = edges is not None and (len(edges.rising_s) < LEAST_EDGES or bounce is not None)
    if given is not None and not given.is_inside and train is None:
        reason = "thresholds that do not lie in the trace count none"
    is_flat = train is None and not is_few and _is_last_digits(values)
    between = None if train is None else hash_of(pulsed.values, times_s, train.edges)
    bursts = None if between is None else between.bursts
    found = _lines(pulsed, times_s, grid, lines, trace.interval_s, bursts, is_few=is_few)
    is_of_carrier = train is None and not is_few and found.carrier is not None and _is_of_lines(lines, values)
    if found.is_alone or is_of_carrier:
        # The lines of the carrier say what it is, and no noise has to.
        train, reason = None, "what swings is the carrier of an inverter, and no pulses are seen beside it"
    noise, block_n = None, 1
    if train is None and not (found.is_alone or is_of_carrier or is_few or is_flat):
        noise, block_n = _as_readings(values, times_s, trace.unit)
    gaps_s = unrecorded(times_s)
    return TraceResult(
        name=trace.name,
        unit=trace.unit,
        samples_n=len(trace.values),
        left_out_n=trace.left_out_n,
        lacking_n=trace.lacking_n,
        length_s=float(times_s[-1] - times_s[0]),
        interval_s=trace.interval_s,
        is_even=grid is not None,
        lowest=float(trace.values.min()),
        highest=float(trace.values.max()),
        mean=float(values.mean()),
        sd=_sd(values),
        clipped_pct=_clipped_pct(values, trace.ends, edges),
        train=train,
        no_train=reason,
        given=given,
        bounce=bounce,
        hum_moved=pulsed.hum_moved,
        bare_n=None if edges is None else _bare_n(values, times_s, edges),
        noise=noise,
        block_n=block_n,
        edges=edges,
        hash=between if train is not None else None,
        gap_share=math.nan if train is None else _gap_share(pulsed.values, times_s, train),
        wild_s=tuple(float(each) for each in trace.times_s[wild]),
        lines=found.shown,
        origins=found.origins,
        carrier=found.carrier,
        unknown=found.unknown,
        is_swing_own=found.is_swing_own,
        is_speed_own=train is None or is_speed_own(train, found, 1 / float(times_s[-1] - times_s[0])),
        is_height_own=found.is_height_own,
        unrecorded_n=len(gaps_s),
        unrecorded_s=float(np.diff(gaps_s).sum()),
        is_flat=is_flat,
    )


def _lines(
    pulsed: Pulsed,
    times_s: FloatArray,
    grid: tuple[FloatArray, float] | None,
    lines: tuple[Line, ...],
    interval_s: float,
    bursts: Bursts | None,
    *,
    is_few: bool,
) -> TraceLines:
    """Lines by their origin; of a trace that was steadied before its pulses were found, without what was taken out."""
    train, shown = pulsed.train, lines[:SHOWN_LINES]
    is_wandering = train is not None and train.edges.baseline > 0 and not pulsed.hums
    if grid is not None and pulsed.hums:
        grid = evenly(pulsed.values, times_s)
    elif grid is not None and train is not None and is_wandering:
        # What wanders has lines of its own, and more of them about those of the pulses.
        grid = without_wander(*grid, least_s=1 / train.rate_Hz), grid[1]
    if grid is not None and (pulsed.hums or is_wandering):
        lines = main_lines(*grid, most=LINES_N)
    found = lines_of(grid, lines, train, interval_s, bursts, is_few=is_few, is_wandering=is_wandering)
    if not pulsed.hums:
        return found
    width_Hz = 1 / float(times_s[-1] - times_s[0])
    hums = (Origin(line=each, name=mains_of(each.rate_Hz, width_Hz)) for each in pulsed.hums)
    return replace(found, shown=shown, origins=(*hums, *found.origins))


def _bare_n(values: FloatArray, times_s: FloatArray, edges: Edges) -> int | None:
    """Rising edges at the middle between the thresholds; None where it does not lie in the trace."""
    middle = (edges.lower + edges.upper) / 2
    if not values.min() < middle < values.max():
        return None
    return len(rising_edges(values, times_s, middle, middle))


def _gap_share(values: FloatArray, times_s: FloatArray, train: PulseTrain) -> float:
    """Height of what comes in the place of a pulse that is missing, as a share of a pulse; NaN where none is."""
    if not train.missing_s:
        return math.nan
    found = []
    for at_s in train.missing_s:
        begin, end = np.searchsorted(times_s, (at_s + 0.7 * train.period_s, at_s + 1.6 * train.period_s))
        if end - begin > 2:
            # From the edge before to the one after the trace rests, then comes what there is.
            found.append(float(np.ptp(values[begin:end])))
    return float(np.median(found)) / train.edges.height if found else math.nan


def _as_readings(values: FloatArray, times_s: FloatArray, unit: str) -> tuple[BurstNoise | None, int]:
    """The noise of a trace, of means of neighbouring samples where it is long; None where it is flat or short."""
    block_n = math.ceil(len(values) / _BLOCKS)
    whole = len(values) // block_n * block_n
    y, t = (each[:whole].reshape(-1, block_n).mean(axis=1) for each in (values, times_s))
    if len(y) < LEAST_N or np.ptp(y) == 0:
        return None, block_n
    resolution = float(np.diff(np.unique(values)).min()) if block_n == 1 else 0.0
    aperture_s = float(np.median(np.diff(t))) if block_n > 1 else 0.0
    of_means = noise_of(y, t, unit=unit, resolution=resolution, aperture_s=aperture_s)
    if block_n > 1 and of_means.best.kind in {*_BY_LEVELS, "random telegraph"}:
        # A mean across a jump lies on no level: samples tell jumps between two from what is lost or thrown.
        of_samples = noise_of(values[:whole:block_n], times_s[:whole:block_n], unit=unit)
        if of_samples.best.kind == "random telegraph":
            return of_samples, block_n
    return of_means, block_n


def _is_of_lines(lines: tuple[Line, ...], values: FloatArray) -> bool:
    """Whether lines are most of what moves, by their squares."""
    return sum(each.amplitude**2 for each in lines) / 2 > _MOST_SQUARES * _sd(values) ** 2


def _sd(values: FloatArray) -> float:
    """Standard deviation, n, in parts: numpy's own takes as much room again as the trace."""
    mean = values.mean()
    parts = (values[start : start + _PART_N] - mean for start in range(0, len(values), _PART_N))
    return math.sqrt(sum(float(part @ part) for part in parts) / len(values))


def _clipped_pct(values: FloatArray, ends: tuple[float, float] | None, edges: Edges | None) -> float:
    """Samples on a flat end, %: at the end of the format, or piled up on the last of many levels.

    Pulses whose hash is not seen, since the digitiser is coarse, pile up on both levels by nature.
    """
    lowest, highest = values.min(), values.max()
    may_pile = not _has_few_levels(values) and not (edges is not None and _is_coarse(values, highest - lowest, edges))
    found = 0.0
    for end, last, before in (
        (0, lowest, values.min(where=values > lowest, initial=highest)),
        (1, highest, values.max(where=values < highest, initial=lowest)),
    ):
        last_n, before_n = np.count_nonzero(values == last), np.count_nonzero(values == before)
        is_format_end = ends is not None and last == ends[end]
        is_pile = may_pile and last_n > _CLIPPED * len(values) and last_n > 10 * before_n
        if is_pile or (is_format_end and last_n > 1):
            found += 100 * last_n / len(values)
    return found


def _is_coarse(values: FloatArray, span: float, edges: Edges) -> bool:
    """Whether hash is no more than the last digits of a digitiser of few levels, and the pulses are of two levels."""
    steps = np.diff(np.unique(values[:: -(-len(values) // _LEVELS_N)]))
    step = float(steps.min()) if len(steps) else 0.0
    if edges.hash_height > _COARSE * step or step * _COARSE_LEVELS < span:
        return False
    return not _is_cut(values[:_LEVELS_N])


def _is_cut(values: FloatArray) -> bool:
    """Whether a trace spends its time between its ends too, and comes to them with the slope that it has between.

    What has two levels leaps from one to the other, or comes to them slower and slower.
    """
    low, high = float(values.min()), float(values.max())
    is_end = (values == low) | (values == high)
    moves = np.abs(np.diff(values))
    is_inside = ~is_end[1:] & ~is_end[:-1]
    comes = ~is_end[:-2] & ~is_end[1:-1] & is_end[2:]  # the step before the one that the end cuts short
    if is_end.mean() > 1 - _BETWEEN or not is_inside.any() or not comes.any():
        return False
    middle = np.abs((values[1:] + values[:-1]) / 2 - (low + high) / 2) < (high - low) / 4
    across = moves[is_inside & middle]
    if not len(across):
        return False
    slope = float(np.median(across))
    return float(np.median(moves[:-1][comes])) > _SLOPED * slope and slope < _LEAPS * (high - low)


def _is_last_digits(values: FloatArray) -> bool:
    """One level, or so few of the digitiser, and those about one the most often, that nothing but digits moves."""
    if not _has_few_levels(values):
        return False
    levels, counts = np.unique(values, return_counts=True)
    span = float(np.ptp(levels))
    ways = np.sign(np.diff(counts[counts > _RARE * len(values)]))
    is_one_hump = bool((np.diff(ways) <= 0).all()) and len(ways) > 1
    return span == 0 or is_one_hump or span < _DIGITS * abs(float(values.mean()))


def _has_few_levels(values: FloatArray) -> bool:
    """Whether there are no more levels than a logic analyser has; a trace of many tells it by its first samples."""
    levels = values[:1]
    for start in range(0, len(values), _PART_N):
        levels = np.union1d(levels, values[start : start + _PART_N])
        if len(levels) > _FEW_LEVELS:
            return False
    return True
