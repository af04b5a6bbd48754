"""Tells from the readings after a setpoint change when a unit has settled.

The question asked is: how large can the error still to go be, at most? Once that bound is within the tolerance the unit
is steady. A test whether change is visible in the noise would be late on a quiet unit and early on a noisy one.

It reads no clock and no instrument, and does not wait: the run samples and calls `Settling.add`. It cannot see a slow
second time constant that hides below the tolerance; such a tail has to be declared (`SettlingRule.tail_s`). Where the
output is held at a limit it tells nothing of what moves before it: there a wait by what is known takes its place
(`SettlingRule.step_takes_s`).
"""

from bisect import bisect_left
from dataclasses import dataclass
from enum import StrEnum
from math import expm1, inf, isfinite, nan, sqrt
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from sequencer.inputs.settling_rule import SettlingRule

__all__ = ["Settled", "Settling", "State"]

FloatArray: TypeAlias = npt.NDArray[np.float64]

# Picked on simulated runs; tests/bench/bench_settling.py prints what they give on other seeds. Spans in time constants.
_TAUS_N = 81
_NEAR_N = 61  # of them from 0.5 to 2 nominal: with 61 over all, the neighbours of the best cost 1.5 % of the wait
_FITS_N = 4
_FIT_N = 8  # fewest readings for a fit
_FIT_SPAN = 3.0  # shortest span of a fit; at 2 a third of a swing passed for an exponential
_COVERAGE = 2.5  # standard errors
_ADMIT = 6.6  # chi-square of one degree of freedom, 1 %: a time constant this much worse than the best is possible
_GATE = 2.5  # residual variance over noise variance that one exponential may leave
_NEGLIGIBLE = 0.2  # of the tolerance: noise below; else what the grid leaves of a quiet lag counts as misfit
_NOISE_SPAN = 3.0
_NOISE_N = 6  # fewest second differences the noise is taken from
_SLOPE_SPAN = 3.0
_SLOPE_HELD = 1.5
_TAU_SLACK = 1.3  # the slope's bound takes the time constant this much longer than nominal
_RANGE_SPAN = 2.0
_CONFIRM_N = 2  # readings in a row
_END = 0.05  # of the range: so near to its end, or beyond, an output may be held; NE 43 and some zero error
_LEAST_SPREAD = 1e-9  # a fit with one reading has none; those that are asked have far more


class State(StrEnum):
    """How a settling stands; all but MOVING are final."""

    MOVING = "moving"
    STEADY = "steady"
    NOISY = "steady but noisy"
    NEVER = "never settled"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """How a settling ended, or stands; levels in the unit of the readings, NaN = not known.

    Attributes:
        state: how.
        after_s: how long it took.
        to_go: upper bound of the error still to go.
        noise_sd: standard deviation of single readings.
        time_constant_s: best fitting one.
        trace: time and level of each reading.
        moved_s: until then more than the tolerance may have been still to go.
        held_s: how much of `after_s` it looked steady and was not believed, since its output stood at an end of its
            range, or where it stood before.
    """

    state: State
    after_s: float
    to_go: float
    noise_sd: float
    time_constant_s: float
    trace: tuple[tuple[float, float], ...]
    moved_s: float = 0.0
    held_s: float = 0.0

    @property
    def is_steady(self) -> bool:
        """The error still to go is within the tolerance."""
        return self.state is State.STEADY


