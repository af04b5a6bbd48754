"""What a cause is: an equation with few parameters, how large these may be, and what is said of it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.model.priors import PRIORS, Rough
from sequencer.diagnosis.model.segment import Act, Equation, Place, Segment

__all__ = ["Cause", "Sizes", "discrete", "one", "sizes"]

Make: TypeAlias = Callable[[FloatArray, Segment, int], Equation]
"""Equation for candidates: parameters of shape (candidates, parameters), the segment, the index of the stage."""
Say: TypeAlias = Callable[[FloatArray, Segment, int], str]
"""Its sizes in words: parameters of shape (parameters,), the segment, the index of the stage."""
_TINY, _NEVER_NATS = 1e-12, 1e3


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """Candidates of a cause's parameters, and how probable each was before anything was read.

    Attributes:
        start: shape (candidates, parameters); the search begins at each.
        log_prior: log density of the parameters that are free, log probability of the others; by candidate.
        is_free: which parameters are continuous; shape (parameters,).
        low: smallest value of each; shape (parameters,).
        high: largest value of each.
    """

    start: FloatArray
    log_prior: Callable[[FloatArray], FloatArray]
    is_free: tuple[bool, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One row of the fault catalogue.

    Attributes:
        name: in the trade's words.
        place: where along the stage it acts.
        applies: whether the stage of a segment can have it.
        sizes: its parameters, for a segment and a stage.
        make: its equation.
        say: its sizes in words with units.
        check: the next check, as a work instruction.
        outside: what to check before it, to exclude bench and wiring; left out once these are proved right.
        weight: how common it is among faults, relative (trade practice, no source).
        contains: causes that are special cases of it, so that it is not said to be confused with them.
        is_of_bench: the bench or the person, not the unit.
        is_of_wiring: what connects the unit.
        has_steps: its prediction jumps with its parameters: weighed over a grid, not by curvature.
        linear: indices of parameters that act linearly, so that they can be solved for at once.
        is_lone: its many sizes bend to whatever another cause leaves, so that it is not tried beside one.
        moves_on: the output still moves on its way while it is read.
        is_last: it acts behind all else at its place, as zero and span that are set there.
        is_behind: what a good unit does of itself shows behind it, where it holds an output or makes it jump.
        rough: how roughly its equation holds.
    """

    name: str
    place: Place
    make: Make
    sizes: Callable[[Segment, int], Sizes]
    say: Say
    check: str
    applies: Callable[[Segment, int], bool] = lambda _segment, _stage: True
    outside: str = ""
    weight: float = 1.0
    contains: tuple[str, ...] = field(default=())
    is_of_bench: bool = False
    is_of_wiring: bool = False
    has_steps: bool = False
    linear: tuple[int, ...] = ()
    is_lone: bool = False
    moves_on: bool = False
    is_last: bool = False
    is_behind: bool = False
    rough: Rough = PRIORS.fitting.exact

    @property
    def is_outside(self) -> bool:
        """It sits at the bench or in the wiring: no trim of the unit takes it away."""
        return self.is_of_bench or self.is_of_wiring

    @property
    def jumps(self) -> bool:
        """Its output jumps from level to level."""
        return self.has_steps or self.is_behind

    @property
    def is_linear(self) -> bool:
        """Some parameters act linearly on the output, and are solved for at each candidate of the others."""
        return bool(self.linear)

    def sizes_at(self, segment: Segment, stage: int) -> Sizes:
        """Its parameters there; worked out once for each segment and stage."""
        key = self.sizes, stage
        if key not in segment.memo:
            segment.memo[key] = self.sizes(segment, stage)
        found: Sizes = segment.memo[key]
        return found

    def may_be(self, segment: Segment, stage: int) -> bool:
        """Whether the stage can have it, by what is known of unit, bench and wiring."""
        return self.applies(segment, stage) and not (segment.is_cleared and self.is_outside)

    def check_of(self, segment: Segment) -> str:
        """The next check, by what is known of bench and wiring."""
        return self.check if segment.is_cleared or not self.outside else f"{self.outside} {self.check}"

    def act(self, theta: FloatArray, segment: Segment, stage: int) -> Act:
        """Its equation for candidates of shape (candidates, parameters)."""
        return Act(stage=stage, place=self.place, equation=self.make(theta, segment, stage), is_last=self.is_last)


def one() -> Sizes:
    """No parameter at all."""
    return Sizes(start=np.zeros((1, 0)), log_prior=lambda theta: np.zeros(len(theta)), is_free=(), low=(), high=())


def discrete(values: FloatArray) -> Sizes:
    """One of some values, each as probable."""
    values = np.asarray(values, dtype=np.float64)
    probability = -np.log(values.size)
    return Sizes(
        start=values[:, np.newaxis],
        log_prior=lambda theta: np.full(len(theta), probability),
        is_free=(False,),
        low=(-np.inf,),
        high=(np.inf,),
    )


def sizes(*parts: tuple[float, float, int, bool], signed: tuple[bool, ...] | None = None) -> Sizes:
    """Parameters that are free, each as probable in each octave of its size, or everywhere alike.

    Args:
        parts: for each parameter smallest and largest size, how many candidates, and whether by octaves.
        signed: for each, whether it may be negative too.
    """
    signed = signed or (False,) * len(parts)
    axes, highs, lows = [], [], []
    for (low, high, count, by_octaves), has_sign in zip(parts, signed, strict=True):
        axis = np.geomspace(low, high, count) if by_octaves else np.linspace(low, high, count)
        axes.append(np.concatenate((-axis[::-1], axis)) if has_sign else axis)
        lows.append(-high if has_sign else low)
        highs.append(high)
    mesh = np.meshgrid(*axes, indexing="ij")

    def log_prior(theta: FloatArray) -> FloatArray:
        total = np.zeros(len(theta))
        for index, ((low, high, _, by_octaves), has_sign) in enumerate(zip(parts, signed, strict=True)):
            size = np.abs(theta[:, index])
            if by_octaves:
                total -= np.log(np.maximum(size, low) * np.log(high / low))
                smaller = np.maximum(0.0, np.log(low / np.maximum(size, _TINY)))
                total -= PRIORS.fitting.smaller_power * smaller
            else:
                total -= np.where(size < low, _NEVER_NATS, np.log(high - low))
            total -= np.log(2.0) * has_sign
        return total

    return Sizes(
        start=np.stack([axis.ravel() for axis in mesh], axis=1),
        log_prior=log_prior,
        is_free=(True,) * len(parts),
        low=tuple(lows),
        high=tuple(highs),
    )
