"""What lies between two neighbouring taps that were read, and what it would give back with something wrong in it."""

import re
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal, TypeAlias

import numpy as np

from instruments.datasheet import DataSheet, FloatArray, Tap
from sequencer.diagnosis.model.lattice import lattice
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.series import Series, moving
from sequencer.diagnosis.model.smooth import smooth

__all__ = ["WAYS", "Act", "Equation", "Place", "Segment"]

Place: TypeAlias = Literal["misread", "value", "sensor", "input", "shape", "output", "level", "reading"]
"""Where along a stage something acts: on what was read at the tap before it, on the value there, on that as a fraction
of the range, before and after it is scaled, instead of its characteristic, on its output as a fraction, on the level at
the tap after it, on what is read there."""

Equation: TypeAlias = Callable[[FloatArray], FloatArray]
WAYS = np.array([[1.0], [0.0], [-1.0]])
"""Up, not at all, and down; shape (ways, 1)."""
_ORDER: tuple[Place, ...] = ("value", "sensor", "input", "shape", "output", "level")
# A signal that cannot be negative stays at zero.
_NEVER_NEGATIVE = frozenset({"Hz", "kHz", "rpm", "1/min", "ohm", "kohm", "mA"})
_NUMBER = re.compile(r"[+-]?\d+(?:[.,](\d+))?")
_PLACE_DIGITS = 4  # of a setpoint as fraction: nearer ones are one place
_HELD_UNITS = frozenset({"mA", "A", "V", "mV"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """One equation at one place of one stage; arrays of shape (candidates, visits) in and out.

    `is_last` where it acts behind all others at that place.
    """

    stage: int
    place: Place
    equation: Equation
    is_last: bool = False


@dataclass(frozen=True, kw_only=True)
class Segment:
    """The stages from tap `first` to tap `last` of a sheet, with what was read at both.

    Attributes:
        sheet: of the unit.
        series: the readings.
        first: index of the tap before; -1 = the setting of the source, before the first tap.
        last: index of the tap after.
        tolerance: half width that is allowed at `last`, as fraction of its span, the mean over the visits.
        noise: standard deviation of the mean of a visit, as fraction; shape (visits,).
        resolution: of what reads `last`, as fraction of its span; 0 where nothing tells.
        allowed: half width at each visit, as fraction; shape (visits,). None = `tolerance` at all.
        is_cleared: bench and wiring were proved right by other means.
    """

    sheet: DataSheet
    series: Series
    first: int
    last: int
    tolerance: float
    noise: FloatArray
    resolution: float = 0.0
    allowed: FloatArray | None = None
    is_cleared: bool = False

    @cached_property
    def memo(self) -> dict[Hashable, Any]:
        """What was worked out for it before, by whoever keeps it here."""
        return {}

    @property
    def after(self) -> Tap:
        """The tap that is read."""
        return self.sheet.taps[self.last]

    @property
    def stages(self) -> range:
        """Indices of the stages in it; empty for the source alone."""
        return range(max(self.first, 0), self.last)

    @property
    def name(self) -> str:
        """In words."""
        if self.first < 0:
            return "source"
        return " + ".join(self.sheet.stages[index].name for index in self.stages)

    def place_of(self, place: Place, stage: int) -> str:
        """Where something sits that acts there, in words: at the tap that is read, or in a stage, by its index."""
        return self.after.name if place == "reading" else self.sheet.stages[stage].name

    @cached_property
    def x(self) -> FloatArray:
        """Input, as fraction of the range of the tap before; shape (visits,). Of the source, of its signal.

        Where the first tap was never read, the setting of the source stands for it.
        """
        if self.first < 0:
            return self._of_signal(self.series.setpoint)
        return self.series.setpoint if self.is_set_only else self.series.value[self.sheet.taps[self.first].name]

    @property
    def is_set_only(self) -> bool:
        """Nothing reads the input: the setting of the source stands for it."""
        if self.first != 0:
            return False
        read = self.series.value.get(self.sheet.taps[0].name)
        return read is None or not np.isfinite(read).any()

    @cached_property
    def y(self) -> FloatArray:
        """What was read, as fraction of the range of the tap after; shape (visits,). Of the source, of its signal."""
        value = self.series.value[self.after.name]
        return self._of_signal(value) if self.first < 0 else value

    def _of_signal(self, frac: FloatArray) -> FloatArray:
        """Fractions of the value's range as fractions of the range of the signal that carries it."""
        low, high = self.after.to_signal(np.array([self.after.low, self.after.high]))
        return np.asarray((self.after.to_signal(self.after.value(frac)) - low) / (high - low))

    @cached_property
    def raw(self) -> FloatArray:
        """Single readings; shape (visits, readings)."""
        return self.series.raw[self.after.name]

    @cached_property
    def shown_step(self) -> float:
        """One of the last digit as most readings were written down, zeros counted, as fraction of the span.

        0 where no person wrote them.
        """
        if not self.series.is_keyed:
            return 0.0
        steps = []
        for text, value in zip(self.series.text[self.after.name].flat, self.after.value(self.raw).flat, strict=True):
            number = _NUMBER.match(str(text).strip())
            # The ratio brings a multiple of the unit, or thousands that are divided, to the unit of the tap.
            if number and value and float(number[0].replace(",", ".")):
                steps.append(abs(value / float(number[0].replace(",", "."))) * 10.0 ** -len(number[1] or ""))
        return float(np.median(steps)) / abs(self.after.span) if steps else 0.0

    @cached_property
    def steady(self) -> FloatArray:
        """Single readings of the visits that both taps were read at, NaN where one was still moving."""
        raw = self.raw[self.is_read]
        return np.where(moving(self.raw)[self.is_read, np.newaxis], np.nan, raw)

    @cached_property
    def is_read(self) -> "np.typing.NDArray[np.bool_]":
        """Visits that both taps were read at."""
        return np.isfinite(self.x) & np.isfinite(self.y)

    @cached_property
    def places(self) -> "np.typing.NDArray[np.intp]":
        """A number for each setpoint, of the visits that both taps were read at."""
        _, place = np.unique(np.round(self.series.setpoint[self.is_read], _PLACE_DIGITS), return_inverse=True)
        return np.asarray(place)

    @cached_property
    def smooth(self) -> FloatArray:
        """What an equation that holds in the main strays by, one standard deviation each; shape (visits read, ways)."""
        prior, way = PRIORS.fitting, self.series.direction[self.is_read]
        return smooth(self.ideal[self.is_read], way, length=prior.smooth_length, way_share=prior.smooth_way)

    @cached_property
    def steps(self) -> FloatArray:
        """Steps that the readings lie on, and where the first of them lies, as fractions; shape (steps, 2)."""
        # Beyond its range an output is held, on no step.
        is_inside = self.is_read & (np.abs(self.y - 0.5) < 0.5 + self.tolerance)
        setpoint = self.series.setpoint[is_inside]
        found = lattice(self.y[is_inside], self.ideal[is_inside], setpoint, self.tolerance)
        # What a person wrote in whole steps lies on them, wherever it was set, and on none that are narrower.
        found = found[found[:, 0] > PRIORS.steps.shown_share * self.shown_step]
        if self.shown_step > PRIORS.steps.narrowest * self.tolerance:
            found = np.concatenate((found, [(self.shown_step, 0.0)]))
        return found

    def held(self, frac: FloatArray) -> FloatArray:
        """What is read of an output that goes some way beyond its range and is held there; where, the readings say."""
        (low, below), (high, above) = self._limits
        if below == -np.inf and above == np.inf:  # nothing is held
            return frac
        return np.where(frac > above, high, np.where(frac < below, low, frac))

    @property
    def is_held_low(self) -> bool:
        """The output is read at one level near the lower end of its range, or below it, at several inputs."""
        return bool(np.isfinite(self._limits[0][0]))

    def largest(self, error: FloatArray) -> float:
        """The largest of errors, of shape (visits,), at the visits that both taps were read at, with no sign."""
        return float(np.abs(error)[self.is_read].max())

    @cached_property
    def is_inside(self) -> "np.typing.NDArray[np.bool_]":
        """Visits that both taps were read at whose output lies within its range; beyond it may be held."""
        return self.is_read & (np.abs(self.y - 0.5) <= 0.5)

    @cached_property
    def _limits(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Levels that are read where it is held, and beyond which it is; infinite where nothing tells."""
        if self.first < 0 or not self.is_read.any() or self.after.unit not in _HELD_UNITS:
            return (-np.inf, -np.inf), (np.inf, np.inf)
        seen, x = self.y[self.is_read], self.x[self.is_read]
        low, below = self._plateau(-seen, x, 0.0)
        return (-low, -below), self._plateau(seen, x, 1.0)

    def _plateau(self, seen: FloatArray, x: FloatArray, end: float) -> tuple[float, float]:
        top, margin = float(seen.max()), self._margin
        is_there = seen > top - margin
        # Held at several inputs it is held for sure; else what is predicted at the level itself need not be.
        is_sure = np.ptp(x[is_there]) > PRIORS.levels.level_frac + 2 * margin
        is_level = end + (-margin if is_sure else margin) < top < end + PRIORS.levels.farthest_frac
        if not is_level:
            return np.inf, np.inf
        level = max(float(seen[is_there].mean()), end)
        # Scatter that is ordinary takes one reading as far from what is predicted, but not several to one level.
        own = float(np.median(self.noise)) if is_there.sum() > 1 else PRIORS.bench.noisy_share * self.tolerance
        return level, level if is_sure else level + max(margin, PRIORS.levels.level_sds * own)

    @cached_property
    def _margin(self) -> float:
        prior = PRIORS.levels
        usual = float(np.median(self.noise))
        return max(prior.level_frac, prior.level_share * self.tolerance, prior.level_sds * usual)

    @cached_property
    def zero_level(self) -> float:
        """Fraction at which the signal of the tap after is zero."""
        return float(self.after.fraction(np.array(0.0)))

    @cached_property
    def ideal(self) -> FloatArray:
        """What an ideal unit gives for the measured input; shape (visits,)."""
        return np.asarray(self.predict(())[0])

    @cached_property
    def rises(self) -> float:
        """+1 where the output fraction rises with the setpoint, -1 where it falls."""
        setpoint = self.series.setpoint[self.is_read]
        return float(np.sign(np.cov(setpoint, self.ideal[self.is_read])[0, 1])) if setpoint.size > 1 else 1.0

    @property
    def small_step(self) -> float:
        """A step of the input that is small beside the tolerance, as fraction."""
        return PRIORS.levels.step_share * self.tolerance

    @cached_property
    def ideal_swing(self) -> FloatArray:
        """By how much an ideal unit answers to a small step of the input, to the steeper side; shape (visits,)."""
        up, at, down = self.predict((), moved=self.small_step * WAYS)
        return np.asarray(np.maximum(np.abs(up - at), np.abs(at - down)))

    def predict(self, acts: Sequence[Act], *, moved: float | FloatArray = 0.0) -> FloatArray:
        """Output fraction with something wrong; shape (candidates, visits).

        Args:
            acts: what is wrong.
            moved: added to the input; where it is many, of shape (ways, 1), of one candidate.
        """
        frac = self.x[np.newaxis, :]
        for act in acts:
            if act.place == "misread":
                before = self.sheet.taps[self.first]
                frac = before.fraction(act.equation(before.value(frac)))
        frac = frac + moved
        for index in self.stages:
            frac = self._through(index, frac, acts)
        if self.first < 0:
            for act in acts:
                if act.place == "input":
                    frac = act.equation(frac)
        reads = [act.equation for act in acts if act.place == "reading"]
        if reads:
            value = self.after.value(frac)
            for equation in reads:
                value = equation(value)
            frac = self.after.fraction(value)
        # The level was read behind all that is lost on the way, or misread: so it holds what is read.
        return self.held(frac)

    def _through(self, index: int, frac: FloatArray, acts: Sequence[Act]) -> FloatArray:
        """Fraction at the tap after one stage for the fraction at the tap before it."""
        ordered = sorted(acts, key=lambda act: act.is_last)
        here: dict[Place, list[Equation]] = {
            place: [act.equation for act in ordered if act.stage == index and act.place == place] for place in _ORDER
        }
        if here["value"]:
            before = self.sheet.taps[index]
            value = before.value(frac)
            for equation in here["value"]:
                value = equation(value)
            frac = before.fraction(value)
        for equation in (*here["sensor"], *here["input"]):
            frac = equation(frac)
        frac = here["shape"][0](frac) if here["shape"] else self.sheet.stages[index].characteristic.output(frac)
        for equation in here["output"]:
            frac = equation(frac)
        return self._levelled(frac, here["level"], index + 1)

    def _levelled(self, frac: FloatArray, equations: list[Equation], tap: int) -> FloatArray:
        after = self.sheet.taps[tap]
        if not equations and after.unit not in _NEVER_NEGATIVE:
            return frac
        level = after.value(frac)
        for equation in equations:
            level = equation(level)
        if after.unit in _NEVER_NEGATIVE:
            level = np.maximum(level, 0.0)
        return after.fraction(level)
