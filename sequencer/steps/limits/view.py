"""Limits in words and as a plot of the output against the input beyond the range."""

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from markupsafe import Markup

from instruments.texts import sized
from sequencer.evaluation.figures.ne43 import FAILURE_mA, MEASURING_mA
from sequencer.evaluation.step_limits import limit_words
from sequencer.reports.as_text import as_pct
from sequencer.reports.drawing.course import Course, course
from sequencer.reports.drawing.svg import FAINT, UP, Look
from sequencer.reports.terminal.lines import MINUS, listed
from sequencer.steps.limits.evaluation import Level, Limits, Side, judged

__all__ = ["as_json", "lines", "section", "words"]

_NOTE = (
    "Output beyond the range of the input, levels by NAMUR NE 43 where it is 4 .. 20 mA: 3.8 to 20.5 mA is measuring "
    "information, 3.6 mA and less or 21 mA and more is failure information, anything between is neither."
)
_READ_AS = {
    "measuring": "measuring information",
    "failure low": "failure information, low",
    "failure high": "failure information, high",
    "undefined": "neither measuring nor failure information",
    "not determinable": "which class it is the uncertainty of the meter leaves open",
}


def lines(results: Sequence[Limits], width: int) -> list[str]:
    """What each says, on a terminal."""
    said: list[str] = []
    for each in results:
        said += ["", "limits of the output"]
        said += listed(words(each, minus=MINUS), width, first="  ", then="    ")
    return said


def words(each: Limits, *, minus: str = MINUS) -> tuple[str, ...]:
    """What one step says, a sentence each."""
    said = [one for side in each.sides for one in _of_side(side, each, minus)]
    if each.opened is not None:
        said.append(f"input open: {_level(each.opened, each.unit)}")
        if math.isfinite(each.reconnected_pct):
            said.append(f"connected again: {sized(each.reconnected_pct, is_signed=True)} % of span off where it was")
    return (*said, *map(limit_words, judged(each)))


def _of_side(side: Side, each: Limits, minus: str) -> list[str]:
    outermost = as_pct(float(side.places_pct[-1]), minus=minus)
    within = f"within {sized(each.linear_within_pct)} % of span"
    if math.isnan(side.linear_to_pct):
        linear = f"not linear {within} at the end of the range already"
    else:
        linear = f"linear {within} to {as_pct(side.linear_to_pct, minus=minus)} of the input"
    if side.is_held:
        begins = "" if math.isnan(side.begins_pct) else f", reached at {as_pct(side.begins_pct, minus=minus)}"
        stands = f"held at {_level(side.level, each.unit)}{begins}"
    else:
        stands = f"still follows at {outermost}: {_level(side.level, each.unit)}"
    steady = f", steady within {sized(side.level.swing, 2)} {each.unit}" if math.isfinite(side.level.sd) else ""
    return [f"{side.way} the range: {linear}; {stands}{steady}", f"{side.way}, and back: {_back(side)}"]


def _back(side: Side) -> str:
    offset = f"then {sized(side.offset_pct, 2, is_signed=True)} % of span off where it was"
    if math.isfinite(side.U_offset_pct):
        offset += f" (U = {sized(side.U_offset_pct, 2)} %)"
    if math.isnan(side.offset_pct):
        offset = "what it leaves was not read"
    if math.isfinite(side.recovery_s):
        pace = f", read every {sized(side.paced_s, 2)} s" if math.isfinite(side.paced_s) else ", at the first reading"
        return f"in range again after {sized(side.recovery_s, 2)} s{pace}; {offset}"
    return f"not in range again in the time it was watched; {offset}"


def _level(level: Level, unit: str) -> str:
    U = f" (U = {sized(level.U, 2)} {unit})" if math.isfinite(level.U) else ""
    read_as = "" if level.read_as is None else f", {_READ_AS[level.read_as]}"
    return f"{sized(level.value, 5)} {unit}{U}{read_as}"


def section(results: Sequence[Limits]) -> Markup:
    """What each says, and its plot."""
    parts = [Markup("<h2>Limits of the output</h2>"), Markup('<p class="note">{}</p>').format(_NOTE)]
    for each in results:
        said = [Markup("<li>{}</li>").format(one) for one in words(each)]
        parts += [Markup("<ul>"), *said, Markup("</ul>")]
        parts += [Markup("<figure>{}</figure>").format(Markup(_plot(side))) for side in each.sides]  # noqa: S704
    return Markup("\n").join(parts)


def _plot(side: Side) -> str:
    def drawn(values: Sequence[float]) -> list[tuple[float, float]]:
        return list(zip(side.places_pct.tolist(), values, strict=True))

    across: list[tuple[float, str]] = []
    if side.level.read_as is not None:
        end = 0 if side.way == "below" else 1
        span = 16.0
        across = [
            ((MEASURING_mA[end] - 4.0) / span * 100, f"{MEASURING_mA[end]:g} mA, measuring"),
            ((FAILURE_mA[end] - 4.0) / span * 100, f"{FAILURE_mA[end]:g} mA, failure"),
        ]
    return course(
        f"Output {side.way} the range",
        [
            Course(
                label="ideal, without a limit",
                places=drawn(side.ideals_pct.tolist()),
                look=Look(FAINT, "2 3", width=1.4),
            ),
            Course(label="output", places=drawn(side.outputs_pct.tolist()), look=Look(UP, mark="any", width=1.6)),
        ],
        x_label="Input in % of range",
        y_label="Output in % of range",
        across=across,
    )


def as_json(each: Limits) -> dict[str, Any]:
    """One step as JSON values."""
    told = asdict(each)
    for side in told["sides"]:
        for name in ("places_pct", "outputs_pct", "ideals_pct"):
            side[name] = side[name].tolist()
    return told | {"words": list(words(each))}
