"""The uncertainty of each measured error: what is stated of the instruments, carried to the output.

A statement is what is known of the readings at one tap, as plain numbers, so that a record holds it and everything can
be computed again from the record alone. `budget` makes of statements and readings the contributions to each error,
output less ideal output, and has them combined by the GUM.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from instruments.certified import Certified, certified_from
from instruments.datasheet import DataSheet, FloatArray
from sequencer.evaluation.figures.contributions import (
    Contribution,
    Origin,
    from_certificate,
    from_half_width,
    from_resolution,
)
from sequencer.evaluation.figures.uncertainty import Budget, combine
from sequencer.evaluation.scatter import NO_SCATTER, Components, components, signal_slope, within_visits
from sequencer.inputs.decision_rules import DEFAULT_RULE
from sequencer.inputs.tolerance import slope
from sequencer.readings.table import Grid

__all__ = [
    "COVERAGE",
    "LEAST_TUR",
    "NO_BOUND",
    "Basis",
    "Limits",
    "Statement",
    "basis_from",
    "budget",
    "correlated_pairs",
    "error_budget",
    "scatter_alone",
    "type_a",
]


COVERAGE = 0.9545  # two standard deviations of a normal distribution
NO_BOUND = "the slope of the characteristic has no bound there"
LEAST_TUR = 1.5  # below it a person answers for a plain pass; common practice, no source


# What two readings of one instrument have in common, and what those of two that one standard served.
_OF_AN_INSTRUMENT: tuple[Origin, ...] = ("accuracy", "certificate", "drift", "temperature")

# Half width of a rectangular quantity over its u (GUM 4.3.7); at its very end, give or take rounding, it is not inside.
_RECTANGULAR = math.sqrt(3) * (1 - 1e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """A half width as a share of the reading and a floor, in the unit of the signal."""

    of_reading: float
    floor: float

    def at(self, signal: FloatArray) -> FloatArray:
        """The half width at a signal, same shape."""
        return self.of_reading * np.abs(signal) + self.floor


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """What is stated of the readings at one tap, in the unit of its signal.

    Attributes:
        tap: its name.
        instrument: that reads it, or at the first tap sets it where nothing reads.
        accuracy: of the instrument in its range, without a level of confidence; None = not stated.
        resolution: one step of the last digit.
        certificate: expanded uncertainty of its calibration; None = none stated.
        certificate_k: coverage factor of that.
        certificate_due: ISO date until which it holds, "" if not stated.
        certificate_doubt: why it may be of another instrument, "" = it is of this one.
        certificate_item: what was calibrated, where the first part of that doubt is settled by what the instrument
            answers; "" = nothing is left to settle. `certificate_numbers` are the numbers of it.
        certificate_unsettled: that part.
        temperature: change per kelvin outside the reference temperatures; None = not stated, or none outside.
        outside_K: how far the bench lies outside them.
        allowances: further half widths at this tap, by name, as the type sheet states them.
        correction: what was corrected of the readings (shunt, lead, cold junction): its name, and the expanded
            uncertainty of that; None = nothing.
        correction_k: coverage factor of that.
        measures: function and range that read it; two taps with the same of one instrument share its error; "" = not
            read.
        certified: its errors at points, which are corrected; their U has the coverage factor of the certificate.
        drift: of these errors in a year; None = not stated.
        drift_years: from the calibration to the readings.
    """

    tap: str
    instrument: str
    accuracy: Limits | None
    resolution: float
    certificate: Limits | None = None
    certificate_k: float = 2.0
    certificate_due: str = ""
    certificate_doubt: str = ""
    certificate_item: str = ""
    certificate_numbers: tuple[str, ...] = ()
    certificate_unsettled: str = ""
    temperature: Limits | None = None
    outside_K: float = 0.0
    allowances: tuple[tuple[str, float], ...] = ()
    correction: tuple[str, Limits] | None = None
    correction_k: float = 2.0
    measures: str = ""
    certified: Certified | None = None
    drift: Limits | None = None
    drift_years: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What a verdict rests on beside the readings: statements of the instruments, the rule, and the day.

    Attributes:
        statements: of the taps; () = nothing is known of the instruments.
        correlations: (instrument, instrument, coefficient).
        coverage: probability that an expanded uncertainty stands for.
        rule: name of the decision rule.
        date: ISO date of the readings, against which due dates are held; "" = not known.
        low_tur_accepted: "NAME: reason" of the person who accepts a TUR below `LEAST_TUR`; "" = none.
        bench_cleared: "NAME: how" of the person who proved bench and wiring right by other means: a second meter;
            "" = nobody did.
    """

    statements: tuple[Statement, ...] = ()
    correlations: tuple[tuple[str, str, float], ...] = ()
    coverage: float = COVERAGE
    rule: str = DEFAULT_RULE
    date: str = ""
    low_tur_accepted: str = ""
    bench_cleared: str = ""

    @property
    def pairs(self) -> dict[tuple[str, str], float]:
        """Correlation coefficient by the two instruments."""
        return {(one, other): coefficient for one, other, coefficient in self.correlations}

    @property
    def overdue(self) -> tuple[str, ...]:
        """Instruments whose certificate had run out on the day, with the date."""
        found = (
            f"{each.instrument} (due {each.certificate_due})"
            for each in self.statements
            if each.certificate_due and self.date and self.date[:10] > each.certificate_due
        )
        return tuple(dict.fromkeys(found))  # one instrument may serve several taps

    @property
    def reservations(self) -> tuple[str, ...]:
        """What is to be said of the certificates: those that had run out, those that may be of another instrument."""
        expired = (f"calibration certificate expired: {each}" for each in self.overdue)
        doubted = (
            f"calibration certificate in doubt: {each.instrument}: {each.certificate_doubt}"
            for each in self.statements
            if each.certificate_doubt
        )
        return tuple(dict.fromkeys((*expired, *doubted)))


