"""What the noise inside many short dwells is: for each kind of noise the log-likelihood of all of them together.

It compares descriptions of the noise, not causes, and says nothing of the mean at a point.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from instruments.errors import ReadingsError
from sequencer.figures.per_point import BoolArray, FloatArray, IntArray

__all__ = ["DWELL_KINDS", "DwellKind", "DwellNoise", "within_dwell"]

DwellKind = Literal[
    "white", "growing", "uneven", "lattice", "dropouts", "bursts", "swing", "periodic", "trend"
]  # fmt: skip
DWELL_KINDS: tuple[DwellKind, ...] = get_args(DwellKind)

_LOG_2PI = math.log(2 * math.pi)
_AT_ZERO = (0.01, 1e-4)  # of the range: what counts as nearly 0, and as 0
_WIDEST_STEP = 0.6  # of the largest reading: a wider gap between two levels is a loss of signal, no lattice
_FLOOR = 1e-9  # of the largest reading: the noise of numbers without a stated resolution
_MOST_SWEEPS = 25
_THROWN = 3  # a burst is at least that many sd of the noise beneath on average
_SINGULAR = 1e-9  # of the variance of a sine or trend: noise that keeps its covariance invertible
_NO_GAIN = 0.05  # of a natural logarithm
_PLACES = np.linspace(-1.25, 1.25, 21)  # where the middle of a swing may lie, in amplitudes from the mid-range
_PHASES = np.sin(math.pi * ((np.arange(32) + 0.5) / 32 - 0.5))  # of half a turn; the other half is the same
_NARROWEST = 0.04  # else the quadrature misses the edges of the arcsine
_WIDEST = 0.6  # noise beneath a swing, in amplitudes
_PER_RATIO = 100  # steps of the tabulated density in one amplitude
_RATIOS = (np.arange(301) + 0.5) / _PER_RATIO
_ADVANCES = np.linspace(0.04, 0.5, 24)  # cycles from one reading to the next; below it is a trend

_Fit = tuple[float, FloatArray]
_Likelihood = Callable[[FloatArray], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class DwellNoise:
    """One kind of noise, fitted to all dwells together; sizes in the unit of the readings, NaN where the kind has none.

    Attributes:
        kind: "white"; "growing" (sd grows with the level); "uneven" (sd differs from dwell to dwell: something, but
            none of these); "lattice" (two neighbouring levels one spacing apart); "dropouts" (rare readings anywhere in
            the range); "bursts" (readings thrown to one side, exponential in size); "swing" (a sine sampled at random
            phase); "periodic" (a sine sampled evenly); "trend" (straight, of random slope in each dwell).
        log_likelihood: natural logarithm; largest over the parameters less half a parameter times ln(readings less
            dwells), so that kinds compare by their difference.
        parameters_n: how many were fitted.
        sd: of the white noise beneath, resolution included.
        size: spacing of the lattice; amplitude of a sine; mean size of a burst, negative if downwards; sd of the change
            from first to last reading of a trend; sd of "growing" at the largest level.
        share: readings that drop out or burst, 0..1.
        period_n: readings in one (aliased) period.
    """

    kind: DwellKind
    log_likelihood: float
    parameters_n: int
    sd: float
    size: float = math.nan
    share: float = math.nan
    period_n: float = math.nan


def within_dwell(
    readings: FloatArray,
    resolution: float,
    *,
    spacing: float | None = None,
    level: FloatArray | None = None,
    kinds: tuple[DwellKind, ...] = DWELL_KINDS,
) -> tuple[DwellNoise, ...]:
    """Log-likelihood of each kind of noise inside short dwells.

    Args:
        readings: shape (dwells, n), any unit, in the order taken and about evenly spaced; NaN = not read. Made for 3 to
            some 30 readings a dwell. Dwells with fewer than two readings say nothing and are passed over.
        resolution: smallest step of what was written down, same unit; 0 = not known. It acts as noise of
            resolution / sqrt(12) under every kind, so a lattice no wider than that cannot be told from white noise.
        spacing: of the lattice where it is known (1 / gate time of a counter); None = found.
        level: shape (dwells,), what "growing" grows with, such as the setpoint; None = mean of each dwell.
        kinds: which to look for; "periodic" and "trend" take time with the cube of n.

    Returns:
        One for each of `kinds`, in that order. All are densities of the same readings in their own unit, the mean
        of each dwell integrated out over a flat prior of density 1; other parameters at their best, penalised as BIC
        does. Differences between kinds are log Bayes factors (approximate); add them to those of other data.

    Raises:
        ReadingsError: not of two dimensions, or no dwell has two readings.
    """
    if readings.ndim != 2 or (level is not None and level.shape != readings.shape[:1]):
        raise ReadingsError(
            f"readings of shape {readings.shape}" + ("" if level is None else f" with levels of shape {level.shape}"),
            allowed="shape (dwells, n), and (dwells,) for the levels",
        )
    is_read = np.isfinite(readings)
    kept = is_read.sum(axis=1) >= 2
    if not kept.any():
        raise ReadingsError("no dwell has two readings", todo="take more readings at each point")
    if level is None:
        level = np.nansum(np.where(is_read, readings, 0.0), axis=1) / np.maximum(is_read.sum(axis=1), 1)
    dwells = _Dwells(np.where(is_read, readings, np.nan)[kept], resolution, np.abs(level[kept]))
    fits: dict[DwellKind, Callable[[], DwellNoise]] = {
        "white": dwells.white,
        "growing": dwells.growing,
        "uneven": dwells.uneven,
        "lattice": lambda: dwells.lattice(spacing),
        "dropouts": dwells.dropouts,
        "bursts": dwells.bursts,
        "swing": dwells.swing,
        "periodic": dwells.periodic,
        "trend": dwells.trend,
    }
    return tuple(fits[kind]() for kind in kinds)


class _Dwells:
    """The dwells sorted, with running sums, so that any split of a dwell costs nothing."""

    def __init__(self, readings: FloatArray, resolution: float, level: FloatArray) -> None:
        largest = float(np.nanmax(np.abs(readings)))
        self._largest = largest
        self._width = largest + float(np.ptp(readings[np.isfinite(readings)]))  # where a reading that drops out may lie
        self._floor = max(resolution / math.sqrt(12), _FLOOR * largest, np.finfo(np.float64).tiny ** 0.25)
        self._width = max(self._width, 10 * self._floor)
        self._level = level / max(float(level.max()), np.finfo(np.float64).tiny)
        self._middle = np.nanmedian(readings, axis=1, keepdims=True)
        self._taken = readings - self._middle
        self._alike = _scatter(self._taken)
        self._n = np.isfinite(readings).sum(axis=1)
        self._free_n = int((self._n - 1).sum())
        self._sorted = np.sort(self._taken, axis=1)  # NaN stand last
        filled = np.nan_to_num(self._sorted)
        self._sum, self._square = _running(filled), _running(filled**2)
        self._ss = np.maximum(self._square[:, -1] - self._sum[:, -1] ** 2 / self._n, 0.0)
        self._pooled = math.sqrt(float(self._ss.sum()) / self._free_n + self._floor**2)
        self._core = self._nearer_half()

    def white(self) -> DwellNoise:
        best, (log_sd,) = _climb(lambda at: float(self._normal(math.exp(at[0]))), (self._log(self._pooled),), (0.1,))
        return self._noise("white", best, 1, sd=self._sd(log_sd))

    def growing(self) -> DwellNoise:
        """The variance is a constant part and one that grows with the square of the level."""

        def likelihood(at: FloatArray) -> float:
            part = _share(at[1])
            return float(self._normal(math.exp(at[0]) * np.sqrt(1 - part + part * self._level**2)))

        best, at = _climb(likelihood, (self._log(self._pooled), 0.0), (0.2, 1.0))
        sd, part = self._sd(at[0]), _share(at[1])
        return self._noise("growing", best, 2, sd=max(sd * math.sqrt(1 - part), self._floor), size=sd)

    def uneven(self) -> DwellNoise:
        """The variance of each dwell comes from an inverse gamma distribution (closed form)."""
        ss, free = self._ss + (self._n - 1) * self._floor**2, (self._n - 1) / 2
        kinds, index = np.unique(free, return_inverse=True)

        def likelihood(at: FloatArray) -> float:
            a = min(math.exp(at[1]), 1e6)
            b = math.exp(2 * at[0]) * a
            gammas = np.array([math.lgamma(a + each) for each in kinds])[index]
            logs = a * math.log(b) + gammas - math.lgamma(a) - (a + free) * np.log(b + ss / 2)
            return float((logs - free * _LOG_2PI - np.log(self._n) / 2).sum())

        best, (log_sd, _) = max(
            (_climb(likelihood, (self._log(start), 0.5), (0.5, 0.5)) for start in (self._pooled, self._core)),
            key=lambda fit: fit[0],
        )
        return self._noise("uneven", best, 2, sd=self._sd(log_sd))

    def lattice(self, spacing: float | None) -> DwellNoise:
        """Each dwell on two levels a spacing apart, the lower one anywhere, the duty uniform in 0..1."""
        columns = np.arange(self._sum.shape[1])
        upper_n = np.maximum(self._n[:, None] - columns, 0)
        # The duty integrates to k! (n - k)! / (n + 1)! for one given choice of the k upper ones.
        factorials = np.array([math.lgamma(each + 1) for each in range(len(columns) + 1)])
        weights = (
            factorials[np.minimum(columns, self._n[:, None])] + factorials[upper_n] - factorials[self._n + 1][:, None]
        )
        weights = np.where(columns <= self._n[:, None], weights, -np.inf)
        upper = self._sum[:, -1:] - self._sum

        def split_ss(step: float) -> FloatArray:
            square = self._square[:, -1:] - 2 * step * upper + upper_n * step**2
            ss = square - (self._sum[:, -1:] - upper_n * step) ** 2 / self._n[:, None]
            return np.asarray(np.maximum(ss, 0.0))

        def likelihood(at: FloatArray) -> float:
            variance = math.exp(2 * at[0]) + self._floor**2
            step = spacing or math.exp(at[1])
            if not spacing and step > _WIDEST_STEP * self._largest:
                return -math.inf
            rows = _log_sum(weights - split_ss(step) / (2 * variance))
            return float(rows.sum()) + self._constant(variance)

        gaps = np.nan_to_num(np.diff(self._sorted, axis=1)).max(axis=1)
        gaps = gaps[(gaps > 3 * self._floor) & (gaps < _WIDEST_STEP * self._largest)]
        if spacing is None and not len(gaps):
            white = self.white()
            return self._noise("lattice", white.log_likelihood + self._penalty(1), 2, sd=white.sd)
        steps = (
            [spacing] if spacing else sorted({float(each) for each in np.quantile(gaps, (0.2, 0.4, 0.6, 0.8, 0.95))})
        )
        fits = []
        for step in steps:
            sd = math.sqrt(float(split_ss(step).min(axis=1).sum()) / self._free_n)
            fits.append((likelihood(np.array([self._log(sd), math.log(step)])), self._log(sd), math.log(step)))
        _, log_sd, log_step = max(fits)
        best, at = _climb(likelihood, (log_sd, log_step), (0.2, 0.0 if spacing else 0.02))
        step = spacing or math.exp(at[1])
        return self._noise("lattice", best, 1 if spacing else 2, sd=self._sd(at[0]), size=step)

    def dropouts(self) -> DwellNoise:
        """A share of the readings lies at 0 or anywhere in the range; the lowest or the highest ones of a dwell."""
        most = self._sum.shape[1] - 1
        out, none = np.arange(most), np.zeros(most, dtype=np.int64)
        splits = self._splits(np.concatenate((out, none[1:])), np.concatenate((none, out[1:])))
        away = np.abs(np.nan_to_num(self._sorted + self._middle)) / self._width
        # An open contact mostly gives 0: a tenth lies anywhere, the rest nearly or just at 0.
        parts = 0.1 + 0.45 * sum((away < each) / (2 * each) for each in _AT_ZERO)
        density = _running(np.log(parts / self._width))
        whole = np.take_along_axis(density, self._n[:, None], axis=1)
        thrown = whole - _between(density, splits.first, splits.last)

        def likelihood(at: FloatArray) -> float:
            share = _share(at[1]) / 2  # a contact that is open more often than not is a break
            rows = splits.lost * math.log(share) + thrown + splits.kept * math.log1p(-share)
            return float(_log_sum(rows + splits.log_core(at[0])).sum())

        fits = (_climb(likelihood, (self._log(self._core), share), (0.3, 1.0)) for share in (-4.0, -1.0))
        best, at = max(fits, key=lambda fit: fit[0])
        return self._noise("dropouts", best, 2, sd=self._sd(at[0]), size=self._width, share=_share(at[1]) / 2)

    def bursts(self) -> DwellNoise:
        """A share of the readings is thrown to one side of the rest, by an exponentially distributed size."""
        core = self._log(self._core)
        start = (core, -1.5, self._log(max(self._pooled, 3 * self._core)))
        (best, at), sign = max(
            ((_climb(self._thrown(sign), start, (0.4, 0.8, 0.5)), sign) for sign in (1, -1)), key=lambda fit: fit[0][0]
        )
        size = math.exp(at[2]) + _THROWN * self._sd(at[0])
        # The side is one more choice of two.
        return self._noise("bursts", best - math.log(2), 3, sd=self._sd(at[0]), size=sign * size, share=_share(at[1]))

    def _thrown(self, sign: int) -> _Likelihood:
        out = np.arange(self._sum.shape[1] - 1)
        splits = self._splits(0 * out, out) if sign > 0 else self._splits(out, 0 * out)
        # How far beyond the mean of the rest the thrown ones lie together.
        thrown = sign * (self._sum[:, -1:] - splits.total - splits.lost * splits.total / splits.kept)
        beyond = np.maximum(thrown, 0.0)

        def likelihood(at: FloatArray) -> float:
            share, scale = _share(at[1]), math.exp(at[2]) + _THROWN * self._sd(at[0])
            rows = splits.lost * math.log(share / scale) + splits.kept * math.log1p(-share) - beyond / scale
            return float(_log_sum(rows + splits.log_core(at[0])).sum())

        return likelihood

    def swing(self) -> DwellNoise:
        """A sine at random phases (arcsine distribution) with white noise; its middle in each dwell by quadrature."""
        n = self._n
        last = self._sorted[np.arange(len(n)), n - 1]
        middle = (self._sorted[:, 0] + last) / 2
        away = np.nan_to_num(self._sorted - middle[:, None])[:, :, None]
        is_missing = ~np.isfinite(self._sorted)[:, :, None]
        places = _PLACES * min(1.0, math.sqrt(5 / int(n.max())))  # more readings leave less room

        def likelihood(at: FloatArray) -> float:
            amplitude = math.exp(at[0])
            noise = math.sqrt(max(math.exp(2 * at[1]), _NARROWEST**2) + (self._floor / amplitude) ** 2)
            if noise > _WIDEST:
                return -math.inf  # white noise as good as alone
            table = np.exp(-0.5 * ((_RATIOS[:, None] - _PHASES) / noise) ** 2).mean(axis=1)
            logs = np.log(table + 1e-300) - math.log(noise * amplitude) - _LOG_2PI / 2
            logs[-1] = -1e3
            ratio = np.abs(away / amplitude - places)
            each = logs[np.minimum(ratio * _PER_RATIO, len(logs) - 1).astype(np.intp)]
            rows = _log_sum(np.where(is_missing, 0.0, each).sum(axis=1))
            return float((rows + math.log(amplitude * (places[1] - places[0]))).sum())

        best, at = _climb(likelihood, (self._log(self._pooled * 1.35), math.log(0.2)), (0.1, 0.5))
        amplitude = math.exp(at[0])
        return self._noise("swing", best, 2, sd=self._sd(math.log(amplitude) + at[1]), size=amplitude)

    def periodic(self) -> DwellNoise:
        """A sine of one period and amplitude, its phase free in each dwell (Gaussian process, closed form)."""
        order = np.arange(self._taken.shape[1])
        apart = order[:, None] - order

        def likelihood(at: FloatArray) -> float:
            advance = at[2] % 1.0
            if not _ADVANCES[0] <= advance <= 1 - _ADVANCES[0]:
                return -math.inf
            swing = math.exp(2 * at[1]) / 2 * np.cos(2 * math.pi * advance * apart)
            return self._process(math.exp(2 * at[0]), swing)

        sd, amplitude = self._log(self._pooled / 3), self._log(self._pooled * math.sqrt(2))
        starts = [(likelihood(np.array([sd, amplitude, each])), float(each)) for each in _ADVANCES]
        best, at = _climb(likelihood, (sd, amplitude, max(starts)[1]), (0.4, 0.2, 0.01))
        advance = float(abs((at[2] + 0.5) % 1.0 - 0.5))
        return self._noise("periodic", best, 3, sd=self._sd(at[0]), size=math.exp(at[1]), period_n=1 / advance)

    def trend(self) -> DwellNoise:
        """A straight change in each dwell, its slope normal about 0 (closed form)."""
        n = self._taken.shape[1]
        place = np.arange(n) / (n - 1) - 0.5

        def likelihood(at: FloatArray) -> float:
            return self._process(math.exp(2 * at[0]), math.exp(2 * at[1]) * place[:, None] * place)

        start = (self._log(self._pooled / 1.4), self._log(self._pooled))
        best, at = _climb(likelihood, start, (0.2, 0.5))
        return self._noise("trend", best, 2, sd=self._sd(at[0]), size=math.exp(at[1]))

    # -- parts -------------------------------------------------------------------------------------------------------

    def _noise(
        self,
        kind: DwellKind,
        best: float,
        parameters_n: int,
        *,
        sd: float,
        size: float = math.nan,
        share: float = math.nan,
        period_n: float = math.nan,
    ) -> DwellNoise:
        return DwellNoise(
            kind=kind, log_likelihood=best - self._penalty(parameters_n), parameters_n=parameters_n,
            sd=sd, size=size, share=share, period_n=period_n,
        )  # fmt: skip

    def _penalty(self, parameters_n: int) -> float:
        return parameters_n / 2 * math.log(self._free_n)

    def _log(self, sd: float) -> float:
        return math.log(max(sd, self._floor))

    def _sd(self, log_sd: float) -> float:
        return math.hypot(math.exp(log_sd), self._floor)

    def _constant(self, variance: float) -> float:
        """What the normal density has before its exponent, over all dwells, the means integrated out."""
        return -self._free_n / 2 * (_LOG_2PI + math.log(variance)) - float(np.log(self._n).sum()) / 2

    def _normal(self, sd: FloatArray | float) -> float:
        variance = np.square(sd) + self._floor**2
        rows = (self._n - 1) * (_LOG_2PI + np.log(variance)) + np.log(self._n) + self._ss / variance
        return -float(rows.sum()) / 2

    def _nearer_half(self) -> float:
        """Standard deviation of the nearer half of each dwell, its median over dwells."""
        half_n = (self._n[:, None] + 2) // 2
        first = np.minimum(np.arange(self._sum.shape[1] - 1), self._n[:, None])
        last = np.minimum(first + half_n, self._n[:, None])
        total, square = (_between(each, first, last) for each in (self._sum, self._square))
        ss = np.where(last - first == half_n, square - total**2 / half_n, np.inf).min(axis=1)
        return max(2 * math.sqrt(max(float(np.median(ss / np.maximum(half_n[:, 0] - 1, 1))), 0.0)), self._floor)

    def _splits(self, low: IntArray, high: IntArray) -> "_Splits":
        """The `low[w]` lowest and `high[w]` highest taken out of each dwell, for each way w; one at least must stay."""
        n = self._n[:, None]
        first, last = np.minimum(low, n), np.maximum(n - high, 0)
        kept = np.maximum(last - first, 1)
        total = _between(self._sum, first, last)
        return _Splits(
            first=first,
            last=last,
            lost=n - kept,
            kept=kept,
            is_way=last - first >= 1,
            total=total,
            ss=np.maximum(_between(self._square, first, last) - total**2 / kept, 0.0),
            floor=self._floor,
        )

    def _process(self, variance: float, kernel: FloatArray) -> float:
        """Log density of dwells with a covariance between places, beside white noise."""
        total = 0.0
        white = variance + self._floor**2 + _SINGULAR * float(np.diag(kernel).max())
        for place, rows_n, scatter in self._alike:
            covariance = kernel[place] + white * np.eye(len(scatter))
            inverse = np.linalg.inv(covariance)
            weight = inverse.sum(axis=0)
            precision = float(weight.sum())
            quadratic = float((inverse * scatter).sum()) - float(weight @ scatter @ weight) / precision
            log_det = float(np.linalg.slogdet(covariance)[1])
            total -= (rows_n * (log_det + math.log(precision) + (len(scatter) - 1) * _LOG_2PI) + quadratic) / 2
        return total


@dataclass(frozen=True, slots=True, kw_only=True)
class _Splits:
    """Readings first to last - 1 of each sorted dwell stay, the others are out; arrays of shape (dwells, ways)."""

    first: IntArray
    last: IntArray
    lost: IntArray
    kept: IntArray
    is_way: BoolArray
    total: FloatArray
    ss: FloatArray
    floor: float

    def log_core(self, log_sd: float) -> FloatArray:
        """Log density of those that stay, their mean integrated out."""
        variance = math.exp(2 * log_sd) + self.floor**2
        logs = -((self.kept - 1) * (_LOG_2PI + math.log(variance)) + np.log(self.kept) + self.ss / variance) / 2
        return np.where(self.is_way, logs, -np.inf)


def _between(running: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    return np.asarray(np.take_along_axis(running, last, axis=1) - np.take_along_axis(running, first, axis=1))


def _running(rows: FloatArray) -> FloatArray:
    """Sum of the first 0, 1 ... n of each row."""
    return np.concatenate((np.zeros((len(rows), 1)), np.cumsum(rows, axis=1)), axis=1)


def _scatter(taken: FloatArray) -> list[tuple[tuple[FloatArray, ...], int, FloatArray]]:
    """Dwells by which of their readings are there: these places as an index, how many dwells, sum of their squares."""
    is_read = np.isfinite(taken)
    patterns, index = np.unique(is_read, axis=0, return_inverse=True)
    found = []
    for number, pattern in enumerate(patterns):
        rows = taken[np.ravel(index) == number][:, pattern]
        found.append((np.ix_(pattern, pattern), len(rows), rows.T @ rows))
    return found


def _share(logit: float) -> float:
    return 1 / (1 + math.exp(-min(max(logit, -12.0), 12.0)))


def _log_sum(logs: FloatArray) -> FloatArray:
    """Logarithm of the sum of exponentials along the last axis."""
    top = logs.max(axis=-1, keepdims=True)
    return np.asarray(np.log(np.exp(logs - top).sum(axis=-1)) + top[..., 0])


def _climb(likelihood: _Likelihood, start: tuple[float, ...], step: tuple[float, ...]) -> _Fit:
    """Largest value near a start and where it lies: one parameter after the other, each with a step that adapts."""
    at, width = np.array(start), np.array(step)
    best = likelihood(at)
    for _ in range(_MOST_SWEEPS):
        before = best
        for index in np.flatnonzero(width):
            for _ in range(2):
                trial = at.copy()
                trial[index] += width[index]
                value = likelihood(trial)
                if value > best:
                    best, at = value, trial
                    width[index] *= 1.7
                    break
                width[index] = -width[index]
            else:
                width[index] *= 0.35
        if best - before < _NO_GAIN and (np.abs(width) <= np.abs(step) / 6).all():
            break
    return best, at
