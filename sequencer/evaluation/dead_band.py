"""The dead band: how far the input may turn back before the output answers; from a step that steps back, or as stated.

ISA-51.1 takes it off the hysteresis, so it is needed there at each point in % of the output span.
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from sequencer.evaluation.judgement import steps_shown
from sequencer.inputs.step import DEAD_BAND
from sequencer.inputs.tolerance import carried
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.readings.table import valid_rows

__all__ = ["DeadBand", "dead_band_pct", "dead_bands"]

# Standard deviations of the difference of two means; what scatters by so much is no change.
_DETECTED = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadBand:
    """The dead band at one place, % of the input span; NaN = the output never answered.

    Attributes:
        at_pct: where the input turned back, % of its range.
        band_pct: the largest of the repeats.
        within_pct: half the interval in which that one lies: one step, and what is no detectable change.
        repeats_pct: of each repeat.
        most_pct: how far the input turned back at most.
    """

    at_pct: float
    band_pct: float
    within_pct: float
    repeats_pct: tuple[float, ...]
    most_pct: float


def dead_band_pct(
    table: pd.DataFrame, type_sheet: TypeSheet, sheet: DataSheet, setpoint_pct: FloatArray
) -> FloatArray | None:
    """The dead band at each point in % of the output span: the largest measured, else as stated.

    None where there is neither, NaN where a step did not find it.

    Args:
        table: tidy, of one unit.
        type_sheet: may state one.
        sheet: the same unit as numbers.
        setpoint_pct: shape (points,), % of the input range.
    """
    measured = dead_bands(table, sheet)
    band = type_sheet.dead_band
    if measured:
        band = max((each.band_pct for each in measured), key=lambda pct: math.inf if math.isnan(pct) else pct) / 100
    if band is None:
        return None
    first, last = sheet.taps[0], sheet.taps[-1]
    x = first.value(setpoint_pct / 100)
    if math.isnan(band):
        return np.full(x.shape, math.nan)
    return np.asarray(100 * carried(sheet, x, np.full(x.shape, band * abs(first.span))) / abs(last.span))


def dead_bands(table: pd.DataFrame, sheet: DataSheet) -> tuple[DeadBand, ...]:
    """The dead band at each place where a step looked for it; () where none did.

    Args:
        table: tidy, of one unit.
        sheet: of the unit.

    At each place the input comes from below, then goes back in small steps. The dead band lies between the last travel
    whose output does not differ from that at the turn and the first from which on it does (ISA-51.1 and IEC 61298-2,
    from memory). A change is more than three standard deviations of the scatter, and more than a step of the digits.
    """
    rows = valid_rows(table[table["role"] == DEAD_BAND])
    if rows.empty:
        return ()
    last, first = sheet.taps[-1], sheet.taps[0]
    at_output, at_input = (rows[rows["tap"] == tap.name] for tap in (last, first))
    if at_output.empty:
        return ()
    visits = at_output.groupby("number").agg(
        direction=("direction", "first"),
        setpoint_pct=("setpoint_pct", "first"),
        output=("value", "mean"),
        sd=("value", "std"),
        readings_n=("value", "count"),
    )
    measured = 100 * first.fraction(at_input.groupby("number")["value"].mean().reindex(visits.index).to_numpy())
    visits["input_pct"] = np.where(np.isnan(measured), visits["setpoint_pct"], measured)
    least = _least_change(visits, steps_shown(at_output).get(last.name, 0.0))
    found: dict[float, list[tuple[float, float, float]]] = {}
    for _, part in visits.groupby((visits["direction"] == "up").cumsum()):
        slope = float(carried(sheet, first.value(part["input_pct"].to_numpy()[:1] / 100), np.full(1, 1.0))[0])
        blind_pct = 100 * least / slope / abs(first.span) if slope > 0 else math.inf
        found.setdefault(float(part["setpoint_pct"].iloc[0]), []).append(_of_one(part, least, blind_pct))
    return tuple(_largest(at_pct, repeats) for at_pct, repeats in found.items())


def _least_change(visits: pd.DataFrame, step: float) -> float:
    """The least change of the output, in its unit, that is one."""
    free = np.maximum(visits["readings_n"] - 1, 0)
    pooled = math.sqrt(float((visits["sd"].fillna(0.0) ** 2 * free).sum()) / max(float(free.sum()), 1.0))
    scatter = _DETECTED * pooled * math.sqrt(2 / max(float(visits["readings_n"].min()), 1.0))
    return max(scatter, step * (1 + 1e-9))


def _of_one(visits: pd.DataFrame, least: float, blind_pct: float) -> tuple[float, float, float]:
    """Dead band of one way back, half of its interval, and how far it went; NaN where the output never answered.

    Args:
        visits: the turn first.
        least: change of the output that is one.
        blind_pct: travel of an input that is followed, whose change is none yet.
    """
    travel = np.abs(visits["input_pct"].to_numpy() - visits["input_pct"].iloc[0])
    is_still = ~(np.abs(visits["output"].to_numpy() - visits["output"].iloc[0]) > least)
    still = int(np.flatnonzero(is_still)[-1])
    most = float(travel[-1])
    if still == len(travel) - 1:
        return math.nan, math.nan, most
    low, high = max(float(travel[still]) - blind_pct, 0.0), float(travel[still + 1])
    return (low + high) / 2, (high - low) / 2, most


def _largest(at_pct: float, repeats: list[tuple[float, float, float]]) -> DeadBand:
    """The place with its repeats; one that never answered is larger than any."""
    band, within, _ = max(repeats, key=lambda each: math.inf if math.isnan(each[0]) else each[0])
    return DeadBand(
        at_pct=at_pct,
        band_pct=band,
        within_pct=within,
        repeats_pct=tuple(each[0] for each in repeats),
        most_pct=max(each[2] for each in repeats),
    )
