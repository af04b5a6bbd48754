"""Answers of linear systems to a unit step, seen through windows: closed forms, arrays in and out.

A system is a dead time, a stretch at a limited rate, and a sum of exponentials. A window is a mean over the time before
each stamp (the aperture of a receiver), or a source that takes a straight line to its new level: both are the same
function. Nothing here fits anything, or knows a reading.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from instruments.datasheet import FloatArray

__all__ = [
    "Shape",
    "crossing_s",
    "first_order",
    "overshoot_frac",
    "second_order",
    "settling_s",
    "slow_tail",
    "swing_and_lag",
]

# A window so short beside the rest is taken as its middle; it is wrong by the square of this over 24.
_TINY = 1e-3
# Roots of a second order nearer than this are held apart, or their weights cancel; wrong by its square.
_LEAST_ROOT = 1e-4
_TERMS = 20
_GRID = 4000
T = TypeVar("T", np.float64, np.complex128)
_INVERSE = tuple(1 / math.factorial(number) for number in range(_TERMS + 8))


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Answer to a unit step at 0: nothing until `dead_s`, then 1 - sum of weights exp(rates t), averaged over `ramp_s`.

    Attributes:
        dead_s: dead time, >= 0.
        ramp_s: how long it moves at a limited rate, before its lags; 0 = the rate is not limited.
        rates: 1/s, with negative real parts; none = at once.
        weights: of each rate; they add up to 1.
    """

    dead_s: float = 0.0
    ramp_s: float = 0.0
    rates: tuple[complex, ...] = ()
    weights: tuple[complex, ...] = ()

    def seen(self, times_s: FloatArray, *windows_s: float) -> FloatArray:
        """The answer as seen through windows that end at the times.

        Args:
            times_s: shape (n,), from the instant of the step, stamped where the window ends; negative = before.
            windows_s: lengths; 0 = none.

        Returns:
            Shape (n,): 0 before, 1 once all is over.
        """
        times = np.asarray(times_s, dtype=np.float64) - self.dead_s
        widths = [width for width in (self.ramp_s, *windows_s) if width > 0]
        fastest_s = min((1 / abs(rate) for rate in self.rates), default=0.0)
        scale_s = max([fastest_s, *widths], default=0.0)
        wide = [width for width in widths if width >= _TINY * scale_s]
        times = times - sum(width for width in widths if width < _TINY * scale_s) / 2
        whole_s = sum(wide)
        found = np.zeros_like(times)
        is_over = times >= whole_s if wide else times > 0
        found[is_over] = 1 - self._rest(times[is_over] - whole_s, wide)
        is_in = (times > 0) & ~is_over
        if is_in.any():
            found[is_in] = self._filling(times[is_in], wide)
        return found

    def _rest(self, after_s: FloatArray, widths: Sequence[float]) -> FloatArray:
        """What is still to go so long after all windows have filled."""
        total = np.zeros(after_s.shape)
        for rate, weight in self._terms():
            through = weight
            for width in widths:
                through = through * -np.expm1(rate * width) / (-rate * width)
            total += (through * np.exp(rate * after_s)).real
        return total

    def _filling(self, times: FloatArray, widths: Sequence[float]) -> FloatArray:
        """While the windows fill: differences of the repeated integral of the answer over every sum of widths."""
        count = len(widths)
        some = [each for taken in range(count + 1) for each in combinations(widths, taken)]
        signs = np.array([(-1.0) ** len(each) for each in some])
        late = np.maximum(times - np.array([[sum(each)] for each in some]), 0.0)
        inner = np.full(late.shape, _INVERSE[count])
        for rate, weight in self._terms():
            inner -= (weight * _phi(count, rate * late)).real
        return np.asarray(signs @ (late**count * inner) / math.prod(widths))

    def _terms(self) -> list[tuple[complex, complex]]:
        """Rates and weights; of two that are conjugate one, doubled, since real parts alone are added up."""
        terms: list[tuple[complex, complex]] = []
        for rate, weight in zip(self.rates, self.weights, strict=True):
            if rate.imag == 0:
                terms.append((rate.real, weight.real))
            elif rate.imag > 0:
                terms.append((rate, 2 * weight))
        return terms

    @property
    def slowest_s(self) -> float:
        """Longest time constant of its envelope; 0 without lags."""
        return max((-1 / rate.real for rate in self.rates), default=0.0)


def _phi(order: int, z: npt.NDArray[T]) -> npt.NDArray[T]:
    """(exp(z) less its first `order` terms) / z^order, without cancellation at small z."""
    found = np.empty_like(z)
    is_small = np.abs(z) < 1.5
    small, large = z[is_small], z[~is_small]
    series = np.zeros_like(small)
    for number in reversed(range(_TERMS)):
        series = series * small + _INVERSE[number + order]
    found[is_small] = series
    head = sum((large**number * _INVERSE[number] for number in range(order)), np.zeros_like(large))
    found[~is_small] = (np.exp(large) - head) / large**order
    return found


