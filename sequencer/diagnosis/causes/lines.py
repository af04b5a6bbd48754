"""Straight lines: zero, span, and gains about another pivot."""

from collections.abc import Callable

import numpy as np

from instruments.datasheet import FloatArray
from instruments.texts import NOTHING, is_measurable, sized
from sequencer.diagnosis.model.cause import Cause, Sizes, discrete, sizes
from sequencer.diagnosis.model.segment import Equation, Segment

__all__ = ["CAUSES", "is_current", "is_last_stage", "level_text", "pct"]

_TRIM_FRAC = 0.15
_SHIFT_FRAC = 0.6


def pct(frac: float) -> str:
    """A fraction as % with sign and three digits."""
    return f"{sized(100 * frac, is_signed=True)} %" if is_measurable(frac) else "0 %"


def level_text(frac: float, segment: Segment) -> str:
    """A shift of the output in its unit and in % of span."""
    if not is_measurable(frac):
        return NOTHING
    return f"{sized(frac * segment.after.span, is_signed=True)} {segment.after.unit} ({pct(frac)} of span)"


def is_current(segment: Segment, stage: int) -> bool:
    """The stage gives a current to the tap that is read."""
    return stage == segment.last - 1 and segment.after.unit in {"mA", "A"}


def is_last_stage(segment: Segment, stage: int) -> bool:
    """The stage before the tap that is read."""
    return stage == segment.last - 1


