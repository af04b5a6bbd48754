"""Limits: the input goes below and above its range and back; if asked for, a person opens it."""

import math
from collections.abc import Iterator, Sequence
from typing import Any, Literal, Self

from markupsafe import Markup
from pydantic import Field, model_validator

from instruments.fields import DurationField, FractionField, OptionalFractionField
from instruments.filemodel import FileModel
from sequencer.inputs.step import PASSED, Judged, Seen, Setpoint, Step
from sequencer.reports.as_text import as_pct, duration
from sequencer.reports.terminal.lines import MINUS
from sequencer.steps.limits import evaluation, view
from sequencer.steps.limits.evaluation import BACK, OFF, OPEN, OUT, RECONNECTED, RECOVERS, ROLES

__all__ = ["STEP", "LimitsSettings", "LimitsStep"]

_MOST_READINGS = 5000  # of a recovery: its time ends it
_OPEN_N, _OPEN_EVERY_S = 10, 1.0  # an input is tested for a broken sensor now and then only


class LimitsSettings(FileModel):
    """How far, in how many steps, how long it stands there, where it goes back to, and what is required.

    `levels: NE 43` requires an output of 4 .. 20 mA to stay measuring information at both limits. `broken sensor` asks
    a person to open the input and requires failure information upscale or downscale. Defaults are common practice, no
    source; `below: none` leaves a side out. Nothing beyond the limits in the type sheet is ever set.
    """

    below: OptionalFractionField = Field(-0.05, ge=-1.0, lt=0)
    above: OptionalFractionField = Field(1.1, gt=1, le=2.0)
    steps: int = Field(5, ge=2, le=100)
    readings: int = Field(3, ge=1, le=1000)
    held: int = Field(20, ge=2, le=10_000)
    linear_within: FractionField = Field(0.005, gt=0)
    back_to: FractionField = Field(0.5, ge=0, le=1)
    recovery: DurationField = Field(5.0, gt=0)
    recovery_at_most: DurationField | None = None
    levels: Literal["told", "NE 43"] = "told"
    broken_sensor: Literal["", "up", "down"] = ""

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if self.below is None and self.above is None:
            raise ValueError('a place "below" or "above" the range, or both')
        if self.recovery_at_most is not None and self.recovery_at_most > self.recovery:
            raise ValueError('a "recovery" of at least "recovery at most"')
        return self


