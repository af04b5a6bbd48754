"""The rhythm of edges: which of them begin a pulse, which are too many, how many pulses lie between two."""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from sequencer.diagnosis.noise.bounces import clusters, unsteady
from sequencer.diagnosis.noise.bounces import hold_s as apart_s
from sequencer.diagnosis.noise.marks import Marks, marks_of
from sequencer.diagnosis.noise.marks_followed import followed_marks
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray, IntArray

__all__ = ["LEAST_N", "REGULAR_JITTER", "Rhythm", "rhythm_of"]

LEAST_N = 8
"""Rising edges from which on a rate is told."""

REGULAR_JITTER = 0.2
"""Robust standard deviation of the periods, as a share, up to which they are of one rate."""

_HIDES = 0.5  # of a short state: a longer gap may hide one
_CUT = 0.8  # of a period: a shorter one is no jitter
_SHORT = 0.25  # of a period: an edge that comes sooner after the last is one too many
_AROUND_N = 31  # periods that the normal one is the median of
_MOST_SLOPE = 0.7  # of the logarithm of the period, from one half of them to the next at an end of the record
_OFF_BEAT = 0.25  # of a period: an edge nearer to where one is due is the pulse
_FOLLOWED_N = 200_000  # edges that are followed one by one where some are too many
_CLUSTERS_MISSING = 0.2
_BOUNCED_MISSING = 0.1
_FEW_N, _FEW_MISSING = 24, 0.2  # pulses; so few keep a rhythm by chance, if so many may be missing
_MOST_MISSING, _STRICT_JITTER = 1 / 3, 0.05
_UNEVEN_JITTER, _UNEVEN_FAULTS = 0.02, 0.05  # from which on marks may be uneven
_LEFT = 0.3  # of jitter, or of faults, that uneven marks may leave
_CLEAN_JITTER, _CLEAN_FAULTS = 0.1, 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Rhythm:
    """What the times of edges say.

    Attributes:
        all_s: rising edges.
        kept_s: first edge of each pulse, shape (n,).
        is_extra: of all rising edges, True where one is too many.
        periods_s: from one kept edge to the next, shape (n - 1,).
        counts: pulses that each period holds, one and those missing, same shape.
        is_recorded: False where a part of the period was not recorded, same shape.
        is_single: a recorded period of one pulse, same shape.
        jitter: robust standard deviation of single periods, as a share.
        hold_s: time that a state had to last to be no part of a cluster; 0 = there are none.
        shares: how many mean gaps each period is long by the pattern of uneven marks; None where they are even.
        marks: how the gaps repeat, where marks are placed unevenly and all edges are pulses; None where they are even.
    """

    all_s: FloatArray
    kept_s: FloatArray
    is_extra: BoolArray
    periods_s: FloatArray
    counts: IntArray
    is_recorded: BoolArray
    is_single: BoolArray
    jitter: float
    hold_s: float
    shares: FloatArray | None = None
    marks: Marks | None = None

    @property
    def even_s(self) -> FloatArray:
        """Periods as they would be if all marks were even, shape (n - 1,)."""
        if self.shares is None:
            return self.periods_s
        return np.asarray(self.periods_s / self.shares * self.counts)

    @property
    def is_regular(self) -> bool:
        """One rate explains the edges."""
        recorded_n = max(int(self.is_recorded.sum()), 1)
        missing_n = int((self.counts - 1)[self.is_recorded].sum())
        # Times that come at random keep a rhythm of a kind if enough of them may be missing.
        is_kept = missing_n <= _MOST_MISSING * recorded_n or self.jitter <= _STRICT_JITTER
        is_kept = is_kept and missing_n <= recorded_n  # edges that come together are no beat that loses most pulses
        is_told = len(self.kept_s) >= _FEW_N or missing_n <= _FEW_MISSING * recorded_n
        is_kept = is_kept and is_told
        return bool(self.is_single.sum() >= 0.5 * recorded_n and self.jitter <= REGULAR_JITTER and is_kept)

    @property
    def is_clean(self) -> bool:
        """No chance of hash that was smoothed, which comes in waves of many lengths."""
        single = self.even_s[self.is_single]
        spread = float(np.subtract(*np.quantile(single, (0.9, 0.1)))) / float(np.median(single))
        return self.faults < _CLEAN_FAULTS and self.jitter < _CLEAN_JITTER and spread < 4 * _CLEAN_JITTER

    @property
    def faults(self) -> float:
        """Edges too many and pulses missing, as a share of the pulses."""
        missing_n = int((self.counts - 1)[self.is_recorded].sum())
        return (int(self.is_extra.sum()) + missing_n) / max(len(self.kept_s), 1)


