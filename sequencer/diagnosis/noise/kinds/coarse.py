"""Coarse steps: every reading of a run is a whole number of steps, what the unit should give, rounded.

A burst at one point shows it as flicker between two levels, or not at all.
"""

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.densities import log_cdf, log_normal
from sequencer.diagnosis.noise.kinds.flicker import FLICKER
from sequencer.diagnosis.noise.kinds.kind import KindOfNoise, Run, RunFit
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["COARSE"]

_FEWEST_LEVELS = 3  # fewer lie on a lattice of any spacing
_LEVEL_SHARE, _LEVELS_N = 0.5, 8  # more levels than so many of the readings, and so many besides, are no lattice
_LEVEL_SDS = 2  # what lies that near, in the smallest noise, is one level
_PLACE_DIGITS = 7  # of a fraction of span
_GAP_SDS = 4  # a gap between two levels, in the smallest noise
_PARTS_N = 60  # the smallest gap may be so many steps
_STEP_SDS, _STEP_SHARE = 8, 0.4  # a step: in the smallest noise, and as a share of the tolerance that matters
_ON_STEP, _OFF_SDS = 0.98, 4  # of the readings lie that near a whole number of steps
_BLUR_SHARE = 0.3  # of the tolerance: what a good unit may be off
_NOISE_SDS = 1.5  # noise beneath, in the smallest noise
_TAIL = 1e-9  # probability below which the distance is told instead
# Spacing and places are taken at their best, not summed over: a spacing from some 50, its offset and how many parts,
# together one choice of 3000.
_CHOSEN_NATS = 8.0


def _fit_run(run: Run) -> RunFit | None:
    low = float(run.sds[0])
    values = run.raw[run.has] - run.zero_level
    levels = np.unique(np.round(values / (low * _LEVEL_SDS)).astype(np.int64))
    if levels.size < _FEWEST_LEVELS or levels.size > _LEVEL_SHARE * values.size + _LEVELS_N:
        return None
    gaps = np.diff(np.unique(np.round(values, _PLACE_DIGITS)))
    gaps = gaps[gaps > _GAP_SDS * low]
    if not gaps.size:
        return None
    found = []
    for parts in range(1, _PARTS_N):
        size = float(gaps.min()) / parts
        if size < max(_STEP_SDS * low, _STEP_SHARE * run.tolerance):
            break
        whole = np.round(values / size)
        size = float((whole * values).sum() / max((whole**2).sum(), 1e-12))
        off = np.abs(values - size * np.round(values / size))
        if float(np.quantile(off, _ON_STEP)) <= _OFF_SDS * low:
            found.append((_rounded(run, values, size), size))
    if not found:
        return None
    best, size = max(found)
    return RunFit(
        theta=(size,),
        log_evidence=best - _CHOSEN_NATS,
        text=f"reads in steps of {run.shown(size, 3)}, {sized(100 * size, 2)} % of span",
    )


def _rounded(run: Run, values: FloatArray, size: float) -> float:
    """Log evidence of readings that are rounded to steps, blurred by what a good unit may be off."""
    low = float(run.sds[0])
    blur = max(_BLUR_SHARE * run.tolerance, low)
    step = size * np.round(values / size)
    exact = np.broadcast_to((run.center - run.zero_level)[:, np.newaxis], run.raw.shape)[run.has]
    inside = np.exp(log_cdf((step + size / 2 - exact) / blur)) - np.exp(log_cdf((step - size / 2 - exact) / blur))
    far = np.maximum(np.abs(step - exact) - size / 2, 0.0) / blur
    # Readings of one visit are rounded together: they count once.
    visits = run.has.sum(axis=1)
    rounded = np.where(inside > _TAIL, np.log(np.maximum(inside, _TAIL)), -0.5 * far**2 + np.log(_TAIL))
    rounded /= np.repeat(visits, visits)
    return float((rounded + log_normal(values - step, _NOISE_SDS * low)).sum())


COARSE = KindOfNoise(
    name="quantisation flicker",
    cause=FLICKER.cause,
    check="step the input by a quarter of that: the reading stays, then jumps; a tenth of the tolerance is needed",
    fit_burst=FLICKER.fit_burst,
    fit_run=_fit_run,
    fault="meter resolution",
    weight=2.0,  # a range set too high is common (trade practice, no source)
    is_of_bench=True,
    may_come_with_drive=True,
    is_local=True,  # between two steps nothing moves
)
