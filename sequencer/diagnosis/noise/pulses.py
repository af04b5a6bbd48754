"""A pulse train: rate and jitter, pulses that are missing or counted twice, contacts that bounce, wheel patterns."""

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, special

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.edges import Edges
from sequencer.diagnosis.noise.rhythm import LEAST_N, Rhythm, rhythm_of
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray, IntArray

__all__ = ["Bounce", "PulseTrain", "Wheel", "pulse_train"]

_CHANCE = 1e-4
_MOST_PULSES = 2_000_000
_FIT_N = 50_000  # periods that a change of speed is told by; of more, some
_TIMES_SEEN = 6  # that a swing must come back before it is told from a change of speed
_OVER_SAMPLING = 1.5
_STEADY_PCT = 2.0
_FAR, _FAR_LEAST = 6.0, 1e-4  # in medians of how far a period is off; as a share
_BESIDE_N = 65  # lines that one is compared with
_MOST_DEGREE = 9  # of the polynomial that is the speed
_BOUNCES = 1.5  # edges too many at a pulse that has any, from which on it is a contact
_SCATTER = 0.1  # of when the edge too many comes, from which on it is a contact
_BOUNCING = 0.3  # of the pulses
_WEAK = 0.7  # of the height of the rest
_WEAK_TIMES = 0.8  # of the revolutions, in which a weak tooth is weak


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounce:
    """A contact that opens and closes some times before it rests.

    Attributes:
        bounces_n: edges too many at a pulse that has any, mean.
        lasts_s: longest time from the first edge to the last one before the contact rests.
    """

    bounces_n: float
    lasts_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Wheel:
    """What comes back with every revolution.

    Attributes:
        pulses_n: pulses per revolution.
        is_given: False where it was found from the pattern.
        revolutions_n: how many whole ones were seen.
        runout_pct: amplitude of the once-per-revolution part of the period, % (an eccentric wheel).
        spread_pct: range of the mean period from tooth to tooth, %.
        probability: that a pattern as strong comes by chance.
        missing_at: places on the wheel where a pulse is missing nearly every time, from 0 at the first edge.
        weak_at: places where the pulse is nearly always lower than the rest.
        weakest: height of the lowest of them, or of what is left of one that is missing, as a share of the rest; 1 if
            all are alike.
    """

    pulses_n: int
    is_given: bool
    revolutions_n: int
    runout_pct: float
    spread_pct: float
    probability: float
    missing_at: tuple[int, ...]
    weak_at: tuple[int, ...]
    weakest: float

    @property
    def is_there(self) -> bool:
        """The pattern is no chance."""
        return self.probability < _CHANCE


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseTrain:
    """What a pulse train is.

    Attributes:
        edges: levels and thresholds.
        counted_n: rising edges, as a counter with these thresholds counts them.
        rate_Hz: true pulse rate, double counts taken out and missing ones put in.
        counted_Hz: rate that a counter shows.
        period_s: median period.
        jitter_pct: standard deviation of single periods, robust, % of the period.
        change_pct: how far the period moves over the record, slowly, %.
        duty: share of the time above, of a normal pulse.
        missing_n: pulses missing, of the time that was recorded.
        missing_s: when each gap begins, the first hundred.
        extra_n: edges too many.
        extra_s: when, the first hundred.
        extra_after_s: median time from the true edge to the one too many; NaN without any.
        bounce: where the edges too many are a contact's; None where they are not.
        wheel: pattern of a revolution; None where none is known or seen.
        repeat_n: pulses after which the period repeats itself, found; NaN where it does not.
        repeat_pct: amplitude of that swing, % of the period; 0 where there is none.
    """

    edges: Edges
    counted_n: int
    rate_Hz: float
    counted_Hz: float
    period_s: float
    jitter_pct: float
    change_pct: float
    duty: float
    missing_n: int
    missing_s: tuple[float, ...]
    extra_n: int
    extra_s: tuple[float, ...]
    extra_after_s: float
    bounce: Bounce | None
    wheel: Wheel | None
    repeat_n: float
    repeat_pct: float


