"""How likely the readings of a segment are with each kind of noise, the unit's own zero and span errors taken off.

Log evidences are of single readings, and of what was captured beside them; `within_white` is what a Gaussian mean model
must be given beside its own to be held against them. The kinds themselves stand in `noise.kinds`.
"""

import math
from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError
from sequencer.diagnosis.causes.pulses import RATES, are_counted
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.noise.burst import Kind, noise_of
from sequencer.diagnosis.noise.captured import QUIET_SHARE, Heard, HeardBurst, heard
from sequencer.diagnosis.noise.densities import log_normal
from sequencer.diagnosis.noise.kinds import FAULTS
from sequencer.diagnosis.noise.kinds.bursts import BURSTS
from sequencer.diagnosis.noise.kinds.coarse import COARSE
from sequencer.diagnosis.noise.kinds.contact import CONTACT
from sequencer.diagnosis.noise.kinds.flicker import FLICKER
from sequencer.diagnosis.noise.kinds.kind import AWAY_SDS, KindOfNoise, PulseRate, Run, RunFit

__all__ = ["Scatter", "heard_at", "heard_words", "quiet", "scatters", "still_moving", "within_white"]

_LOG_2PI = math.log(2 * math.pi)
_TINY = 1e-300
_MAD_TO_SD = 1.4826  # of a normal distribution
_Hz = {"Hz": 1.0, "kHz": 1000.0}

# Standard deviations summed over, of white noise and beneath a disturbance; turns of the robust fit of a line.
_SDS_N, _BENEATH_N, _LINE_TURNS_N = 60, 8, 6
_MOVING_N = 4  # visits that are read more than once, from which on a way is seen in them


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """A kind of noise with its sizes.

    Attributes:
        kind: which.
        log_evidence: of all single readings and of what was captured, over that of captures of a good unit.
        sizes_n: how many were fitted.
        text: its sizes in words.
    """

    kind: KindOfNoise
    log_evidence: float
    sizes_n: int
    text: str


def heard_at(segment: Segment) -> Heard:
    """What was captured at the tap after a segment."""
    if segment.first < 0:
        return Heard()
    ends = segment.after.to_signal(np.array([segment.after.low, segment.after.high]))
    span = abs(float(ends[1] - ends[0]))
    found: list[HeardBurst] = []
    for captured in segment.series.captured.get(segment.after.name, ()):
        try:
            noise = noise_of(
                captured.values,
                captured.at_s,
                unit=captured.unit,
                resolution=segment.resolution * span,
                is_counted=are_counted(segment.sheet.taps[: segment.last + 1]),
            )
        except ReadingsError:  # too few: they say nothing
            continue
        burst = heard(
            captured.values,
            noise,
            tolerance=segment.tolerance * span,
            ordinary_share=PRIORS.bench.noisy_share,
            setpoint_pct=captured.setpoint_pct,
            is_drive_on=captured.is_drive_on,
        )
        found.append(burst)
    return Heard(bursts=tuple(found))


def within_white(segment: Segment, *, is_noisy: bool = False, readings: FloatArray | None = None) -> float:
    """Log evidence of the readings about the means of their visits, with white noise.

    Args:
        segment: what was read.
        is_noisy: with noise beyond the ordinary.
        readings: in place of those that were taken; shape (visits that were read, readings).
    """
    prior, T, floor = PRIORS.scatter, segment.tolerance, _floor(segment)
    usual = T * PRIORS.bench.noisy_share
    low, high = (usual, prior.widest_tolerances * T) if is_noisy else (T / prior.least_part, usual)
    raw = segment.steady if readings is None else readings
    count = np.isfinite(raw).sum(axis=1)
    mean = np.nansum(raw, axis=1) / np.maximum(count, 1)
    squares = float(np.nansum((raw - mean[:, np.newaxis]) ** 2))
    freedom = int(np.maximum(count - 1, 0).sum())
    sd = np.geomspace(max(low, floor), max(high, prior.wider * floor), _SDS_N)
    terms = -0.5 * freedom * (_LOG_2PI + 2 * np.log(sd)) - 0.5 * squares / sd**2
    # From the mean of n readings to the readings themselves: a factor of sqrt(n).
    return float(np.logaddexp.reduce(terms - np.log(sd.size)) - 0.5 * float(np.log(np.maximum(count, 1)).sum()))


