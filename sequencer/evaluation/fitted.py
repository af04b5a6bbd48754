"""A unit held against the curve that is fitted to its own readings, where its type sheet states no other."""

from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import Characteristic, DataSheet, FloatArray
from instruments.errors import ReadingsError
from sequencer.evaluation.figure_list import Figure, Known
from sequencer.evaluation.figures.curve_fit import CurveFit, fit_polynomial, fit_table
from sequencer.evaluation.figures.curves import BoolArray
from sequencer.inputs.characteristic_sheet import FitSheet

__all__ = ["Fitted", "fitted"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """The curve of one unit, in the units of its taps.

    Attributes:
        form: as the type sheet asks for it.
        curve: coefficients with their uncertainties, in the units of input and output.
        characteristic: the same as a characteristic of the unit.
        is_read: where the readings stand that it was fitted to, shape (1, cycles, 2, points).
    """

    form: FitSheet
    curve: CurveFit
    characteristic: Characteristic
    is_read: BoolArray

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

    def figures(self, sheet: DataSheet, known: Known, is_visited: BoolArray) -> tuple[Figure, ...]:
        """Coefficients, scatter and largest deviation, as they are printed.

        Args:
            sheet: the unit.
            known: uncertainty of the errors, which is that of the readings about the curve.
            is_visited: the places it is of.
        """
        first, last = sheet.taps[0], sheet.taps[-1]
        curve = self.curve
        why = "" if curve.dof else "no more readings than coefficients"
        found = [
            Figure(
                name=name,
                value=float(value),
                unit=unit,
                u_scatter=float(u) if np.isfinite(u) else None,
                U=float(U) if np.isfinite(U) else None,
                low=float(value - U) if np.isfinite(U) else None,
                high=float(value + U) if np.isfinite(U) else None,
                definition=curve.definition,
                remark=why,
            )
            for (name, unit), value, u, U in zip(
                self._names(sheet), curve.coefficients, *self._uncertainty(sheet, known, is_visited), strict=True
            )
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

    def _uncertainty(self, sheet: DataSheet, known: Known, is_visited: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Of each coefficient: standard from scatter, expanded with all that is known; NaN where nothing is stated."""
        nothing = np.full(len(self.curve.coefficients), np.nan)
        if known.covariance is None or known.of_figures is None:
            return self.curve.u, nothing
        weights = np.zeros((len(nothing), int(is_visited.sum())))
        weights[:, self.is_read[is_visited]] = self.curve.weights
        spread = known.covariance.of(weights)
        share = abs(sheet.taps[-1].span) / 100
        return share * spread.u_scatter if known.covariance.is_scatter_known else self.curve.u, share * spread.U

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
        characteristic = Characteristic(kind="table", points=points)
        return Fitted(form=form, curve=curve, characteristic=characteristic, is_read=is_read)
    curve = fit_polynomial(inputs, outputs, degree=form.polynomial.degree, through_origin=form.goes_through_origin)
    series = curve.series / last.span
    series[0] -= last.low / last.span
    low, high = (float(each) for each in first.fraction(np.array(curve.domain)))
    characteristic = Characteristic(kind="polynomial", series=tuple(map(float, series)), domain=(low, high))
    return Fitted(form=form, curve=curve, characteristic=characteristic, is_read=is_read)
