"""Wait: time passes, everything stays as it is, such as for a unit to warm up."""

from collections.abc import Sequence

from pydantic import Field

from instruments.fields import DurationField
from instruments.filemodel import FileModel
from sequencer.inputs.step import Setpoint, Step
from sequencer.reports.as_text import duration

__all__ = ["STEP", "Wait", "WaitSettings"]

WAITED = "wait"
"""Role of a time that passes."""


class WaitSettings(FileModel):
    """How long, and why."""

    for_: DurationField = Field(gt=0)
    because: str = ""


class Wait(Step):
    """Leaves the input as it stands and lets time pass; Ctrl-C ends it as any run, with the outputs safe."""

    settings = WaitSettings
    shortened_to = ("for",)
    roles = (WAITED,)

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """One visit that goes nowhere."""
        assert isinstance(settings, WaitSettings)
        return (
            Setpoint(
                frac=0.0,
                role=WAITED,
                direction="",
                cycle=1,
                point=0,
                readings_n=0,
                is_still=True,
                lasts_s=settings.for_,
                because=settings.because,
            ),
        )

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """How long, and why."""
        because = setpoints[0].because
        return f"everything stays as it is for {duration(setpoints[0].lasts_s)}" + (f": {because}" if because else "")


STEP = Wait()
