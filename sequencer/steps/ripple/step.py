"""Ripple of the output: many readings in a row at settled points, as fast as the meter gives."""

import math
from collections.abc import Sequence
from typing import Any, Literal, Self

from markupsafe import Markup
from pydantic import Field, model_validator

from instruments.fields import FractionField, PlacesField
from instruments.filemodel import FileModel
from instruments.texts import counted
from sequencer.diagnosis.noise.burst import LEAST_N
from sequencer.inputs.step import Judged, Seen, Setpoint, Step
from sequencer.reports.as_text import set_points
from sequencer.reports.terminal.lines import MINUS
from sequencer.steps.ripple import evaluation, view
from sequencer.steps.ripple.evaluation import RIPPLE

__all__ = ["STEP", "RippleSettings", "RippleStep"]

_SETTLES_WITHIN = 0.1  # what is left of a settling is no ripple


class RippleSettings(FileModel):
    """Where, how many readings, at which tap, which mains it may come from, and how much peak to peak is allowed.

    IEC 61298-2 looks at 10, 50 and 90 % (from memory).
    """

    at: PlacesField = Field((0.1, 0.5, 0.9), min_length=1, max_length=20)
    readings: int = Field(400, ge=LEAST_N, le=10_000)
    tap: str = ""
    mains: Literal["50 Hz", "60 Hz", "50 or 60 Hz"] = "50 or 60 Hz"
    at_most: FractionField | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if len(set(self.at)) < len(self.at):
            raise ValueError("each place once")
        if min(self.at) < -0.25 or max(self.at) > 1.25:
            raise ValueError("places from -25 % to 125 % of the range")
        return self

    @property
    def mains_Hz(self) -> tuple[float, ...]:
        """Frequencies of mains that are watched for."""
        return tuple(float(each) for each in ("50", "60") if each in self.mains)


class RippleStep(Step):
    """Goes to each place in turn, settles, and reads one tap in a row; it needs an instrument with an interface."""

    settings = RippleSettings
    shortened_to = ("at", "at most")
    roles = (RIPPLE,)

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """Each place once."""
        assert isinstance(settings, RippleSettings)
        return tuple(
            Setpoint(
                frac=frac,
                role=RIPPLE,
                direction="up",
                cycle=1,
                point=point,
                readings_n=settings.readings,
                tap=settings.tap,
                is_quick=True,
                settles_within=_SETTLES_WITHIN,
            )
            for point, frac in enumerate(settings.at)
        )

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """How many readings of which tap, and what such a meter is blind to."""
        first = setpoints[0]
        places = set_points([each.frac for each in setpoints], minus=MINUS)
        return (
            f'{counted(first.readings_n, "reading")} of tap "{first.tap}" in a row at {places}, for its ripple; a '
            "meter that averages over whole cycles of mains shows none of it, which the result says"
        )

    def evaluate(self, seen: Seen) -> tuple[evaluation.Found, ...]:
        """The ripple at each place of each such step."""
        found: list[evaluation.Found] = []
        for number in sorted({int(each) for each in seen.rows(RIPPLE)["step"].dropna().unique()}):
            settings = seen.settings.get(number)
            given = settings if isinstance(settings, RippleSettings) else RippleSettings()
            at_most_pct = math.nan if given.at_most is None else 100 * given.at_most
            found += evaluation.found(seen, number=number, mains_Hz=given.mains_Hz, at_most_pct=at_most_pct)
        return tuple(found)

    def values(self, results: tuple[evaluation.Found, ...]) -> tuple[Judged, ...]:
        """Peak to peak at each place."""
        return tuple(
            Judged(
                name=f"ripple at {each.at_pct:g} %, peak to peak",
                value=each.ripple.peak_to_peak,
                U=each.ripple.U,
                unit="% of span",
                limit="",
                is_met=None,
            )
            for each in results
            if each.ripple is not None
        )

    def judged(self, results: tuple[evaluation.Found, ...]) -> tuple[Judged, ...]:
        """Peak to peak at each place, where the step states a limit."""
        return tuple(limit for each in results if (limit := evaluation.judged(each)) is not None)

    def terminal(self, results: tuple[evaluation.Found, ...], width: int) -> list[str]:
        """What was found at each place."""
        return view.lines(results, width)

    def html(self, results: tuple[evaluation.Found, ...]) -> Markup:
        """The same, with the readings in time."""
        return view.section(results)

    def json(self, results: tuple[evaluation.Found, ...]) -> list[dict[str, Any]]:
        """The same, without the readings: those are in the table."""
        return [view.as_json(each) for each in results]


STEP = RippleStep()
