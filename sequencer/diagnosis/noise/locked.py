"""What of a trace is locked to its edges: the mean course after each kind of edge, how it rings, how steep edges are.

The course is a synchronous average (McFadden 1987, from memory): what comes at any time averages out, what follows each
edge stays.
"""

from dataclasses import dataclass

import numpy as np

from sequencer.diagnosis.noise.swings import turning
from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["Course", "Ringing", "courses_of", "ringing_of", "slope_at"]

_MEAN_N = 200  # stretches that the course is found from
_POINTS_N = 2000  # of it
_PRESENT = 0.5  # of the stretches, that reach as far as the course is told
_QUIET = 0.2  # quantile of the spread along the course: where the pulse rests
_WORTH = 0.05  # of the swing
_OVER_SPREAD = 6.0  # times the deviation of the course
_LEAST_SWINGS, _FEWEST_SWINGS = 3, 2  # to and fro, and as few if they are over soon
_SOON = 0.25  # of the stretch
_FADES = 0.85  # of the first swing, that the last one has at most
_EVEN = 2.0  # times as long may one swing last as another
_SLOPE_POINTS_N, _OF_HEIGHT = 401, 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Median course of a trace after edges of one kind, up to the next edge.

    Attributes:
        after_s: times after the edge, shape (n,), evenly spaced.
        levels: unit of the trace, shape (n,).
        means: as `levels`, the mean course: what turns in any phase leaves less of itself in it than in the median.
        spread: standard deviation about it where it is least, robust: of hash, and of all that is not locked.
        stretches_n: that it is found from.
    """

    after_s: FloatArray
    levels: FloatArray
    means: FloatArray
    spread: float
    stretches_n: int

    def swings_at(self, after_s: FloatArray) -> FloatArray:
        """Height of the course's own swing at some times after the edge, or beside it if that is higher."""
        at = turning(self.levels)
        sizes = np.abs(np.diff(self.levels[at]))
        beside = np.maximum.reduce([sizes, np.append(sizes[1:], 0.0), np.insert(sizes[:-1], 0, 0.0)])
        place = np.searchsorted(self.after_s[at], after_s, side="right") - 1
        return np.asarray(beside[np.clip(place, 0, len(beside) - 1)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Ringing:
    """What swings after the edges, locked to them, and fades.

    Attributes:
        height: of its first swing, peak to peak.
        lasts_s: from the edge until it is not worth a word.
        rate_Hz: that it rings with.
    """

    height: float
    lasts_s: float
    rate_Hz: float


def courses_of(values: FloatArray, times_s: FloatArray, all_s: FloatArray, interval_s: float) -> tuple[Course, Course]:
    """The courses after the edges at even places of `all_s`, and after those at odd ones.

    Args:
        values: shape (n,), no NaN.
        times_s: shape (n,), rising.
        all_s: edges, in turn rising and falling, shape (m,), three at least.
        interval_s: from sample to sample.
    """
    return _course(values, times_s, all_s, interval_s, 0), _course(values, times_s, all_s, interval_s, 1)


def _course(values: FloatArray, times_s: FloatArray, all_s: FloatArray, interval_s: float, first: int) -> Course:
    begins_s, ends_s = all_s[:-1][first::2], all_s[1:][first::2]
    every = -(-len(begins_s) // _MEAN_N)
    begins_s, ends_s = begins_s[::every], ends_s[::every]
    lasts_s = ends_s - begins_s
    longest_s = float(np.quantile(lasts_s, _PRESENT))
    after_s = np.arange(0, longest_s, max(interval_s, longest_s / _POINTS_N))
    at_s = begins_s[:, None] + after_s
    levels = _between_samples(values, times_s, at_s)
    levels[at_s > ends_s[:, None]] = np.nan
    course = np.nanmedian(levels, axis=0)
    spreads = 1.4826 * np.nanmedian(np.abs(levels - course), axis=0)
    return Course(
        after_s=after_s,
        levels=course,
        means=np.nanmean(levels, axis=0),
        spread=float(np.quantile(spreads, _QUIET)),
        stretches_n=len(begins_s),
    )


def ringing_of(courses: tuple[Course, Course], swing: float) -> Ringing | None:
    """Whether the trace rings after edges; None where it does not.

    Args:
        courses: after both kinds of edges.
        swing: from level to level.
    """
    found = [each for each in (_ringing(course, swing) for course in courses) if each is not None]
    return max(found, key=lambda each: each.height, default=None)


def _ringing(course: Course, swing: float) -> Ringing | None:
    """What rings in the median course, which a few bursts do not move, and in the mean, which a carrier does not."""
    least = max(_WORTH * swing, _OVER_SPREAD * course.spread / course.stretches_n**0.5)
    if _rings(course.means, course.after_s, least) is None:
        return None
    return _rings(course.levels, course.after_s, least)


def _rings(levels: FloatArray, after_s: FloatArray, least: float) -> Ringing | None:
    points = _turns(levels, least)[1:-1]  # the record of a course begins and ends on edges
    if len(points) <= _FEWEST_SWINGS:
        return None
    sizes, lasts_s = np.abs(np.diff(levels[points])), np.diff(after_s[points])
    is_soon = after_s[points[-1]] < _SOON * after_s[-1]
    is_often = len(sizes) >= (_FEWEST_SWINGS if is_soon else _LEAST_SWINGS)
    is_even = float(lasts_s.max()) < _EVEN * float(np.median(lasts_s)) + after_s[1]
    if not (is_often and is_even and sizes[-1] < _FADES * sizes[0]):
        return None
    return Ringing(
        height=float(sizes[0]),
        lasts_s=float(after_s[points[-1]]),
        rate_Hz=0.5 / float(np.median(lasts_s)),
    )


def _between_samples(values: FloatArray, times_s: FloatArray, at_s: FloatArray) -> FloatArray:
    """Values at some times, of the shape of these; numpy's own interpolation copies a trace of single precision."""
    after = np.clip(np.searchsorted(times_s, at_s), 1, len(times_s) - 1)
    before_s = times_s[after - 1]
    share = np.clip((at_s - before_s) / (times_s[after] - before_s), 0.0, 1.0)
    return np.asarray(values[after - 1] * (1 - share) + values[after] * share)


def _turns(levels: FloatArray, least: float) -> IntArray:
    """Turning points of a course, those of lower swings left out, its ends kept."""
    at = turning(levels)
    while len(at) > 2:
        sizes = np.abs(np.diff(levels[at]))
        lowest = int(np.argmin(sizes))
        if sizes[lowest] >= least:
            break
        # A low swing goes with both its ends, at an end of the course with the inner one.
        gone = [each for each in (lowest, lowest + 1) if 0 < each < len(at) - 1]
        at = np.delete(at, gone)
        if len(gone) == 1:
            ways = np.sign(np.diff(levels[at]))
            at = at[np.concatenate(([True], ways[1:] != ways[:-1], [True]))] if len(at) > 2 else at
    return at


def slope_at(values: FloatArray, times_s: FloatArray, at_s: FloatArray, *, half_s: float, height: float) -> float:
    """How steeply a trace passes its edges, unit of the trace a second: of the median course about them.

    Args:
        values: shape (n,), no NaN.
        times_s: shape (n,), rising.
        at_s: edges of one kind, shape (m,), one at least.
        half_s: time before and after an edge that is looked at.
        height: of the pulses; the slope is that within a share of it.
    """
    some_s = at_s[:: -(-len(at_s) // _MEAN_N)]
    away_s = np.linspace(-half_s, half_s, _SLOPE_POINTS_N)
    course = np.median(_between_samples(values, times_s, some_s[:, None] + away_s), axis=0)
    middle = len(away_s) // 2
    moved = np.abs(course - course[middle]) > _OF_HEIGHT * height
    before = np.flatnonzero(moved[:middle])
    after = np.flatnonzero(moved[middle:])
    first = int(before[-1]) if len(before) else 0
    last = middle + int(after[0]) if len(after) else len(away_s) - 1
    # Near the top or the bottom of a slow pulse one side alone is steep.
    return max(float(abs(course[each] - course[middle]) / abs(away_s[each])) for each in (first, last))
