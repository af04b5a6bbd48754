"""Roles of its readings: at rest before the step, and from the step on."""

__all__ = ["JUMP", "START"]

START, JUMP = "before the step", "step response"
