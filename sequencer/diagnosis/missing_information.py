"""What was not read, and what it would show."""

import numpy as np

from instruments.datasheet import DataSheet
from sequencer.diagnosis.model.series import Series

__all__ = ["lacking"]

_FEW_POINTS_N = 6


def lacking(series: Series, sheet: DataSheet) -> tuple[str, ...]:
    """What to read besides, each with what it would tell; empty where nothing is lacking.

    Args:
        series: the readings.
        sheet: of the unit.
    """
    return (*_taps(series, sheet), *_ways(series), *_points(series))


def _taps(series: Series, sheet: DataSheet) -> list[str]:
    is_read = [tap.name in series.value and bool(np.isfinite(series.value[tap.name]).any()) for tap in sheet.taps]
    found = []
    if not is_read[0]:
        found.append(f'Read "{sheet.taps[0].name}" too: without it an error of the source passes for one of the unit.')
    between = [f'"{tap.name}"' for tap, was_read in zip(sheet.taps[1:-1], is_read[1:-1], strict=True) if not was_read]
    if between:
        found.append(f"Read the taps between, {', '.join(between)}: without them it is not known which stage is wrong.")
    if not is_read[-1]:
        found.append(f'Read "{sheet.taps[-1].name}": what was not read cannot be judged.')
    return found


def _ways(series: Series) -> list[str]:
    has_up, has_down = bool((series.direction > 0).any()), bool((series.direction < 0).any())
    if has_up and has_down:
        if series.is_again.any():
            return []
        return ["Read both ends twice without moving the input: it distinguishes lag from hysteresis."]
    way = "Go up through the points, then down, in order"
    if has_up or has_down:
        way = f"Read the way {'down' if has_up else 'up'} too"
    return [f"{way}: without it, zero and span errors are not distinguishable from lag or backlash."]


def _points(series: Series) -> list[str]:
    found = []
    if np.unique(np.round(series.setpoint, 3)).size < _FEW_POINTS_N:
        found.append("Take eleven points: fewer than six do not distinguish a curve, a knee and a line.")
    if max((int(np.isfinite(raw).sum(axis=1).max()) for raw in series.raw.values()), default=0) < 2:
        found.append("Read each point more than once: the noise is not known, nor its kind.")
    if not series.has_times:
        found.append("Write the times down: without them drift, warm-up and lag are known in readings only.")
    return found
