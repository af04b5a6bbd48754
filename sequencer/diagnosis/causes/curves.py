"""Curves: what a straight line cannot mend."""

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.causes.lines import pct
from sequencer.diagnosis.model.cause import Cause, Make, Sizes, one, sizes
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Equation, Segment

__all__ = ["CAUSES"]

_LEANING = 0.6  # an arch leans so far to one side at most: its slope there, as a share of that of an even one


def _is_root(segment: Segment, stage: int) -> bool:
    return segment.sheet.stages[stage].characteristic.kind == "square root"


def _power(exponent: float) -> Make:
    def made(_theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
        return lambda x: np.where(
            (x < 0) & (exponent < 1), 0.0, np.sign(x) * np.abs(x) ** exponent
        )  # no root below zero

    return made


def _cubic(y: FloatArray) -> FloatArray:
    """The S of a third power, 1 at its highest."""
    return np.asarray(12 * np.sqrt(3.0) * y * (y - 0.5) * (y - 1))


def _codes(segment: Segment, _stage: int) -> Sizes:
    """Where it jumps lies between two outputs, with two at least on either side: one point alone is no step."""
    places = np.unique(np.round(segment.ideal[segment.is_read], 3))
    between = (places[1:] + places[:-1]) / 2
    between = between[1:-1] if between.size > 2 else between
    T = segment.tolerance
    start = np.stack((np.full(between.size, 0.5 * T), between), axis=1)

    def log_prior(theta: FloatArray) -> FloatArray:
        size = np.maximum(np.abs(theta[:, 0]), 0.5 * T)
        return np.asarray(-np.log(2 * size * np.log(0.4 / T)) - np.log(max(between.size, 1)))

    return Sizes(start=start, log_prior=log_prior, is_free=(True, False), low=(-0.1, 0.0), high=(0.1, 1.0))


CAUSES: tuple[Cause, ...] = (
    Cause(
        name="square root applied",
        place="output",
        make=_power(0.5),
        sizes=lambda _s, _k: one(),
        say=lambda t, s, k: "the square root is on where a straight line is due: +25 % at 25 %",
        check="Read the characteristic in the configuration; one extraction only in the whole loop.",
        applies=lambda s, k: not _is_root(s, k),
        weight=2.0,
    ),
    Cause(
        name="square root missing",
        place="shape",
        make=_power(1.0),
        sizes=lambda _s, _k: one(),
        say=lambda t, s, k: "straight where the square root is due: -25 % at 25 % of the differential pressure",
        check="Read the characteristic in the configuration; one extraction only in the whole loop.",
        applies=_is_root,
        weight=3.0,
    ),
    Cause(
        name="square root twice",
        place="shape",
        make=_power(0.25),
        sizes=lambda _s, _k: one(),
        say=lambda t, s, k: "the square root is taken twice, in the transmitter and after it",
        check="Read the characteristic in both; one extraction only in the whole loop.",
        applies=_is_root,
        weight=2.0,
    ),
    Cause(
        name="zero shift before the root",
        place="sensor",
        make=lambda t, s, k: lambda x: np.maximum(x + t[:, :1], 0.0),  # there is no root of less
        # Near zero the root makes a shift large: what matters begins at the square of the tolerance.
        sizes=lambda s, _k: sizes((0.4 * s.tolerance**2, 0.15, 14, True), signed=(True,)),
        say=lambda t, s, k: f"the input is shifted by {pct(t[0])} of its range",
        check="Equalise both sides of the cell: the output must be at its zero.",
        applies=_is_root,
        weight=2.0,
    ),
    Cause(
        name="bow",
        place="output",
        make=lambda t, s, k: lambda y: y + t[:, :1] * 4 * y * (1 - y) * (1 + t[:, 1:2] * (2 * y - 1)),
        sizes=lambda s, _k: sizes(
            (0.5 * s.tolerance, 0.3, 2, True), (-_LEANING, _LEANING, 3, False), signed=(True, False)
        ),
        say=lambda t, s, k: f"one arch of {pct(t[0])} of span at mid-range",
        check="Read its linearisation table: no trim of zero or span takes an arch away.",
        rough=PRIORS.fitting.rough,
        linear=(0,),
    ),
    Cause(
        name="s shape",
        place="output",
        make=lambda t, s, k: lambda y: y + t[:, :1] * ((1 - t[:, 1:2]) * np.sin(2 * np.pi * y) + t[:, 1:2] * _cubic(y)),
        sizes=lambda s, _k: sizes((0.5 * s.tolerance, 0.3, 2, True), (0.0, 1.0, 3, False), signed=(True, False)),
        say=lambda t, s, k: f"an S of {pct(t[0])} of span, right at both ends and mid-range",
        check="Look at each traverse apart: a lag in a pooled fit looks alike.",
        rough=PRIORS.fitting.rough,
        linear=(0,),
    ),
    Cause(
        name="missing code",
        place="output",
        make=lambda t, s, k: lambda y: y + t[:, :1] * (y > t[:, 1:2]),
        sizes=_codes,
        linear=(0,),
        applies=lambda s, k: len(_codes(s, k).start) > 0,
        say=lambda t, s, k: f"jumps by {pct(t[0])} of span at about {100 * t[1]:.3g} %, up and down alike",
        check="Go slowly through the jump: the same place in each cycle is a missing code.",
        weight=0.3,
    ),
)
