"""Kinds of scatter, fitted to the single readings: noise, flicker, pickup, dropouts, coarse steps.

Each kind gives the density of every reading about what the unit should give, its own zero and span errors allowed for.
Log evidences are of single readings; `within_white` is what a Gaussian mean model must be given beside its own to be
held against them.
"""

from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.findings.likelihood import logsumexp
from sequencer.findings.segment import Segment

__all__ = ["Scatter", "gate_about", "scatters", "scatters_within", "within_white"]

_QUADRATURE = np.cos(np.pi * (np.arange(64) + 0.5) / 64)
# What scatters by less is nobody's concern.
_QUIET_SHARE = 0.4
_ENOUGH_N = 3
_LOG_2PI = float(np.log(2 * np.pi))


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """A kind of scatter with its sizes.

    Attributes:
        name: in the trade's words.
        row: number in the catalogue.
        theta: its sizes.
        log_evidence: of all single readings.
        text: its sizes in words.
        check: the next check.
        weight: how common, relative.
    """

    name: str
    row: int
    theta: tuple[float, ...]
    log_evidence: float
    text: str
    check: str
    weight: float = 1.0
    is_of_bench: bool = False


def _floor(segment: Segment, resolution: float) -> float:
    """Smallest scatter that is believed: readings that were taken once say little of it."""
    share = 1000 if segment.raw.shape[1] > 1 else 100
    return float(max(segment.tolerance / share, resolution / np.sqrt(12), 1e-7))


def within_white(segment: Segment, resolution: float, *, low: float, high: float) -> float:
    """Log evidence of the readings about the means of their visits, with a scatter between two limits.

    Args:
        segment: what was read.
        resolution: of the receiver, as fraction.
        low: smallest standard deviation, as fraction.
        high: largest.
    """
    raw = segment.raw[segment.is_read]
    count = np.isfinite(raw).sum(axis=1)
    mean = np.nansum(raw, axis=1) / np.maximum(count, 1)
    squares = float(np.nansum((raw - mean[:, np.newaxis]) ** 2))
    freedom = int(np.maximum(count - 1, 0).sum())
    sd = np.geomspace(max(low, _floor(segment, resolution)), max(high, 1.5 * _floor(segment, resolution)), 60)
    terms = -0.5 * freedom * (_LOG_2PI + 2 * np.log(sd)) - 0.5 * squares / sd**2
    # From the mean of n readings to the readings themselves: a factor of sqrt(n).
    return float(logsumexp(terms - np.log(sd.size)) - 0.5 * float(np.log(np.maximum(count, 1)).sum()))


def scatters(segment: Segment, resolution: float) -> list[Scatter]:
    """Each kind of scatter fitted to the readings of a segment, the unit's zero and span errors taken off."""
    is_read = segment.is_read
    raw, ideal = segment.raw[is_read], segment.ideal[is_read]
    center, penalty = _healthy_line(segment, ideal)
    residual = raw - center[:, np.newaxis]
    if np.nanmax(np.abs(residual), initial=0.0) < _QUIET_SHARE * segment.tolerance:
        return []
    sds = _spreads(segment, residual[np.isfinite(raw)], resolution)
    found = _shapeless(segment, raw, residual, sds)
    for lattice in (_gate(segment, raw, center, ideal, sds), _coarse(segment, raw, center, float(sds[0]))):
        if lattice is not None:
            found.append(lattice)
    return [replace(each, log_evidence=each.log_evidence + penalty) for each in found]


