"""A pulse train: rate and jitter, pulses that are missing or counted twice, contacts that bounce, wheel patterns."""

import math
from dataclasses import dataclass

import numpy as np

from instruments.errors import ReadingsError
from instruments.texts import sized
from sequencer.diagnosis.noise.bounces import Bounce, closings_of
from sequencer.diagnosis.noise.edges import Edges
from sequencer.diagnosis.noise.marks import Marks
from sequencer.diagnosis.noise.rests import Rest, pauses, rests_of
from sequencer.diagnosis.noise.rhythm import LEAST_N, REGULAR_JITTER, Rhythm
from sequencer.diagnosis.noise.speed import Speed, jitter_of, speed_of
from sequencer.diagnosis.noise.wheel import TIMES_SEEN, Wheel, height_repetition, repetition, wheel_of
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["PulseTrain", "pulse_train"]

_MOST_PULSES = 2_000_000
_NEAR_A_REST_N = 3  # periods that grow towards a stop, faster than the curve through all of them
_STEADY_PCT = 2.0
_LEAST_JITTER_PCT = 1e-4  # a millionth: crystals are no better
_MOST_DEGREE = 9  # of the polynomial that is the speed
_WORTH = 0.01  # that the speed changes by, from which on it is worth a word
_OVER_JITTER = 4.0
_BOUNCES = 1.5  # edges too many at a pulse that has any, from which on it is a contact
_SCATTER = 0.1  # of when the edge too many comes, from which on it is a contact
_BOUNCING = 0.3  # of the pulses
_MOST = 0.5  # of the periods


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseTrain:
    """What a pulse train is.

    Attributes:
        edges: levels and thresholds.
        counted_n: rising edges, as a counter with these thresholds counts them.
        rate_Hz: true pulse rate, double counts taken out and missing ones put in.
        counted_Hz: rate that a counter with these thresholds shows, of the time that was recorded.
        period_s: median period.
        jitter_pct: standard deviation of single periods, robust, about speed and patterns, % of the period.
        jitter_floor_pct: what sampling lets be told of it at least, %.
        adding_up_pct: what of it the next period does not make up for, %.
        scatter_pct: the same about the median of the periods around each, patterns with it, %.
        change_pct: how far the period moves over the record, slowly, %.
        begins_Hz: rate at the begin, as far as that change is known.
        ends_Hz: at the end.
        slowest_Hz: least rate in between.
        fastest_Hz: highest.
        is_changing: the change is more than jitter makes, and worth a word.
        swing_every_s: where that change swings to and fro, how often it does; NaN where it does not.
        swing_pct: amplitude of that, % of the rate; 0 where there is none.
        duty: share of the time above, of a normal pulse.
        rests: times without pulses: before the first, after the last, or as many as no few that are missing take.
        missing_n: pulses missing, of the time that was recorded, without those of rests.
        missing_s: when each gap begins, the first hundred.
        extra_n: edges too many.
        extra_s: when, the first hundred.
        extra_after_s: median time from the true edge to the one too many; NaN without any.
        bounce: where the edges too many are a contact's; None where they are not.
        wheel: pattern of a revolution; None where none is known or seen.
        repeat_n: pulses after which the period repeats itself, found; NaN where it does not.
        repeat_pct: amplitude of that swing, % of the period; 0 where there is none.
        marks: how gaps repeat that are uneven, where all pulses are there; None where they are even.
        height_n: pulses after which their heights repeat themselves; NaN where they do not.
        height_pct: amplitude of that, % of the height; 0 where there is none.
    """

    edges: Edges
    counted_n: int
    rate_Hz: float
    counted_Hz: float
    period_s: float
    jitter_pct: float
    jitter_floor_pct: float
    adding_up_pct: float
    scatter_pct: float
    change_pct: float
    begins_Hz: float
    ends_Hz: float
    slowest_Hz: float
    fastest_Hz: float
    is_changing: bool
    swing_every_s: float
    swing_pct: float
    duty: float
    rests: tuple[Rest, ...]
    missing_n: int
    missing_s: tuple[float, ...]
    extra_n: int
    extra_s: tuple[float, ...]
    extra_after_s: float
    bounce: Bounce | None
    wheel: Wheel | None
    repeat_n: float
    repeat_pct: float
    marks: Marks | None
    height_n: float
    height_pct: float

    @property
    def should_n(self) -> int:
        """Pulses that there were, in the time that was recorded."""
        return self.counted_n - self.extra_n + self.missing_n

    def shown_Hz(self, counted_n: int) -> float:
        """Rate that a counter shows which counts so many edges of this trace."""
        return self.counted_Hz * counted_n / self.counted_n


