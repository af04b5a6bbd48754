"""White noise: every reading by itself, normally distributed."""

import math

from sequencer.diagnosis.noise.fitting import cost, gaussian, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise

__all__ = ["WHITE"]


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    y, unit = burst.y, burst.unit
    sd = math.hypot(float(y.std(ddof=1)), burst.floor)
    is_seen = sd > burst.resolution
    return (
        BurstFit(
            kind="white noise",
            log_evidence=gaussian(y - y.mean(), burst.floor) - cost(1, len(y)),
            words=f"sd {show(sd, unit)}"
            if is_seen
            else f"no more than the resolution of {show(burst.resolution, unit)}",
            residual=y - y.mean(),
            sd=sd,
        ),
    )


WHITE = KindOfNoise(
    name="white noise",
    cause="what the electronics have anyway; nothing is picked up",
    check="average more readings, or a longer integration, if it is too much",
    fit_burst=_fit_burst,
    may_come_with_drive=True,
)
