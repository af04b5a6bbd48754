"""A pulse train in a trace: edges, rate and jitter, pulses that are missing or counted twice, wheel patterns."""

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.sines import explained, false_alarm
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray, IntArray

__all__ = ["Edges", "PulseTrain", "Wheel", "edges_of", "pulse_train"]

_LOWER, _UPPER = 0.35, 0.65  # of the swing: where thresholds lie if none are given
_ENDS = (0.5, 99.5)  # percentiles that the swing is taken from
_CUT = 0.8  # of a period: a shorter one is no jitter
_SHORT = 0.25  # of a period: an edge that comes sooner after the last is one too many
_AROUND_N = 31  # periods that the normal one is the median of
_LEAST_N = 8
_CHANCE = 1e-4
_MOST_PULSES = 200_000


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
    """

    low: float
    high: float
    lower: float
    upper: float
    rising_s: FloatArray
    falling_s: FloatArray


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
    """

    pulses_n: int
    is_given: bool
    revolutions_n: int
    runout_pct: float
    spread_pct: float
    probability: float
    missing_at: tuple[int, ...]

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
        duty: share of the time above, of a normal pulse.
        missing_n: pulses missing.
        missing_s: when each gap begins, the first hundred.
        extra_n: edges too many.
        extra_s: when, the first hundred.
        extra_after_s: median time from the true edge to the one too many; NaN without any.
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
    duty: float
    missing_n: int
    missing_s: tuple[float, ...]
    extra_n: int
    extra_s: tuple[float, ...]
    extra_after_s: float
    wheel: Wheel | None
    repeat_n: float
    repeat_pct: float


def edges_of(
    values: FloatArray, times_s: FloatArray, *, lower: float | None = None, upper: float | None = None
) -> Edges:
    """Edges by two thresholds (hysteresis), interpolated between samples.

    Args:
        values: shape (n,), any unit, no NaN.
        times_s: shape (n,), rising.
        lower: threshold that arms; None = 35 % of the swing between the two commonest levels.
        upper: threshold that counts; None = 65 %.

    Raises:
        ReadingsError: the trace is flat, or the thresholds are not inside it or the wrong way round.
    """
    bottom, top = (float(each) for each in np.percentile(values, _ENDS))
    if top <= bottom:
        bottom, top = float(values.min()), float(values.max())
    if top <= bottom:
        raise ReadingsError("the trace is flat: no edge in it", todo="check probe, range and trigger")
    middle = (bottom + top) / 2
    low, high = float(np.median(values[values <= middle])), float(np.median(values[values > middle]))
    lower = low + _LOWER * (high - low) if lower is None else lower
    upper = low + _UPPER * (high - low) if upper is None else upper
    if not values.min() < lower <= upper < values.max():
        raise ReadingsError(
            f"thresholds of {lower:.4g} and {upper:.4g} do not lie in the trace",
            allowed=f"lower, then upper, between {values.min():.4g} and {values.max():.4g}",
        )
    state = np.where(values > upper, 1, np.where(values < lower, -1, 0)).astype(np.int8)
    known = np.flatnonzero(state)
    held = state[known]
    turned = np.flatnonzero(np.diff(held)) + 1
    places, ways = known[turned], held[turned]
    rising, falling = places[ways > 0], places[ways < 0]
    return Edges(
        low=low,
        high=high,
        lower=lower,
        upper=upper,
        rising_s=_crossed(values, times_s, rising, upper),
        falling_s=_crossed(values, times_s, falling, lower),
    )


def _crossed(values: FloatArray, times_s: FloatArray, places: IntArray, level: float) -> FloatArray:
    """When the level was crossed just before each place."""
    before, after = values[places - 1], values[places]
    share = np.clip((level - before) / np.where(after == before, 1.0, after - before), 0.0, 1.0)
    return np.asarray(times_s[places - 1] + share * (times_s[places] - times_s[places - 1]))


