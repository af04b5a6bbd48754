"""Whether readings lie on steps: which ones, and where the first of them lies."""

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.model.priors import PRIORS

__all__ = ["STEPS_PARTS_N", "lattice", "most_steps"]

STEPS_PARTS_N = 10
"""Steps that are looked for, for each whole number of them in the range."""
_MOST_N, _KEPT_N, _FEWEST_N, _LEAST_UNEVEN_N, _AS_GOOD, _TINY = 600.0, 4, 5, 4, 3.0, 1e-12


def most_steps(tolerance: float) -> float:
    """The narrowest steps that are no ordinary resolution, as their number in the range."""
    return min(1 / max(PRIORS.steps.narrowest * tolerance, _TINY), _MOST_N)


def lattice(seen: FloatArray, asked: FloatArray, setpoint: FloatArray, tolerance: float) -> FloatArray:
    """Steps that readings lie on, and by how much the first one lies beside the end of the range; shape (steps, 2).

    Args:
        seen: what was read, as fraction; shape (visits,).
        asked: what an ideal unit gives there.
        setpoint: what was to be set, as fraction of the input range.
        tolerance: half width that is allowed, as fraction.
    """
    tried = 1 / np.arange(2.0, most_steps(tolerance), 1 / STEPS_PARTS_N)
    # Few levels lie on some steps whatever they are, however often each was read.
    places_n = 1 + int((np.diff(np.sort(asked)) > PRIORS.levels.level_frac).sum())
    if places_n < _FEWEST_N or not tried.size:
        return np.zeros((0, 2))
    prior = PRIORS.steps
    count = np.round(seen / tried[:, np.newaxis])
    away = count - count.mean(axis=1, keepdims=True)
    step = (away @ seen) / np.maximum((away**2).sum(axis=1), _TINY)
    rest = seen - step[:, np.newaxis] * count
    beside = rest.mean(axis=1)
    off = rest.std(axis=1)
    is_on = off < np.clip(prior.off_tolerance * tolerance, prior.off_least * tried, prior.off_most * tried)
    is_on &= (np.abs(beside) < prior.beside * tolerance) & _is_uneven(count, asked) & _is_uneven(count, setpoint)
    if not is_on.any():
        return np.zeros((0, 2))
    # What lies on steps lies on their halves and thirds as well: the widest of those that fit about as well.
    part = off / tried
    is_on &= part < max(_AS_GOOD * float(part[is_on].min()), prior.off_exact)
    _, first = np.unique(np.round(1 / step[is_on], 1), return_index=True)  # each number of steps once, the fewest first
    return np.stack((step[is_on][first[:_KEPT_N]], beside[is_on][first[:_KEPT_N]]), axis=1)


def _is_uneven(count: FloatArray, asked: FloatArray) -> "np.typing.NDArray[np.bool_]":
    """Whether steps are passed unevenly, now more and now fewer: so do no even setpoints, whatever bends the output."""
    at, place = np.unique(np.round(asked / PRIORS.levels.level_frac).astype(np.int64), return_inverse=True)
    if at.size < _FEWEST_N:
        return np.zeros(len(count), dtype=bool)
    is_there = np.eye(at.size)[place.ravel()]
    level = (count @ is_there) / is_there.sum(axis=0)
    moved = np.diff(at)
    passed = np.diff(level, axis=1) / moved * float(np.median(moved))
    # At a limit it stands still for another reason.
    is_end = (level == level.max(axis=1, keepdims=True)) | (level == level.min(axis=1, keepdims=True))
    passed = np.where(is_end[:, :-1] & is_end[:, 1:], np.nan, passed)
    changed = np.abs(np.diff(passed, axis=1)) > PRIORS.steps.uneven
    return np.asarray(changed.sum(axis=1) >= max(_LEAST_UNEVEN_N, PRIORS.steps.uneven_share * moved.size))
