"""What a page shows of a trace: envelope, a detail, one period over all others, intervals, spectrum, averaging, counts.

Each view is as small as a drawing needs it, whatever the length of the trace. Nothing is drawn here.
"""

import math
from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray
from instruments.texts import sized
from sequencer.diagnosis.noise.averaging import averaging
from sequencer.diagnosis.noise.rhythm import LEAST_N, Rhythm
from sequencer.diagnosis.noise.spectrum import amplitudes, evenly
from sequencer.diagnosis.noise.wild import wild_samples, without_wild
from sequencer.diagnosis.trace_words import counter_words
from sequencer.diagnosis.waveform import TraceResult
from sequencer.readings.waveform import TraceFile

__all__ = ["AllanView", "Counted", "Detail", "Folded", "Outline", "TraceViews", "trace_views"]

_COLUMNS_N = 640
_FOLD_COLUMNS, _FOLD_ROWS = 150, 60
_FOLD_SAMPLES = 400_000
_BEFORE = 0.25  # of a period, shown before the edge; as much as that follows the period
_DETAIL_PERIODS = (2.5, 5.5)  # before and after the first fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """Lowest and highest value in each of many columns of time; the values themselves where they are few.

    Attributes:
        times_s: shape (m,).
        low: shape (m,), NaN where nothing was recorded.
        high: shape (m,), same.
    """

    times_s: FloatArray
    low: FloatArray
    high: FloatArray

    @property
    def is_line(self) -> bool:
        """The values themselves."""
        return bool(np.array_equal(self.low, self.high, equal_nan=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class Detail:
    """A few periods, with what a counter makes of them.

    Attributes:
        outline: of the trace.
        rising_s: counted edges.
        extra_s: those of them that are too many.
        missing_s: where a pulse should have come, and did not.
        why: what it was chosen for.
    """

    outline: Outline
    rising_s: FloatArray
    extra_s: FloatArray
    missing_s: FloatArray
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Folded:
    """All periods over each other: how often each value came at each place of a period.

    Attributes:
        counts: shape (columns, rows).
        places: edges of the columns, periods after the rising edge, shape (columns + 1,).
        levels: edges of the rows, unit of the trace, shape (rows + 1,).
        periods_n: laid over each other.
    """

    counts: FloatArray
    places: FloatArray
    levels: FloatArray
    periods_n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AllanView:
    """Allan deviation over the time of averaging.

    Attributes:
        spans_s: shape (m,).
        deviations: shape (m,), in `unit`.
        unit: "%" of the period for a pulse train, else that of the trace.
        best_s: time of the smallest deviation.
        is_falling: it still falls at the longest time, so more would help further.
    """

    spans_s: FloatArray
    deviations: FloatArray
    unit: str
    best_s: float
    is_falling: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What a counter makes of the trace.

    Attributes:
        name: which counter.
        edges_n: that it counts.
        rate_Hz: that it shows.
        off_n: too many, negative where too few; None where it is not known what it should be.
    """

    name: str
    edges_n: int
    rate_Hz: float
    off_n: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceViews:
    """All views of one trace; None where the trace does not have it.

    Attributes:
        whole: the trace from end to end.
        detail: a few periods of it.
        folded: one period over all others.
        intervals: lowest and highest interval between counted edges in each column of time.
        rates_Hz: of the spectrum, rising, shape (m,); empty where there is none.
        amplitudes: largest about each of them, unit of the trace, same shape.
        allan: how far averaging helps.
        should_n: pulses that there were; None where there is no pulse train.
        counters: what counters make of it.
    """

    whole: Outline
    detail: Detail | None
    folded: Folded | None
    intervals: Outline | None
    rates_Hz: FloatArray
    amplitudes: FloatArray
    allan: AllanView | None
    should_n: int | None
    counters: tuple[Counted, ...]


