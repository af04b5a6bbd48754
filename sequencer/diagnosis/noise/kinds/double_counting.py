"""Double counting that varies: at each reading another share of the pulses counts twice."""

import math

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.densities import log_cdf
from sequencer.diagnosis.noise.fitting import climb, cost, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise, Run, RunFit
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["DOUBLE_COUNTING", "log_spread"]

_LEAST_PROBABILITY = 1e-9  # between the two ends; keeps the logarithm of a difference finite

# In a burst.
_INSIDE_FRAC = 0.02  # of the width: the noise beneath, where the climb begins

# In a run.
_LEAST_SHARE, _LARGEST_SHARE, _SHARES_N = (
    0.5,
    0.6,
    24,
)  # mean share: from half a tolerance to more than every other pulse
_LEAST_SDS = 0.1  # at rest nothing counts twice: a width of so many sd is none


def log_spread(away: FloatArray, most: FloatArray | float, sd: float) -> FloatArray:
    """Anywhere from 0 to `most` alike, with white noise."""
    above, below = log_cdf(away / sd), log_cdf((away - most) / sd)
    inside = above + np.log(-np.expm1(np.minimum(below - above, -_LEAST_PROBABILITY)))
    return np.asarray(inside - np.log(most))


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    """None unless pulses are counted: elsewhere nothing spreads readings evenly between two ends."""
    y, floor = burst.y, burst.floor
    if not burst.is_counted or np.ptp(y) == 0:
        return ()

    def likelihood(at: FloatArray) -> float:
        most, sd = math.exp(at[2]), math.hypot(math.exp(at[1]), floor)
        return float(log_spread(y - at[0], most, sd).sum()) if most > sd else -math.inf

    width = float(np.ptp(y))
    start = (float(y.min()), math.log(_INSIDE_FRAC * width), math.log(width))
    best, at = climb(likelihood, start, (_INSIDE_FRAC * width, 0.5, _INSIDE_FRAC))
    most = math.exp(at[2])
    return (
        BurstFit(
            kind="double counting",
            log_evidence=best - cost(2, len(y)),
            words=f"spread evenly over {show(most, burst.unit)} upwards from {show(float(at[0]), burst.unit, 6)}",
            sd=math.hypot(math.exp(at[1]), floor),
            size=most,
        ),
    )


def _fit_run(run: Run) -> RunFit | None:
    """None where no pulses are counted."""
    if not run.is_counted:
        return None
    pulses = np.maximum(run.level, 0.0)
    every = []
    for sd in (float(run.sds[0]), float(run.sds[-1])):
        for share in np.geomspace(_LEAST_SHARE * run.tolerance, _LARGEST_SHARE, _SHARES_N):
            spread = log_spread(run.away, np.maximum(2 * share * pulses, _LEAST_SDS * sd), sd)
            every.append((float(spread.sum()), float(share)))
    _, share = max(every)
    return RunFit(
        theta=(share,),
        log_evidence=float(np.logaddexp.reduce([each for each, _ in every]) - np.log(len(every))),
        text=f"up to {sized(200 * share)} % of the pulses count twice, another share at each reading",
    )


DOUBLE_COUNTING = KindOfNoise(
    name="double counting",
    cause="edges that ring or are slow, and an input with too little hysteresis",
    check="change threshold, filter or cable: double counts change with it, a wrong number of pulses does not",
    fit_burst=_fit_burst,
    fit_run=_fit_run,
    fault="double counting",
    may_come_with_drive=True,
    is_local=True,  # at rest there is nothing to count
)
