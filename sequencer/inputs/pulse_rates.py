"""Speeds and the pulse rates that belong to them: stated twice, they must agree, to the digits as stated."""

import math
from dataclasses import replace
from decimal import Decimal

from instruments.datasheet import Stage, Tap
from instruments.units import Span, is_alike, rescale

__all__ = ["at_their_rates", "check_pulses"]

_SAME = 1e-9


def check_pulses(before: Span, stage: str, pulses: float | None, after: Span) -> None:
    """Raise ValueError where the ranges around a stage and its pulses per revolution contradict each other.

    Args:
        before: range of the tap before the stage.
        stage: its name.
        pulses: per revolution; None = not stated.
        after: range of the tap behind it.
    """
    speed, rate = is_alike(before.unit, "rpm"), is_alike(after.unit, "Hz")
    if pulses is None:
        if speed and rate:
            raise ValueError(f'"pulses per revolution" in stage "{stage}"')
        return
    if not (speed and rate):
        raise ValueError(f'a speed before and a pulse rate after stage "{stage}"')
    speeds, rates = before.within("rpm"), after.within("Hz")
    for rpm, hertz in ((speeds.low, rates.low), (speeds.high, rates.high)):
        right = rpm / 60 * pulses
        if not _agrees(right, hertz):
            counted = f"{pulses:g} pulse{'' if pulses == 1 else 's'} per revolution"
            raise ValueError(f"{right:.8g} Hz at {rpm:g} rpm, not {hertz:.8g} Hz, for {counted}")


def at_their_rates(taps: tuple[Tap, ...], stages: tuple[Stage, ...]) -> tuple[Tap, ...]:
    """The taps, those of pulses at the rates that speed and pulses make: a rounded one would pass for an error."""
    found = list(taps)
    for at, stage in enumerate(stages):
        if stage.pulses_per_revolution is not None:
            before, after = found[at], found[at + 1]
            per_unit = rescale(before.unit, "rpm")[0] / 60 * stage.pulses_per_revolution * rescale("Hz", after.unit)[0]
            low, high = (
                stated if _is_same(per_unit * speed, stated) else per_unit * speed
                for speed, stated in ((before.low, after.low), (before.high, after.high))
            )
            found[at + 1] = replace(after, low=low, high=high)
    return tuple(found)


def _agrees(right: float, stated: float) -> bool:
    """Whether a number is another one to the decimals that it is stated with: 24.17 is 24.1667, and 24 is not."""
    exponent = Decimal(repr(stated)).as_tuple().exponent
    decimals = -exponent if isinstance(exponent, int) and stated != int(stated) else 0
    is_rounded = decimals > 0 and abs(right - stated) <= 0.5 * (1 + _SAME) * 10.0**-decimals
    return is_rounded or _is_same(right, stated)


def _is_same(right: float, stated: float) -> bool:
    return math.isclose(right, stated, rel_tol=_SAME, abs_tol=_SAME)
