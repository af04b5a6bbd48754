"""What comes back with every revolution of a wheel: runout, uneven teeth, teeth that are missing or low."""

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, special

from sequencer.diagnosis.noise.edges import Edges
from sequencer.diagnosis.noise.marks import sine_of
from sequencer.diagnosis.noise.rhythm import Rhythm
from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["TIMES_SEEN", "Wheel", "height_repetition", "repetition", "wheel_of"]

_CHANCE, _CHANCE_GIVEN = 1e-4, 1e-3  # below which a pattern is no chance, where it is looked for, or known

_CHANCE_SINE = 0.01  # below which a sine once a revolution is no chance of teeth that all stand a little off
_LEAST_TEETH = 5

TIMES_SEEN = 6
"""Times that a swing must come back before it is told from a change of speed."""

_OVER_SAMPLING = 0.3  # of a displacement by sampling: what stands out of the rest and is less is its overtones
_BESIDE_N = 65  # lines that one is compared with
_LOW, _OVER_SCATTER = 0.04, 8.0  # of the height of the rest, that a weak tooth is lower by; times their scatter
_LEAST_TEETH_HEIGHTS = 8  # from which on heights may swing once a revolution
_WEAK_TIMES = 0.8  # of the revolutions, in which a weak tooth is weak
_LEAST_REVOLUTIONS = 3
_BEAT_ORDERS, _BEAT_LINES = 12, 1.6
_MOST_BEAT = 1.2  # times a sawtooth


@dataclass(frozen=True, slots=True, kw_only=True)
class Wheel:
    """What comes back with every revolution.

    Attributes:
        pulses_n: pulses per revolution.
        is_given: False where it was found from the pattern.
        revolutions_n: how many whole ones were seen.
        runout_pct: amplitude of the once-per-revolution part of the period, % (an eccentric wheel).
        runout_probability: that a part as large comes by chance.
        spread_pct: range of the mean period from tooth to tooth, less the once-per-revolution part, %.
        spread_probability: that what is left differs as much by chance.
        missing_at: places on the wheel where a pulse is missing nearly every time, from 0 at the first edge.
        weak_at: places where the pulse is nearly always lower than the rest.
        weakest: height of the lowest of them, or of what is left of one that is missing, as a share of the rest; 1 if
            all are alike.
    """

    pulses_n: int
    is_given: bool
    revolutions_n: int
    runout_pct: float
    runout_probability: float
    spread_pct: float
    spread_probability: float
    missing_at: tuple[int, ...]
    weak_at: tuple[int, ...]
    weakest: float

    @property
    def chance(self) -> float:
        """Probability below which a pattern is no chance."""
        return _CHANCE_GIVEN if self.is_given else _CHANCE

    @property
    def is_there(self) -> bool:
        """The pattern is no chance."""
        return min(self.runout_probability, self.spread_probability) < self.chance

    def is_repeated_by(self, repeat_n: float) -> bool:
        """Whether what repeats after so many periods comes back with each revolution, once or some times."""
        turns = (self.pulses_n - len(self.missing_at)) / repeat_n
        # The line lies between two of the sequence: half of one over the revolutions seen.
        return round(turns) > 0 and abs(turns - round(turns)) < max(1 / self.revolutions_n, 0.02)


def wheel_of(edges: Edges, rhythm: Rhythm, relative: FloatArray, given: int | None) -> Wheel | None:
    """Pattern of a revolution; without its number of pulses a gap or a low pulse that comes back tells it.

    Args:
        edges: of the trace.
        rhythm: of these edges.
        relative: periods about the speed, which may change, shape (n - 1,) for n kept edges.
        given: pulses per revolution; None = not known.

    Returns:
        None where no wheel is known or seen, or fewer than three revolutions of it.
    """
    counts, heights = rhythm.counts, _level(_heights(edges, rhythm))
    place = np.concatenate(([0], np.cumsum(counts)))
    is_gap = (counts > 1) & rhythm.is_recorded
    is_weak = heights < 1 - max(_LOW, _OVER_SCATTER * float(np.median(np.abs(heights - np.median(heights)))))
    is_weak[[0, -1]] = False  # the record may cut them
    pulses_n = given or _distance(place[:-1][is_gap], 4) or _distance(place[is_weak], 3)
    if pulses_n is None or pulses_n < 2 or int(place[-1]) // pulses_n < _LEAST_REVOLUTIONS:
        return None
    revolutions_n = int(place[-1]) // pulses_n
    # The gap stands at the tooth before it.
    missing = np.flatnonzero(_at_teeth(place[:-1][is_gap], pulses_n) >= _WEAK_TIMES * revolutions_n) + 1
    weak, weakest = _weak(heights[1:-1], place[1:-1] % pulses_n, pulses_n)
    is_single = rhythm.is_single
    at = place[:-1][is_single] % pulses_n
    # A threshold is crossed later by a lower pulse: what is seen of the edges alone is no matter of spacing.
    steady = relative * np.diff(edges.steady_s[~rhythm.is_extra]) / rhythm.periods_s
    patterns = [_pattern(each[is_single], at, pulses_n) for each in (relative, steady)]
    runout_pct, runout_probability = min(each[:2] for each in patterns)
    spread_pct, spread_probability = min(each[2:] for each in patterns)
    return Wheel(
        pulses_n=pulses_n,
        is_given=given is not None,
        revolutions_n=revolutions_n,
        runout_pct=runout_pct,
        runout_probability=runout_probability,
        spread_pct=spread_pct,
        spread_probability=spread_probability,
        missing_at=tuple(int(each) % pulses_n for each in missing),
        weak_at=weak,
        weakest=weakest,
    )