def rhythm_of(
    rising_s: FloatArray,
    falling_s: FloatArray,
    unrecorded_s: FloatArray,
    *,
    rises: FloatArray | None = None,
    timing_s: float = 0.0,
    steady_s: FloatArray | None = None,
) -> Rhythm:
    """The rhythm of edges; clusters (a contact that bounces) are one edge each, marks that are uneven are all there.

    Args:
        rising_s: shape (n,), three at least.
        falling_s: shape (m,), in turn with the rising ones.
        unrecorded_s: begin and end of stretches without samples, shape (k, 2).
        rises: of each pulse, shape (n,); None = not known.
        timing_s: how far sampling may displace one edge.
        steady_s: when pulses come, whatever their height, shape (n,); None = not known.
    """
    unrecorded_s = unrecorded_s[np.diff(unrecorded_s)[:, 0] > _HIDES * _short_s(rising_s, falling_s)]
    if not len(unrecorded_s):
        marks = marks_of(rising_s, falling_s, rises, timing_s=timing_s, steady_s=steady_s)
        if marks is not None:
            shares = marks.gaps[np.arange(len(rising_s) - 1) % marks.every_n]
            return _by_marks(rising_s, marks, np.ones(len(shares), dtype=np.int64), shares, unrecorded_s)
    plain = _rhythm(rising_s, np.zeros(len(rising_s), dtype=bool), unrecorded_s, 0.0)
    if not plain.is_regular or plain.jitter > _UNEVEN_JITTER or plain.faults > _UNEVEN_FAULTS:
        found = followed_marks(rising_s, falling_s, rises, unrecorded_s, timing_s=timing_s, steady_s=steady_s)
        followed = None if found is None else _by_marks(rising_s, *found, unrecorded_s)
        if followed is not None and _tells_better(followed, plain):
            return followed
    return _of_clusters(plain, rising_s, falling_s, unrecorded_s)


def _tells_better(followed: Rhythm, plain: Rhythm) -> bool:
    """Whether uneven marks leave far less of jitter, or of faults, than an even grid does."""
    if followed.jitter < _LEFT * plain.jitter and followed.faults <= plain.faults + _UNEVEN_FAULTS:
        return True
    return followed.jitter < max(plain.jitter, _UNEVEN_JITTER) and followed.faults < _LEFT * plain.faults


def _of_clusters(plain: Rhythm, rising_s: FloatArray, falling_s: FloatArray, unrecorded_s: FloatArray) -> Rhythm:
    """The rhythm with clusters taken as one edge each, where that is one rather."""
    hold_s = apart_s(rising_s, falling_s)
    if hold_s:
        is_extra = unsteady(rising_s, falling_s, hold_s)
        if (~is_extra).sum() >= LEAST_N:
            tried = _rhythm(rising_s, is_extra, unrecorded_s, hold_s)
            is_whole = (tried.counts - 1).sum() <= _BOUNCED_MISSING * len(tried.kept_s)
            if tried.is_regular and is_whole and tried.jitter <= min(max(plain.jitter, _STRICT_JITTER), _CLEAN_JITTER):
                return tried
    if plain.is_regular and not _is_doubtful(plain):
        return plain
    for is_extra, hold_s in clusters(rising_s, falling_s):
        tried = _rhythm(rising_s, is_extra, unrecorded_s, hold_s)
        if tried.is_regular and (tried.counts - 1).sum() <= _CLUSTERS_MISSING * len(tried.kept_s):
            return tried
    return plain


