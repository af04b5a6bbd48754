"""What moves all readings together in time: drift, warm-up, wander. A run has causes of its own for them."""

import math

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded

from instruments.texts import sized
from sequencer.diagnosis.noise.fitting import LOG_2PI, cost, expanded_of_mean, gaussian, log_beneath, show
from sequencer.diagnosis.noise.kinds.curve import curve_fit
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["DRIFT", "WANDER", "WARM_UP"]

# Time constants tried, of the length of the burst: a shorter one has few readings in it, a longer one is a line.
_SHORTEST, _LONGEST, _TAUS_N = 1 / 30, 2.0, 24
_NEARER_N, _NEARER_TAUS_N = 2, 9  # times that some more are tried about the best
# What one reading holds on to of the one before; denser where the memory is long.
_HELD = (*np.linspace(0.05, 0.95, 19).tolist(), 0.98, 0.99, 0.995, 0.998, 0.9995)
# Variance of white noise beside it, of what is new at each reading.
_BENEATH = (0.0, *np.geomspace(0.2, 300, 10).tolist())
_TWO_SDS = 2.0  # 95 % of a normal distribution, and a little for a memory between those tried
_COARSE = 4  # each so many of them is tried, then all about the best


def _line(burst: Burst) -> tuple[BurstFit, ...]:
    """A straight line, and a curve that keeps its direction."""
    y, t, unit = burst.y, burst.t, burst.unit
    if np.ptp(y) == 0:
        return ()
    line = np.polynomial.Polynomial.fit(t, y, 1)
    slope = float(line.deriv()(0.0))
    rest = y - line(t)
    length_s = burst.length_s
    curve = curve_fit(burst)
    return (
        *((curve,) if curve is not None and not curve.is_once else ()),
        BurstFit(
            kind="drift",
            log_evidence=gaussian(rest, burst.floor) - cost(2, len(y)),
            words=f"{show(slope * length_s, unit)} in {sized(length_s)} s ({show(60 * slope, unit)} a minute)",
            residual=rest,
            sd=float(rest.std()),
            size=slope * length_s,
            mean=float(y.mean()),
            U_mean=expanded_of_mean(float(rest.std(ddof=2)), len(y)),
        ),
    )


def _decay(burst: Burst) -> tuple[BurstFit, ...]:
    y, t = burst.y, burst.t
    if np.ptp(y) == 0:
        return ()
    taus = burst.length_s * np.geomspace(_SHORTEST, _LONGEST, _TAUS_N)
    for _ in range(_NEARER_N):  # between its neighbours: what a wrong one leaves looks like another kind
        gains, left = _decays(y, t, taus)
        at = int(np.argmin(left))
        low, high = taus[max(at - 1, 0)], taus[min(at + 1, len(taus) - 1)]
        taus = np.append(np.geomspace(low, high, _NEARER_TAUS_N), taus[at])
    gains, left = _decays(y, t, taus)
    at = int(np.argmin(left))
    decay = np.exp(-(t - t[0]) / taus[at])
    decay -= decay.mean()
    rest = y - y.mean() - gains[at] * decay
    return (
        BurstFit(
            kind="warm-up",
            log_evidence=gaussian(rest, burst.floor) - cost(3, len(y)),
            words=f"{show(-float(gains[at]), burst.unit)} in all, time constant {sized(taus[at], 2)} s",
            residual=rest,
            sd=float(rest.std()),
            size=-float(gains[at]),
            mean=float(y.mean()),
            U_mean=expanded_of_mean(float(rest.std(ddof=3)), len(y)),
        ),
    )


