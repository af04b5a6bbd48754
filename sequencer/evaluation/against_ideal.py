"""The readings of one unit held against its ideal, as arrays."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray, Tap
from instruments.errors import ReadingsError
from sequencer.evaluation.budget import COVERAGE, Basis
from sequencer.evaluation.certificates import with_certified
from sequencer.evaluation.fitted import Fitted, fitted
from sequencer.evaluation.judgement import BoolArray, Resolved, resolved, steps_shown
from sequencer.evaluation.scatter import scatter_of_means
from sequencer.evaluation.tables import visited
from sequencer.inputs.tolerance import half_width
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.table import Grid, grid

__all__ = ["Errors", "commanded", "errors_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """The readings of one unit held against its ideal, arrays of the shape of the readings.

    Attributes:
        readings: as the table has them.
        sheet: of the unit, with what certificates and a fit say of it.
        is_measured: the input was read, not only set.
        x: input as read, else as set, in its unit.
        y: output as read, in its unit.
        ideal: what the output should be at that input.
        tolerance: half width there, in the unit of the output.
        steps: smallest step that the readings of each tap show.
        fit: the characteristic fitted to the readings; None = that of the type sheet stands.
    """

    readings: Grid
    sheet: DataSheet
    is_measured: bool
    x: FloatArray
    y: FloatArray
    ideal: FloatArray
    tolerance: FloatArray
    steps: dict[str, float]
    fit: Fitted | None

    @property
    def first(self) -> Tap:
        """Where the input is told."""
        return self.sheet.taps[0]

    @property
    def last(self) -> Tap:
        """The output end to end."""
        return self.sheet.taps[-1]

    @property
    def span(self) -> float:
        """Of the output, in its unit; positive."""
        return abs(self.last.span)

    @property
    def error(self) -> FloatArray:
        """Output less ideal, in the unit of the output."""
        return np.asarray(self.y - self.ideal)

    @property
    def is_visited(self) -> BoolArray:
        """Where there is a reading."""
        return visited(self.readings)

    @property
    def input_pct(self) -> FloatArray:
        """Input in % of its range."""
        return np.asarray(100 * self.first.fraction(self.x))

    @property
    def in_figures_pct(self) -> FloatArray:
        """Errors in % of span; below a low-flow cut-off the output is held, so such a point says nothing of zero."""
        is_cut = np.zeros(self.x.shape, dtype=bool)
        for number, stage in enumerate(self.sheet.stages):
            at = self.sheet.taps[number].fraction(self.sheet.ideal(self.x, last=number) if number else self.x)
            is_cut |= stage.characteristic.is_cut_off(at)
        return np.where(is_cut | ~np.isfinite(self.x), np.nan, 100 * self.error / self.span)

    def with_cut_off(self, reason: str) -> str:
        """Why a figure is not determinable, where the lower end was read and is below a low-flow cut-off."""
        is_held = np.isfinite(self.error[..., 0]).any() and not np.isfinite(self.in_figures_pct[..., 0]).any()
        lacks = "no reading at the lower end"
        return (
            reason.replace(lacks, "the lower end is below the low-flow cut-off, where the output is held")
            if is_held
            else reason
        )

    @property
    def singles_pct(self) -> tuple[FloatArray, FloatArray]:
        """Highest and lowest error of the single readings of each visit, where it is in the figures."""
        is_in = np.isfinite(self.in_figures_pct)
        ends = (self.readings.highest[self.last.name], self.readings.lowest[self.last.name])
        highest, lowest = (np.where(is_in, 100 * (each - self.ideal) / self.span, np.nan) for each in ends)
        return highest, lowest

    def shown(self) -> Resolved:
        """What the digits of the readings tell of each error."""
        scatter = scatter_of_means(self.readings, self.last.name, COVERAGE)
        return resolved(self.sheet, self.x, self.steps, scatter=scatter)


def errors_of(table: pd.DataFrame, type_sheet: TypeSheet, basis: Basis) -> Errors:
    """The table as arrays beside the ideal; raises ReadingsError as `evaluate` does."""
    sheet = with_certified(type_sheet.datasheet(), basis.statements)
    _refuse_other_units(table, sheet)
    readings = grid(table)
    first, last = sheet.taps[0], sheet.taps[-1]
    unknown = set(readings.value) - {tap.name for tap in sheet.taps}
    if unknown:
        raise ReadingsError(
            f"the type sheet has no tap {', '.join(sorted(unknown))}",
            allowed=", ".join(tap.name for tap in sheet.taps),
            todo="take the type sheet of this unit",
        )
    if last.name not in readings.value:
        raise ReadingsError(f'no reading at the tap "{last.name}"', todo="read the output")
    is_measured = first.name in readings.value and not np.isnan(readings.value[first.name]).all()
    y = readings.value[last.name]
    x = readings.value[first.name] if is_measured else commanded(readings, first, y.shape)
    fit = None if type_sheet.fit is None else fitted(sheet, type_sheet.fit, x, y)
    sheet = sheet if fit is None else fit.of(sheet)
    return Errors(
        readings=readings,
        sheet=sheet,
        is_measured=is_measured,
        x=x,
        y=y,
        ideal=sheet.ideal(x),
        tolerance=half_width(type_sheet.tolerance, sheet, x),
        steps=steps_shown(table),
        fit=fit,
    )


def commanded(readings: Grid, first: Tap, shape: tuple[int, ...]) -> FloatArray:
    """The input as it was set, in its unit."""
    set_to = first.given(first.value(readings.setpoint_pct / 100))
    return np.asarray(np.broadcast_to(set_to, shape), dtype=np.float64)


def _refuse_other_units(table: pd.DataFrame, sheet: DataSheet) -> None:
    """A table of another type has taps of the same names; its numbers mean something else."""
    for tap in sheet.taps:
        found = set(table.loc[table["tap"] == tap.name, "unit"]) - {tap.unit, ""}
        if found:
            raise ReadingsError(
                f'the readings at tap "{tap.name}" are in {", ".join(sorted(found))}',
                allowed=tap.unit,
                todo="take the type sheet of this unit",
            )