def _weak(heights: FloatArray, at: IntArray, pulses_n: int) -> tuple[tuple[int, ...], float]:
    """Teeth that are lower than the others, which may swing with the revolution; and the height of the lowest."""
    seen_n = _at_teeth(at, pulses_n)
    known = np.flatnonzero(seen_n)
    found = np.array([float(np.median(heights[at == each])) for each in known.tolist()])
    level: FloatArray = np.full(len(known), float(np.median(found)))
    if len(known) >= _LEAST_TEETH_HEIGHTS:
        sizes, keep = sine_of(found, seen_n[known].astype(np.float64), known.astype(np.float64), pulses_n)
        if keep.sum() > len(known) / 2:
            turn = 2 * np.pi * known / pulses_n
            level = sizes[0] + sizes[1] * np.cos(turn) + sizes[2] * np.sin(turn)
    own = heights - np.bincount(known, weights=found, minlength=pulses_n)[at]
    scatter = 1.4826 * float(np.median(np.abs(own))) / np.sqrt(seen_n[known])
    is_weak = found < level - np.maximum(_LOW * level, _OVER_SCATTER * scatter)
    if not is_weak.any():
        return (), 1.0
    return tuple(known[is_weak].tolist()), float((found / level)[is_weak].min())


def _level(heights: FloatArray) -> FloatArray:
    """Heights as shares of those around them: of a coil they grow with the speed."""
    middle = ndimage.median_filter(heights, size=min(_BESIDE_N, len(heights)), mode="nearest")
    return np.asarray(heights / np.where(middle > 0, middle, np.inf))


def _pattern(single: FloatArray, at: IntArray, pulses_n: int) -> tuple[float, float, float, float]:
    """Runout, its probability, spread of the rest, its probability: F-tests against the scatter within each tooth.

    One tooth that is out of place has a part that comes once a revolution too: the sine is that of all others, and no
    runout where it stands no more out of what these leave than by chance.
    """
    seen_n = _at_teeth(at, pulses_n)
    known = np.flatnonzero(seen_n)
    weights = seen_n[known].astype(np.float64)
    mean = np.bincount(at, weights=single, minlength=pulses_n)[known] / weights
    overall = float(np.average(mean, weights=weights))
    sine, keep = np.zeros(len(known)), np.ones(len(known), dtype=bool)
    is_told = len(known) >= _LEAST_TEETH  # with so few teeth a sine is any pattern
    amplitude = 0.0
    if is_told:
        sizes, keep = sine_of(mean, weights, known.astype(np.float64), pulses_n)
        turn = 2 * np.pi * known / pulses_n
        sine, overall = sizes[1] * np.cos(turn) + sizes[2] * np.sin(turn), float(sizes[0])
        amplitude = float(np.hypot(sizes[1], sizes[2]))
    rest = mean - overall - sine
    within = float((single**2).sum() - (weights * mean**2).sum())
    dof_within, dof_left = len(single) - len(known), len(known) - (3 if is_told else 1)
    turns, left = float((weights * sine**2)[keep].sum()), float((weights * rest**2).sum())
    dof_kept, kept = int(keep.sum()) - 3, float((weights * rest**2)[keep].sum())

    def by_chance(squares: float, dof: int, noise: float, noise_dof: int) -> float:
        if dof <= 0 or noise_dof <= 0:
            return 1.0
        # Times are digits of a sample clock: without any scatter a millionth of the period stands for it.
        return float(special.fdtrc(dof, noise_dof, squares / dof / max(noise / noise_dof, 1e-12)))

    is_sine = is_told and by_chance(turns, 2, kept, dof_kept) < _CHANCE_SINE
    return (
        100 * amplitude,
        by_chance(turns, 2, within, dof_within) if is_sine else 1.0,
        100 * float(np.ptp(rest)),
        by_chance(left, dof_left, within, dof_within),
    )


def _at_teeth(places: IntArray, pulses_n: int) -> IntArray:
    """How many lie at each tooth, shape (pulses_n,)."""
    return np.asarray(np.bincount(places % pulses_n, minlength=pulses_n))


