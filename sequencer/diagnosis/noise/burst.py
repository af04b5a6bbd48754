"""What the noise of one burst of readings at a settled point is: kinds weighed against each other, sizes, averaging.

It knows readings and times, no bench: that a drive was off or on is for the caller to say (`drive`).
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.averaging import Averaging, averaging
from sequencer.diagnosis.noise.display import held_n, moves_by_steps, shown_step
from sequencer.diagnosis.noise.kinds import KINDS, KINDS_BY_NAME
from sequencer.diagnosis.noise.kinds.flicker import last_digit
from sequencer.diagnosis.noise.kinds.held import held_fit, stairs_fit
from sequencer.diagnosis.noise.kinds.kind import NOISE_KINDS, Burst, BurstFit, KindOfNoise, NoiseKind
from sequencer.diagnosis.noise.kinds.white import WHITE
from sequencer.diagnosis.noise.sines import false_alarm
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
_ALARM = 1e-4  # chance that white noise gives a line as strong as one in what is left
# Few readings look like much: of bursts of own draws with 60 and fewer, one in five was not what it seemed (no source).
_DOUBTFUL_N = 25.0
_TRIED_FIRST_N = 3  # of the kinds that may be one of two
_ODD_UNLISTED = 0.2  # where the best leaves something that is not white, and at most
_UNLISTED = BurstFit(kind="unknown", log_evidence=math.nan, words="a kind that is not listed")
_TOLD = 0.7  # weight from which on what is beneath a display is told
_PART_N = 2000  # readings of what is left that the second kind is looked for in; its sizes are of all
_FEWEST_HIT = 3  # readings that are thrown or lost: fewer beside another kind are chance
_TWO_NATS = 2.0  # that two kinds are rarer than one, beside the choice of the second


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
        share: of the readings that are thrown or lost, or are on the upper level; NaN = has none.
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
        best_value: true value as far as the best kind tells: the mean; the median where contacts, bursts or long tails
            spoil it.
        U_best: half width of its 95 % interval where the kind tells one; else NaN.
        second: the kind that is there beside the best one, `log_evidence` that of both together; None if there is none.
        is_more: True where the best kind leaves something in order or shape that is not white.
        averaging: how far averaging helps.
    """

    kinds: tuple[Kind, ...]
    unit: str
    readings_n: int
    mean: float
    sd: float
    best_value: float
    U_best: float
    second: Kind | None
    is_more: bool
    averaging: Averaging

    @property
    def best(self) -> Kind:
        """The kind of largest weight."""
        return self.kinds[0]

    @property
    def told(self) -> tuple[Kind, ...]:
        """All kinds, the second one as it stands beside the best."""
        if self.second is None:
            return self.kinds
        return tuple(self.second if each.kind == self.second.kind else each for each in self.kinds)


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
    shown = max(resolution, shown_step(y))
    burst = Burst(
        y=y,
        t=t,
        floor=max(shown / math.sqrt(12), _ROUNDING * float(np.abs(y).max()), _LEAST_FLOOR),
        unit=unit,
        resolution=shown,
        aperture_s=aperture_s,
        spacing=spacing,
        mains_Hz=mains_Hz,
        is_counted=is_counted,
    )
    held = held_n(y)
    if held > 1:
        return _held(burst, held)
    if 0 < y.std() <= _DIGITS * shown:
        return _noise(burst, [stairs_fit(burst) or last_digit(burst)], None)
    stairs = stairs_fit(burst) if moves_by_steps(y, shown) else None
    if stairs is not None:
        return _noise(burst, [stairs], None)
    fits = _fits(burst)
    return _noise(burst, fits, _two(burst, fits))


def _fits(burst: Burst) -> list[BurstFit]:
    """All kinds, rising."""
    return sorted((fit for kind in KINDS for fit in kind.fit_burst(burst)), key=lambda fit: fit.log_evidence)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Two:
    """Two kinds together: the first fitted to the readings, the second to what it leaves; evidence of both."""

    first: BurstFit
    second: BurstFit
    log_evidence: float


def _held(burst: Burst, held: int) -> BurstNoise:
    """Readings of a display that shows each value again, and the kind that those are of which are new."""
    found = _noise(burst, [held_fit(burst, held)], None)
    is_new = np.concatenate(([True], np.diff(burst.y) != 0))
    new = replace(burst, y=burst.y[is_new], t=burst.t[is_new])
    if len(new.y) < LEAST_N:
        return found
    best = _noise(new, _fits(new), None).best
    is_told = best.kind not in {"white noise", "unknown"} and best.weight > _TOLD
    return replace(found, second=best if is_told else None)


def _two(burst: Burst, fits: list[BurstFit]) -> _Two | None:
    """The likeliest pair of kinds; None where no kind that is likely leaves anything that is not white."""
    found: list[_Two] = []
    tried = {fit.kind: fit for fit in fits}  # the better of two of a kind
    some = [fit for fit in tried.values() if fit.residual is not None and fit.kind != "white noise"]
    for first in sorted(some, key=lambda fit: -fit.log_evidence)[:_TRIED_FIRST_N]:
        rest = first.residual
        if rest is None or len(rest) < LEAST_N or not _is_odd(rest, burst.floor):
            continue
        times_s = burst.t if first.is_left is None else burst.t[first.is_left]
        left = replace(burst, y=rest + np.median(burst.y), t=times_s)
        part = replace(left, y=left.y[:_PART_N], t=left.t[:_PART_N])
        of_part = [fit for kind in KINDS if not _is_one(kind, KINDS_BY_NAME[first.kind]) for fit in _beside(kind, part)]
        likeliest = KINDS_BY_NAME[max(of_part, key=lambda fit: fit.log_evidence).kind]
        second = max(_beside(likeliest, left), key=lambda fit: fit.log_evidence, default=None)
        if second is not None:
            white = next(fit.log_evidence for fit in WHITE.fit_burst(left))
            together = first.log_evidence + second.log_evidence - white - math.log(len(KINDS)) - _TWO_NATS
            found.append(_Two(first=first, second=second, log_evidence=together))
    return max(found, key=lambda two: two.log_evidence, default=None)


