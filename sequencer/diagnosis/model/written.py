"""The single readings of a table as a person wrote them down, row after row, and which of them do not agree."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeAlias

import numpy as np

from instruments.datasheet import FloatArray, Tap
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.series import Series

__all__ = ["SETPOINT", "Place", "Written", "apart"]

SETPOINT = "setpoint"
"""Column of a cell that is no tap's."""
Place: TypeAlias = tuple[int, int]
"""Visit, and number of the reading there."""
_LINE = re.compile(r"line (\d+)")
_MAD_TO_SD, _TURNS_N, _TINY = 1.4826, 30, 1e-12
# Rows farther out than so many spreads weigh little in the curve through all; inputs are looked at up to so far out.
_FAR_SPREADS, _FAR_OUT = 3.0, 1.5
_STEPS = 1.5  # of a traverse: from one setpoint to the next is no farther
# Inputs are even steps where so many, told apart to that digit, lie nearer to one than this part of a step.
_GRID_N, _LEVEL_DIGITS, _OFF_STEP = 4, 2, 0.1


@dataclass(frozen=True)
class Written:
    """The single readings as they were written down, row after row.

    Attributes:
        segments: the chain.
    """

    segments: tuple[Segment, ...]

    @property
    def series(self) -> Series:
        """The readings."""
        return self.segments[0].series

    @cached_property
    def taps(self) -> dict[str, Tap]:
        """Those that were read, in order."""
        return {tap.name: tap for tap in self.segments[0].sheet.taps if tap.name in self.series.value}

    @property
    def first(self) -> Tap:
        """Whose input the setpoints are."""
        return self.segments[0].sheet.taps[0]

    @cached_property
    def rows(self) -> list[Place]:
        """Where each row stands, in the order in which they were written."""
        is_read = np.isfinite(self.series.raw[self.segments[-1].after.name])
        found = [(int(visit), int(number)) for visit, number in np.argwhere(is_read)]
        lines = [_LINE.match(self.where(place, self.segments[-1].after.name)) for place in found]
        if not all(lines):
            return found
        return [place for _, place in sorted(zip((int(line[1]) for line in lines if line), found, strict=True))]

    @cached_property
    def cells(self) -> dict[str, FloatArray]:
        """By column, fractions of the range; shape (rows,), NaN = none."""
        found = {}
        for name, raw in self.series.raw.items():
            padded = np.full((len(raw), 1 + max(number for _, number in self.rows)), np.nan)
            padded[:, : raw.shape[1]] = raw[:, : padded.shape[1]]
            found[name] = np.array([padded[place] for place in self.rows])
        return found | {SETPOINT: np.array([self.series.setpoint[visit] for visit, _ in self.rows])}

    def errors(self, cells: dict[str, FloatArray]) -> FloatArray:
        """Of each segment at each row, fraction of the span of the tap after; shape (segments, rows)."""
        found = []
        for each in self.segments:
            taps, after = each.sheet.taps, each.after
            if each.first < 0:
                found.append(cells[after.name] - cells[SETPOINT])
                continue
            before = taps[each.first]
            x = cells.get(before.name, cells[SETPOINT])
            with np.errstate(all="ignore"):
                ideal = each.sheet.ideal(before.value(x), first=each.first, last=each.last)
                found.append(cells[after.name] - after.fraction(ideal))
        return np.stack(found)

    @cached_property
    def usual(self) -> list[tuple[FloatArray, float]]:
        """Of each segment a smooth curve through the errors of the rows that agree, and how far they lie off it."""
        found = []
        for errors, shape in zip(self.errors(self.cells), self.shapes(self.cells), strict=True):
            has = np.isfinite(errors)
            theta = np.zeros(shape.shape[1])
            off = np.abs(errors - np.nanmedian(errors))
            spread = 0.0
            for _ in range(_TURNS_N if has.any() else 0):
                spread = _MAD_TO_SD * float(np.median(off[has]))
                weight = 1 / (1 + (off[has] / max(_FAR_SPREADS * spread, _TINY)) ** 2)
                root = np.sqrt(weight)
                theta = np.linalg.lstsq(shape[has] * root[:, np.newaxis], errors[has] * root, rcond=None)[0]
                off = np.abs(errors - shape @ theta)
            found.append((theta, spread))
        return found

    def shapes(self, cells: dict[str, FloatArray]) -> list[FloatArray]:
        """What the curve of each segment is made of; shape (rows, columns)."""
        found = []
        for each in self.segments:
            name = self.segments[0].sheet.taps[max(each.first, 0)].name
            y = np.clip(2 * np.nan_to_num(cells.get(name, cells[SETPOINT])) - 1, -_FAR_OUT, _FAR_OUT)
            ones = np.ones_like(y)
            found.append(np.stack((ones, y, y**2) if each.first >= 0 else (ones,), axis=1))
        return found

    def off(self, cells: dict[str, FloatArray], rows: Sequence[Place] = ()) -> FloatArray:
        """How far each row lies off the others, 1 = as far as one that agrees may; shape (rows,).

        Where `rows` says which they are, each may lie as far off as is allowed there.
        """
        worst = np.zeros(len(cells[SETPOINT]))
        for segment, errors, shape, (theta, spread) in zip(
            self.segments, self.errors(cells), self.shapes(cells), self.usual, strict=True
        ):
            prior = PRIORS.transcription
            least = np.array(prior.setpoint_frac if segment.first < 0 else PRIORS.trying.near_share * segment.tolerance)
            if segment.allowed is not None and rows:
                least = np.fmax(least, segment.allowed[[visit for visit, _ in rows]])
            width = np.maximum(least, prior.agree_sds * spread)
            worst = np.fmax(worst, np.abs(errors - shape @ theta) / width)
        return worst

    @cached_property
    def suspects(self) -> list[Place]:
        """The rows that do not agree with the others, the farthest first."""
        off = self.off(self.cells, self.rows)
        return [self.rows[index] for index in np.argsort(-off) if off[index] > 1]

    def comes_again(self, row: Place) -> bool:
        """Whether another row of the same input has the same error at the output."""
        index, levels = self.rows.index(row), self.cells[SETPOINT]
        errors = self.errors(self.cells)[-1]
        is_same = np.abs(levels - levels[index]) < PRIORS.transcription.as_input_frac
        is_same[index] = False
        width = max(self.segments[-1].tolerance, PRIORS.transcription.agree_sds * self.usual[-1][1])
        return bool((np.abs(errors[is_same] - errors[index]) < width).any())

    def is_out(self, index: int, level: float) -> bool:
        """Whether an input is farther from those of its neighbours than the steps of the traverse are long."""
        levels = self.cells[SETPOINT]
        step = float(np.median(np.abs(np.diff(levels)))) if levels.size > 1 else np.inf
        beside = [levels[each] for each in (index - 1, index + 1) if 0 <= each < levels.size]
        return bool(any(abs(level - each) > _STEPS * step for each in beside))

    def is_off_grid(self, index: int, level: float) -> bool:
        """Whether an input lies between the even steps in which all others were set."""
        others = np.delete(self.cells[SETPOINT], index)
        levels = np.unique(np.round(others, _LEVEL_DIGITS))
        if levels.size < _GRID_N:
            return False
        step = float(np.median(np.diff(levels)))
        off = np.abs(np.append(others, level) - levels[0]) / step
        off = np.abs(off - np.round(off))
        return bool((off[:-1] < _OFF_STEP).all() and off[-1] > _OFF_STEP)

    def goes_along(self, place: Place) -> bool:
        """Whether a setpoint was taken from the input, so that it goes along with its slip."""
        index, near = self.rows.index(place), PRIORS.transcription.as_input_frac
        setpoint = self.cells[SETPOINT][index]
        stated = self.series.stated[place[0]] if self.series.stated.size else np.nan
        return bool(abs(setpoint - self.cells[self.first.name][index]) < near and not abs(setpoint - stated) < near)

    def at(self, place: Place, column: str) -> str:
        """A cell, in words: its line and column where they are known."""
        visit, number = place
        written = str(self.where(place, column)).rpartition(" of line ")[0]
        if column == SETPOINT:
            return f"{written.partition(',')[0]}, column of setpoints"
        tap = "" if column == self.segments[-1].after.name else f' of "{column}"'
        percent = f"at {100 * self.series.setpoint[visit]:.4g} %"
        return written or f"reading {self.rows.index((visit, number)) + 1}{tap}, {percent}"

    def where(self, place: Place, column: str) -> str:
        """Where a cell was written, as `Series.place` has it; "" = in no table."""
        name = self.first.name if column == SETPOINT else column
        return str(self.series.place[name][place]) if name in self.series.place else ""


