"""1/f noise: as much in each decade of frequency, so that no mean of more readings is better."""

import math
from dataclasses import dataclass

import numpy as np

from sequencer.diagnosis.noise.fitting import LOG_2PI, cost, log_beneath, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise
from sequencer.evaluation.figures.per_point import FloatArray, IntArray

__all__ = ["LONGER", "PINK"]

_POWERS = np.linspace(0.7, 1.4, 8)  # of one over the frequency; 0 is white, 2 a random walk
_BENEATH = np.array((0.0, *np.geomspace(0.1, 100, 10).tolist()))  # white noise, of the power at half the reading rate
_USUAL_POWER, _POWER_SD = 1.0, 0.2  # what flicker noise is reported with, 0.8 to 1.4 (from memory)
LONGER = 10
"""Times the readings, over which the mean is told: of 1/f noise it has no end."""

_COARSE = 3  # each so many of them is tried, then all about the best
_SLOWEST = 1 / LONGER  # of the lowest frequency of the readings: below, the mean takes what there is
_RECORD = 16  # times the readings, whose frequencies make the covariance
_MOST_LAGS = 400  # that a reading is foretold from: of those before, what is new is smaller by 1 / (4 lags)
_TWO_SDS, _PLACES_N, _FARTHEST = 2.0, 2000, 10.0
_LEAST_N = 64  # readings, since fewer have less than two decades


@dataclass(frozen=True, slots=True, kw_only=True)
class _Exact:
    """Readings as one shape of spectrum foretells them.

    Attributes:
        log_density: the mean integrated out, the level of the spectrum at its best.
        level: of the spectrum at half the reading rate, square of the unit of the readings.
        ahead: variance of what is new at a reading that many came before, in levels.
        rest: shape (n,), what is new at each reading, all of the variance of the last.
    """

    log_density: float
    level: float
    ahead: float
    rest: FloatArray


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    """() where there are few readings, which are taken as evenly spaced."""
    n = len(burst.y)
    if n < _LEAST_N or np.ptp(burst.y) == 0:
        return ()
    power, beneath, best, evidence = _likeliest(burst)
    level = best.level
    white = f", white noise sd {show(math.sqrt(beneath * level), burst.unit)} beside it" if beneath else ""
    return (
        BurstFit(
            kind="1/f noise",
            log_evidence=evidence - cost(1, n),
            words=f"power as 1/f^{power:.1f}, sd {show(float(burst.y.std(ddof=1)), burst.unit)} in all{white}: "
            "a mean of more readings is hardly better",
            residual=best.rest,
            sd=math.sqrt(best.ahead * level),
            mean=float(burst.y.mean()),
            U_mean=_expanded(level, power, n),
        ),
    )


def _likeliest(burst: Burst) -> tuple[float, float, _Exact, float]:
    """Power and white noise beside it that suit best, and the evidence of all: a few tried, then all about the best."""
    y = burst.y - burst.y.mean()
    tried = [
        (power, beneath) for power in range(1, len(_POWERS), _COARSE) for beneath in range(0, len(_BENEATH), _COARSE)
    ]
    usual = _log_usual()
    seen: dict[tuple[int, int], _Exact] = {}
    while True:
        seen |= dict(zip(tried, _exact(y, np.array(tried), burst.floor), strict=True))
        power, beneath = best = max(seen, key=lambda place: seen[place].log_density + usual[place])
        about = {(power + more, beneath + other) for more in (-1, 0, 1) for other in (-1, 0, 1)}
        tried = sorted(
            (each, other)
            for each, other in about - seen.keys()
            if 0 <= each < len(_POWERS) and 0 <= other < len(_BENEATH)
        )
        if not tried:
            every = [each.log_density + usual[place] for place, each in seen.items()]
            return float(_POWERS[power]), float(_BENEATH[beneath]), seen[best], float(np.logaddexp.reduce(every))


def _log_usual() -> FloatArray:
    """Log probability of each power and white noise before the readings; shape (powers, white noise)."""
    powers = -(((_POWERS - _USUAL_POWER) / _POWER_SD) ** 2) / 2
    powers -= np.logaddexp.reduce(powers)
    return np.asarray(powers[:, np.newaxis] + log_beneath(len(_BENEATH)))


def _exact(y: FloatArray, places: IntArray, floor: float) -> list[_Exact]:
    """For each place among powers and white noise, shape (places, 2); `y` about its mean.

    Each reading is foretold from all before it (Levinson 1947, Durbin 1960; from memory), up to `_MOST_LAGS`. The
    periodogram would be quicker, but ends that do not meet leak into all of it, so that a wander seems likelier.
    """
    n = len(y)
    lags_n = min(_MOST_LAGS, n - 1)
    covariance = _covariance(places, n)[:, : lags_n + 1]
    both = np.stack((y, np.ones(n)))
    new, variance = np.empty((len(places), 2, n)), np.empty((len(places), n))
    weights = np.zeros((len(places), lags_n))
    new[:, :, 0], variance[:, 0] = both[:, 0], covariance[:, 0]
    for lag in range(1, lags_n + 1):
        before = weights[:, : lag - 1]
        last = covariance[:, lag] - np.einsum("ij,ij->i", before, covariance[:, lag - 1 : 0 : -1])
        last /= variance[:, lag - 1]
        weights[:, : lag - 1] = before - last[:, np.newaxis] * before[:, ::-1]
        weights[:, lag - 1] = last
        variance[:, lag] = variance[:, lag - 1] * (1 - last**2)
        new[:, :, lag] = both[:, lag] - weights[:, :lag] @ both[:, :lag][:, ::-1].T
    variance[:, lags_n + 1 :] = variance[:, lags_n, np.newaxis]
    for place, row in enumerate(weights):
        for index in range(2 * (n > lags_n + 1)):
            new[place, index, lags_n:] = both[index, lags_n:] - np.convolve(both[index], row, mode="valid")[:-1]
    return [_weighed(*each, floor) for each in zip(new, variance, strict=True)]


def _covariance(places: IntArray, n: int) -> FloatArray:
    """Of readings so many apart, in levels; shape (places, n)."""
    record_n = _RECORD * n
    frequency = np.maximum(np.arange(record_n // 2 + 1), _SLOWEST * _RECORD) / (record_n // 2)
    power, beneath = _POWERS[places[:, 0]], _BENEATH[places[:, 1]]
    density = frequency ** -power[:, np.newaxis] + beneath[:, np.newaxis]
    return np.asarray(np.fft.irfft(density, record_n)[:, :n])


def _weighed(new: FloatArray, variance: FloatArray, floor: float) -> _Exact:
    """What is new in the readings, and in a constant, together with its variance in levels, as a density."""
    n = len(variance)
    weight = 1 / variance
    whole = float(weight @ new[1] ** 2)
    rest = new[0] - float(weight @ (new[0] * new[1])) / whole * new[1]
    squares = float(weight @ rest**2)
    ahead = float(variance[-1])
    level = max(squares / (n - 1), floor**2 / ahead)
    logs = (n - 1) * (LOG_2PI + math.log(level)) + squares / level + math.log(whole) + float(np.log(variance).sum())
    return _Exact(log_density=-logs / 2, level=level, ahead=ahead, rest=rest * np.sqrt(ahead * weight))


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
