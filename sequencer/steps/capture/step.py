"""Capture: many readings in a row at a settled point, from which the noise itself is told."""

from collections.abc import Sequence
from typing import Any, Literal, Self

from markupsafe import Markup
from pydantic import Field, model_validator

from instruments.fields import PlacesField
from instruments.filemodel import FileModel
from instruments.texts import counted
from sequencer.diagnosis.noise.burst import LEAST_N
from sequencer.inputs.step import BURST, BURST_ROLES, QUIET_BURST, Seen, Setpoint, Step
from sequencer.steps.capture import evaluation, view

__all__ = ["STEP", "Capture", "CaptureSettings"]

# It looks at what is left of a settling, so it waits longer.
_SETTLES_WITHIN = 0.1


class CaptureSettings(FileModel):
    """Where, how many readings, at which tap, and whether the drive is compared with itself switched off.

    `drive: off and on` takes the same readings with the source at its safe level and off first.
    """

    at: PlacesField = Field((0.5,), min_length=1, max_length=20)
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


class Capture(Step):
    """Goes to each place in turn, settles, and reads one tap as fast as its meter gives; no figure is made of it."""

    settings = CaptureSettings
    shortened_to = ("at",)
    roles = BURST_ROLES
    json_key = "captures"

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """Each place, with the drive off before it is on where both are asked for."""
        assert isinstance(settings, CaptureSettings)
        roles = BURST_ROLES if settings.drive == "off and on" else (BURST,)
        return tuple(
            Setpoint(
                frac=frac,
                role=role,
                direction="up",
                cycle=1,
                point=point,
                readings_n=settings.readings,
                tap=settings.tap,
                is_quick=True,
                is_off=role == QUIET_BURST,
                settles_within=_SETTLES_WITHIN,
            )
            for point, frac in enumerate(settings.at)
            for role in roles
        )

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """How many readings of which tap."""
        first, off = setpoints[0], any(each.is_off for each in setpoints)
        said = f'{counted(first.readings_n, "reading")} of tap "{first.tap}" at each place, for their noise'
        return said + (", drive off and on" if off else "")

    def evaluate(self, seen: Seen) -> tuple[evaluation.Capture, ...]:
        """What the noise is at each place."""
        return evaluation.captures(seen.table, seen.sheet, seen.receivers)

    def terminal(self, results: tuple[evaluation.Capture, ...], width: int) -> list[str]:
        """What each capture says of the noise."""
        return view.lines(results, width)

    def html(self, results: tuple[evaluation.Capture, ...]) -> Markup:
        """The same, each with its plot."""
        return view.section(results)

    def json(self, results: tuple[evaluation.Capture, ...]) -> list[dict[str, Any]]:
        """The same, without the readings."""
        return [view.as_json(each) for each in results]


STEP = Capture()
