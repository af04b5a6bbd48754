"""The figures of one unit as they are printed: name, value, unit, uncertainty, place, definition."""

import math
from dataclasses import dataclass, replace

from instruments.datasheet import FloatArray
from sequencer.evaluation.both_axes import BothAxes
from sequencer.evaluation.covariance import Covariance
from sequencer.evaluation.figure_uncertainty import FigureUncertainty
from sequencer.evaluation.figures.accuracy import Inaccuracy, MeasuredError
from sequencer.evaluation.figures.figures import Figures
from sequencer.evaluation.figures.hysteresis import Hysteresis
from sequencer.evaluation.figures.linearity import NonLinearity
from sequencer.evaluation.figures.repeatability import NonRepeatability

__all__ = ["Figure", "Known", "printed"]

_Largest = MeasuredError | Inaccuracy | Hysteresis | NonRepeatability | NonLinearity
_SIGNED = {"measured error", *(f"non-linearity, {kind}" for kind in ("independent", "terminal-based", "zero-based"))}
_WITH_COVARIANCE = "least squares, U from the covariance of all readings"
_NOTHING_STATED = "u from scatter alone: nothing is stated of the instruments"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure as it is printed.

    Args:
        name: its name in the standard.
        value: None = not determinable, then `remark` says why.
        unit: of the value.
        u_scatter: the part of the standard uncertainty that scatter makes (type A), same unit; None where none is
            given.
        U: expanded uncertainty with all that is known, same unit; None where it is not known, or the interval is not
            symmetrical.
        low: lower end of the interval for the unit itself, same unit; None where none is known.
        high: upper end.
        by_noise: of a largest value: what noise alone gives in half of all runs; None where it does not matter.
        corrected: of a largest value: the unit's own, without what noise adds; None likewise.
        at_pct: input in % of range where it was found; None where it belongs to the whole range.
        definition: whose definition it follows.
        remark: why it is not determinable, or what belongs beside it.
    """

    name: str
    value: float | None
    unit: str
    u_scatter: float | None = None
    U: float | None = None
    low: float | None = None
    high: float | None = None
    by_noise: float | None = None
    corrected: float | None = None
    at_pct: float | None = None
    definition: str = ""
    remark: str = ""


def _number(value: float) -> float | None:
    return float(value) + 0.0 if math.isfinite(value) else None  # never "-0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of the figures beside the readings; None where nothing is stated of the instruments.

    `said` is what the tests of scatter found, a sentence each. The covariance is then that of scatter and digits alone;
    None where nothing was read twice.
    """

    covariance: Covariance | None = None
    said: tuple[str, ...] = ()
    of_figures: FigureUncertainty | None = None
    line: BothAxes | None = None


def printed(computed: Figures, span: float, unit: str, *, sign: float, known: Known) -> tuple[Figure, ...]:
    """The figures of the one unit as they are printed.

    Args:
        computed: the figures as arrays, one unit.
        span: of the output, in `unit`.
        unit: of the output.
        sign: -1 for a reversed output.
        known: their uncertainty.
    """
    share = span / 100
    line = computed.line
    in_units = {
        "covariance of offset and gain": sign * float(line.cov_offset_gain[0]),
        "residual standard deviation": float(line.residual_sd[0]),
    }
    return (
        *_largest(computed, known),
        *_of_ends(computed, known),
        _of_line(
            "offset by least squares",
            float(line.offset[0]),
            unit,
            computed,
            known,
            scale=share,
            u=float(line.u_offset[0]),
        ),
        _of_line(
            "gain by least squares",
            1 + sign * float(line.gain[0]),
            "1",
            computed,
            known,
            scale=1.0,
            u=float(line.u_gain[0]),
        ),
        *(
            Figure(
                name=name,
                value=_number(value * share),
                unit=unit,
                definition=line.definition,
                remark=line.reason(0),
            )
            for name, value in in_units.items()
        ),
        *_with_both_axes(known.line, share, unit),
    )


