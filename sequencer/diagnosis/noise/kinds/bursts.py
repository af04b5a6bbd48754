"""Bursts to one side: a share of the readings is thrown, as the spikes of an inverter do, by any amount or by one."""

import math
from collections.abc import Callable

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.densities import log_cdf, log_mixture, log_normal
from sequencer.diagnosis.noise.fitting import cells, climb, core, cost, cost_of_step, expanded_of_mean, share_of, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise, Run, RunFit
from sequencer.diagnosis.noise.kinds.telegraph import in_a_row
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["BURSTS", "log_thrown"]

# In a burst.
_THROWN_SDS = 3  # a reading is thrown by at least that many sd of the noise beneath
_LEFT = 0.5  # probability that it is thrown, below which a reading is looked at when the rest is
_START_LOGIT = -1.5  # of the share thrown, 18 %
_FEWEST_THROWN = 2.5  # readings: one or two are no kind of noise
_ALIKE = 0.03  # of their height, by which spikes of one height differ at least (own judgement, no source)
_HIGHEST = 0.6  # of the largest reading: all by one height that is wider is a loss of signal
_SELDOM_POWER = 10  # shares of spikes of one height: (1 - share)^9, 9 % on average (own judgement, no source)

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


def _log_decaying(away: FloatArray, size: float, sd: float) -> FloatArray:
    """Thrown upwards by an exponential amount, its mean `size` and one sd more, with that white noise."""
    rate = 1 / (size + sd)
    return math.log(rate) + (rate * sd) ** 2 / 2 - rate * away + log_cdf(away / sd - rate * sd)


_Shape = Callable[[FloatArray, float, float], FloatArray]


def _log_half_normal(away: FloatArray, size: float, sd: float) -> FloatArray:
    """Thrown upwards by a half-normal amount that is seldom within the noise."""
    return log_thrown(away, size + _THROWN_SDS * sd, sd)


def _log_one_height(away: FloatArray, size: float, sd: float) -> FloatArray:
    """Thrown upwards by one amount, as nearly as spikes are alike."""
    height = size + _THROWN_SDS * sd
    return log_normal(away - height, math.hypot(sd, _ALIKE * height))


# How far what is thrown goes.
_SHAPES: dict[_Shape, str] = {_log_half_normal: "on average", _log_decaying: "on average", _log_one_height: "each"}


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    """Each shape to the side that half-normal amounts tell; () where fewer are thrown than tell a kind."""
    y, floor = burst.y, burst.floor
    middle, beneath = core(y, floor)
    start = (middle, math.log(beneath), _START_LOGIT, math.log(max(float(y.std()), _THROWN_SDS * beneath)))
    cells_of = cells(y)

    def climbed(shape: _Shape, sign: int) -> tuple[float, FloatArray]:
        values, counts = cells_of

        def likelihood(at: FloatArray) -> float:
            return float(counts @ log_mixture(share_of(at[2]), *_parts(values, at, shape, sign, floor)))

        return climb(likelihood, start, (beneath, 0.4, 0.8, 0.5))

    sides = [(climbed(_log_half_normal, sign), sign) for sign in (1, -1)]
    first, sign = max(sides, key=lambda fit: fit[0][0])
    fits = {_log_half_normal: first, **{shape: climbed(shape, sign) for shape in (_log_decaying, _log_one_height)}}
    found = (_burst_fit(burst, at, shape, sign, best) for shape, (best, at) in fits.items() if math.isfinite(best))
    return tuple(fit for fit in found if fit is not None)


def _parts(of: FloatArray, at: FloatArray, shape: _Shape, sign: int, floor: float) -> tuple[FloatArray, FloatArray]:
    """Log density of readings that are not thrown, and of those that are."""
    sd, away = math.hypot(math.exp(at[1]), floor), sign * (of - at[0])
    return log_normal(away, sd), shape(away, math.exp(at[3]), sd)


def _burst_fit(burst: Burst, at: FloatArray, shape: _Shape, sign: int, best: float) -> BurstFit | None:
    y, unit = burst.y, burst.unit
    usual, thrown = _parts(y, at, shape, sign, burst.floor)
    # Of one height, and several in a row, they are the upper level of random telegraph noise.
    gained = 0.0 if shape is _log_one_height else in_a_row(usual, thrown, share_of(at[2]))[0]
    is_thrown = np.exp(math.log(share_of(at[2])) + thrown - log_mixture(share_of(at[2]), usual, thrown))  # of each
    if is_thrown.sum() < _FEWEST_THROWN:
        return None
    share = float(is_thrown.mean())
    size = float(is_thrown @ (y - at[0])) / float(is_thrown.sum())
    if shape is _log_one_height and abs(size) > _HIGHEST * float(np.abs(y).max()):
        return None
    sd = math.hypot(math.exp(at[1]), burst.floor)
    is_left = is_thrown < _LEFT
    chosen = cost(3, len(y)) + math.log(2 * len(_SHAPES))  # the side is a choice of two
    if shape is _log_one_height:
        chosen += cost_of_step(abs(size), sd, min(share, 0.5), float(np.abs(y).max()), len(y)) - cost(1, len(y))
        # Two levels, of which the upper one is a seldom one: else they are a counter's, or of a telegraph.
        chosen -= math.log(_SELDOM_POWER) + (_SELDOM_POWER - 1) * math.log1p(-min(share, 1 - 1e-9))
    return BurstFit(
        kind="bursts to one side",
        log_evidence=best + gained - chosen,
        words=f"{sized(100 * share, 2)} % of the readings by {show(size, unit)} {_SHAPES[shape]}, "
        f"the rest sd {show(sd, unit)}",
        residual=y[is_left] - at[0],
        is_left=is_left,
        sd=sd,
        size=size,
        share=share,
        mean=float((1 - is_thrown) @ y / (1 - is_thrown).sum()),  # finer than a climb ends
        U_mean=expanded_of_mean(sd, max(int(is_left.sum()), 2)),
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
