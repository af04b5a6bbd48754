"""A unit held against the curve that is fitted to its own readings, where its type sheet states no other."""

from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import Characteristic, DataSheet, FloatArray
from instruments.errors import ReadingsError
from sequencer.evaluation.figure_list import Figure
from sequencer.evaluation.figures.curve_fit import CurveFit, fit_polynomial, fit_table
from sequencer.inputs.characteristic_sheet import FitSheet

__all__ = ["Fitted", "fitted"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """The curve of one unit, in the units of its taps.

    Attributes:
        form: as the type sheet asks for it.
        curve: coefficients with their uncertainties, in the units of input and output.
        characteristic: the same as a characteristic of the unit.
    """

    form: FitSheet
    curve: CurveFit
    characteristic: Characteristic

    def of(self, sheet: DataSheet) -> DataSheet:
        """The unit with this characteristic."""
        (stage,) = sheet.stages
        return replace(sheet, stages=(replace(stage, characteristic=self.characteristic),))

    @property
    def sentence(self) -> str:
        """What that means for the verdict."""
        return (
            f"The unit is held against the {self.form} fitted to these readings ({self.curve.dof} degrees of freedom): "
            "the verdict is conformity to that curve, and zero, span and gain are those of what is left beside it."
        )

    def figures(self, sheet: DataSheet) -> tuple[Figure, ...]:
        """Coefficients, scatter and largest deviation, as they are printed."""
        first, last = sheet.taps[0], sheet.taps[-1]
        curve = self.curve
        why = "" if curve.dof else "no more readings than coefficients"
        found = [
            Figure(
                name=name,
                value=float(value),
                unit=unit,
                u=float(u) if np.isfinite(u) else None,
                definition=curve.definition,
                remark=why,
            )
            for (name, unit), value, u in zip(self._names(sheet), curve.coefficients, curve.u, strict=True)
        ]
        scatter = Figure(
            name="standard deviation about the fitted curve",
            value=curve.residual_sd if curve.dof else None,
            unit=last.unit,
            definition=curve.definition,
            remark=why,
        )
        largest = Figure(
            name="largest deviation from the fitted curve",
            value=100 * curve.largest / abs(last.span),
            unit="% of span",
            at_pct=100 * float(first.fraction(np.array(curve.largest_at))),
            definition=curve.definition,
        )
        return (*found, scatter, largest)

    def _names(self, sheet: DataSheet) -> list[tuple[str, str]]:
        """Name and unit of each coefficient."""
        first, last = sheet.taps[0], sheet.taps[-1]
        if self.form.table:
            return [(f"fitted level at {100 * each:g} %", last.unit) for each in self.form.table]
        powers = range(self.curve.lowest, self.curve.lowest + len(self.curve.coefficients))
        per = {0: last.unit, 1: f"{last.unit}/{first.unit}"}
        return [(f"coefficient of x^{power}", per.get(power, f"{last.unit}/{first.unit}^{power}")) for power in powers]


def fitted(sheet: DataSheet, form: FitSheet, x: FloatArray, y: FloatArray) -> Fitted:
    """The curve through the readings of one unit.

    Args:
        sheet: the unit, of one stage.
        form: of the curve.
        x: input at each visit, in the unit of the first tap; shape (1, cycles, 2, points), NaN = not read.
        y: output, same shape, in the unit of the last tap.

    Raises:
        ReadingsError: too few inputs for the curve.
    """
    first, last = sheet.taps[0], sheet.taps[-1]
    is_read = np.isfinite(x) & np.isfinite(y)
    points_n = int(is_read.any(axis=(0, 1, 2)).sum())
    if points_n <= form.coefficients_n:
        raise ReadingsError(
            f"{points_n} points were read for a {form}, which has {form.coefficients_n} coefficients",
            allowed="more points than coefficients, or nothing could deviate",
            todo="read more points, or take a simpler curve",
        )
    inputs, outputs = x[is_read], y[is_read]
    if form.polynomial is None:
        knots = np.array(form.table)
        curve = fit_table(first.fraction(inputs), outputs, knots=knots)
        curve = replace(curve, largest_at=float(first.value(np.array(curve.largest_at))))
        points = tuple(zip(form.table, (float(each) for each in last.fraction(curve.coefficients)), strict=True))
        return Fitted(form=form, curve=curve, characteristic=Characteristic(kind="table", points=points))
    curve = fit_polynomial(inputs, outputs, degree=form.polynomial.degree, through_origin=form.goes_through_origin)
    series = curve.series / last.span
    series[0] -= last.low / last.span
    low, high = (float(each) for each in first.fraction(np.array(curve.domain)))
    characteristic = Characteristic(kind="polynomial", series=tuple(map(float, series)), domain=(low, high))
    return Fitted(form=form, curve=curve, characteristic=characteristic)
