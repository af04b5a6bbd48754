"""Traverse: setpoints upscale, then downscale, each approached from its own side; cycles of it; end pairs."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from instruments.fields import FractionField
from instruments.filemodel import FileModel
from instruments.texts import counted
from sequencer.inputs.step import END_PAIR, JUDGED_ROLES, PASSED, READING, Direction, Setpoint, Step
from sequencer.reports.as_text import DIRECTIONS

__all__ = ["STEP", "Traverse", "TraverseSettings"]


def _count_or_list(given: Any) -> Any:  # noqa: ANN401  "11", or a list of per cents
    return int(given) if isinstance(given, str) and given.strip().isdigit() else given


class TraverseSettings(FileModel):
    """Which points, how often, which way.

    `points` is a count of even steps from 0 % to 100 %, or a list of places in % of the input range.
    """

    points: Annotated[int | tuple[FractionField, ...], BeforeValidator(_count_or_list)] = 11
    cycles: int = Field(3, ge=1, le=100)
    direction: Literal["both", "up"] = "both"
    readings: int = Field(5, ge=1, le=10_000)
    end_pair: Literal["yes", "no"] = "yes"

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if not 2 <= (self.points if isinstance(self.points, int) else len(self.points)) <= 1001:
            raise ValueError("2 to 1001 points")
        grid = self.grid
        if any(after <= before for before, after in pairwise(grid)):
            raise ValueError("points that rise from one to the next")
        if grid[0] < -0.25 or grid[-1] > 1.25:
            raise ValueError("points from -25 % to 125 % of the range")
        return self

    @property
    def grid(self) -> tuple[float, ...]:
        """The points as fractions of the input range, ascending."""
        if isinstance(self.points, int):
            last = max(self.points - 1, 1)
            return tuple(number / last for number in range(self.points))
        return self.points


class Traverse(Step):
    """Up through the points, a second reading at the top without moving, down again, a second reading at the bottom.

    The second readings (end pairs) separate lag and stale readings from hysteresis. The turning points are read once by
    the traverse that arrives there, as in ISA-51.1 (from memory); the end pairs stand beside, not in, the figures.
    """

    settings = TraverseSettings
    roles = (*JUDGED_ROLES, PASSED)

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """The setpoints of all cycles in order."""
        assert isinstance(settings, TraverseSettings)
        grid = settings.grid
        top = len(grid) - 1
        order: list[Setpoint] = []

        def visit(point: int, direction: Direction, cycle: int, *, again: bool = False) -> None:
            if again and settings.end_pair == "no":
                return
            order.append(
                Setpoint(
                    frac=grid[point],
                    role=END_PAIR if again else READING,
                    direction=direction,
                    cycle=cycle,
                    point=point,
                    readings_n=settings.readings,
                )
            )

        for cycle in range(1, settings.cycles + 1):
            # Later cycles start where the one before has just read: its second reading at the bottom stands for both.
            first = 1 if cycle > 1 and settings.direction == "both" else 0
            if grid[0] > 0 and first == 0:  # come to the lowest point from below, as to every other on the way up
                order.append(Setpoint(frac=0.0, role=PASSED, direction="up", cycle=cycle, point=0, readings_n=0))
            for point in range(first, top + 1):
                visit(point, "up", cycle)
            visit(top, "down", cycle, again=True)
            if settings.direction == "both":
                for point in reversed(range(top)):
                    visit(point, "down", cycle)
                visit(0, "up", cycle, again=True)
        return tuple(order)

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """Cycles, ways, points and readings, end pairs."""
        reading = [each for each in setpoints if each.role == READING]
        pairs_n = sum(each.is_again for each in setpoints)
        ways = {each.direction for each in reading}
        said = counted(max(each.cycle for each in setpoints), "cycle")
        said += f" {'up and down' if len(ways) > 1 else DIRECTIONS[ways.pop()]}"
        said += f", {counted(len(reading), 'point')} with {counted(reading[0].readings_n, 'reading')} each"
        return said + (f", {counted(pairs_n, 'end pair')}" if pairs_n else "")


STEP = Traverse()
