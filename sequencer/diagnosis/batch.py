"""What many units of one type have in common, and which of them stand out: from what was found of each by itself.

An error that all units show belongs to the bench first, since one source and one meter served all; what is left of a
unit's error is its own. It judges no unit: each verdict is that of its record.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from sequencer.diagnosis.batch_statistics import (
    FEWEST_UNITS,
    Common,
    FloatArray,
    common_of,
    critical,
    fitted,
    robust,
    stands_out,
    worth_pct,
)
from sequencer.diagnosis.result import Content
from sequencer.evaluation.result import Evaluation

__all__ = ["BatchContent", "CauseLine", "Column", "CommonLine", "InBatch", "UnitLine", "of_batch"]

ZERO, SPAN, CURVE, HYSTERESIS, TIME = "zero error", "span error", "curvature", "hysteresis", "settling time"
FIGURES = (ZERO, SPAN, CURVE, HYSTERESIS, TIME)
UNITS = {ZERO: "% of span", SPAN: "% of span", CURVE: "% of span", HYSTERESIS: "% of span", TIME: "s"}
_NOTHING_FOUND = "no cause found"
_IN_COMMON = "what all units have in common: suspect the bench"
_NOT_BEGUN, _NO_READING = "not begun", "no reading"


@dataclass(frozen=True, slots=True, kw_only=True)
class InBatch:
    """A unit of a batch: its place, and what was found; `content` None = it was not begun, or `fault` says why not."""

    serial: str
    place: int | None
    content: Content | None
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A point of the grid."""

    setpoint_pct: float
    direction: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitLine:
    """A unit in the batch.

    Attributes:
        result: its verdict; "not begun", "interrupted" or "no reading" where it has none.
        worst_pct: largest error in % of its tolerance; None = none is judged.
        worst_error_pct: that error, % of span.
        cells: error in % of the tolerance at each column, signed; None = not read or not judged.
        beyond: whether each is beyond its tolerance.
        figures: by name; None = not known.
        stands_out: figures in which it stands out, with how many robust standard deviations.
        cause: what is found to be the matter; "" = nothing.
        dropped: why it was given up; "" = it was not.
        would_pass: without what all units have in common it would be within its tolerance; None = not known.
    """

    serial: str
    place: int | None
    result: str
    reason: str = ""
    folder: str = ""
    worst_pct: float | None = None
    worst_error_pct: float | None = None
    cells: tuple[float | None, ...] = ()
    beyond: tuple[bool, ...] = ()
    figures: dict[str, float | None] = field(default_factory=dict)
    stands_out: dict[str, float] = field(default_factory=dict)
    cause: str = ""
    dropped: str = ""
    is_open: bool = False
    would_pass: bool | None = None

    @property
    def is_pass(self) -> bool:
        """A plain pass."""
        return self.result == "pass"


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonLine:
    """An error that the units have in common, and what it says."""

    name: str
    found: Common
    U_pct: float | None
    text: str
    is_beyond_bench: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseLine:
    """A cause, the units it is the likeliest of, its share of all that failed, and that of all causes up to here."""

    cause: str
    serials: tuple[str, ...]
    share_pct: float
    cumulative_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchContent:
    """Everything the page of a batch shows."""

    name: str
    date: str
    bench: str
    type: str
    sequence: str
    is_together: bool
    is_simulated: bool
    units: tuple[UnitLine, ...]
    columns: tuple[Column, ...]
    medians: dict[str, tuple[float, float]]
    common: tuple[CommonLine, ...]
    causes: tuple[CauseLine, ...]
    rule: str

    @property
    def is_pass(self) -> bool:
        """Every unit has a plain pass."""
        return all(unit.is_pass for unit in self.units)

    @property
    def pass_n(self) -> int:
        """How many units have a plain pass."""
        return sum(unit.is_pass for unit in self.units)

    @property
    def open_n(self) -> int:
        """How many units are not over."""
        return sum(unit.is_open for unit in self.units)

    @property
    def outliers(self) -> tuple[UnitLine, ...]:
        """The units that stand out, the farthest first."""
        found = [unit for unit in self.units if unit.stands_out]
        return tuple(sorted(found, key=lambda unit: -max(unit.stands_out.values())))

    @property
    def without_common_n(self) -> int | None:
        """How many units would be within their tolerance without the common error; None where there is none."""
        if not self.common:
            return None
        return sum(unit.would_pass is True for unit in self.units)


