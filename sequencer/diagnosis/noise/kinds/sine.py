"""A sine that is no mains, and what every sine has in common: its density at random phases, its search in time."""

import math

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.fitting import LOG_2PI, cells, climb, cost, gaussian, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise, Run, RunFit
from sequencer.diagnosis.noise.sines import explained, false_alarm, fit_sines, level_beside_sines
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["PERIODIC", "log_sine", "sine_at_random_phases", "sine_in_run", "strongest"]

_PHASES = np.sin(math.pi * ((np.arange(64) + 0.5) / 64 - 0.5))  # of half a turn; the other half is the same
_NARROWEST = 1 / 24  # noise beneath a sine, in amplitudes; else the quadrature misses the edges of the arcsine
_FARTHEST, _CELLS_N = 3.0, 300  # of a reading to the amplitude; beyond it the tail is written down
_RATIOS = np.linspace(0, _FARTHEST, _CELLS_N + 1)
_SQUARES = (_RATIOS[:, np.newaxis] - _PHASES) ** 2  # of the way from a phase to a reading
_NEAREST = _SQUARES.min(axis=1)
_BEYOND = _SQUARES - _NEAREST[:, np.newaxis]

_WIDEST = 0.6  # noise beneath a sine, in amplitudes: beyond it white noise is as good alone
_RMS_TO_AMPLITUDE = 1.35  # a little below sqrt(2): some of the scatter is the noise beneath
_START_NOISE = 0.2  # of the noise beneath, in amplitudes, where the climb begins
_SCANNED = 4  # frequencies tried for each independent one: the peak is met within 10 % of its height
_MOST_FREQUENCIES = 20_000  # some seconds of work; a longer burst is scanned more coarsely
_FEWEST_TURNS = 2  # in a burst: what comes less often is not seen to come again
_REFINED_N, _REFINEMENTS_N = 41, 2  # about the best one, each time between its neighbours
_LEAST_CHANCE = 1e-6  # below it the false alarm has no number: the noise is not that well known

# In a run: amplitudes from what tolerances begin to feel up to what no bench would be used with, as dense as their
# evidence needs (a step of 25 %).
_LEAST_SHARE, _LARGEST_FRAC, _AMPLITUDES_N = 0.5, 0.3, 28


def log_sine(away: FloatArray, amplitude: float, sd: float) -> FloatArray:
    """A sine read at random phases (arcsine distribution) with white noise, which is amplitude / 24 at least."""
    noise = max(sd / amplitude, _NARROWEST)
    logs = np.log(np.exp(_BEYOND * (-0.5 / noise**2)).mean(axis=1)) - 0.5 / noise**2 * _NEAREST
    ratio = np.abs(away)
    ratio /= amplitude
    # Straight between the places of the table, which are even: `np.interp` would search for each.
    place = np.minimum(ratio, _FARTHEST)
    place *= _CELLS_N / _FARTHEST
    cell = np.minimum(place.astype(np.int64), _CELLS_N - 1)
    place -= cell
    found = place * np.diff(logs)[cell]
    found += logs[cell]
    found -= math.log(noise * amplitude) + LOG_2PI / 2
    far = ratio > _FARTHEST
    if far.any():  # the tail of the noise about the peak
        found[far] -= 0.5 * ((ratio[far] - 1) ** 2 - (_FARTHEST - 1) ** 2) / noise**2
    return np.asarray(found)


