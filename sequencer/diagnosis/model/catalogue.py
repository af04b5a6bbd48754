"""Every cause that is fitted, in one list."""

from sequencer.diagnosis.causes import curves, limits, lines, memory, pulses, ranges, sensors, steps, times
from sequencer.diagnosis.model.cause import Cause

__all__ = ["CAUSES"]

CAUSES: tuple[Cause, ...] = (
    *lines.CAUSES,
    *ranges.CAUSES,
    *pulses.CAUSES,
    *curves.CAUSES,
    *memory.CAUSES,
    *limits.CAUSES,
    *times.CAUSES,
    *sensors.CAUSES,
    *steps.CAUSES,
)
