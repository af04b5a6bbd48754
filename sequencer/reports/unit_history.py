"""The history of one unit as a report: runs, drift, out of tolerance, repairs, advice. It computes no figure."""

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from instruments.texts import COMPUTED_DIGITS, json_value
from sequencer.history.advised import Advice
from sequencer.history.timeline import COVERAGE, FIGURES, Drift, Run, Timeline
from sequencer.reports.as_text import counted, fixed, percent_used, significant
from sequencer.reports.drawing.course import Course, course
from sequencer.reports.drawing.svg import DASH, DOWN, GREY, INK, UP, Look
from sequencer.reports.sections import Section, Told

__all__ = ["history_document", "told"]

_LOOKS = {
    "worst error": Look(INK, "none", "end", 1.9),
    "zero error": Look(UP, "none", "up", 1.4),
    "span error": Look(DOWN, DASH, "down", 1.4),
    "hysteresis": Look(GREY, "2 3", "square", 1.4),
}
_ASIDE = {"worst error": 0.0, "zero error": -0.006, "span error": 0.006, "hysteresis": 0.012}  # of the whole width
_LEAST_DAYS = 1e-3  # that the scale covers
_STATES = {"as found": "found", "as left": "left", "": ""}


def told(history: Timeline, advice: Advice | None) -> Told:
    """The report of one unit.

    Args:
        history: of the unit.
        advice: on the interval; None = it is left out, as in a document for a customer.
    """
    last = history.runs[-1]
    found = " ".join(each for each in (last.state, day(last.at)) if each)
    sections = [_runs(history), _drifts(history)]
    sections += [_events(history)] if history.events else []
    sections += [_repairs(history)] if history.repairs else []
    sections += [_instruments(history)]
    sections += [_advice(advice)] if advice is not None else []
    sections += [Section(title="remarks", sentences=history.remarks)] if history.remarks else []
    runs = counted(len(history.runs), "run")
    jumps = [words for each in history.drifts for words in _jump_words(each)]
    said = [_moved(history), *map(_drift_words, history.drifts[:2]), *jumps]
    return Told(
        answer=f"{history.serial}, {(last.verdict or 'no verdict').upper()}",
        largest=f"{history.type}; {runs} since {day(history.runs[0].at)}, the last {found}",
        is_good=None if not last.verdict else last.is_good,
        sentences=tuple(filter(None, said)),
        sections=tuple(sections),
        is_simulated=history.is_simulated,
    )


def day(at: datetime) -> str:
    """The day of a time."""
    return f"{at:%Y-%m-%d}"


def pct(value: float) -> str:
    """An error in % of span, with sign."""
    return fixed(value, 3, is_signed=True)


def _moved(history: Timeline) -> str:
    """Where the last run that counts stands against its tolerance."""
    counted = [each for each in history.counted if math.isfinite(each.used_pct)]
    if not counted:
        return "no run has an error that can be held against a tolerance"
    worst = max(counted, key=lambda each: each.used_pct)
    last = counted[-1]
    return (
        f"worst error now {percent_used(last.used_pct)} % of the tolerance; the most so far "
        f"{percent_used(worst.used_pct)} % on {day(worst.at)}"
    )


def _runs(history: Timeline) -> Section:
    rows = [_run_row(each) for each in history.runs]
    return Section(
        title="Runs",
        heads=("date", "as", "verdict", "zero", "U", "span", "U", "hyst", "worst", "U", "% tol"),
        rows=rows,
        texts_n=3,
        plots=(_plot(history),),
        notes=(
            f"errors in % of span, U expanded (95.45 %); tolerance {history.tolerance or 'not stated'}",
            *(("* counts for no drift (see remarks)",) if any(each.reservation for each in history.runs) else ()),
        ),
    )


def _run_row(run: Run) -> tuple[str, ...]:
    zero, span, hysteresis, worst = (run.figures[name] for name in FIGURES)
    return (
        day(run.at),
        _STATES.get(run.state, run.state) + ("*" if run.reservation else ""),
        run.verdict or run.status or "–",
        pct(zero.value),
        significant(zero.U),
        pct(span.value),
        significant(span.U),
        fixed(hysteresis.value, 3),
        pct(worst.value),
        significant(worst.U),
        percent_used(run.used_pct),
    )