def scatters_within(segment: Segment, resolution: float) -> list[Scatter]:
    """Each kind of scatter about the middle of its own visit; log evidences are over that of ordinary white noise."""
    raw = segment.raw[segment.is_read]
    if raw.shape[1] < 3:
        return []
    residual = raw - np.nanmedian(raw, axis=1)[:, np.newaxis]
    if np.nanmax(np.abs(residual), initial=0.0) < _QUIET_SHARE * segment.tolerance:
        return []
    has = np.isfinite(raw)
    sds = _spreads(segment, residual[has], resolution)
    usual = np.geomspace(sds[0], max(segment.tolerance / 3, 1.5 * sds[0]), 60)
    white = logsumexp(_normal(residual[has], usual[:, np.newaxis]).sum(axis=1) - np.log(usual.size))
    # One reading of each visit is its middle, and says nothing.
    share = (raw.shape[1] - 1) / raw.shape[1]
    return [
        replace(each, log_evidence=share * (each.log_evidence - float(white)))
        for each in _shapeless(segment, raw, residual, sds)
    ]


def gate_about(segment: Segment, resolution: float, predicted: FloatArray) -> Scatter | None:
    """Flicker of a counter about what a cause predicts, shape (visits,); None where there is none."""
    raw, ideal = segment.raw[segment.is_read], predicted[segment.is_read]
    center, penalty = _healthy_line(segment, ideal)
    residual = (raw - center[:, np.newaxis])[np.isfinite(raw)]
    found = _gate(segment, raw, center, ideal, _spreads(segment, residual, resolution))
    return None if found is None else replace(found, log_evidence=found.log_evidence + penalty)


def _spreads(segment: Segment, residual: FloatArray, resolution: float) -> FloatArray:
    """Standard deviations of the readings that no disturbance hits."""
    low = _floor(segment, resolution)
    quiet = max(low, 1.2 * 1.4826 * float(np.median(np.abs(residual - np.median(residual)))))
    return np.unique(np.clip(np.geomspace(low, max(quiet, 2 * low), 8), low, None))


def _shapeless(segment: Segment, raw: FloatArray, residual: FloatArray, sds: FloatArray) -> list[Scatter]:
    """Pickup, bursts and dropouts."""
    has = np.isfinite(raw)
    level = np.broadcast_to(segment.ideal[segment.is_read][:, np.newaxis], raw.shape)[has]
    mains = _mains(segment, residual[has], sds)
    # What hits all readings of a visit alike, visit after visit, goes with the point, not with chance.
    is_hit = (np.abs(residual) > max(8 * sds[-1], 0.005)) & has
    is_whole = (is_hit.sum(axis=1) == has.sum(axis=1)) & (has.sum(axis=1) >= _ENOUGH_N)
    if is_whole.sum() > 0.5 * is_hit.any(axis=1).sum():
        return [mains]
    return [
        mains,
        _bursts(segment, residual[has], level, sds),
        _dropouts(segment, residual[has], raw[has], sds),
    ]


def _healthy_line(segment: Segment, ideal: FloatArray) -> tuple[FloatArray, float]:
    """Ideal with the zero and span errors that the middle of the readings shows, and what these cost."""
    middle = np.nanmedian(segment.raw[segment.is_read], axis=1) - ideal
    columns = np.stack((np.ones_like(ideal), ideal), axis=1)
    weight = np.ones_like(middle)
    usual = 0.25 * segment.tolerance
    line = np.zeros(2)
    for _ in range(6):
        spread = max(1.4826 * float(np.median(np.abs(middle - columns @ line))), segment.tolerance / 100)
        weight = 1 / np.maximum(1.0, np.abs(middle - columns @ line) / (2 * spread))
        normal = (columns * weight[:, np.newaxis]).T @ columns / spread**2 + np.eye(2) / usual**2
        line = np.asarray(np.linalg.solve(normal, (columns * weight[:, np.newaxis]).T @ middle / spread**2), np.float64)
    return ideal + columns @ line, float(-0.5 * (line**2).sum() / usual**2 - 6.0)


def _normal(residual: FloatArray, sd: FloatArray | float) -> FloatArray:
    return -0.5 * (residual / sd) ** 2 - np.log(sd) - 0.5 * _LOG_2PI