def _largest(computed: Figures, known: Known) -> tuple[Figure, ...]:
    """What is a largest value: as its standard defines it, and beside it what noise makes of it."""
    error, single = computed.measured_error, computed.inaccuracy
    loop, spread = computed.hysteresis, computed.non_repeatability
    lines = (computed.independent, computed.terminal_based, computed.zero_based)
    found: tuple[tuple[str, FloatArray, _Largest, FloatArray], ...] = (
        ("measured error", error.error_pct, error, error.at_pct),
        ("inaccuracy, highest", single.highest_pct, single, single.highest_at_pct),
        ("inaccuracy, lowest", single.lowest_pct, single, single.lowest_at_pct),
        ("hysteresis", loop.hysteresis_pct, loop, loop.at_pct),
        ("non-repeatability", spread.spread_pct, spread, spread.at_pct),
        *((f"non-linearity, {each.kind}", each.deviation_pct, each, each.at_pct) for each in lines),
    )
    return tuple(
        _with_interval(
            Figure(
                name=name,
                value=_number(value[0]),
                unit="% of span",
                at_pct=_number(at[0]),
                definition=of.definition,
                remark=of.reason(0),
            ),
            known,
        )
        for name, value, of, at in found
    )


def _with_interval(figure: Figure, known: Known) -> Figure:
    extreme = None if known.of_figures is None else known.of_figures.extremes.get(figure.name)
    if figure.value is None or extreme is None:
        return figure
    low, high, corrected = extreme.low, extreme.high, extreme.corrected
    if figure.name in _SIGNED and low <= 0:  # a size that may be nothing has no sign that is sure
        low = -high
    if figure.value < 0 and not figure.name.startswith("inaccuracy"):  # found as a size, printed with its sign
        low, high, corrected = -high, -low, -corrected
    return replace(
        figure,
        low=_number(low),
        high=_number(high),
        by_noise=_number(extreme.by_noise),
        corrected=_number(corrected),
    )


def _of_ends(computed: Figures, known: Known) -> tuple[Figure, ...]:
    ends = computed.zero_span
    widths = {} if known.of_figures is None else known.of_figures.widths
    found = (
        ("zero error", ends.zero_pct, ends.zero_definition, ends.zero_reason(0)),
        ("span error", ends.span_pct, ends.definition, ends.reason(0)),
    )
    return tuple(
        _with_width(
            Figure(name=name, value=_number(value[0]), unit="% of span", definition=definition, remark=reason),
            U=widths[name].U if name in widths else math.nan,
            u=widths[name].u_scatter if name in widths else math.nan,
        )
        for name, value, definition, reason in found
    )


def _with_width(figure: Figure, *, U: float, u: float) -> Figure:
    """A figure with an interval that is symmetrical about it."""
    if figure.value is None:
        return figure
    is_known = math.isfinite(U)
    return replace(
        figure,
        U=_number(U),
        u_scatter=_number(u),
        low=figure.value - U if is_known else None,
        high=figure.value + U if is_known else None,
    )


def _of_line(name: str, value: float, unit: str, computed: Figures, known: Known, *, scale: float, u: float) -> Figure:
    """Offset or gain by least squares; where nothing is stated, with what the residuals say, and that it is no more."""
    line = computed.line
    figure = Figure(
        name=name,
        value=_number(value * scale),
        unit=unit,
        at_pct=0.0 if scale != 1.0 or name.startswith("offset") else None,
        definition=line.definition,
        remark=line.reason(0),
    )
    width = None if known.of_figures is None else known.of_figures.widths.get(name)
    if width is not None:
        figure = replace(figure, definition=_WITH_COVARIANCE)
        return _with_width(figure, U=scale * width.U, u=scale * width.u_scatter)
    found = _with_width(figure, U=math.nan, u=scale * u)
    return replace(found, remark=found.remark or _NOTHING_STATED) if found.u_scatter is not None else found


def _with_both_axes(line: BothAxes | None, share: float, unit: str) -> tuple[Figure, ...]:
    """Offset and gain of the line whose readings have uncertainties in both axes; none where they are not known."""
    if line is None:
        return ()
    offset = Figure(
        name="offset, both axes uncertain",
        value=_number(line.offset * share),
        unit=unit,
        at_pct=0.0,
        definition=line.definition,
    )
    gain = Figure(name="gain, both axes uncertain", value=_number(line.gain), unit="1", definition=line.definition)
    return (
        _with_width(offset, U=line.U_offset * share, u=line.u_scatter[0] * share),
        _with_width(gain, U=line.U_gain, u=line.u_scatter[1]),
    )