def _plot(history: Timeline) -> str:
    runs = history.runs
    first = runs[0].at
    days = [(each.at - first).total_seconds() / 86_400 for each in runs]
    wide = max(days[-1], _LEAST_DAYS)
    courses = []
    for name, look in _LOOKS.items():
        places, halves = [], []
        for at, (run, before) in zip(days, zip(runs, (None, *runs[:-1]), strict=True), strict=True):
            if before is not None and before.piece != run.piece:  # an adjustment breaks the line
                places.append((math.nan, math.nan))
                halves.append(0.0)
            value = run.figures[name]
            places.append((at + _ASIDE[name] * wide, value.value))
            halves.append(value.U if math.isfinite(value.U) else 0.0)
        courses.append(Course(label=name, places=places, look=look, halves=halves))
    # It draws nothing: the scale is as wide as this, so that the markers of a single run stand close together too.
    middle = days[-1] / 2
    extent = [(middle - wide / 2, math.nan), (middle + wide / 2, math.nan)]
    courses.append(Course(label="", places=extent, look=Look("none")))
    tolerances = [each.tolerance_pct for each in runs if math.isfinite(each.tolerance_pct)]
    across = [(sign * tolerances[-1], "tolerance") for sign in (1, -1)] if tolerances else []
    broken = [
        (at, "adjusted or repaired")
        for at, (run, before) in zip(days, zip(runs, (None, *runs[:-1]), strict=True), strict=True)
        if before is not None and before.piece != run.piece
    ]
    return course(
        f"Errors of {history.serial} over time",
        courses,
        x_label="Date of the run",
        y_label="% of output span",
        across=across,
        upright=broken,
        x_names=date_names(first, wide),
    )


