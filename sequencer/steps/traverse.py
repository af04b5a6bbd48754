"""Traverse: setpoints upscale, then downscale, each approached from its own side; cycles of it; end pairs.

Its points can be taken in another order: one that has no up and down tells no hysteresis, but keeps what changes in
time from what changes along the range.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, TypeAdapter, WithJsonSchema, model_validator

from instruments.fields import FractionField
from instruments.filemodel import FileModel
from instruments.texts import counted, sized
from sequencer.inputs.point_order import bit_reversed, shuffled
from sequencer.inputs.step import END_PAIR, JUDGED_ROLES, PASSED, READING, Direction, Seen, Setpoint, Step
from sequencer.reports.as_text import way
from sequencer.reports.terminal.lines import wrapped

__all__ = ["STEP", "Traverse", "TraverseSettings"]

_SHOWN_N = 8


def _count_or_list(given: Any) -> Any:  # noqa: ANN401  "11", or a list of per cents
    return int(given) if isinstance(given, str) and given.strip().isdigit() else given


VERDICT = "verdict"


def _until(given: Any) -> Any:  # noqa: ANN401  "verdict", or a share of span
    if not isinstance(given, str) or given.strip() == VERDICT:
        return given.strip() if isinstance(given, str) else given
    share = TypeAdapter(FractionField).validate_python(given.removesuffix("of span").strip())
    if not 0 < share <= 1:
        raise ValueError('"verdict", or a share above 0 such as "0.02 % of span"')
    return share


UntilField = Annotated[
    float | Literal["verdict"],
    BeforeValidator(_until),
    WithJsonSchema(
        {
            "type": "string",
            "description": '"verdict", or the expanded uncertainty of the mean errors that is wanted',
            "examples": ["0.02 % of span", "verdict"],
        }
    ),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class CameTo:
    """How far the cycles of a traverse with `until` have brought it, and what it lacks of that; "" = nothing."""

    said: str
    lacking: str = ""


class TraverseSettings(FileModel):
    """Which points, how often, which way.

    `points` is a count of even steps from 0 % to 100 %, or a list of places in % of the input range. `order` is that in
    which they are taken: "given" as the list has them, "random" by `seed`, in each cycle anew. With `until` it goes on
    after `cycles`, `most` in all, until the mean errors are known so well, such as "0.02 % of span", or the "verdict"
    is certain.
    """

    points: Annotated[int | tuple[FractionField, ...], BeforeValidator(_count_or_list)] = 11
    cycles: int = Field(3, ge=1, le=100)
    direction: Literal["both", "up"] = "both"
    order: Literal["up and down", "rising", "given", "random", "bit-reversed"] = "up and down"
    seed: int = Field(1, ge=0, lt=2**31)
    readings: int = Field(5, ge=1, le=10_000)
    end_pair: Literal["yes", "no"] = "yes"
    until: UntilField | None = None
    most: int = Field(10, ge=1, le=100)

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if not 2 <= (self.points if isinstance(self.points, int) else len(self.points)) <= 1001:
            raise ValueError("2 to 1001 points")
        self._refuse_what_contradicts()
        grid = self.grid
        is_given = self.order == "given"
        if not is_given and any(after <= before for before, after in pairwise(grid)):
            raise ValueError("points that rise from one to the next; as they stand with: order: given")
        if grid[0] < -0.25 or grid[-1] > 1.25:
            raise ValueError("points from -25 % to 125 % of the range")
        return self

    def _refuse_what_contradicts(self) -> None:
        """An order beside what belongs to another."""
        said = self.model_fields_set
        if "most" in said and self.until is None:
            raise ValueError('"most" beside "until"')
        if self.until is not None and self.most < self.cycles:
            raise ValueError('"most" of at least as many cycles as "cycles"')
        if "direction" in said and self.order != "up and down":
            raise ValueError('either "direction" or "order"')
        if "seed" in said and self.order != "random":
            raise ValueError('"seed" beside "order: random"')
        if self.end_pair == "yes" and "end_pair" in said and self.order not in {"up and down", "rising"}:
            raise ValueError('"end pair" beside an order that goes up; of points as given, write the end twice')
        if self.order == "given":
            if isinstance(self.points, int):
                raise ValueError('"points" as a list, each place such as "50 %", beside "order: given"')
            _listed(self.points)

    @property
    def grid(self) -> tuple[float, ...]:
        """The points as fractions of the input range, ascending."""
        if isinstance(self.points, int):
            last = max(self.points - 1, 1)
            return tuple(number / last for number in range(self.points))
        return tuple(sorted(set(self.points))) if self.order == "given" else self.points


class Traverse(Step):
    """Up through the points, a second reading at the top without moving, down again, a second reading at the bottom.

    The second readings (end pairs) separate lag and stale readings from hysteresis. The turning points are read once by
    the traverse that arrives there, as in ISA-51.1 (from memory); the end pairs stand beside, not in, the figures.
    """

    settings = TraverseSettings
    shortened_to = ("points", "cycles")
    roles = (*JUDGED_ROLES, PASSED)

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """The setpoints of all cycles in order."""
        assert isinstance(settings, TraverseSettings)
        if settings.order in {"up and down", "rising"}:
            return tuple(_up_and_down(settings))
        return tuple(_as_given(settings) if settings.order == "given" else _without_way(settings))

    def goes_on(self, settings: FileModel) -> bool:
        """With `until`."""
        assert isinstance(settings, TraverseSettings)
        return settings.until is not None

    def most_times(self, settings: FileModel) -> float:
        """By its cycles."""
        assert isinstance(settings, TraverseSettings)
        return max(settings.most / settings.cycles, 1.0) if settings.until is not None else 1.0

    def go_on(self, number: int, settings: FileModel, seen: Seen) -> tuple[Setpoint, ...]:
        """Another cycle, until what is wanted is reached; one that was cut off from its beginning."""
        assert isinstance(settings, TraverseSettings)
        rows = seen.rows(*JUDGED_ROLES)
        rows = rows[rows["step"] == number]
        if settings.until is None or rows.empty:
            return ()
        cycle = int(rows["cycle"].max())
        due = _cycle(self, settings, cycle)
        visited_n = len(rows.loc[rows["cycle"] == cycle, ["direction", "point", "role"]].drop_duplicates())
        if visited_n < sum(each.is_read for each in due):
            return due
        if cycle >= settings.most or _is_reached(replace(seen, table=rows), settings):
            return ()
        return _cycle(self, settings, cycle + 1)

    def wanted_U(self, settings: FileModel) -> float | None:
        """What it goes on until, where that is an uncertainty."""
        assert isinstance(settings, TraverseSettings)
        return settings.until if isinstance(settings.until, float) else None

    def evaluate(self, seen: Seen) -> tuple[CameTo, ...]:
        """How far the cycles have brought it, where it had to go on until something."""
        return tuple(
            said
            for number, settings in seen.settings.items()
            if isinstance(settings, TraverseSettings) and settings.until is not None
            if (said := _came_to(seen, number, settings)) is not None
        )

    def reservations(self, results: tuple[CameTo, ...]) -> tuple[str, ...]:
        """Where the uncertainty that was wanted was not reached."""
        return tuple(each.lacking for each in results if each.lacking)

    def terminal(self, results: tuple[CameTo, ...], width: int) -> list[str]:
        """The same."""
        return ["", *(line for each in results for line in wrapped(each.said, width))]

    def html(self, results: tuple[CameTo, ...]) -> str:
        """The same, as a paragraph each."""
        from markupsafe import Markup  # noqa: PLC0415  only where a page is made

        return Markup("\n").join(Markup("<p>{}</p>").format(each.said) for each in results)

    def json(self, results: tuple[CameTo, ...]) -> list[str]:
        """The same."""
        return [each.said for each in results]

    def remarks(self, settings: FileModel) -> tuple[str, ...]:
        """In which order the points are taken, where it is not up and down, and until when."""
        assert isinstance(settings, TraverseSettings)
        until = (
            "" if settings.until is None else f"until {_wanted(settings)}, at most {counted(settings.most, 'cycle')}"
        )
        return (*self._order_remarks(settings), *([until] if until else []))

    def _order_remarks(self, settings: TraverseSettings) -> tuple[str, ...]:
        said = {
            "rising": "rising only",
            "given": "in the order given",
            "random": f"in random order by seed {settings.seed}, in each cycle another one",
            "bit-reversed": "in bit-reversed order",
        }.get(settings.order)
        if said is None:
            return ()
        has_ways = any(each.direction for each in self.plan(settings) if each.role == READING)
        return (f"points {said}" + ("" if has_ways else ": they tell drift from slope and bend, and no hysteresis"),)

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """Cycles, ways, points and readings, end pairs."""
        reading = [each for each in setpoints if each.role == READING]
        pairs_n = sum(each.is_again for each in setpoints)
        ways = {each.direction for each in reading}
        said = counted(max(each.cycle for each in setpoints), "cycle")
        said += " up and down" if len(ways) > 1 else way(ways.pop())
        said += f", {counted(len(reading), 'point')} with {counted(reading[0].readings_n, 'reading')} each"
        said += f", {counted(pairs_n, 'end pair')}" if pairs_n else ""
        if reading[0].direction:
            return said
        first = [f"{100 * each.frac:.4g}" for each in reading if each.cycle == 1]
        more = ", ..." if len(first) > _SHOWN_N else ""
        return f"{said}; first to {', '.join(first[:_SHOWN_N])}{more} %"


def _cycle(step: Traverse, settings: TraverseSettings, cycle: int) -> tuple[Setpoint, ...]:
    """The setpoints of one cycle."""
    planned = step.plan(settings.model_copy(update={"cycles": cycle}))
    return tuple(each for each in planned if each.cycle == cycle)


def _wanted(settings: TraverseSettings) -> str:
    if settings.until == VERDICT:
        return "the verdict is certain"
    return f"U of the mean errors is {sized(100 * float(settings.until or 0))} % of span"


def _is_reached(seen: Seen, settings: TraverseSettings) -> bool:
    """What is wanted is there, or no further cycle will bring it."""
    from sequencer.evaluation.until import certain_verdict, reached  # noqa: PLC0415  only evaluating needs it

    if settings.until == VERDICT:
        return bool(certain_verdict(seen, looks_n=settings.most - settings.cycles))
    assert isinstance(settings.until, float)
    found = reached(seen, 100 * settings.until)
    return found.U_pct <= 100 * settings.until or found.U_instruments_pct >= 100 * settings.until


def _came_to(seen: Seen, number: int, settings: TraverseSettings) -> CameTo | None:
    """Where the cycles of a step have brought it; None where nothing was read."""
    from sequencer.evaluation.until import certain_verdict, reached  # noqa: PLC0415

    rows = seen.rows(*JUDGED_ROLES)
    rows = rows[rows["step"] == number]
    if rows.empty:
        return None
    inside = replace(seen, table=rows)
    wanted = _wanted(settings)
    head = f"{counted(int(rows['cycle'].max()), 'cycle')} of at most {settings.most}, until {wanted}"
    if settings.until == VERDICT:
        found = certain_verdict(inside, looks_n=settings.most - settings.cycles)
        return CameTo(said=f"{head}: {f'certainly a {found}' if found else 'not certain by then'}")
    assert isinstance(settings.until, float)
    at = reached(inside, 100 * settings.until)
    if at.U_pct != at.U_pct:  # NaN
        why = "nothing is stated of the instruments, or each point was read in one cycle only"
        return CameTo(said=f"{head}: not known, since {why}", lacking=f"not known whether {wanted}: {why}")
    own = f"the instruments alone bring U {sized(at.U_instruments_pct, 2)} %"
    said = f"{head}: U {sized(at.U_pct, 2)} %, of which {own.replace(' U ', ' ')}"
    if at.U_pct <= 100 * settings.until:
        return CameTo(said=said)
    if at.cycles_for is not None:
        more = f"about {counted(at.cycles_for, 'cycle')} would do"
    else:
        of_it = f", most of it {at.most_of_it}" if at.most_of_it else ""
        more = f"no number of cycles will do, since {own}{of_it}"
    least = f"{sized(100 * settings.until)} % of span"
    return CameTo(
        said=f"{said}; not reached: {more}",
        lacking=f"U of the mean errors is {sized(at.U_pct, 2)} %, and not {least} as wanted: {more}",
    )


def _up_and_down(settings: TraverseSettings) -> Iterator[Setpoint]:
    """Each cycle up, and down again where it has two ways."""
    grid = settings.grid
    top = len(grid) - 1
    is_both = settings.order == "up and down" and settings.direction == "both"

    def visit(point: int, direction: Direction, cycle: int, *, again: bool = False) -> Iterator[Setpoint]:
        if not again or settings.end_pair == "yes":
            role = END_PAIR if again else READING
            yield Setpoint(
                frac=grid[point],
                role=role,
                direction=direction,
                cycle=cycle,
                point=point,
                readings_n=settings.readings,
            )

    for cycle in range(1, settings.cycles + 1):
        # Later cycles start where the one before has just read: its second reading at the bottom stands for both.
        first = 1 if cycle > 1 and is_both else 0
        if grid[0] > 0 and first == 0:  # come to the lowest point from below, as to every other on the way up
            yield _passed(0.0, "up", cycle)
        for point in range(first, top + 1):
            yield from visit(point, "up", cycle)
        yield from visit(top, "down", cycle, again=True)
        if is_both:
            for point in reversed(range(top)):
                yield from visit(point, "down", cycle)
            yield from visit(0, "up", cycle, again=True)


def _without_way(settings: TraverseSettings) -> Iterator[Setpoint]:
    """Each cycle to and fro; no end pairs, which belong to an end that was come to from its side."""
    grid = settings.grid
    for cycle in range(1, settings.cycles + 1):
        is_random = settings.order == "random"
        order = shuffled(len(grid), seed=settings.seed, cycle=cycle) if is_random else bit_reversed(len(grid))
        for point in order:
            yield Setpoint(
                frac=grid[point],
                role=READING,
                direction="",
                cycle=cycle,
                point=point,
                readings_n=settings.readings,
            )


def _as_given(settings: TraverseSettings) -> Iterator[Setpoint]:
    """The list, once for each cycle that is asked for; it may have several in it."""
    assert not isinstance(settings.points, int)
    once = _listed(settings.points)
    cycles_n = max(each.cycle for each in once)
    for number in range(settings.cycles):
        first = once[0]
        if first.direction == "up" and first.frac > 0:  # come to it from its side
            yield _passed(0.0, "up", 1 + number * cycles_n)
        elif first.direction == "down" and first.frac < 1:
            yield _passed(1.0, "down", 1 + number * cycles_n)
        for each in once:
            yield replace(each, cycle=each.cycle + number * cycles_n, readings_n=settings.readings)


def _listed(points: Sequence[float]) -> tuple[Setpoint, ...]:
    """One pass through the points of a list, nothing read of them yet.

    Where the list goes up or down it has directions and end pairs, as readings by hand have that are taken so; where it
    goes to and fro it has none, and the cycle counts how often each place came up.

    Raises:
        ValueError: a place stands more than once where it cannot be an end pair.
    """
    import numpy as np  # noqa: PLC0415  which most sequences load without

    from sequencer.readings.order import in_order  # noqa: PLC0415

    grid = sorted(set(points))
    places = [grid.index(each) for each in points]
    order = in_order(np.array(points) * 100, places)
    found = tuple(
        Setpoint(
            frac=frac,
            role=role,
            direction="up" if way == "up" else "down" if way == "down" else "",
            cycle=cycle,
            point=point,
            readings_n=0,
        )
        for frac, role, way, cycle, point in zip(
            points, order.roles, order.directions, order.cycles, places, strict=True
        )
    )
    for number, each in enumerate(found):
        if each in found[:number]:
            raise ValueError(f"{100 * each.frac:g} % once on one way: twice in a row only at an end where it turns")
    return found


def _passed(frac: float, direction: Direction, cycle: int) -> Setpoint:
    return Setpoint(frac=frac, role=PASSED, direction=direction, cycle=cycle, point=0, readings_n=0)


STEP = Traverse()
