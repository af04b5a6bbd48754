"""What the noise of one burst of readings at a settled point is: kinds weighed against each other, sizes, averaging.

It knows readings and times, no bench: that a drive was off or on is for the caller to say (`drive`).
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.averaging import Averaging, averaging
from sequencer.diagnosis.noise.display import coarser_step, held_n, shown_step
from sequencer.diagnosis.noise.fitting import show
from sequencer.diagnosis.noise.kinds import KINDS, KINDS_BY_NAME
from sequencer.diagnosis.noise.kinds.held import held_fit
from sequencer.diagnosis.noise.kinds.kind import NOISE_KINDS, Burst, BurstFit, NoiseKind
from sequencer.diagnosis.noise.left import chance_of_white, unlisted
from sequencer.diagnosis.noise.once import is_seen_once, longer_s
from sequencer.diagnosis.noise.pairs import Pair, likeliest_pair
from sequencer.diagnosis.noise.shown import beneath, coarse_fit, steps_beside
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["LEAST_N", "LIKELY", "NOISE_KINDS", "BurstNoise", "Kind", "NoiseKind", "kurtosis", "noise_of"]

LEAST_N = 16
"""Readings from which on kinds of noise can be distinguished at all: twice as many as the richest kind has sizes."""

LIKELY = 0.1
"""A kind of less weight than that is not worth a line."""

_ROUNDING = 1e-9  # of the largest reading: noise below is of the arithmetic
_LEAST_FLOOR = 1e-150
_NO_NUMBER = 9.89e37  # SCPI-1999, volume 1, 7.2.1 (from memory): infinity is 9.9E37, not a number 9.91E37
_MORE_P = 1e-4  # chance that what is left is white, below which more is said to be there
# Few readings look like much: of bursts of own draws with 60 and fewer, one in five was not what it seemed (no source).
_DOUBTFUL_N = 25.0
_LEAST_UNLISTED, _MOST_UNLISTED = 0.01, 0.2  # before what is left is looked at
_UNLISTED = BurstFit(kind="unknown", log_evidence=math.nan, words="a kind that is not listed")
_TOLD = 0.7  # weight from which on what is beneath a display is told


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
        best_value: true value as far as the kinds tell: the mean; without what was thrown or lost; the median of long
            tails. Of a drift the mean over this time.
        U_best: half width of its 95 % interval; of 1/f noise, of a mean over ten times as many readings, since without
            end it has none; NaN where the kinds tell none, as on two levels or of no kind of the list.
        second: the kind that is there beside the best one, `log_evidence` that of both together; None if there is none.
        is_more: True where the best kind leaves something in order or shape that is not white.
        least_s: how long a record should be at least, s, since what moves does so once in this one; NaN = long enough.
        averaging: how far averaging helps.
        range_words: that the meter changed its range in between; "" = it did not.
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
    least_s: float
    averaging: Averaging
    range_words: str = ""

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
        values: shape (n,), in the order taken; NaN = not read, passed over, and so are 9.9E37 and 9.91E37 of SCPI-1999.
        times_s: shape (n,), rising; when each was read.
        unit: of the values, for the words.
        resolution: smallest step shown, same unit; 0 = not known.
        aperture_s: time that one reading averages over; 0 = not known.
        spacing: of quantisation where it is known, same unit; None = found.
        mains_Hz: what mains may be.
        is_counted: pulses are counted before the tap that is read, so that some may count twice.

    Returns:
        Kinds of falling weight, the second one beside the first if there is one, mean, best value, averaging.

    Raises:
        ReadingsError: shapes differ, fewer than `LEAST_N` readings, times that do not rise.

    Example:
        >>> import numpy as np
        >>> times_s = 0.021 * np.arange(300)
        >>> hum = 0.05 * np.sin(2 * np.pi * 50.03 * times_s)
        >>> noise = sequencer.noise_of(12 + hum + np.random.default_rng(1).normal(0, 0.004, 300), times_s, unit="mA")
        >>> noise.best.kind, round(noise.best.size, 2)
        ('mains pickup', 0.05)
        >>> noise.second is None, noise.is_more
        (True, False)
    """
    if values.shape != times_s.shape or values.ndim != 1:
        raise ReadingsError(f"readings of shape {values.shape} with times of shape {times_s.shape}")
    is_read = (np.abs(values) < _NO_NUMBER) & np.isfinite(times_s)  # NaN is no less either
    y, t = values[is_read], times_s[is_read]
    if len(y) < LEAST_N:
        raise ReadingsError(
            f"{len(y)} readings are too few to distinguish kinds of noise",
            allowed=f"at least {LEAST_N}",
            todo="take more readings",
        )
    if (np.diff(t) <= 0).any():
        raise ReadingsError("the times of the readings do not rise", todo="put them in the order taken")
    y, shown, range_words = _on_one_range(y, shown_step(y), unit)
    shown = max(resolution, shown)
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
        record_s=times_s[np.isfinite(times_s)],
    )
    return replace(_found(burst), range_words=range_words)


