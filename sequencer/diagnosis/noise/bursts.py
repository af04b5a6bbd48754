"""Bursts between the edges of a trace: groups of swings that are loud where the trace is mostly quiet, tied to no edge.

Time is cut into cells of a few swings. What is locked to the edges is as loud in the cells of one place between two
edges, stretch after stretch: so each cell is held against the quiet ones of its own place. Hash that is always there
and a carrier have no quiet cells beside loud ones; ringing and the shape of a pulse have none of the same place.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sequencer.diagnosis.noise.locked import Course
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray, IntArray

__all__ = ["Bursts", "Swings", "bursts_of"]

_SWINGS, _SAMPLES = 4.0, 6.0  # of the highest swings, and of samples, that a cell lasts
_PLACES_N = 12  # between two edges that are told apart
_QUIET, _AS_QUIET = 0.25, 0.75  # quantile of the cells of a place, and of the places: what lies on a slope shows less
_LOUDER = 6.0  # times as high as the quiet ones; of a million cells of white noise none is
_LOUDER_OFTEN, _OFTEN = 3.0, 0.05  # the same where the quiet ones are what bursts leave, since these come so often
_OVER_RINGING = 1.5  # times what rings at the same time after an edge
_TO_AND_FRO = 2  # loud swings that the least of bursts has
_SLOW = 1.0  # of a cell: what swings slower is the shape of a pulse
_HALF = 0.5  # of the height of the bursts, beyond which a swing is in one
_MOST_LOUD, _MOST_FADING = 0.4, 0.35  # of the time; of noise through a resonance, whose envelope is Rayleigh's, 0.4 are
_TIED, _TIED_N, _MOSTLY = 0.12, 8, 0.8  # of the time from edge to edge; as often; of the bursts
_APART = 2.5  # loud swings, from which on the next one is of another burst
_BLIND = 2.0  # samples beside an edge, where the edge is all that is seen
_RATED_N, _LEAST_RATED_N = 400, 12  # bursts that a rate is looked for in
_IN_STEP, _LIKELY = 0.6, 8.0  # of the bursts; nats
_NEAR, _NEAR_N = 0.9, 8  # of the sharpest rate; rates beside it
_AT_ONE_PLACE = 0.9
_OF_EDGES, _PARTS = 4, 20.0  # times the pulse rate; parts of it that a rate is told to as well as to one
_TOLD_N = 100
_KEPT_N = 2**18  # loud swings
_PART_N = 2**16  # cells that are looked at together


@dataclass(frozen=True, slots=True, kw_only=True)
class Swings:
    """Swings between edges, all of shape (n,), in the order of their times: height, middle, duration, which stretch."""

    sizes: FloatArray
    middles_s: FloatArray
    lasts_s: FloatArray
    stretch: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Bursts:
    """Bursts between the edges.

    Attributes:
        bursts_n: as many are seen.
        at_s: when they begin, the first hundred.
        height: median of their highest swings, peak to peak.
        highest: of all of them.
        rings_Hz: that they swing with.
        lasts_s: median duration.
        per_s: as many come in a second, as far as edges do not hide them.
        every_Hz: regular rate that they come with; NaN where they do not.
    """

    bursts_n: int
    at_s: tuple[float, ...]
    height: float
    highest: float
    rings_Hz: float
    lasts_s: float
    per_s: float
    every_Hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cells:
    """Cells of a trace, from its first edge to its last one.

    Attributes:
        all_s: edges.
        width_s: of each cell.
        tops: how far a swing goes in each, at most, shape (n,).
        after_s: from the edge before to its middle, shape (n,).
        places: where between two edges it lies, after edges of one kind and of the other, shape (n,).
        is_seen: False beside an edge, and where nothing was recorded, shape (n,).
        seen_n: how many that are seen lie before each, shape (n,).
    """

    all_s: FloatArray
    width_s: float
    tops: npt.NDArray[np.float32]
    after_s: npt.NDArray[np.float32]
    places: npt.NDArray[np.int8]
    is_seen: BoolArray
    seen_n: npt.NDArray[np.int32]

    def at(self, times_s: FloatArray) -> IntArray:
        """Which cells some times lie in."""
        at = ((times_s - self.all_s[0]) / self.width_s).astype(np.int64)
        return np.asarray(np.clip(at, 0, len(self.tops) - 1))

    def least(self, louder: float, rings_s: float, least: float) -> FloatArray:
        """From which height on a swing is loud, by place.

        Args:
            louder: times as high as the quiet cells.
            rings_s: how long the trace rings after an edge.
            least: that any is.
        """
        quiet, is_ringing = np.zeros(2 * _PLACES_N), np.zeros(2 * _PLACES_N, dtype=bool)
        for place in range(2 * _PLACES_N):
            inside = self.is_seen & (self.places == place)
            if inside.any():
                quiet[place] = np.quantile(self.tops[inside], _QUIET)
                is_ringing[place] = float(np.median(self.after_s[inside])) < rings_s + self.width_s
        is_ringing &= rings_s > 0
        usual = float(np.quantile(quiet[~is_ringing], _AS_QUIET)) if not is_ringing.all() else 0.0
        over = np.where(is_ringing, 0.0, louder * quiet)
        return np.asarray(np.maximum(np.maximum(over, louder * usual), least))


def bursts_of(
    swings: Callable[[], Iterator[Swings]],
    all_s: FloatArray,
    unrecorded_s: FloatArray,
    *,
    swing_s: float,
    interval_s: float,
    ringing: tuple[Course, Course] | None,
    rings_s: float,
    least: float,
) -> Bursts | None:
    """Bursts between edges; None where there are none.

    Args:
        swings: gives the swings between the edges in parts, as often as it is asked.
        all_s: edges, in turn of both kinds, shape (m,).
        unrecorded_s: begin and end of stretches without samples, shape (k, 2).
        swing_s: duration of a high swing.
        interval_s: from sample to sample.
        ringing: courses of what rings after edges of both kinds; None = nothing does.
        rings_s: how long it does.
        least: height from which on a swing is worth a word.
    """
    cells = _cells(swings, all_s, unrecorded_s, max(_SWINGS * swing_s, _SAMPLES * interval_s))
    if not cells.is_seen.any():
        return None
    found = _bursts(cells, swings, cells.least(_LOUDER, rings_s, least), ringing)
    if found is not None:
        return found
    # Bursts so dense that they leave little quiet: they are many, of one shape, and most of the time is quieter yet.
    least_at = cells.least(_LOUDER_OFTEN, rings_s, least)
    if float(np.mean((cells.tops > least_at[cells.places])[cells.is_seen])) < _OFTEN:
        return None
    return _bursts(cells, swings, least_at, ringing, most_loud=_MOST_FADING)


def _cells(
    swings: Callable[[], Iterator[Swings]], all_s: FloatArray, unrecorded_s: FloatArray, width_s: float
) -> _Cells:
    many = max(math.ceil(float(all_s[-1] - all_s[0]) / width_s), 1)
    beside_s = width_s / 2 * (1 + 2 * _BLIND / _SAMPLES)
    after_s, places = np.empty(many, dtype=np.float32), np.empty(many, dtype=np.int8)
    is_seen = np.empty(many, dtype=bool)
    for start in range(0, many, _PART_N):
        part = slice(start, min(start + _PART_N, many))
        middles_s = float(all_s[0]) + (np.arange(part.start, part.stop) + 0.5) * width_s
        stretch = np.clip(np.searchsorted(all_s, middles_s, side="right") - 1, 0, len(all_s) - 2)
        after, before = middles_s - all_s[stretch], all_s[stretch + 1] - middles_s
        after_s[part] = after
        place = np.clip((after / (after + before) * _PLACES_N).astype(np.int64), 0, _PLACES_N - 1)
        places[part] = place + _PLACES_N * (stretch % 2)
        is_seen[part] = np.minimum(after, before) > beside_s
    for first_s, last_s in unrecorded_s:
        first, last = ((np.array((first_s, last_s)) - all_s[0]) / width_s).tolist()
        is_seen[max(math.floor(first - 1), 0) : max(math.ceil(last + 1), 0)] = False
    cells = _Cells(
        all_s=all_s,
        width_s=width_s,
        tops=np.zeros(many, dtype=np.float32),
        after_s=after_s,
        places=places,
        is_seen=is_seen,
        seen_n=np.cumsum(is_seen, dtype=np.int32),
    )
    for each in swings():
        sizes = _within(each, width_s)
        begins = cells.at(each.middles_s - each.lasts_s / 2)
        spans = np.where(each.lasts_s > width_s, cells.at(each.middles_s + each.lasts_s / 2) - begins + 1, 1)
        at = np.where(spans > 1, begins, cells.at(each.middles_s))
        at = np.repeat(at, spans) + np.arange(int(spans.sum())) - np.repeat(np.cumsum(spans) - spans, spans)
        sizes = np.repeat(sizes, spans)
        order = np.argsort(at, kind="stable")
        at, sizes = at[order], sizes[order]
        firsts = np.flatnonzero(np.diff(at, prepend=-1))
        cells.tops[at[firsts]] = np.maximum(cells.tops[at[firsts]], np.maximum.reduceat(sizes, firsts))
    return cells


def _within(swings: Swings, width_s: float) -> FloatArray:
    """How far swings go within a cell, shape (n,): what is slower is the shape of a pulse."""
    return np.asarray(swings.sizes * np.minimum(width_s / np.maximum(swings.lasts_s, 1e-300), 1.0))


def _bursts(
    cells: _Cells,
    swings: Callable[[], Iterator[Swings]],
    least: FloatArray,
    ringing: tuple[Course, Course] | None,
    *,
    most_loud: float = _MOST_LOUD,
) -> Bursts | None:
    """Groups of swings that are loud for their place, where most of the time is quiet."""
    parts: list[tuple[FloatArray, FloatArray, FloatArray, IntArray]] = []
    until_s = float(cells.all_s[-1])
    for each in swings():
        at = cells.at(each.middles_s)
        kept = (_within(each, cells.width_s) > least[cells.places[at]]) & cells.is_seen[at]
        kept &= each.lasts_s < _SLOW * cells.width_s
        if ringing is not None:
            kept &= each.sizes > _OVER_RINGING * _rung(each, cells.all_s, ringing)
        parts.append((each.sizes[kept], each.middles_s[kept], each.lasts_s[kept], at[kept]))
        if sum(len(part[0]) for part in parts) > _KEPT_N:
            until_s = float(each.middles_s[-1])
            break
    sizes, middles_s, lasts_s, at = map(np.concatenate, zip(*parts, strict=True))
    if not len(sizes):
        return None
    # What an edge parts is one burst, and so is what noise parts.
    apart_s = max(cells.width_s, _APART * float(np.median(lasts_s)))
    is_first = (np.diff(middles_s, prepend=-np.inf) > apart_s) & (np.diff(cells.seen_n[at], prepend=-2) > 1)
    firsts = np.flatnonzero(is_first)
    if np.median(np.diff(firsts, append=len(sizes))) < _TO_AND_FRO:
        return None  # the slope of a pulse, or of what it stands on
    highs = np.maximum.reduceat(sizes, firsts)
    height = float(np.median(highs))
    if _loud_share(swings, _HALF * height) > most_loud:
        return None
    begins_s, swing_s = middles_s[firsts], float(np.median(lasts_s))
    ends_s = middles_s[np.append(firsts[1:] - 1, len(middles_s) - 1)]
    every_Hz = _rate_Hz(begins_s)
    if _keep_time(every_Hz, begins_s, cells.all_s):
        every_Hz = math.nan
    if math.isnan(every_Hz) and _are_tied(begins_s, ends_s, cells.all_s):
        return None
    seen_s = (until_s - float(cells.all_s[0])) * max(float(cells.is_seen.mean()), 1 / len(cells.tops))
    return Bursts(
        bursts_n=len(firsts),
        at_s=tuple(begins_s[:_TOLD_N].tolist()),
        height=height,
        highest=float(highs.max()),
        rings_Hz=0.5 / swing_s,
        lasts_s=float(np.median(ends_s - begins_s)) + swing_s,
        per_s=len(firsts) / seen_s,
        every_Hz=every_Hz,
    )


def _rung(swings: Swings, all_s: FloatArray, courses: tuple[Course, Course]) -> FloatArray:
    """What is locked to the edges where each swing is, shape (n,)."""
    found, after_s = np.zeros(len(swings.sizes)), swings.middles_s - all_s[swings.stretch]
    for way, course in enumerate(courses):
        inside = swings.stretch % 2 == way
        found[inside] = course.swings_at(after_s[inside])
    return found


def _loud_share(swings: Callable[[], Iterator[Swings]], height: float) -> float:
    """Share of the time that swings are higher."""
    loud_s, all_s = 0.0, 0.0
    for each in swings():
        loud_s += float(each.lasts_s[each.sizes > height].sum())
        all_s += float(each.lasts_s.sum())
    return loud_s / all_s


def _are_tied(begins_s: FloatArray, ends_s: FloatArray, all_s: FloatArray) -> bool:
    """Whether they come at one place between two edges, after edges of both kinds each.

    So do what is left of a low tooth, the far end of a ringing, a shape with more than one top. A burst that lasts over
    edges begins once, as far as bursts come so seldom that it can be told.
    """
    period_s = 2 * float(np.median(np.diff(all_s)))
    is_alone = np.insert(begins_s[1:] - ends_s[:-1] > period_s, 0, True)
    if np.count_nonzero(is_alone) >= _TIED_N:
        begins_s = begins_s[is_alone]
    stretch = np.clip(np.searchsorted(all_s, begins_s, side="right") - 1, 0, len(all_s) - 2)
    if len(np.unique(stretch)) < _TIED_N:
        return False
    share = (begins_s - all_s[stretch]) / (all_s[stretch + 1] - all_s[stretch])
    ways = [share[stretch % 2 == each] for each in (0, 1)]
    away = np.concatenate([np.abs(each - np.median(each)) for each in ways if len(each)])
    return float(np.mean(away < _TIED)) > _MOSTLY


def _keep_time(every_Hz: float, begins_s: FloatArray, all_s: FloatArray) -> bool:
    """Whether bursts of a rate come at one place of the pulses, or at a low multiple or a part of their rate.

    So do teeth that differ, and what edges hide a part of.
    """
    if math.isnan(every_Hz):
        return False
    rising_s = all_s[::2]
    pulse = np.clip(np.searchsorted(rising_s, begins_s, side="right") - 1, 0, len(rising_s) - 2)
    share = (begins_s - rising_s[pulse]) / (rising_s[pulse + 1] - rising_s[pulse])
    if abs(np.exp(2j * np.pi * share).mean()) > _AT_ONE_PLACE:
        return True
    span_s, pulse_Hz = float(begins_s[-1] - begins_s[0]), (len(all_s) - 1) / 2 / float(all_s[-1] - all_s[0])
    order, part = round(every_Hz / pulse_Hz), round(pulse_Hz / every_Hz)
    is_multiple = 1 <= order <= _OF_EDGES and abs(every_Hz - order * pulse_Hz) * span_s < 1
    return is_multiple or (part >= 1 and abs(part * every_Hz - pulse_Hz) * span_s < 1 + part / _PARTS)


def _rate_Hz(begins_s: FloatArray) -> float:
    """Regular rate of bursts, however many of them edges hide; NaN where they have none.

    By the resultant of their phases (Rayleigh's test, from memory: where there is no rate, n times its square is
    exponential).
    """
    begins_s = begins_s[:_RATED_N] - begins_s[0]
    many = len(begins_s)
    if many < _LEAST_RATED_N:
        return math.nan
    span_s = float(begins_s[-1])
    rates_Hz = np.arange(2 / span_s, 1.5 / float(np.median(np.diff(begins_s))), 0.2 / span_s)
    if not len(rates_Hz):
        return math.nan
    means = np.exp(2j * np.pi * np.outer(rates_Hz, begins_s)).mean(axis=1)
    sharp = np.abs(means)
    best = float(sharp.max())
    if best < _IN_STEP or many * best**2 < math.log(len(rates_Hz)) + _LIKELY:
        return math.nan
    near = np.flatnonzero(sharp > _NEAR * best)
    near = near[near <= near[0] + _NEAR_N]  # of a rate and its multiples the lowest
    at = near[np.argmax(sharp[near])]
    turns = np.round(rates_Hz[at] * begins_s - float(np.angle(means[at])) / (2 * np.pi))
    return float(1 / np.polynomial.Polynomial.fit(turns, begins_s, 1).convert().coef[1])
