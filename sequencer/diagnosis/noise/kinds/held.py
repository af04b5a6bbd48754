"""Display steps: a display, converter or bus that shows a value again, or moves through its steps slowly."""

import math

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.fitting import show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise
from sequencer.diagnosis.noise.kinds.telegraph import TELEGRAPH

__all__ = ["HELD", "held_fit", "stairs_fit"]

_ALIKE = 5.0  # standard errors by which neighbours are alike
_SELDOMER_NATS = 1.5  # something slow on just two steps is seldomer (no source)


def held_fit(burst: Burst, held_n: int) -> BurstFit:
    """Each value is shown `held_n` times."""
    shown_n = max(len(burst.y) // held_n, 1)
    step = f" in steps of {show(burst.resolution, burst.unit)}" if burst.resolution else ""
    return BurstFit(
        kind="display steps",
        log_evidence=0.0,
        words=f"each value{step} stands for about {held_n} readings ({sized(held_n * burst.interval_s, 2)} s): "
        f"{len(burst.y)} readings are worth {shown_n}",
        size=burst.resolution or math.nan,
    )


def stairs_fit(burst: Burst) -> BurstFit | None:
    """Readings that stay on a step of the resolution and move on by the next; None where they flicker."""
    about = burst.y - burst.y.mean()
    alike = float(about[1:] @ about[:-1]) / float(about @ about)
    if alike * math.sqrt(len(about)) < _ALIKE:
        return None
    levels = np.unique(np.round(burst.y / burst.resolution))
    stays_n = len(about) / (1 + np.count_nonzero(np.diff(burst.y)))
    return BurstFit(
        kind="display steps",
        log_evidence=0.0,
        words=f"{len(levels)} levels of the last digit ({show(burst.resolution, burst.unit)}), "
        f"{sized(stays_n, 2)} readings on each before the next: something slow, finer than is shown",
        size=burst.resolution,
    )


def _two_steps(burst: Burst) -> tuple[BurstFit, ...]:
    """Two levels without noise, where no finer resolution is known: random telegraph noise, or steps of a display."""
    levels = np.unique(burst.y)
    if burst.resolution or len(levels) != 2:
        return ()
    return tuple(
        BurstFit(
            kind="display steps",
            log_evidence=fit.log_evidence - _SELDOMER_NATS,
            words=f"two steps of {show(float(np.ptp(levels)), burst.unit)} with no noise on them",
            size=float(np.ptp(levels)),
        )
        for fit in TELEGRAPH.fit_burst(burst)
    )


HELD = KindOfNoise(
    name="display steps",
    cause="a display, converter or bus that is slower than it is read, or coarser than what moves",
    check="read no faster than it is renewed; a finer range; the readings between two renewals add nothing",
    fit_burst=_two_steps,  # what is shown again is looked for before any kind of noise is
    may_come_with_drive=True,
)
