"""Upper bounds of the residual settling error, from the readings after a setpoint change.

It decides nothing, and knows no time limit: that is `settling`.
"""

from bisect import bisect_left
from collections.abc import Sequence
from math import exp, expm1, inf, nan, sqrt
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from sequencer.inputs.settling_rule import SettlingRule

__all__ = ["COVERAGE", "GATE", "Fallback", "Fits", "FloatArray", "Seen", "drift_of", "fitted_line"]

FloatArray: TypeAlias = npt.NDArray[np.float64]

# Picked on simulated runs; tests/bench/bench_settling.py prints what they give on other seeds. Spans in time constants.
_TAUS_N = 81
_NEAR_N = 61  # of them from 0.5 to 2 nominal: with 61 over all, the neighbours of the best cost 1.5 % of the wait
_FITS_N = 4
_FIT_N = 8  # fewest readings for a fit
_FIT_SPAN = 3.0  # shortest span of a fit; at 2 a third of a swing passed for an exponential
COVERAGE = 3.5  # standard errors
_ADMIT = 6.6  # chi-square of one degree of freedom, 1 %: a time constant this much worse than the best is possible
GATE = 2.5  # residual variance over noise variance that one exponential may leave
_NEGLIGIBLE = 0.2  # of the tolerance: noise below; else what the grid leaves of a quiet lag counts as misfit
_NOISE_SPAN = 3.0
_NOISE_N = 6  # fewest second differences the noise is taken from
_SLOPE_SPAN = 3.0
_SLOPE_COVERAGE = 2.5  # standard errors
_SLOPE_HELD = 1.5
_TAU_SLACK = 1.3  # the slope's bound takes the time constant this much longer than nominal
_RANGE_SPAN = 2.0
_LEAST_SPREAD = 1e-9  # a fit with one reading has none; those that are asked have far more


class Seen:
    """The valid readings after one setpoint change, and how much they scatter.

    Attributes:
        at_s: when the last reading was, a valid one or not.
        times: of the valid readings.
        values: of the valid readings.
        floor: least variance that the resolution leaves.
        noise_sd: standard deviation of single readings, from second differences; NaN while fewer than three readings.
            Too large where the receiver is so slow that the motion shows in these differences.
        noise_variance: its square, not below what resolution and tolerance make of it.
        digit_variance: what the resolution adds, which is the same in every reading while the digit stands.
    """

    def __init__(self, rule: SettlingRule) -> None:
        self._rule = rule
        self.at_s = 0.0
        self.times: list[float] = []
        self.values: list[float] = []
        self.floor = rule.resolution**2 / 12
        self.noise_sd, self.noise_variance, self.digit_variance = nan, inf, inf
        self._roughness: list[float] = []

    @property
    def scale_s(self) -> float:
        """Nominal time constant; where there is none, a sixth of the time waited."""
        return self._rule.time_constant_s or self.at_s / 6

    def take(self, value: float) -> float:
        """Take a valid reading at `at_s`; returns the time since the one before, 0 for the first."""
        step_s = self.at_s - self.times[-1] if self.times else 0.0
        self.times.append(self.at_s)
        self.values.append(float(value))
        if len(self.times) >= 3:
            self._take_noise()
        return step_s

    def _take_noise(self) -> None:
        """Noise variance over the last three time constants: each reading against the line through its neighbours."""
        (a_s, b_s, c_s), (a, b, c) = self.times[-3:], self.values[-3:]
        share = (c_s - b_s) / (c_s - a_s)
        away = b - share * a - (1 - share) * c
        self._roughness.append(away * away / (1 + share * share + (1 - share) ** 2))
        first = bisect_left(self.times, self.at_s - _NOISE_SPAN * self.scale_s)
        recent = self._roughness[max(min(first, len(self._roughness) - _NOISE_N), 0) :]
        self.noise_sd = sqrt(sum(recent) / len(recent))
        self.noise_variance = max(self.noise_sd**2, self.floor, (_NEGLIGIBLE * self._rule.band) ** 2)
        # A change of digit shows in two differences. While the digit stands, its error is the same in every reading.
        changes_n = (len(recent) - recent.count(0.0)) / 2
        self.digit_variance = self.floor * max(1.0, len(recent) / (changes_n + 1) / 2)