def of_batch(units: Sequence[InBatch], *, name: str, date: str, bench: str, is_together: bool) -> BatchContent:
    """What the units of a batch have in common, and which stand out.

    Args:
        units: in the order of the batch.
        name: of it.
        date: when it was begun.
        bench: on which.
        is_together: the source drove all at once.
    """
    contents = [each.content for each in units if each.content is not None]
    found = [each.content.evaluation if each.content is not None else None for each in units]
    columns = _columns([each for each in found if each is not None])
    lines = [_line(each, columns) for each in units]
    tolerance = _tolerance_pct(found)
    values = {figure: np.array([_or_nan(line.figures.get(figure)) for line in lines]) for figure in FIGURES}
    far = {figure: _far(figure, each, tolerance) for figure, each in values.items()}
    common = _common(values, found, tolerance)
    lines = [
        _with_batch(line, evaluation, {figure: float(far[figure][index]) for figure in FIGURES}, common)
        for index, (line, evaluation) in enumerate(zip(lines, found, strict=True))
    ]
    return BatchContent(
        name=name,
        date=date,
        bench=bench,
        type=next((each.type for each in contents), ""),
        sequence=next((each.sequence for each in contents), ""),
        is_together=is_together,
        is_simulated=any(each.is_simulated for each in contents),
        units=tuple(lines),
        columns=columns,
        medians={figure: robust(each) for figure, each in values.items() if np.isfinite(each).any()},
        common=common,
        causes=_causes(lines, is_common=any(each.is_beyond_bench for each in common)),
        rule=_rule(len(contents)),
    )


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _columns(found: Sequence[Evaluation]) -> tuple[Column, ...]:
    """The points of all units, upscale first."""
    places = {
        (str(row["direction"]), float(row["setpoint_pct"])) for each in found for row in each.points.to_dict("records")
    }
    order = sorted(places, key=lambda place: (place[0] != "up", place[1] if place[0] == "up" else -place[1]))
    return tuple(Column(setpoint_pct=setpoint, direction=direction) for direction, setpoint in order)


def _line(each: InBatch, columns: tuple[Column, ...]) -> UnitLine:
    content = each.content
    if content is None:
        result = "not determinable" if each.fault else _NOT_BEGUN
        return UnitLine(serial=each.serial, place=each.place, result=result, reason=each.fault, is_open=not each.fault)
    found, findings = content.evaluation, content.findings
    is_open = content.status == "interrupted" and not content.digest
    dropped = content.reason.removeprefix("dropped: ") if content.reason.startswith("dropped: ") else ""
    line = UnitLine(
        serial=each.serial,
        place=each.place,
        result=_NO_READING if found is None and content.alone is None else content.verdict.result,
        reason=content.verdict.reason,
        folder=content.folder,
        cause=(findings.names[0] if findings is not None and findings.names else ""),
        dropped=dropped,
        is_open=is_open,
    )
    if found is None:
        return line
    rows = {(str(row["direction"]), float(row["setpoint_pct"])): row for row in found.points.to_dict("records")}
    cells, beyond = [], []
    for column in columns:
        row = rows.get((column.direction, column.setpoint_pct))
        known = row is not None and math.isfinite(row["used_pct"])
        used = math.copysign(abs(row["used_pct"]), row["error_pct"]) if known and row is not None else None
        cells.append(used)
        beyond.append(used is not None and abs(used) > 100)
    worst = found.worst
    return UnitLine(
        serial=line.serial,
        place=line.place,
        result=line.result,
        reason=line.reason,
        folder=line.folder,
        worst_pct=None if worst is None else abs(float(worst["used_pct"])),
        worst_error_pct=None if worst is None else float(worst["error_pct"]),
        cells=tuple(cells),
        beyond=tuple(beyond),
        figures=_figures(found, content),
        cause=line.cause,
        dropped=dropped,
        is_open=is_open,
    )


def _figures(found: Evaluation, content: Content) -> dict[str, float | None]:
    points = found.points
    x, error = points["setpoint_pct"].to_numpy(float) / 100, points["error_pct"].to_numpy(float)
    zero, span = fitted(x, error)
    rest = error - zero - span * x
    bow = 4 * x * (1 - x)
    known = np.isfinite(rest)
    curve = float(rest[known] @ bow[known] / (bow[known] @ bow[known])) if bow[known].any() else math.nan
    pivot = points.pivot_table(index="setpoint_pct", columns="direction", values="error_pct")
    gap = math.nan
    if {"up", "down"} <= set(pivot.columns):
        inner = (pivot["down"] - pivot["up"]).dropna()
        gap = float(inner.mean()) if len(inner) else math.nan
    times = [trace.after_s for trace in content.traces if trace.state in {"steady", "steady but noisy"}]
    time_s = float(np.median(times)) if times else math.nan
    numbers = {ZERO: zero, SPAN: span, CURVE: curve, HYSTERESIS: gap, TIME: time_s}
    return {name: value if math.isfinite(value) else None for name, value in numbers.items()}