def basis_from(values: Mapping[str, Any]) -> Basis:
    """A basis from JSON values, as `dataclasses.asdict` gives them.

    Raises:
        KeyError, TypeError: they are not of a basis.
    """

    def limits(found: Mapping[str, float] | None) -> Limits | None:
        return None if found is None else Limits(**found)

    stated = tuple(
        Statement(
            **{
                **each,
                "accuracy": limits(each["accuracy"]),
                "certificate": limits(each["certificate"]),
                "temperature": limits(each["temperature"]),
                "allowances": tuple((name, width) for name, width in each["allowances"]),
                "correction": (corrected[0], Limits(**corrected[1])) if (corrected := each.get("correction")) else None,
                "certificate_numbers": tuple(each.get("certificate_numbers", ())),
                "certified": certified_from(each.get("certified")),
                "drift": limits(each.get("drift")),
            }
        )
        for each in values["statements"]
    )
    correlations = tuple((one, other, coefficient) for one, other, coefficient in values["correlations"])
    return Basis(**{**values, "statements": stated, "correlations": correlations})


def budget(
    readings: Grid,
    sheet: DataSheet,
    stated: Sequence[Statement],
    *,
    input_signal: FloatArray,
    scatter: Components | None = None,
    correlations: Mapping[tuple[str, str], float] | None = None,
    probability: float = COVERAGE,
) -> Budget | None:
    """Uncertainty of each error at the output, end to end, with the scatter of the readings.

    Args:
        readings: as arrays.
        sheet: the unit.
        stated: of the taps.
        input_signal: at the first tap, measured or else commanded, in its signal's unit; shape of the arrays.
        scatter: of the readings; None = as `type_a` finds it.
        correlations: coefficients between the accuracies of two instruments, by their names.
        probability: coverage asked for.

    Returns:
        Arrays of the shape of the readings, in the unit of the output; None where nothing is stated of the input or of
        the output at all, as for readings taken by hand with instruments nobody named.
    """
    found = type_a(readings, sheet, stated, input_signal=input_signal) if scatter is None else scatter
    return error_budget(
        sheet,
        stated,
        input_signal=input_signal,
        output=readings.value[sheet.taps[-1].name],
        to_go=readings.to_go,
        scatter=found,
        correlations=correlations,
        probability=probability,
    )