class Fits:
    """Exponentials, fitted side by side for each time constant of a grid, begun at different times.

    Attributes:
        fitted_s: best fitting time constant, by the readings alone; NaN while none was seen.
        fitted_u: its relative standard uncertainty; NaN where none is known.
        is_asked: some fit has readings enough.
        from_s: when the fit began that the last bound is from; infinite where none holds.
    """

    def __init__(self, rule: SettlingRule, seen: Seen) -> None:
        # More than fifteen attributes: eight sums that every reading adds to in place belong to one grid of fits.
        self._rule = rule
        self._seen = seen
        self.fitted_s = self.fitted_u = nan
        self.from_s, self.is_asked = inf, False
        if rule.time_constant_s > 0:
            near, far = np.geomspace(0.5, 2.0, _NEAR_N), np.geomspace(2.0, 8.0, _TAUS_N - _NEAR_N + 1)
            self._tau_s: FloatArray = rule.time_constant_s * np.concatenate((near, far[1:]))
        else:
            self._tau_s = np.geomspace(rule.interval_s / 2, max(rule.maximum_s, rule.interval_s), _TAUS_N)
        self._log_tau: list[float] = np.log(self._tau_s).tolist()
        self._penalty: FloatArray | None = None
        if rule.learnt_s > 0:
            self._penalty = (np.log(self._tau_s / rule.learnt_s) / rule.learnt_spread) ** 2
        # One row a fit; sums of E = exp(-(t - begin) / tau) never grow beyond the number of readings.
        shape = (_FITS_N, _TAUS_N)
        self._e, self._sum_e, self._sum_ee, self._sum_ey = (np.zeros(shape) for _ in range(4))
        self._n, self._ref, self._sum_y, self._sum_yy = (np.zeros((_FITS_N, 1)) for _ in range(4))
        self._n -= inf  # not begun
        self._is_misfit: list[bool] = [True] * _FITS_N
        self._begun_s = -inf
        self._decay_s, self._decay = nan, np.ones(_TAUS_N)

    def take(self, step_s: float, value: float) -> None:
        """Take `value` into the sums of all fits, and begin a new fit when it is time."""
        if step_s != self._decay_s:
            self._decay_s, self._decay = step_s, np.exp(-step_s / self._tau_s)
        self._e *= self._decay
        # Closer together they would be nearly the same fit; 4.5, not 5, since times are not exact.
        if self._seen.at_s - self._begun_s >= max(0.5 * self._seen.scale_s, 4.5 * step_s):
            self._begun_s = self._seen.at_s
            self._begin(value)
        y = value - self._ref
        self._n += 1
        self._sum_e += self._e
        self._sum_ee += self._e * self._e
        self._sum_ey += self._e * y
        self._sum_y += y
        self._sum_yy += y * y

    def _begin(self, value: float) -> None:
        """Begin a fit in the place of the oldest that does not hold, else of the youngest."""
        ages = self._n[:, 0].tolist()
        misfits = [row for row in range(_FITS_N) if self._is_misfit[row]]
        row = max(misfits, key=ages.__getitem__) if misfits else ages.index(min(ages))
        self._is_misfit[row] = False
        self._e[row] = 1
        self._ref[row] = value
        for sums in (self._n, self._sum_e, self._sum_ee, self._sum_ey, self._sum_y, self._sum_yy):
            sums[row] = 0

    def bound(self) -> float:
        """Bound from the oldest exponential fit that leaves no more than the noise."""
        spread = np.maximum(self._sum_ee - self._sum_e * self._sum_e / self._n, _LEAST_SPREAD)
        common = self._sum_ey - self._sum_e * (self._sum_y / self._n)
        amplitude = common / spread
        rss = self._sum_yy - self._sum_y * self._sum_y / self._n - amplitude * common
        ages, best_s, least_s = self._n[:, 0].tolist(), rss.argmin(axis=1).tolist(), rss.min(axis=1).tolist()
        self.from_s, self.is_asked = inf, False
        for row in sorted(range(_FITS_N), key=ages.__getitem__, reverse=True):
            n, best, least = ages[row], best_s[row], max(least_s[row], 0.0)
            if n < _FIT_N or self._seen.times[-int(n)] > self._seen.at_s - _FIT_SPAN * self._seen.scale_s:
                break
            self.is_asked = True
            self._is_misfit[row] = least > GATE * self._seen.noise_variance * (n - 3)
            if not self._is_misfit[row]:
                self.from_s = self._seen.times[-int(n)]
                variance = max(least / (n - 3), self._seen.digit_variance)
                excess = rss[row] - least
                if abs(amplitude[row, best]) > 10 * sqrt(variance / spread[row, best]):
                    self._take_lag(best, excess, variance)
                is_learnt = False
                if self._penalty is not None:
                    best, excess, is_learnt = self._with_learnt(best, excess, variance)
                largest = self._largest(row, best, amplitude[row], spread[row], excess, variance, is_learnt=is_learnt)
                if largest <= self._rule.band:
                    largest += self._drift(int(n), best, float(amplitude[row, best]))
                return largest
        return inf

    def _take_lag(self, best: int, excess: FloatArray, variance: float) -> None:
        """Keep what the readings alone say of the time constant."""
        vertex = self._vertex(best, excess)
        if vertex is None:
            self.fitted_s, self.fitted_u = float(self._tau_s[best]), nan
        else:
            at, bend = vertex
            self.fitted_s, self.fitted_u = exp(self._log_tau[best] + at), sqrt(variance / bend)

    def _with_learnt(self, best: int, excess: FloatArray, variance: float) -> tuple[int, FloatArray, bool]:
        """Weigh what was learnt of the time constant with the readings; only if they do not contradict it."""
        assert self._penalty is not None
        joint = excess + variance * self._penalty
        agreed = int(joint.argmin())
        least = float(joint[agreed])
        return (agreed, joint - least, True) if least <= _ADMIT * variance else (best, excess, False)

    def _drift(self, n: int, best: int, amplitude: float) -> float:
        """What the second half of a fit moves on beside it in one time constant; 0 if that is not seen in the noise."""
        t, y = np.array(self._seen.times[-n:]), np.array(self._seen.values[-n:])
        y -= amplitude * np.exp((t[0] - t) / self._tau_s[best])
        return drift_of(t, y, self._seen.floor, self._seen.scale_s)

    def _largest(
        self,
        row: int,
        best: int,
        amplitude: FloatArray,
        spread: FloatArray,
        excess: FloatArray,
        variance: float,
        *,
        is_learnt: bool,
    ) -> float:
        """Largest residual error of one fit that its readings leave possible, over amplitude and time constant.

        Together both lie within an ellipse of `COVERAGE` standard errors: what the time constant takes of it is not
        left to the amplitude. Where it is narrower than the grid, it is taken about the vertex of a parabola.
        """
        left = COVERAGE**2 * variance - excess
        possible = left >= 0
        if not (self._rule.time_constant_s or is_learnt):
            # Without a type sheet, a lag watched for less than two of its time constants cannot be told from drift.
            seen = self._tau_s <= self._seen.at_s / 2
            if not seen[best]:
                return inf
            possible &= seen
        e = self._e[row]
        bounds = (np.abs(amplitude) + np.sqrt(np.maximum(left, 0.0) / spread)) * e
        largest = float(bounds[possible].max()) if possible.any() else 0.0
        vertex = self._vertex(best, excess)
        if vertex is not None:
            at, bend = vertex
            near = slice(best - 1, best + 2)
            level, slope = _on_parabola(at, self._log_tau[near], (amplitude[near] * e[near]).tolist())
            own = float(e[best]) ** 2 / float(spread[best])
            largest = max(largest, abs(level) + COVERAGE * sqrt(variance * (slope * slope / bend + own)))
        return largest

    def _vertex(self, best: int, excess: FloatArray) -> tuple[float, float] | None:
        """Where the sum of squares is least, as log of the time constant over that of `best`, and its bend there.

        None where it is not among the time constants of the grid.
        """
        if not 0 < best < _TAUS_N - 1:
            return None
        before, here, after = self._log_tau[best - 1 : best + 2]
        slope, bend = _parabola(before - here, after - here, *excess[best - 1 : best + 2].tolist())
        return (-slope / (2 * bend), bend) if bend > 0 else None


