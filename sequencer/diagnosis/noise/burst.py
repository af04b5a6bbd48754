"""What the noise of one burst of readings at a settled point is: kinds weighed against each other, sizes, averaging.

It knows readings and times, no bench: that a drive was off or on is for the caller to say (`drive`).
"""

import math
from dataclasses import dataclass

import numpy as np

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.averaging import Averaging, averaging
from sequencer.diagnosis.noise.kinds import KINDS, KINDS_BY_NAME
from sequencer.diagnosis.noise.kinds.flicker import last_digit
from sequencer.diagnosis.noise.kinds.kind import NOISE_KINDS, Burst, BurstFit, NoiseKind
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["LEAST_N", "LIKELY", "NOISE_KINDS", "BurstNoise", "Kind", "NoiseKind", "kurtosis", "noise_of"]

LEAST_N = 16
"""Readings from which on kinds of noise can be distinguished at all: twice as many as the richest kind has sizes."""

LIKELY = 0.1
"""A kind of less weight than that is not worth a line."""

_DIGITS = 0.7  # sd in steps of the resolution up to which readings say nothing of anything else
_ROUNDING = 1e-9  # of the largest reading: noise below is of the arithmetic
_LEAST_FLOOR = 1e-150
_ODD_SDS = 4.0  # standard errors from white that what is left is no more taken for it
_FLOORS = 2.0  # what is left and no larger than so many floors is rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of noise with its weight.

    Attributes:
        kind: of `NOISE_KINDS`.
        weight: posterior probability among these kinds; white noise taken as likely as all others together before.
        words: its sizes, with units.
        rate_Hz: of a periodic disturbance, below half the reading rate; NaN where it is not determinable.
        log_evidence: of the readings, in their unit, the mean integrated out; NaN where it was not weighed.
        sd: of the white noise beneath, same unit; NaN = not told.
        size: from level to level, amplitude, or mean of what is thrown, unit of the readings; NaN = has none.
        share: of the readings that are thrown or lost; NaN = has none.
    """

    kind: NoiseKind
    weight: float
    words: str
    rate_Hz: float = math.nan
    log_evidence: float = math.nan
    sd: float = math.nan
    size: float = math.nan
    share: float = math.nan


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


def noise_of(
    values: FloatArray,
    times_s: FloatArray,
    *,
    unit: str = "",
    resolution: float = 0.0,
    aperture_s: float = 0.0,
    spacing: float | None = None,
    mains_Hz: tuple[float, ...] = (50.0, 60.0),
    is_counted: bool = False,
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
        is_counted: pulses are counted before the tap that is read, so that some may count twice.

    Raises:
        ReadingsError: shapes differ, fewer than `LEAST_N` readings, times that do not rise.
    """
    if values.shape != times_s.shape or values.ndim != 1:
        raise ReadingsError(f"readings of shape {values.shape} with times of shape {times_s.shape}")
    is_read = np.isfinite(values) & np.isfinite(times_s)
    y, t = values[is_read], times_s[is_read]
    if len(y) < LEAST_N:
        raise ReadingsError(
            f"{len(y)} readings are too few to distinguish kinds of noise",
            allowed=f"at least {LEAST_N}",
            todo="take more readings",
        )
    if (np.diff(t) <= 0).any():
        raise ReadingsError("the times of the readings do not rise", todo="put them in the order taken")
    burst = Burst(
        y=y,
        t=t,
        floor=max(resolution / math.sqrt(12), _ROUNDING * float(np.abs(y).max()), _LEAST_FLOOR),
        unit=unit,
        resolution=resolution,
        aperture_s=aperture_s,
        spacing=spacing,
        mains_Hz=mains_Hz,
        is_counted=is_counted,
    )
    if 0 < y.std() <= _DIGITS * resolution:
        return _noise(burst, [last_digit(burst)])
    return _noise(burst, [fit for kind in KINDS for fit in kind.fit_burst(burst)])


def _noise(burst: Burst, fits: list[BurstFit]) -> BurstNoise:
    """The kinds of falling weight, and what the readings say by the likeliest."""
    y = burst.y
    rising = sorted(fits, key=lambda fit: fit.log_evidence)
    fitted = {fit.kind: fit for fit in rising}  # the better of two of a kind
    likely = {kind: math.exp(fit.log_evidence - rising[-1].log_evidence) for kind, fit in fitted.items()}
    if "white noise" in likely:
        likely["white noise"] *= len(likely) - 1
    total = sum(likely.values())
    kinds = sorted(
        (
            Kind(
                kind=kind,
                weight=each / total,
                words=fitted[kind].words,
                rate_Hz=fitted[kind].rate_Hz,
                log_evidence=fitted[kind].log_evidence if len(fits) > 1 else math.nan,
                sd=fitted[kind].sd,
                size=fitted[kind].size,
                share=fitted[kind].share,
            )
            for kind, each in likely.items()
        ),
        key=lambda each: -each.weight,
    )
    best = fitted[kinds[0].kind]
    return BurstNoise(
        kinds=tuple(kinds),
        unit=burst.unit,
        readings_n=len(y),
        mean=float(y.mean()),
        sd=float(y.std(ddof=1)),
        best_value=float(np.median(y) if KINDS_BY_NAME[best.kind].spoils_the_mean else y.mean()),
        is_more=best.residual is not None and _is_odd(best.residual, burst.floor),
        averaging=averaging(y, burst.t),
    )


def kurtosis(values: FloatArray) -> float:
    """Fourth moment over the square of the second; 3 of a normal distribution, and where nothing moves."""
    away = values - values.mean()
    square = float(np.mean(away**2))
    return float(np.mean(away**4)) / square**2 if square > 0 else 3.0


def _is_odd(rest: FloatArray, floor: float) -> bool:
    """Whether residuals that should be white are not: neighbours alike, or another shape (4 standard errors)."""
    n = len(rest)
    square = float(rest @ rest)
    if square <= n * (_FLOORS * floor) ** 2:
        return False
    neighbours = float(rest[1:] @ rest[:-1]) / square
    return max(abs(neighbours) * math.sqrt(n), abs(kurtosis(rest) - 3) / math.sqrt(24 / n)) > _ODD_SDS
