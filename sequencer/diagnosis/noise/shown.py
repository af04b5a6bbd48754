"""Readings that a display, converter or counter shows coarser than they move: its steps, and what moves beneath."""

import math
from dataclasses import replace

import numpy as np

from sequencer.diagnosis.noise.display import moves_by_steps
from sequencer.diagnosis.noise.fitting import show
from sequencer.diagnosis.noise.kinds import KINDS_BY_NAME
from sequencer.diagnosis.noise.kinds.flicker import last_digit
from sequencer.diagnosis.noise.kinds.held import stairs_fit
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, NoiseKind
from sequencer.diagnosis.noise.kinds.white import WHITE

__all__ = ["beneath", "coarse_fit", "steps_beside"]

_DIGITS = 0.7  # sd in steps of the resolution up to which readings say nothing of anything else
_ONE_WAY: tuple[NoiseKind, ...] = ("drift", "warm-up")
_SLOW: tuple[NoiseKind, ...] = (*_ONE_WAY, "level step", "slow wander", "1/f noise")
_MOVE_ALL: tuple[NoiseKind, ...] = (*_SLOW, "mains pickup", "periodic disturbance")
_SEEN_IN_DIGITS: tuple[NoiseKind, ...] = (*_ONE_WAY, "mains pickup")  # of the rest digits make too much
_LEAST_NATS = 5.0  # that what moves beneath is likelier by than none
_BACK = 0.5  # of the moves go back the one before: on stairs few do
_PART_N = 2000  # readings that what moves is looked for in


def coarse_fit(burst: Burst) -> BurstFit | None:
    """Steps of the resolution, where nothing finer is seen; None where the readings move by more than steps."""
    y = burst.y
    is_still = 0 < y.std() <= _DIGITS * burst.resolution
    if not is_still and not moves_by_steps(y, burst.resolution):
        return None
    stairs = stairs_fit(burst)
    if stairs is None:
        return last_digit(burst) if is_still else None
    moves = np.diff(y)
    ways = np.sign(moves[np.abs(moves) > burst.resolution / 2])
    goes_back = len(ways) > 1 and float(np.mean(ways[1:] != ways[:-1])) > _BACK
    return last_digit(burst, is_still=is_still) if goes_back else stairs


def beneath(burst: Burst) -> BurstFit | None:
    """What moves all readings beneath the steps; None where nothing does. Within two steps drift and mains alone."""
    is_still = burst.y.std() <= _DIGITS * burst.resolution
    every = max(math.ceil(len(burst.y) / _PART_N), 1)
    part = replace(burst, y=burst.y[::every], t=burst.t[::every])
    # Read seldomer, mains would be seen elsewhere.
    moving = _MOVE_ALL if every == 1 else _SLOW
    in_digits = _SEEN_IN_DIGITS if every == 1 else _ONE_WAY
    names = in_digits if is_still else moving
    fits = [fit for name in names for fit in KINDS_BY_NAME[name].fit_burst(part) if not fit.is_once]
    best = max(fits, key=lambda fit: fit.log_evidence, default=None)
    white = max(fit.log_evidence for fit in WHITE.fit_burst(part))
    return best if best is not None and best.log_evidence > white + math.log(len(fits)) + _LEAST_NATS else None


def steps_beside(burst: Burst, found: BurstFit) -> BurstFit | None:
    """The steps of the resolution beside another kind, where that leaves no more than they make; else None."""
    if found.residual is None or not burst.resolution or found.kind in {"quantisation flicker", "display steps"}:
        return None
    if float(found.residual.std()) > _DIGITS * burst.resolution:
        return None
    return BurstFit(
        kind="display steps",
        log_evidence=found.log_evidence,
        words=f"in steps of {show(burst.resolution, burst.unit)}, no finer than the noise beneath",
        size=burst.resolution,
    )
