"""Pulse trains: counted wrong, lost, too many; and shafts that slip."""

from collections.abc import Iterable
from fractions import Fraction

import numpy as np

from instruments.datasheet import FloatArray, Tap
from sequencer.diagnosis.causes.lines import level_text
from sequencer.diagnosis.causes.memory import scan
from sequencer.diagnosis.model.cause import Cause, Sizes, discrete, one, sizes
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Equation, Segment
from sequencer.diagnosis.noise.kinds.double_counting import DOUBLE_COUNTING

__all__ = ["CAUSES", "RATES", "are_counted"]

RATES = frozenset({"Hz", "kHz"})
"""Units of a pulse rate."""

_SPEEDS = frozenset({"rpm", "1/min", "r/min"})


def are_counted(taps: Iterable[Tap]) -> bool:
    """Whether pulses pass one of these taps, so that some may count twice."""
    return any(tap.unit in RATES for tap in taps)


def _makes(segment: Segment, stage: int) -> bool:
    return segment.sheet.taps[stage + 1].unit in RATES


def _takes(segment: Segment, stage: int) -> bool:
    return segment.sheet.taps[stage].unit in RATES


def _pulses(segment: Segment, stage: int) -> bool:
    return _makes(segment, stage) or _takes(segment, stage)


def _is_pickup(segment: Segment, stage: int) -> bool:
    return segment.sheet.stages[stage].pulses_per_revolution is not None


def _counts(segment: Segment, stage: int) -> Sizes:
    expected = round(segment.sheet.stages[stage].pulses_per_revolution or 60)
    near = {Fraction(actual, expected) for actual in range(max(1, expected - 30), expected + 31)}
    simple = {Fraction(a, b) for a in (1, 2, 3, 4, 6) for b in (1, 2, 3, 4, 6)} | {
        Fraction(a, expected) for a in (1, 2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 24)
    }
    ratios = sorted(float(each) for each in (near | simple) - {Fraction(1)} if 0.005 < each < 50)
    return discrete(np.array(ratios))


