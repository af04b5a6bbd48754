"""The control chart of a check unit as a report."""

import math
from datetime import date
from itertools import pairwise
from typing import Any

from instruments.texts import COMPUTED_DIGITS, json_value
from sequencer.history.check_unit import CheckUnit, FigureChart
from sequencer.history.control import BEYOND_RANGE, LEAST_N, RULE
from sequencer.reports.as_text import counted, fixed
from sequencer.reports.drawing.course import Course, course
from sequencer.reports.drawing.svg import FAINT, INK, UP, Look
from sequencer.reports.sections import Section, Told

__all__ = ["control_document", "told"]

_ANSWERS = {True: "IN CONTROL", False: "OUT OF CONTROL", None: "TOO FEW RUNS"}
_SHOWN_N = 30


def told(found: CheckUnit, *, today: date | None = None) -> Told:
    """The report of a bench; where `today` is given, it says whether the unit was run that day."""
    at = found.last_at
    runs_n = max((len(each.values) for each in found.charts), default=0)
    largest = f"{found.bench}, by check unit {found.serial}; {counted(runs_n, 'run')}"
    said = []
    if today is not None and at is not None and at.date() != today:
        said.append(f"of today, {today}, nothing is known: the unit was run last on {at:%Y-%m-%d}")
    for each in found.charts:
        said += [f"{each.name}: {signal.rule}" for signal in each.last]
    if found.is_in_control is None:
        said.append(
            f"{LEAST_N} runs are the least that limits are drawn from, and one more to be judged; 20 are better"
        )
    return Told(
        answer=_ANSWERS[found.is_in_control],
        largest=largest + (f", the last on {at:%Y-%m-%d}" if at else ""),
        is_good=found.is_in_control,
        sentences=[*said, f"rule: {RULE}"],
        sections=[_section(each) for each in found.charts],
        is_simulated=found.is_simulated,
    )


def _section(each: FigureChart) -> Section:
    limits = each.limits
    broken: dict[int, list[str]] = {}
    for signal in each.signals:
        broken.setdefault(signal.place, []).append(signal.rule)
    first = max(len(each.values) - _SHOWN_N, 0)
    rows = []
    for place in range(first, len(each.values)):
        value = each.values[place].value
        moved = abs(value - each.values[place - 1].value) if place else math.nan
        base = "limits" if limits is not None and place < limits.n else ""
        rows.append(
            (
                f"{each.runs[place].at:%Y-%m-%d}",
                base,
                "; ".join(broken.get(place, ())),
                fixed(value, 4, is_signed=True),
                fixed(moved, 4),
            )
        )
    notes = [f"the last {_SHOWN_N} of {len(each.values)} runs"] if first else []
    if limits is not None:
        notes.append(
            f"centre {fixed(limits.centre, 4, is_signed=True)}, limits {fixed(limits.lower, 4, is_signed=True)} .. "
            f"{fixed(limits.upper, 4, is_signed=True)}, moving range at most {fixed(limits.range_upper, 4)} % of span, "
            f"from the first {limits.n} runs"
        )
    return Section(
        title=f"{each.name[0].upper()}{each.name[1:]}, % of span",
        heads=("date", "", "signal", "value", "moving range"),
        rows=rows,
        texts_n=3,
        plots=(_plot(each), _ranges(each)),
        notes=notes,
    )


def _plot(each: FigureChart) -> str:
    places = [(float(number), value.value) for number, value in enumerate(each.values, start=1)]
    out = [places[place] for place in dict.fromkeys(signal.place for signal in each.signals)]
    courses = [Course(label=each.name, places=places, look=Look(UP, "none", "any", 1.4))]
    if out:
        courses.append(Course(label="out of control", places=out, look=Look(INK, "none", "ring", 0.0)))
    across: list[tuple[float, str]] = []
    if each.limits is not None:
        middle = [(1.0, each.limits.centre), (float(len(places)), each.limits.centre)]
        courses.append(Course(label="centre", places=middle, look=Look(FAINT, "none", "", 1.2)))
        across = [(each.limits.upper, "3 sigma"), (each.limits.lower, "3 sigma")]
    return course(f"Control chart of {each.name}", courses, x_label="Run", y_label="% of output span", across=across)


def _ranges(each: FigureChart) -> str:
    values = [value.value for value in each.values]
    places = [(float(number), abs(b - a)) for number, (a, b) in enumerate(pairwise(values), start=2)]
    across = [] if each.limits is None else [(each.limits.range_upper, "limit of the moving range")]
    courses = [Course(label=f"moving range of {each.name}", places=places, look=Look(UP, "none", "any", 1.4))]
    if out := [places[signal.place - 1] for signal in each.signals if signal.rule == BEYOND_RANGE]:
        courses.append(Course(label="out of control", places=out, look=Look(INK, "none", "ring", 0.0)))
    return course(
        f"Moving range of {each.name}",
        courses,
        x_label="Run",
        y_label="% of output span",
        across=across,
    )


def control_document(found: CheckUnit) -> dict[str, Any]:
    """The charts as JSON values."""
    document = json_value(
        {
            "serial": found.serial,
            "bench": found.bench,
            "is_in_control": found.is_in_control,
            "last_run": found.last_at.isoformat() if found.last_at else None,
            "rule": RULE,
            "charts": [
                {
                    "figure": each.name,
                    "centre": each.limits.centre if each.limits else None,
                    "sigma": each.limits.sigma if each.limits else None,
                    "lower": each.limits.lower if each.limits else None,
                    "upper": each.limits.upper if each.limits else None,
                    "range_upper": each.limits.range_upper if each.limits else None,
                    "limits_from": each.limits.n if each.limits else 0,
                    "runs": [
                        {"date": run.at.isoformat(), "folder": run.folder, "value": value.value, "U": value.U}
                        for run, value in zip(each.runs, each.values, strict=True)
                    ],
                    "signals": [{"run": signal.place + 1, "rule": signal.rule} for signal in each.signals],
                }
                for each in found.charts
            ],
        },
        digits=COMPUTED_DIGITS,
    )
    assert isinstance(document, dict)
    return document