def _heights(edges: Edges, rhythm: Rhythm) -> FloatArray:
    """Height of each pulse, its edges too many taken with it; shape of the kept edges."""
    starts = np.flatnonzero(~rhythm.is_extra)
    before, after = (np.maximum.reduceat(each, starts) for each in (edges.rises, edges.falls))
    # A tooth of a pickup has its own top and bottom, in an order that depends on its poles. Laid together wrongly, a
    # low tooth makes two that are half as low.
    return np.asarray(before if float(np.var(before[1:-1])) > float(np.var(after[1:-1])) else after)


def _distance(at: IntArray, least_n: int) -> int | None:
    """How many pulses lie between the same thing and the same thing again; None where it does not come back so."""
    apart = np.diff(at)
    return int(apart[0]) if len(at) >= least_n and np.ptp(apart) == 0 else None


def repetition(rhythm: Rhythm, relative: FloatArray, timing: float, samples: float) -> tuple[float, float]:
    """Pulses after which the periods repeat and by how much, %: the strongest line of their sequence, if no chance.

    Args:
        rhythm: of the edges; periods with a fault are left out, and their pulses counted.
        relative: periods about the speed, shape (n - 1,) for n kept edges.
        timing: how far sampling may displace an edge, in periods. What it alone may do is no repetition: edges that
            jump from sample to sample beat with the sampling.
        samples: in a period, mean; infinite where they do not matter. What swings as the samples fall on the period,
            and by less than one, is no repetition either.

    Returns:
        NaN and 0 where nothing repeats.
    """
    is_single = rhythm.is_single
    kept = np.concatenate(([0], np.cumsum(rhythm.counts)))[:-1][is_single][:4096]
    if len(kept) < 32:
        return math.nan, 0.0
    y = np.interp(np.arange(kept[0], kept[-1] + 1), kept, relative[is_single][:4096])[:4096]
    n = len(y)
    y = y - y.mean()
    # Jitter of single edges makes periods that swing most from one to the next, with the square of the sine; jitter
    # of the periods themselves is white. So each line is held against those beside it, of the displacement.
    lines = np.fft.rfft(y)
    powers = (np.abs(lines) ** 2)[TIMES_SEEN : n // 2]
    turn = np.pi * np.arange(TIMES_SEEN, TIMES_SEEN + len(powers)) / n
    width = min(_BESIDE_N, len(powers))
    beside = np.maximum.reduce(
        [
            ndimage.median_filter(powers / shape, width, mode="mirror") * shape / math.log(2)
            for shape in (np.ones(len(powers)), np.sin(turn) ** 2)
        ]
    )
    beside = np.maximum(beside, 1e-300)
    if math.isfinite(samples):
        sizes = 2 * np.sqrt(powers) / n
        powers = np.where(sizes < _by_sampling(samples, n, turn), 0.0, powers)
    at = int(np.argmax(powers / beside))
    size = 2 * math.sqrt(float(powers[at])) / n
    # What stands beside it is known of `width` lines only: of the ratio to their mean, not of an exponential.
    ratio = float(powers[at] / beside[at])
    is_chance = len(powers) * (1 + 2 * ratio / width) ** (-width / 2) > _CHANCE
    if is_chance or size < _OVER_SAMPLING * timing:
        return math.nan, 0.0
    # Between two lines, by the three about the highest (Jacobsen and Kootsookos 2007, from memory).
    before, top, after = lines[at + TIMES_SEEN - 1 : at + TIMES_SEEN + 2]
    off = float(((before - after) / (2 * top - before - after)).real) if at + TIMES_SEEN + 1 < len(lines) else 0.0
    every_n = n / (at + TIMES_SEEN + float(np.clip(off, -0.5, 0.5)))
    turns = 2 * np.pi * np.arange(n) / every_n
    basis = np.stack((np.ones(n), np.cos(turns), np.sin(turns)), axis=1)
    return every_n, 100 * float(np.hypot(*np.linalg.lstsq(basis, y, rcond=None)[0][1:]))


def height_repetition(edges: Edges, rhythm: Rhythm) -> tuple[float, float]:
    """Pulses after which their heights repeat and by how much, % of one, if no chance; NaN and 0 where they do not."""
    heights = _heights(edges, rhythm)[:-1]
    middle = ndimage.median_filter(heights, size=min(_BESIDE_N, len(heights)), mode="nearest")
    if not (middle > 0).all():
        return math.nan, 0.0
    return repetition(rhythm, heights / middle, 0.0, math.inf)


def _by_sampling(samples: float, n: int, turn: FloatArray) -> FloatArray:
    """How much the sampling alone may put into each line, in periods: where its multiples beat with the period.

    Edges taken at the next sample lie up to half of one off, in a sawtooth: 1 / (pi k) of one in its line k, and twice
    the sine of that between two edges.
    """
    orders = np.arange(1, _BEAT_ORDERS + 1)
    places = np.abs(orders * samples - np.round(orders * samples)) * n
    # The first and the last edge are off by up to half a sample each, which moves the multiples.
    is_near = np.abs(turn[:, None] / np.pi * n - places) < _BEAT_LINES + orders / 2
    return np.asarray((is_near / orders).sum(axis=1) * _MOST_BEAT * 2 / math.pi * np.sin(turn) / samples)