def type_a(readings: Grid, sheet: DataSheet, stated: Sequence[Statement], *, input_signal: FloatArray) -> Components:
    """How far the readings of a run scatter, arguments as in `budget`."""
    carried = _carried(sheet, input_signal, stated)
    error = readings.value[sheet.taps[-1].name] - sheet.ideal(sheet.taps[0].to_value(input_signal))
    steps = {each.tap: each.resolution for each in stated}
    at_input = steps.get(sheet.taps[0].name, 0.0) * float(np.nanmedian(np.abs(carried))) if steps else 0.0
    floor = (at_input**2 + steps.get(sheet.taps[-1].name, 0.0) ** 2) / 12
    return components(error, within_visits(readings, sheet, carried), floor=floor)


def scatter_alone(scatter: Components, output: FloatArray, *, step: float, probability: float) -> Budget | None:
    """Budget of what repeats and digits show, where nothing is stated of the instruments; None where nothing repeats.

    Args:
        scatter: of the readings.
        output: at the last tap, in its unit.
        step: of its digits; 1 and more = whole numbers, which tell nothing of a resolution.
        probability: coverage asked for.
    """
    if not scatter.lines:
        return None
    digits = from_resolution("digits", np.full(output.shape, step if step < 1 else 0.0))
    return combine([*scatter.lines, replace(digits, origin="resolution")], probability=probability)


def error_budget(
    sheet: DataSheet,
    stated: Sequence[Statement],
    *,
    input_signal: FloatArray,
    output: FloatArray,
    to_go: FloatArray,
    scatter: Components = NO_SCATTER,
    correlations: Mapping[tuple[str, str], float] | None = None,
    probability: float = COVERAGE,
) -> Budget | None:
    """Uncertainty of output less ideal output from what is stated of the instruments, over arrays of one shape.

    Args:
        sheet: the unit.
        stated: of the taps.
        input_signal: at the first tap, in its signal's unit.
        output: at the last tap, in its unit.
        to_go: bound of the settling error that is left, in the unit of the output; NaN = none is known.
        scatter: of the readings, where there are any; rounding that it hides is not counted again.
        correlations: as in `budget`.
        probability: as in `budget`.

    Returns:
        As `budget`.
    """
    by_tap = {each.tap: each for each in stated}
    first, last = sheet.taps[0], sheet.taps[-1]
    if first.name not in by_tap or last.name not in by_tap:
        return None
    signal = last.to_signal(output)
    lines = []
    for tap, level, steepness in (
        (first, input_signal, _carried(sheet, input_signal, stated)),
        (last, signal, signal_slope(last, signal)),
    ):
        seen, given = scatter.within.get(tap.name), by_tap[tap.name]
        repeated = 1.0 if seen is None else seen.repeated(given.resolution)
        lines += _lines(given, level, steepness, repeated=repeated)
    lines += scatter.lines
    if (to_go > 0).any():
        still = from_half_width("settling: still to go at most", np.nan_to_num(to_go))
        lines.append(replace(still, tap=last.name, origin="settling"))
    pairs = correlated_pairs(lines, by_tap[first.name], by_tap[last.name], correlations or {})
    return combine(lines, correlations=pairs or None, probability=probability, is_convolved=True)


def _carried(sheet: DataSheet, input_signal: FloatArray, stated: Sequence[Statement]) -> FloatArray:
    """D error / d signal at the first tap; NaN where the slope has no bound within the half width of the input.

    There the first order says nothing: at 0.01 mbar, give or take 0.2 mbar, the input may be 0, where a root has none.
    """
    first = sheet.taps[0]
    per_signal = signal_slope(first, input_signal)
    value = first.to_value(input_signal)
    lines = [line for each in stated if each.tap == first.name for line in _lines(each, input_signal, per_signal)]
    squares = sum(((line.sensitivity * line.u) ** 2 for line in lines), start=np.zeros(value.shape))
    width = np.nan_to_num(_RECTANGULAR * np.sqrt(squares))
    ends = [first.fraction(value - width), first.fraction(value + width)]
    steep = slope(sheet, value)
    has_bound = np.isfinite(steep)
    for stage in sheet.stages:
        has_bound &= ~stage.characteristic.has_no_slope(*ends)
        ends = [stage.characteristic.output(end) for end in ends]
    return np.asarray(-per_signal * np.where(has_bound, steep, np.nan))


