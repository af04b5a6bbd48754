"""Influence: any steps repeated while another quantity than the input is varied."""

from sequencer.steps.influence.step import STEP

__all__ = ["STEP"]