def _mains(segment: Segment, residual: FloatArray, sds: FloatArray) -> Scatter:
    """Density of A sin(phase), every phase alike, with a little white noise: peaks at both ends."""
    amplitudes = np.geomspace(0.5 * segment.tolerance, 0.3, 28)
    best: tuple[float, float] = (-np.inf, 0.0)
    every = []
    ordered = np.sort(residual)
    # A histogram of the readings suffices: the density is smooth over a twentieth of the amplitude.
    for amplitude in amplitudes:
        sd = max(amplitude / 12, sds[0])
        step = sd / 3
        bins = np.round(ordered / step).astype(np.int64)
        places, counts = np.unique(bins, return_counts=True)
        terms = _normal(places[:, np.newaxis] * step - amplitude * _QUADRATURE, np.array(sd))
        total = float((counts * (logsumexp(terms, axis=1) - np.log(_QUADRATURE.size))).sum())
        every.append(total)
        if total > best[0]:
            best = (total, float(amplitude))
    evidence = float(logsumexp(np.array(every) - np.log(amplitudes.size)))
    return Scatter(
        name="mains pickup",
        row=17,
        theta=(best[1],),
        log_evidence=evidence,
        text=(
            f"swings by {best[1] * abs(segment.after.span):.2g} {segment.after.unit} to both sides, longest at the "
            "ends as a sine does"
        ),
        check="Set the meter's integration to whole mains cycles: the scatter collapses. Look at shield and route.",
    )


def _bursts(segment: Segment, residual: FloatArray, level: FloatArray, sds: FloatArray) -> Scatter:
    """A share of the readings is off to one side by a half-normal amount, which may grow with the level."""
    best: tuple[float, tuple[float, ...]] = (-np.inf, ())
    every = []
    shares = np.array([0.04, 0.12, 0.25, 0.38, 0.5])[:, np.newaxis]
    some = np.unique(np.concatenate((sds[:1] * np.array([1.5, 8.0]), sds[-1:])))
    sizes = np.geomspace(0.5 * segment.tolerance, 0.5, 8)
    for sign in (1.0, -1.0):
        for sd in some:
            for growing in (0.3, 1.0):
                factor = growing + (1 - growing) * np.clip(level, 0, 1)
                for size in sizes[sizes >= 2 * sd]:
                    # Where many readings are hit, the middle of a visit is not what the unit gives.
                    for drawn in (0.0, 0.2, 0.5):
                        true = residual + sign * drawn * size * factor
                        wide = np.sqrt((size * factor) ** 2 + sd**2)
                        usual = _normal(true, sd)
                        hit = _normal(true, wide) + np.log(2.0) + _log_cdf(sign * true * size * factor / (sd * wide))
                        both = np.logaddexp(np.log1p(-shares) + usual, np.log(shares) + hit).sum(axis=1)
                        every.append(both - np.log(shares.size * 2 * some.size * 2 * sizes.size * 3))
                        index = int(both.argmax())
                        if both[index] > best[0]:
                            best = (float(both[index]), (float(size), float(shares[index, 0]), sign))
    evidence = float(logsumexp(np.concatenate(every))) if every else -np.inf
    size, share, sign = best[1] or (0.0, 0.0, 1.0)
    side = "above" if sign * segment.after.span > 0 else "below"
    return Scatter(
        name="inverter pickup",
        row=18,
        theta=(size, share, sign),
        log_evidence=evidence,
        text=(
            f"{100 * share:.2g} % of the readings lie {side} the rest, "
            f"by up to {2 * size * abs(segment.after.span):.2g} {segment.after.unit}"
        ),
        check="Enable the drive at zero speed; put the shield down at one end; take another route.",
    )


def _log_cdf(x: FloatArray) -> FloatArray:
    """Log of the normal distribution function, good to 1e-3 where it matters here."""
    positive = 0.5 * (1 + np.tanh(np.sqrt(2 / np.pi) * (x + 0.044715 * x**3)))
    tail = -0.5 * np.minimum(x, -1.0) ** 2 - np.log(np.maximum(-x, 1.0)) - 0.5 * _LOG_2PI
    return np.where(x > -4, np.log(np.maximum(positive, 1e-12)), tail)


