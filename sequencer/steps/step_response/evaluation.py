"""Step responses of a table: each move with all its repeats. The table in, typed results out."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, Tap
from sequencer.evaluation.figures.step_response import Answer, Doubt, Estimate, StepRecord, step_response
from sequencer.inputs.step import Seen
from sequencer.readings.table import valid_rows
from sequencer.steps.step_response.roles import JUMP, START

__all__ = ["FIGURES", "Move", "moves_of"]

FIGURES = ("dead_time", "T63", "rise", "settling", "overshoot")
"""Names of the figures of an answer, in order."""
_HELD_FRAC = 0.2
"""Share of a record that the output has to stay settled for, where nobody says."""
_LONGEST_GAP_S = 10.0
"""From the last reading at rest to the step; after more the run was interrupted there, and the input was elsewhere."""
_INTERRUPTED = Doubt(kind="interrupted", words="interrupted: the input did not come from rest at its start")
# NE 43: 3.8 to 20.5 mA is measuring information, and many outputs are held there (from memory).
_LIVE_ZERO_mA, _HELD_mA = (4.0, 20.0), (3.8, 20.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One move of the input with its repeats.

    Attributes:
        step: number of the step in the sequence.
        from_pct, to_pct: of the input range.
        tap: that was read.
        unit: of its readings.
        band_frac: half width of the settling band, in fractions of the step.
        hold_s: how long the output has to stay inside.
        aperture_s: time of one reading.
        late_s: by how much the input may have moved later than the time it was set at.
        answers: one a repeat.
        left_out_n: repeats that were interrupted between rest and the end of the record, and have no answer.
        limits: figure and the most that it may be, in s or as a fraction of the step.
    """

    step: int
    from_pct: float
    to_pct: float
    tap: str
    unit: str
    band_frac: float
    hold_s: float
    aperture_s: float
    late_s: float
    answers: tuple[Answer, ...]
    left_out_n: int = 0
    limits: tuple[tuple[str, float], ...] = ()

    def estimate(self, figure: str) -> Estimate:
        """A figure over the repeats, from what is best known of each."""
        return together([answer.estimate(figure) for answer in self.answers])

    def direct(self, figure: str) -> Estimate:
        """The same straight from the readings."""
        found = [getattr(answer.direct, figure, None) for answer in self.answers if answer.direct is not None]
        known = [each for each in found if each is not None]
        return together(known) if known else Estimate(reason=self.why)

    def fitted(self, figure: str) -> Estimate:
        """The same of the fitted system."""
        found = [getattr(answer.fitted, figure) for answer in self.answers if answer.fitted is not None]
        return together(found) if found else Estimate(reason="no system fits")

    @property
    def why(self) -> str:
        """Why there is no figure at all."""
        return next((doubt.words for answer in self.answers for doubt in answer.doubts), "too few readings")

    @property
    def shown(self) -> Answer:
        """The repeat that is drawn: the first with a system, else the first."""
        return next((answer for answer in self.answers if answer.fitted is not None), self.answers[0])


def together(found: list[Estimate]) -> Estimate:
    """Repeats as one: the mean; where one has no value there is none, since that one may be the worst.

    The uncertainty is that of one repeat, by its record or by how the repeats differ: what they share (the instant, the
    aperture) does not go with their number.
    """
    unknown = [each for each in found if not each.is_known]
    if unknown:
        bounds = [each.at_most if not each.is_known else each.value + 2 * each.u for each in found]
        bound = max(bounds) if all(math.isfinite(each) for each in bounds) else math.nan
        return Estimate(at_most=bound, reason=unknown[0].reason)
    values = np.array([each.value for each in found])
    u = math.sqrt(float(np.mean([each.u**2 for each in found])))
    scatter = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    return Estimate(value=float(values.mean()), u=max(u, scatter))