def _decays(y: FloatArray, t: FloatArray, taus: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Size of the decay with each time constant that takes most of the squares, and what is left of them."""
    decays = np.exp(-(t - t[0]) / taus[:, None])
    decays -= decays.mean(axis=1, keepdims=True)
    about = y - y.mean()
    gains = decays @ about / (decays**2).sum(axis=1)
    return gains, float(about @ about) - gains * (decays @ about)


def _memory(burst: Burst) -> tuple[BurstFit, ...]:
    """Each reading holds on to a share of the one before (autoregressive of first order), with white noise or none."""
    n = len(burst.y)
    if np.ptp(burst.y) == 0:
        return ()
    y = burst.y - burst.y.mean()
    seen = _memories(y, burst.floor)
    (held, beneath), (_, ss, _, _) = max(seen.items(), key=lambda item: item[1])
    away, U = _level(seen, n)
    variance = max(ss / (n - 1), burst.floor**2)
    ahead, rest = _innovations(y, held, beneath)
    unit = burst.unit
    white = f", white noise sd {show(math.sqrt(beneath * variance), unit)} beside it" if beneath else ""
    return (
        BurstFit(
            kind="slow wander",
            log_evidence=_evidence(seen) - cost(1, n),
            words=f"each reading holds on to {sized(100 * held)} % of the one before"
            f" (memory of {sized(-burst.interval_s / math.log(held), 2)} s),"
            f" new noise sd {show(math.sqrt(variance), unit)}{white}",
            residual=rest,
            sd=math.sqrt(ahead * variance),
            share=held,
            mean=float(burst.y.mean()) + away,
            U_mean=U,
        ),
    )


_Memories = dict[tuple[float, float], tuple[float, float, float, float]]
"""By share held and white noise beside it: what `_remembered` gives."""


def _memories(y: FloatArray, floor: float) -> _Memories:
    """Those tried, and all about the best."""
    seen: _Memories = {}

    def at(held: int, beneath: int) -> None:
        place = _HELD[min(max(held, 0), len(_HELD) - 1)], _BENEATH[min(max(beneath, 0), len(_BENEATH) - 1)]
        if place not in seen:
            seen[place] = _remembered(y, *place, floor)

    for held in range(0, len(_HELD), _COARSE):
        for beneath in range(0, len(_BENEATH), _COARSE):
            at(held, beneath)
    last = -1
    while last < len(seen):  # until nothing about the best is new
        last = len(seen)
        share, white = max(seen, key=seen.__getitem__)
        for more in (-1, 0, 1):
            for other in (-1, 0, 1):
                at(_HELD.index(share) + more, _BENEATH.index(white) + other)
    return seen


def _evidence(seen: _Memories) -> float:
    """Log density over all memories, each before the readings as likely as another."""
    white = dict(zip(_BENEATH, log_beneath(len(_BENEATH)), strict=True))
    logs = [density - math.log(len(_HELD)) + white[beneath] for (_, beneath), (density, *_) in seen.items()]
    return float(np.logaddexp.reduce(logs))


def _level(seen: _Memories, n: int) -> tuple[float, float]:
    """Level about the mean of the readings, and half width of its 95 % interval, over all memories as likely they are.

    The longer the memory, the less n readings say of the level; how long it is they say themselves, and not exactly.
    """
    logs, squares, wholes, levels = np.array(list(seen.values())).T
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    level = float(weights @ levels)
    variance = float(weights @ (squares / (n - 1) / wholes + (levels - level) ** 2))
    return level, _TWO_SDS * math.sqrt(variance)


def _remembered(y: FloatArray, share: float, beneath: float, floor: float) -> tuple[float, float, float, float]:
    """Log density of readings with a memory, the mean integrated out, and the squares that are new in them.

    Then what is new over the variance of the level, and the level, by least squares.

    The inverse of the covariance of what is remembered is Q, of three diagonals; with white noise of a variance of r
    beside it, in units of what is new, it is (1 + r Q)^-1 Q.
    """
    n = len(y)
    seen = np.stack((_precision(y, share), _precision(np.ones(n), share)), axis=1)
    log_determinant = -math.log1p(-(share**2))
    if beneath:
        bands = np.full((2, n), -beneath * share)
        bands[1] = 1 + beneath * (1 + share**2)
        bands[1, [0, -1]] = 1 + beneath
        factor = cholesky_banded(bands, check_finite=False)
        log_determinant += 2 * float(np.log(factor[1]).sum())
        seen = cho_solve_banded((factor, False), seen, check_finite=False)
    whole = float(seen[:, 1].sum())
    ss = float(y @ seen[:, 0]) - float(seen[:, 0].sum()) ** 2 / whole
    variance = max(ss / (n - 1), floor**2)
    squares = (n - 1) * (LOG_2PI + math.log(variance)) + ss / variance
    return -(squares + math.log(whole) + log_determinant) / 2, ss, whole, float(seen[:, 0].sum()) / whole


def _precision(y: FloatArray, share: float) -> FloatArray:
    """Q y; see `_remembered`."""
    seen = (1 + share**2) * y
    seen[[0, -1]] = y[[0, -1]]
    seen[1:] -= share * y[:-1]
    seen[:-1] -= share * y[1:]
    return seen


def _innovations(y: FloatArray, share: float, beneath: float) -> tuple[float, FloatArray]:
    """What each reading has that those before it do not foretell, all of one variance, which is given in that new."""
    # Kalman filter; before the first reading the memory is anywhere that it comes to.
    rest, foretold, p = [], 0.0, 1 / (1 - share**2)
    for each in y.tolist():
        variance = p + beneath
        new = each - foretold
        rest.append(new / math.sqrt(variance))
        foretold = share * (foretold + new * p / variance)
        p = 1 + share**2 * p * beneath / variance
    variance = p + beneath
    return variance, math.sqrt(variance) * np.array(rest)


DRIFT = KindOfNoise(
    name="drift",
    cause="warming, or an input that is still on its way",
    check="read the same point again in half an hour",
    fit_burst=_line,
    is_slow=True,
    may_come_with_drive=True,
)
WARM_UP = KindOfNoise(
    name="warm-up",
    cause="the unit or the bench has not warmed through, or the point had not settled",
    check="wait five time constants and read again",
    fit_burst=_decay,
    is_slow=True,
    may_come_with_drive=True,
)
WANDER = KindOfNoise(
    name="slow wander",
    cause="air and temperature, a ground loop, or a filter that joins neighbouring readings",
    check="read at a quarter of the rate: a filter's memory shrinks in readings, a wander stays in seconds",
    fit_burst=_memory,
    is_slow=True,
    is_flexible=True,
    may_come_with_drive=True,
)
