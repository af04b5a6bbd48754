"""A hold in words and as plots: the course of the readings, and the Allan deviation of their means."""

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from instruments.texts import sized
from sequencer.diagnosis.noise.catalogue import averaging_words
from sequencer.evaluation.figures.drift import Drift
from sequencer.evaluation.step_limits import limit_words
from sequencer.reports.as_text import as_pct, duration
from sequencer.reports.drawing.course import Course, course
from sequencer.reports.drawing.svg import DOWN, FAINT, INK, UP, Look
from sequencer.reports.terminal.lines import MINUS, listed, wrapped
from sequencer.steps.hold.evaluation import Held, judged

__all__ = ["as_json", "lines", "section", "words"]

_NOTE = (
    "Output less ideal output in time, in % of the output span. The uncertainty of the slope supposes noise that hangs "
    "together (white, 1/f and random walk, in shares found from the readings), not readings each for itself. What "
    "source and meters drift meanwhile is in it; so is what the temperature of the room does."
)
_HOUR_S = 3600.0
_KINDS = {"white": "white noise", "flicker": "1/f noise", "walk": "a random walk"}


def lines(results: Sequence[Held], width: int) -> list[str]:
    """What each hold says, on a terminal."""
    said: list[str] = []
    for each in results:
        said += ["", *wrapped(_head(each, minus=MINUS), width)]
        said += listed(words(each), width, first="  ", then="    ")
    return said


def _head(each: Held, *, minus: str | None = None) -> str:
    place = as_pct(each.at_pct) if minus is None else as_pct(each.at_pct, minus=minus)
    return f"held at {place} for {duration(float(each.times_s[-1]))}: {len(each.times_s)} readings, in % of span"


def words(each: Held) -> tuple[str, ...]:
    """What one hold says, a sentence each."""
    said = list(_of_drift(each, each.drift)) if each.drift else ["too few readings for a drift"]
    said.append(f"largest change {sized(each.change_pct)} %, between means of {duration(_part_s(each))}")
    if each.averaging is not None:
        said.append(averaging_words(each.averaging, unit="%"))
    elif each.gaps_n:
        gaps = "gap" if each.gaps_n == 1 else "gaps"
        said.append(f"{each.gaps_n} {gaps} between the readings: no Allan deviation, which needs an even pace")
    return (*said, *map(limit_words, judged(each)))


def _part_s(each: Held) -> float:
    return float(each.times_s[-1]) / max(len(each.means), 1)


def _of_drift(each: Held, drift: Drift) -> tuple[str, ...]:
    U = each.U_per_day_pct
    said = (
        f"drift {sized(each.per_day_pct, is_signed=True)} % a day (U = {sized(U, 2)} %, "
        f"{100 * drift.probability:g} %), {sized(each.per_day_pct / 24, is_signed=True)} % an hour"
    )
    kind = max(_KINDS, key=lambda name: float(getattr(drift, name)))
    if not drift.is_distinct:
        beneath = "scatter and digits" if kind == "white" else f"{_KINDS[kind]}, which wanders by itself"
        return said, f"no drift that can be told from {beneath}: hold it longer, more readings in this time do not help"
    if drift.u_ols_per_s > 0 and kind != "white":
        ratio = drift.U_per_s / (2 * drift.u_ols_per_s)
        return said, (
            f"its uncertainty comes from {_KINDS[kind]} and is {sized(ratio, 2)} times that of readings which err each "
            "for itself"
        )
    return (said,)


def section(results: Sequence[Held]) -> Markup:
    """What each hold says, and its plots."""
    parts = [Markup("<h2>Hold</h2>"), Markup('<p class="note">{}</p>').format(_NOTE)]
    for each in results:
        said = [Markup("<li>{}</li>").format(one) for one in words(each)]
        parts += [Markup("<h3>{}</h3>").format(_head(each)), Markup("<ul>"), *said, Markup("</ul>")]
        parts.append(Markup("<figure>{}</figure>").format(Markup(_plot(each))))  # noqa: S704  it escapes its texts
        if each.averaging is not None:
            parts.append(Markup("<figure>{}</figure>").format(Markup(_allan(each))))  # noqa: S704
    return Markup("\n").join(parts)


def _plot(each: Held) -> str:
    times_s = each.times_s
    unit, scale = ("h", _HOUR_S) if times_s[-1] >= 2 * _HOUR_S else ("min", 60.0)
    courses = [
        Course(
            label="readings",
            places=list(zip((times_s / scale).tolist(), each.error_pct.tolist(), strict=True)),
            look=Look(FAINT, width=0.7),
        ),
        Course(
            label=f"means of {duration(_part_s(each))}",
            places=[(at / scale, value) for at, value in each.means.tolist()],
            look=Look(UP, mark="any", width=0.0),
        ),
    ]
    if each.drift is not None:
        middle_s, level = float(times_s.mean()), float(each.error_pct.mean())
        ends = (float(times_s[0]), float(times_s[-1]))
        line = [(at / scale, level + each.drift.per_s * (at - middle_s)) for at in ends]
        courses.append(Course(label="drift", places=line, look=Look(DOWN, "7 4", width=1.8)))
    return course(
        f"Held at {as_pct(each.at_pct)}", courses, x_label=f"Time in {unit}", y_label="Output less ideal, % of span"
    )


def _allan(each: Held) -> str:
    found = each.averaging
    assert found is not None
    at = [many * found.interval_s for many in found.means_n]
    places = list(zip(at, found.deviation, strict=True))
    white = [(each_s, found.deviation[0] * (at[0] / each_s) ** 0.5) for each_s in (at[0], at[-1])]
    return course(
        f"Allan deviation at {as_pct(each.at_pct)}",
        [
            Course(label="of means over that time", places=places, look=Look(INK, mark="any", width=1.6)),
            Course(label="if each reading erred for itself", places=white, look=Look(FAINT, "2 3", width=1.4)),
        ],
        x_label="Averaged over, in s",
        y_label="Allan deviation, % of span",
        is_log=True,
    )


def as_json(each: Held) -> dict[str, Any]:
    """One hold as JSON values."""
    drift, found = each.drift, each.averaging
    return {
        "at_pct": each.at_pct,
        "step": each.step,
        "readings_n": len(each.times_s),
        "lasts_s": float(each.times_s[-1]),
        "drift_pct_per_day": each.per_day_pct,
        "U_pct_per_day": each.U_per_day_pct,
        "probability": None if drift is None else drift.probability,
        "is_distinct": None if drift is None else drift.is_distinct,
        "noise": None if drift is None else {name: float(getattr(drift, name)) for name in _KINDS},
        "largest_change_pct": each.change_pct,
        "gaps_n": each.gaps_n,
        "allan": None if found is None else {"means_n": list(found.means_n), "deviation_pct": list(found.deviation)},
        "at_most_pct_per_day": each.at_most_pct,
        "change_at_most_pct": each.change_at_most_pct,
        "words": list(words(each)),
    }