def pulse_train(edges: Edges, *, pulses_per_revolution: int | None = None) -> PulseTrain:
    """Rate, jitter, missing pulses, double counts and the pattern of a revolution.

    Args:
        edges: from `edges_of`.
        pulses_per_revolution: of the wheel; None = not known, a missing tooth or a repetition is looked for.

    Raises:
        ReadingsError: fewer than eight rising edges, too many, or no regular train.
    """
    rising_s = edges.rising_s
    few = closings_of(rising_s, edges.falling_s, edges.begin_s, edges.begin_s + edges.length_s)
    if len(rising_s) < LEAST_N or (few is not None and few.closings_n < LEAST_N):
        raise _too_few(edges, few)
    if len(rising_s) > _MOST_PULSES:
        raise ReadingsError(f"{len(rising_s)} rising edges", allowed=f"at most {_MOST_PULSES}", todo="cut the record")
    rhythm = edges.rhythm()
    if not rhythm.is_regular:
        raise _irregular(edges, rhythm)
    if len(rhythm.kept_s) < LEAST_N:
        raise _too_few(edges, None)
    kept_s, counts, is_single = rhythm.kept_s, rhythm.counts, rhythm.is_single
    shares = rhythm.periods_s / rhythm.even_s * counts  # of the mean period, where marks are uneven
    place = np.concatenate(([0], np.cumsum(shares)))
    extra_s = rising_s[rhythm.is_extra]
    period = np.maximum(np.searchsorted(kept_s, extra_s) - 1, 0)
    after_s = extra_s - kept_s[period]
    is_within = (extra_s > kept_s[0]) & (extra_s < kept_s[-1])
    is_pause = pauses(rhythm)
    degree = _degree(int(is_single.sum()), pulses_per_revolution)
    speed = speed_of(kept_s[:-1], rhythm.even_s, is_single, degree, pulses_per_revolution=pulses_per_revolution)
    smooth_s = speed.smooth_s
    is_changing, rests = _is_changing(speed, rhythm), rests_of(edges, rhythm)
    is_gap = (counts > 1) & rhythm.is_recorded & ~is_pause
    if is_changing:  # what runs down to a stop, or up from one, has its longest periods there, and no pulse missing
        near = slice(_NEAR_A_REST_N + 1)
        if any(each.is_first for each in rests) and (np.diff(rhythm.periods_s[near]) < 0).all():
            is_gap[:_NEAR_A_REST_N] = False
        if any(each.is_last for each in rests) and (np.diff(rhythm.periods_s[::-1][near]) < 0).all():
            is_gap[-_NEAR_A_REST_N:] = False
    gaps = np.flatnonzero(is_gap)
    relative = rhythm.periods_s / smooth_s  # with the pattern of uneven marks
    period_s = float(np.median(rhythm.even_s[is_single]))
    if rhythm.marks is None:
        samples = float(rhythm.periods_s[is_single].mean()) / edges.interval_s
        repeat_n, repeat_pct = repetition(rhythm, relative, edges.timing_s / period_s, samples)
    else:
        repeat_n, repeat_pct = rhythm.marks.sine_n, 100 * rhythm.marks.sine
    jitter, adding_up = jitter_of((rhythm.even_s / smooth_s)[is_single], repeat_n if rhythm.marks is None else math.nan)
    floor_pct = max(_LEAST_JITTER_PCT, 100 * edges.timing_s / period_s / math.sqrt(6))
    height_n, height_pct = height_repetition(edges, rhythm)
    is_run = rhythm.is_recorded & ~is_pause  # how many pulses a pause would hold is not known exactly
    rate_Hz = float(shares[is_run].sum()) / float(rhythm.periods_s[is_run].sum())
    change_pct = 100 * float(np.ptp(smooth_s)) / float(np.median(smooth_s))
    if is_run.all() and change_pct < _STEADY_PCT + rhythm.jitter * 100:
        # The first and the last edge may be displaced; where the rate is one throughout, all edges tell it.
        rate_Hz = _steady_Hz(edges, rhythm, place)
    recorded_s = float(rhythm.periods_s[rhythm.is_recorded].sum())
    lacking_n = rate_Hz * recorded_s - np.count_nonzero(rhythm.is_recorded)
    return PulseTrain(
        edges=edges,
        counted_n=len(rising_s),
        rate_Hz=rate_Hz,
        counted_Hz=rate_Hz + (int(rhythm.is_recorded[period[is_within]].sum()) - lacking_n) / recorded_s,
        period_s=period_s,
        jitter_pct=max(100 * jitter, floor_pct),
        jitter_floor_pct=floor_pct,
        adding_up_pct=100 * adding_up if 100 * jitter > floor_pct else 0.0,
        scatter_pct=100 * rhythm.jitter,
        change_pct=change_pct,
        begins_Hz=1 / float(smooth_s[0]),
        ends_Hz=1 / float(smooth_s[-1]),
        slowest_Hz=1 / float(smooth_s.max()),
        fastest_Hz=1 / float(smooth_s.min()),
        is_changing=is_changing,
        swing_every_s=speed.swing_every_s,
        swing_pct=100 * speed.swing,
        duty=_duty(edges, rhythm),
        rests=rests,
        missing_n=int((counts - 1)[gaps].sum()),
        missing_s=tuple(float(each) for each in kept_s[gaps][:100]),
        extra_n=len(extra_s),
        extra_s=tuple(float(each) for each in extra_s[:100]),
        extra_after_s=float(np.median(after_s)) if len(extra_s) else math.nan,
        bounce=_bounce(edges, rhythm, after_s),
        wheel=wheel_of(edges, rhythm, relative, pulses_per_revolution),
        repeat_n=repeat_n,
        repeat_pct=repeat_pct,
        marks=rhythm.marks,
        height_n=height_n,
        height_pct=height_pct,
    )


