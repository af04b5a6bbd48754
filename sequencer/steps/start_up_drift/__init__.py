"""Start-up drift: the output after 5 min, 1 h and 4 h from cold, and its difference to the last of them."""

from sequencer.steps.start_up_drift.step import STEP, StartUpDriftSettings, StartUpDriftStep

__all__ = ["STEP", "StartUpDriftSettings", "StartUpDriftStep"]
