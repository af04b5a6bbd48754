"""What is common to all kinds of noise: the readings they are fitted to, what a fit says, what a kind says of itself.

A run is a few readings at each of many points, in fractions of the span of the output; a burst is many readings in a
row at one point, in the unit of the meter. A kind has one density for both.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from instruments.texts import sized
from sequencer.evaluation.figures.per_point import BoolArray, FloatArray

__all__ = [
    "AWAY_SDS",
    "FAR_FRAC",
    "NOISE_KINDS",
    "Burst",
    "BurstFit",
    "KindOfNoise",
    "NoiseKind",
    "PulseRate",
    "Run",
    "RunFit",
]

NoiseKind = Literal[
    "white noise",
    "quantisation flicker",
    "display steps",
    "random telegraph",
    "level step",
    "mains pickup",
    "periodic disturbance",
    "bursts to one side",
    "intermittent contact",
    "double counting",
    "drift",
    "warm-up",
    "slow wander",
    "1/f noise",
    "unknown",
]
NOISE_KINDS: tuple[NoiseKind, ...] = get_args(NoiseKind)

FAR_FRAC = 0.005
"""Fraction of span nearer than which no reading is lost or thrown out of a visit: twice a tolerance of 0.25 %."""

AWAY_SDS = 8.0
"""Standard deviations that white noise takes one reading in 10^15 away."""

# That noise which was there has gone a few minutes later: rare, but somebody may have moved a cable (no source).
_GONE = 1e-3
_WHOLE_N = 3  # readings of a visit that are off together, from which on that is no chance
_WHOLE_SHARE = 0.5  # of the visits with a reading that is off: where most are off as a whole, it goes with the point


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """Readings in a row at one settled point.

    Attributes:
        y: shape (n,), in the order taken, all finite.
        t: shape (n,), s, rising.
        floor: smallest noise that is believed, unit of `y`.
        unit: of `y`, for the words.
        resolution: smallest step shown; 0 = not known.
        aperture_s: time that one reading averages over; 0 = not known.
        spacing: of quantisation where it is known; None = found.
        mains_Hz: what mains may be.
        is_counted: pulses are counted before the tap that is read.
        record_s: times of all readings that were taken, also of those left out here; None = none was.
    """

    y: FloatArray
    t: FloatArray
    floor: float
    unit: str = ""
    resolution: float = 0.0
    aperture_s: float = 0.0
    spacing: float | None = None
    mains_Hz: tuple[float, ...] = (50.0, 60.0)
    is_counted: bool = False
    record_s: FloatArray | None = None

    def place(self, index: int) -> str:
        """Which reading of all that were taken, and when, in words."""
        taken_s = self.t if self.record_s is None else self.record_s
        number = 1 + int(np.count_nonzero(taken_s < self.t[index]))
        return f"{number} of {len(taken_s)}, after {sized(float(self.t[index] - taken_s[0]))} s"

    def only(self, is_kept: BoolArray) -> "Burst":
        """Some of the readings."""
        return replace(self, y=self.y[is_kept], t=self.t[is_kept])

    @property
    def length_s(self) -> float:
        """From the first reading to the last."""
        return float(self.t[-1] - self.t[0])

    @property
    def interval_s(self) -> float:
        """From one reading to the next (median)."""
        return float(np.median(np.diff(self.t)))


@dataclass(frozen=True, slots=True, kw_only=True)
class BurstFit:
    """A kind fitted to a burst; sizes in the unit of the readings.

    Attributes:
        kind: of `NOISE_KINDS`.
        log_evidence: natural logarithm, the mean integrated out; -inf where the readings cannot be of that kind.
        words: sizes with units.
        residual: what it leaves, which should be white; None where it leaves nothing to look at.
        is_left: of which readings; None = of all.
        rate_Hz: of a periodic disturbance; NaN where it is not determinable.
        sd: of the white noise beneath.
        size: from level to level of a lattice; amplitude of a sine; mean of what is thrown, negative if downwards.
        share: of the readings on the upper level, thrown or lost, 0..1.
        mean: what the mean would be of readings without end; NaN = that of the readings.
        U_mean: half width of its 95 % interval; NaN = not told.
        is_once: it moved once, which is too little to tell a kind.
        is_sure: one reading alone is off, or many are held at a limit: that is plain, however seldom.
    """

    kind: NoiseKind
    log_evidence: float
    words: str = ""
    residual: FloatArray | None = None
    is_left: npt.NDArray[np.bool_] | None = None
    rate_Hz: float = math.nan
    sd: float = math.nan
    size: float = math.nan
    share: float = math.nan
    mean: float = math.nan
    U_mean: float = math.nan
    is_once: bool = False
    is_sure: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseRate:
    """The tap whose pulses are counted: span and highest rate in Hz, and the fraction at which it stands still."""

    span_Hz: float
    top_Hz: float
    origin: float


@dataclass(frozen=True, kw_only=True)
class Run:
    """A few readings at each of many points, as fractions of the span of the output.

    Attributes:
        raw: shape (visits, readings), NaN = none.
        center: shape (visits,), what the readings scatter about.
        ideal: shape (visits,), what an ideal unit gives.
        sds: rising, what the noise beneath may be; the first is the smallest that is believed.
        tolerance: half width.
        zero_level: fraction at which the signal is zero.
        low, span: of the output, in `unit`: its value is low + span x fraction.
        unit: of the output.
        is_counted: pulses pass a tap of it, so that some may count twice.
        rate: of the pulses that a gate counts; None where none are.
    """

    raw: FloatArray
    center: FloatArray
    ideal: FloatArray
    sds: FloatArray
    tolerance: float
    zero_level: float
    low: float
    span: float
    unit: str
    is_counted: bool
    rate: PulseRate | None

    @cached_property
    def has(self) -> npt.NDArray[np.bool_]:
        """Where there is a reading; shape (visits, readings)."""
        return np.isfinite(self.raw)

    @cached_property
    def away(self) -> FloatArray:
        """Readings less what they scatter about; shape (n,)."""
        return np.asarray((self.raw - self.center[:, np.newaxis])[self.has])

    @cached_property
    def level(self) -> FloatArray:
        """What an ideal unit gives, for each reading; shape (n,)."""
        return np.asarray(np.broadcast_to(self.ideal[:, np.newaxis], self.raw.shape)[self.has])

    @property
    def least_away(self) -> float:
        """How far a reading lies from the rest if it is thrown or lost."""
        return max(AWAY_SDS * float(self.sds[-1]), FAR_FRAC)

    @cached_property
    def goes_with_the_point(self) -> bool:
        """Whether all readings of a visit are off together, visit after visit: that is no chance, so no noise."""
        is_hit = (np.abs(self.raw - self.center[:, np.newaxis]) > self.least_away) & self.has
        count = self.has.sum(axis=1)
        is_whole = (is_hit.sum(axis=1) == count) & (count >= _WHOLE_N)
        return bool(is_whole.sum() > _WHOLE_SHARE * is_hit.any(axis=1).sum())

    def shown(self, frac: float, digits: int = 2) -> str:
        """A difference with its unit."""
        return f"{sized(frac * abs(self.span), digits)} {self.unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFit:
    """A kind fitted to a run.

    Attributes:
        log_evidence: of all single readings, the sizes summed over.
        theta: the sizes that suit best, as fractions.
        text: the sizes in words.
        share: of the readings that it hits; NaN where it hits all alike.
    """

    log_evidence: float
    theta: tuple[float, ...]
    text: str
    share: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class KindOfNoise:
    """All that is said of one kind.

    Attributes:
        name: what is seen.
        cause: what usually makes it.
        check: what to look at next.
        fit_burst: the fits to a burst, several where it has several shapes; () where the burst cannot be of it.
        fit_run: the fit to a run; None where the run cannot be of it.
        fault: what it is called as the fault of a unit; "" where it is none of its own.
        weight: how common the fault is, relative.
        is_of_bench: the bench, not the unit.
        has_two_levels: readings are on one of two, and nowhere else.
        spoils_the_mean: averaging does not help; the median tells more than the mean.
        has_long_tails: the median tells more than the mean, and the more the more readings there are.
        may_come_with_drive: that it is gone with the drive off says nothing against it.
        is_slow: it moves the readings together, so it is no scatter.
        is_flexible: it bends to nearly anything slow, so it is told only where what it leaves is white.
        is_local: it may show at one point and not at another.
        needs_times: single readings at many points cannot tell it from another kind.
    """

    name: NoiseKind
    cause: str
    check: str
    fit_burst: "Callable[[Burst], tuple[BurstFit, ...]]"
    fit_run: "Callable[[Run], RunFit | None] | None" = None
    fault: str = ""
    weight: float = 1.0
    is_of_bench: bool = False
    has_two_levels: bool = False
    spoils_the_mean: bool = False
    has_long_tails: bool = False
    may_come_with_drive: bool = False
    is_slow: bool = False
    is_flexible: bool = False
    is_local: bool = False
    needs_times: bool = False

    def unseen(self, share: float, readings_n: int) -> float:
        """Log probability that readings elsewhere show nothing of it, though it is there.

        Args:
            share: of the readings that it hits; NaN = all alike.
            readings_n: how many were taken there.
        """
        if self.is_local:
            return 0.0
        missed = (1 - share) ** readings_n if math.isfinite(share) else 0.0
        return math.log((1 - _GONE) * missed + _GONE)

    @property
    def check_sentence(self) -> str:
        """The check as a sentence."""
        return f"{self.check[0].upper()}{self.check[1:]}."
