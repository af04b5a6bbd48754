"""Families of linear systems that an answer to a step is fitted with, and where a fit of each begins."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sequencer.evaluation.figures.step_models import Shape, first_order, second_order, slow_tail, swing_and_lag

__all__ = ["FAMILIES", "MOST_TAIL", "Family"]

MOST_TAIL = 0.4
"""Share of the step; with more it is a second order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """A kind of system; its parameters are times and ratios above zero.

    Attributes:
        name: as it is told.
        names: of its parameters.
        build: parameters and dead time to the system.
        starts: from the rise time to values to begin with, for each parameter.
        needs_dead: it is nothing without a dead time.
        is_rare: it needs more evidence than the others, as a drift does.
    """

    name: str
    names: tuple[str, ...]
    build: Callable[[Sequence[float], float], Shape]
    starts: Callable[[float], tuple[tuple[float, ...], ...]]
    needs_dead: bool = False
    is_rare: bool = False


FAMILIES = (
    Family(
        name="dead time",
        names=(),
        build=lambda _, dead_s: Shape(dead_s=dead_s),
        starts=lambda _: (),
        needs_dead=True,
    ),
    Family(
        name="first order",
        names=("tau",),
        build=lambda p, dead_s: first_order(p[0], dead_s=dead_s),
        starts=lambda rise_s: ((rise_s / 4, rise_s / 2.2),),
    ),
    Family(
        name="second order",
        names=("period", "zeta"),
        build=lambda p, dead_s: second_order(p[0], p[1], dead_s=dead_s),
        starts=lambda rise_s: ((rise_s / 8, rise_s / 4, rise_s / 2.2), (0.15, 0.5, 1.0, 2.5)),
    ),
    Family(
        name="limited rate",
        names=("ramp",),
        build=lambda p, dead_s: Shape(dead_s=dead_s, ramp_s=p[0]),
        starts=lambda rise_s: ((rise_s * 0.9, rise_s * 1.25),),
    ),
    Family(
        name="limited rate and first order",
        names=("ramp", "tau"),
        build=lambda p, dead_s: first_order(p[1], ramp_s=p[0], dead_s=dead_s),
        starts=lambda rise_s: ((rise_s * 0.6, rise_s * 1.1), (rise_s / 20, rise_s / 5)),
    ),
    Family(
        name="first order with a slow tail",
        names=("tau", "tail", "share"),
        build=lambda p, dead_s: slow_tail(p[0], p[0] * (1 + p[1]), MOST_TAIL * p[2] / (1 + p[2]), dead_s=dead_s),
        starts=lambda rise_s: ((rise_s / 3, rise_s / 2.2), (4.0, 15.0), (0.05, 0.3)),
    ),
    Family(
        name="second order and first order",
        names=("period", "damping", "tau"),
        build=lambda p, dead_s: swing_and_lag(p[0], p[1] / (1 + p[1]), p[2], dead_s=dead_s),
        starts=lambda rise_s: ((rise_s / 4, rise_s / 2, rise_s), (0.15, 0.5, 1.5), (rise_s / 8, rise_s / 3, rise_s)),
        is_rare=True,
    ),
)
