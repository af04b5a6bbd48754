"""When pulses come, whatever their height: a fixed threshold is crossed later by a lower pulse, half its own is not."""

import numpy as np

from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["steady_times"]

_MOST_STEPS = 1000  # samples from a threshold to half of a pulse's own height
_STEEP = 1.5  # times as steep as the other edge
_MOST_N = 200_000  # pulses; of more the threshold's own time must do


def steady_times(values: FloatArray, times_s: FloatArray, rising: IntArray, falling: IntArray) -> FloatArray:
    """When each pulse crosses half of its own height, of both edges together as they are steep, shape (n,).

    The weight of an edge goes with the square of its steepness. Of a pulse of a coil, which rests between bottom and
    top, only the edge from top to bottom crosses the middle at a time of its own: what is much steeper counts alone.

    Args:
        values: shape (m,).
        times_s: shape (m,).
        rising: places of rising edges, the first samples above a threshold, shape (n,).
        falling: places of falling edges, the first samples below a threshold, in turn with these.
    """
    if not len(rising) or len(rising) > _MOST_N:
        return np.asarray(times_s[rising], dtype=np.float64)
    tops, bottoms = np.maximum.reduceat(values, rising), np.minimum.reduceat(values, rising)
    before = np.insert(bottoms[:-1], 0, float(values[: max(int(rising[0]), 1)].min()))
    up_s, up = _crossed(values, times_s, rising, (tops + before) / 2, sign=1)
    ends = np.searchsorted(falling, rising, side="right")
    is_there = ends < len(falling)
    if not is_there.any():
        return up_s
    ends = falling[np.minimum(ends, len(falling) - 1)]
    down_s, down = _crossed(values, times_s, ends, (tops + bottoms) / 2, sign=-1)
    up_step, down_step = float(np.median(up[is_there])), float(np.median(down[is_there]))
    if max(up_step, down_step) > _STEEP * min(up_step, down_step):
        weight = float(down_step > up_step)
    else:  # noise moves an edge by itself over its slope
        weight = down_step**2 / max(up_step**2 + down_step**2, 1e-300)
    high_s = down_s - up_s
    high_s = np.where(is_there, high_s, np.median(high_s[is_there]))  # the record ends within the last pulse
    low_s = up_s[1:] - (up_s + high_s)[:-1]
    if len(low_s) and _spread(low_s) < _spread(high_s):  # a mark is what lasts alike, here below
        return np.asarray(up_s - weight * np.insert(low_s, 0, np.median(low_s)))
    return np.asarray(up_s + weight * high_s)


def _spread(lasts_s: FloatArray) -> float:
    return float(np.std(lasts_s)) / max(float(np.mean(lasts_s)), 1e-300)


def _crossed(
    values: FloatArray, times_s: FloatArray, places: IntArray, levels: FloatArray, *, sign: int
) -> tuple[FloatArray, FloatArray]:
    """When each level is crossed nearest to a place, and how far the sample that does goes; `sign` of the edge."""
    at, last = np.clip(places, 1, len(values) - 1), len(values) - 1
    for way in (-1, 1):
        active = np.arange(len(at))
        for _ in range(_MOST_STEPS):
            # Back while the sample before lies beyond the level, onward while this one does not.
            here = values[at[active] + min(way, 0)] - levels[active]
            is_on = here * sign > 0 if way < 0 else here * sign <= 0
            active = active[is_on & (at[active] > 1) & (at[active] < last)]
            if not len(active):
                break
            at[active] += way
    step = values[at] - values[at - 1]
    share = np.clip((levels - values[at - 1]) / np.where(step == 0, 1.0, step), 0.0, 1.0)
    return times_s[at - 1] + share * (times_s[at] - times_s[at - 1]), np.abs(step)
