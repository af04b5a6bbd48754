"""What is something, but no kind of the list: long tails, bursts to both sides, a few readings off, anywhere alike."""

import math

import numpy as np
from scipy import stats

from instruments.texts import sized
from sequencer.diagnosis.noise.densities import log_cdf, log_mixture, log_normal
from sequencer.diagnosis.noise.fitting import (
    LOG_2PI,
    cells,
    climb,
    core,
    cost,
    cost_of_size,
    expanded_of_mean,
    gaussian,
    share_of,
    show,
)
from sequencer.diagnosis.noise.kinds.curve import curve_fit
from sequencer.diagnosis.noise.kinds.kind import AWAY_SDS, Burst, BurstFit, KindOfNoise
from sequencer.diagnosis.noise.kinds.telegraph import in_a_row
from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["UNKNOWN"]

_DEGREES = (1.5, 2.0, 3.0, 5.0, 10.0)  # of freedom: beyond 10 it is normal, below 1.5 all tail
_NARROWEST, _WIDEST, _SCALES_N = 0.5, 2.0, 25  # scales tried, of the robust one
_MAD_TO_SD = 1.4826  # normal distribution
_LEAST_RATIO = 3.0  # of the scatter within bursts to that between them
_START_LOGIT = -2.0  # of the share within bursts, 12 %
_FEWEST_LOUD, _MOST_LOUD = 3, 0.5  # readings within bursts; share of them
_FEWEST_HELD, _PILED = 5, 5.0  # readings at a limit; of those on any other value
_MOST_OFF, _LEAST_PER_OFF = 5, 16  # readings that lie off: more are a kind; all readings for one of them
_LEFT = 0.5  # probability of a burst, below which a reading is looked at when the rest is


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    some = (_tails(burst), _both_sides(burst), _few_off(burst), _alike(burst), _once(burst), _limited(burst))
    return tuple(fit for fit in some if fit is not None)


def _limited(burst: Burst) -> BurstFit | None:
    """White noise that a limit cuts off: what would lie beyond it reads as the limit itself (Tobin 1958)."""
    y, n, floor = burst.y, len(burst.y), burst.floor
    if not np.ptp(y) > 0:
        return None
    found = []
    for sign in (1, -1):
        away = sign * y
        limit = float(away.max())
        free = away[away < limit]
        held_n = n - len(free)
        # On few levels each is met often.
        most_n = int(np.unique(free, return_counts=True)[1].max(initial=1))
        if min(held_n, len(free)) < _FEWEST_HELD or held_n < _PILED * most_n:
            continue

        def likelihood(at: FloatArray, free: FloatArray = free, limit: float = limit, held_n: int = held_n) -> float:
            sd = math.hypot(math.exp(at[1]), floor)
            beyond = float(log_cdf(np.array([(at[0] - limit) / sd]))[0])
            return float(log_normal(free - at[0], sd).sum()) + held_n * (beyond - math.log(floor) - LOG_2PI / 2)

        spread = max(float(away.std()), floor)
        best, at = climb(likelihood, (float(away.mean()), math.log(spread)), (spread / 4, 0.3))
        found.append((best - cost(1, n) - math.log(2), at, sign, limit, held_n))
    if not found:
        return None
    best, at, sign, limit, held_n = max(found, key=lambda each: each[0])
    sd = math.hypot(math.exp(at[1]), floor)
    return BurstFit(
        kind="unknown",
        log_evidence=best,
        words=f"held at a limit: {sized(100 * held_n / n, 2)} % of the readings are "
        f"{show(sign * limit, burst.unit, 6)}, and none lies beyond; white noise of sd "
        f"{show(sd, burst.unit)} about {show(sign * float(at[0]), burst.unit, 6)} would read so",
        sd=sd,
        share=held_n / n,
        is_sure=True,
    )


def _once(burst: Burst) -> BurstFit | None:
    """It went one way and turned, and did not come again."""
    curve = curve_fit(burst)
    return curve if curve is not None and curve.is_once else None


def _tails(burst: Burst) -> BurstFit:
    """Long tails without order or side (Student t)."""
    y, n = burst.y, len(burst.y)
    centre = float(np.median(y))
    best, scale_found = -math.inf, 0.0
    robust = max(_MAD_TO_SD * float(np.median(np.abs(y - centre))), burst.floor)
    values, counts = cells(y)
    squares = (values - centre) ** 2
    for degrees in _DEGREES:
        constant = math.lgamma((degrees + 1) / 2) - math.lgamma(degrees / 2) - math.log(degrees * math.pi) / 2
        for scale in robust * np.geomspace(_NARROWEST, _WIDEST, _SCALES_N):
            sd = math.hypot(scale, burst.floor)
            logs = n * (constant - math.log(sd)) - (degrees + 1) / 2 * float(
                counts @ np.log1p(squares / (sd**2 * degrees))
            )
            # Laplace, for the mean integrated out: Fisher information of the place is (v + 1) / (v + 3) / scale^2.
            logs += (LOG_2PI - math.log(n * (degrees + 1) / (degrees + 3) / sd**2)) / 2
            if logs > best:
                best, scale_found = logs, sd
    return BurstFit(
        kind="unknown",
        log_evidence=best - cost(2, n),
        words=f"tails longer than white noise of sd {show(scale_found, burst.unit)} has",
        sd=scale_found,
        mean=centre,
        U_mean=_expanded_of_median(y),
    )


