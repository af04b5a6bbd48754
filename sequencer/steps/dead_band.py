"""Dead band: the input comes to a place from below, then goes back in small steps until the output answers."""

from collections.abc import Sequence
from math import ceil
from typing import TYPE_CHECKING, Annotated, Any, Self

from pydantic import BeforeValidator, Field, model_validator

from instruments.fields import FractionField
from instruments.filemodel import FileModel
from instruments.texts import counted, sized
from sequencer.inputs.step import DEAD_BAND, PASSED, Receivers, Setpoint, Step
from sequencer.reports.as_text import as_pct
from sequencer.reports.terminal.lines import MINUS, listed

if TYPE_CHECKING:
    import pandas as pd

    from instruments.datasheet import DataSheet
    from sequencer.evaluation.dead_band import DeadBand

__all__ = ["STEP", "DeadBandSettings", "DeadBandStep"]

_MOST_STEPS = 500
# What is left of a settling is not to be taken for an answer to a step so small.
_SETTLES_WITHIN = 0.1
_NOTE = (
    "The travel of the input, turned back, without a detectable change of the output; the largest of the repeats. "
    "It stands beside the figures; ISA-51.1 takes it off the hysteresis."
)


def _one_or_list(given: Any) -> Any:  # noqa: ANN401  "50 %", or a list of per cents
    return given if isinstance(given, (list, tuple)) else (given,)


class DeadBandSettings(FileModel):
    """Where, how finely, how far back at most, and how often, in % of the input range.

    ISA-51.1 and IEC 61298-2 look at several places, such as 10, 50 and 90 %, three times each (from memory).
    """

    at: Annotated[tuple[FractionField, ...], BeforeValidator(_one_or_list)] = Field((0.5,), min_length=1, max_length=20)
    step: FractionField = Field(0.0005, gt=0)
    most: FractionField = Field(0.01, gt=0, le=0.5)
    repeats: int = Field(3, ge=1, le=100)
    readings: int = Field(3, ge=1, le=10_000)

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if len(set(self.at)) < len(self.at):
            raise ValueError("each place once")
        if min(self.at) - self.most < -0.25 or max(self.at) > 1.25:
            raise ValueError("places whose way back stays from -25 % to 125 % of the range")
        if not 2 <= self.steps_n <= _MOST_STEPS:
            raise ValueError(f'2 to {_MOST_STEPS} steps of "step" in "most"')
        return self

    @property
    def steps_n(self) -> int:
        """Steps back from each place."""
        return ceil(self.most / self.step - 1e-9)


class DeadBandStep(Step):
    """At each place: from `most` below up to it, then back step by step, all of it read; this some times."""

    settings = DeadBandSettings
    roles = (DEAD_BAND, PASSED)
    json_key = "dead_bands"

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """The setpoints of all places and repeats in order."""
        assert isinstance(settings, DeadBandSettings)
        count = settings.steps_n
        order = []
        for place, frac in enumerate(settings.at):
            for repeat in range(1, settings.repeats + 1):
                start = place * (count + 2)
                order.append(
                    Setpoint(
                        frac=frac - settings.most,
                        role=PASSED,
                        direction="up",
                        cycle=repeat,
                        point=start + count + 1,
                        readings_n=0,
                    )
                )
                order += [
                    Setpoint(
                        frac=frac - number * settings.step,
                        role=DEAD_BAND,
                        direction="down" if number else "up",
                        cycle=repeat,
                        point=start + number,
                        readings_n=settings.readings,
                        settles_within=_SETTLES_WITHIN,
                    )
                    for number in range(count + 1)
                ]
        return tuple(order)

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """How often, and in which steps."""
        turns = [each for each in setpoints if each.role == DEAD_BAND and each.direction == "up"]
        back = [each for each in setpoints if each.role == DEAD_BAND and each.direction == "down"]
        step_pct = 100 * (turns[0].frac - back[0].frac)
        each_n = len(back) // len(turns)
        return (
            f"from below to {counted(len({each.frac for each in turns}), 'place')}, then back in {each_n} steps of "
            f"{sized(step_pct)} %; {max(each.cycle for each in turns)} times each, "
            f"{counted(turns[0].readings_n, 'reading')} at each step"
        )

    def evaluate(self, table: "pd.DataFrame", sheet: "DataSheet", receivers: Receivers) -> tuple["DeadBand", ...]:  # noqa: ARG002
        """The dead band at each place."""
        from sequencer.evaluation.dead_band import dead_bands  # noqa: PLC0415  only evaluating needs it

        return dead_bands(table, sheet)

    def terminal(self, results: tuple["DeadBand", ...], width: int) -> list[str]:
        """What was found at each place."""
        said = [_said(each, minus=MINUS) for each in results]
        return ["", "dead band, in % of the input span", *listed(said, width, first="  ", then="    ")]

    def html(self, results: tuple["DeadBand", ...]) -> str:
        """The same, as a section."""
        from markupsafe import Markup  # noqa: PLC0415  only where a page is made

        items = [Markup("<li>{}</li>").format(_said(each)) for each in results]
        note = Markup('<p class="note">{}</p>').format(_NOTE)
        return Markup("\n").join([Markup("<h2>Dead band</h2>"), note, Markup("<ul>"), *items, Markup("</ul>")])

    def json(self, results: tuple["DeadBand", ...]) -> list[dict[str, Any]]:
        """The same, with each repeat; null where the output never answered."""
        from dataclasses import asdict  # noqa: PLC0415

        return [asdict(each) for each in results]


def _said(found: "DeadBand", *, minus: str | None = None) -> str:
    place = as_pct(found.at_pct) if minus is None else as_pct(found.at_pct, minus=minus)
    if found.band_pct != found.band_pct:  # NaN
        return (
            f"at {place}: not determinable, the output did not answer within {sized(found.most_pct)} %; "
            'give a larger "most"'
        )
    repeats = ", ".join(sized(each) for each in found.repeats_pct)
    said = f"at {place}: {sized(found.band_pct)} %, within {sized(found.within_pct, 2)} % either way"
    return f"{said} (repeats {repeats})" if len(found.repeats_pct) > 1 else said


STEP = DeadBandStep()
