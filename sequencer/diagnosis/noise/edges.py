"""Edges of a trace: thresholds chosen from its swings against the hash between them, and where they are crossed."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.bounces import closings_of
from sequencer.diagnosis.noise.rhythm import LEAST_N, Rhythm, rhythm_of
from sequencer.diagnosis.noise.steady import steady_times
from sequencer.diagnosis.noise.swings import Swings, swings_of
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray, IntArray
from sequencer.readings.waveform import step_of

__all__ = ["Edges", "edges_of", "rising_edges", "unrecorded"]

_GAP = 1.6  # intervals from which on a sample is missing between two
_TRIED_N = 8  # plateaus looked at
_LEAST_WIDTH = math.log(1.35)
_FILTERED_WIDTH = math.log(1.5)  # of what is left by a filter: hash that is smoothed has a rhythm of a kind
_ENOUGH_WIDTH = math.log(3)
_FEW_WIDTH, _FEW_SLOW_WIDTH = math.log(3), math.log(5)  # sharp edges, or slow ones and more than one
_SHARP = 0.1  # of the time that lies within the swing, not at its ends
_FILTER = 3  # times as long each time
_LEAST_PERIODS = 24  # that the longest filter leaves room for
_FEW_PERIODS = 200  # the same, where there are few pulses
_HYSTERESIS = 0.3  # of the room between bottoms and tops
_OVER_HASH = 1.5
_MOST_HYSTERESIS = 0.8
_RIDES_FAR = 5.0  # times their height: swings that ride on pulses are the hash on these
_MANY_SWINGS, _HALF_AS_HIGH = 4, 0.3  # times as many swings as edges, that are as high: no pulses
_RIDES, _RIDING = 2.0, 0.5  # swings that ride on one more than twice as high are rather its interference
_MOVED = 0.3  # of the swing
_NARROW = 0.15  # of the swing: a room that is less comes from a baseline that moves
_ENDS_N = 3  # turning points beyond those between edges, at both ends
_BETTER = 1.5  # times the room on a baseline that moves
_MANY_N = 2**19  # turning points of pulses that are weighed
_HEAD_N = 2**19  # samples that thresholds are found in where there are too many swings
_PART_N = 2**16  # samples that are looked at together
_RESTS = 0.25  # of the swing, within which half of all samples of a state lie where it rests
_TO_AND_FRO = 3.0  # times a stay in a state, from which on it rings about a level
_QUARTILES_N = 2**17  # samples that they are found from; of more, some
_SOME_N = 2**20  # samples that levels are found from; of more, some
_OF_SAMPLE = 0.4  # of the interval, that any edge may be displaced by
_LONG_N = 2**22  # samples, beyond which the shortest mean is left to the beginning


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """Where a trace crosses its thresholds.

    Attributes:
        low: level of the lower state, unit of the trace.
        high: of the upper one.
        lower: threshold that a falling edge must pass.
        upper: threshold that a rising edge must pass.
        rising_s: times of rising edges, shape (n,).
        falling_s: times of falling edges, shape (m,).
        rises: from the lowest value before each rising edge to the highest before the next one, shape (n,).
        falls: from that to the lowest value before the next one, shape (n,).
        steady_s: when each pulse comes, whatever its height, shape (n,).
        highest_bottom: the lower threshold must lie above; it is the highest of all lows between pulses.
        lowest_top: the upper threshold must lie below.
        hash_height: highest swing that is no pulse, peak to peak, of the trace without a filter.
        fall_weight: steepness of falling edges, as a share of that of both: 0.5 where they are alike.
        timing_s: how far sampling may displace one edge: nil where the edge takes many samples.
        filter_s: length of the mean that had to be taken before edges came apart from hash; 0 = none.
        baseline: how far the level between bottoms and tops moves, if it was taken out; 0 = it was not.
        unrecorded_s: begin and end of stretches without samples, shape (k, 2).
        begin_s: time of the first sample.
        length_s: of the trace.
        interval_s: from sample to sample, that edges are found at.
    """

    low: float
    high: float
    lower: float
    upper: float
    rising_s: FloatArray
    falling_s: FloatArray
    rises: FloatArray
    falls: FloatArray
    steady_s: FloatArray
    highest_bottom: float
    lowest_top: float
    hash_height: float
    fall_weight: float
    timing_s: float
    filter_s: float
    baseline: float
    unrecorded_s: FloatArray
    begin_s: float
    length_s: float
    interval_s: float

    @property
    def room(self) -> float:
        """Between the bottoms and the tops of the pulses."""
        return self.lowest_top - self.highest_bottom

    @property
    def height(self) -> float:
        """Median height of a pulse, from its lower end."""
        return float(np.median(np.maximum(self.rises, self.falls)))

    def rhythm(self) -> Rhythm:
        """What the times of these edges say."""
        return rhythm_of(
            self.rising_s,
            self.falling_s,
            self.unrecorded_s,
            rises=self.rises,
            # What is less than a sample may be of the sampling: it beats with periods that are nearly whole samples.
            timing_s=max(self.timing_s, _OF_SAMPLE * self.interval_s),
            steady_s=self.steady_s,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Signal:
    """A trace, or the mean of it over `filter_s`, with where nothing was recorded.

    Attributes:
        values: shape (n,).
        times_s: shape (n,).
        unrecorded_s: begin and end of stretches without samples, shape (k, 2).
        filter_s: length of the mean; 0 = the trace itself.
        line: times and levels of a baseline that is taken out, shape (2, m); None = none is.
    """

    values: FloatArray
    times_s: FloatArray
    unrecorded_s: FloatArray
    filter_s: float
    line: FloatArray | None = None

    def at(self, places: slice | IntArray) -> FloatArray:
        """Values there, about the baseline."""
        if self.line is None:
            return self.values[places]
        line = np.interp(self.times_s[places], *self.line) - float(np.median(self.line[1]))
        return np.asarray(self.values[places] - line)

    def some(self) -> FloatArray:
        """Values, of a long trace some."""
        return self.at(slice(None, None, -(-len(self.values) // _SOME_N)))

    def mean(self, width_n: int) -> "_Signal":
        """Running mean, the ends held; of a long trace it is not taken at every sample."""
        step_n = 1
        while step_n * _SOME_N < len(self.values) and step_n * _FILTER < width_n:
            step_n *= _FILTER
        whole_n = len(self.values) // step_n
        means = self.values[: whole_n * step_n].reshape(whole_n, step_n).mean(axis=1)
        ndimage.uniform_filter1d(means, width_n // step_n, mode="nearest", output=means)
        return replace(
            self,
            values=means,
            times_s=self.times_s[step_n // 2 :: step_n][:whole_n],
            filter_s=width_n * step_of(self.times_s),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tried:
    edges: Edges
    score: float
    is_regular: bool
    is_sharp: bool = False


def edges_of(
    values: FloatArray, times_s: FloatArray, *, lower: float | None = None, upper: float | None = None
) -> Edges:
    """Edges by two thresholds (hysteresis), interpolated between samples.

    Without thresholds: hysteresis that hash does not pass and pulses do, found where the number of swings hardly
    depends on it; of several such the one whose edges come most regularly. Where there is none, the shortest mean
    over neighbouring samples after which there is one. There may be few pulses, and they may have no rhythm.

    Args:
        values: shape (n,), any unit, no NaN.
        times_s: shape (n,), rising.
        lower: threshold that arms; None = found.
        upper: threshold that counts; None = found. Of two in the wrong order the lower one arms.

    Raises:
        ReadingsError: the trace is flat, or no pulses are found; with thresholds that are given there may be no edges.
    """
    if values.min() == values.max():
        raise ReadingsError("the trace is flat: no edge in it", todo="check probe, range and trigger")
    signal = _Signal(values=values, times_s=times_s, unrecorded_s=unrecorded(times_s), filter_s=0.0)
    swings = swings_of(values)
    if lower is not None or upper is not None:
        return _with_hash(_given(signal, lower, upper), swings)
    best, few = _best(signal, swings)
    # Regular swings that ride on few sharp pulses are hash on them; those on slow swings are pulses on a wander.
    rides_far = best is not None and best.edges.baseline > _RIDES_FAR * best.edges.room
    if best is not None and few is not None and few.edges.filter_s and _is_bouncing(best.edges):
        return _with_hash(best.edges, swings)  # a mean makes one edge of each closing
    if few is not None and (best is None or not best.is_regular or (rides_far and few.is_sharp)):
        return _with_hash(few.edges, swings)
    if best is None:
        raise ReadingsError("no pulses stand out of the noise", todo="give thresholds, or look at it as readings")
    return _with_hash(best.edges, swings)


def _is_bouncing(edges: Edges) -> bool:
    end_s = edges.begin_s + edges.length_s
    return not edges.filter_s and closings_of(edges.rising_s, edges.falling_s, edges.begin_s, end_s) is not None


def rising_edges(values: FloatArray, times_s: FloatArray, lower: float, upper: float) -> FloatArray:
    """Times of the edges that a counter with these thresholds counts, shape (m,); arguments as those of `edges_of`."""
    signal = _Signal(values=values, times_s=times_s, unrecorded_s=np.zeros((0, 2)), filter_s=0.0)
    return np.concatenate([rising_s for _, _, rising_s, _ in _crossings(signal, lower, upper)])


def unrecorded(times_s: FloatArray) -> FloatArray:
    """Begin and end of each stretch without samples, shape (k, 2), of the times of these, shape (n,)."""
    longest_s, found = _GAP * step_of(times_s), [np.zeros(0, dtype=np.int64)]
    for start in range(0, len(times_s) - 1, _PART_N):
        steps_s = np.diff(times_s[start : start + _PART_N + 1])
        found.append(start + np.flatnonzero(steps_s > longest_s))
    at = np.concatenate(found)
    return np.stack((times_s[at], times_s[at + 1]), axis=1)


def _as_in_head(signal: _Signal) -> _Tried | None:
    """Edges as those at the beginning, if these are regular; where swings are too many, not all of them are weighed."""
    head = replace(signal, values=signal.values[:_HEAD_N], times_s=signal.times_s[:_HEAD_N])
    swings = swings_of(head.values)
    best, _ = _best(head, swings)
    if best is None or not best.is_regular or best.edges.baseline:
        return None
    found = _with_hash(best.edges, swings)
    smooth = signal.mean(round(found.filter_s / step_of(signal.times_s))) if found.filter_s else signal
    edges = replace(
        _crossing(smooth, found.lower, found.upper),
        highest_bottom=found.highest_bottom,
        lowest_top=found.lowest_top,
        hash_height=found.hash_height,
    )
    return replace(best, edges=edges)


def _best(signal: _Signal, raw: Swings) -> tuple[_Tried | None, _Tried | None]:
    """The most regular edges, and edges of pulses that are too few; None where there are none."""
    best, few = None, None
    samples_n = len(signal.values)
    for width_n in _filters(samples_n):
        smooth = signal if width_n == 1 else signal.mean(width_n)
        is_short = width_n == 1 or width_n * _FEW_PERIODS <= samples_n
        for tried in _tried(smooth, raw if width_n == 1 else swings_of(smooth.values), raw):
            if len(tried.edges.rising_s) < LEAST_N:
                few = few or (tried if is_short else None)
            elif best is None or (tried.is_regular, tried.score) > (best.is_regular, best.score):
                best = tried
        is_all = not raw.floor and len(raw.at) <= _MANY_N
        if width_n == 1 and not is_all and (best is None or not best.is_regular):
            best = _as_in_head(signal) or best
        if best is not None and best.is_regular:
            break
    return best, few


def _filters(samples_n: int) -> Iterator[int]:
    """Samples that a mean is taken of: one, then more and more."""
    yield 1
    width_n = _FILTER if samples_n <= _LONG_N else _FILTER**3
    while width_n * _LEAST_PERIODS <= samples_n:
        yield width_n
        width_n *= _FILTER


def _tried(signal: _Signal, swings: Swings, raw: Swings) -> Iterator[_Tried]:
    """What each plateau of the count gives."""
    least = _FILTERED_WIDTH if signal.filter_s else _LEAST_WIDTH
    largest = float(swings.heights.max())
    for below, above, points_n in swings.plateaus(_TRIED_N):
        width = float(swings.widths(np.array([above]), np.array([below]))[0])
        if width < least or points_n > _MANY_N:
            continue
        points = swings.beyond(math.sqrt(max(below, 0.1 * above) * above))
        edges = _levelled(signal, points, below)
        if edges is None or len(edges.rising_s) + len(edges.falling_s) == 0:
            continue
        if len(edges.rising_s) < LEAST_N:
            # Hash that is beating makes few that stand out of many nearly as high.
            high_n = int((raw.heights > _HALF_AS_HIGH * above).sum())
            is_sharp = _is_sharp(signal, edges)
            # Few swings that are pulses, and no wander: sharp edges, or several that stand far out.
            are_pulses = width >= _FEW_WIDTH if is_sharp else width >= _FEW_SLOW_WIDTH and len(edges.rising_s) > 1
            if high_n <= _MANY_SWINGS * points_n and are_pulses:
                yield _Tried(edges=edges, score=0.0, is_regular=False, is_sharp=is_sharp)
            continue
        rhythm = edges.rhythm()
        # What rings swells and fades between the pulses.
        low, high = np.quantile(edges.rises[1:-1], (0.1, 0.9))
        alike = math.sqrt(max(float(low) / float(high), 0.0)) if high > 0 else 0.0
        score = alike * min(width, _ENOUGH_WIDTH) * (above / largest) ** 0.1 / (1 + 10 * rhythm.faults)
        if signal.filter_s and not (rhythm.is_regular and rhythm.is_clean):
            continue
        if edges.baseline > _RIDES * above:
            score *= _RIDING
        yield _Tried(edges=edges, score=score, is_regular=rhythm.is_regular)


def _is_sharp(signal: _Signal, edges: Edges) -> bool:
    """Hardly any time between the levels."""
    middle, swing = (edges.lower + edges.upper) / 2, edges.high - edges.low
    return float(np.mean(np.abs(signal.some() - middle) < 0.3 * swing)) < _SHARP


def _levelled(signal: _Signal, points: IntArray, below: float) -> Edges | None:
    """Thresholds between the bottoms and the tops of the swings, on a baseline that moves if need be."""
    if len(points) < 2:
        return None
    y, times_s = signal.values[points], signal.times_s[points]
    is_cut = np.isin(times_s, signal.unrecorded_s)
    is_cut[[0, -1]] = True
    tops, bottoms = _ends(y, is_cut)
    lowest_top, highest_bottom = float(tops.min()), float(bottoms.max())
    baseline = 0.0
    swing = float(np.median(np.abs(np.diff(y))))
    # A weak tooth has a low top and no high bottom; a baseline takes both along.
    is_moved = min(np.ptp(tops), np.ptp(bottoms)) > _MOVED * swing and lowest_top - highest_bottom < _NARROW * swing
    if lowest_top - highest_bottom <= below or is_moved:
        line = np.stack(((times_s[1:] + times_s[:-1]) / 2, (y[1:] + y[:-1]) / 2))
        moved = replace(signal, line=line)
        tops, bottoms = _ends(moved.at(points), is_cut)
        if float(tops.min()) - float(bottoms.max()) > max(below, _BETTER * (lowest_top - highest_bottom)):
            signal, baseline = moved, float(np.ptp(line[1]))
            lowest_top, highest_bottom = float(tops.min()), float(bottoms.max())
    room = lowest_top - highest_bottom
    if room <= below:
        return None
    half = min(max(_HYSTERESIS * room, _OVER_HASH * below), _MOST_HYSTERESIS * room) / 2
    middle = (lowest_top + highest_bottom) / 2
    return replace(
        _crossing(signal, middle - half, middle + half),
        highest_bottom=highest_bottom,
        lowest_top=lowest_top,
        baseline=baseline,
    )


def _ends(y: FloatArray, is_cut: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Tops and bottoms of swings; where the record cuts one short they are none."""
    is_top = np.append(y[:-1] > y[1:], y[-1] > y[-2])
    found = []
    for is_one in (is_top, ~is_top):
        inner = y[is_one & ~is_cut]
        found.append(inner if len(inner) else y[is_one])
    return found[0], found[1]


