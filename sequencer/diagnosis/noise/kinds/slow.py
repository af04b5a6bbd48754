"""What moves all readings together in time: drift, warm-up, wander. A run has causes of its own for them."""

import math

import numpy as np

from sequencer.diagnosis.noise.fitting import LOG_2PI, cost, gaussian, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise

__all__ = ["DRIFT", "WANDER", "WARM_UP"]

# Time constants tried, of the length of the burst: a shorter one has few readings in it, a longer one is a line.
_SHORTEST, _LONGEST, _TAUS_N = 1 / 30, 2.0, 24
# What one reading holds on to of the one before; denser where the memory is long.
_HELD = (*np.linspace(0.05, 0.95, 19), 0.98, 0.99, 0.995)


def _line(burst: Burst) -> tuple[BurstFit, ...]:
    y, t, unit = burst.y, burst.t, burst.unit
    if np.ptp(y) == 0:
        return ()
    line = np.polynomial.Polynomial.fit(t, y, 1)
    slope = float(line.deriv()(0.0))
    rest = y - line(t)
    length_s = burst.length_s
    return (
        BurstFit(
            kind="drift",
            log_evidence=gaussian(rest, burst.floor) - cost(2, len(y)),
            words=f"{show(slope * length_s, unit)} in {length_s:.3g} s ({show(60 * slope, unit)} a minute)",
            residual=rest,
            sd=float(rest.std()),
            size=slope * length_s,
        ),
    )


def _decay(burst: Burst) -> tuple[BurstFit, ...]:
    y, t = burst.y, burst.t
    if np.ptp(y) == 0:
        return ()
    taus = burst.length_s * np.geomspace(_SHORTEST, _LONGEST, _TAUS_N)
    decays = np.exp(-(t - t[0]) / taus[:, None])
    decays -= decays.mean(axis=1, keepdims=True)
    gains = decays @ y / (decays**2).sum(axis=1)
    left = ((y - y.mean() - gains[:, None] * decays) ** 2).sum(axis=1)
    at = int(np.argmin(left))
    rest = y - y.mean() - gains[at] * decays[at]
    return (
        BurstFit(
            kind="warm-up",
            log_evidence=gaussian(rest, burst.floor) - cost(3, len(y)),
            words=f"{show(-float(gains[at]), burst.unit)} in all, time constant {taus[at]:.2g} s",
            residual=rest,
            sd=float(rest.std()),
            size=-float(gains[at]),
        ),
    )


def _memory(burst: Burst) -> tuple[BurstFit, ...]:
    """Each reading holds on to a share of the one before (autoregressive of first order, exact density)."""
    n = len(burst.y)
    if np.ptp(burst.y) == 0:
        return ()
    y = burst.y - burst.y.mean()
    best, held, sd = -math.inf, 0.0, 0.0
    for share in _HELD:
        first = math.sqrt(1 - share**2)
        new = np.concatenate(([first * y[0]], y[1:] - share * y[:-1]))
        one = np.concatenate(([first], np.full(n - 1, 1 - share)))
        whole = float(one @ one)
        ss = float(new @ new) - float(one @ new) ** 2 / whole
        variance = max(ss / (n - 1), burst.floor**2)
        log_likelihood = (
            math.log(first) - ((n - 1) * (LOG_2PI + math.log(variance)) + ss / variance + math.log(whole)) / 2
        )
        if log_likelihood > best:
            best, held, sd = log_likelihood, float(share), math.sqrt(variance)
    return (
        BurstFit(
            kind="slow wander",
            log_evidence=best - cost(2, n),
            words=f"each reading holds on to {100 * held:.3g} % of the one before"
            f" (memory of {-burst.interval_s / math.log(held):.2g} s),"
            f" new noise sd {show(sd, burst.unit)}",
            sd=sd,
            share=held,
        ),
    )


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
    may_come_with_drive=True,
)