def date_names(first: datetime, days: float, most: int = 6) -> list[tuple[float, str]]:
    """Places and names of dates along a scale of days since the first."""
    step = next((each for each in (1, 2, 7, 14, 30.4375, 91.3125, 182.625, 365.25, 730.5) if days / each <= most), 1461)
    if days < 2:
        return [(0.0, day(first))]
    start = first.timestamp()
    number = int(days // step)
    return [
        (each * step, day(datetime.fromtimestamp(start + each * step * 86_400, tz=first.tzinfo)))
        for each in range(number + 1)
    ]


def _drift_words(drift: Drift) -> str:
    if drift.line is None:
        return f"drift of {drift.name}: not known, {drift.reason}"
    U = drift.line.U(COVERAGE)
    told_is = "" if not math.isfinite(U) else "" if abs(drift.line.slope) > U else "; not told from none"
    return f"drift of {drift.name}: {pct(drift.line.slope)} % of span a year, U {significant(U)} (95 %){told_is}"


def _jump_words(drift: Drift) -> list[str]:
    return [
        f"{drift.name} jumped by {pct(size)} % of span between {day(after)} and {day(until)}: no drift, and left out; "
        "find out what happened"
        for after, until, size in drift.jumps
    ]


def _drifts(history: Timeline) -> Section:
    rows = []
    said: list[str] = []
    for each in history.drifts:
        line = each.line
        if line is None:
            rows.append((each.name, "–", "–", "–", "–"))
            said.append(f"{each.name}: {each.reason}")
            continue
        rows.append((each.name, pct(line.slope), significant(line.U(COVERAGE)), f"{line.n}", f"{line.pieces_n}"))
        said += [f"{each.name}: {text}" for text in line.said]
    first = history.first_to_meet
    if first is not None:
        where = f"{first.setpoint_pct:g} %{f' {first.direction}scale' if first.direction else ''}"
        when = (
            "is beyond it already"
            if first.meets_years <= 0
            else f"meets it {counted(round(12 * first.meets_years), 'month')} after the last run"
            if math.isfinite(first.meets_years) and first.meets_years < 100
            else "does not meet it within a hundred years"
        )
        said.append(
            f"first to meet its tolerance: the error at {where}, {pct(first.line.slope)} % of span a year; the 95 % "
            f"interval of one further reading {when}"
        )
    return Section(
        title="Drift a year, from as left to the next as found",
        heads=("figure", "% of span", "U", "runs", "stretches"),
        rows=rows,
        notes=(*said, "U 95 %; what the instruments have in common is not taken to cancel between runs"),
    )


def _events(history: Timeline) -> Section:
    rows = [
        (
            day(each.run.at),
            _STATES.get(each.run.state, each.run.state),
            each.run.verdict,
            day(each.last_good) if each.last_good else "never",
            pct(each.run.figures["worst error"].value),
            percent_used(each.run.used_pct),
        )
        for each in history.events
    ]
    return Section(
        title="Out of tolerance",
        heads=("date", "as", "verdict", "last good", "worst", "% tol"),
        rows=rows,
        texts_n=4,
        notes=("what was measured with the unit between the last good run and this one is in doubt",),
    )


def _repairs(history: Timeline) -> Section:
    rows = [(day(each.at), each.part, each.by, each.text) for each in history.repairs]
    return Section(title="Repairs", heads=("date", "part", "by", "what"), rows=rows, texts_n=4)


def _instruments(history: Timeline) -> Section:
    groups: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for each in history.runs:
        groups.setdefault((each.bench, each.instruments), []).append(day(each.at))
    rows = [(_days(days), bench, "; ".join(used) or "none stated") for (bench, used), days in groups.items()]
    return Section(title="Instruments", heads=("runs", "bench", "instruments"), rows=rows, texts_n=3)


def _days(days: Sequence[str]) -> str:
    return days[0] if len(days) == 1 else f"{len(days)}: {days[0]} .. {days[-1]}"


def _advice(advice: Advice) -> Section:
    rows = [(each.name, each.said, _months(each.months)) for each in advice.methods]
    return Section(
        title=f"Calibration interval by {advice.source}, target reliability {100 * advice.target:g} %",
        sentences=(advice.said,),
        heads=("method", "what it rests on", "months") if rows else (),
        rows=rows,
        texts_n=2,
        notes=(
            "an opinion; never part of a certificate unless the customer asked for it (ISO/IEC 17025:2017, 7.8.4.3)",
        ),
    )


def _months(months: float) -> str:
    if months <= 0:
        return "none"
    return f"{months:.1f}" if math.isfinite(months) else "–"


def history_document(history: Timeline, advice: Advice | None) -> dict[str, Any]:
    """The history as JSON values, at full precision."""

    def drift(each: Drift) -> dict[str, Any]:
        line = each.line
        if line is None:
            return {"figure": each.name, "reason": each.reason}
        return {"figure": each.name, "per_year_pct": line.slope, "U_pct": line.U(COVERAGE), "coverage": COVERAGE} | {
            "runs": line.n,
            "said": list(line.said),
            "jumps": [
                {"after": after.isoformat(), "until": until.isoformat(), "size_pct": size}
                for after, until, size in each.jumps
            ],
        }

    runs = [
        {
            "date": each.at.isoformat(),
            **{name: getattr(each, name) for name in ("folder", "state", "verdict", "status", "reservation", "bench")},
            "instruments": list(each.instruments),
            "figures": {name: {"value": value.value, "U": value.U} for name, value in each.figures.items()},
            "used_pct": each.used_pct,
            "stretch": each.piece + 1,
        }
        for each in history.runs
    ]
    first = history.first_to_meet
    found: dict[str, Any] = {
        "serial": history.serial,
        "type": history.type,
        "tolerance": history.tolerance,
        "runs": runs,
        "drift": [drift(each) for each in history.drifts],
        "first_to_meet": None
        if first is None
        else {
            "setpoint_pct": first.setpoint_pct,
            "direction": first.direction,
            "per_year_pct": first.line.slope,
            "months": first.meets_years * 12 if math.isfinite(first.meets_years) else None,
        },
        "out_of_tolerance": [
            {"date": each.run.at.isoformat(), "folder": each.run.folder, "verdict": each.run.verdict}
            | {"last_good": each.last_good.isoformat() if each.last_good else None}
            for each in history.events
        ],
        "repairs": [
            {"date": each.at.isoformat(), "part": each.part, "by": each.by, "text": each.text}
            for each in history.repairs
        ],
        "remarks": list(history.remarks),
    }
    if advice is not None:
        found["interval"] = {
            "months": advice.months,
            "months_adjusted": advice.months_adjusted,
            "target_reliability": advice.target,
            "source": advice.source,
            "said": advice.said,
            "methods": [{"name": each.name, "months": each.months, "said": each.said} for each in advice.methods],
        }
    document = json_value(found, digits=COMPUTED_DIGITS)
    assert isinstance(document, dict)
    return document