def trace_views(trace: TraceFile, result: TraceResult) -> TraceViews:
    """All views of a trace, from it and from what was found in it."""
    rates_Hz, heights = _spectrum(trace)
    rhythm = None
    if result.train is not None:
        edges = result.train.edges
        rhythm = edges.rhythm()
    return TraceViews(
        whole=_outline(trace.times_s, trace.values),
        detail=_detail(trace, result),
        folded=_folded(trace, rhythm, result.train.period_s) if rhythm and result.train else None,
        intervals=_intervals(result),
        rates_Hz=rates_Hz,
        amplitudes=heights,
        allan=_allan(result, rhythm),
        should_n=None if result.train is None else result.train.should_n,
        counters=_counters(result),
    )


def _outline(times_s: FloatArray, values: FloatArray) -> Outline:
    """Columns of one width in time; where nothing was recorded for longer than a few samples, NaN."""
    if len(times_s) <= 2 * _COLUMNS_N:
        return _with_gaps(times_s, values)
    ends_s = np.linspace(times_s[0], times_s[-1], _COLUMNS_N + 1)
    begins = np.searchsorted(times_s, ends_s[:-1])
    is_there = np.diff(np.append(begins, len(times_s))) > 0
    low, high = np.full(_COLUMNS_N, math.nan), np.full(_COLUMNS_N, math.nan)
    low[is_there] = np.minimum.reduceat(values, begins[is_there])
    high[is_there] = np.maximum.reduceat(values, begins[is_there])
    return Outline(times_s=(ends_s[1:] + ends_s[:-1]) / 2, low=low, high=high)


def _with_gaps(times_s: FloatArray, values: FloatArray) -> Outline:
    """The values themselves, with a NaN wherever three and more are missing."""
    steps_s = np.diff(times_s)
    gaps = np.flatnonzero(steps_s > 3 * np.median(steps_s)) + 1 if len(steps_s) else np.empty(0, dtype=np.int64)
    shown = np.insert(values, gaps, math.nan)
    return Outline(times_s=np.insert(times_s, gaps, times_s[gaps - 1]), low=shown, high=shown)


def _detail(trace: TraceFile, result: TraceResult) -> Detail | None:
    """Some periods about the first fault, or after the first edge; of a trace without pulses, of its strongest line."""
    train, times_s = result.train, trace.times_s
    if train is None:
        period_s = 1 / result.lines[0].rate_Hz if result.lines else math.inf
        faults, at_s = [], float(times_s[0])
        why = "the first periods of the strongest line"
    else:
        period_s = train.period_s
        faults = sorted([*train.missing_s[:1], *train.extra_s[:1]])
        at_s = faults[0] if faults else float(train.edges.rising_s[0])
        why = "about the first fault" if faults else "the first pulses"
    before, after = _DETAIL_PERIODS
    begin_s = max(at_s - before * period_s, float(times_s[0]))
    end_s = begin_s + (before + after) * period_s
    first, last = np.searchsorted(times_s, (begin_s, end_s))
    if not end_s < times_s[-1] or last - first < 8:
        return None

    def inside(each_s: FloatArray) -> FloatArray:
        return each_s[(each_s >= begin_s) & (each_s <= end_s)]

    return Detail(
        outline=_outline(times_s[first:last], trace.values[first:last]),
        rising_s=inside(result.edges.rising_s if result.edges is not None else np.empty(0)),
        extra_s=inside(np.array(train.extra_s if train is not None else ())),
        missing_s=inside(np.array(train.missing_s if train is not None else ()) + period_s),
        why=why,
    )


