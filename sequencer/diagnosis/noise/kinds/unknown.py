"""Long tails without order or side (Student t): something, but no kind of the list."""

import math

import numpy as np

from sequencer.diagnosis.noise.fitting import LOG_2PI, cost, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise

__all__ = ["UNKNOWN"]

_DEGREES = (1.5, 2.0, 3.0, 5.0, 10.0)  # of freedom: beyond 10 it is normal, below 1.5 all tail
_NARROWEST, _WIDEST, _SCALES_N = 0.5, 2.0, 25  # scales tried, of the robust one
_MAD_TO_SD = 1.4826  # normal distribution


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    y, n = burst.y, len(burst.y)
    centre = float(np.median(y))
    best, scale_found = -math.inf, 0.0
    robust = max(_MAD_TO_SD * float(np.median(np.abs(y - centre))), burst.floor)
    for degrees in _DEGREES:
        constant = math.lgamma((degrees + 1) / 2) - math.lgamma(degrees / 2) - math.log(degrees * math.pi) / 2
        for scale in robust * np.geomspace(_NARROWEST, _WIDEST, _SCALES_N):
            sd = math.hypot(scale, burst.floor)
            logs = n * (constant - math.log(sd)) - (degrees + 1) / 2 * float(
                np.log1p(((y - centre) / sd) ** 2 / degrees).sum()
            )
            # Laplace, for the mean integrated out: Fisher information of the place is (v + 1) / (v + 3) / scale^2.
            logs += (LOG_2PI - math.log(n * (degrees + 1) / (degrees + 3) / sd**2)) / 2
            if logs > best:
                best, scale_found = logs, sd
    return (
        BurstFit(
            kind="unknown",
            log_evidence=best - cost(2, n),
            words=f"tails longer than white noise of sd {show(scale_found, burst.unit)} has",
            sd=scale_found,
        ),
    )


UNKNOWN = KindOfNoise(
    name="unknown",
    cause="no kind of this list fits these readings",
    check="record it faster (livezero trace), change one thing at a time",
    fit_burst=_fit_burst,
    has_long_tails=True,
    may_come_with_drive=True,
)
