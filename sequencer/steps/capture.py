"""Capture: many readings in a row at a settled point, from which the noise itself is told."""

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from instruments.fields import FractionField
from instruments.filemodel import FileModel
from sequencer.diagnosis.noise.burst import LEAST_N
from sequencer.inputs.step import Role, Setpoint

__all__ = ["STEP", "Capture", "CaptureSettings"]


def _one_or_list(given: Any) -> Any:  # noqa: ANN401  "50 %", or a list of per cents
    return given if isinstance(given, (list, tuple)) else (given,)


class CaptureSettings(FileModel):
    """Where, how many readings, at which tap, and whether the drive is compared with itself switched off.

    `drive: off and on` takes the same readings with the source at its safe level and off first.
    """

    at: Annotated[tuple[FractionField, ...], BeforeValidator(_one_or_list)] = Field((0.5,), min_length=1, max_length=20)
    readings: int = Field(200, ge=LEAST_N, le=10_000)
    tap: str = ""
    drive: Literal["on", "off and on"] = "on"

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if len(set(self.at)) < len(self.at):
            raise ValueError("each place once")
        if min(self.at) < -0.25 or max(self.at) > 1.25:
            raise ValueError("places from -25 % to 125 % of the range")
        return self


class Capture:
    """Goes to each place in turn, settles, and reads one tap as fast as its meter gives; no figure is made of it."""

    settings = CaptureSettings

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """Each place, with the drive off before it is on where both are asked for."""
        assert isinstance(settings, CaptureSettings)
        roles: tuple[Role, ...] = ("capture, drive off", "capture") if settings.drive == "off and on" else ("capture",)
        return tuple(
            Setpoint(
                frac=frac,
                role=role,
                direction="up",
                cycle=1,
                point=point,
                readings_n=settings.readings,
                tap=settings.tap,
            )
            for point, frac in enumerate(settings.at)
            for role in roles
        )


STEP = Capture()
