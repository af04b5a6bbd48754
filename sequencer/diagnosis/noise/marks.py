"""Marks that are placed unevenly: gaps between pulses that repeat, where no pulse is missing and none is too many."""

from dataclasses import dataclass

import numpy as np

from sequencer.evaluation.figures.per_point import BoolArray, FloatArray

__all__ = ["Marks", "marks_of", "sine_of", "with_gaps"]

_MOST_N = 64  # pulses after which the gaps repeat, at most
_LEAST_TIMES, _LEAST_GAPS = 4, 12  # that the whole pattern is seen; gaps
_LOOKED_N = 8192  # gaps that it is found from
_EXPLAINED = 0.9  # of the variance of the gaps
_AS_WELL = 2.0  # times the variance that the best number of pulses leaves: fewer pulses tell it too
_OVER_TIMING = 3.0  # times the displacement by sampling that the gaps must differ by
_LEAST_RANGE = 0.004  # of the mean gap, the same
_SINE_N, _ONE_SINE = (5, 12), (0.95, 0.8)  # pulses, and of their variance a swing: few are like a sine by chance
_OWN_TIMES = 0.5  # of the range, that is left where heights move no edge
_WIDTHS = 0.2  # of the widest mark: what bounces is much narrower
_NEAR, _NEAR_WIDTHS, _NEAR_HEIGHTS = 0.4, 0.5, 0.8  # of the longest gap; marks as near are alike in width and height
_ROBUST_N, _STEPS_N = 8, 30  # gaps from which on a few may be off; steps of the fit
_LEAST_OFF, _FAR, _LEAST_FAR = 1e-5, 6.0, 1e-3  # of a gap: scatter; medians, from which on one is off
_ON_GRID = 0.06  # of a gap, that an even grid may be missed by


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """Gaps that repeat.

    Attributes:
        gaps: each as a share of their mean, in turn from the first edge on, shape (k,) for a pattern of k pulses.
        late: how much later each mark comes than on the even grid that most of them keep to, in mean gaps, shape (k,),
            from the mark that the first gap ends at.
        sine_n: pulses after which the strongest sine of the pattern repeats.
        sine: its amplitude, as a share of the mean gap.
    """

    gaps: FloatArray
    late: FloatArray
    sine_n: float
    sine: float

    @property
    def every_n(self) -> int:
        """Pulses after which the gaps repeat."""
        return len(self.gaps)


def marks_of(
    rising_s: FloatArray,
    falling_s: FloatArray,
    rises: FloatArray | None,
    *,
    timing_s: float = 0.0,
    steady_s: FloatArray | None = None,
) -> Marks | None:
    """Marks that are placed unevenly; None where they are even, where they swing, or where faults tell the gaps better.

    A number of pulses is looked for after which the gaps repeat, about a speed that may change, and which leaves
    nearly nothing of their variance. A wheel that lacks a tooth repeats too: where most gaps are one, and the others
    are multiples of it or come together to such, an even grid with pulses missing or too many is the simpler reason.

    Args:
        rising_s: all edges, shape (n,).
        falling_s: shape (m,), in turn with these.
        rises: of each pulse, shape (n,); None = not known.
        timing_s: how far sampling may displace one edge.
        steady_s: when pulses come, whatever their height, shape (n,); None = not known.
    """
    gaps_s = np.diff(rising_s)
    if len(gaps_s) < _LEAST_GAPS:
        return None
    mean_s = float(rising_s[-1] - rising_s[0]) / len(gaps_s)
    found = _every_n(rising_s[: _LOOKED_N + 1], max(_LEAST_RANGE, _OVER_TIMING * timing_s / mean_s))
    if found is None or _variance_left(rising_s, found) > (1 - _EXPLAINED) * _variance(rising_s, found):
        return None
    gaps = _folded(rising_s, found)
    marks = with_gaps(gaps)
    least = _ONE_SINE[len(gaps) >= _SINE_N[1]]
    is_swing = len(gaps) >= _SINE_N[0] and marks.sine**2 / 2 > least * float(np.var(gaps))
    if is_swing or _is_grid(gaps) or not _are_alike(gaps, rising_s, falling_s, rises):
        return None
    if steady_s is not None and np.ptp(_folded(steady_s, len(gaps))) < _OWN_TIMES * np.ptp(gaps):
        return None
    return marks


def with_gaps(gaps: FloatArray) -> Marks:
    """Marks with these gaps, shares of their mean."""
    sizes = np.abs(np.fft.rfft(gaps))[1:] / len(gaps) * 2
    if len(gaps) % 2 == 0:
        sizes[-1] /= 2
    order = int(np.argmax(sizes)) + 1
    return Marks(gaps=gaps, late=_late(gaps), sine_n=len(gaps) / order, sine=float(sizes[order - 1]))


def _relative(times_s: FloatArray, every_n: int) -> tuple[FloatArray, int]:
    """Gaps about the mean of a whole pattern around each, and the number of the first of them."""
    whole_s = times_s[every_n:] - times_s[:-every_n]
    gaps_s, first = np.diff(times_s), every_n // 2
    if every_n % 2 == 0:
        whole_s = (whole_s[1:] + whole_s[:-1]) / 2
    return gaps_s[first : first + len(whole_s)] / (whole_s / every_n), first


def _folded(times_s: FloatArray, every_n: int) -> FloatArray:
    """Mean gap at each place of the pattern, as a share of the mean of all, shape (every_n,)."""
    relative, first = _relative(times_s, every_n)
    places = (first + np.arange(len(relative))) % every_n
    means = np.bincount(places, weights=relative, minlength=every_n) / np.bincount(places, minlength=every_n)
    return np.asarray(means / means.mean())