def _zero(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    return lambda y: y + theta[:, :1]


def _span(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    return lambda y: y * (1 + theta[:, :1])


def _zero_and_span(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    return lambda y: theta[:, :1] + y * (1 + theta[:, 1:2])


def _raw_gain(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    return lambda level: level * (1 + theta[:, :1])


def _raw_line(theta: FloatArray, segment: Segment, _stage: int) -> Equation:
    return lambda level: level * (1 + theta[:, :1]) + theta[:, 1:2] * segment.after.span


def _trims(count: int, most: float = _TRIM_FRAC, *, sign: bool = True) -> Callable[[Segment, int], Sizes]:
    def made(segment: Segment, _stage: int) -> Sizes:
        return sizes((0.4 * segment.tolerance, most, count, True), signed=(sign,))

    return made


def _trim_pair(segment: Segment, _stage: int) -> Sizes:
    each = (0.4 * segment.tolerance, _TRIM_FRAC, 5, True)
    return sizes(each, each, signed=(True, True))


def _leak(theta: FloatArray, segment: Segment, _stage: int) -> Equation:
    # I + (Vs - I R) / Rp in the unit of the level: a shift, and a little less gain.
    unit = 1e3 if segment.after.unit == "mA" else 1.0
    return lambda level: (
        level + theta[:, :1] * segment.after.span - level * theta[:, :1] * segment.after.span / unit * theta[:, 1:2]
    )


def _leak_sizes(segment: Segment, _stage: int) -> Sizes:
    return sizes((0.4 * segment.tolerance, 0.3, 10, True), (5.0, 50.0, 4, True))


def _is_raw_gain(segment: Segment, stage: int) -> bool:
    """What is read is the signal itself, so that a gain of the reading is one about zero signal."""
    return is_last_stage(segment, stage) and segment.after.sensor is None


def _has_a_zero(segment: Segment, stage: int) -> bool:
    """A wheel and its pickup give no pulse too many at rest: they have a count, and no zero."""
    return not segment.sheet.stages[stage].pulses_per_revolution


def _is_between(segment: Segment, stage: int) -> bool:
    """The tap lies between others that show what reads it."""
    return _is_raw_gain(segment, stage) and segment.last < len(segment.sheet.taps) - 1


CAUSES: tuple[Cause, ...] = (
    Cause(
        name="zero shift",
        place="output",
        make=_zero,
        sizes=_trims(12, _SHIFT_FRAC),
        say=lambda t, s, _: f"shifted by {level_text(t[0], s)} at every input",
        outside="Read the same loop with a second meter; then loop the source straight to the meter.",
        check="Read the configured lower range value.",
        weight=2.0,
        linear=(0,),
        applies=_has_a_zero,
        is_last=True,
    ),
    Cause(
        name="span error",
        place="output",
        make=_span,
        sizes=_trims(12),
        say=lambda t, s, _: f"span error {pct(t[0])}, zero correct",
        outside="Read the same signal with a second meter.",
        check="Read the configuration: a round ratio is a range set wrong.",
        weight=2.0,
        linear=(0,),
        is_last=True,
    ),
    Cause(
        name="zero and span",
        place="output",
        make=_zero_and_span,
        sizes=_trim_pair,
        say=lambda t, s, _: f"zero error {level_text(t[0], s)}, span error {pct(t[1])}",
        outside="Read the same loop with a second meter.",
        check="Read both ends of the configured range.",
        contains=(
            "zero shift",
            "span error",
            "cold junction error",
            "lead resistance",
            "compensating cable reversed",
            "extra pulses from the inverter",
        ),
        linear=(0, 1),
        applies=_has_a_zero,
        is_last=True,
    ),
    Cause(
        name="meter gain",
        place="reading",
        make=_raw_gain,
        sizes=_trims(10),
        say=lambda t, s, _: f"reads {pct(t[0])} of reading too {'high' if t[0] > 0 else 'low'}",
        check="Read the same signal with a second instrument; in a loop, in series.",
        applies=_is_raw_gain,
        is_of_bench=True,
        linear=(0,),
    ),
    Cause(
        name="meter gain",
        place="reading",
        make=_raw_line,
        sizes=_trim_pair,
        say=lambda t, s, _: f"reads {pct(t[0])} of reading and {level_text(t[1], s)} off",
        check="Read the same loop with a second meter in series.",
        applies=_is_raw_gain,
        weight=0.5,
        is_of_bench=True,
        contains=("zero shift", "meter offset"),
        linear=(0, 1),
    ),
    Cause(
        name="meter gain",
        place="reading",
        make=lambda t, s, k: lambda level: level * t[:, :1],
        sizes=lambda _s, _k: discrete(
            np.array([2, 0.5, 3, 1 / 3, 4, 0.25, 1.5, 2 / 3, 10, 0.1, 60, 1 / 60, 1e3, 1e-3])
        ),
        say=lambda t, s, _: f"reads {t[0]:.3g} times the signal: its range, unit or edge is set wrong",
        check="Look at range, unit and edge of the instrument; then read the same signal with a second one.",
        applies=_is_between,
        is_of_bench=True,
    ),
    Cause(
        name="load resistor wrong",
        place="reading",
        make=_raw_gain,
        sizes=_trims(10),
        say=lambda t, s, _: f"{250 * (1 + t[0]):.4g} ohm in place of 250 ohm, {pct(t[0])} of reading",
        check="Measure the resistor; read mA and volts together.",
        applies=lambda s, k: _is_raw_gain(s, k) and is_current(s, k),
        is_of_bench=True,
        linear=(0,),
    ),
    Cause(
        name="leak across receiver",
        place="level",
        make=lambda t, s, k: _raw_gain(-np.abs(t), s, k),
        sizes=_trims(10, sign=False),
        say=lambda t, s, _: f"{pct(-abs(t[0]))} of the current goes past the receiver",
        check="Measure mA at both ends of the loop at once.",
        is_of_wiring=True,
        applies=lambda s, k: _is_raw_gain(s, k) and is_current(s, k),
    ),
    Cause(
        name="leak across transmitter",
        place="level",
        make=_leak,
        sizes=_leak_sizes,
        say=lambda t, s, _: (
            f"{sized(t[0] * s.after.span, is_signed=True)} {s.after.unit} "
            "beside the transmitter, slightly less at the top"
        ),
        check="Disconnect the transmitter: the current must be zero.",
        is_of_wiring=True,
        applies=is_current,
        weight=0.7,
    ),
    Cause(
        name="meter offset",
        place="reading",
        make=lambda t, s, _: lambda level: level + t[:, :1] * s.after.span,
        sizes=_trims(12, _SHIFT_FRAC),
        say=lambda t, s, _: f"reads {level_text(t[0], s)} too {'high' if t[0] * s.after.span > 0 else 'low'}",
        check="Short or open the meter's input: it must read zero.",
        applies=is_last_stage,
        is_of_bench=True,
        linear=(0,),
    ),
)
