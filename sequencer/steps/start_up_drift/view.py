"""Start-up drift in words, as a table and as a plot."""

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from markupsafe import Markup

from instruments.texts import of_span, sized
from sequencer.evaluation.step_limits import limit_words
from sequencer.reports.as_text import as_pct, duration
from sequencer.reports.drawing.course import Course, course
from sequencer.reports.drawing.svg import DOWN, INK, UP, Look
from sequencer.reports.terminal.lines import MINUS, listed, wrapped
from sequencer.steps.start_up_drift.evaluation import Found, judged

__all__ = ["as_json", "lines", "section", "words"]

_NOTE = (
    "Output at each instant after switching on, less that at the last instant, in % of the output span; the largest "
    "counts. U is of the scatter of the readings and the digits; what the instruments share is in no difference, what "
    "they drift by themselves is."
)
_LOOKS = (Look(UP, mark="dot", width=1.4), Look(DOWN, "7 4", "dot", 1.4), Look(INK, "2 3", "dot", 1.4))


def lines(results: Sequence[Found], width: int) -> list[str]:
    """What was found at each place, on a terminal."""
    said = ["", "start-up drift: output less that at the last instant, in % of span"]
    for each in results:
        said += wrapped(f"at {as_pct(each.at_pct, minus=MINUS)}", width, first="  ")
        said += listed(words(each), width, first="    ", then="      ")
    return said


def words(each: Found) -> tuple[str, ...]:
    """What was found at one place, a sentence each."""
    drift = each.drift
    before = drift.instants[:-1]
    told = [min(before, key=lambda one: abs(one.after_s - asked_s)) for asked_s in each.asked_s[:-1]]
    told += [drift.largest] if drift.largest not in (*told, drift.instants[-1]) else []
    said = [f"after {duration(one.after_s)}: {sized(one.away, is_signed=True)} %{_U(one.U)}" for one in told]
    final = f"{sized(drift.band)} % of its value after {duration(drift.instants[-1].after_s)}"
    if math.isnan(drift.was_out_at_s):
        said.append(f"within {final} from the first instant on")
    else:
        start, end = duration(drift.was_out_at_s), duration(drift.is_within_from_s)
        said.append(f"within {final} from between {start} and {end} on")
    if drift.is_moving:
        said.append("it still moves at the last instant: that is not its final value, wait longer")
    if math.isnan(drift.largest.U):
        said.append("one reading at each instant says nothing of its scatter: U is not known, take two or more")
    limit = judged(each)
    if limit is not None:
        said.append(limit_words(limit))
    return tuple(said)


def _U(U: float) -> str:
    return f" (U = {sized(U, 2)} %)" if math.isfinite(U) else ""


def section(results: Sequence[Found]) -> Markup:
    """What was found at each place, and a plot over time."""
    parts = [Markup("<h2>Start-up drift</h2>"), Markup('<p class="note">{}</p>').format(_NOTE)]
    for each in results:
        said = [Markup("<li>{}</li>").format(one) for one in words(each)]
        parts += [Markup("<h3>at {}</h3>").format(as_pct(each.at_pct)), Markup("<ul>"), *said, Markup("</ul>")]
    parts.append(Markup("<figure>{}</figure>").format(Markup(_plot(results))))  # noqa: S704  it escapes its texts
    return Markup("\n").join(parts)


def _plot(results: Sequence[Found]) -> str:
    last_s = max(one.after_s for each in results for one in each.drift.instants)
    unit, scale = ("h", 3600.0) if last_s >= 7200 else ("min", 60.0)
    courses = [
        Course(
            label=f"at {as_pct(each.at_pct)}",
            places=[(one.after_s / scale, one.away) for one in each.drift.instants],
            look=_LOOKS[place % len(_LOOKS)],
            halves=[one.U if math.isfinite(one.U) else 0.0 for one in each.drift.instants],
        )
        for place, each in enumerate(results)
    ]
    band = results[0].drift.band
    across = [(sign * band, f"final value ± {of_span(band)}") for sign in (1, -1)]
    return course(
        "Start-up drift",
        courses,
        x_label=f"Time since switching on in {unit}",
        y_label="Output less its last in % of span",
        across=across,
    )


def as_json(each: Found) -> dict[str, Any]:
    """One place as JSON values."""
    drift = each.drift
    return {
        "at_pct": each.at_pct,
        "instants": [asdict(one) for one in drift.instants],
        "largest_pct": drift.largest.away,
        "U_pct": drift.largest.U,
        "band_pct": drift.band,
        "within_from_s": drift.is_within_from_s,
        "was_out_at_s": drift.was_out_at_s,
        "is_moving": drift.is_moving,
        "at_most_pct": each.at_most_pct,
        "words": list(words(each)),
    }