def _given(signal: _Signal, lower: float | None, upper: float | None) -> Edges:
    """Edges by thresholds that were given, if in the wrong order turned round; outside the trace there may be none."""
    ends = [each for each in (lower, upper) if each is not None]
    return _crossing(signal, min(ends), max(ends))


def _crossing(signal: _Signal, lower: float, upper: float) -> Edges:
    """Edges by these thresholds."""
    rising, falling, rising_s, falling_s = map(np.concatenate, zip(*_crossings(signal, lower, upper), strict=True))
    low, high = _levels(signal, lower, upper, rising_s, falling_s)
    rises, falls = _pulse_heights(signal.values, rising)
    timing_s = 0.0
    if len(rising):
        timing_s = _timing_s(signal, rising, rises)
    return Edges(
        low=low,
        high=high,
        lower=lower,
        upper=upper,
        rising_s=rising_s,
        falling_s=falling_s,
        rises=rises,
        falls=falls,
        steady_s=steady_times(signal.values, signal.times_s, rising, falling),
        highest_bottom=low,
        lowest_top=high,
        hash_height=0.0,
        fall_weight=_step(signal, falling) / max(_step(signal, falling) + _step(signal, rising), 1e-300),
        timing_s=timing_s,
        filter_s=signal.filter_s,
        baseline=0.0,
        unrecorded_s=signal.unrecorded_s,
        begin_s=float(signal.times_s[0]),
        length_s=float(signal.times_s[-1] - signal.times_s[0]),
        interval_s=step_of(signal.times_s),
    )