def _by_marks(
    rising_s: FloatArray, marks: Marks, counts: IntArray, shares: FloatArray, unrecorded_s: FloatArray
) -> Rhythm:
    """All edges as pulses, each period about its place in the pattern."""
    is_recorded = _is_recorded(rising_s, unrecorded_s)
    found = Rhythm(
        all_s=rising_s,
        kept_s=rising_s,
        is_extra=np.zeros(len(rising_s), dtype=bool),
        periods_s=np.diff(rising_s),
        counts=counts,
        is_recorded=is_recorded,
        is_single=(counts == 1) & is_recorded,
        jitter=0.0,
        hold_s=0.0,
        shares=shares,
        marks=marks,
    )
    single = (found.even_s / counts / _normal(found.even_s / counts) - 1)[found.is_single]
    return replace(found, jitter=1.4826 * float(np.median(np.abs(single - np.median(single)))))


def _is_recorded(kept_s: FloatArray, unrecorded_s: FloatArray) -> BoolArray:
    """Whether all of each period between edges was recorded."""
    begins = np.searchsorted(unrecorded_s[:, 1], kept_s[:-1], side="left")
    ends = np.searchsorted(unrecorded_s[:, 0], kept_s[1:], side="right")
    return np.asarray(begins >= ends)


def _short_s(rising_s: FloatArray, falling_s: FloatArray) -> float:
    """How long a short state lasts: what was not recorded and is shorter hides no pulse."""
    lasts_s = np.diff(np.sort(np.concatenate((rising_s, falling_s))))
    return float(np.quantile(lasts_s, 0.1)) if len(lasts_s) else 0.0


def _is_doubtful(plain: Rhythm) -> bool:
    """As many pulses missing as there are: those that come are clusters."""
    return bool((plain.counts - 1)[plain.is_recorded].sum() > 0.7 * len(plain.kept_s)) or plain.is_extra.mean() > _SHORT


def _rhythm(rising_s: FloatArray, is_cluster: BoolArray, unrecorded_s: FloatArray, hold_s: float) -> Rhythm:
    firsts = np.flatnonzero(~is_cluster)
    is_extra = is_cluster.copy()
    is_extra[firsts] = _followed(rising_s[firsts], _extra(rising_s[firsts]))
    kept_s = rising_s[~is_extra]
    periods_s = np.diff(kept_s)
    is_recorded = _is_recorded(kept_s, unrecorded_s)
    normal_s = _normal(periods_s)
    counts = np.maximum(np.round(periods_s / normal_s), 1).astype(np.int64)
    is_single = (counts == 1) & is_recorded
    single = periods_s[is_single] / normal_s[is_single] - 1
    return Rhythm(
        all_s=rising_s,
        kept_s=kept_s,
        is_extra=is_extra,
        periods_s=periods_s,
        counts=counts,
        is_recorded=is_recorded,
        is_single=is_single,
        jitter=1.4826 * float(np.median(np.abs(single - np.median(single)))) if len(single) else math.inf,
        hold_s=hold_s,
    )


def _extra(rising_s: FloatArray) -> BoolArray:
    """Which edges follow another too soon, or cut a period in two."""
    # With every pulse counted twice half of the intervals are short; the upper quartile is still a whole one.
    gaps_s = np.diff(rising_s)
    whole_s = np.broadcast_to(np.quantile(gaps_s, 0.75), gaps_s.shape)
    if (gaps_s < _SHORT * whole_s).any():  # a speed that runs up has whole ones of many lengths
        width = min(_AROUND_N, len(gaps_s))
        whole_s = np.minimum(whole_s, ndimage.percentile_filter(gaps_s, 75, size=width, mode="nearest"))
    is_extra = np.zeros(len(rising_s), dtype=bool)
    if (gaps_s < _SHORT * whole_s).any():
        last_s = float(rising_s[0])
        for index, (at_s, short_s) in enumerate(zip(rising_s[1:].tolist(), whole_s.tolist(), strict=True), start=1):
            if at_s - last_s < _SHORT * short_s:
                is_extra[index] = True
            else:
                last_s = at_s
    # One in the middle of a period follows none too soon: two short periods that are one together tell it.
    kept = np.flatnonzero(~is_extra)
    periods_s = np.diff(rising_s[kept])
    relative = periods_s / _normal(periods_s)
    first, second = relative[:-1], relative[1:]
    is_cut = (np.maximum(first, second) < _CUT) & (np.abs(first + second - 1) < 1 - _CUT)
    is_extra[kept[1:-1][is_cut]] = True
    return is_extra