def pulse_train(edges: Edges, *, pulses_per_revolution: int | None = None) -> PulseTrain:
    """Rate, jitter, missing pulses, double counts and the pattern of a revolution.

    Args:
        edges: from `edges_of`.
        pulses_per_revolution: of the wheel; None = not known, a missing tooth or a repetition is looked for.

    Raises:
        ReadingsError: fewer than eight rising edges, too many, or no regular train.
    """
    rising_s = edges.rising_s
    if not _LEAST_N <= len(rising_s) <= _MOST_PULSES:
        raise ReadingsError(
            f"{len(rising_s)} rising edges between {edges.lower:.4g} and {edges.upper:.4g}",
            allowed=f"{_LEAST_N} to {_MOST_PULSES} for a pulse train",
            todo="record longer" if len(rising_s) < _LEAST_N else "cut the record",
        )
    kept, is_extra = _without_extra(rising_s)
    periods_s = np.diff(kept)
    normal_s = _normal(periods_s)
    counts = np.maximum(np.round(periods_s / normal_s), 1).astype(np.int64)
    is_single = counts == 1
    single = periods_s[is_single] / normal_s[is_single] - 1
    jitter = 1.4826 * float(np.median(np.abs(single - np.median(single)))) if len(single) else math.nan
    if is_single.mean() < 0.5 or jitter > 0.2:
        raise ReadingsError(
            "the edges come at no regular rate",
            todo="give thresholds that pass the noise, or look at it as readings",
        )
    place = np.concatenate(([0], np.cumsum(counts)))
    extra_at = rising_s[is_extra]
    before = kept[np.maximum(np.searchsorted(kept, extra_at) - 1, 0)]
    gaps = np.flatnonzero(~is_single)
    length_s = float(kept[-1] - kept[0])
    relative = periods_s / _smooth(periods_s, is_single)
    repeat_n, repeat_pct = _repeat(relative[is_single])
    return PulseTrain(
        edges=edges,
        counted_n=len(rising_s),
        rate_Hz=int(place[-1]) / length_s,
        counted_Hz=(len(rising_s) - 1) / float(rising_s[-1] - rising_s[0]),
        period_s=float(np.median(periods_s[is_single])),
        jitter_pct=100 * jitter,
        duty=_duty(kept, edges, is_single, periods_s),
        missing_n=int((counts - 1).sum()),
        missing_s=tuple(float(each) for each in kept[gaps][:100]),
        extra_n=int(is_extra.sum()),
        extra_s=tuple(float(each) for each in extra_at[:100]),
        extra_after_s=float(np.median(extra_at - before)) if len(extra_at) else math.nan,
        wheel=_wheel(place, counts, relative, pulses_per_revolution),
        repeat_n=repeat_n,
        repeat_pct=repeat_pct,
    )


def _without_extra(rising_s: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Edges without those that follow another too soon, and which were taken out."""
    # With every pulse counted twice half of the intervals are short; the upper quartile is still a whole one.
    whole_s = float(np.quantile(np.diff(rising_s), 0.75))
    is_extra = np.zeros(len(rising_s), dtype=bool)
    last_s = float(rising_s[0])
    for index, at_s in enumerate(rising_s[1:].tolist(), start=1):
        if at_s - last_s < _SHORT * whole_s:
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
    return rising_s[~is_extra], is_extra


def _normal(periods_s: FloatArray) -> FloatArray:
    """Median of the periods around each: the rate may change over the record."""
    width = min(_AROUND_N, len(periods_s) - (1 - len(periods_s) % 2))
    padded = np.pad(periods_s, width // 2, mode="reflect") if width > 1 else periods_s
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, max(width, 1)), axis=1))


def _smooth(periods_s: FloatArray, is_single: BoolArray) -> FloatArray:
    """Cubic through the sound periods: takes out a change of speed, and leaves whatever comes back."""
    index = np.arange(len(periods_s), dtype=np.float64)
    return np.asarray(np.polynomial.Polynomial.fit(index[is_single], periods_s[is_single], 3)(index))


def _duty(kept: FloatArray, edges: Edges, is_single: BoolArray, periods_s: FloatArray) -> float:
    """Median share of a period above, of the pulses without fault."""
    ends = np.searchsorted(edges.falling_s, kept[:-1], side="right")
    is_there = ends < len(edges.falling_s)
    is_good = is_single & is_there
    if not is_good.any():
        return math.nan
    above_s = edges.falling_s[ends[is_good]] - kept[:-1][is_good]
    return float(np.median(above_s / periods_s[is_good]))


def _wheel(place: IntArray, counts: IntArray, relative: FloatArray, given: int | None) -> Wheel | None:
    """Pattern of a revolution; without its number of pulses only a gap that comes back tells it."""
    gaps = place[:-1][counts > 1]
    pulses_n = given
    if pulses_n is None:
        apart = np.diff(gaps)
        if len(apart) < 3 or np.ptp(apart) > 0:
            return None
        pulses_n = int(apart[0])
    revolutions_n = int(place[-1]) // pulses_n
    if pulses_n < 2 or revolutions_n < 3:
        return None
    tooth = place[:-1] % pulses_n
    is_single = counts == 1
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
    missing_n = np.bincount(tooth[counts > 1], minlength=pulses_n)
    # The gap stands at the tooth before it.
    missing = np.flatnonzero(missing_n >= 0.8 * revolutions_n) + 1
    return Wheel(
        pulses_n=pulses_n,
        is_given=given is not None,
        revolutions_n=revolutions_n,
        runout_pct=200 * abs(complex(((mean[known] - overall) * np.exp(-1j * turn)).mean())),
        spread_pct=100 * float(np.ptp(mean[known])),
        probability=probability,
        missing_at=tuple(int(each) % pulses_n for each in missing),
    )


def _repeat(single: FloatArray) -> tuple[float, float]:
    """Pulses after which the periods repeat and by how much, %: the strongest line of their sequence, if no chance."""
    n = min(len(single), 4096)
    if n < 32:
        return math.nan, 0.0
    y = single[:n]
    rates = np.arange(1, n // 2) / n
    shares = explained(y, np.arange(n, dtype=np.float64), rates[1:])
    at = int(np.argmax(shares))
    if false_alarm(float(shares[at]), n, len(shares)) > _CHANCE:
        return math.nan, 0.0
    # The variance of a sine is half the square of its amplitude.
    return float(1 / rates[at + 1]), 100 * math.sqrt(2 * float(shares[at]) * float(y.var()))