def _steady_Hz(edges: Edges, rhythm: Rhythm, place: FloatArray) -> float:
    """Rate by all pulses, of both edges of each: a baseline that moves displaces them against each other."""
    at_s = rhythm.kept_s
    if not rhythm.is_extra.any():
        ends = np.searchsorted(edges.falling_s, at_s, side="right")
        is_there = ends < len(edges.falling_s)
        after_s = edges.falling_s[ends[is_there]] - at_s[is_there]
        at_s, place = at_s[is_there] + edges.fall_weight * after_s, place[is_there]
    return float(np.polynomial.Polynomial.fit(at_s, place, 1).deriv()(0.0))


def _too_few(edges: Edges, few: Bounce | None) -> ReadingsError:
    """What to do: as many pulses as are needed, and two more, at the pace of those that came."""
    many = len(edges.rising_s) if few is None else few.closings_n
    span_s = float(edges.rising_s[-1] - edges.rising_s[0]) if many > 1 else 0.0
    gap_s = span_s / (many - 1) if span_s else edges.length_s
    needed_s = max((LEAST_N + 2) * gap_s, 1.5 * edges.length_s)
    digits = 1 - math.floor(math.log10(needed_s))
    needed_s = math.ceil(needed_s * 10**digits) / 10**digits
    what = "rising edge" if few is None else "closing"
    counted = f"{many} {what}{'' if many == 1 else 's'}"
    return ReadingsError(
        f"too few pulses for a rate: {counted} between {sized(edges.lower, 4)} and {sized(edges.upper, 4)}; "
        f"record longer: at least {sized(needed_s)} s",
        allowed=f"at least {LEAST_N} rising edges",
        todo="record longer",
    )


