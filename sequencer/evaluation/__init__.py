"""From the table of readings to figures and verdict. It touches no instrument, no clock and no file."""

from sequencer.evaluation.evaluate import Evaluation, evaluate

__all__ = ["Evaluation", "evaluate"]
