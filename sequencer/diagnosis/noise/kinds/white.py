"""White noise: every reading by itself, normally distributed."""

import math

import numpy as np

from sequencer.diagnosis.noise.fitting import cost, expanded_of_mean, gaussian, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise

__all__ = ["WHITE"]


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    y, unit = burst.y, burst.unit
    sd = math.hypot(float(y.std(ddof=1)), burst.floor)
    if np.ptp(y) == 0 and not burst.resolution:
        words = "no reading differs: less than the last digit shown"
    elif sd > burst.resolution:
        words = f"sd {show(sd, unit)}"
    else:
        words = f"no more than the resolution of {show(burst.resolution, unit)}"
    return (
        BurstFit(
            kind="white noise",
            log_evidence=gaussian(y - y.mean(), burst.floor) - cost(1, len(y)),
            words=words,
            residual=y - y.mean(),
            sd=sd,
            mean=float(y.mean()),
            # Readings that are all alike are anywhere within a step.
            U_mean=expanded_of_mean(sd, len(y)) if np.ptp(y) else burst.resolution / 2 or math.nan,
        ),
    )


WHITE = KindOfNoise(
    name="white noise",
    cause="what the electronics have anyway; nothing is picked up",
    check="average more readings, or a longer integration, if it is too much",
    fit_burst=_fit_burst,
    may_come_with_drive=True,
)