def _expanded_of_median(y: FloatArray) -> float:
    """Half width of the 95 % interval of the median, whatever the distribution: by the order of the readings.

    As many as a binomial distribution of n and one half leaves on each side (Conover, the sign test; from memory).
    """
    ordered, n = np.sort(y), len(y)
    aside = max(int(stats.binom.ppf(0.025, n, 0.5)) - 1, 0)
    return float(max(ordered[n - 1 - aside] - np.median(y), np.median(y) - ordered[aside]))


def _both_sides(burst: Burst) -> BurstFit | None:
    """A share of the readings scatters far more than the rest, to both sides, each for itself or some in a row."""
    y, n, floor = burst.y, len(burst.y), burst.floor
    middle, beneath = core(y, floor)
    if not np.ptp(y) > 0:
        return None

    values, counts = cells(y)

    def parts(of: FloatArray, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        sd = math.hypot(math.exp(at[1]), floor)
        return log_normal(of - at[0], sd), log_normal(of - at[0], sd * (_LEAST_RATIO + math.exp(at[3])))

    def likelihood(at: FloatArray) -> float:
        return float(counts @ log_mixture(share_of(at[2]), *parts(values, at)))

    ratio = max(float(y.std()) / beneath, 1.0) * 2
    best, at = climb(likelihood, (middle, math.log(beneath), _START_LOGIT, math.log(ratio)), (beneath, 0.3, 0.8, 0.5))
    if not math.isfinite(best):
        return None
    quiet, loud = parts(y, at)
    share = share_of(at[2])
    if not _FEWEST_LOUD / n < share < _MOST_LOUD:
        return None
    gained, stay = in_a_row(quiet, loud, share)
    row = f", some {sized(stay, 2)} in a row" if gained else ""
    sd = math.hypot(math.exp(at[1]), floor)
    size = sd * (_LEAST_RATIO + math.exp(at[3]))
    is_left = loud - quiet < math.log(max(1 - share, 1e-12) / share)
    return BurstFit(
        kind="unknown",
        log_evidence=best + gained - cost(3, n),
        words=f"bursts to both sides: {sized(100 * share, 2)} % of the readings scatter by sd "
        f"{show(size, burst.unit)}{row}, the rest by {show(sd, burst.unit)}",
        residual=y[is_left] - at[0] if is_left.any() else None,
        is_left=is_left,
        sd=sd,
        size=size,
        share=share,
        mean=float(np.median(y)),
        U_mean=_expanded_of_median(y) * math.sqrt(stay),
    )


def _few_off(burst: Burst) -> BurstFit | None:
    """A few readings that lie anywhere, and white noise otherwise: of so few no kind is told."""
    y, n = burst.y, len(burst.y)
    middle, _ = core(y, burst.floor)
    farthest = np.argsort(-np.abs(y - middle), kind="stable")
    found = [_off(burst, farthest[:many]) for many in range(1, min(_MOST_OFF, n // _LEAST_PER_OFF) + 1)]
    return max((fit for fit in found if fit is not None), key=lambda fit: fit.log_evidence, default=None)


def _off(burst: Burst, at: IntArray) -> BurstFit | None:
    """These readings lie off; None where one of them is no farther than white noise goes."""
    y, n, unit = burst.y, len(burst.y), burst.unit
    others = np.delete(y, at)
    rest = others - others.mean()
    off, sd = y[at] - others.mean(), max(float(others.std(ddof=1)), burst.floor)
    if not (np.abs(off) > AWAY_SDS * sd).all():
        return None
    width = 2 * max(float(np.abs(y).max()), float(np.abs(off).max()))
    is_steady = float(np.ptp(others)) == 0
    all_others = "and all others are alike" if is_steady else f"the rest are white noise of sd {show(sd, unit)}"
    chosen = math.log(math.comb(n, len(at))) + sum(cost_of_size(abs(each), sd, sd, width) for each in off.tolist())
    if len(at) == 1:
        words = f"one reading alone ({burst.place(int(at[0]))}) lies {show(float(off[0]), unit)} off"
    else:
        numbers = ", ".join(burst.place(each).split(" of ")[0] for each in sorted(at.tolist()))
        low, high = float(np.abs(off).min()), float(np.abs(off).max())
        words = f"{len(at)} readings alone ({numbers}) lie {show(low, unit)} to {show(high, unit)} off"
    return BurstFit(
        kind="unknown",
        log_evidence=gaussian(rest, burst.floor) - cost(1, n) - chosen,
        words=f"{words}, {all_others}",
        residual=rest,
        is_left=~np.isin(np.arange(n), at),
        sd=sd,
        size=float(off[0]),
        share=len(at) / n,
        mean=float(others.mean()),
        U_mean=expanded_of_mean(sd, len(others)),
        is_sure=True,
    )


def _alike(burst: Burst) -> BurstFit | None:
    """Anywhere alike between two ends, both integrated out (closed form); counted pulses that do so count twice."""
    y, n = burst.y, len(burst.y)
    width = float(np.ptp(y))
    if burst.is_counted or not width > burst.floor:
        return None
    return BurstFit(
        kind="unknown",
        log_evidence=-(n - 1) * math.log(width) - math.log(n * (n - 1)),
        words=f"anywhere alike between two ends {show(width, burst.unit)} apart, as by rounding, or of a ramp that is "
        "read at random",
        residual=None,
        sd=width / math.sqrt(12),
        size=width,
        mean=float(np.median(y)),
        U_mean=_expanded_of_median(y),
    )


UNKNOWN = KindOfNoise(
    name="unknown",
    cause="no kind of this list fits these readings",
    check="record it faster (livezero trace), change one thing at a time",
    fit_burst=_fit_burst,
    has_long_tails=True,
    may_come_with_drive=True,
)