def _variance(times_s: FloatArray, every_n: int) -> float:
    return float(np.var(_relative(times_s, every_n)[0]))


def _variance_left(times_s: FloatArray, every_n: int) -> float:
    """Variance of the gaps about their means at each place."""
    relative, first = _relative(times_s, every_n)
    places = (first + np.arange(len(relative))) % every_n
    left = relative - _folded(times_s, every_n)[places]
    return float(left @ left) / max(len(relative) - every_n, 1)


def _every_n(times_s: FloatArray, least: float) -> int | None:
    """The least number of pulses that tells the gaps as well as any; None where none does."""
    gaps_n = len(times_s) - 1
    tried = range(2, min(_MOST_N, gaps_n // _LEAST_TIMES) + 1)
    left = np.array([_variance_left(times_s, each) for each in tried])
    if not len(left):
        return None
    good = np.flatnonzero(left <= _AS_WELL * left.min() + (least / 10) ** 2)
    every_n = tried[int(good[0])]
    whole = _variance(times_s, every_n)
    is_told = left[good[0]] < (1 - _EXPLAINED) * whole and np.ptp(_folded(times_s, every_n)) > least
    return every_n if is_told else None


def _is_grid(gaps: FloatArray) -> bool:
    """Whether most gaps are one of an even grid, and the others together are multiples with more or fewer edges."""
    base = float(np.median(gaps))
    is_one = np.abs(gaps / base - 1) < _ON_GRID
    if is_one.sum() < 2 or 2 * is_one.sum() < len(gaps):
        return False
    start = int(np.argmax(is_one))
    faults_n, run, many = 0, 0.0, 0
    for gap in np.roll(gaps, -start).tolist():
        run, many = run + gap / base, many + 1
        if abs(run - round(run)) < _ON_GRID and round(run) >= 1:
            faults_n, run, many = faults_n + abs(round(run) - many), 0.0, 0
    return many == 0 and 0 < faults_n <= len(gaps) / 2


def _are_alike(gaps: FloatArray, rising_s: FloatArray, falling_s: FloatArray, rises: FloatArray | None) -> bool:
    """Whether marks are as wide and as high, and near ones rest longer between them; what rings or bounces is not."""
    every_n = len(gaps)
    ends = np.searchsorted(falling_s, rising_s[:-1], side="right")
    if ends[-1] >= len(falling_s):
        return False
    above_s = falling_s[ends] - rising_s[:-1]

    def at_places(found: FloatArray) -> FloatArray:
        return np.array([float(np.median(found[place::every_n])) for place in range(every_n)])

    widths, rests = at_places(above_s), at_places(np.diff(rising_s) - above_s)
    if np.ptp(np.log(np.maximum(rests, 1e-300))) < np.ptp(np.log(np.maximum(widths, 1e-300))):
        widths, rests = rests, widths  # a mark is what lasts alike, above or below
    if widths.min() < _WIDTHS * widths.max():
        return False
    is_near = gaps < _NEAR * gaps.max()
    if not is_near.any():
        return True
    if widths.min() < _NEAR_WIDTHS * widths.max() or (rests < widths)[is_near].any():
        return False
    heights = np.ones(every_n) if rises is None else at_places(rises)
    return bool(heights.min() > _NEAR_HEIGHTS * heights.max())


def sine_of(gaps: FloatArray, weights: FloatArray, places: FloatArray, every_n: int) -> tuple[FloatArray, BoolArray]:
    """A level and a sine once a revolution through gaps, whatever some of them do; and which keep to it.

    By least moduli (weights of one by how far each is off), then by least squares through those that keep to it.

    Args:
        gaps: shape (m,).
        weights: of each, shape (m,).
        places: in the revolution, from 0, shape (m,).
        every_n: places in all.

    Returns:
        Sizes of level, cosine and sine; and which gaps they hold of, shape (m,).
    """
    turn = 2 * np.pi * places / every_n
    basis = np.stack((np.ones(len(gaps)), np.cos(turn), np.sin(turn)), axis=1)

    def fitted(by: FloatArray) -> FloatArray:
        return np.asarray(np.linalg.lstsq(basis * by[:, None], gaps * by, rcond=1e-9)[0], dtype=np.float64)

    by = np.sqrt(weights)
    keep = np.ones(len(gaps), dtype=bool)
    if len(gaps) < _ROBUST_N:
        return fitted(by), keep
    sizes = fitted(by)
    for _ in range(_STEPS_N):
        off = np.abs(gaps - basis @ sizes)
        sizes = fitted(np.sqrt(weights / np.maximum(off, _LEAST_OFF)))
    off = np.abs(gaps - basis @ sizes)
    keep = off <= max(_FAR * float(np.median(off)), _LEAST_FAR)
    return fitted(by * keep), keep


def _late(gaps: FloatArray) -> FloatArray:
    """How late each mark comes on the grid that most keep to."""
    even: FloatArray = np.ones(len(gaps))
    if len(gaps) >= _ROBUST_N:
        at = np.arange(len(gaps), dtype=np.float64)
        sizes, keep = sine_of(gaps, even, at, len(gaps))
        if keep.sum() > len(gaps) / 2:
            turn = 2 * np.pi * at / len(gaps)
            even = even + sizes[1] * np.cos(turn) + sizes[2] * np.sin(turn)
    places = np.cumsum(gaps - even)
    # The grid is even to the pattern; where it stands is told by the marks that lie together.
    ordered = np.sort(places)
    half_n = len(ordered) // 2
    narrowest = int(np.argmin(ordered[half_n:] - ordered[: len(ordered) - half_n]))
    return np.asarray(places - float(np.median(ordered[narrowest : narrowest + half_n + 1])))
