"""Every cause that is fitted, in one list."""

from sequencer.findings.cause import Cause
from sequencer.findings.causes import curves, limits, lines, memory, pulses, ranges, sensors, times

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
)