def pulse_train(edges: Edges, *, pulses_per_revolution: int | None = None) -> PulseTrain:
    """Rate, jitter, missing pulses, double counts and the pattern of a revolution.

    Args:
        edges: from `edges_of`.
        pulses_per_revolution: of the wheel; None = not known, a missing tooth or a repetition is looked for.

    Raises:
        ReadingsError: fewer than eight rising edges, too many, or no regular train.
    """
    rising_s = edges.rising_s
    if len(rising_s) < LEAST_N:
        raise _too_few(edges)
    if len(rising_s) > _MOST_PULSES:
        raise ReadingsError(f"{len(rising_s)} rising edges", allowed=f"at most {_MOST_PULSES}", todo="cut the record")
    rhythm = rhythm_of(rising_s, edges.falling_s, edges.unrecorded_s)
    if not rhythm.is_regular:
        raise _irregular(edges, rhythm)
    if len(rhythm.kept_s) < LEAST_N:
        raise _too_few(edges, rhythm)
    kept_s, counts, is_single = rhythm.kept_s, rhythm.counts, rhythm.is_single
    place = np.concatenate(([0], np.cumsum(counts)))
    extra_s = rising_s[rhythm.is_extra]
    period = np.maximum(np.searchsorted(kept_s, extra_s) - 1, 0)
    after_s = extra_s - kept_s[period]
    is_within = (extra_s > kept_s[0]) & (extra_s < kept_s[-1])
    gaps = np.flatnonzero((counts > 1) & rhythm.is_recorded)
    smooth_s = _smooth(rhythm.periods_s, is_single)
    relative = rhythm.periods_s / smooth_s
    repeat_n, repeat_pct = _repeat(relative[is_single], edges.timing_s, float(np.median(rhythm.periods_s[is_single])))
    heights = _heights(edges, rhythm)
    missing_n = int((counts - 1)[rhythm.is_recorded].sum())
    recorded_s = float(rhythm.periods_s[rhythm.is_recorded].sum())
    rate_Hz = int(counts[rhythm.is_recorded].sum()) / recorded_s
    change_pct = 100 * float(np.ptp(smooth_s)) / float(np.median(smooth_s))
    if rhythm.is_recorded.all() and change_pct < _STEADY_PCT + rhythm.jitter * 100:
        # The first and the last edge may be displaced; where the rate is one throughout, all edges tell it.
        rate_Hz = float(np.polynomial.Polynomial.fit(kept_s, place, 1).deriv()(0.0))
    return PulseTrain(
        edges=edges,
        counted_n=len(rising_s),
        rate_Hz=rate_Hz,
        counted_Hz=rate_Hz + (int(rhythm.is_recorded[period[is_within]].sum()) - missing_n) / recorded_s,
        period_s=float(np.median(rhythm.periods_s[is_single])),
        jitter_pct=100 * rhythm.jitter,
        change_pct=change_pct,
        duty=_duty(edges, rhythm),
        missing_n=missing_n,
        missing_s=tuple(float(each) for each in kept_s[gaps][:100]),
        extra_n=len(extra_s),
        extra_s=tuple(float(each) for each in extra_s[:100]),
        extra_after_s=float(np.median(after_s)) if len(extra_s) else math.nan,
        bounce=_bounce(edges, rhythm, after_s),
        wheel=_wheel(place, rhythm, relative, heights, pulses_per_revolution),
        repeat_n=repeat_n,
        repeat_pct=repeat_pct,
    )


