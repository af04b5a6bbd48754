"""What earlier runs of a sequence tell of its time: how long each point took to settle, and for its readings.

It is a convenience: few of the latest records are looked at, and one that is damaged, or of something else, tells
nothing and stops nobody.
"""

import json
import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

from sequencer.planning.plan import Plan
from sequencer.planning.times import PointTime
from sequencer.record.layout import JOURNAL, SEQUENCE

__all__ = ["Earlier", "earlier_times"]

_MOST_RUNS = 5
_MOST_LOOKED_AT = 50
_LARGEST = 30_000_000  # bytes of a journal: more is a capture of hours, and reading it takes longer than it tells
_OPENED, _SETTLED, _READING, _CLOSED = (f'"kind":"{each}"' for each in ("opened", "settled", "reading", "closed"))


@dataclass(frozen=True, slots=True)
class Earlier:
    """What earlier runs took.

    Args:
        runs_n: how many runs.
        points: median of each point, by its number.
        searched_s: median of what each step took beyond its points, by its number.
    """

    runs_n: int = 0
    points: Mapping[int, PointTime] = field(default_factory=dict)
    searched_s: Mapping[int, float] = field(default_factory=dict)


def earlier_times(plan: Plan, results: Path) -> Earlier:
    """What the latest records under `results` of the same sequence and type, on such a bench, tell of its times."""
    try:
        names = sorted((each.name for each in results.iterdir()), reverse=True)
    except OSError:
        return Earlier()
    found: dict[int, list[PointTime]] = defaultdict(list)
    searched: dict[int, list[float]] = defaultdict(list)
    runs_n = 0
    for name in names[:_MOST_LOOKED_AT]:
        times, beyond = _times_of(results / name, plan)
        runs_n += bool(times)
        for number, time in times.items():
            found[number].append(time)
        for step, took_s in beyond.items():
            searched[step].append(took_s)
        if runs_n == _MOST_RUNS:
            break
    medians = {
        number: PointTime(median(each.settles_s for each in times), median(each.reads_s for each in times))
        for number, times in found.items()
    }
    return Earlier(runs_n, medians, {step: median(each) for step, each in searched.items()})


def _times_of(folder: Path, plan: Plan) -> tuple[dict[int, PointTime], dict[int, float]]:
    """Times of one record by point, and by step beyond its points; none of something else, or if it cannot be read."""
    times: dict[int, PointTime] = {}
    steady_s: dict[int, float] = {}
    beyond = _Beyond(len(plan.points))
    is_whole = False
    try:
        if (folder / SEQUENCE).read_text(encoding="utf-8") != plan.sequence.document.text:
            return {}, {}
        if (folder / JOURNAL).stat().st_size > _LARGEST:
            return {}, {}
        with (folder / JOURNAL).open(encoding="utf-8", errors="replace") as lines:
            for text in lines:
                kind = text[:40].replace(" ", "")
                if _OPENED in kind and not _is_alike(json.loads(text), plan):
                    return {}, {}
                if _SETTLED in kind:
                    line = json.loads(text)
                    beyond.settled(line)
                    _take_settled(line, plan, times, steady_s)
                elif _READING in kind:
                    line = json.loads(text)
                    if not _is_point(line, plan):
                        return {}, {}
                    beyond.read(line)
                    _take_reading(line, times, steady_s)
                elif _CLOSED in kind:
                    is_whole = json.loads(text)["status"] == "complete"
    except (OSError, ValueError, RecursionError, KeyError, TypeError, AttributeError):
        return {}, {}
    # A search that found at once what it looked for took nothing, and tells that.
    return times, {point.step: beyond.took_s.get(point.step, 0.0) for point in plan.points} if is_whole else {}


class _Beyond:
    """What each step took beyond its points; a visit that is not read belongs to the next one that is."""

    def __init__(self, planned_n: int) -> None:
        self._planned_n = planned_n
        self._begun_s: float | None = None
        self._counted_to_s = -math.inf
        self.took_s: dict[int, float] = defaultdict(float)

    def settled(self, line: Mapping[str, Any]) -> None:
        if int(line["number"]) <= self._planned_n:
            self._begun_s = None  # another step has begun
        elif self._begun_s is None:
            self._begun_s = float(line["at_s"])

    def read(self, line: Mapping[str, Any]) -> None:
        if int(line["number"]) <= self._planned_n or self._begun_s is None:
            return
        at_s = float(line["at_s"])
        if math.isfinite(at_s):
            self.took_s[int(line["step"])] += max(at_s - max(self._begun_s, self._counted_to_s), 0.0)
            self._counted_to_s = at_s


def _is_alike(opened: Mapping[str, Any], plan: Plan) -> bool:
    """On virtual time nothing but the unit takes time, so its runs tell nothing of a real bench.

    Points go by their numbers, which are others where other steps were left out, or an included file changed. Units
    at places of one bench wait for each other, and tell nothing of one alone.
    """
    batch = opened.get("batch") or {}
    if batch.get("of", 1) > 1 and batch.get("place") is not None:
        return False
    own = plan.sheet.type, plan.bench.file.is_simulated, sorted(plan.sequence.left_out)
    return bool((opened["type"], opened["is_simulated"], opened.get("left_out", [])) == own)


def _is_point(line: Mapping[str, Any], plan: Plan) -> bool:
    """Whether a reading is of the point of this plan that has its number; those beyond it are of none."""
    number = int(line["number"])
    if number > len(plan.points):
        return True
    point = plan.points[number - 1]
    at_pct = line.get("setpoint_pct")
    return bool(
        line.get("step", point.step) == point.step
        and line.get("role", point.role) == point.role
        and (at_pct is None or math.isclose(at_pct, 100 * point.setpoint.frac, abs_tol=1e-6))
    )


def _take_settled(line: Mapping[str, Any], plan: Plan, times: dict[int, PointTime], steady_s: dict[int, float]) -> None:
    """The last attempt counts; points beyond the plan, and those that nobody waited for, do not."""
    number, after_s, at_s = int(line["number"]), float(line["after_s"]), float(line["at_s"])
    if not 0 < number <= len(plan.points) or line["state"] in {"no reading", "moving", "by the operator"}:
        return
    if 0 < after_s <= 10 * plan.points[number - 1].rule.maximum_s and math.isfinite(at_s):
        own_s = after_s - float(line.get("waited_s", 0.0))  # one unit need not wait until others of a batch are read
        times[number], steady_s[number] = PointTime(own_s, 0.0), at_s + after_s


def _take_reading(line: Mapping[str, Any], times: dict[int, PointTime], steady_s: dict[int, float]) -> None:
    """The readings of a point take until its last."""
    number, at_s = int(line["number"]), float(line["at_s"])
    if number in times and math.isfinite(at_s):
        times[number] = PointTime(times[number].settles_s, max(at_s - steady_s[number], 0.0))