def _beside(kind: KindOfNoise, left: Burst) -> list[BurstFit]:
    """Fits of a kind to what another one leaves, which tell what they leave themselves, and hit enough readings."""
    return [
        fit
        for fit in kind.fit_burst(left)
        if fit.residual is not None and len(left.y) - len(fit.residual) not in range(1, _FEWEST_HIT)
    ]


def _is_one(kind: KindOfNoise, other: KindOfNoise) -> bool:
    """Whether two kinds are one, or too much alike to be told as two."""
    return kind is other or (kind.is_slow and other.is_slow) or (kind.has_two_levels and other.has_two_levels)


def _noise(burst: Burst, fits: list[BurstFit], two: _Two | None) -> BurstNoise:
    """The kinds of falling weight, and what the readings say by the likeliest."""
    y = burst.y
    fitted = {fit.kind: fit for fit in fits}  # the better of two of a kind
    largest = max(fits[-1].log_evidence, two.log_evidence if two else -math.inf)
    likely = {kind: math.exp(fit.log_evidence - largest) for kind, fit in fitted.items()}
    if "white noise" in likely:
        likely["white noise"] *= len(likely) - 1
    both = math.exp(two.log_evidence - largest) if two else 0.0
    if two is not None and both < max(likely.values()):
        two = None
    if two is not None:
        likely[two.first.kind] += both
    found = fitted[max(likely, key=likely.__getitem__)]
    rest = found.residual if two is None else two.second.residual
    is_cut = two is not None and two.first.is_left is not None
    is_more = rest is not None and _is_odd(rest, burst.floor, is_cut=is_cut)
    unlisted = _ODD_UNLISTED if is_more else min((_DOUBTFUL_N / len(y)) ** 2, _ODD_UNLISTED)
    total = sum(likely.values()) / (1 - unlisted)
    weights = {kind: each / total for kind, each in likely.items()}
    weights["unknown"] = weights.get("unknown", 0.0) + unlisted
    kinds = [_kind(fitted.get(kind, _UNLISTED), each, is_weighed=len(fits) > 1) for kind, each in weights.items()]
    kinds.sort(key=lambda each: -each.weight)
    best, second = fitted.get(kinds[0].kind, _UNLISTED), None
    if two is not None:
        kinds[0] = replace(kinds[0], log_evidence=two.log_evidence)
        second = replace(_kind(two.second, both / total), log_evidence=two.log_evidence)
    told = [KINDS_BY_NAME[each.kind] for each in (kinds[0], second) if each is not None]
    is_middle = any(kind.spoils_the_mean or kind.has_long_tails for kind in told)
    mean = y.mean() if math.isnan(best.mean) else best.mean
    return BurstNoise(
        kinds=tuple(kinds),
        unit=burst.unit,
        readings_n=len(y),
        mean=float(y.mean()),
        sd=float(y.std(ddof=1)),
        best_value=float(np.median(y) if is_middle else mean),
        U_best=math.nan if is_middle else best.U_mean,
        second=second,
        is_more=is_more,
        averaging=averaging(y, burst.t),
    )


def _kind(fit: BurstFit, weight: float, *, is_weighed: bool = True) -> Kind:
    return Kind(
        kind=fit.kind,
        weight=weight,
        words=fit.words,
        rate_Hz=fit.rate_Hz,
        log_evidence=fit.log_evidence if is_weighed else math.nan,
        sd=fit.sd,
        size=fit.size,
        share=fit.share,
    )


def kurtosis(values: FloatArray) -> float:
    """Fourth moment over the square of the second; 3 of a normal distribution, and where nothing moves."""
    away = values - values.mean()
    square = float(np.mean(away**2))
    return float(np.mean(away**4)) / square**2 if square > 0 else 3.0


def _is_odd(rest: FloatArray, floor: float, *, is_cut: bool = False) -> bool:
    """Whether residuals that should be white are not: neighbours alike, another shape (4 standard errors), a line.

    What is left of readings that were cut before they were looked at has a shape of its own: `is_cut`.
    """
    n = len(rest)
    square = float(rest @ rest)
    if n < LEAST_N or square <= n * (_FLOORS * floor) ** 2:
        return False
    neighbours = float(rest[1:] @ rest[:-1]) / square
    shape = 0.0 if is_cut else abs(kurtosis(rest) - 3) / math.sqrt(24 / n)
    if max(abs(neighbours) * math.sqrt(n), shape) > _ODD_SDS:
        return True
    power = np.abs(np.fft.rfft(rest)[1 : (n + 1) // 2]) ** 2
    return false_alarm(min(2 * float(power.max()) / n / square, 1.0), n, n // 2) < _ALARM