def apart(
    series: Series, raw: dict[str, FloatArray], setpoint: FloatArray, place: Place, level: float
) -> tuple[Series, dict[str, FloatArray], FloatArray]:
    """The readings with one row as a visit of its own, at a setpoint."""
    visit, number = place
    is_alone = all(np.isfinite(each[visit]).sum() <= 1 for each in raw.values())
    if is_alone:
        moved = setpoint.copy()
        moved[visit] = level
        return series, raw, moved
    rows = {}
    for name, each in raw.items():
        row = np.full(each.shape[1], np.nan)
        if number < row.size:
            row[0] = each[visit, number]
        rows[name] = np.insert(each, visit + 1, row, axis=0)
        rows[name][visit, number : number + 1] = np.nan

    def twice(values: FloatArray) -> FloatArray:
        return np.insert(values, visit + 1, values[visit], axis=0)

    series = replace(
        series,
        direction=twice(series.direction),
        is_again=np.insert(series.is_again, visit + 1, False),
        at_s=twice(series.at_s),
        to_go=twice(series.to_go),
        stated=twice(series.stated) if series.stated.size else series.stated,
        text={name: np.insert(each, visit + 1, "", axis=0) for name, each in series.text.items()},
        place={name: np.insert(each, visit + 1, "", axis=0) for name, each in series.place.items()},
    )
    return series, rows, np.insert(setpoint, visit + 1, level)