def _followed(rising_s: FloatArray, is_extra: BoolArray) -> BoolArray:
    """Which edges are too many, the rhythm followed from the longest stretch without fault to both ends.

    An edge that comes off the beat while another comes on it is too many. So it matters not where in a period it
    comes, nor how many such periods follow each other.
    """
    kept = np.flatnonzero(~is_extra)
    if not is_extra.any() or len(kept) < LEAST_N or len(rising_s) > _FOLLOWED_N:
        return is_extra
    periods_s = np.diff(rising_s[kept])
    normal_s = _normal(periods_s)
    is_sound = np.abs(periods_s / normal_s - 1) < 1 - _CUT
    is_sound &= np.diff(kept) == 1
    ends = np.flatnonzero(np.diff(np.concatenate(([0], is_sound.astype(np.int8), [0]))))
    if not len(ends):
        return is_extra
    lengths = ends[1::2] - ends[::2]
    anchor = int(kept[ends[2 * int(np.argmax(lengths))]])
    beat_s = np.interp(rising_s, rising_s[kept[:-1]], normal_s)
    onward = _on_beat(rising_s[anchor:], beat_s[anchor:])
    back = _on_beat(-rising_s[anchor::-1], beat_s[anchor::-1])
    found = np.ones(len(rising_s), dtype=bool)
    found[anchor + onward] = False
    found[anchor - back] = False
    # Where fewer are left over than before, the beat explains more.
    return found if found.sum() <= is_extra.sum() + _SHORT * len(kept) else is_extra


def _on_beat(times_s: FloatArray, beat_s: FloatArray) -> IntArray:
    """Which of some rising times are pulses, the first one is."""
    at, found, many = 0, [0], len(times_s)
    times, beats = times_s.tolist(), beat_s.tolist()
    while at + 1 < many:
        last, beat = times[at], beats[at]
        following, best, best_off = at + 1, -1, _OFF_BEAT
        while following < many and times[following] - last < (1 + _OFF_BEAT) * beat:
            off = abs((times[following] - last) / beat - 1)
            if off < best_off:
                best, best_off = following, off
            following += 1
        at = best if best > 0 else _next(times, at, beat)
        found.append(at)
    return np.array(found)


def _next(times: list[float], at: int, beat: float) -> int:
    """The edge that goes on where none comes on the beat: one on a later beat, else the next that is no echo."""
    first = at + 1
    while first + 1 < len(times) and times[first] - times[at] < _SHORT * beat:
        first += 1
    turns = (times[first] - times[at]) / beat
    for later in range(first + 1, min(first + 3, len(times))):
        turns_later = (times[later] - times[at]) / beat
        is_on = abs(turns_later - round(turns_later)) < _OFF_BEAT / 2
        if is_on and abs(turns - round(turns)) > _OFF_BEAT and times[later] - times[first] < beat:
            return later
    return first


def _normal(periods_s: FloatArray) -> FloatArray:
    """Median of the periods around each: the rate may change over the record, up to its ends."""
    many = len(periods_s)
    width = max(min(_AROUND_N, many - (1 - many % 2)), 1)
    half = min(width // 2, many // 2)
    if half < 2:
        return np.full(many, float(np.median(periods_s)))
    logs = np.log(np.maximum(periods_s, 1e-300))
    ahead = np.arange(half, 0, -1) + (half - 1) / 2

    def beyond(near: FloatArray, far: FloatArray) -> FloatArray:
        """As the line through the medians of the two halves at an end goes on."""
        level = float(np.median(near))
        slope = float(np.clip(level - np.median(far), -_MOST_SLOPE, _MOST_SLOPE)) / half
        return np.asarray(level + slope * ahead)

    before = beyond(logs[:half], logs[half : 2 * half])
    after = beyond(logs[-half:], logs[-2 * half : -half])[::-1]
    filled = np.concatenate((before, logs, after))
    return np.asarray(np.exp(ndimage.median_filter(filled, size=width, mode="nearest")[half : half + many]))
