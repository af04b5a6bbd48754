"""Hold: the input stands at one place for hours or days, and is read at a steady pace."""

import math
from collections.abc import Sequence
from typing import Any, Self

from markupsafe import Markup
from pydantic import Field, model_validator

from instruments.fields import DurationField, FractionField
from instruments.filemodel import FileModel
from instruments.texts import counted
from sequencer.evaluation.figures.drift import LEAST_N
from sequencer.inputs.step import Judged, Seen, Setpoint, Step
from sequencer.reports.as_text import as_pct, duration
from sequencer.reports.terminal.lines import MINUS
from sequencer.steps.hold import evaluation, view
from sequencer.steps.hold.evaluation import HOLD

__all__ = ["STEP", "HoldSettings", "HoldStep"]

_MOST_N = 20_000


class HoldSettings(FileModel):
    """Where, how long, how often it is read, and how far it may drift in a day or change in all.

    IEC 61298-2 holds 90 % for 30 days with a reading a day (from memory); a day at one reading a minute is what a bench
    is there for (common practice, no source).
    """

    at: FractionField = Field(0.9, ge=-0.25, le=1.25)
    lasts: DurationField = Field(86_400.0, gt=0)
    every: DurationField = Field(60.0, gt=0)
    at_most: FractionField | None = Field(None, gt=0)
    change_at_most: FractionField | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if not LEAST_N <= self.readings_n <= _MOST_N:
            raise ValueError(f'{LEAST_N} to {_MOST_N} readings, "lasts" over "every" and one more')
        return self

    @property
    def readings_n(self) -> int:
        """How many readings."""
        return math.floor(self.lasts / self.every + 1e-9) + 1


class HoldStep(Step):
    """One visit, read all the time that it lasts."""

    settings = HoldSettings
    shortened_to = ("at", "lasts", "every", "at most")
    roles = (HOLD,)

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """The one place."""
        assert isinstance(settings, HoldSettings)
        return (
            Setpoint(
                frac=settings.at,
                role=HOLD,
                direction="up",
                cycle=1,
                point=0,
                readings_n=settings.readings_n,
                every_s=settings.every,
            ),
        )

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """How long, and how often it is read."""
        (held,) = setpoints
        lasts = duration((held.readings_n - 1) * held.every_s)
        return (
            f"held at {as_pct(100 * held.frac, minus=MINUS)} for {lasts}, a reading every {duration(held.every_s)}: "
            f'{counted(held.readings_n, "reading")}; where a person types them, take a longer "every"'
        )

    def evaluate(self, seen: Seen) -> tuple[evaluation.Held, ...]:
        """What each such step says."""
        found = []
        for number in sorted({int(each) for each in seen.rows(HOLD)["step"].dropna().unique()}):
            settings = seen.settings.get(number)
            given = settings if isinstance(settings, HoldSettings) else HoldSettings()
            found.append(
                evaluation.held(
                    seen,
                    number=number,
                    at_most_pct=math.nan if given.at_most is None else 100 * given.at_most,
                    change_at_most_pct=math.nan if given.change_at_most is None else 100 * given.change_at_most,
                )
            )
        return tuple(each for each in found if each is not None)

    def values(self, results: tuple[evaluation.Held, ...]) -> tuple[Judged, ...]:
        """The drift of each."""
        return tuple(
            Judged(
                name=f"drift at {each.at_pct:g} %",
                value=each.per_day_pct,
                U=each.U_per_day_pct,
                unit="% of span in a day",
                limit="",
                is_met=None,
            )
            for each in results
        )

    def judged(self, results: tuple[evaluation.Held, ...]) -> tuple[Judged, ...]:
        """Drift and change, where the step states limits."""
        return tuple(limit for each in results for limit in evaluation.judged(each))

    def terminal(self, results: tuple[evaluation.Held, ...], width: int) -> list[str]:
        """What each says."""
        return view.lines(results, width)

    def html(self, results: tuple[evaluation.Held, ...]) -> Markup:
        """The same, with the course and the Allan deviation."""
        return view.section(results)

    def json(self, results: tuple[evaluation.Held, ...]) -> list[dict[str, Any]]:
        """The same, without the readings: those are in the table."""
        return [view.as_json(each) for each in results]


STEP = HoldStep()
