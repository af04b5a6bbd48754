"""Ranges and scalings: what is configured is not what was ordered."""

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.causes.lines import is_last_stage
from sequencer.diagnosis.model.cause import Cause, Sizes, discrete, one, sizes
from sequencer.diagnosis.model.segment import Equation, Segment

__all__ = ["CAUSES"]

# Configured spans that people pick, in % of the one that was ordered (common practice, no source).
_STOCK_PCT = (
    10,
    20,
    25,
    30,
    40,
    50,
    60,
    62.5,
    70,
    75,
    80,
    90,
    95,
    105,
    110,
    120,
    125,
    130,
    133.333333,
    140,
    150,
    160,
    166.666667,
    175,
    200,
    250,
    300,
    400,
    500,
    1000,
)
_LOWER_PCT = (-100, -50, -40, -30, -25, -20, -15, -10, -5, 5, 10, 15, 20, 25, 30, 40, 50)


# 1 unit in mbar; inH2O and mmH2O are the conventional ones. BIPM SI brochure, NIST SP 811 (from memory).
_PRESSURE_MBAR = {
    "Pa": 0.01,
    "hPa": 1.0,
    "mbar": 1.0,
    "kPa": 10.0,
    "bar": 1000.0,
    "MPa": 1e4,
    "psi": 68.94757,
    "kgf/cm2": 980.665,
    "inH2O": 2.490889,
    "mmH2O": 0.0980665,
    "mmHg": 1.333224,
    "atm": 1013.25,
}


# What the air presses with where people work: 616 mbar at 4000 m by ISO 2533, 1084 mbar the highest at sea level.
_AIR_MBAR = (600.0, 1085.0)


def _pairs() -> dict[float, str]:
    found: dict[float, str] = {}
    for one_name, one_mbar in _PRESSURE_MBAR.items():
        for other_name, other_mbar in _PRESSURE_MBAR.items():
            ratio = one_mbar / other_mbar
            if abs(ratio - 1) > 1e-9 and 0.005 < ratio < 200:
                found.setdefault(float(f"{ratio:.7g}"), f"{one_name} to {other_name}")
    return found


_PRESSURE_PAIRS = _pairs()
_PRESSURE_RATIOS = tuple(_PRESSURE_PAIRS)


def _pressure_units(ratio: float) -> str:
    return _PRESSURE_PAIRS[min(_PRESSURE_PAIRS, key=lambda each: abs(each - ratio))]