def _dropouts(segment: Segment, residual: FloatArray, value: FloatArray, sds: FloatArray) -> Scatter:
    """A few readings are at zero signal or at a rail, whatever the input; the rest are right."""
    rails = [segment.zero_level, *(each for each in segment.held if np.isfinite(each))]
    best: tuple[float, float, float] = (-np.inf, 0.0, 0.0)
    every = []
    shares = np.array([0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.35])[:, np.newaxis]
    for sd in sds:
        usual = _normal(residual, np.array(sd))
        for rail in rails:
            anywhere = np.where((value > -0.3) & (value < 1.2), np.log(0.02 / 1.5), -60.0)
            gone = np.logaddexp(_normal(value - rail, np.array(max(3 * sd, 0.004))), anywhere)
            gone = np.where(np.abs(residual) < max(8 * sd, 0.005), -np.inf, gone)
            both = np.logaddexp(np.log1p(-shares) + usual, np.log(shares) + gone).sum(axis=1)
            every.append(both - np.log(shares.size * sds.size * len(rails)))
            index = int(both.argmax())
            if both[index] > best[0]:
                best = (float(both[index]), float(shares[index, 0]), rail)
    lost = int((np.abs(residual) > max(8 * sds[-1], 0.005)).sum())
    return Scatter(
        name="intermittent contact",
        row=19,
        theta=(best[1], best[2]),
        log_evidence=float(logsumexp(np.concatenate(every))) if 0 < lost < 0.5 * residual.size else -np.inf,
        text=(
            f"{lost} of {residual.size} readings drop to {float(segment.after.value(np.array(best[2]))):.3g} "
            f"{segment.after.unit}, the rest are right"
        ),
        check="Watch the reading while you tap, flex and re-terminate.",
        weight=1.5,
    )


def _gate(segment: Segment, raw: FloatArray, center: FloatArray, ideal: FloatArray, sds: FloatArray) -> Scatter | None:
    """Whole pulses in a gate: each reading is one of the two neighbouring counts, as often as the fraction says.

    A reading that straddles two gates lies between the two counts.
    """
    stage = next((index for index in segment.stages if segment.sheet.taps[index].unit in {"Hz", "kHz"}), None)
    if stage is None or raw.shape[1] < 2:
        return None
    hop = np.abs(np.diff(raw, axis=1))
    low = float(sds[0])
    hop = hop[np.isfinite(hop) & (hop > max(8 * low, 0.2 * segment.tolerance))]
    if hop.size < 3:
        return None
    has = np.isfinite(raw)
    origin = float(segment.sheet.taps[stage].fraction(np.array(0.0)))
    exact = ideal - origin
    # What is counted is the input; the errors of the unit come after it.
    counted = np.where(has, raw, 0.0) - (center - exact)[:, np.newaxis]
    best: tuple[float, float] = (-np.inf, 0.0)
    spreads = np.unique(np.clip(float(sds[-1]) * np.array([0.5, 1.0, 2.0, 4.0]), low, None))
    for size in _spacings(counted[has], 0.5 * float(np.median(hop)), 1.6 * float(hop.max())):
        floor = np.floor(exact / size)[:, np.newaxis] * size
        share = np.clip(exact / size - floor[:, 0] / size, 0.003, 0.997)[:, np.newaxis]
        for sd in spreads:
            below = _normal(counted - floor, sd) + np.log1p(-share)
            above = _normal(counted - floor - size, sd) + np.log(share)
            apart = (counted - floor) / size
            between = np.where((apart > -0.5) & (apart < 1.5), -np.log(2 * size), -60.0)
            for straddling in (0.03, 0.15, 0.4):
                two = np.logaddexp(below, above) + np.log1p(-straddling)
                total = float(np.logaddexp(two, between + np.log(straddling))[has].sum())
                if total > best[0]:
                    best = (total, float(size))
    if not best[1]:
        return None
    per_s = best[1] * abs(segment.sheet.taps[stage].span)
    unit = segment.sheet.taps[stage].unit
    return Scatter(
        name="gate quantisation",
        row=14,
        theta=(best[1],),
        log_evidence=best[0] - 10.0,
        text=(
            f"input resolved to {per_s:.3g} {unit}, which is {100 * best[1]:.2g} % of span: the reading flickers "
            "between two neighbouring levels"
        ),
        check=(
            f"Lengthen the gate: the step shrinks as 1/gate (now about {1 / per_s:.2g} s). Averaging helps, a filter "
            "does not."
        ),
        weight=2.0,
    )


