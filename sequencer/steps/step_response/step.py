"""Step response: from rest at one place the input jumps to another; the output is read as fast as its meter gives."""

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, Self

from pydantic import BeforeValidator, Field, model_validator

from instruments.errors import InputError
from instruments.fields import DurationField, FractionField
from instruments.filemodel import FileModel, as_field
from instruments.texts import counted, sized
from instruments.units import magnitude, quantity
from sequencer.inputs.step import Judged, Seen, Setpoint, Step
from sequencer.steps.step_response.roles import JUMP, START

if TYPE_CHECKING:
    from sequencer.inputs.type_sheet import TypeSheet
    from sequencer.steps.step_response.evaluation import Move

__all__ = ["STEP", "StepLimits", "StepResponse", "StepResponseSettings"]

# It looks at what is left of a settling, so it waits longer.
_SETTLES_WITHIN = 0.1
_BEFORE_N = 12
# As long as a lag twice as slow as stated takes to 0.2 %; at most what nobody would wait for unasked.
_FOLDS = 12.0
_LEAST_S, _MOST_S = 2.0, 600.0
# IEC 61298-2, step response: 10 to 90 % and back, and a small step (from memory).
_USUAL = ((0.1, 0.9), (0.9, 0.1), (0.45, 0.55))
_MOVE = re.compile(r"(.+?)\s*(?:->|\bto\b)\s*(.+)")


def _move(text: str) -> tuple[float, float]:
    match = _MOVE.fullmatch(text)
    if match is None:
        raise InputError(f'"{text}" is not a move', allowed='such as "10 % to 90 %"')
    low, high = (quantity(each, like="%") for each in match.groups())
    return magnitude(low, "percent") / 100, magnitude(high, "percent") / 100


def _moves(given: Any) -> Any:  # noqa: ANN401  one move, or a list of them
    return given if isinstance(given, (list, tuple)) else (given,)


MoveField = Annotated[tuple[float, float], as_field(_move)]


class StepLimits(FileModel):
    """What the answer is held to, each at most so much."""

    dead_time: DurationField | None = Field(None, gt=0)
    T63: DurationField | None = Field(None, gt=0)
    rise: DurationField | None = Field(None, gt=0)
    settling: DurationField | None = Field(None, gt=0)
    overshoot: FractionField | None = Field(None, gt=0)

    @property
    def stated(self) -> tuple[tuple[str, float], ...]:
        """Name and limit of those that are stated, in s or as a fraction of the step."""
        return tuple((name, limit) for name in type(self).model_fields if (limit := getattr(self, name)) is not None)


class StepResponseSettings(FileModel):
    """From where to where, for how long, how often, and what the answer is held to.

    `lasts` follows from time constant and dead time of the type sheet where it is not given; `readings` is the most of
    one move. Settled is the output within `band` of the step, for `hold` at least.
    """

    moves: Annotated[tuple[MoveField, ...], BeforeValidator(_moves)] = Field(_USUAL, min_length=1, max_length=20)
    lasts: DurationField | None = Field(None, gt=0)
    hold: DurationField | None = Field(None, gt=0)
    readings: int = Field(2000, ge=20, le=10_000)
    repeats: int = Field(3, ge=1, le=50)
    tap: str = ""
    band: FractionField = Field(0.01, ge=0.0001, le=0.2)
    at_most: StepLimits = StepLimits()

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if len(set(self.moves)) < len(self.moves):
            raise ValueError('each move once; "repeats" says how often')
        ends = [each for move in self.moves for each in move]
        if min(ends) < -0.25 or max(ends) > 1.25:
            raise ValueError("moves from -25 % to 125 % of the range")
        if any(abs(start - end) < 0.005 for start, end in self.moves):
            raise ValueError("moves of at least 0.5 % of the range")
        if self.lasts is not None and self.hold is not None and self.hold >= self.lasts:
            raise ValueError('a "hold" shorter than "lasts"')
        return self