def _on_one_range(y: FloatArray, step: float, unit: str) -> tuple[FloatArray, float, str]:
    """Readings as the coarsest range shows them, its step, and words; "" where no meter changed its range."""
    coarser = coarser_step(y, step)
    if coarser is None:
        return y, step, ""
    factor, stretch = coarser
    origin, coarse = float(y[stretch.start]), factor * step
    words = (
        f"in {stretch.stop - stretch.start} of {len(y)} readings in a row the step is {show(coarse, unit)}, else "
        f"{show(step, unit)}: the meter changed its range; all are looked at in the coarser step. Fix the range"
    )
    return origin + coarse * np.round((y - origin) / coarse), coarse, words


def _found(burst: Burst) -> BurstNoise:
    held = held_n(burst.y)
    if held > 1:
        return _held(burst, held)
    coarse = coarse_fit(burst)
    if coarse is not None:
        moving = beneath(burst)
        if moving is not None and moving.kind == "mains pickup":  # the line says more than the digits that it turns
            found = _noise(burst, [moving], None)
            return replace(found, second=_kind(coarse, found.best.weight), U_best=math.nan)
        found = _noise(burst, [coarse], None)
        return found if moving is None else replace(found, second=_kind(moving, found.best.weight), U_best=math.nan)
    fits = _fits(burst)
    return _noise(burst, fits, likeliest_pair(burst, fits))


def _fits(burst: Burst) -> list[BurstFit]:
    """All kinds, rising."""
    return sorted((fit for kind in KINDS for fit in kind.fit_burst(burst)), key=lambda fit: fit.log_evidence)


def _held(burst: Burst, held: int) -> BurstNoise:
    """Readings of a display that shows each value again, and the kind that those are of which are new."""
    found = _noise(burst, [held_fit(burst, held)], None)
    is_new = np.concatenate(([True], np.diff(burst.y) != 0))
    new = burst.only(is_new)
    if len(new.y) < LEAST_N:
        return found
    best = _noise(new, _fits(new), None).best
    is_told = best.kind not in {"white noise", "unknown"} and best.weight > _TOLD
    return replace(found, second=best if is_told else None)