def _spacings(values: FloatArray, low: float, high: float) -> FloatArray:
    """The spacings of a lattice through zero that suit the values best, the best forty."""
    count = int(min(np.log(high / low) * float(np.abs(values).max()) / low * 6, 40_000))
    sizes = np.geomspace(low, high, max(count, 64))
    some = np.unique(np.round(values, 5))
    if some.size > 80:
        some = some[:: some.size // 80 + 1]
    score = np.cos(2 * np.pi * some[:, np.newaxis] / sizes).sum(axis=0)
    is_peak = np.concatenate(([True], score[1:] >= score[:-1])) & np.concatenate((score[:-1] > score[1:], [True]))
    peaks = np.flatnonzero(is_peak)
    return np.asarray(sizes[peaks[np.argsort(-score[peaks])][:40]])


def _coarse(segment: Segment, raw: FloatArray, center: FloatArray, low: float) -> Scatter | None:
    """Every reading is a whole number of steps: what the unit should give, rounded."""
    values = raw[np.isfinite(raw)] - segment.zero_level
    levels = np.unique(np.round(values / (low * 2)).astype(np.int64))
    if levels.size < 3 or levels.size > 0.5 * values.size + 8:
        return None
    places = np.unique(np.round(values, 7))
    gaps = np.diff(places)
    gaps = gaps[gaps > 4 * low]
    if not gaps.size:
        return None
    has = np.isfinite(raw)
    best: tuple[float, float] = (-np.inf, 0.0)
    sd = 1.5 * low
    for parts in range(1, 60):
        size = float(gaps.min()) / parts
        if size < max(8 * low, 0.4 * segment.tolerance):
            break
        whole = np.round(values / size)
        size = float((whole * values).sum() / max((whole**2).sum(), 1e-12))
        off = np.abs(values - size * np.round(values / size))
        if float(np.quantile(off, 0.98)) > 4 * low:
            continue
        # Rounded from within half a step of the centre, blurred by what a good unit may be off.
        exact = center - segment.zero_level
        blur = max(0.3 * segment.tolerance, low)
        upper = (size * np.round(values / size)).reshape(-1)
        rows = np.broadcast_to(exact[:, np.newaxis], raw.shape)[has]
        inside = _cdf((upper + size / 2 - rows) / blur) - _cdf((upper - size / 2 - rows) / blur)
        total = float((np.log(np.maximum(inside, 1e-12)) + _normal(values - upper, np.array(sd))).sum())
        # Readings of one visit are rounded together: they count once.
        visits = has.sum(axis=1)
        total = float(
            (
                np.log(np.maximum(inside, 1e-12)) / np.repeat(visits, visits) + _normal(values - upper, np.array(sd))
            ).sum()
        )
        if total > best[0]:
            best = (total, size)
    if not np.isfinite(best[0]):
        return None
    step = best[1] * abs(segment.after.span)
    return Scatter(
        name="meter resolution",
        row=16,
        theta=(best[1],),
        log_evidence=best[0] - 8.0,
        text=f"reads in steps of {step:.3g} {segment.after.unit}, {100 * best[1]:.2g} % of span",
        check="Step the input by a quarter of that: the reading stays, then jumps. A tenth of the tolerance is needed.",
        weight=2.0,
        is_of_bench=True,
    )


def _cdf(x: FloatArray) -> FloatArray:
    return np.asarray(0.5 * (1 + np.tanh(np.sqrt(2 / np.pi) * (x + 0.044715 * x**3))))