def still_moving(segment: Segment) -> float:
    """What it gains to say that the readings of a visit go on the way that the output came, in nats; 0 where nothing.

    All visits by the same amount from one reading to the next; white noise about that, against white noise alone.
    """
    raw = segment.steady
    way = segment.series.direction[segment.is_read] * segment.rises
    order = np.where(np.isfinite(raw), np.arange(raw.shape[1]), np.nan)
    count = np.isfinite(raw).sum(axis=1, keepdims=True)
    if np.count_nonzero((count[:, 0] > 1) & (way != 0)) < _MOVING_N:
        return 0.0
    along = way[:, np.newaxis] * (order - np.nansum(order, axis=1, keepdims=True) / np.maximum(count, 1))
    away = raw - np.nansum(raw, axis=1, keepdims=True) / np.maximum(count, 1)
    slope = float(np.nansum(along * away) / max(np.nansum(along**2), _TINY))
    # What settling leaves to go moves a good unit too.
    if slope * (raw.shape[1] - 1) < PRIORS.bench.to_go_share * segment.tolerance:
        return 0.0
    rest = raw - slope * along
    noisy = within_white(segment, readings=rest, is_noisy=True) + PRIORS.scatter.noisy_too_nats
    gained = max(within_white(segment, readings=rest), noisy) - within_white(segment)
    return max(gained - 0.5 * math.log(raw.size), 0.0)


def quiet(segment: Segment) -> float:
    """Log evidence of the readings with zero and span errors and white noise alone, as each kind of noise has it."""
    ideal = segment.ideal[segment.is_read]
    center, penalty = _healthy_line(segment, ideal)
    run = _run(segment, center, ideal)
    terms = log_normal(run.away, run.sds[:, np.newaxis]).sum(axis=1)
    return float(np.logaddexp.reduce(terms - np.log(run.sds.size))) + penalty


def scatters(
    segment: Segment, captured: Heard, *, good: float, noisy: float, about: FloatArray | None = None
) -> list[Scatter]:
    """Each kind of noise that the run or a capture shows, the unit's zero and span errors taken off.

    Args:
        segment: what was read.
        captured: at its tap.
        good: log evidence of the run if nothing is wrong, or nothing beside what it scatters about.
        noisy: the same if it has noise of a kind that is not named.
        about: what a cause predicts, shape (visits,); None = what an ideal unit gives.
    """
    ideal = (segment.ideal if about is None else about)[segment.is_read]
    center, penalty = _healthy_line(segment, ideal)
    run = _run(segment, center, ideal)
    is_seen = _is_seen(run)
    # What throws readings by chance, and by any amount, does not throw them by the same amount at the same place.
    by_chance: tuple[KindOfNoise, ...] = (BURSTS,) if is_seen and _comes_again(segment, run) else ()
    by_chance = _not_of_one(run) or by_chance
    found = []
    for kind in FAULTS:
        if kind.needs_times and not captured.bursts:
            continue
        fit = kind.fit_run(run) if is_seen and kind.fit_run is not None and kind not in by_chance else None
        if fit is not None and kind is COARSE and not _may_be_rounded(segment, fit.theta[0]):
            fit = None
        shown = captured.showing(kind)
        own = -math.inf if fit is None else fit.log_evidence + penalty
        if shown is not None and kind is not COARSE and (kind is not FLICKER or run.rate is not None):
            # The run may not show it: there it was not to be seen, or stands as noise.
            own = max(own, good + kind.unseen(shown[1].share, run.away.size), noisy)
        elif captured.contradicts(kind, run.away.size):
            own = min(own, noisy)
        if math.isfinite(own):
            found.append(_scatter(kind, fit, own, captured))
    return found


def _scatter(kind: KindOfNoise, fit: RunFit | None, own: float, captured: Heard) -> Scatter:
    """A kind with the sizes that the stronger evidence gives: those of the burst, where one shows it."""
    shown = captured.showing(kind)
    share = fit.share if fit is not None else shown[1].share if shown is not None else math.nan
    return Scatter(
        kind=kind,
        log_evidence=own + captured.of(kind, share),
        sizes_n=len(fit.theta) if fit is not None else 1,
        text=heard_words(*shown, kind.fault) if shown is not None else fit.text if fit is not None else "",
    )


def heard_words(burst: HeardBurst, kind: Kind, fault: str = "") -> str:
    """What a burst shows of a kind, and where it was taken; `fault`, if it goes before."""
    named = "" if kind.kind == fault else f"{kind.kind} "
    return f"{named}in {burst.noise.readings_n} readings at {burst.setpoint_pct:.4g} %: {kind.words}"


def _run(segment: Segment, center: FloatArray, ideal: FloatArray) -> Run:
    """The single readings that are steady, beside what they scatter about and what is ideal; shape (visits read,)."""
    raw = segment.steady
    taps = segment.sheet.taps
    counted = next((taps[index] for index in segment.stages if taps[index].unit in RATES), None)
    after = segment.after
    rate = None
    if counted is not None:
        factor = _Hz[counted.unit]
        rate = PulseRate(
            span_Hz=abs(counted.span) * factor,
            top_Hz=factor * max(abs(counted.low), abs(counted.high)),
            origin=float(counted.fraction(np.array(0.0))),
        )
    return Run(
        raw=raw,
        center=center,
        ideal=ideal,
        sds=_spreads(segment, (raw - center[:, np.newaxis])[np.isfinite(raw)]),
        tolerance=segment.tolerance,
        zero_level=segment.zero_level,
        low=float(after.value(np.array(0.0))),
        span=after.span,
        unit=after.unit,
        is_counted=are_counted(taps[index] for index in (*segment.stages, segment.last)),
        rate=rate,
    )