def _irregular(edges: Edges, rhythm: Rhythm) -> ReadingsError:
    """Why no rate is told."""
    gaps_s = np.diff(edges.rising_s)
    kept, missing_n = float(rhythm.is_single.mean()), int((rhythm.counts - 1)[rhythm.is_recorded].sum())
    if kept < _MOST:
        why = f"no period that most of them keep ({100 * kept:.0f} % do)"
    elif rhythm.jitter > REGULAR_JITTER:
        why = f"the period scatters by {100 * rhythm.jitter:.0f} %"
    else:
        why = f"too many are lacking between them for one period ({missing_n} of {missing_n + len(rhythm.kept_s)})"
    return ReadingsError(
        f"the edges come at no regular rate: {len(edges.rising_s)} rising edges, from {sized(gaps_s.min())} to "
        f"{sized(gaps_s.max())} s apart, half of them within {sized(np.median(gaps_s))} s; {why}",
        todo="give thresholds that pass the noise, or look at it as readings",
    )


def _bounce(edges: Edges, rhythm: Rhythm, after_s: FloatArray) -> Bounce | None:
    """Whether the edges too many come several at a pulse, or at any time after the true one, and at many pulses."""
    if not len(after_s):
        return None
    number = np.cumsum(~rhythm.is_extra)[rhythm.is_extra]
    hit, bounces_n = np.unique(number, return_counts=True)
    firsts_s = after_s[np.unique(number, return_index=True)[1]]
    scatter = float(np.std(firsts_s)) / max(float(np.mean(firsts_s)), 1e-300)
    if rhythm.hold_s:  # at opening they come late by as much each time, and last how they will
        all_s = np.sort(np.concatenate((edges.rising_s, edges.falling_s)))
        short_s = np.diff(all_s)[np.diff(all_s) < rhythm.hold_s]
        scatter = max(scatter, float(np.std(short_s)) / max(float(np.mean(short_s)), 1e-300) if len(short_s) else 0.0)
    many = float(bounces_n.mean())
    if len(hit) < _BOUNCING * len(rhythm.kept_s) or (many < _BOUNCES and scatter < _SCATTER):
        return None
    lasts_s = float(after_s.max())
    if rhythm.hold_s:
        all_s = np.sort(np.concatenate((edges.rising_s, edges.falling_s)))
        starts = np.flatnonzero(np.diff(all_s, prepend=-np.inf) >= rhythm.hold_s)
        lasts_s = float((all_s[np.append(starts[1:] - 1, len(all_s) - 1)] - all_s[starts]).max())
    return Bounce(closings_n=len(rhythm.kept_s), bounces_n=many, lasts_s=lasts_s)


def _is_changing(speed: Speed, rhythm: Rhythm) -> bool:
    """Whether the speed moves by more than the curve through periods with this jitter may, and is worth a word."""
    if speed.swing:
        return True
    sound_n = int(rhythm.is_single.sum())
    scatter = float(np.std(rhythm.even_s[rhythm.is_single] / speed.smooth_s[rhythm.is_single]))
    scatter *= math.sqrt(sound_n / max(sound_n - speed.degree - 1, 1))
    by_jitter = _OVER_JITTER * scatter * (speed.degree + 1) / math.sqrt(sound_n)
    return float(np.ptp(np.log(speed.smooth_s))) > max(_WORTH, by_jitter)


def _degree(sound_n: int, pulses_per_revolution: int | None) -> int:
    """Of the curve through so many periods; it shall follow no revolution."""
    revolutions_n = sound_n // pulses_per_revolution if pulses_per_revolution else _MOST_DEGREE
    return min(_MOST_DEGREE, 3 + sound_n // (8 * TIMES_SEEN), sound_n // 3, max(revolutions_n - 1, 1))


def _duty(edges: Edges, rhythm: Rhythm) -> float:
    """Median share of a period above, of the pulses without fault; bounces have their parts of it."""
    ends = np.searchsorted(edges.falling_s, edges.rising_s, side="right")
    falls_s = np.append(edges.falling_s, edges.begin_s + edges.length_s)
    above_s = falls_s[ends] - edges.rising_s
    whole_s = np.add.reduceat(above_s, np.flatnonzero(~rhythm.is_extra))[:-1]
    return float(np.median((whole_s / rhythm.even_s)[rhythm.is_single]))
