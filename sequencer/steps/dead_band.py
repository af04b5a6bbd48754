"""Dead band: the smallest way back of the input that the output answers, searched for at each place."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Self

from pydantic import Field, model_validator

from instruments.fields import FractionField, PlacesField
from instruments.filemodel import FileModel
from instruments.texts import counted, sized
from sequencer.inputs.step import DEAD_BAND, PASSED, Beyond, Judged, Seen, Setpoint, Step
from sequencer.reports.as_text import as_pct
from sequencer.reports.terminal.lines import MINUS, listed

if TYPE_CHECKING:
    from sequencer.evaluation.dead_band import DeadBand
    from sequencer.evaluation.resolution import Resolution
    from sequencer.evaluation.search_length import Lengths
    from sequencer.evaluation.threshold import Wanted

__all__ = ["STEP", "DeadBandSettings", "DeadBandStep"]

_MOST_STEPS = 500
# What is left of a settling is not to be taken for an answer to a step so small.
_SETTLES_WITHIN = 0.1
_REST_N = 10
_ELASTIC = 0.85
VISITS_N = 1000  # more than any search has at a place
_NOTE = (
    "The travel of the input, turned back, that the output does not answer beyond its noise. The interval holds it "
    "with the confidence stated, for outputs that follow no steeper the farther the input goes. It stands beside the "
    "figures; ISA-51.1 takes it off the hysteresis."
)


class SearchSettings(FileModel):
    """Where, how finely, how far, how often and how surely it is searched, in % of the input range.

    ISA-51.1 and IEC 61298-2 look at 10, 50 and 90 %, three to five times each (from memory).

    `step` is the smallest travel that is tried, `most` the longest. The search ends where half the interval is no more
    than `within` of the width, or than half a `step`. `readings` are taken at each travel, and up to `most readings`
    where noise asks for them. `confidence` is that of all places together.
    """

    at: PlacesField = Field((0.1, 0.5, 0.9), min_length=1, max_length=20)
    step: FractionField = Field(0.0005, gt=0)
    most: FractionField = Field(0.01, gt=0, le=0.5)
    repeats: int = Field(3, ge=1, le=100)
    readings: int = Field(3, ge=1, le=10_000)
    most_readings: int = Field(50, ge=1, le=10_000)
    within: FractionField = Field(0.1, ge=0.01, le=1.0)
    confidence: FractionField = Field(0.95, ge=0.5, le=0.9999)
    at_most: FractionField | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if len(set(self.at)) < len(self.at):
            raise ValueError("each place once")
        if min(self.at) - self.most < -0.25 or max(self.at) + self.beyond > 1.25:
            raise ValueError("places whose way back stays from -25 % to 125 % of the range")
        if not 2 <= self.most / self.step + 1e-9 <= _MOST_STEPS + 1e-6:
            raise ValueError(f'2 to {_MOST_STEPS} steps of "step" in "most"')
        if self.at_most is not None and self.at_most > self.most:
            raise ValueError(f'"most" of no less than "at most", {100 * self.at_most:g} %: none beyond is looked for')
        return self

    @property
    def beyond(self) -> float:
        """How far above a place it goes, as fraction."""
        return 0.0

    @property
    def rest_n(self) -> int:
        """Readings where a travel begins first: the noise at rest comes from them."""
        return max(_REST_N, self.readings)

    def start(self, frac: float) -> float:
        """Where a place is come to from: twice the longest travel below, so that what sticks is torn off.

        Not below 0 % for that; at least the longest travel in any case.
        """
        return min(frac - self.most, max(frac - 2 * self.most, 0.0))

    def wanted(self) -> "Wanted":
        """What is looked for at each place, in % of the input span."""
        from sequencer.evaluation.threshold import Wanted  # noqa: PLC0415  only evaluating needs it

        return Wanted(
            alpha=(1 - self.confidence) / len(self.at),
            within=self.within,
            floor=100 * self.step,
            most=100 * self.most,
            repeats=self.repeats,
            readings_n=self.readings,
            most_n=max(self.most_readings, self.readings),
        )


class DeadBandSettings(SearchSettings):
    """Of the search for the dead band; `at most` is a limit that fails the unit."""


class DeadBandStep(Step):
    """At each place: from below up to it, then back by travels that a search chooses, until its interval is narrow."""

    settings = DeadBandSettings
    shortened_to = ("at", "at most")
    roles = (DEAD_BAND, PASSED)
    json_key = "dead_bands"

    def beyond(self, settings: FileModel) -> tuple[Beyond, Beyond, Beyond]:
        """As the search goes with ideal units."""
        from sequencer.evaluation.search_length import dead_band_lengths  # noqa: PLC0415  only a plan needs it

        assert isinstance(settings, SearchSettings)
        return beyond_of(settings, dead_band_lengths(settings.wanted()))

    def searched(self, settings: FileModel, setpoint: Setpoint) -> tuple[float, float] | None:
        """By places."""
        return searched_of(settings, setpoint)

    def plan(self, settings: FileModel) -> tuple[Setpoint, ...]:
        """Every place once, at rest: a plan that unit or bench forbids is refused before anything is energised."""
        assert isinstance(settings, DeadBandSettings)
        return tuple(
            setpoint
            for place in range(len(settings.at))
            for setpoint in approach(
                settings,
                visit(settings, place, role=DEAD_BAND, cycle=1, number=0, readings_n=settings.rest_n),
                place=settings.at[place],
            )
        )

    def describe(self, setpoints: Sequence[Setpoint]) -> str:
        """At how many places, and that the rest follows from what is read."""
        turns = [each for each in setpoints if each.is_read]
        return (
            f"from below to {counted(len(turns), 'place')}, then back by as little as the output answers; the travels "
            f"are chosen from what is read, {counted(turns[0].readings_n, 'reading')} at rest first"
        )

    def go_on(self, number: int, settings: FileModel, seen: Seen) -> tuple[Setpoint, ...]:
        """The next travel at the first place that is not done; the one come to last is the first."""
        from sequencer.evaluation.dead_band import START  # noqa: PLC0415  only a run needs it
        from sequencer.evaluation.searched import places  # noqa: PLC0415
        from sequencer.evaluation.threshold import next_move  # noqa: PLC0415

        assert isinstance(settings, DeadBandSettings)
        rows = seen.rows(DEAD_BAND)
        known = places(rows[rows["step"] == number], seen.sheet, start=START, receivers=seen.receivers)
        by_place = {_index(settings, each.at_pct): each for each in known}
        for index in reversed(range(len(settings.at))):
            place = by_place.get(index)
            if place is None or not place.is_read or not place.visits:
                continue  # without a value there is nothing to choose by
            move = next_move(place.visits, place.digit, settings.wanted(), is_there=place.is_there)
            if move is None:
                continue
            there = visit(
                settings,
                index,
                role=DEAD_BAND,
                cycle=place.visits[-1].approach + (move.travel == 0),
                number=place.numbers_n,
                readings_n=move.readings_n,
            )
            if move.travel == 0:
                return approach(settings, there, place=there.frac)
            return (replace(there, frac=there.frac - move.travel / 100, direction="down"),)
        return ()

    def evaluate(self, seen: Seen) -> tuple["DeadBand", ...]:
        """The dead band at each place."""
        from sequencer.evaluation.dead_band import dead_bands  # noqa: PLC0415  only evaluating needs it

        found: list[DeadBand] = []
        every = seen.rows(DEAD_BAND)
        for number in every["step"].unique():
            rows = every[every["step"] == number]
            settings = seen.settings.get(int(number))
            known = isinstance(settings, DeadBandSettings)
            wanted = settings.wanted() if isinstance(settings, DeadBandSettings) else None
            limit = settings.at_most if isinstance(settings, DeadBandSettings) else None
            each_place = dead_bands(rows, seen.sheet, receivers=seen.receivers if known else None, wanted=wanted)
            found += [replace(each, limit_pct=None if limit is None else 100 * limit) for each in each_place]
        return tuple(found)

    def values(self, results: tuple["DeadBand", ...]) -> tuple[Judged, ...]:
        """Each place as a number."""
        return tuple(judged_width(f"dead band at {as_pct(each.at_pct, minus=MINUS)}", each) for each in results)

    def judged(self, results: tuple["DeadBand", ...]) -> tuple[Judged, ...]:
        """Each place where a limit is stated; an interval on both sides of it cannot tell."""
        return self.values(tuple(each for each in results if each.limit_pct))

    def terminal(self, results: tuple["DeadBand", ...], width: int) -> list[str]:
        """What was found at each place."""
        return terminal_lines("dead band", results, [_said(each, minus=MINUS) for each in results], width)

    def html(self, results: tuple["DeadBand", ...]) -> str:
        """The same, as a section."""
        return section("Dead band", _NOTE, [*(_said(each) for each in results), *largest_words(results)])

    def json(self, results: tuple["DeadBand", ...]) -> list[dict[str, Any]]:
        """The same, with each approach; null where the output never answered."""
        from dataclasses import asdict  # noqa: PLC0415

        return [asdict(each) for each in results]


def judged_width(name: str, found: "DeadBand | Resolution") -> Judged:
    """A width with its limit: kept or not where the whole interval is."""
    limit = found.limit_pct or 0.0
    is_met = True if found.high_pct <= limit else False if found.low_pct > limit else None
    if found.is_never and found.most_pct >= limit:
        is_met = False
    is_bound = found.low_pct <= 0  # not more than that is all that is known
    return Judged(
        name=name,
        value=found.high_pct if is_bound else found.middle_pct,
        U=math.nan if is_bound else found.within_pct,
        unit="%",
        limit=f"at most {sized(limit)} %",
        is_met=is_met,
        reason="" if is_met is not None or math.isnan(found.high_pct) else f"it lies from {_interval(found)} %",
    )


def _interval(found: "DeadBand | Resolution") -> str:
    return f"{sized(found.low_pct)} to {sized(found.high_pct)}"


def largest_words(results: "Sequence[DeadBand | Resolution]") -> list[str]:
    """The largest of the places, where there are several and each was found."""
    if len(results) < 2 or any(math.isnan(each.high_pct) for each in results):
        return []
    low, high = max(each.low_pct for each in results), max(each.high_pct for each in results)
    said = f"not more than {sized(high)} %" if low <= 0 else f"from {sized(low)} to {sized(high)} %"
    return [f"largest of the places: {said}"]


def terminal_lines(
    title: str, results: "Sequence[DeadBand | Resolution]", said: Sequence[str], width: int
) -> list[str]:
    """Lines of a summary, a line and its continuation for each place."""
    head = f"{title}, in % of the input span, with {100 * results[0].confidence:.4g} % confidence"
    body = listed([*said, *largest_words(results)], width, first="  ", then="    ")
    return ["", *listed([head], width, then="  "), *body]


def section(title: str, note: str, said: Sequence[str]) -> str:
    """A section of the report with a line for each place."""
    from markupsafe import Markup  # noqa: PLC0415  only where a page is made

    items = [Markup("<li>{}</li>").format(each) for each in said]
    noted = Markup('<p class="note">{}</p>').format(note)
    return Markup("\n").join([Markup("<h2>{}</h2>").format(title), noted, Markup("<ul>"), *items, Markup("</ul>")])


def width_words(found: "DeadBand | Resolution") -> str:
    """A width as people say it: its middle and interval, or what it is not more than."""
    if math.isnan(found.high_pct):
        if found.is_never:
            return (
                f"not determinable, the output did not answer within {sized(found.most_pct)} %; "
                'give a larger "most", or see whether it answers at all'
            )
        return (
            f"not determinable, noise of {sized(found.noise_pct, 2)} % in a reading hides any answer up to "
            f'{sized(found.most_pct)} %; allow more "most readings", or give a larger "most"'
        )
    moves = "; it drifted or wandered meanwhile" if found.is_wandering else ""
    bound = ", as near as noise and digits let it be told" if found.is_noise_bound else ""
    if found.low_pct <= 0:
        return f"not more than {sized(found.high_pct)} %{bound}{moves}"
    return f"{sized(found.middle_pct)} % ({_interval(found)} %){bound}{moves}"


def _said(found: "DeadBand", *, minus: str | None = None) -> str:
    place = as_pct(found.at_pct) if minus is None else as_pct(found.at_pct, minus=minus)
    said = f"at {place}: {width_words(found)}"
    if math.isnan(found.high_pct):
        return said
    if found.manner:
        said += f"; {found.manner}"
    if found.low_pct <= 0 and found.follows < _ELASTIC:
        said += f"; answers at once, but by {100 * found.follows:.2g} % of the way at most"
    if not found.is_steady:
        each = ", ".join(f"{sized(low)} to {sized(high)}" for low, high in found.repeats_pct)
        said += f"; the largest of approaches that differ ({each} %)"
    return f"{said}; {counted(found.settings_n, 'setting')}"


def approach(
    settings: SearchSettings, there: Setpoint, *, place: float, at: float | None = None
) -> tuple[Setpoint, Setpoint]:
    """From below up to where a travel begins, which is read.

    Args:
        settings: of the search.
        there: what is read where the travel begins.
        place: that it belongs to, fraction of the input range.
        at: where it begins; None = at the place.
    """
    where = place if at is None else at
    return replace(there, frac=settings.start(place), role=PASSED, readings_n=0), replace(there, frac=where)


def visit(settings: SearchSettings, place: int, *, role: str, cycle: int, number: int, readings_n: int) -> Setpoint:
    """A visit of a search at the place itself; each has a number of its own within the step."""
    return Setpoint(
        frac=settings.at[place],
        role=role,
        direction="up",
        cycle=cycle,
        point=place * VISITS_N + number,
        readings_n=readings_n,
        settles_within=_SETTLES_WITHIN,
    )


def beyond_of(settings: SearchSettings, lengths: "Lengths") -> tuple[Beyond, Beyond, Beyond]:
    """What a search goes beyond its plan, which comes to each place once."""
    least, expected, most = (
        Beyond(
            far_n=2 * (each.approaches_n - 1),
            near_n=each.onward_n,
            readings_n=each.readings_n - settings.rest_n,
        ).times(len(settings.at))
        for each in lengths
    )
    return least, expected, most


def searched_of(settings: FileModel, setpoint: Setpoint) -> tuple[float, float]:
    """Which part of a search one of its visits belongs to: that of its place, of which the last comes first."""
    assert isinstance(settings, SearchSettings)
    places_n = len(settings.at)
    done_n = places_n - 1 - setpoint.point // VISITS_N
    return done_n / places_n, (done_n + 1) / places_n


def _index(settings: SearchSettings, at_pct: float) -> int:
    return min(range(len(settings.at)), key=lambda index: abs(100 * settings.at[index] - at_pct))


STEP = DeadBandStep()
