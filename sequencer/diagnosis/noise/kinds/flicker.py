"""Quantisation flicker: readings change between neighbouring levels, of a counter's gate or of a last digit."""

import math

import numpy as np
from scipy import fft

from instruments.texts import sized
from sequencer.diagnosis.noise.averaging import CLOCK_Hz, counter_resolution
from sequencer.diagnosis.noise.densities import log_mixture, log_normal
from sequencer.diagnosis.noise.fitting import cells, climb, cost, cost_of_step, logit, share_of, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise, PulseRate, Run, RunFit
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray

__all__ = ["FLICKER", "last_digit"]

# In a burst.
_WIDEST_STEP = 0.6  # of the largest reading: a wider gap between two levels is a loss of signal, no lattice
# A counter's levels carry no noise: of five pairs of levels that do, one is its own (own judgement, no source).
_NOISY = 5.0
_MEDIAN_TO_SD = 0.6745  # of the sizes of normal noise
_ROUNDED = 2.0  # floors, up to which there is none
_FEWEST_ON_A_LEVEL = 2  # readings
_TOLD_APART_SDS = 5  # levels nearer to each other leave what looks like memory where readings are put on the wrong one
_START_SHARE_WIDTH, _START_STEP_WIDTH = 0.3, 0.02  # first steps of the climb, as logit and as logarithm
# Gates longer than the readings are apart: changes of level that tell one, and how they are looked at.
_FEWEST_CHANGES = 4
_SHORTEST_GATE, _FEWEST_GATES = 1.02, 12  # readings in a gate, gates in a burst
_FINER, _RATES_N = 8, 16  # rates looked at for each independent one; tried
_REFINED_N, _REFINEMENTS_N, _FINER_BY = 3, 2, 2.5  # of them, those about which others are tried, each time nearer
_NEAR, _TURN_WIDTH = np.linspace(-1, 1, 7), 0.1  # tried about each; turns
_CAUGHT = 0.02  # of the readings straddle two gates
_BETWEEN = 0.5  # a change lies between two readings

# In a run, as fractions of span.
_HOP_SDS, _HOP_SHARE = 8, 0.2  # a hop between levels: in the smallest noise, and as a share of the tolerance
_SHORTEST, _LONGEST = 0.5, 1.6  # spacings tried: of the median hop, and of the largest (it may jump two levels)
_SELDOM = 0.003  # of the gates at a whole count give the next one: the input is not known to the last digit
_SELDOM_DIFFER = 10 * _SELDOM  # of two gates one after the other, where both count the same
_STRADDLING = (0.1, 0.3, 0.9)  # of the readings after a hop lie between the levels: filter against gate
_FAR_BETWEEN = -60.0  # log density of a reading beyond the two neighbouring levels
_ON_LEVEL_SDS = 6  # a reading that near stands on a level
_BLURS = (1, 2, 4)  # noise beneath, in what the readings on a level scatter
_AS_GOOD_NATS = 3.0  # spacings that are told as well are all said
_SELDOM_N = 8  # hops; from fewer a spacing is not told from its parts

# Search for spacings.
_PER_LEVEL, _MOST_SIZES, _FEWEST_SIZES = 6, 40_000, 64  # tried: enough that the highest count stays on its level
_MOST_VALUES = 80  # that the search looks at; the fit looks at all
_VALUE_DIGITS = 5  # of a fraction of span: what differs by less is one value
_PEAKS_N = 40


