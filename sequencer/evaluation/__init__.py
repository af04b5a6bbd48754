"""From the table of readings to figures and verdict. It touches no instrument, no clock and no file."""

from sequencer.evaluation.evaluate import evaluate
from sequencer.evaluation.result import Evaluation

__all__ = ["Evaluation", "evaluate"]