class StepResponse(Step):
    """Waits until the output is at rest, reads it there, sets the input at once to the other end, and reads on."""

    settings = StepResponseSettings
    roles = (START, JUMP)
    json_key = "step_responses"

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """The setpoints of all moves and repeats in order, where nothing is known of the type."""
        assert isinstance(settings, StepResponseSettings)
        return _setpoints(settings, settings.lasts or _MOST_S / 10)

    def planned(self, settings: FileModel, type_sheet: "TypeSheet") -> tuple[Setpoint, ...]:
        """The setpoints of all moves and repeats in order."""
        assert isinstance(settings, StepResponseSettings)
        return _setpoints(settings, settings.lasts or usual_s(type_sheet))

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """Which moves, how long, how often."""
        jumps = [each for each in setpoints if each.role == JUMP]
        starts = [each for each in setpoints if each.role == START]
        moves = dict.fromkeys(
            f"{100 * start.frac:g} to {100 * jump.frac:g} %" for start, jump in zip(starts, jumps, strict=True)
        )
        return (
            f"{', '.join(moves)}; {counted(max(each.cycle for each in jumps), 'time')} each, "
            f'tap "{jumps[0].tap}" read for {sized(jumps[0].lasts_s)} s as it moves'
        )

    def evaluate(self, seen: Seen) -> tuple["Move", ...]:
        """What each move says."""
        from sequencer.steps.step_response.evaluation import moves_of  # noqa: PLC0415  only evaluating needs scipy

        return moves_of(seen)

    def judged(self, results: tuple["Move", ...]) -> tuple[Judged, ...]:
        """Every figure that has a limit, of every move."""
        from sequencer.steps.step_response.limits import judged  # noqa: PLC0415

        return judged(results)

    def values(self, results: tuple["Move", ...]) -> tuple[Judged, ...]:
        """Every figure of every move that is known."""
        from sequencer.steps.step_response.limits import values  # noqa: PLC0415

        return values(results)

    def terminal(self, results: tuple["Move", ...], width: int) -> list[str]:
        """Figures of each move, and what stands against them."""
        from sequencer.steps.step_response import view  # noqa: PLC0415

        return view.lines(results, width)

    def html(self, results: tuple["Move", ...]) -> str:
        """The same, each with its plot."""
        from sequencer.steps.step_response import view  # noqa: PLC0415

        return view.section(results)

    def json(self, results: tuple["Move", ...]) -> list[dict[str, Any]]:
        """The same, without the readings."""
        from sequencer.steps.step_response import document  # noqa: PLC0415

        return [document.as_json(each) for each in results]


def usual_s(type_sheet: "TypeSheet") -> float:
    """How long a record is where nobody says: by what the type sheet states, else by how long it lets a unit settle."""
    stages = [sheet for _, sheet in type_sheet.stage_sheets]
    nominal_s = _FOLDS * sum(each.time_constant for each in stages) + 3 * sum(each.dead_time for each in stages)
    wanted_s = nominal_s if nominal_s > 0 else type_sheet.settling.maximum
    return min(max(wanted_s, _LEAST_S), _MOST_S)


def _setpoints(settings: StepResponseSettings, lasts_s: float) -> tuple[Setpoint, ...]:
    order = []
    for number, (start, end) in enumerate(settings.moves):
        for repeat in range(1, settings.repeats + 1):
            direction = "up" if end > start else "down"
            common: dict[str, Any] = {"direction": direction, "cycle": repeat, "tap": settings.tap, "is_quick": True}
            order.append(
                Setpoint(
                    frac=start,
                    role=START,
                    point=2 * number,
                    readings_n=_BEFORE_N,
                    settles_within=_SETTLES_WITHIN,
                    **common,
                )
            )
            order.append(
                Setpoint(
                    frac=end,
                    role=JUMP,
                    point=2 * number + 1,
                    readings_n=settings.readings,
                    is_waited_for=False,
                    lasts_s=round(lasts_s, 3),
                    **common,
                )
            )
    return tuple(order)


STEP = StepResponse()