def _tolerance_pct(found: Sequence[Evaluation | None]) -> float:
    """The smallest tolerance of a point that is judged, % of span; NaN if none is."""
    widths = [float(each.points["tolerance_pct"].min()) for each in found if each is not None and len(each.points)]
    known = [width for width in widths if math.isfinite(width) and width > 0]
    return min(known, default=math.nan)


def _far(figure: str, values: FloatArray, tolerance: float) -> FloatArray:
    if figure == TIME:  # what is twice as slow stands out as what is half as slow
        with np.errstate(divide="ignore", invalid="ignore"):
            return stands_out(np.log(values), least=math.log(1.5))
    return stands_out(values, least=worth_pct(tolerance))


def _common(
    values: dict[str, FloatArray], found: Sequence[Evaluation | None], tolerance: float
) -> tuple[CommonLine, ...]:
    known = [each for each in found if each is not None]
    U = [100 * each.worst_U / each.output_span for each in known if each.worst_U is not None]
    U_pct = float(np.median(U)) if U else None
    is_measured = any(each.input_by == "measured" for each in known)
    lines = []
    for figure in (ZERO, SPAN):
        common = common_of(values[figure], tolerance_pct=tolerance)
        if common is None:
            continue
        is_beyond = U_pct is None or abs(common.size_pct) > U_pct
        lines.append(
            CommonLine(
                name=figure,
                found=common,
                U_pct=U_pct,
                is_beyond_bench=is_beyond,
                text=_of_common(figure, common, U_pct, is_beyond=is_beyond, is_measured=is_measured),
            )
        )
    return tuple(lines)


def _of_common(figure: str, common: Common, U_pct: float | None, *, is_beyond: bool, is_measured: bool) -> str:
    who = f"all {common.of_n} units" if common.alike_n == common.of_n else f"{common.alike_n} of {common.of_n} units"
    shown = f"{who} show a {figure} of {common.size_pct:+.2g} % of span (between units {common.spread_pct:.1g} %)"
    if not is_beyond:
        return f"{shown}: within U = {U_pct:.2g} % of the bench, so it tells nothing of the units"
    bench = "the meter and the reference at the input" if is_measured else "the source and the meter"
    stated = f"; its instruments are stated to U = {U_pct:.2g} %" if U_pct is not None else ""
    return f"{shown}: suspect the bench ({bench}) before the units{stated}"


def _with_batch(
    line: UnitLine, found: Evaluation | None, far: dict[str, float], common: tuple[CommonLine, ...]
) -> UnitLine:
    would_pass = None
    if found is not None and common:
        sizes = {each.name: each.found.size_pct for each in common}
        points = found.points
        x = points["setpoint_pct"].to_numpy(float) / 100
        rest = points["error_pct"].to_numpy(float) - sizes.get(ZERO, 0.0) - sizes.get(SPAN, 0.0) * x
        width = points["tolerance_pct"].to_numpy(float)
        is_judged = np.isfinite(width) & (width > 0)
        would_pass = bool(is_judged.any() and not line.dropped and (np.abs(rest) <= width)[is_judged].all())
    return replace(line, stands_out={name: each for name, each in far.items() if each > 0}, would_pass=would_pass)


def _causes(lines: Sequence[UnitLine], *, is_common: bool) -> tuple[CauseLine, ...]:
    """The causes of what failed, or could not be judged though it is over, the most frequent first.

    What all units have in common explains those that would pass without it; what was found of each alone cannot know.
    """
    failed = [line for line in lines if _is_failed(line)]
    named = {
        line.serial: _IN_COMMON
        if is_common and line.would_pass
        else line.cause or line.dropped.partition(":")[0] or _NOTHING_FOUND
        for line in failed
    }
    found, so_far_n = [], 0
    for cause, units_n in sorted(Counter(named.values()).items(), key=lambda pair: (-pair[1], pair[0])):
        so_far_n += units_n
        serials = tuple(serial for serial, each in named.items() if each == cause)
        found.append(
            CauseLine(
                cause=cause,
                serials=serials,
                share_pct=100 * units_n / len(failed),
                cumulative_pct=100 * so_far_n / len(failed),
            )
        )
    return tuple(found)


def _is_failed(line: UnitLine) -> bool:
    """One that is not over has failed only where that is certain already."""
    if line.result.endswith("pass") or line.result == _NOT_BEGUN:
        return False
    return not line.is_open or line.result.endswith("fail")


def _rule(units_n: int) -> str:
    if units_n < FEWEST_UNITS:
        return f"fewer than {FEWEST_UNITS} units: none can be said to stand out"
    return (
        f"a unit stands out beyond {critical(units_n):.2g} robust standard deviations (1.4826 MAD) from the median of "
        "the batch, where one good batch in 100 has any, and by a tenth of the tolerance"
    )