def _folded(trace: TraceFile, rhythm: Rhythm, period_s: float) -> Folded:
    """Each pulse's samples from a quarter of a period before its first edge, as counts in cells."""
    begins_s = rhythm.kept_s
    per_period = max(period_s / trace.interval_s, 1.0)
    most = max(int(_FOLD_SAMPLES / (1.5 * per_period)), 2)
    begins_s = begins_s[:: -(-len(begins_s) // most)]
    firsts = np.searchsorted(trace.times_s, begins_s - _BEFORE * period_s)
    lasts = np.searchsorted(trace.times_s, begins_s + (1 + _BEFORE) * period_s)
    at = np.concatenate([np.arange(first, last) for first, last in zip(firsts, lasts, strict=True)])
    places = (trace.times_s[at] - np.repeat(begins_s, lasts - firsts)) / period_s
    columns = int(min(max(1.5 * per_period, 30), _FOLD_COLUMNS))  # a column narrower than a sample would stay empty
    low, high = float(trace.values.min()), float(trace.values.max())
    counts, places_at, levels_at = np.histogram2d(
        places, trace.values[at], bins=(columns, _FOLD_ROWS), range=((-_BEFORE, 1 + _BEFORE), (low, high))
    )
    return Folded(counts=counts, places=places_at, levels=levels_at, periods_n=len(begins_s))


def _intervals(result: TraceResult) -> Outline | None:
    """Time from one counted edge to the next, at the time of the second one; none where a part was not recorded."""
    if result.edges is None or len(result.edges.rising_s) < 3:
        return None
    rising_s = result.edges.rising_s
    gaps = np.searchsorted(rising_s, result.edges.unrecorded_s[:, 0], side="right")
    is_whole = ~np.isin(np.arange(1, len(rising_s)), gaps)
    ends_s, intervals_s = rising_s[1:][is_whole], np.diff(rising_s)[is_whole]
    if len(ends_s) < 2:
        return None
    if len(ends_s) <= 2 * _COLUMNS_N:
        return Outline(times_s=ends_s, low=intervals_s, high=intervals_s)
    return _outline(ends_s, intervals_s)


def _spectrum(trace: TraceFile) -> tuple[FloatArray, FloatArray]:
    """The largest amplitude in each of many columns of one ratio; nothing where the samples are not even."""
    grid = evenly(without_wild(trace.values, wild_samples(trace.values)), trace.times_s)
    heights = np.empty(0) if grid is None else amplitudes(grid[0])[1:]
    if grid is None or not len(heights):
        return np.empty(0), np.empty(0)
    first_Hz = 0.5 / (grid[1] * len(heights))
    begins = np.unique(np.geomspace(1, len(heights), _COLUMNS_N).astype(np.int64)) - 1
    largest = np.maximum.reduceat(heights, begins)
    ends = np.append(begins[1:], len(heights))
    at = [begin + int(np.argmax(heights[begin:end])) for begin, end in zip(begins, ends, strict=True)]
    return (np.array(at) + 1) * first_Hz, largest


def _allan(result: TraceResult, rhythm: Rhythm | None) -> AllanView | None:
    """Of the sound periods in % of one, or of the readings."""
    if result.noise is not None:
        found, scale, unit = result.noise.averaging, 1.0, result.unit
    elif rhythm is not None and rhythm.is_single.sum() >= LEAST_N:
        sound_s = rhythm.periods_s[rhythm.is_single]
        period_s = float(np.median(sound_s))
        sound, at_s = sound_s / period_s, np.arange(len(sound_s), dtype=np.float64) * period_s
        found, scale, unit = averaging(sound, at_s), 100.0, "%"
    else:
        return None
    deviations = scale * np.array(found.deviation)
    if len(deviations) < 3 or not (deviations > 0).all():
        return None
    return AllanView(
        spans_s=np.array(found.means_n) * found.interval_s,
        deviations=deviations,
        unit=unit,
        best_s=found.best_n * found.interval_s,
        is_falling=found.is_falling,
    )


def _counters(result: TraceResult) -> tuple[Counted, ...]:
    """With the thresholds of the trace, and with one threshold in their middle."""
    edges, train = result.edges, result.train
    if edges is None:
        return ()
    middle = (edges.lower + edges.upper) / 2
    unit = f" {result.unit}" if result.unit else ""
    counted = [(f"with hysteresis, {counter_words(edges, result.unit)}", len(edges.rising_s))]
    if result.bare_n is not None:
        counted.append((f"without hysteresis, threshold {sized(middle)}{unit}", result.bare_n))
    should_n = None if train is None else train.should_n
    return tuple(
        Counted(
            name=name,
            edges_n=edges_n,
            rate_Hz=edges_n / result.length_s if train is None else train.shown_Hz(edges_n),
            off_n=None if should_n is None else edges_n - should_n,
        )
        for name, edges_n in counted
    )
