"""Capture: many readings in a row at a settled point; settings and plan, what their noise is, how that is shown."""

from sequencer.steps.capture.step import STEP, Capture, CaptureSettings

__all__ = ["STEP", "Capture", "CaptureSettings"]