def last_digit(burst: Burst, *, is_still: bool = True) -> BurstFit:
    """Readings that differ by a digit or two: they say nothing of anything else; or that move, and go to and fro."""
    levels = np.unique(np.round(burst.y / burst.resolution))
    mean = show(float(burst.y.mean()), burst.unit, 7)
    words = f"{len(levels)} levels of the last digit ({show(burst.resolution, burst.unit)})"
    words += f": truly near {mean}" if is_still else ", between neighbours of which the readings go to and fro"
    return BurstFit(kind="quantisation flicker", log_evidence=0.0, words=words, size=burst.resolution)


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    """Two levels a spacing apart, with white noise."""
    y, floor, spacing = burst.y, burst.floor, burst.spacing
    ordered = np.sort(y)
    largest = float(np.abs(y).max())
    widest_step = _WIDEST_STEP * largest
    values, counts = cells(y)

    def likelihood(at: FloatArray) -> float:
        step, sd = math.exp(at[3]), math.hypot(math.exp(at[1]), floor)
        if step > widest_step and spacing is None:
            return -math.inf
        away = values - at[0]
        return float(counts @ log_mixture(share_of(at[2]), log_normal(away, sd), log_normal(away - step, sd)))

    # Cut at the widest gap, and in the middle, since noise as wide as a step leaves no gap.
    fits = []
    for cut in {int(np.argmax(np.diff(ordered))) + 1, len(y) // 2}:
        lower, upper = ordered[:cut], ordered[cut:]
        step = float(upper.mean() - lower.mean())
        if step <= 0:
            continue
        sd = max(math.sqrt((lower.var() * len(lower) + upper.var() * len(upper)) / len(y)), floor)
        start = (float(lower.mean()), math.log(sd), logit(len(upper) / len(y)), math.log(spacing or step))
        fits.append(climb(likelihood, start, (sd, 0.2, _START_SHARE_WIDTH, 0.0 if spacing else _START_STEP_WIDTH)))
    if not fits:
        return (
            BurstFit(kind="quantisation flicker", log_evidence=-math.inf, words="one level", residual=y - y.mean()),
        )
    best, at = max(fits, key=lambda fit: fit[0])
    step, sd = math.exp(at[3]), math.hypot(math.exp(at[1]), floor)
    is_upper = y > at[0] + step / 2
    if min(int(is_upper.sum()), int((~is_upper).sum())) < _FEWEST_ON_A_LEVEL:
        best = -math.inf  # one reading alone is no level
    rest = y - np.where(is_upper, np.median(y[is_upper]) if is_upper.any() else 0.0, at[0])
    is_noisy = not spacing and sd > _ROUNDED * floor
    best -= math.log(_NOISY) * is_noisy
    best -= cost(2, len(y)) + (0.0 if spacing else cost_of_step(step, sd, share_of(at[2]), largest, len(y)))
    is_apart = step > _TOLD_APART_SDS * sd
    # What is read while the level changes lies on none.
    near = _ON_LEVEL_SDS * max(float(np.median(np.abs(rest))) / _MEDIAN_TO_SD, floor)
    on_level = np.abs(rest) <= near if is_apart else np.ones(len(y), dtype=bool)
    gained, gate_n = 0.0, 1.0
    if is_apart:
        low, high = log_normal(y - at[0], sd), log_normal(y - at[0] - step, sd)
        gained, gate_n = _gates(burst, low, high, share_of(at[2]), step)
    return (
        BurstFit(
            kind="quantisation flicker",
            log_evidence=best + gained,
            words=_words(burst, at[0], step, float(is_upper.mean()), gate_n, is_noisy=is_noisy),
            residual=rest[on_level] if is_apart else None,
            is_left=None if on_level.all() else on_level,
            sd=sd,
            size=step,
            share=share_of(at[2]),
        ),
    )


def _gates(burst: Burst, low: FloatArray, high: FloatArray, share: float, step: float) -> tuple[float, float]:
    """What is gained if the level changes from gate to gate alone, and readings in a gate; 0 and 1 where nothing is.

    Args:
        burst: times of the readings.
        low: log density of each reading on the lower level; shape (n,).
        high: the same on the upper one.
        share: of the upper one.
        step: between them.
    """
    n = len(low)
    is_change = np.diff(high > low)
    changes_n = int(np.count_nonzero(is_change))
    if changes_n < _FEWEST_CHANGES:
        return 0.0, 1.0
    places = (burst.t - burst.t[0]) / burst.length_s * (n - 1)
    lower, upper = (np.logaddexp(each + math.log1p(-_CAUGHT), math.log(_CAUGHT / step)) for each in (low, high))
    alone = float(log_mixture(share, lower, upper).sum())
    best, gate_n = 0.0, 1.0
    for rate, turn in _rates(is_change, places):
        starts = np.flatnonzero(np.diff(np.floor(places * rate - turn), prepend=-np.inf))
        together = log_mixture(share, np.add.reduceat(lower, starts), np.add.reduceat(upper, starts))
        # Each change has the edge of a gate within a reading of it, so k changes tell the phase to a k-th of a gate,
        # and the rate to as much over the burst; the phase might have been any, and so might the length.
        chosen = math.log(changes_n**2 * max(rate * n, 1.0))
        gained = float(together.sum()) - alone - chosen
        if gained > best:
            best, gate_n = gained, 1 / rate
    return best, gate_n


def _rates(is_change: BoolArray, places: FloatArray) -> list[tuple[float, float]]:
    """Gates in a reading that have fewest changes of level within a gate, and the phase of the first reading, turns."""
    n = len(places)
    cells_n = fft.next_fast_len(_FINER * n)
    turned = fft.fft(is_change - is_change.mean(), cells_n)[: cells_n // 2 + 1]
    size = np.abs(turned)
    is_peak = np.concatenate(([False], (size[1:-1] > size[:-2]) & (size[1:-1] >= size[2:]), [True]))
    is_peak[: math.ceil(_FEWEST_GATES / n * cells_n)] = False
    peaks = np.flatnonzero(is_peak)
    found = []
    for peak in peaks[np.argsort(-size[peaks])][:_RATES_N].tolist():
        turns = -float(np.angle(turned[peak])) / (2 * np.pi)
        # What a rate shows at whole places, one less that rate shows too.
        for rate, turn in ((peak / cells_n, turns), (1 - peak / cells_n, -turns)):
            if rate <= 1 / _SHORTEST_GATE:
                found.append((_within(is_change, places, rate, turn + _BETWEEN * rate), rate, turn + _BETWEEN * rate))
    refined = []
    for coarse in sorted(found)[:_REFINED_N]:
        best = coarse
        width, turn_width = 1 / cells_n, _TURN_WIDTH
        for _ in range(_REFINEMENTS_N):
            _, rate, turn = best
            some = [best]
            # Turned about the middle of the burst, rate and phase are known for themselves.
            for off in (width * _NEAR).tolist():
                ats = [(rate + off, turn + each) for each in (turn_width * _NEAR + off * n / 2).tolist()]
                some += [(_within(is_change, places, *at), *at) for at in ats]
            best = min(some)
            width, turn_width = width / _FINER_BY, turn_width / _FINER_BY
        refined.append(best[1:])
    return refined


def _within(is_change: BoolArray, places: FloatArray, rate: float, turn: float) -> float:
    """Changes within a gate, over what chance would give."""
    is_one = np.diff(np.floor(places * rate - turn)) == 0
    return float(np.count_nonzero(is_change & is_one) - is_change.mean() * np.count_nonzero(is_one))


def _words(burst: Burst, low: float, step: float, duty: float, gate_n: float, *, is_noisy: bool) -> str:
    """Two levels, and what is true of them: of counts the mean, of a display that rounds between it and the middle.

    A display flips in the middle between its levels; the more the readings scatter, the nearer is the mean.
    """
    unit, n, between = burst.unit, len(burst.y), float(burst.y.mean())
    gates_n = n / gate_n
    u = step * math.sqrt(max(duty * (1 - duty), 1 / gates_n) / gates_n)
    upper = f"two levels {show(step, unit)} apart, {100 * duty:.0f} % on the upper one"
    is_count = unit == "Hz" or burst.is_counted
    words = f"{upper}: {'if they are counts, ' if is_noisy or not is_count else ''}truly {show(between, unit, 6)}"
    words += f" ± {show(2 * u, unit, 2)}"
    if not is_count:
        middle = low + step / 2
        ends = min(between, middle) - 2 * u, max(between, middle) + 2 * u
        words += f"; if it is rounded, between {show(ends[0], unit, 6)} and {show(ends[1], unit, 6)}"
    if gate_n > 1:
        words += f"; it changes from gate to gate of {sized(gate_n * burst.interval_s, 2)} s alone"
    if unit != "Hz":
        return words
    finer_Hz = counter_resolution(between, 1 / step, clock_Hz=CLOCK_Hz)
    return (
        f"{words}; a gate of {sized(1 / step)} s has that step, a reciprocal counter with a clock of "
        f"{CLOCK_Hz / 1e6:g} MHz one of {show(finer_Hz, unit, 2)} in the same time"
    )


def _fit_run(run: Run) -> RunFit | None:
    """Whole pulses in a gate: each reading is one of the two neighbouring counts, as often as the fraction says.

    A reading that straddles two gates lies between the two counts. None where nothing is counted or nothing hops.
    """
    if run.rate is None or run.raw.shape[1] < 2:
        return None
    hop = np.abs(np.diff(run.raw, axis=1))
    low = float(run.sds[0])
    hop = hop[np.isfinite(hop) & (hop > max(_HOP_SDS * low, _HOP_SHARE * run.tolerance))]
    if not hop.size:
        return None
    exact = run.ideal - run.rate.origin
    # What is counted is the input; the errors of the unit come after it.
    counted = np.where(run.has, run.raw, 0.0) - (run.center - exact)[:, np.newaxis]
    every: list[tuple[float, float]] = []
    shortest, longest = _SHORTEST * float(np.median(hop)), _LONGEST * float(hop.max())
    for size, shift in _lattices(counted[run.has], shortest, longest, float(run.sds[-1])):
        every += _on_lattice(run, counted - shift, exact, size)
    if not every:
        return None
    best, size = max(every)
    # Seen seldom, it is told apart from its parts by few readings.
    among = [each for total, each in every if total > best - _AS_GOOD_NATS]
    return RunFit(
        theta=(size,),
        log_evidence=float(np.logaddexp.reduce([total for total, _ in every]) - np.log(len(every))),
        text=_text(run.rate, min(among), max(among), is_seldom=hop.size < _SELDOM_N),
    )


def _on_lattice(run: Run, counted: FloatArray, exact: FloatArray, size: float) -> list[tuple[float, float]]:
    """Log evidence of all readings for each blur and share of straddling ones, with the spacing."""
    low, widest = float(run.sds[0]), float(run.sds[-1])
    nearest = np.round(exact / size)
    beyond = (exact / size - nearest)[:, np.newaxis]
    off = counted - nearest[:, np.newaxis] * size
    # The input is not known to the last digit: at a whole count the next one may come from either side.
    above, below = np.clip(beyond, _SELDOM, 1), np.clip(-beyond, _SELDOM, 1)
    differ = np.clip(2 * np.abs(beyond) * (1 - np.abs(beyond)), _SELDOM_DIFFER, 1)  # two gates, one after the other
    between = np.where(np.abs(off) < size, -np.log(2 * size), _FAR_BETWEEN)
    on_level = off[run.has & (np.abs(off) < _ON_LEVEL_SDS * widest)]
    own = max(float(np.sqrt(np.mean(on_level**2))), low) if on_level.size else widest
    found = []
    for sd in (blur * own for blur in _BLURS):
        higher = log_mixture(above, log_normal(off, sd), log_normal(off - size, sd))
        three = log_mixture(below, higher, log_normal(off + size, sd))
        found += [(float(log_mixture(each * differ, three, between)[run.has].sum()), size) for each in _STRADDLING]
    return found


def _text(rate: PulseRate, smallest: float, largest: float, *, is_seldom: bool) -> str:
    hz = rate.span_Hz
    finer_pct = 100 * counter_resolution(rate.top_Hz, 1 / (largest * hz), clock_Hz=CLOCK_Hz) / hz
    return (
        f"input resolved to {_between(smallest * hz, largest * hz)} Hz, which is "
        f"{_between(100 * smallest, 100 * largest)} % of span: the reading flickers between two neighbouring levels"
        f"{'; seen so seldom, it may be a part of the step' if is_seldom else ''}; a gate of about "
        f"{_between(1 / largest / hz, 1 / smallest / hz)} s has that step, a reciprocal counter with a clock of "
        f"{CLOCK_Hz / 1e6:g} MHz one of {finer_pct:.1g} % of span"
    )


def _between(low: float, high: float) -> str:
    return sized(high, 2) if high < 1.1 * low else f"{sized(low, 2)} to {sized(high, 2)}"


def _lattices(values: FloatArray, low: float, high: float, sd: float) -> list[tuple[float, float]]:
    """Spacing of the lattices that suit the values best, and how far each is shifted from zero."""
    count = int(min(np.log(high / low) * float(np.abs(values).max()) / low * _PER_LEVEL, _MOST_SIZES))
    sizes = np.geomspace(low, high, max(count, _FEWEST_SIZES))
    some = np.unique(np.round(values, _VALUE_DIGITS))
    if some.size > _MOST_VALUES:
        some = some[:: some.size // _MOST_VALUES + 1]
    score = np.cos(2 * np.pi * some[:, np.newaxis] / sizes).sum(axis=0)
    is_peak = np.concatenate(([True], score[1:] >= score[:-1])) & np.concatenate((score[:-1] > score[1:], [True]))
    peaks = np.flatnonzero(is_peak)
    found = []
    for near in sizes[peaks[np.argsort(-score[peaks])][:_PEAKS_N]]:
        # A line through what lies on the levels: high counts tell a spacing better than the grid does.
        counts = np.round(values / near)
        is_on = np.abs(values - near * counts) < _ON_LEVEL_SDS * sd
        if np.unique(counts[is_on]).size > 1:
            spacing, shift = np.polynomial.polynomial.polyfit(counts[is_on], values[is_on], 1)[::-1]
            found.append((float(spacing), float(shift)))
    return found


FLICKER = KindOfNoise(
    name="quantisation flicker",
    cause="whole pulses counted in a gate, or the last digit of a display or converter",
    check="lengthen the gate, or count reciprocally: the step shrinks as 1 / gate; averaging many gates helps, a "
    "filter does not",
    fit_burst=_fit_burst,
    fit_run=_fit_run,
    fault="gate quantisation",
    weight=2.0,  # every counter has it (trade practice, no source)
    has_two_levels=True,
    may_come_with_drive=True,
    is_local=True,  # at a whole count nothing flickers
)