class LimitsStep(Step):
    """In range, out below, back; out above, back; then without its sensor, with the source off, and back."""

    settings = LimitsSettings
    shortened_to = ("levels",)
    roles = (*ROLES, PASSED)

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """All of it in order."""
        assert isinstance(settings, LimitsSettings)
        sides = ((1, 0.0, settings.below), (2, 1.0, settings.above))
        found = [
            each for cycle, end, limit in sides if limit is not None for each in _side(settings, cycle, end, limit)
        ]
        if settings.broken_sensor:
            found += _opened(settings)
        return tuple(found)

    def without(self, setpoint: Setpoint) -> str:
        """A side that is left out, or ends earlier."""
        side = "below" if setpoint.frac < 0 else "above"
        return f'write "{side}: none" to leave that side out, or a place within what is allowed'

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """How far, and what a person has to do."""
        out = [each.frac for each in setpoints if each.role == OUT]
        recovers = next(each for each in setpoints if each.role == RECOVERS)
        ends = [as_pct(100 * end, minus=MINUS) for end in (min(out), max(out)) if not 0 <= end <= 1]
        said = (
            f"from the range out to {' and to '.join(ends)} of the input, each time back to "
            f"{as_pct(100 * recovers.frac, minus=MINUS)}, watched for {duration(recovers.lasts_s)}"
        )
        return said + ("; then a person opens the input" if any(each.role == OPEN for each in setpoints) else "")

    def evaluate(self, seen: Seen) -> tuple[evaluation.Limits, ...]:
        """What each such step says."""
        found = []
        for number in sorted({int(each) for each in seen.rows(OUT)["step"].dropna().unique()}):
            settings = seen.settings.get(number)
            given = settings if isinstance(settings, LimitsSettings) else LimitsSettings()
            at_most_s = math.nan if given.recovery_at_most is None else given.recovery_at_most
            found.append(
                evaluation.limits(
                    seen,
                    number=number,
                    linear_within_pct=100 * given.linear_within,
                    recovery_at_most_s=at_most_s,
                    is_judged=given.levels == "NE 43",
                    burnout=given.broken_sensor,
                )
            )
        return tuple(found)

    def values(self, results: tuple[evaluation.Limits, ...]) -> tuple[Judged, ...]:
        """The level at each limit, and with the input open."""
        levels = [(f"{side.way} the range", side.level, each) for each in results for side in each.sides]
        levels += [("with open input", each.opened, each) for each in results if each.opened is not None]
        return tuple(
            Judged(name=f"output {where}", value=level.value, U=level.U, unit=each.unit, limit="", is_met=None)
            for where, level, each in levels
        )

    def states_limit(self, settings: FileModel) -> bool:
        """Beside a recovery, the levels of NE 43, and where a broken sensor takes it."""
        assert isinstance(settings, LimitsSettings)
        return super().states_limit(settings) or settings.levels == "NE 43" or bool(settings.broken_sensor)

    def judged(self, results: tuple[evaluation.Limits, ...]) -> tuple[Judged, ...]:
        """Levels, recovery and broken sensor, where the step requires them."""
        return tuple(limit for each in results for limit in evaluation.judged(each))

    def reservations(self, results: tuple[evaluation.Limits, ...]) -> tuple[str, ...]:
        """Levels that are kept within their uncertainty alone."""
        return tuple(said for each in results for said in evaluation.at_an_edge(each))

    def terminal(self, results: tuple[evaluation.Limits, ...], width: int) -> list[str]:
        """What each says."""
        return view.lines(results, width)

    def html(self, results: tuple[evaluation.Limits, ...]) -> Markup:
        """The same, with the output against the input."""
        return view.section(results)

    def json(self, results: tuple[evaluation.Limits, ...]) -> list[dict[str, Any]]:
        """The same."""
        return [view.as_json(each) for each in results]


def _side(settings: LimitsSettings, cycle: int, end: float, limit: float) -> Iterator[Setpoint]:
    """In range, then from an end of the range out to a limit, back while it is watched, and once it stands again.

    Both times in range it comes from that end, so that hysteresis is no effect of what lies beyond.
    """
    way: Literal["up", "down"] = "up" if limit > end else "down"
    home: Literal["up", "down"] = "down" if limit > end else "up"

    def back(role: str, direction: Literal["up", "down"], readings_n: int, **more: Any) -> Setpoint:  # noqa: ANN401
        return Setpoint(
            frac=settings.back_to, role=role, direction=direction, cycle=cycle, point=0, readings_n=readings_n, **more
        )

    yield Setpoint(frac=end, role=PASSED, direction=way, cycle=cycle, point=0, readings_n=0)
    yield back(BACK, home, settings.readings)
    for number in range(settings.steps + 1):
        yield Setpoint(
            frac=end + (limit - end) * number / settings.steps,
            role=OUT,
            direction=way,
            cycle=cycle,
            point=number,
            readings_n=settings.held if number == settings.steps else settings.readings,
        )
    yield back(RECOVERS, home, _MOST_READINGS, is_waited_for=False, lasts_s=settings.recovery)
    yield back(BACK, home, settings.readings)


def _opened(settings: LimitsSettings) -> Iterator[Setpoint]:
    """The source off before anybody touches the wires, and on again once they are connected."""
    at = {"frac": settings.back_to, "direction": "up", "cycle": 3, "point": 0}
    off = {**at, "is_off": True, "is_waited_for": False}
    yield Setpoint(**off, role=OFF, readings_n=0)  # type: ignore[arg-type]
    yield Setpoint(
        **off,  # type: ignore[arg-type]
        role=OPEN,
        readings_n=_OPEN_N,
        every_s=_OPEN_EVERY_S,
        ask="the source is at its safe level and off; disconnect the sensor input of the unit, so that it is open. "
        "Is it open?",
    )
    yield Setpoint(
        **at,  # type: ignore[arg-type]
        role=RECONNECTED,
        readings_n=settings.readings,
        ask="connect the sensor input of the unit again; the source is energised after this answer. Is it connected?",
    )


STEP = LimitsStep()
