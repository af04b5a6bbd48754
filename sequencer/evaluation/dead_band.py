"""The dead band: how far the input may turn back before the output answers; looked for by a step, or as stated.

ISA-51.1 takes it off the hysteresis, so it is needed there at each point in % of the output span.
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from sequencer.evaluation.searched import Place, places, settings_n
from sequencer.evaluation.threshold import Found, Wanted, found_of
from sequencer.inputs.step import DEAD_BAND, Receivers
from sequencer.inputs.tolerance import carried
from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["CONFIDENCE", "START", "WITHIN", "DeadBand", "dead_band_pct", "dead_bands", "wanted_of"]

START = ("direction", "up")
"""Column, and what it says of a visit from which the input turns back."""
CONFIDENCE, WITHIN = 0.95, 0.1
_STICKS, _HAS_PLAY = 0.75, 0.25  # of the travel, that the output makes up at the first answer


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadBand:
    """The dead band at one place, % of the input span; NaN = not determinable.

    Attributes:
        at_pct: where the input turned back, % of its range.
        band_pct: the middle of the interval.
        within_pct: half the interval.
        low_pct: its lower end; 0 = the output may answer at once.
        high_pct: its upper end.
        confidence: that the interval holds the dead band, at all places together.
        repeats_pct: of each approach that found it by itself: the longest travel without, the first with an answer.
        most_pct: how far the input turned back at most.
        is_never: the output stayed where it was that far; False with NaN = noise hides whether it did.
        is_steady: every approach is explained by one dead band; else it is the largest of them.
        manner: what follows: "sticks and jumps", "play", "" = neither can be told.
        follows: at most that share of the longest travel that was answered is seen at the output; NaN = none was.
        noise_pct: standard deviation of a reading.
        is_noise_bound: noise and digits, and not what was wanted, make the interval as wide as it is.
        is_wandering: the output drifted or wandered while it was searched, more than its noise explains.
        settings_n: how often the input was set and read there.
        limit_pct: that it is to keep; None = there is none.
    """

    at_pct: float
    band_pct: float
    within_pct: float
    low_pct: float
    high_pct: float
    confidence: float
    repeats_pct: tuple[tuple[float, float], ...]
    most_pct: float
    is_never: bool
    is_steady: bool
    manner: str
    follows: float
    noise_pct: float
    is_noise_bound: bool
    is_wandering: bool
    settings_n: int
    limit_pct: float | None = None

    @property
    def middle_pct(self) -> float:
        """The middle of the interval."""
        return self.band_pct


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


def dead_bands(
    table: pd.DataFrame,
    sheet: DataSheet,
    *,
    receivers: Receivers | None = None,
    wanted: Wanted | None = None,
) -> tuple[DeadBand, ...]:
    """The dead band at each place where a step looked for it; () where none did.

    Args:
        table: tidy, of one unit.
        sheet: of the unit.
        receivers: of what reads each tap; None = what digits the readings have.
        wanted: what was looked for; None = as finely and as far as the travels went.

    At each place the input comes from below, then goes back, farther each time, until the output answers. It is the
    largest travel without a detectable change (ISA-51.1 and IEC 61298-2, from memory). A walk in fixed steps is read
    the same way as a search.
    """
    found: list[DeadBand] = []
    rows = table[table["role"] == DEAD_BAND]
    for _, part in rows.groupby("step"):
        seen = [each for each in places(part, sheet, start=START, receivers=receivers or {}) if each.visits]
        found += [
            _dead_band(place, wanted or wanted_of(place, len(seen)), len(seen))
            for place in seen
            if any(not each.is_reference for each in place.visits)
        ]
    return tuple(found)


def wanted_of(place: Place, places_n: int) -> Wanted:
    """What a table that does not say so looked for: as finely and as far as it went."""
    travels = [each.travel for each in place.visits if not each.is_reference] or [0.0]
    return Wanted(alpha=(1 - CONFIDENCE) / places_n, within=WITHIN, floor=min(travels), most=max(travels))


def _dead_band(place: Place, wanted: Wanted, places_n: int) -> DeadBand:
    found = found_of(place.visits, place.digit, wanted)
    return DeadBand(
        at_pct=place.at_pct,
        band_pct=(found.low + found.high) / 2,
        within_pct=(found.high - found.low) / 2,
        low_pct=found.low,
        high_pct=found.high,
        confidence=1 - wanted.alpha * places_n,
        repeats_pct=found.repeats,
        most_pct=found.most,
        is_never=found.is_never,
        is_steady=found.is_steady,
        manner=_manner(found),
        follows=found.follows,
        noise_pct=found.noise.sd,
        is_noise_bound=found.is_noise_bound,
        is_wandering=found.noise.is_wandering,
        settings_n=settings_n(place.visits),
    )


def _manner(found: Found) -> str:
    """How it goes on from the dead band: whether the output makes up the travel it missed."""
    if found.low <= 0 or not found.high > 0:
        return ""
    if found.jumps > _STICKS:
        return "sticks and jumps"
    return "play" if found.jumps < _HAS_PLAY else ""
