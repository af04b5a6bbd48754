"""Bursts to one side: a share of the readings is thrown by a half-normal amount, as the spikes of an inverter do."""

import math
from functools import partial

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.densities import log_cdf, log_mixture, log_normal
from sequencer.diagnosis.noise.fitting import cells, climb, core, cost, share_of, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise, Run, RunFit
from sequencer.diagnosis.noise.kinds.telegraph import in_a_row
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["BURSTS", "log_thrown"]

# In a burst.
_THROWN_SDS = 3  # a reading is thrown by at least that many sd of the noise beneath
_LEFT = 0.5  # probability that it is thrown, below which a reading is looked at when the rest is
_START_LOGIT = -1.5  # of the share thrown, 18 %

# In a run.
_SHARES = np.array([0.04, 0.12, 0.25, 0.38, 0.5])  # thrown; beyond one half the rest would be what is thrown
_SDS = (1.5, 8.0)  # noise beneath, in the smallest that is believed; the largest is tried too
_LEAST_SHARE, _LARGEST_FRAC, _SIZES_N = 0.5, 0.5, 8  # sizes: from half a tolerance to half the span
_LEAST_SDS = 2  # a smaller one is no more than the noise beneath
_GROWING = (0.3, 1.0)  # size at zero, of that at full output: an inverter's spikes may grow with its speed
# Where many readings are hit, the middle of a visit is not what the unit gives, but so many sizes off.
_DRAWN = (0.0, 0.2, 0.5)


def log_thrown(away: FloatArray, size: FloatArray | float, sd: FloatArray | float) -> FloatArray:
    """Thrown upwards by a half-normal amount, its root mean square `size`, with white noise (skew-normal)."""
    wide = np.sqrt(np.square(size) + np.square(sd))
    return log_normal(away, wide) + math.log(2) + log_cdf(away * size / (sd * wide))


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    y, floor, unit = burst.y, burst.floor, burst.unit
    middle, beneath = core(y, floor)
    start = (middle, math.log(beneath), _START_LOGIT, math.log(max(float(y.std()), _THROWN_SDS * beneath)))

    values, counts = cells(y)

    def parts(of: FloatArray, at: FloatArray, sign: int) -> tuple[FloatArray, FloatArray]:
        sd, away = math.hypot(math.exp(at[1]), floor), sign * (of - at[0])
        return log_normal(away, sd), log_thrown(away, math.exp(at[3]) + _THROWN_SDS * sd, sd)

    def likelihood(at: FloatArray, sign: int) -> float:
        return float(counts @ log_mixture(share_of(at[2]), *parts(values, at, sign)))

    (best, at), sign = max(
        ((climb(partial(likelihood, sign=sign), start, (beneath, 0.4, 0.8, 0.5)), sign) for sign in (1, -1)),
        key=lambda fit: fit[0][0],
    )
    usual, thrown = parts(y, at, sign)
    gained, _ = in_a_row(usual, thrown, share_of(at[2]))
    is_thrown = np.exp(math.log(share_of(at[2])) + thrown - log_mixture(share_of(at[2]), usual, thrown))  # of each
    share = float(is_thrown.mean())
    size = float(is_thrown @ (y - at[0])) / max(float(is_thrown.sum()), 1e-300)
    sd = math.hypot(math.exp(at[1]), floor)
    is_left = is_thrown < _LEFT
    return (
        BurstFit(
            kind="bursts to one side",
            log_evidence=best + gained - cost(3, len(y)) - math.log(2),  # the side is one more choice of two
            words=f"{100 * share:.2g} % of the readings by {show(size, unit)} on average, the rest sd {show(sd, unit)}",
            residual=y[is_left] - at[0],
            is_left=is_left,
            sd=sd,
            size=size,
            share=share,
        ),
    )


def _fit_run(run: Run) -> RunFit | None:
    """None where all readings of a visit are thrown together: that goes with the point."""
    if run.goes_with_the_point:
        return None
    best: tuple[float, tuple[float, ...]] = (-np.inf, ())
    every = []
    shares = _SHARES[:, np.newaxis]
    some = np.unique(np.concatenate((run.sds[:1] * np.array(_SDS), run.sds[-1:])))
    sizes = np.geomspace(_LEAST_SHARE * run.tolerance, _LARGEST_FRAC, _SIZES_N)
    tried = np.log(_SHARES.size * 2 * some.size * len(_GROWING) * sizes.size * len(_DRAWN))
    for sign in (1.0, -1.0):
        for sd in some:
            for growing in _GROWING:
                factor = growing + (1 - growing) * np.clip(run.level, 0, 1)
                for size in sizes[sizes >= _LEAST_SDS * sd]:
                    for drawn in _DRAWN:
                        true = run.away + sign * drawn * size * factor
                        thrown = log_thrown(sign * true, size * factor, sd)
                        both = log_mixture(shares, log_normal(true, sd), thrown).sum(axis=1) - tried
                        every.append(both)
                        index = int(both.argmax())
                        if both[index] > best[0]:
                            best = (float(both[index]), (float(size), float(_SHARES[index]), sign))
    size, share, sign = best[1] or (0.0, 0.0, 1.0)
    side = "above" if sign * run.span > 0 else "below"
    return RunFit(
        theta=(size, share, sign),
        log_evidence=float(np.logaddexp.reduce(np.concatenate(every))) if every else -np.inf,
        text=f"{sized(100 * share, 2)} % of the readings lie {side} the rest, by up to {run.shown(2 * size)}",
        share=share,
    )


BURSTS = KindOfNoise(
    name="bursts to one side",
    cause="spikes of an inverter, contactor or switching supply",
    check="read with the drive off, then enabled at zero speed; shield one end, other route",
    fit_burst=_fit_burst,
    fit_run=_fit_run,
    fault="inverter pickup",
    spoils_the_mean=True,
    may_come_with_drive=True,
)