class Fallback:
    """The bounds where no fit holds: from the slope, and from the range of the readings."""

    def __init__(self, rule: SettlingRule, seen: Seen) -> None:
        self._rule = rule
        self._seen = seen
        self._sloping_s = 0.0

    def begin_again(self) -> None:
        """A fit holds now; a slope is to be held from here on."""
        self._sloping_s = self._seen.at_s

    def bound(self) -> float:
        """The smaller of the two bounds; infinite while nothing can be said."""
        return min(self._held_slope_bound(), self._range_bound())

    def tail_bound(self, tail_s: float) -> float:
        """Bound from the slope for a slow tail of that time constant."""
        return self._slope_bound(max(tail_s, _SLOPE_SPAN * self._seen.scale_s), tail_s)

    def _held_slope_bound(self) -> float:
        """Bound from the slope, once it has been within the tolerance for one and a half time constants."""
        bound = self._slope_bound(_SLOPE_SPAN * self._seen.scale_s, _TAU_SLACK * self._seen.scale_s)
        if bound > self._rule.band:
            self._sloping_s = self._seen.at_s
        return bound if self._seen.at_s - self._sloping_s >= _SLOPE_HELD * self._seen.scale_s else inf

    def _slope_bound(self, span_s: float, tau_s: float) -> float:
        """Bound from the slope over `span_s` for a time constant `tau_s`, and the swing about it that is not noise."""
        first = bisect_left(self._seen.times, self._seen.at_s - span_s)
        n = len(self._seen.times) - first
        if n < _FIT_N or self._seen.times[0] > self._seen.at_s - span_s:
            return inf
        slope, error, variance = fitted_line(
            np.array(self._seen.times[first:]), np.array(self._seen.values[first:]), self._seen.floor
        )
        swing = sqrt(2 * max(variance - GATE * self._seen.noise_variance, 0.0))
        return (abs(slope) + _SLOPE_COVERAGE * error) * tau_s + swing

    def _range_bound(self) -> float:
        """Bound from the range of the readings of the last two time constants, at least three readings."""
        first = min(
            bisect_left(self._seen.times, self._seen.at_s - _RANGE_SPAN * self._seen.scale_s), len(self._seen.times) - 3
        )
        if first < 0 or self._seen.times[0] > self._seen.at_s - _RANGE_SPAN * self._seen.scale_s:
            return inf
        seen = self._seen.values[first:]
        # A lag that moves by `range` in `span` has range / (exp(span / tau) - 1) to go; an oscillation up to its range.
        span = (self._seen.at_s - self._seen.times[first]) / (
            2 * self._seen.scale_s
        )  # the lag may be twice as long as nominal
        return (max(seen) - min(seen) + self._rule.resolution) / min(expm1(min(span, 1.0)), 1.0)