def _levels(
    signal: _Signal, lower: float, upper: float, rising_s: FloatArray, falling_s: FloatArray
) -> tuple[float, float]:
    """Levels of both states: where the trace rests in them or rings about, medians of all of each.

    What does neither, as the pulses of a coil, has the medians of what lies beyond the thresholds.
    """
    some = signal.some()
    low, high = (float(np.median(some[each])) if each.any() else math.nan for each in (some < lower, some > upper))
    if not (len(rising_s) and len(falling_s)):
        return low, high
    every = slice(None, None, -(-len(signal.values) // _QUARTILES_N))
    some, some_s = signal.at(every), signal.times_s[every]
    rose, fell = (np.searchsorted(each, some_s, side="right") for each in (rising_s, falling_s))
    is_high = (rose - fell) == (1 if rising_s[0] < falling_s[0] else 0)
    states = [each for each in (~is_high, is_high) if each.any()]
    quartiles = [np.quantile(some[each], (0.25, 0.5, 0.75)) for each in states]
    is_apart = len(quartiles) == 2 and quartiles[1][1] - quartiles[0][1] > _RESTS * (high - low)
    is_told = is_apart and all(
        each[2] - each[0] <= _RESTS * (high - low)
        or _goes_about(some[state], each) > _TO_AND_FRO * min(len(rising_s), len(falling_s))
        for state, each in zip(states, quartiles, strict=True)
    )
    return (float(quartiles[0][1]), float(quartiles[1][1])) if is_told else (low, high)


def _goes_about(some: FloatArray, quartiles: FloatArray) -> int:
    """How many times values go from beyond one quartile to beyond the other: once a stay up and down, or ringing."""
    sides = (some > quartiles[2]).astype(np.int8) - (some < quartiles[0])
    return int(np.count_nonzero(np.diff(sides[sides != 0])))


def _step(signal: _Signal, places: IntArray) -> float:
    """Median step of the sample that crosses a threshold; 0 where none does."""
    return float(np.median(np.abs(signal.at(places) - signal.at(places - 1)))) if len(places) else 0.0


def _timing_s(signal: _Signal, rising: IntArray, rises: FloatArray) -> float:
    """How far sampling may displace an edge: where it takes one sample, by that; where it takes many, hardly."""
    last_n = len(signal.values) - 1
    at = [signal.at(np.clip(rising + each, 0, last_n)) for each in (-2, -1, 0, 1)]
    before, across, after = at[1] - at[0], at[2] - at[1], at[3] - at[2]
    jump = np.clip(across / np.maximum(rises, 1e-300), 0, 1)
    # A step much higher than those beside it is one that samples do not show from within, however high.
    bend = np.clip(1 - (np.abs(before) + np.abs(after)) / (2 * np.maximum(across, 1e-300)), 0, 1)
    step_s = signal.times_s[rising] - signal.times_s[rising - 1]
    return float(np.median(step_s * np.maximum(jump, bend) ** 2))


def _crossings(
    signal: _Signal, lower: float, upper: float
) -> Iterator[tuple[IntArray, IntArray, FloatArray, FloatArray]]:
    """Places of rising edges, above the upper threshold after below the lower, of falling; times of both; in parts."""
    before = 0
    for start in range(0, len(signal.values), _PART_N):
        begin = max(start - 1, 0)  # the last sample of the part before, since an edge may lie between
        y, times_s = signal.at(slice(begin, start + _PART_N)), signal.times_s[begin : start + _PART_N]
        state = (y > upper).astype(np.int8)
        state -= y < lower
        known = np.flatnonzero(state)
        ways = state[known]
        if not before and len(ways):  # what begins between the thresholds rests there, and its first way is an edge
            before = int(-ways[0] if known[0] > 0 else ways[0])
        turns = np.diff(ways, prepend=np.int8(before))
        before = int(ways[-1]) if len(ways) else before
        rising, falling = known[turns > 0], known[turns < 0]
        rising_s, falling_s = _crossed(y, times_s, rising, upper), _crossed(y, times_s, falling, lower)
        yield begin + rising, begin + falling, rising_s, falling_s


def _pulse_heights(values: FloatArray, rising: IntArray) -> tuple[FloatArray, FloatArray]:
    """From the bottom before to the top, and from there to the bottom after, of each pulse; shape of the edges."""
    if not len(rising):
        return np.empty(0), np.empty(0)
    tops, bottoms = np.maximum.reduceat(values, rising), np.minimum.reduceat(values, rising)
    before = np.insert(bottoms[:-1], 0, float(values[: rising[0]].min()))
    # After the last one there may be no bottom.
    bottoms[-1] = min(bottoms[-1], before[-1])
    return np.asarray(tops - before), np.asarray(tops - bottoms)


def _crossed(values: FloatArray, times_s: FloatArray, places: IntArray, level: float) -> FloatArray:
    """When the level was crossed just before each place."""
    before, after = values[places - 1], values[places]
    share = np.clip((level - before) / np.where(after == before, 1.0, after - before), 0.0, 1.0)
    return np.asarray(times_s[places - 1] + share * (times_s[places] - times_s[places - 1]))


def _with_hash(edges: Edges, raw: Swings) -> Edges:
    """With the highest swing of the trace beyond those that are pulses; where all are, nothing is known of it."""
    inner = raw.heights[1:-1]  # the record may cut the swings at its ends short
    rest = len(inner) - len(edges.rising_s) - len(edges.falling_s) - _ENDS_N
    return replace(edges, hash_height=float(np.partition(inner, rest - 1)[rest - 1])) if rest > 0 else edges
