"""The figures of one unit as they are printed: name, value, unit, uncertainty, place, definition."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from instruments.datasheet import FloatArray
from sequencer.evaluation.figures.errors_in_variables import KnownUncertaintyLine
from sequencer.evaluation.figures.figures import Figures
from sequencer.evaluation.figures.lines import LineFit

__all__ = ["Figure", "Known", "printed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure as it is printed.

    Args:
        name: its name in the standard.
        value: None = not determinable, then `remark` says why.
        unit: of the value.
        u: standard uncertainty from the scatter of the readings, in the same unit; None where none is given.
        U: expanded uncertainty with all that is stated of the instruments, same unit; None where it is not known.
        at_pct: input in % of range where it was found; None where it belongs to the whole range.
        definition: whose definition it follows.
        remark: why it is not determinable, or what belongs beside it.
    """

    name: str
    value: float | None
    unit: str
    u: float | None = None
    U: float | None = None
    at_pct: float | None = None
    definition: str = ""
    remark: str = ""


def _number(value: float) -> float | None:
    return None if math.isnan(value) else float(value) + 0.0  # never "-0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the budget says of the figures, in % of span; NaN = not known.

    Attributes:
        at: expanded uncertainty of an error, by setpoint in %.
        scatter: expanded uncertainty from scatter, settling and resolution alone: in a difference of two readings of
            the same instruments the rest cancels.
        line: fit with the uncertainties of both axes; None where they are not known.
    """

    at: Mapping[float, float]
    scatter: float
    line: KnownUncertaintyLine | None

    def near(self, setpoint_pct: float) -> float:
        """Expanded uncertainty of an error at the setpoint nearest to an input."""
        return self.at[min(self.at, key=lambda each: abs(each - setpoint_pct))] if self.at else math.nan


def printed(computed: Figures, span: float, unit: str, *, sign: float, known: Known) -> tuple[Figure, ...]:
    """The figures of the one unit as they are printed.

    Args:
        computed: the figures as arrays, one unit.
        span: of the output, in `unit`.
        unit: of the output.
        sign: -1 for a reversed output.
        known: what the budget says of them.
    """
    own = (*_of_errors(computed, known), *_of_lines(computed, known))
    line = computed.line
    gain = Figure(
        name="gain by least squares",
        value=_number(1 + sign * float(line.gain[0])),
        unit="1",
        u=_number(float(line.u_gain[0])),
        definition=line.definition,
        remark=line.reason(0),
    )
    in_units = {
        "covariance of offset and gain": sign * float(line.cov_offset_gain[0]),
        "residual standard deviation": float(line.residual_sd[0]),
    }
    return (
        *own,
        _offset("offset by least squares", line, span, unit),
        gain,
        *(
            Figure(
                name=name,
                value=_number(value * span / 100),
                unit=unit,
                definition=line.definition,
                remark=line.reason(0),
            )
            for name, value in in_units.items()
        ),
        *_with_both_axes(known.line, span, unit),
    )


def _in_span(
    name: str, value: FloatArray, definition: str, reason: str, *, at: FloatArray | None = None, U: float
) -> Figure:
    """A figure in % of span."""
    return Figure(
        name=name,
        value=_number(value[0]),
        unit="% of span",
        U=_number(U) if not math.isnan(value[0]) else None,
        at_pct=None if at is None else _number(at[0]),
        definition=definition,
        remark=reason,
    )


def _of_errors(computed: Figures, known: Known) -> tuple[Figure, ...]:
    """Measured error and inaccuracy, each with the uncertainty of an error where it was found."""
    error, single = computed.measured_error, computed.inaccuracy
    found = (
        ("measured error", error.error_pct, error, error.at_pct),
        ("inaccuracy, highest", single.highest_pct, single, single.highest_at_pct),
        ("inaccuracy, lowest", single.lowest_pct, single, single.lowest_at_pct),
    )
    return tuple(
        _in_span(
            name,
            value,
            of.definition,
            of.reason(0),
            at=at,
            U=math.nan if math.isnan(at[0]) else known.near(float(at[0])),
        )
        for name, value, of, at in found
    )


def _of_lines(computed: Figures, known: Known) -> tuple[Figure, ...]:
    """What is a difference of readings of the same instruments, and zero and span."""
    pair, both = math.sqrt(2) * known.scatter, math.hypot(known.near(0), known.near(100))
    loop, spread, ends = computed.hysteresis, computed.non_repeatability, computed.zero_span
    lines = (
        ("non-linearity, independent", computed.independent),
        ("non-linearity, terminal-based", computed.terminal_based),
        ("non-linearity, zero-based", computed.zero_based),
    )
    return (
        _in_span("hysteresis", loop.hysteresis_pct, loop.definition, loop.reason(0), at=loop.at_pct, U=pair),
        _in_span("non-repeatability", spread.spread_pct, spread.definition, spread.reason(0), at=spread.at_pct, U=pair),
        *(
            _in_span(name, each.deviation_pct, each.definition, each.reason(0), at=each.at_pct, U=pair)
            for name, each in lines
        ),
        _in_span("zero error", ends.zero_pct, ends.zero_definition, ends.zero_reason(0), U=known.near(0)),
        _in_span("span error", ends.span_pct, ends.definition, ends.reason(0), U=both),
    )


def _offset(name: str, line: LineFit | KnownUncertaintyLine, span: float, unit: str) -> Figure:
    """Level of a line at 0 % of the input, in the unit of the output."""
    return Figure(
        name=name,
        value=_number(float(line.offset[0]) * span / 100),
        unit=unit,
        u=_number(float(line.u_offset[0]) * span / 100),
        at_pct=0.0,
        definition=line.definition,
        remark=line.reason(0),
    )


def _with_both_axes(line: KnownUncertaintyLine | None, span: float, unit: str) -> tuple[Figure, ...]:
    """Offset and gain of the line whose readings have uncertainties in both axes; none where they are not known."""
    if line is None:
        return ()
    return (
        _offset("offset, both axes uncertain", line, span, unit),
        Figure(
            name="gain, both axes uncertain",
            value=_number(float(line.gain[0])),
            unit="1",
            u=_number(float(line.u_gain[0])),
            definition=line.definition,
            remark=line.reason(0),
        ),
    )
