"""Limits: what the output does beyond its range, how it comes back from there, and what it is without a sensor."""

from sequencer.steps.limits.step import STEP, LimitsSettings, LimitsStep

__all__ = ["STEP", "LimitsSettings", "LimitsStep"]
