"""Captures of a table: many readings of one tap at a settled point, and what their noise is.

The table in, typed results out; no figure and no verdict is touched by them.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet, FloatArray
from instruments.errors import ReadingsError
from sequencer.diagnosis.causes.pulses import are_counted
from sequencer.diagnosis.noise.burst import BurstNoise, noise_of
from sequencer.diagnosis.noise.drive import DriveEffect, DriveLine, drive_effect, drive_line
from sequencer.inputs.step import BURST_ROLES, QUIET_BURST, Receivers
from sequencer.readings.table import valid_rows

__all__ = ["Burst", "Capture", "captures"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """Readings of one tap in a row.

    Attributes:
        drive: "on" or "off".
        times_s: shape (n,), since the first.
        values: shape (n,), as the meter gave them, in the unit of the capture.
        noise: what they say; None where they were too few, then `reason` says so.
    """

    drive: str
    times_s: FloatArray
    values: FloatArray
    noise: BurstNoise | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """What was captured at one place.

    Attributes:
        setpoint_pct: % of the input range.
        tap: that was read.
        unit: of its signal.
        span: of its signal, > 0.
        bursts: with the drive off first, where it was.
        effect: of the drive; None where it was not switched off.
    """

    setpoint_pct: float
    tap: str
    unit: str
    span: float
    bursts: tuple[Burst, ...]
    effect: DriveEffect | None

    @property
    def line(self) -> DriveLine | None:
        """The line that comes with the drive; None where there is none, or the drive was not switched off."""
        if self.effect is None:
            return None
        noise = self.bursts[-1].noise
        if noise is None or noise.best.kind != "periodic disturbance" or not np.isfinite(noise.best.rate_Hz):
            return None
        off, on = ((burst.values, burst.times_s) for burst in self.bursts)  # noqa: PD011  no table
        return drive_line(off, on, noise.best.rate_Hz)


def captures(table: pd.DataFrame, sheet: DataSheet, receivers: Receivers) -> tuple[Capture, ...]:
    """Every capture in a table, in order.

    Args:
        table: tidy, of one unit.
        sheet: of the unit.
        receivers: of what reads each tap.
    """
    rows = valid_rows(table[table["role"].isin(BURST_ROLES)])
    taps = {tap.name: tap for tap in sheet.taps}
    found = []
    for name, part in _places(rows):
        tap = taps[name]
        known = receivers.get(name, {})
        unit = str(part["signal_unit"].iloc[0])
        is_counted = are_counted(sheet.taps[: sheet.taps.index(tap) + 1])
        bursts = [
            _burst(part[part["role"] == role], unit, known, is_counted=is_counted)
            for role in BURST_ROLES
            if (part["role"] == role).any()
        ]
        ends = tap.to_signal(np.array([tap.low, tap.high]))
        effect = None
        if len(bursts) == 2 and all(each.noise for each in bursts):
            off, on = bursts
            effect = drive_effect(off.values, on.values, resolution=known.get("resolution", 0.0))
        found.append(
            Capture(
                setpoint_pct=float(part["setpoint_pct"].iloc[0]),
                tap=tap.name,
                unit=unit,
                span=abs(float(ends[1] - ends[0])),
                bursts=tuple(bursts),
                effect=effect,
            )
        )
    return tuple(found)


def _places(rows: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Tap and readings of each capture, those with the drive off beside those with it on, whatever the steps are named.

    Where a step has only one of them, the other is the nearest one at that tap and setpoint that has none of its own.
    """
    found = [(str(name), part) for (_step, _point, name), part in rows.groupby(["step", "point", "tap"], sort=False)]
    roles = [set(part["role"]) for _, part in found]
    places = [(name, float(part["setpoint_pct"].iloc[0])) for name, part in found]
    quiet = [at for at, each in enumerate(roles) if each == {QUIET_BURST}]
    used, joined = set(), {}
    for at, (name, part) in enumerate(found):
        joined[at] = (name, part)
        if QUIET_BURST in roles[at]:
            continue
        others = [each for each in quiet if places[each] == places[at]]
        if others:
            nearest = min(others, key=lambda each: abs(each - at))
            used.add(nearest)
            joined[at] = name, pd.concat((found[nearest][1], part))
    return [each for at, each in joined.items() if at not in used]


def _burst(rows: pd.DataFrame, unit: str, known: Mapping[str, float], *, is_counted: bool) -> Burst:
    values, at_s = (rows[name].to_numpy(dtype="float64") for name in ("signal", "at_s"))
    noise, reason = None, ""
    try:
        noise = noise_of(
            values,
            at_s,
            unit=unit,
            resolution=known.get("resolution", 0.0),
            aperture_s=known.get("takes_s", 0.0),
            is_counted=is_counted,
        )
    except ReadingsError as error:
        reason = error.what
    drive = "off" if rows["role"].iloc[0] == QUIET_BURST else "on"
    return Burst(drive=drive, times_s=at_s - at_s[0], values=values, noise=noise, reason=reason)
