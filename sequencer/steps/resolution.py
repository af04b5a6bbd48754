"""Resolution: the smallest change of the input, in one direction, that always shows at the output; searched for."""

from collections.abc import Sequence
from dataclasses import asdict, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Self

from pydantic import model_validator

from instruments.filemodel import FileModel
from instruments.texts import counted, sized
from sequencer.inputs.step import PASSED, RESOLUTION, RESOLUTION_START, Beyond, Judged, Seen, Setpoint, Step
from sequencer.reports.as_text import as_pct
from sequencer.reports.terminal.lines import MINUS
from sequencer.steps.dead_band import (
    VISITS_N,
    SearchSettings,
    approach,
    beyond_of,
    judged_width,
    largest_words,
    searched_of,
    section,
    terminal_lines,
    visit,
    width_words,
)

if TYPE_CHECKING:
    from sequencer.evaluation.resolution import Resolution

__all__ = ["STEP", "ResolutionSettings", "ResolutionStep"]

_BEYOND_N = 500  # numbers of the visits beyond the first step begin there
_NOTE = (
    "The travel of the input, going on upscale, that the output does not show beyond its noise: from one step of the "
    "output to the next. The interval holds it with the confidence stated. It stands beside the figures."
)


class ResolutionSettings(SearchSettings):
    """Of the search for the resolution; `most` is the longest travel for a step, `at most` a limit that is judged."""

    @property
    def beyond(self) -> float:
        """To the first step, and to the next."""
        return 2 * self.most

    @model_validator(mode="after")
    def _apart(self) -> Self:
        places = sorted(self.at)
        if any(then - one <= 2 * self.most for one, then in pairwise(places)):
            raise ValueError('places more than twice "most" apart')
        return self


class ResolutionStep(Step):
    """At each place: from below up to it, then on until the output moves; from there on until it moves again."""

    settings = ResolutionSettings
    shortened_to = ("at", "at most")
    roles = (RESOLUTION_START, RESOLUTION, PASSED)

    def beyond(self, settings: FileModel) -> tuple[Beyond, Beyond, Beyond]:
        """As the search goes with ideal units."""
        from sequencer.evaluation.search_length import resolution_lengths  # noqa: PLC0415  only a plan needs it

        assert isinstance(settings, SearchSettings)
        return beyond_of(settings, resolution_lengths(settings.wanted()))

    def searched(self, settings: FileModel, setpoint: Setpoint) -> tuple[float, float] | None:
        """By places."""
        return searched_of(settings, setpoint)

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """The highest level it may go to, then every place once: what is forbidden is refused before it begins."""
        assert isinstance(settings, ResolutionSettings)
        starts = [
            visit(settings, place, role=RESOLUTION_START, cycle=1, number=0, readings_n=settings.rest_n)
            for place in range(len(settings.at))
        ]
        highest = replace(
            starts[0], frac=max(settings.at) + settings.beyond, role=PASSED, point=len(starts) * VISITS_N, readings_n=0
        )
        return (highest, *(each for start in starts for each in approach(settings, start, place=start.frac)))

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """At how many places, and that the rest follows from what is read."""
        starts = [each for each in setpoints if each.is_read]
        return (
            f"from below to {counted(len(starts), 'place')}, then on by as little as the output shows; the travels are "
            f"chosen from what is read, {counted(starts[0].readings_n, 'reading')} at rest first"
        )

    def go_on(self, number: int, settings: FileModel, seen: Seen) -> tuple[Setpoint, ...]:
        """The next travel at the first place that is not done; the one come to last is the first."""
        from sequencer.evaluation.resolution import START, next_visit  # noqa: PLC0415  only a run needs it
        from sequencer.evaluation.searched import places  # noqa: PLC0415

        assert isinstance(settings, ResolutionSettings)
        rows = seen.rows(RESOLUTION_START, RESOLUTION)
        known = places(rows[rows["step"] == number], seen.sheet, start=START, receivers=seen.receivers)
        for index in reversed(range(len(settings.at))):
            wanted = next_visit(100 * settings.at[index], settings.wanted(), known)
            if wanted is None:
                continue
            visited = [each for each in known if abs(each.at_pct - wanted.from_pct) < 1e-6]
            is_beyond = wanted.from_pct > 100 * settings.at[index] + 1e-6
            there = visit(
                settings,
                index,
                role=RESOLUTION if wanted.move.travel else RESOLUTION_START,
                cycle=wanted.approach,
                number=sum(each.numbers_n for each in visited) + _BEYOND_N * is_beyond,
                readings_n=wanted.move.readings_n,
            )
            at = wanted.from_pct / 100
            if wanted.move.travel == 0:
                return approach(settings, there, place=settings.at[index], at=at)
            return (replace(there, frac=at + wanted.move.travel / 100),)
        return ()

    def evaluate(self, seen: Seen) -> tuple["Resolution", ...]:
        """The resolution at each place."""
        from sequencer.evaluation.resolution import resolutions  # noqa: PLC0415  only evaluating needs it

        found: list[Resolution] = []
        for number, settings in seen.settings.items():
            if not isinstance(settings, ResolutionSettings):
                continue
            rows = seen.table[seen.table["step"] == number]
            at_pct = tuple(100 * each for each in settings.at)
            limit = None if settings.at_most is None else 100 * settings.at_most
            there = resolutions(rows, seen.sheet, at_pct, settings.wanted(), receivers=seen.receivers)
            found += [replace(each, limit_pct=limit) for each in there]
        return tuple(found)

    def values(self, results: tuple["Resolution", ...]) -> tuple[Judged, ...]:
        """Each place as a number."""
        return tuple(judged_width(f"resolution at {as_pct(each.at_pct, minus=MINUS)}", each) for each in results)

    def judged(self, results: tuple["Resolution", ...]) -> tuple[Judged, ...]:
        """Each place where a limit is stated; an interval on both sides of it cannot tell."""
        return self.values(tuple(each for each in results if each.limit_pct))

    def terminal(self, results: tuple["Resolution", ...], width: int) -> list[str]:
        """What was found at each place."""
        return terminal_lines("resolution", results, [_said(each, minus=MINUS) for each in results], width)

    def html(self, results: tuple["Resolution", ...]) -> str:
        """The same, as a section."""
        return section("Resolution", _NOTE, [*(_said(each) for each in results), *largest_words(results)])

    def json(self, results: tuple["Resolution", ...]) -> list[dict[str, Any]]:
        """The same; null where the output never moved."""
        return [asdict(each) for each in results]


def _said(found: "Resolution", *, minus: str | None = None) -> str:
    place = as_pct(found.at_pct) if minus is None else as_pct(found.at_pct, minus=minus)
    said = f"at {place}: {width_words(found)}"
    if found.step == found.step:  # no NaN
        said += f"; the output moves in steps of {sized(found.step)} {found.step_unit}"
    if not found.is_steady:
        said += "; approaches differ, the largest"
    return f"{said}; {counted(found.settings_n, 'setting')}"


STEP = ResolutionStep()