class Settling:
    """Follows the readings after one setpoint change.

    The bound of the error still to go comes from an exponential, fitted for each time constant of a grid: the largest
    error among all that the readings allow, and the neighbours of the best. Several fits run side by side, begun at
    different times; the oldest which leaves no more than the noise is asked, so that dead time, a second pole or a
    burst of ripple drop out.

    Where no fit holds, the smaller of two bounds takes its place: from the slope over the last three time constants,
    once held for 1.5 of them, for shapes that are no exponential; from the range of the readings over two time
    constants, for receivers too slow for a fit.
    """

    def __init__(self, rule: SettlingRule) -> None:
        self.rule = rule
        if rule.time_constant_s > 0:
            near, far = np.geomspace(0.5, 2.0, _NEAR_N), np.geomspace(2.0, 8.0, _TAUS_N - _NEAR_N + 1)
            self._tau_s: FloatArray = rule.time_constant_s * np.concatenate((near, far[1:]))
        else:
            self._tau_s = np.geomspace(rule.interval_s / 2, max(rule.maximum_s, rule.interval_s), _TAUS_N)
        self._floor = rule.resolution**2 / 12
        self._state = State.MOVING
        self._at_s = 0.0
        self._to_go = inf
        self._fitted_s = nan
        self._trace: list[tuple[float, float]] = []
        self._times: list[float] = []
        self._values: list[float] = []
        self._roughness: list[float] = []
        self._noise_sd, self._noise_variance, self._digit_variance = nan, inf, inf
        self._within_n = 0
        self._moved_s = 0.0
        self._held_from_s = inf
        self._sloping_s = 0.0
        # One row a fit; sums of E = exp(-(t - begin) / tau) never grow beyond the number of readings.
        shape = (_FITS_N, _TAUS_N)
        self._e, self._sum_e, self._sum_ee, self._sum_ey = (np.zeros(shape) for _ in range(4))
        self._n, self._ref, self._sum_y, self._sum_yy = (np.zeros((_FITS_N, 1)) for _ in range(4))
        self._n -= inf  # not begun
        self._is_misfit: list[bool] = [True] * _FITS_N
        self._begun_s = -inf
        self._decay_s, self._decay = nan, np.ones(_TAUS_N)

    @property
    def state(self) -> State:
        """How it stands after the last reading."""
        return self._state

    @property
    def to_go(self) -> float:
        """Upper bound of the error still to go; infinite while nothing can be said."""
        return self._to_go

    @property
    def noise_sd(self) -> float:
        """Standard deviation of single readings, from second differences; NaN while fewer than three readings.

        Too large where the receiver is so slow that the motion shows in these differences.
        """
        return self._noise_sd

    @property
    def time_constant_s(self) -> float:
        """Best fitting time constant; NaN while none was seen."""
        return self._fitted_s

    def settled(self) -> Settled:
        """What was found, with its evidence."""
        return Settled(
            state=self._state,
            after_s=self._at_s,
            to_go=self._to_go,
            noise_sd=self.noise_sd,
            time_constant_s=self._fitted_s,
            trace=tuple(self._trace),
            moved_s=self._moved_s,
            held_s=max(self._at_s - self._held_from_s, 0.0),
        )

    def add(self, at_s: float, value: float) -> State:
        """Take a reading and tell how it stands; readings after the end change nothing.

        Args:
            at_s: time since the setpoint change; must increase.
            value: NaN or infinite = invalid reading, only time passes.

        Raises:
            ValueError: `at_s` is not later than the reading before.
        """
        if self._state is not State.MOVING:
            return self._state
        if self._trace and not at_s > self._at_s:
            raise ValueError(f"a reading at {at_s:g} s cannot follow one at {self._at_s:g} s")
        self._at_s = at_s
        self._trace.append((at_s, value))
        if isfinite(value) and at_s >= self.rule.dead_time_s:
            self._take(at_s, value)
            if at_s >= self.rule.minimum_s and self._within_n >= _CONFIRM_N:
                if self._is_in_doubt():
                    self._held_from_s = min(self._held_from_s, at_s)
                else:
                    self._state = State.STEADY
        if self._state is State.MOVING and at_s >= self.rule.maximum_s:
            self._state = State.NOISY if self._is_level() and not self._is_in_doubt() else State.NEVER
        return self._state

    @property
    def _scale_s(self) -> float:
        """Nominal time constant; where there is none, a sixth of the time waited."""
        return self.rule.time_constant_s or self._at_s / 6

    def _take(self, at_s: float, value: float) -> None:
        """Bring noise, fits and the bound up to date with a valid reading."""
        step_s = at_s - self._times[-1] if self._times else 0.0
        self._times.append(at_s)
        self._values.append(float(value))
        if len(self._times) >= 3:
            self._take_noise()
        self._sum(step_s, value)
        self._to_go = self._fit_bound()
        if self._to_go == inf:
            self._to_go = min(self._held_slope_bound(), self._range_bound())
        else:
            self._sloping_s = at_s
        if self.rule.tail_s is not None:
            span_s = max(self.rule.tail_s, _SLOPE_SPAN * self._scale_s)
            self._to_go = max(self._to_go, self._slope_bound(span_s, self.rule.tail_s))
        if self._to_go <= self.rule.tolerance:
            self._within_n += 1
        else:
            self._within_n, self._moved_s = 0, at_s

    def _take_noise(self) -> None:
        """Noise variance over the last three time constants: each reading against the line through its neighbours."""
        (a_s, b_s, c_s), (a, b, c) = self._times[-3:], self._values[-3:]
        share = (c_s - b_s) / (c_s - a_s)
        away = b - share * a - (1 - share) * c
        self._roughness.append(away * away / (1 + share * share + (1 - share) ** 2))
        first = bisect_left(self._times, self._at_s - _NOISE_SPAN * self._scale_s)
        recent = self._roughness[max(min(first, len(self._roughness) - _NOISE_N), 0) :]
        self._noise_sd = sqrt(sum(recent) / len(recent))
        self._noise_variance = max(self._noise_sd**2, self._floor, (_NEGLIGIBLE * self.rule.tolerance) ** 2)
        # A change of digit shows in two differences. While the digit stands, its error is the same in every reading.
        changes_n = (len(recent) - recent.count(0.0)) / 2
        self._digit_variance = self._floor * max(1.0, len(recent) / (changes_n + 1) / 2)

    def _sum(self, step_s: float, value: float) -> None:
        """Take `value` into the sums of all fits, and begin a new fit when it is time."""
        if step_s != self._decay_s:
            self._decay_s, self._decay = step_s, np.exp(-step_s / self._tau_s)
        self._e *= self._decay
        # Closer together they would be nearly the same fit; 4.5, not 5, since times are not exact.
        if self._at_s - self._begun_s >= max(0.5 * self._scale_s, 4.5 * step_s):
            self._begun_s = self._at_s
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

    def _fit_bound(self) -> float:
        """Bound from the oldest exponential fit that leaves no more than the noise."""
        spread = np.maximum(self._sum_ee - self._sum_e * self._sum_e / self._n, _LEAST_SPREAD)
        common = self._sum_ey - self._sum_e * (self._sum_y / self._n)
        amplitude = common / spread
        rss = self._sum_yy - self._sum_y * self._sum_y / self._n - amplitude * common
        ages, best_s, least_s = self._n[:, 0].tolist(), rss.argmin(axis=1).tolist(), rss.min(axis=1).tolist()
        for row in sorted(range(_FITS_N), key=ages.__getitem__, reverse=True):
            n, best, least = ages[row], best_s[row], max(least_s[row], 0.0)
            if n < _FIT_N or self._times[-int(n)] > self._at_s - _FIT_SPAN * self._scale_s:
                break
            self._is_misfit[row] = least > _GATE * self._noise_variance * (n - 3)
            if not self._is_misfit[row]:
                variance = max(least / (n - 3), self._digit_variance)
                error = np.sqrt(variance / spread[row])
                if abs(amplitude[row, best]) > 10 * error[best]:
                    self._fitted_s = float(self._tau_s[best])
                possible = rss[row] <= least + _ADMIT * variance
                possible[max(best - 1, 0) : best + 2] = True
                bounds = (np.abs(amplitude[row]) + _COVERAGE * error) * self._e[row]
                bound = self._largest(bounds, possible, best)
                if bound <= self.rule.tolerance:
                    bound += self._drift(int(n), best, float(amplitude[row, best]))
                return bound
        return inf

    def _drift(self, n: int, best: int, amplitude: float) -> float:
        """What the second half of a fit moves on beside it in one time constant; 0 if that is not seen in the noise."""
        t, y = np.array(self._times[-n:]), np.array(self._values[-n:])
        y -= amplitude * np.exp((t[0] - t) / self._tau_s[best])
        slope, error, _ = _line(t[n // 2 :], y[n // 2 :], self._floor)
        return abs(slope) * self._scale_s if abs(slope) > 3 * error else 0.0

    def _largest(self, bounds: FloatArray, possible: npt.NDArray[np.bool_], best: int) -> float:
        """Largest bound among the time constants that are possible."""
        if not self.rule.time_constant_s:
            # Without a type sheet, a lag watched for less than two of its time constants cannot be told from drift.
            seen = self._tau_s <= self._at_s / 2
            if not seen[best]:
                return inf
            possible &= seen
        return float(bounds[possible].max())

    def _held_slope_bound(self) -> float:
        """Bound from the slope, once it has been within the tolerance for one and a half time constants."""
        bound = self._slope_bound(_SLOPE_SPAN * self._scale_s, _TAU_SLACK * self._scale_s)
        if bound > self.rule.tolerance:
            self._sloping_s = self._at_s
        return bound if self._at_s - self._sloping_s >= _SLOPE_HELD * self._scale_s else inf

    def _slope_bound(self, span_s: float, tau_s: float) -> float:
        """Bound from the slope over `span_s` for a time constant `tau_s`, and the swing about it that is not noise."""
        first = bisect_left(self._times, self._at_s - span_s)
        n = len(self._times) - first
        if n < _FIT_N or self._times[0] > self._at_s - span_s:
            return inf
        slope, error, variance = _line(np.array(self._times[first:]), np.array(self._values[first:]), self._floor)
        swing = sqrt(2 * max(variance - _GATE * self._noise_variance, 0.0))
        return (abs(slope) + _COVERAGE * error) * tau_s + swing

    def _range_bound(self) -> float:
        """Bound from the range of the readings of the last two time constants, at least three readings."""
        first = min(bisect_left(self._times, self._at_s - _RANGE_SPAN * self._scale_s), len(self._times) - 3)
        if first < 0 or self._times[0] > self._at_s - _RANGE_SPAN * self._scale_s:
            return inf
        seen = self._values[first:]
        # A lag that moves by `range` in `span` has range / (exp(span / tau) - 1) to go; an oscillation up to its range.
        span = (self._at_s - self._times[first]) / (2 * self._scale_s)  # the lag may be twice as long as nominal
        return (max(seen) - min(seen) + self.rule.resolution) / min(expm1(min(span, 1.0)), 1.0)

    def _is_in_doubt(self) -> bool:
        """That it stands still is no sign that the unit has settled."""
        return self._may_be_held() or self._is_suspicious()

    def _may_be_held(self) -> bool:
        """The output stands at an end of its range or beyond, where it may be held while what is before it moves."""
        if self.rule.ends is None or self._at_s >= self.rule.step_takes_s:
            return False
        low, high = self.rule.ends
        return not _END < (self._values[-1] - low) / (high - low) < 1 - _END

    def _is_suspicious(self) -> bool:
        """The unit was told to move far and has not left its place; dead time may be longer than stated."""
        before, expected = self.rule.before, self.rule.expected
        if before is None or expected is None or self._at_s >= max(self.rule.stuck_s, self.rule.step_takes_s):
            return False
        step = abs(expected - before)
        places = (before, self.rule.stood_at)  # stated, and read
        is_there = any(place is not None and abs(self._values[-1] - place) < 0.1 * step for place in places)
        return is_there and step > 10 * self.rule.tolerance

    def _is_level(self) -> bool:
        """No drift is seen in the second half of the record: what kept it from being steady is noise."""
        first = bisect_left(self._times, self._at_s / 2)
        n = len(self._times) - first
        if n < _FIT_N:
            return False
        # Means of blocks, since ripple and slow noise are not independent from reading to reading.
        blocks = np.array([block.mean() for block in np.array_split(np.array(self._values[first:]), _FIT_N)])
        place = np.arange(_FIT_N) - (_FIT_N - 1) / 2
        slope = float(place @ blocks) / float(place @ place)
        rest = blocks - blocks.mean() - slope * place
        error = sqrt(float(rest @ rest) / (_FIT_N - 2) / float(place @ place))
        return abs(slope) <= 3 * error


def _line(t: FloatArray, y: FloatArray, floor: float) -> tuple[float, float, float]:
    """Slope, its standard error, and the variance about the line, which is not below `floor`."""
    t = t - t.sum() / t.size
    y = y - y.sum() / t.size
    t_t, t_y = float(t @ t), float(t @ y)
    slope = t_y / t_t
    variance = max((float(y @ y) - slope * t_y) / (t.size - 2), floor)
    return slope, sqrt(variance / t_t), variance
