"""Start-up drift: the unit is switched on cold, and its output noted at instants from then on."""

import math
from collections.abc import Sequence
from typing import Any, Self

from markupsafe import Markup
from pydantic import Field, model_validator

from instruments.fields import DurationField, FractionField, PlacesField
from instruments.filemodel import FileModel
from sequencer.inputs.step import Judged, Seen, Setpoint, Step
from sequencer.reports.as_text import duration, set_points
from sequencer.reports.terminal.lines import MINUS
from sequencer.steps.start_up_drift import evaluation, view
from sequencer.steps.start_up_drift.evaluation import FOUND, ON, ROLES

__all__ = ["STEP", "StartUpDriftSettings", "StartUpDriftStep"]

_MOST_INSTANTS = 500


class StartUpDriftSettings(FileModel):
    """Where, when, how often, and what is final.

    Input at 10 and 90 %, output after 5 min, 1 h and 4 h, as in IEC 61298-2 (from memory). `every` reads in between as
    well, so that the time from which the output is final is known better. How long a unit must have been off, and what
    is final, are common practice, no source.
    """

    at: PlacesField = Field((0.1, 0.9), min_length=1, max_length=10)
    after: tuple[DurationField, ...] = Field((300.0, 3600.0, 14400.0), min_length=2, max_length=100)
    every: DurationField = 0.0
    readings: int = Field(3, ge=1, le=1000)
    within: FractionField = Field(0.001, gt=0)
    off_before: DurationField = 4 * 3600.0
    at_most: FractionField | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if len(set(self.at)) < len(self.at):
            raise ValueError("each place once")
        if min(self.at) < -0.25 or max(self.at) > 1.25:
            raise ValueError("places from -25 % to 125 % of the range")
        if list(self.after) != sorted(set(self.after)) or self.after[0] <= 0:
            raise ValueError("times after switching on that rise, above 0")
        if self.every and self.after[-1] / self.every > _MOST_INSTANTS:
            raise ValueError(f'at most {_MOST_INSTANTS} times; a longer "every"')
        return self

    @property
    def instants_s(self) -> tuple[float, ...]:
        """All instants, those of `every` with them."""
        between = range(1, int(self.after[-1] / self.every) + 1) if self.every else ()
        return tuple(sorted({*self.after, *(number * self.every for number in between)}))


class StartUpDriftStep(Step):
    """The operator switches the unit on; then at each instant every place is read. It has to be the first step."""

    settings = StartUpDriftSettings
    roles = ROLES
    comes_first = True

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """A reading at the instant of switching on, then every place at every instant."""
        assert isinstance(settings, StartUpDriftSettings)
        first = Setpoint(
            frac=settings.at[0],
            role=ON,
            direction="up",
            cycle=1,
            point=0,
            readings_n=1,
            is_waited_for=False,
            ask=(
                f"the unit has been without supply for {duration(settings.off_before)} or more and is cold; switch it "
                "on now and answer at that moment: its time counts from this answer. Is it on?"
            ),
        )
        return first, *(
            Setpoint(
                frac=frac,
                role=FOUND,
                direction="up",
                cycle=cycle,
                point=point,
                readings_n=settings.readings,
                due_s=due_s,
            )
            for cycle, due_s in enumerate(settings.instants_s, start=1)
            for point, frac in enumerate(settings.at)
        )

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """When, and where."""
        reads = [each for each in setpoints if each.role == FOUND]
        dues_s = sorted({each.due_s for each in reads})
        when = ", ".join(duration(each) for each in dues_s) if len(dues_s) < 8 else f"{len(dues_s)} times"
        places = set_points([each.frac for each in reads], minus=MINUS)
        return f"switched on cold, then read after {when}, at {places}; nobody has to stay in between but to type"

    def evaluate(self, seen: Seen) -> tuple[evaluation.Found, ...]:
        """The drift at each place."""
        given = [each for each in seen.settings.values() if isinstance(each, StartUpDriftSettings)]
        settings = given[0] if given else StartUpDriftSettings()
        at_most_pct = math.nan if settings.at_most is None else 100 * settings.at_most
        return evaluation.found(seen, asked_s=settings.after, within_pct=100 * settings.within, at_most_pct=at_most_pct)

    def values(self, results: tuple[evaluation.Found, ...]) -> tuple[Judged, ...]:
        """The largest difference at each place."""
        return tuple(evaluation.as_number(each) for each in results)

    def judged(self, results: tuple[evaluation.Found, ...]) -> tuple[Judged, ...]:
        """The largest difference at each place, where the step states a limit."""
        return tuple(limit for each in results if (limit := evaluation.judged(each)) is not None)

    def terminal(self, results: tuple[evaluation.Found, ...], width: int) -> list[str]:
        """What was found at each place."""
        return view.lines(results, width)

    def html(self, results: tuple[evaluation.Found, ...]) -> Markup:
        """The same, with a plot."""
        return view.section(results)

    def json(self, results: tuple[evaluation.Found, ...]) -> list[dict[str, Any]]:
        """The same, with every instant."""
        return [view.as_json(each) for each in results]


STEP = StartUpDriftStep()
