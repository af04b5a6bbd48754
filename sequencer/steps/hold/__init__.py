"""Hold: one input held for a long time, and what the output does meanwhile: drift, and how far averaging helps."""

from sequencer.steps.hold.step import STEP, HoldSettings, HoldStep

__all__ = ["STEP", "HoldSettings", "HoldStep"]