def _scaled(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    return lambda y: y * theta[:, :1]


def _lost_low(theta: FloatArray, segment: Segment, _stage: int) -> Equation:
    rising, gap = theta[:, 0], theta[:, 1]

    def equation(y: FloatArray) -> FloatArray:
        def step(is_on: FloatArray, now: FloatArray) -> FloatArray:
            return np.where(now >= np.where(is_on > 0, rising - gap, rising), 1.0, 0.0)

        return y * scan(step, y, np.zeros(len(theta)))

    return equation


def _lost_partly(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    start, loss = theta[:, :1], theta[:, 1:2]
    return lambda y: y * (1 - loss * np.clip(1 - y / start, 0.0, 1.0))


def _lost_high(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    start, loss = theta[:, :1], theta[:, 1:2]
    return lambda x: np.where(x > start, x * np.maximum(0.0, 1 - loss * (x - start)), x)


def _halved(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    return lambda x: np.where(x > theta[:, :1], x / 2, x)


def _cut(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    return lambda x: np.where(x < theta[:, :1], 0.0, x)


CAUSES: tuple[Cause, ...] = (
    Cause(
        name="pulses per revolution wrong",
        place="output",
        make=_scaled,
        sizes=_counts,
        say=lambda t, s, k: _count_text(t[0], s, k),
        check="Count the pulses of one turn by hand; hold the pulse rate against an independent tachometer.",
        applies=_is_pickup,
        weight=3.0,
    ),
    Cause(
        name="double counting",
        place="input",
        make=lambda t, s, k: lambda x: x * (1 + t[:, :1]),
        sizes=lambda s, _k: sizes((0.4 * s.tolerance, 1.1, 16, True)),
        say=lambda t, s, k: f"{100 * t[0]:.3g} % of the pulses count twice",
        check=DOUBLE_COUNTING.check_sentence,
        applies=_takes,
        linear=(0,),
    ),
    Cause(
        name="double counting",
        place="input",
        make=lambda t, s, k: lambda x: 2 * x,
        sizes=lambda _s, _k: one(),
        say=lambda t, s, k: "every pulse counts twice",
        check=DOUBLE_COUNTING.check_sentence,
        applies=_takes,
        weight=2.0,
    ),
    Cause(
        name="double counting",
        place="output",
        make=lambda t, s, k: lambda y: y * (1 + t[:, :1]),
        sizes=lambda s, _k: sizes((0.4 * s.tolerance, 1.1, 16, True)),
        say=lambda t, s, k: f"{100 * t[0]:.3g} % of the pulses come twice",
        check=DOUBLE_COUNTING.check_sentence,
        applies=_makes,
        weight=0.5,
        linear=(0,),
    ),
    Cause(
        name="extra pulses from the inverter",
        place="output",
        make=lambda t, s, k: lambda y: y + t[:, :1],
        sizes=lambda s, _k: sizes((0.4 * s.tolerance, 0.3, 12, True)),
        say=lambda t, s, k: f"a constant {level_text(t[0], s)} too much, as extra pulses give",
        check="Disable the drive at standstill: the extra pulses must go.",
        is_of_wiring=True,
        applies=_pulses,
        weight=0.4,
        linear=(0,),
    ),
    Cause(
        name="missing pulses at low speed",
        place="output",
        make=_lost_low,
        sizes=lambda _s, _k: sizes((0.0061, 0.6043, 60, False), (0.0, 0.15, 7, False)),
        say=lambda t, s, k: (
            f"nothing below {100 * t[0]:.3g} % going up and {100 * (t[0] - t[1]):.3g} % going down, right above"
        ),
        check="Inject clean pulses after the pickup: if the gap goes, it is the pickup or its distance.",
        applies=_pulses,
        has_steps=True,
    ),
    Cause(
        name="missing pulses at low speed",
        place="output",
        make=_lost_partly,
        sizes=lambda _s, _k: sizes((0.05, 0.7, 10, False), (0.05, 1.0, 5, False)),
        say=lambda t, s, k: f"loses pulses below {100 * t[0]:.3g} %, the more the slower: {100 * t[1]:.3g} % at rest",
        check="Inject clean pulses after the pickup: if the gap goes, it is the pickup or its distance.",
        applies=_pulses,
        rough=PRIORS.fitting.rough,
        weight=0.7,
    ),
    Cause(
        name="low frequency cut-off",
        place="input",
        make=_cut,
        sizes=lambda _s, _k: sizes((0.0061, 0.6043, 120, False)),
        say=lambda t, s, k: f"nothing below {100 * t[0]:.3g} %, up and down alike, right above",
        check="Inject clean pulses: if the gap stays, it is the converter's cut-off; read its configuration.",
        applies=_pulses,
        has_steps=True,
    ),
    Cause(
        name="missing pulses at high speed",
        place="input",
        make=_lost_high,
        sizes=lambda _s, _k: sizes((0.3, 0.97, 12, False), (0.03, 2.0, 8, True)),
        say=lambda t, s, k: (
            f"falls behind above {100 * t[0]:.3g} %: {100 * t[1] * (1 - t[0]):.3g} % of the pulses lost at the top"
        ),
        check="Look at pulse width and duty at the top; the input may be too slow, the filter too strong.",
        applies=_pulses,
    ),
    Cause(
        name="missing pulses at high speed",
        place="input",
        make=_halved,
        sizes=lambda _s, _k: sizes((0.3, 1.0, 60, False)),
        say=lambda t, s, k: f"drops to half above {100 * t[0]:.3g} %",
        check="Look at pulse width and duty at the top; the input may be too slow, the filter too strong.",
        applies=_pulses,
        has_steps=True,
        weight=0.5,
    ),
    Cause(
        name="slip",
        place="output",
        make=lambda t, s, k: lambda y: y * (1 - t[:, :1]),
        sizes=lambda s, _k: sizes((0.4 * s.tolerance, 0.4, 14, True)),
        say=lambda t, s, k: f"turns {100 * t[0]:.3g} % slower than demanded, at every speed",
        check="No instrument fault: the drive runs open loop. Look at load and slip compensation.",
        applies=lambda s, k: s.sheet.taps[k + 1].unit in _SPEEDS,
        weight=2.0,
        linear=(0,),
    ),
    Cause(
        name="tachometer marks",
        place="reading",
        make=lambda t, s, k: lambda value: value * t[:, :1],
        sizes=lambda _s, _k: discrete(np.array([2, 3, 4, 6, 0.5, 1 / 3, 0.25, 1.5, 2 / 3])),
        say=lambda t, s, k: f"reads {t[0]:.3g} times the speed: its marks are counted wrong",
        check="Count the marks on the shaft; remove all but one.",
        applies=lambda s, k: s.after.unit in _SPEEDS and k == s.last - 1,
        is_of_bench=True,
        weight=2.0,
    ),
)


def _count_text(ratio: float, segment: Segment, stage: int) -> str:
    expected = segment.sheet.stages[stage].pulses_per_revolution or 60
    actual = ratio * expected
    if abs(actual - round(actual)) < 0.02:
        return f"{round(actual)} pulses come where {expected:g} are reckoned with"
    return f"{Fraction(ratio).limit_denominator(12)} of the pulses that are assumed"