def _lines(
    stated: Statement, signal: FloatArray, sensitivity: FloatArray, *, repeated: FloatArray | float = 1.0
) -> list[Contribution]:
    lead = f"{stated.tap}: "
    who = f"{lead}{stated.instrument} "
    lines: list[tuple[Contribution, Origin]] = []

    def add(line: Contribution, origin: Origin, given: Limits | None = None) -> None:
        is_bipolar = given is not None and np.nanmin(signal, initial=0.0) < 0 < np.nanmax(signal, initial=0.0)
        if given is not None and is_bipolar:  # a share of the reading turns its sign with it, a floor does not
            scale = line.u / np.where(given.at(signal) > 0, given.at(signal), 1.0)
            line = replace(line, bipolar=(given.of_reading * signal * scale, given.floor * scale))
        lines.append((line, origin))

    for line, origin, given in _of_calibration(stated, signal, sensitivity, who):
        add(line, origin, given)
    step = np.broadcast_to(stated.resolution * np.sqrt(repeated), signal.shape)
    add(from_resolution(f"{who}resolution", step, sensitivity=sensitivity), "resolution")
    if stated.temperature is not None and stated.outside_K > 0:
        width = stated.outside_K * stated.temperature.at(signal)
        line = from_half_width(f"{who}temperature", width, sensitivity=sensitivity)
        add(line, "temperature", stated.temperature)
    if stated.correction is not None:
        name, limits = stated.correction
        U, k = limits.at(signal), stated.correction_k
        add(from_certificate(f"{lead}{name} corrected", U, k=k, sensitivity=sensitivity), "correction", limits)
    for name, half_width in stated.allowances:
        add(from_half_width(f"{lead}{name}", half_width, sensitivity=sensitivity), "allowance")
    return [replace(line, tap=stated.tap, origin=origin) for line, origin in lines]


def _of_calibration(
    stated: Statement, signal: FloatArray, sensitivity: FloatArray, who: str
) -> Iterator[tuple[Contribution, Origin, Limits | None]]:
    """What is stated of an instrument's error: certified at points, drifted since, within its accuracy, certified.

    What was certified replaces an accuracy that nobody stated, and stands beside one that somebody did.
    """
    accuracy = np.full(signal.shape, np.nan) if stated.accuracy is None else stated.accuracy.at(signal)
    has_accuracy = stated.accuracy is not None or stated.certificate is None
    if stated.certified is not None:
        U, k = stated.certified.U(signal), stated.certificate_k
        yield from_certificate(f"{who}certificate", U, k=k, sensitivity=sensitivity), "certificate", None
        # With a stated drift nothing else is needed of what was corrected; beyond its points the accuracy speaks.
        if stated.drift is not None or stated.accuracy is None:
            accuracy = np.where(stated.certified.is_inside(signal), 0.0, accuracy)
        has_accuracy = bool(accuracy.any())
    if stated.drift is not None:
        width = stated.drift_years * stated.drift.at(signal)
        yield from_half_width(f"{who}drift", width, sensitivity=sensitivity), "drift", stated.drift
    if has_accuracy:
        yield from_half_width(f"{who}accuracy", accuracy, sensitivity=sensitivity), "accuracy", stated.accuracy
    if stated.certificate is not None and stated.certified is None:
        U, k = stated.certificate.at(signal), stated.certificate_k
        yield from_certificate(f"{who}certificate", U, k=k, sensitivity=sensitivity), "certificate", stated.certificate


def correlated_pairs(
    lines: Sequence[Contribution], first: Statement, last: Statement, correlations: Mapping[tuple[str, str], float]
) -> dict[tuple[str, str], float]:
    """The correlation that a bench states of the two: one calibrator sets and reads, or one standard served both.

    Args:
        lines: of the budget.
        first: what is stated of the first tap.
        last: what is stated of the last tap.
        correlations: coefficients by the names of two instruments.

    Returns:
        Coefficients by the names of two contributions; empty where nothing is stated of these two instruments.
    """
    one, other = first.instrument, last.instrument
    coefficient = correlations.get((one, other), correlations.get((other, one)))
    if coefficient is None and first.measures and (one, first.measures) == (other, last.measures):
        coefficient = 1.0  # one meter in one range, switched from tap to tap
    if coefficient is None:
        return {}
    by_place = {(line.tap, line.origin): line.name for line in lines}
    pairs = [(by_place.get((first.tap, what)), by_place.get((last.tap, what))) for what in _OF_AN_INSTRUMENT]
    return {(at_first, at_last): coefficient for at_first, at_last in pairs if at_first and at_last}
