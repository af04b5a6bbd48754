"""Ripple: what swings on the output at rest, peak to peak and r.m.s., and what the meter cannot see of it."""

from sequencer.steps.ripple.step import STEP, RippleSettings, RippleStep

__all__ = ["STEP", "RippleSettings", "RippleStep"]
