"""What captured bursts say for and against each kind of noise, to be added to what a run of single readings says.

Everything is a log evidence over that of a good unit, whose noise stays within what is ordinary. A burst that is quiet
says that what the run seems to show had gone, or was not to be seen; one that is loud says of which kind it is.
"""

import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np

from sequencer.diagnosis.noise.burst import LIKELY, BurstNoise, Kind
from sequencer.diagnosis.noise.fitting import cost, gaussian_of
from sequencer.diagnosis.noise.kinds import KINDS_BY_NAME
from sequencer.diagnosis.noise.kinds.kind import KindOfNoise, NoiseKind
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["Heard", "HeardBurst", "heard"]

QUIET_SHARE = 0.4
"""Readings that all lie nearer than this share of the tolerance are nobody's concern."""

_LOUD_SHARE = 1.0  # of the tolerance: a reading that noise alone takes farther is beyond the ordinary
_WHITE_PRIOR = 0.5  # white noise is as likely as all other kinds together, as in `noise_of`


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardBurst:
    """One captured burst beside a tolerance.

    Attributes:
        noise: what the burst says by itself.
        setpoint_pct: where it was taken, % of the input range.
        is_drive_on: False where the drive was off for it.
        largest: how far a reading lies from the middle at most, in tolerances.
        ordinary: log evidence of the readings if their noise is ordinary; 0 where nobody need be concerned.
    """

    noise: BurstNoise
    setpoint_pct: float
    is_drive_on: bool
    largest: float
    ordinary: float

    @property
    def is_quiet(self) -> bool:
        """It shows nothing, or nothing that its resolution does not make."""
        return self.largest < QUIET_SHARE or math.isnan(self.noise.best.log_evidence)

    def of(self, kind: KindOfNoise, share: float) -> float:
        """For a kind of noise that hits a share of the readings; NaN = all alike."""
        if kind.may_come_with_drive and not self.is_drive_on:
            # That it is not there, or that something else is, says nothing of what comes with the drive.
            return 0.0 if self.is_quiet else max(_any(self.noise.kinds) - self.ordinary, 0.0)
        unseen = kind.unseen(share, self.noise.readings_n)
        shown = next((each for each in self.noise.told if each.kind == kind.name), None)
        if self.is_quiet or shown is None:
            return unseen
        return float(np.logaddexp(shown.log_evidence - self.ordinary, unseen))

    def other(self, named: Collection[NoiseKind] = ()) -> float:
        """For noise of a kind that is not named."""
        white = KINDS_BY_NAME["white noise"]
        if self.is_quiet:
            return 0.0 if not self.is_drive_on else white.unseen(math.nan, self.noise.readings_n)
        kinds = [each for each in self.noise.kinds if each.kind not in named]
        return _any(kinds) - self.ordinary

    @property
    def is_loud(self) -> bool:
        """Its noise is no good unit's, and no drift."""
        return self.is_drive_on and self.largest >= _LOUD_SHARE and not self.is_quiet


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """All bursts that were captured at a tap; () where none was."""

    bursts: tuple[HeardBurst, ...] = ()

    def of(self, kind: KindOfNoise, share: float = math.nan) -> float:
        """Log evidence for a kind, over that of a good unit."""
        return sum(each.of(kind, share) for each in self.bursts)

    def other(self, named: Collection[NoiseKind] = ()) -> float:
        """Log evidence for noise of a kind that is not named, over that of a good unit."""
        return sum(each.other(named) for each in self.bursts)

    @property
    def largest(self) -> float:
        """How far noise took a reading, in tolerances, where it is loud; 0 where it is not."""
        return max((each.largest for each in self.bursts if each.is_loud), default=0.0)

    def showing(self, kind: KindOfNoise) -> tuple[HeardBurst, Kind] | None:
        """The burst that shows a kind most, with the drive on, and what it says of it; None where none does."""
        shown = [
            (burst, each)
            for burst in self.bursts
            if burst.is_drive_on and not burst.is_quiet
            for each in burst.noise.told
            if each.kind == kind.name and each.weight >= LIKELY
        ]
        return max(shown, key=lambda found: found[0].largest, default=None)

    def contradicts(self, kind: KindOfNoise, readings_n: int) -> bool:
        """A loud burst of at least so many readings is of another kind: few readings that look like this one yield."""
        loud = [each for each in self.bursts if each.is_loud and each.noise.readings_n >= readings_n]
        return bool(loud) and self.showing(kind) is None

    @property
    def loudest(self) -> HeardBurst | None:
        """The burst whose noise is loudest; None where none is loud."""
        return max((each for each in self.bursts if each.is_loud), key=lambda each: each.largest, default=None)


def heard(
    values: FloatArray,
    noise: BurstNoise,
    *,
    tolerance: float,
    ordinary_share: float,
    setpoint_pct: float,
    is_drive_on: bool,
) -> HeardBurst:
    """A burst beside a tolerance.

    Args:
        values: shape (n,), unit of `noise`; NaN = not read.
        noise: of these values.
        tolerance: half width, same unit.
        ordinary_share: of the tolerance, up to which a standard deviation is ordinary.
        setpoint_pct: where it was taken.
        is_drive_on: whether the drive was on.
    """
    y = values[np.isfinite(values)]
    largest = float(np.abs(y - np.median(y)).max()) / tolerance
    ordinary = 0.0
    if largest >= _LOUD_SHARE:
        # White and no larger than ordinary, or moving slowly with no more than that about it.
        most = ordinary_share * tolerance
        slow = [each for each in noise.kinds if KINDS_BY_NAME[each.kind].is_slow and each.sd <= most]
        about = y - y.mean()
        white = gaussian_of(float(about @ about), len(y), min(float(y.std(ddof=1)), most)) - cost(1, len(y))
        ordinary = float(np.logaddexp(white, _any(slow)))
    elif largest >= QUIET_SHARE:
        ordinary = _any(noise.kinds)
    return HeardBurst(
        noise=noise, setpoint_pct=setpoint_pct, is_drive_on=is_drive_on, largest=largest, ordinary=ordinary
    )


def _any(kinds: Iterable[Kind]) -> float:
    """Log evidence of one of some kinds, none of them known."""
    kinds = tuple(kinds)
    each_prior = (1 - _WHITE_PRIOR) / (len(KINDS_BY_NAME) - 1)
    terms = [each.log_evidence + math.log(_WHITE_PRIOR if each.kind == "white noise" else each_prior) for each in kinds]
    return float(np.logaddexp.reduce(terms)) if terms else -math.inf