def _scaled(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    return lambda x: x * theta[:, :1]


def _from_lower(theta: FloatArray, _segment: Segment, _stage: int) -> Equation:
    return lambda x: (x - theta[:, :1]) / (1 - theta[:, :1])


def _live(segment: Segment, stage: int) -> bool:
    return is_last_stage(segment, stage) and segment.after.sensor is None and _live_zero(segment) > 0.1


def _live_zero(segment: Segment) -> float:
    """The level at 0 % as a share of that at 100 %, of a signal such as 4 to 20 mA; 0 for one without a live zero."""
    low, high = sorted((segment.after.low, segment.after.high))
    return low / high if low > 0 and low / high < 0.5 and segment.after.unit in {"mA", "A", "V"} else 0.0


def _dead_zero(segment: Segment, *, is_held: bool) -> Equation:
    low, high = sorted((segment.after.low, segment.after.high))
    lowest, highest = (low if is_held else 0.0), 1.025 * high
    span = segment.after.span

    def sent(level: FloatArray) -> FloatArray:
        frac = (level - segment.after.low) / span
        return np.clip(frac * high, lowest, highest)

    return sent


def _ratio_free(_segment: Segment, _stage: int) -> Sizes:
    return sizes((0.05, 20.0, 48, True))


CAUSES: tuple[Cause, ...] = (
    Cause(
        name="upper range wrong",
        place="input",
        make=_scaled,
        sizes=lambda _s, _k: discrete(100 / np.array(_STOCK_PCT)),
        say=lambda t, s, k: f"span set to {100 / t[0]:.4g} % of the one that was ordered",
        check="Read the configured range, and compare it with the order.",
        weight=3.0,
    ),
    Cause(
        name="upper range wrong",
        place="input",
        make=_scaled,
        sizes=_ratio_free,
        say=lambda t, s, k: f"span set to {100 / t[0]:.4g} % of the one that was ordered",
        check="Read the configured range, and compare it with the order.",
        weight=0.3,
    ),
    Cause(
        name="lower range wrong",
        place="input",
        make=_from_lower,
        sizes=lambda _s, _k: discrete(np.array(_LOWER_PCT) / 100),
        say=lambda t, s, k: f"the range begins at {100 * t[0]:.3g} % of the one that was ordered",
        check="Read the configured range, and compare it with the order.",
        weight=3.0,
    ),
    Cause(
        name="lower range wrong",
        place="input",
        make=_from_lower,
        sizes=lambda s, _k: sizes((2 * s.tolerance, 0.6, 16, True), signed=(True,)),
        say=lambda t, s, k: f"the range begins at {100 * t[0]:.3g} % of the one that was ordered",
        check="Read the configured range, and compare it with the order.",
        weight=0.3,
    ),
    Cause(
        name="0-20 sent",
        place="level",
        make=lambda t, s, k: _dead_zero(s, is_held=False),
        sizes=lambda _s, _k: one(),
        say=lambda t, s, k: f"scaled 0 .. {max(s.after.low, s.after.high):g} {s.after.unit}: the live zero is missing",
        check="Raise the input to 10 %: 2 mA of a 0 .. 20 mA scaling, against 5.6 mA of 4 .. 20 mA.",
        applies=lambda s, k: _live(s, k) and not s.is_held_low,  # it falls below the live zero, held nowhere
        weight=3.0,
    ),
    Cause(
        name="live zero lost",
        place="level",
        make=lambda t, s, k: _dead_zero(s, is_held=True),
        sizes=lambda _s, _k: one(),
        say=lambda t, s, k: (
            f"scaled 0 .. {max(s.after.low, s.after.high):g} {s.after.unit} and held at "
            f"{min(s.after.low, s.after.high):g} {s.after.unit}: the live zero is missing"
        ),
        check="Read the output range in the configuration; above 20 % input the reading lies low, not right at once.",
        applies=_live,
        weight=3.0,
    ),
    Cause(
        name="4-20 read as 0-20",
        place="reading",
        make=lambda t, s, k: lambda level: s.after.low + s.after.span * level / max(s.after.low, s.after.high),
        sizes=lambda _s, _k: one(),
        say=lambda t, s, k: f"shown as if the signal were 0 .. {max(s.after.low, s.after.high):g} {s.after.unit}",
        check="Read the current itself in series: it is right, the scaling of the display is not.",
        applies=_live,
        weight=2.0,
        is_of_bench=True,
    ),
    Cause(
        name="reversed action",
        place="output",
        make=lambda t, s, k: lambda y: 1 - y,
        sizes=lambda _s, _k: one(),
        say=lambda t, s, k: "falls as the input rises: the action is reversed",
        check="Read the action (direct or reverse) in the configuration, then polarity and which channel is read.",
        weight=2.0,
    ),
    Cause(
        name="wrong pressure unit",
        place="value",
        make=_scaled,
        sizes=lambda _s, _k: discrete(np.array(_PRESSURE_RATIOS)),
        say=lambda t, s, k: f"scaled by {t[0]:.5g}, the ratio of {_pressure_units(t[0])}",
        check="Read the unit in the configuration.",
        applies=lambda s, k: s.sheet.taps[k].unit in _PRESSURE_MBAR,
        weight=2.0,
    ),
    Cause(
        name="gauge against absolute",
        place="value",
        make=lambda t, s, k: lambda value: value + t[:, :1] / _PRESSURE_MBAR[s.sheet.taps[k].unit],
        sizes=lambda _s, _k: sizes((*_AIR_MBAR, 6, False), signed=(True,)),
        say=lambda t, s, k: f"shifted by {t[0]:+.4g} mbar, the pressure of the air",
        check="Read the barometer, vent the unit: absolute shows the air, gauge shows zero.",
        applies=lambda s, k: s.sheet.taps[k].unit in _PRESSURE_MBAR,
    ),
)