def sine_at_random_phases(burst: Burst) -> BurstFit:
    """A sine whose frequency the times of the readings do not tell, with white noise."""
    y, floor = burst.y, burst.floor
    values, counts = cells(y)

    def likelihood(at: FloatArray) -> float:
        amplitude = math.exp(at[1])
        sd = math.hypot(math.exp(at[2]) * amplitude, floor)
        return -math.inf if sd > _WIDEST * amplitude else float(counts @ log_sine(values - at[0], amplitude, sd))

    half = max(float(np.ptp(y)) / 2, floor)
    middle = float(y.min() + y.max()) / 2
    fits = [
        climb(likelihood, (middle, math.log(amplitude), math.log(_START_NOISE)), (half / 20, 0.1, 0.5))
        for amplitude in (max(_RMS_TO_AMPLITUDE * float(y.std()), 2 * floor), 0.9 * half + 2 * floor)
    ]
    best, at = max(fits, key=lambda fit: fit[0])
    if not math.isfinite(best):
        return BurstFit(kind="periodic disturbance", log_evidence=-math.inf)
    amplitude = math.exp(at[1])
    return BurstFit(
        kind="periodic disturbance",
        log_evidence=best - cost(2, len(y)),
        words=f"amplitude {show(amplitude, burst.unit)}, sampled at random phase: its frequency is not determinable",
        sd=math.hypot(math.exp(at[2]) * amplitude, floor),
        size=amplitude,
    )


def strongest(y: FloatArray, t: FloatArray, low_Hz: float, high_Hz: float, independent: float) -> tuple[float, float]:
    """Frequency of the strongest sine in a band and the share of the squares it takes; scanned, then refined."""
    rates_Hz = np.linspace(low_Hz, high_Hz, min(int(_SCANNED * independent) + 9, _MOST_FREQUENCIES))
    shares = explained(y, t, rates_Hz)
    for _ in range(_REFINEMENTS_N):
        step_Hz, best_Hz = rates_Hz[1] - rates_Hz[0], rates_Hz[np.argmax(shares)]
        rates_Hz = np.linspace(max(best_Hz - step_Hz, low_Hz), min(best_Hz + step_Hz, high_Hz), _REFINED_N)
        shares = explained(y, t, rates_Hz)
    at = int(np.argmax(shares))
    return float(rates_Hz[at]), float(shares[at])


def _sine_in_time(burst: Burst) -> BurstFit:
    """The strongest sine up to half the reading rate."""
    y, t, n = burst.y, burst.t, len(burst.y)
    independent = max(n // 2, 2)
    rate_Hz, share = strongest(y, t, _FEWEST_TURNS / burst.length_s, 0.5 / burst.interval_s, independent)
    amplitude, rest = fit_sines(y, t, (rate_Hz,))
    level, U_level = level_beside_sines(y, t, (rate_Hz,))
    alarm = false_alarm(share, n, independent)
    chance = "below 1 in a million" if alarm < _LEAST_CHANCE else sized(alarm, 2)
    return BurstFit(
        kind="periodic disturbance",
        log_evidence=gaussian(rest, burst.floor) - cost(3, n) - math.log(independent),
        words=f"{sized(rate_Hz, 4)} Hz (or what is read as that every {sized(1e3 * burst.interval_s)} ms), amplitude "
        f"{show(float(amplitude[0]), burst.unit)}, by chance {chance}",
        residual=rest,
        rate_Hz=rate_Hz,
        size=float(amplitude[0]),
        mean=level,
        U_mean=U_level,
    )


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    if np.ptp(burst.y) == 0:
        return (sine_at_random_phases(burst),)
    return sine_at_random_phases(burst), _sine_in_time(burst)


def sine_in_run(run: Run) -> RunFit:
    """A sine at random phases, of any frequency."""
    amplitudes = np.geomspace(_LEAST_SHARE * run.tolerance, _LARGEST_FRAC, _AMPLITUDES_N)
    every = np.array([log_sine(run.away, float(each), float(run.sds[0])).sum() for each in amplitudes])
    size = float(amplitudes[every.argmax()])
    return RunFit(
        theta=(size,),
        log_evidence=float(np.logaddexp.reduce(every - np.log(every.size))),
        text=f"swings by {run.shown(size)} to both sides, longest at the ends as a sine does",
    )


PERIODIC = KindOfNoise(
    name="periodic disturbance",
    cause="a carrier, a rotating part or a control loop, or one of them seen as an alias",
    check="read at another interval: a true frequency stays, an alias moves",
    fit_burst=_fit_burst,
    fit_run=sine_in_run,
    fault="periodic disturbance",
    may_come_with_drive=True,
    needs_times=True,
)
