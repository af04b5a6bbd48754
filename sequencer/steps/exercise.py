"""Exercise: full strokes before the readings, so that the first cycle does not differ from the rest."""

from pydantic import Field

from instruments.filemodel import FileModel
from sequencer.inputs.step import PASSED, Setpoint, Step

__all__ = ["STEP", "Exercise", "ExerciseSettings"]


class ExerciseSettings(FileModel):
    """How many full strokes.

    Three is what IEC 61298-2:2008 and 43 CFR 3175.132 ask for (the first from memory, the second seen).
    """

    cycles: int = Field(3, ge=1, le=100)


class Exercise(Step):
    """Goes from 0 % to 100 % and back, settles at each end, reads nothing."""

    settings = ExerciseSettings
    shortened_to = ("cycles",)
    roles = (PASSED,)

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """0 %, 100 %, 0 % ... and ends at 0 %."""
        assert isinstance(settings, ExerciseSettings)
        ends = []
        for cycle in range(1, settings.cycles + 1):
            ends.append(Setpoint(frac=1.0, role=PASSED, direction="up", cycle=cycle, point=1, readings_n=0))
            ends.append(Setpoint(frac=0.0, role=PASSED, direction="down", cycle=cycle, point=0, readings_n=0))
        return tuple(ends)


STEP = Exercise()
