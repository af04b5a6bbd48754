"""What the noise of one burst of readings at a settled point is: kinds weighed against each other, sizes, averaging.

It knows readings and times, no bench: that a drive was off or on is for the caller to say (`drive_effect`).
"""

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.averaging import Averaging, CLOCK_Hz, averaging, counter_resolution
from sequencer.diagnosis.noise.sines import alias_Hz, explained, false_alarm, fit_sines, kept_by_aperture
from sequencer.diagnosis.noise.unordered import Unordered, bursts, dropouts, lattice, sine
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = [
    "LEAST_N", "NOISE_KINDS", "BurstNoise", "DriveEffect", "DriveLine", "Kind", "NoiseKind", "drive_effect",
    "drive_line", "noise_of",
]  # fmt: skip

NoiseKind = Literal[
    "white noise",
    "quantisation flicker",
    "mains pickup",
    "periodic disturbance",
    "bursts to one side",
    "intermittent contact",
    "drift",
    "warm-up",
    "slow wander",
    "unknown",
]
NOISE_KINDS: tuple[NoiseKind, ...] = get_args(NoiseKind)

LEAST_N = 16
_LOG_2PI = math.log(2 * math.pi)
_MAINS_OFF = 0.004  # grids hold 50 and 60 Hz within 0.4 % nearly always
_HARMONICS = ((1,), (1, 2), (2,), (1, 3), (1, 2, 3))
_SCANNED = 4  # frequencies tried for each independent one
_MOST_FREQUENCIES = 20_000
_DEGREES = (1.5, 2.0, 3.0, 5.0, 10.0)
_FAR = 6.0  # standard deviations beyond which a reading has dropped out
_DIGITS = 0.7  # sd in steps of the resolution up to which readings say nothing of anything else
_LOUDER = 1.25
_CERTAIN = 3.0  # standard errors
_LEFT = 1 / 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of noise with its weight.

    Attributes:
        kind: of `NOISE_KINDS`.
        weight: posterior probability among these kinds; white noise taken as likely as all others together before.
        words: its sizes, with units.
        rate_Hz: of a periodic disturbance, below half the reading rate; NaN where it cannot be told.
    """

    kind: NoiseKind
    weight: float
    words: str
    rate_Hz: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class BurstNoise:
    """What one burst of readings says.

    Attributes:
        kinds: of falling weight.
        unit: of readings, mean, sd.
        readings_n: how many were read.
        mean: of all.
        sd: of one reading, n - 1.
        best_value: true value as far as the best kind tells: the mean; the median where contacts or bursts spoil it.
        is_more: True where the best kind leaves something in order or shape that is not white.
        averaging: how far averaging helps.
    """

    kinds: tuple[Kind, ...]
    unit: str
    readings_n: int
    mean: float
    sd: float
    best_value: float
    is_more: bool
    averaging: Averaging

    @property
    def best(self) -> Kind:
        """The kind of largest weight."""
        return self.kinds[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveEffect:
    """Noise with the drive on against off.

    Attributes:
        ratio: sd on over sd off, neither below what the resolution alone gives.
        z_ratio: logarithm of the ratio over its standard error, kurtosis allowed for.
    """

    ratio: float
    z_ratio: float

    @property
    def is_louder(self) -> bool:
        """More noise with the drive on: beyond chance (3 standard errors), and enough to matter."""
        return self.z_ratio > _CERTAIN and self.ratio > _LOUDER

    @property
    def is_unclear(self) -> bool:
        """It looks louder, but may be so by chance."""
        return self.ratio > _LOUDER and not self.is_louder


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveLine:
    """A line that is there with the drive on and not with it off.

    Attributes:
        rate_Hz: where it appears, below half the reading rate.
        interval_s: from one reading to the next.
        left: its amplitude with the drive off, as a share of that with the drive on.
        mains: a harmonic of mains that would appear there as well, such as "5 x 60 Hz"; "" if none of the first ten.
    """

    rate_Hz: float
    interval_s: float
    left: float
    mains: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    kind: NoiseKind
    log_evidence: float
    words: str
    residual: FloatArray | None = None
    rate_Hz: float = math.nan


def noise_of(
    values: FloatArray,
    times_s: FloatArray,
    *,
    unit: str = "",
    resolution: float = 0.0,
    aperture_s: float = 0.0,
    spacing: float | None = None,
    mains_Hz: tuple[float, ...] = (50.0, 60.0),
) -> BurstNoise:
    """Weigh the kinds of noise that one burst of readings may have.

    Each kind is a model of all readings with a density; the mean is integrated out, the other parameters are at their
    best and cost half of ln(n - 1) each, a frequency the logarithm of how many were tried (BIC).

    Args:
        values: shape (n,), in the order taken; NaN = not read, passed over.
        times_s: shape (n,), rising; when each was read.
        unit: of the values, for the words.
        resolution: smallest step shown, same unit; 0 = not known.
        aperture_s: time that one reading averages over; 0 = not known.
        spacing: of quantisation where it is known, same unit; None = found.
        mains_Hz: what mains may be.

    Raises:
        ReadingsError: shapes differ, fewer than `LEAST_N` readings, times that do not rise.
    """
    if values.shape != times_s.shape or values.ndim != 1:
        raise ReadingsError(f"readings of shape {values.shape} with times of shape {times_s.shape}")
    is_read = np.isfinite(values) & np.isfinite(times_s)
    y, t = values[is_read], times_s[is_read]
    if len(y) < LEAST_N:
        raise ReadingsError(
            f"{len(y)} readings are too few to tell noise from noise",
            allowed=f"at least {LEAST_N}",
            todo="take more readings",
        )
    if (np.diff(t) <= 0).any():
        raise ReadingsError("the times of the readings do not rise", todo="put them in the order taken")
    floor = max(resolution / math.sqrt(12), 1e-9 * float(np.abs(y).max()), 1e-150)
    if 0 < y.std() <= _DIGITS * resolution:
        return _last_digit(y, t, unit, resolution)
    fits = [*_by_distribution(y, floor, unit, resolution, spacing), _unknown(y, floor, unit)]
    if np.ptp(y) > 0:
        fits += [
            *_sines(y, t, floor, unit, aperture_s, mains_Hz),
            *_drifts(y, t, floor, unit),
            _wander(y, t, floor, unit),
        ]
    rising = sorted(fits, key=lambda fit: fit.log_evidence)
    fitted = {fit.kind: fit for fit in rising}  # the better of two of a kind
    likely = {kind: math.exp(fit.log_evidence - rising[-1].log_evidence) for kind, fit in fitted.items()}
    likely["white noise"] *= len(NOISE_KINDS) - 1
    total = sum(likely.values())
    kinds = sorted(
        (
            Kind(kind=kind, weight=each / total, words=fitted[kind].words, rate_Hz=fitted[kind].rate_Hz)
            for kind, each in likely.items()
        ),
        key=lambda each: -each.weight,
    )
    best = fitted[kinds[0].kind]
    is_robust = best.kind in {"intermittent contact", "bursts to one side"}
    return BurstNoise(
        kinds=tuple(kinds),
        unit=unit,
        readings_n=len(y),
        mean=float(y.mean()),
        sd=float(y.std(ddof=1)),
        best_value=float(np.median(y)) if is_robust else float(y.mean()),
        is_more=best.residual is not None and _is_odd(best.residual, floor),
        averaging=averaging(y, t),
    )


def _last_digit(y: FloatArray, t: FloatArray, unit: str, resolution: float) -> BurstNoise:
    """Readings that differ by a digit or two."""
    levels = np.unique(np.round(y / resolution))
    mean = _show(float(y.mean()), unit, 7)
    words = f"{len(levels)} levels of the last digit ({_show(resolution, unit)}): truly near {mean}"
    return BurstNoise(
        kinds=(Kind(kind="quantisation flicker", weight=1.0, words=words),),
        unit=unit,
        readings_n=len(y),
        mean=float(y.mean()),
        sd=float(y.std(ddof=1)),
        best_value=float(y.mean()),
        is_more=False,
        averaging=averaging(y, t),
    )


def drive_effect(off: FloatArray, on: FloatArray, *, resolution: float = 0.0) -> DriveEffect:
    """Compare the noise of two bursts taken with the drive off and on.

    Args:
        off: shape (m,), any unit; NaN = not read.
        on: shape (n,), same unit.
        resolution: smallest step shown.

    Raises:
        ReadingsError: fewer than `LEAST_N` readings in one of them.
    """
    off, on = off[np.isfinite(off)], on[np.isfinite(on)]
    if min(len(off), len(on)) < LEAST_N:
        raise ReadingsError("too few readings with the drive off or on", allowed=f"at least {LEAST_N} of each")
    least = max(resolution / math.sqrt(12), 1e-12 * float(np.abs(on).max()), 1e-300)
    ratio = max(float(on.std(ddof=1)), least) / max(float(off.std(ddof=1)), least)
    # Variance of ln s is (kurtosis - 1) / 4n for large n.
    error = math.sqrt(sum(max(_kurtosis(each) - 1, 0.5) / (4 * len(each)) for each in (off, on)))
    return DriveEffect(ratio=ratio, z_ratio=math.log(ratio) / error)


def drive_line(
    off: tuple[FloatArray, FloatArray], on: tuple[FloatArray, FloatArray], rate_Hz: float
) -> DriveLine | None:
    """Whether a line comes with the drive; None where the drive off leaves more than a third of it.

    Args:
        off: readings and times in s with the drive off; each of shape (m,), any unit.
        on: the same with the drive on.
        rate_Hz: the line, as `noise_of` found it with the drive on.
    """
    amplitudes = []
    for values, times_s in (off, on):
        is_read = np.isfinite(values)
        y, t = values[is_read], times_s[is_read]
        width_Hz = 1 / float(t[-1] - t[0])
        near_Hz, _ = _strongest(y, t, max(rate_Hz - width_Hz, width_Hz / 4), rate_Hz + width_Hz, 4)
        amplitudes.append(float(fit_sines(y, t, (near_Hz,))[0][0]))
    left = amplitudes[0] / amplitudes[1] if amplitudes[1] else math.inf
    if left > _LEFT:
        return None
    interval_s = float(np.median(np.diff(on[1])))
    near = [
        f"{order} x {mains_Hz:g} Hz"
        for mains_Hz in (50.0, 60.0)
        for order in range(1, 11)
        if abs(alias_Hz(order * mains_Hz, interval_s) - rate_Hz)
        < order * mains_Hz * _MAINS_OFF + 1 / float(on[1][-1] - on[1][0])
    ]
    return DriveLine(rate_Hz=rate_Hz, interval_s=interval_s, left=left, mains=near[0] if near else "")


def _by_distribution(y: FloatArray, floor: float, unit: str, resolution: float, spacing: float | None) -> list[_Fit]:
    """Kinds that have no order in time."""
    sd = math.hypot(float(y.std(ddof=1)), floor)
    white = f"sd {_show(sd, unit)}" if sd > resolution else f"no more than the resolution of {_show(resolution, unit)}"
    flicker, lost, thrown, swing = (
        lattice(y, floor, spacing=spacing),
        dropouts(y, floor),
        bursts(y, floor),
        sine(y, floor),
    )
    return [
        _Fit(
            kind="white noise",
            log_evidence=_gaussian(y - y.mean(), floor) - _cost(1, len(y)),
            words=white,
            residual=y - y.mean(),
        ),
        _Fit(
            kind="quantisation flicker",
            log_evidence=flicker.log_evidence,
            words=_flicker(y, flicker, unit),
            residual=_within_levels(y, flicker),
        ),
        _Fit(
            kind="intermittent contact",
            log_evidence=lost.log_evidence,
            words=f"{100 * lost.share:.2g} % of the readings drop out",
            residual=y[np.abs(y - np.median(y)) < _FAR * lost.sd] - np.median(y),
        ),
        _Fit(
            kind="bursts to one side",
            log_evidence=thrown.log_evidence,
            words=f"{100 * thrown.share:.2g} % of the readings by {_show(thrown.size, unit)} on average, "
            f"the rest sd {_show(thrown.sd, unit)}",
        ),
        _Fit(
            kind="periodic disturbance",
            log_evidence=swing.log_evidence,
            words=f"amplitude {_show(swing.size, unit)}, sampled at random phase: its frequency cannot be told",
        ),
    ]


def _within_levels(y: FloatArray, found: Unordered) -> FloatArray:
    """Readings less the level each is on."""
    if not found.size > 0:
        return np.asarray(y - y.mean())
    is_upper = y > y.min() + found.size / 2
    return np.asarray(y - np.where(is_upper, np.median(y[is_upper]), np.median(y[~is_upper])))


def _flicker(y: FloatArray, found: Unordered, unit: str) -> str:
    if not found.size > 0:
        return "one level"
    is_upper = y > y.min() + found.size / 2
    duty = float(is_upper.mean())
    between = float(y.mean())
    u = found.size * math.sqrt(max(duty * (1 - duty), 1 / len(y)) / len(y))
    upper = f"two levels {_show(found.size, unit)} apart, {100 * duty:.0f} % on the upper one"
    words = f"{upper}: truly {_show(between, unit, 6)} ± {_show(2 * u, unit, 2)}"
    if unit != "Hz":
        return words
    gate_s = 1 / found.size
    finer_Hz = counter_resolution(between, gate_s, clock_Hz=CLOCK_Hz)
    return (
        f"{words}; a gate of {gate_s:.3g} s has that step, a reciprocal counter with a clock of "
        f"{CLOCK_Hz / 1e6:g} MHz one of {_show(finer_Hz, unit, 2)} in the same time"
    )


def _sines(
    y: FloatArray, t: FloatArray, floor: float, unit: str, aperture_s: float, mains_Hz: tuple[float, ...]
) -> list[_Fit]:
    n, length_s = len(y), float(t[-1] - t[0])
    interval_s = float(np.median(np.diff(t)))
    fits = []
    for nominal_Hz in mains_Hz:
        tried_n = max(2 * _MAINS_OFF * nominal_Hz * length_s, 1.0)
        low_Hz, high_Hz = nominal_Hz * (1 - _MAINS_OFF), nominal_Hz * (1 + _MAINS_OFF)
        rate_Hz, _ = _strongest(y, t, low_Hz, high_Hz, tried_n)
        for orders in _HARMONICS:
            amplitude, rest = fit_sines(y, t, tuple(order * rate_Hz for order in orders))
            log_likelihood = _gaussian(rest, floor)
            cost = _cost(1 + 2 * len(orders), n) + math.log(tried_n * len(mains_Hz) * len(_HARMONICS))
            first = orders[0] * rate_Hz
            kept = kept_by_aperture(first, aperture_s)
            words = f"{first:.4g} Hz, amplitude {_show(float(amplitude[0]), unit)}"
            if 0.05 < kept < 0.95:
                whole = _show(float(amplitude[0]) / kept, unit)
                words += f" ({whole} before the aperture of {1e3 * aperture_s:g} ms)"
            if len(orders) > 1:
                words += " with " + " and ".join(f"{order * rate_Hz:.4g} Hz" for order in orders[1:])
            seen_Hz = alias_Hz(first, interval_s)
            if seen_Hz < 0.9 * first:
                words += f"; read every {1e3 * interval_s:.3g} ms it appears at {seen_Hz:.3g} Hz"
            fits.append(_Fit(kind="mains pickup", log_evidence=log_likelihood - cost, words=words, residual=rest))
    independent = max(n // 2, 2)
    top_Hz = 0.5 / interval_s
    rate_Hz, share = _strongest(y, t, 1 / length_s, top_Hz, independent)
    amplitude, rest = fit_sines(y, t, (rate_Hz,))
    alarm = false_alarm(share, n, independent)
    fits.append(
        _Fit(
            kind="periodic disturbance",
            log_evidence=_gaussian(rest, floor) - _cost(3, n) - math.log(independent),
            words=f"{rate_Hz:.4g} Hz (or what is read as that every {1e3 * interval_s:.3g} ms), amplitude "
            f"{_show(float(amplitude[0]), unit)}, by chance {_chance(alarm)}",
            residual=rest,
            rate_Hz=rate_Hz,
        )
    )
    return fits


def _strongest(y: FloatArray, t: FloatArray, low_Hz: float, high_Hz: float, independent: float) -> tuple[float, float]:
    """Frequency of the strongest sine in a band and the share of the squares it takes; scanned, then refined."""
    rates_Hz = np.linspace(low_Hz, high_Hz, min(int(_SCANNED * independent) + 9, _MOST_FREQUENCIES))
    shares = explained(y, t, rates_Hz)
    for _ in range(2):
        step_Hz, best_Hz = rates_Hz[1] - rates_Hz[0], rates_Hz[np.argmax(shares)]
        rates_Hz = np.linspace(max(best_Hz - step_Hz, low_Hz), min(best_Hz + step_Hz, high_Hz), 41)
        shares = explained(y, t, rates_Hz)
    at = int(np.argmax(shares))
    return float(rates_Hz[at]), float(shares[at])


def _drifts(y: FloatArray, t: FloatArray, floor: float, unit: str) -> list[_Fit]:
    n, length_s = len(y), float(t[-1] - t[0])
    line = np.polynomial.Polynomial.fit(t, y, 1)
    slope = float(line.deriv()(0.0))
    rest = y - line(t)
    fits = [
        _Fit(
            kind="drift",
            log_evidence=_gaussian(rest, floor) - _cost(2, n),
            words=f"{_show(slope * length_s, unit)} in {length_s:.3g} s ({_show(60 * slope, unit)} a minute)",
            residual=rest,
        )
    ]
    taus = length_s * np.geomspace(1 / 30, 2, 24)
    decays = np.exp(-(t - t[0]) / taus[:, None])
    decays -= decays.mean(axis=1, keepdims=True)
    gains = decays @ y / (decays**2).sum(axis=1)
    left = ((y - y.mean() - gains[:, None] * decays) ** 2).sum(axis=1)
    at = int(np.argmin(left))
    rest = y - y.mean() - gains[at] * decays[at]
    return [
        *fits,
        _Fit(
            kind="warm-up",
            log_evidence=_gaussian(rest, floor) - _cost(3, n),
            words=f"{_show(-float(gains[at]), unit)} in all, time constant {taus[at]:.2g} s",
            residual=rest,
        ),
    ]


def _wander(y: FloatArray, t: FloatArray, floor: float, unit: str) -> _Fit:
    """Each reading holds on to a share of the one before (autoregressive of first order, exact density)."""
    n = len(y)
    y = y - y.mean()
    best, held, sd = -math.inf, 0.0, 0.0
    for share in (*np.linspace(0.05, 0.95, 19), 0.98, 0.99, 0.995):
        first = math.sqrt(1 - share**2)
        new = np.concatenate(([first * y[0]], y[1:] - share * y[:-1]))
        one = np.concatenate(([first], np.full(n - 1, 1 - share)))
        whole = float(one @ one)
        ss = float(new @ new) - float(one @ new) ** 2 / whole
        variance = max(ss / (n - 1), floor**2)
        log_likelihood = -((n - 1) * (_LOG_2PI + math.log(variance)) + ss / variance + math.log(whole)) / 2 + math.log(
            first
        )
        if log_likelihood > best:
            best, held, sd = log_likelihood, share, math.sqrt(variance)
    interval_s = float(np.median(np.diff(t)))
    return _Fit(
        kind="slow wander",
        log_evidence=best - _cost(2, n),
        words=f"each reading holds on to {100 * held:.3g} % of the one before"
        f" (memory of {-interval_s / math.log(held):.2g} s),"
        f" new noise sd {_show(sd, unit)}",
    )


def _unknown(y: FloatArray, floor: float, unit: str) -> _Fit:
    """Long tails without order or side (Student t): something, but nothing of the list."""
    n = len(y)
    centre = float(np.median(y))
    best, scale_found = -math.inf, 0.0
    robust = max(1.4826 * float(np.median(np.abs(y - centre))), floor)
    for degrees in _DEGREES:
        constant = math.lgamma((degrees + 1) / 2) - math.lgamma(degrees / 2) - math.log(degrees * math.pi) / 2
        for scale in robust * np.geomspace(0.5, 2, 25):
            sd = math.hypot(scale, floor)
            logs = n * (constant - math.log(sd)) - (degrees + 1) / 2 * float(
                np.log1p(((y - centre) / sd) ** 2 / degrees).sum()
            )
            # Laplace, for the mean integrated out: Fisher information of the place is (v + 1) / (v + 3) / scale^2.
            logs += (_LOG_2PI - math.log(n * (degrees + 1) / (degrees + 3) / sd**2)) / 2
            if logs > best:
                best, scale_found = logs, sd
    return _Fit(
        kind="unknown",
        log_evidence=best - _cost(2, n),
        words=f"tails longer than white noise of sd {_show(scale_found, unit)} has",
    )


def _gaussian(rest: FloatArray, floor: float) -> float:
    """Log density of white residuals, the mean integrated out, their variance at its best."""
    n = len(rest)
    ss = float(rest @ rest)
    variance = max(ss / (n - 1), floor**2)
    return -((n - 1) * (_LOG_2PI + math.log(variance)) + ss / variance + math.log(n)) / 2


def _cost(parameters_n: int, readings_n: int) -> float:
    return parameters_n / 2 * math.log(readings_n - 1)


def _kurtosis(values: FloatArray) -> float:
    away = values - values.mean()
    square = float(np.mean(away**2))
    return float(np.mean(away**4)) / square**2 if square > 0 else 3.0


def _is_odd(rest: FloatArray, floor: float) -> bool:
    """Whether residuals that should be white are not: neighbours alike, or another shape (4 standard errors)."""
    n = len(rest)
    square = float(rest @ rest)
    if square <= n * (2 * floor) ** 2:
        return False
    neighbours = float(rest[1:] @ rest[:-1]) / square
    return abs(neighbours) * math.sqrt(n) > 4 or abs(_kurtosis(rest) - 3) / math.sqrt(24 / n) > 4


def _show(size: float, unit: str, digits: int = 3) -> str:
    return f"{size:.{digits}g} {unit}".strip()


def _chance(probability: float) -> str:
    return "below 1 in a million" if probability < 1e-6 else f"{probability:.2g}"
