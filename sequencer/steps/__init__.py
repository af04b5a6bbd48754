"""One module a step; found by name (see `sequencer/step.py`)."""
