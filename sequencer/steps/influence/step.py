"""Influence: any steps repeated while another quantity than the input is varied."""

import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from markupsafe import Markup
from pydantic import BeforeValidator, Field, model_validator

from instruments.fields import FractionField, LevelField, LevelsField
from instruments.filemodel import FileModel
from instruments.texts import counted
from instruments.units import is_alike, magnitude, show
from sequencer.inputs.step import READING, Judged, Seen, Setpoint, Step, registry
from sequencer.steps.influence import evaluation, view

if TYPE_CHECKING:
    from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["STEP", "Influence", "InfluenceSettings"]


def _entries(given: Any) -> Any:  # noqa: ANN401  steps as a sequence has them
    from sequencer.inputs.sequence_file import step_entry  # noqa: PLC0415  it knows every step, this one too

    listed = given if isinstance(given, (list, tuple)) else (given,)
    model = step_entry()
    return tuple(each if isinstance(each, FileModel) else model.model_validate(each) for each in listed)


class InfluenceSettings(FileModel):
    """Which quantity, its reference and its other levels, and what is repeated at each.

    `returns: yes` goes back to the reference after each level, which tells an effect from a drift. `at most` is a limit
    for the change of the output at any input, in % of span.
    """

    of: str = Field(min_length=1, max_length=60)
    reference: LevelField
    at: LevelsField = Field(min_length=1, max_length=50)
    repeat: Annotated[tuple[Any, ...], BeforeValidator(_entries)] = Field(
        default=({"traverse": {"points": "3", "cycles": "1", "readings": "3", "end pair": "no"}},),
        validate_default=True,
        min_length=1,
        max_length=10,
    )
    order: Literal["as written", "random"] = "as written"
    returns: Literal["yes", "no"] = "yes"
    at_most: FractionField | None = Field(None, gt=0, le=1)

    @model_validator(mode="after")
    def _usable(self) -> Self:
        unit = str(self.reference.units)
        if strange := [level for level in self.at if not is_alike(str(level.units), unit)]:
            raise ValueError(f"levels like the reference, {show(self.reference)}, and not {show(strange[0])}")
        levels = [magnitude(level, unit) for level in (self.reference, *self.at)]
        if len(set(levels)) < len(levels):
            raise ValueError("each level once, beside the reference")
        if self.at_most is not None and not any(READING in registry()[name].roles for name, _ in self.steps):
            raise ValueError('"at most" beside a traverse that is repeated: it limits the change of the output')
        return self

    @property
    def steps(self) -> tuple[tuple[str, FileModel], ...]:
        """Name and settings of each repeated step."""
        return tuple((name, getattr(entry, name)) for entry in self.repeat for name in entry.model_fields_set)

    @property
    def stays(self) -> tuple[str, ...]:
        """The levels in the order of their stays, as written; the reference first and last."""
        levels = [show(level) for level in self.at]
        if self.order == "random":
            random.Random(f"{self.of} {levels}").shuffle(levels)  # noqa: S311  the same at each reading of the file
        home = show(self.reference)
        between = [home] if self.returns == "yes" else []
        return (home, *(place for level in levels for place in (level, *between)), *(() if between else (home,)))


def _repeated(settings: FileModel, planned: Callable[[Step, FileModel], tuple[Setpoint, ...]]) -> tuple[Setpoint, ...]:
    assert isinstance(settings, InfluenceSettings)
    return tuple(
        _under(setpoint, settings.of, level, stay, inner)
        for stay, level in enumerate(settings.stays)
        for inner, (name, own) in enumerate(settings.steps)
        for setpoint in planned(registry()[name], own)
    )


class Influence(Step):
    """At the reference, then at each level, all that is repeated; the input is led through it each time anew."""

    settings = InfluenceSettings

    roles = ()  # none of its own: each is that of a repeated step, with the stay before it

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """What is repeated, once for each stay, where nothing is known of the type."""
        return _repeated(settings, lambda step, own: step.plan(own))

    def planned(self, settings: FileModel, type_sheet: "TypeSheet") -> tuple[Setpoint, ...]:
        """What is repeated, once for each stay."""
        return _repeated(settings, lambda step, own: step.planned(own, type_sheet))

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """Which levels, and how much at each."""
        levels = list(dict.fromkeys(dict(each.under)[each.under[0][0]] for each in setpoints))
        readings_n = sum(each.readings_n for each in setpoints)
        stays_n = len({each.role.partition(".")[0] for each in setpoints})
        return (
            f"{setpoints[0].under[0][0]} at {', '.join(levels)}, {counted(stays_n, 'stay')} with the returns; "
            f"{counted(len(setpoints), 'move')}, {counted(readings_n, 'reading')}"
        )

    def goes_on(self, settings: FileModel) -> bool:
        """Where a repeated step does."""
        assert isinstance(settings, InfluenceSettings)
        return any(registry()[name].goes_on(own) for name, own in settings.steps)

    def go_on(self, number: int, settings: FileModel, seen: Seen) -> tuple[Setpoint, ...]:
        """Where a repeated step goes on, in the first stay where one does."""
        assert isinstance(settings, InfluenceSettings)
        here = seen.table[seen.table["step"] == number]
        for stay, level in enumerate(settings.stays):
            for inner, (name, own) in enumerate(settings.steps):
                kind = registry()[name]
                if not kind.goes_on(own):
                    continue
                head = evaluation.under_role(stay, inner, "")
                rows = here[here["role"].str.startswith(head)]
                rows = rows.assign(role=rows["role"].str.removeprefix(head))
                inside = replace(seen, table=rows, settings={number: own})
                if wanted := kind.go_on(number, own, inside):
                    return tuple(_under(each, settings.of, level, stay, inner) for each in wanted)
        return ()

    def evaluate(self, seen: Seen) -> tuple[evaluation.Influence, ...]:
        """The effect on each value that was found under it."""
        return evaluation.influences(seen)

    def values(self, results: tuple[evaluation.Influence, ...]) -> tuple[Judged, ...]:
        """The change of each value at each level, then what has a limit."""
        return tuple(each for found in results for each in (*view.changes(found), *view.limits(found)))

    def judged(self, results: tuple[evaluation.Influence, ...]) -> tuple[Judged, ...]:
        """The largest change of the output against its limit."""
        return tuple(each for found in results for each in view.limits(found))

    def terminal(self, results: tuple[evaluation.Influence, ...], width: int) -> list[str]:
        """A table for each quantity."""
        return view.lines(results, width)

    def html(self, results: tuple[evaluation.Influence, ...]) -> Markup:
        """The same, each with its plot."""
        return view.section(results)

    def json(self, results: tuple[evaluation.Influence, ...]) -> list[dict[str, Any]]:
        """The same."""
        return [view.as_json(each) for each in results]


def _under(setpoint: Setpoint, name: str, level: str, stay: int, inner: int) -> Setpoint:
    return replace(
        setpoint,
        role=evaluation.under_role(stay, inner, setpoint.role),
        under=((name, level), *setpoint.under),
    )


STEP = Influence()