def moves_of(seen: Seen) -> tuple[Move, ...]:
    """Every move of a table, in order; repeats that were not finished are left out."""
    rows = valid_rows(seen.rows(START, JUMP))
    taps = {tap.name: tap for tap in seen.sheet.taps}
    found = []
    for _, part in rows[rows["role"] == JUMP].groupby(["step", "point"], sort=False):
        number, point = int(part["step"].iloc[0]), int(part["point"].iloc[0])
        before = rows[(rows["step"] == number) & (rows["role"] == START) & (rows["point"] == point - 1)]
        if before.empty or "set_at_s" not in part:
            continue
        found.append(_move(part, before, taps[str(part["tap"].iloc[0])], seen, number))
    return tuple(found)


def _move(rows: pd.DataFrame, before: pd.DataFrame, tap: Tap, seen: Seen, number: int) -> Move:
    known = seen.receivers.get(tap.name, {})
    settings = seen.settings.get(number)
    band = float(getattr(settings, "band", 0.01))
    limits = getattr(settings, "at_most", None)
    aperture_s = known.get("takes_s", 0.0)
    late_s = max(float((rows.groupby("cycle")["at_s"].min() - rows.groupby("cycle")["set_at_s"].min()).max()), 0.0)
    late_s = max(late_s - aperture_s, 0.0)
    hold_s = getattr(settings, "hold", None) or _HELD_FRAC * float((rows["at_s"] - rows["set_at_s"]).max())
    answers, left_out = [], []
    for cycle, part in rows.groupby("cycle", sort=False):
        rest = before[before["cycle"] == cycle]
        record = _record(
            part,
            rest,
            known=known,
            tap=tap,
            held_at=_held_at(tap, seen.sheet),
            asked={"band_frac": band, "hold_s": hold_s, "late_s": late_s},
        )
        if _comes_from_rest(part, rest):
            answers.append(step_response(record))
        else:
            left_out.append(Answer(record=record, doubts=(_INTERRUPTED,)))
    return Move(
        step=number,
        from_pct=float(before["setpoint_pct"].iloc[0]),
        to_pct=float(rows["setpoint_pct"].iloc[0]),
        tap=tap.name,
        unit=str(rows["unit" if tap.sensor is None else "signal_unit"].iloc[0]),
        band_frac=band,
        hold_s=hold_s,
        aperture_s=aperture_s,
        late_s=late_s,
        answers=tuple(answers or left_out),
        left_out_n=len(left_out),
        limits=limits.stated if limits is not None else (),
    )


def _comes_from_rest(rows: pd.DataFrame, before: pd.DataFrame) -> bool:
    """Whether the input went from where it rested to its new level, and was not there already.

    A record that is taken again begins with the input at its end, and one after a pause somewhere else.
    """
    if before.empty or (rows["attempt"] > 1).any():
        return False
    return float(rows["set_at_s"].iloc[0] - before["at_s"].max()) <= _LONGEST_GAP_S


def _record(
    rows: pd.DataFrame,
    before: pd.DataFrame,
    *,
    known: Mapping[str, float],
    tap: Tap,
    held_at: tuple[float, ...],
    asked: Mapping[str, float],
) -> StepRecord:
    set_at_s = float(rows["set_at_s"].iloc[0])
    both = pd.concat([before, rows]).sort_values("at_s", kind="stable")
    # A correction of what is read (a shunt) is in the value; what a sensor makes of it is no straight line.
    column = "value" if tap.sensor is None else "signal"
    return StepRecord(
        times_s=both["at_s"].to_numpy(dtype=np.float64) - set_at_s,
        values=both[column].to_numpy(dtype=np.float64),
        aperture_s=known.get("takes_s", 0.0),
        resolution=known.get("resolution", 0.0),
        held_at=held_at,
        **asked,
    )


def _held_at(tap: Tap, sheet: DataSheet) -> tuple[float, ...]:
    """Levels at which the output of a unit is held; () where none is usual."""
    is_output = tap.name == sheet.taps[-1].name
    return _HELD_mA if is_output and tap.unit == "mA" and tuple(sorted((tap.low, tap.high))) == _LIVE_ZERO_mA else ()