def first_order(tau_s: float, *, dead_s: float = 0.0, ramp_s: float = 0.0) -> Shape:
    """One lag: 1 - exp(-t / tau)."""
    return Shape(dead_s=dead_s, ramp_s=ramp_s, rates=(complex(-1 / tau_s),), weights=(1 + 0j,))


def second_order(period_s: float, zeta: float, *, dead_s: float = 0.0) -> Shape:
    """Two lags, or a damped swing.

    Args:
        period_s: 1 / wn, the inverse of the undamped angular frequency.
        zeta: damping; above 1 it is two lags, below 1 it swings over.
        dead_s: dead time before it.
    """
    inside = zeta * zeta - 1
    root = max(math.sqrt(abs(inside)), _LEAST_ROOT)
    if inside > 0:
        one, other = complex(-1 / ((zeta + root) * period_s)), complex(-(zeta + root) / period_s)
    else:
        one, other = complex(-zeta, root) / period_s, complex(-zeta, -root) / period_s
    return Shape(dead_s=dead_s, rates=(one, other), weights=(-other / (one - other), one / (one - other)))


def swing_and_lag(period_s: float, zeta: float, tau_s: float, *, dead_s: float = 0.0) -> Shape:
    """A damped swing and a lag, one behind the other; by partial fractions.

    Args:
        period_s: 1 / wn of the swing.
        zeta: its damping, below 1.
        tau_s: of the lag.
        dead_s: dead time before them.
    """
    swing = second_order(period_s, zeta)
    rates = (*swing.rates, complex(-1 / tau_s))
    weights = []
    for place, rate in enumerate(rates):
        others = (other for index, other in enumerate(rates) if index != place)
        weights.append(math.prod((other / (other - rate) for other in others), start=1 + 0j))
    return Shape(dead_s=dead_s, rates=rates, weights=tuple(weights))


def slow_tail(tau_s: float, tail_s: float, share: float, *, dead_s: float = 0.0) -> Shape:
    """A lag, and a share of the step that comes more slowly behind it."""
    return Shape(
        dead_s=dead_s, rates=(complex(-1 / tau_s), complex(-1 / tail_s)), weights=(complex(1 - share), complex(share))
    )


def crossing_s(shape: Shape, level: float) -> float:
    """When the answer first reaches a level between 0 and 1."""
    start = shape.dead_s
    if not shape.rates:
        return start + level * shape.ramp_s
    step = (shape.ramp_s + 6 * max(1 / abs(rate) for rate in shape.rates)) / _GRID
    end = start + _GRID * step
    while True:
        grid = np.linspace(start, end, _GRID)
        reached = np.flatnonzero(shape.seen(grid) >= level)
        if len(reached):
            break
        start, end = end, end + 2 * (end - start)
    last = int(reached[0])
    return _root(shape, level, float(grid[max(last - 1, 0)]), float(grid[last]))


def settling_s(shape: Shape, band: float) -> float:
    """When the answer last comes into a band of plus and minus `band` around 1."""
    if not shape.rates:
        return shape.dead_s + (1 - band) * shape.ramp_s
    size = sum(abs(weight) for weight in shape.weights)
    end = shape.dead_s + shape.ramp_s + shape.slowest_s * math.log(max(size / band, 1.1))
    swing = max(abs(rate.imag) for rate in shape.rates)
    count = min(max(_GRID, int(20 * swing * end)), 200_000)
    grid = np.linspace(shape.dead_s, end, count)
    seen = shape.seen(grid)
    outside = np.flatnonzero(np.abs(seen - 1) > band)
    if not len(outside):
        return shape.dead_s
    last = int(outside[-1])
    if last == count - 1:
        return end
    return _root(shape, 1 + math.copysign(band, seen[last] - 1), float(grid[last]), float(grid[last + 1]))


def overshoot_frac(shape: Shape) -> float:
    """How far the answer swings beyond 1, without a limited rate; 0 where it does not.

    Of a second order exp(-pi zeta / sqrt(1 - zeta^2)), from the rates: their real part over their imaginary part.
    """
    swinging = [rate for rate in shape.rates if rate.imag > 0]
    if not swinging:
        return 0.0
    if len(shape.rates) == 2:
        return math.exp(math.pi * swinging[0].real / swinging[0].imag)
    # The highest swing is among the first ones, once the lag has let it through.
    end_s = 2 * math.pi / swinging[0].imag + 5 * shape.slowest_s
    return max(float(shape.seen(shape.dead_s + np.linspace(0, end_s, _GRID)).max()) - 1, 0.0)


def _root(shape: Shape, level: float, low: float, high: float) -> float:
    def beyond(at_s: float) -> float:
        return float(shape.seen(np.array([at_s]))[0]) - level

    if beyond(low) * beyond(high) > 0 or low == high:  # the answer jumps there
        return high
    return float(brentq(beyond, low, high, xtol=1e-13, rtol=1e-13))