def _too_few(edges: Edges, rhythm: Rhythm | None = None) -> ReadingsError:
    """What to do: as many pulses as are needed, and two more, at the pace of those that came."""
    came_s = edges.rising_s if rhythm is None else rhythm.kept_s
    many = len(came_s)
    gap_s = float(np.median(np.diff(came_s))) if many > 1 else edges.length_s
    needed_s = max((LEAST_N + 2) * gap_s, 1.5 * edges.length_s)
    digits = 1 - math.floor(math.log10(needed_s))
    needed_s = math.ceil(needed_s * 10**digits) / 10**digits
    counted = f"{many} rising edge{'' if many == 1 else 's'}"
    return ReadingsError(
        f"too few pulses for a rate: {counted} between {edges.lower:.4g} and {edges.upper:.4g}; "
        f"record longer: at least {needed_s:.3g} s",
        allowed=f"at least {LEAST_N} rising edges",
        todo="record longer",
    )


def _irregular(edges: Edges, rhythm: Rhythm) -> ReadingsError:
    """Why no rate is told."""
    gaps_s = np.diff(edges.rising_s)
    return ReadingsError(
        f"the edges come at no regular rate: {len(edges.rising_s)} rising edges, from {gaps_s.min():.3g} to "
        f"{gaps_s.max():.3g} s apart, half of them within {np.median(gaps_s):.3g} s, and no period that "
        f"most of them keep ({100 * rhythm.is_single.mean():.0f} % do)",
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
    many = float(bounces_n.mean())
    if len(hit) < _BOUNCING * len(rhythm.kept_s) or (many < _BOUNCES and scatter < _SCATTER):
        return None
    lasts_s = float(after_s.max())
    if rhythm.hold_s:
        all_s = np.sort(np.concatenate((edges.rising_s, edges.falling_s)))
        starts = np.flatnonzero(np.diff(all_s, prepend=-np.inf) >= rhythm.hold_s)
        lasts_s = float((all_s[np.append(starts[1:] - 1, len(all_s) - 1)] - all_s[starts]).max())
    return Bounce(bounces_n=many, lasts_s=lasts_s)


def _heights(edges: Edges, rhythm: Rhythm) -> FloatArray:
    """Height of each pulse, its edges too many taken with it; shape of the kept edges."""
    return np.asarray(np.maximum.reduceat(edges.heights, np.flatnonzero(~rhythm.is_extra)))


def _smooth(periods_s: FloatArray, is_single: BoolArray) -> FloatArray:
    """Polynomial through the sound periods: takes out a change of speed, and leaves whatever comes back often."""
    index = np.arange(len(periods_s), dtype=np.float64)
    sound = np.flatnonzero(is_single)
    degree = min(_MOST_DEGREE, 3 + len(sound) // (8 * _TIMES_SEEN), len(sound) // 3)
    sound = sound[:: -(-len(sound) // _FIT_N)]
    at, said = index[sound], np.log(periods_s[sound])
    away = said - np.polynomial.Polynomial.fit(at, said, degree)(at)
    # A few periods that are far off, as about a weak tooth, say nothing of the speed.
    kept = np.abs(away - np.median(away)) <= max(_FAR * float(np.median(np.abs(away - np.median(away)))), _FAR_LEAST)
    degree = min(degree, int(kept.sum()) // 3)
    return np.asarray(np.exp(np.polynomial.Polynomial.fit(at[kept], said[kept], degree)(index)))


def _duty(edges: Edges, rhythm: Rhythm) -> float:
    """Median share of a period above, of the pulses without fault; bounces have their parts of it."""
    ends = np.searchsorted(edges.falling_s, edges.rising_s, side="right")
    falls_s = np.append(edges.falling_s, edges.length_s + edges.rising_s[0])
    above_s = falls_s[ends] - edges.rising_s
    whole_s = np.add.reduceat(above_s, np.flatnonzero(~rhythm.is_extra))[:-1]
    return float(np.median((whole_s / rhythm.periods_s)[rhythm.is_single]))


def _wheel(
    place: IntArray, rhythm: Rhythm, relative: FloatArray, heights: FloatArray, given: int | None
) -> Wheel | None:
    """Pattern of a revolution; without its number of pulses a gap or a low pulse that comes back tells it."""
    counts = rhythm.counts
    is_weak = heights < _WEAK * float(np.median(heights))
    is_weak[[0, -1]] = False  # the record may cut them
    pulses_n = given or _distance(place[:-1][(counts > 1) & rhythm.is_recorded]) or _distance(place[is_weak])
    if pulses_n is None:
        return None
    revolutions_n = int(place[-1]) // pulses_n
    if pulses_n < 2 or revolutions_n < 3:
        return None
    tooth = place[:-1] % pulses_n
    is_single = rhythm.is_single
    single, at = relative[is_single], tooth[is_single]
    seen_n = np.bincount(at, minlength=pulses_n)
    mean = np.bincount(at, weights=single, minlength=pulses_n) / np.maximum(seen_n, 1)
    known = seen_n > 0
    overall = float(single.mean())
    between = float((seen_n[known] * (mean[known] - overall) ** 2).sum())
    within = float(((single - mean[at]) ** 2).sum())
    dof_between, dof_within = int(known.sum()) - 1, len(single) - int(known.sum())
    probability = 1.0
    if dof_between > 0 and dof_within > 0:
        # Times are digits of a sample clock: without any scatter a millionth of the period stands for it.
        ratio = (between / dof_between) / max(within / dof_within, 1e-12)
        probability = float(special.fdtrc(dof_between, dof_within, ratio))
    turn = 2 * np.pi * np.flatnonzero(known) / pulses_n
    missing_n = np.bincount(tooth[(counts > 1) & rhythm.is_recorded], minlength=pulses_n)
    # The gap stands at the tooth before it.
    missing = np.flatnonzero(missing_n >= 0.8 * revolutions_n) + 1
    weak_n = np.bincount(place[is_weak] % pulses_n, minlength=pulses_n)
    weak = np.flatnonzero(weak_n >= _WEAK_TIMES * revolutions_n)
    low = [float(np.median(heights[place % pulses_n == each])) for each in weak.tolist()]
    return Wheel(
        pulses_n=pulses_n,
        is_given=given is not None,
        revolutions_n=revolutions_n,
        runout_pct=200 * abs(complex(((mean[known] - overall) * np.exp(-1j * turn)).mean())),
        spread_pct=100 * float(np.ptp(mean[known])),
        probability=probability,
        missing_at=tuple(int(each) % pulses_n for each in missing),
        weak_at=tuple(weak.tolist()),
        weakest=min(low, default=float(np.median(heights))) / float(np.median(heights)),
    )


def _distance(at: IntArray) -> int | None:
    """How many pulses lie between the same thing and the same thing again; None where it does not come back so."""
    apart = np.diff(at)
    return int(apart[0]) if len(apart) >= 3 and np.ptp(apart) == 0 else None


def _repeat(single: FloatArray, timing_s: float, period_s: float) -> tuple[float, float]:
    """Pulses after which the periods repeat and by how much, %: the strongest line of their sequence, if no chance.

    What sampling alone may do is none: edges that jump from sample to sample beat with the sampling.
    """
    n = min(len(single), 4096)
    if n < 32:
        return math.nan, 0.0
    y = single[:n] - single[:n].mean()
    # Jitter of single edges makes periods that swing most from one to the next: each line against those beside it.
    powers = (np.abs(np.fft.rfft(y)) ** 2)[_TIMES_SEEN : n // 2]
    beside = np.maximum(ndimage.median_filter(powers, min(_BESIDE_N, len(powers))) / math.log(2), 1e-300)
    at = int(np.argmax(powers / beside))
    size = 2 * math.sqrt(float(powers[at])) / n
    is_chance = len(powers) * math.exp(-min(float(powers[at] / beside[at]), 700.0)) > _CHANCE
    if is_chance or size * period_s < _OVER_SAMPLING * timing_s:
        return math.nan, 0.0
    return n / (at + _TIMES_SEEN), 100 * size
