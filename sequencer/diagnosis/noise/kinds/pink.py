"""1/f noise: as much in each decade of frequency, so that no mean of more readings is better."""

import math

import numpy as np

from sequencer.diagnosis.noise.fitting import LOG_2PI, cost, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["LONGER", "PINK"]

_POWERS = np.linspace(0.7, 1.4, 8)  # of one over the frequency; 0 is white, 2 a random walk
_BENEATH = (0.0, *np.geomspace(0.1, 100, 10).tolist())  # white noise, of the power at half the reading rate
LONGER = 10
"""Times the readings, over which the mean is told: of 1/f noise it has no end."""

_TWO_SDS, _PLACES_N, _FARTHEST = 2.0, 2000, 10.0
_LEAST_N = 64  # readings, since fewer have less than two decades
_WHITTLE_NATS = 2.0  # that the density by its periodogram may be too good by


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    """() where there are few readings, which are taken as evenly spaced.

    Source: Whittle 1953, the likelihood of a stationary series by its periodogram (from memory).
    """
    n = len(burst.y)
    if n < _LEAST_N or np.ptp(burst.y) == 0:
        return ()
    lines = np.fft.rfft(burst.y - burst.y.mean())[1:]
    powers = np.abs(lines) ** 2 / n
    weights = np.full(len(powers), 2.0)
    if n % 2 == 0:
        weights[-1] = 1.0
    share = np.arange(1, len(powers) + 1) / len(powers)  # of half the reading rate
    best, found = -math.inf, (np.ones_like(share), 0.0, 0.0, 0.0)
    for power in _POWERS.tolist():
        falling = share**-power
        for beneath in _BENEATH:
            shape: FloatArray = falling + beneath
            level = max(float((weights * powers / shape).sum()) / (n - 1), burst.floor**2 / float(shape.mean()))
            squares = float((weights * powers / shape).sum()) / level
            logs = -((n - 1) * (LOG_2PI + math.log(level)) + float(weights @ np.log(shape)) + squares + math.log(n)) / 2
            if logs > best:
                best, found = logs, (shape, level, power, beneath)
    shape, level, power, beneath = found
    ahead = math.exp(float(weights @ np.log(shape)) / (n - 1))  # power of what is new at each reading (Kolmogorov)
    whole = np.concatenate(([0.0], lines * np.sqrt(ahead / shape)))
    white = f", white noise sd {show(math.sqrt(beneath * level), burst.unit)} beside it" if beneath else ""
    return (
        BurstFit(
            kind="1/f noise",
            log_evidence=best - cost(3 if beneath else 2, n) - _WHITTLE_NATS,
            words=f"power as 1/f^{power:.1f}, sd {show(float(burst.y.std(ddof=1)), burst.unit)} in all{white}: "
            "a mean of more readings is hardly better",
            residual=np.fft.irfft(whole, n),
            sd=math.sqrt(ahead * level),
            mean=float(burst.y.mean()),
            U_mean=_expanded(level, power, n),
        ),
    )


def _expanded(level: float, power: float, n: int) -> float:
    """Half width of the 95 % interval of a mean over `LONGER` times as many readings; the mean without end has none.

    Variance of the difference of the two means: the integral of the density times what their windows let through.
    """
    places = (np.arange(_PLACES_N) + 0.5) / _PLACES_N * _FARTHEST  # of the lowest frequency
    through = (np.sinc(places) - np.sinc(LONGER * places)) ** 2
    density = 2 / n * level * (2 * places / n) ** -power
    return _TWO_SDS * math.sqrt(float((density * through).mean()) * _FARTHEST)


PINK = KindOfNoise(
    name="1/f noise",
    cause="flicker noise of semiconductors, references, contacts, or resistors of carbon or thick film",
    check="compare with the input shorted, and with another meter; a signal that is chopped or modulated escapes it, "
    "more readings do not",
    fit_burst=_fit_burst,
    is_slow=True,
    is_flexible=True,
)