def _is_seen(run: Run) -> bool:
    return bool(np.abs(run.away).max(initial=0.0) >= QUIET_SHARE * run.tolerance)


def _may_be_rounded(segment: Segment, step: float) -> bool:
    """Whether a good unit, read in steps of this size, may give these readings.

    Rounding moves a reading by half a step at most; and a meter of such steps has no digits beyond them to show.
    """
    if 0 < segment.shown_step < step * PRIORS.scatter.finer_share:
        return False
    # Wherever the steps begin: the widest that all differences between readings are multiples of.
    count = np.unique(np.round(segment.steady[np.isfinite(segment.steady)] / step).astype(np.int64))
    step *= max(int(np.gcd.reduce(np.diff(count))), 1)
    allowed = np.full(segment.is_read.size, segment.tolerance) if segment.allowed is None else segment.allowed
    most = np.where(np.isfinite(allowed), allowed, segment.tolerance)[segment.is_read] + step / 2 + _floor(segment)
    away = np.abs(segment.steady - segment.ideal[segment.is_read, np.newaxis]) - most[:, np.newaxis]
    return bool(np.nanquantile(away, PRIORS.scatter.rounded_share) <= 0)


def _not_of_one(run: Run) -> tuple[KindOfNoise, ...]:
    """What throws readings by chance is known by throwing more than one; but a loop that opens leaves its range."""
    off = np.abs(run.away - np.median(run.away))
    usual = max(_MAD_TO_SD * float(np.median(off)), float(run.sds[0]))
    if np.count_nonzero(off > PRIORS.scatter.stands_out_sds * usual) != 1:
        return ()
    lone = float(run.raw[np.isfinite(run.raw)][off.argmax()])
    is_open = abs(lone - 0.5) > 0.5 + PRIORS.scatter.open_frac
    return (BURSTS,) if is_open else (BURSTS, CONTACT)


def _comes_again(segment: Segment, run: Run) -> bool:
    """Whether most visits that are out lie where every visit is out, by the same amount."""
    spread = AWAY_SDS * float(run.sds[-1])
    visits = [row[np.isfinite(row)] for row in run.raw - run.center[:, np.newaxis]]
    away = np.array([np.median(row) if row.size else 0.0 for row in visits])
    is_out = np.abs(away) > max(spread, PRIORS.trying.tiny_effect * segment.tolerance)
    places = segment.places
    same = [
        int(is_here.sum())
        for is_here in (places == each for each in np.unique(places[is_out]))
        if is_here.sum() > 1 and is_out[is_here].all() and float(np.ptp(away[is_here])) <= spread
    ]
    return bool(sum(same) > PRIORS.scatter.again_share * is_out.sum())


def _floor(segment: Segment) -> float:
    """Smallest scatter that is believed."""
    prior = PRIORS.scatter
    part = prior.least_part if segment.raw.shape[1] > 1 else prior.read_once_part
    return float(max(segment.tolerance / part, segment.resolution / np.sqrt(12), prior.least_frac))


def _spreads(segment: Segment, away: FloatArray) -> FloatArray:
    """Standard deviations of the readings that no disturbance hits."""
    low = _floor(segment)
    quiet = max(low, PRIORS.scatter.beneath_slack * _MAD_TO_SD * float(np.median(np.abs(away - np.median(away)))))
    return np.unique(np.clip(np.geomspace(low, max(quiet, PRIORS.scatter.beneath_least * low), _BENEATH_N), low, None))


def _healthy_line(segment: Segment, ideal: FloatArray) -> tuple[FloatArray, float]:
    """Ideal with the zero and span errors that the middle of the readings shows, and what these cost."""
    has = np.isfinite(segment.steady).any(axis=1)
    middle = np.nanmedian(segment.steady[has], axis=1) - ideal[has]
    every = np.stack((np.ones_like(ideal), ideal), axis=1)
    columns = every[has]
    usual, prior = PRIORS.good.zero * segment.tolerance, PRIORS.line
    line = np.zeros(2)
    for _ in range(_LINE_TURNS_N):
        off = np.abs(middle - columns @ line)
        spread = max(_MAD_TO_SD * float(np.median(off)), segment.tolerance / prior.least_part)
        weighted = (columns / np.maximum(1.0, off / (prior.far_sds * spread))[:, np.newaxis]).T
        normal = weighted @ columns / spread**2 + np.eye(2) / usual**2
        line = np.asarray(np.linalg.solve(normal, weighted @ middle / spread**2), np.float64)
    return ideal + every @ line, float(-0.5 * (line**2).sum() / usual**2 - prior.nats)