def _noise(burst: Burst, fits: list[BurstFit], pair: Pair | None) -> BurstNoise:
    """The kinds of falling weight, and what the readings say by the likeliest."""
    y = burst.y
    fitted = {fit.kind: fit for fit in fits}  # the better of two of a kind
    largest = max(fits[-1].log_evidence, pair.log_evidence if pair else -math.inf)
    likely = {kind: math.exp(fit.log_evidence - largest) for kind, fit in fitted.items()}
    if "white noise" in likely:
        likely["white noise"] *= len(likely) - 1
    both = math.exp(pair.log_evidence - largest) if pair else 0.0
    if pair is not None and both < max(likely.values()):
        pair = None
    if pair is not None:
        likely[pair.first.kind] = likely.get(pair.first.kind, 0.0) + both
    likeliest = max(likely, key=likely.__getitem__)
    found = fitted[likeliest] if pair is None else pair.first
    p = 1.0 if len(fits) == 1 else _chance_of(burst, found, pair)
    before = min(max((_DOUBTFUL_N / len(y)) ** 2, _LEAST_UNLISTED), _MOST_UNLISTED)
    other = unlisted(p, before)
    total = sum(likely.values())
    listed = likely[likeliest] / total
    weights = {kind: each / total * (1 - other) for kind, each in likely.items()}
    weights["unknown"] = weights.get("unknown", 0.0) + other
    is_other = likeliest != "unknown" and weights["unknown"] > weights[likeliest]
    if is_other:
        fitted["unknown"] = replace(
            fitted.get("unknown", _UNLISTED), words=_nearest(found, pair), is_once=False, is_sure=False
        )
    kinds = [_kind(fitted.get(kind, _UNLISTED), each, is_weighed=len(fits) > 1) for kind, each in weights.items()]
    kinds.sort(key=lambda each: -each.weight)
    best, second = fitted.get(kinds[0].kind, _UNLISTED), None
    if is_other:
        # What bends to nothing else is there, whatever comes with it.
        some = (found,) if pair is None else (found, pair.second)
        plain = [fit for fit in some if fit.kind != "white noise" and not KINDS_BY_NAME[fit.kind].is_flexible]
        second = _kind(plain[0], listed) if plain else None
    elif pair is not None:
        kinds[0] = replace(_kind(pair.first, kinds[0].weight), log_evidence=pair.log_evidence)
        second = replace(_kind(pair.second, both / total * (1 - other)), log_evidence=pair.log_evidence)
    elif len(fits) > 1 and likeliest not in {"white noise", "unknown"}:
        steps = steps_beside(burst, found)
        second = None if steps is None else _kind(steps, kinds[0].weight)
    told = [KINDS_BY_NAME[each.kind] for each in (kinds[0], second) if each is not None]
    is_unknown = any(kind.name == "unknown" for kind in told)
    is_little = is_unknown and not best.is_sure and (best.is_once or is_seen_once(y))
    is_middle = any(kind.spoils_the_mean or kind.has_long_tails for kind in told)
    level, U = _level(found, pair, y)
    if is_other or is_little or "level step" in {kind.name for kind in told}:
        level = U = math.nan
    if math.isnan(level):
        level = float(np.median(y) if is_middle else y.mean())
    return BurstNoise(
        kinds=tuple(kinds),
        unit=burst.unit,
        readings_n=len(y),
        mean=float(y.mean()),
        sd=float(y.std(ddof=1)),
        best_value=level,
        U_best=U,
        second=second,
        is_more=p < _MORE_P,
        least_s=longer_s(burst.length_s) if is_little else math.nan,
        averaging=averaging(y, burst.t),
    )


def _chance_of(burst: Burst, found: BurstFit, pair: Pair | None) -> float:
    """Probability that what the likeliest kind, or pair, leaves is white; where it leaves nothing, in order alone."""
    last = found if pair is None else pair.second
    if last.residual is None:
        return chance_of_white(burst.y - np.median(burst.y), burst.floor, is_cut=True)
    is_cut = last.is_left is not None or (pair is not None and found.is_left is not None)
    return chance_of_white(last.residual, burst.floor, is_cut=is_cut)


def _level(found: BurstFit, pair: Pair | None, y: FloatArray) -> tuple[float, float]:
    """What the readings are truly about, and half width of its 95 % interval; NaN where the kinds do not tell it."""
    if pair is None:
        return found.mean, found.U_mean
    # The second is fitted to what the first leaves, about the median of the readings.
    level = pair.first.mean + pair.second.mean - float(np.median(y))
    return level, math.hypot(pair.first.U_mean, pair.second.U_mean)


def _nearest(found: BurstFit, pair: Pair | None) -> str:
    """Words for what is of no kind."""
    names = found.kind if pair is None else f"{found.kind} with {pair.second.kind}"
    return f"no kind of the list, nor two of them: nearest is {names}, which leaves more than white noise"


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