def _on_parabola(at: float, x: Sequence[float], values: Sequence[float]) -> tuple[float, float]:
    """Level and slope, `at` beyond the middle one, of the parabola through three values."""
    slope, square = _parabola(x[0] - x[1], x[2] - x[1], *values)
    return values[1] + slope * at + square * at * at, slope + 2 * square * at


def _parabola(a: float, b: float, at_a: float, at_0: float, at_b: float) -> tuple[float, float]:
    """Slope at 0 and coefficient of the square of the parabola through values at a, 0 and b."""
    rise_a, rise_b = (at_a - at_0) / a, (at_b - at_0) / b
    square = (rise_a - rise_b) / (a - b)
    return rise_a - square * a, square


def drift_of(t: FloatArray, rest: FloatArray, floor: float, scale_s: float) -> float:
    """What the second half of what a fit leaves moves on in one time constant; 0 if that is not seen in the noise."""
    half = t.size // 2
    slope, error, _ = fitted_line(t[half:], rest[half:], floor)
    return abs(slope) * scale_s if abs(slope) > 3 * error else 0.0


def fitted_line(t: FloatArray, y: FloatArray, floor: float) -> tuple[float, float, float]:
    """Slope, its standard error, and the variance about the line, which is not below `floor`."""
    t = t - t.sum() / t.size
    y = y - y.sum() / t.size
    t_t, t_y = float(t @ t), float(t @ y)
    slope = t_y / t_t
    variance = max((float(y @ y) - slope * t_y) / (t.size - 2), floor)
    return slope, sqrt(variance / t_t), variance
