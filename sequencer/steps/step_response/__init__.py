"""Step response: the input jumps, the output is read as it moves; settings, plan, what it says, how it is shown."""

from sequencer.steps.step_response.step import STEP, StepResponse, StepResponseSettings

__all__ = ["STEP", "StepResponse", "StepResponseSettings"]
