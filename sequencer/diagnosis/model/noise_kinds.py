"""Kinds of scatter, fitted to the single readings: noise, flicker, pickup, dropouts, coarse steps.

Each kind gives the density of every reading about what the unit should give, its own zero and span errors allowed for.
Log evidences are of single readings; `within_white` is what a Gaussian mean model must be given beside its own to be
held against them.
"""

from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import FloatArray
from instruments.texts import sized
from sequencer.diagnosis.causes.pulses import DOUBLE_COUNTING_CHECK, RATES
from sequencer.diagnosis.model.healthy_model import NOISY_SHARE
from sequencer.diagnosis.model.likelihood import logsumexp
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.noise.averaging import CLOCK_Hz, counter_resolution
from sequencer.diagnosis.noise.densities import log_cdf, log_lost, log_mixture, log_normal, log_sine, log_thrown

__all__ = ["Scatter", "gate_about", "scatters", "scatters_within", "within_white"]

# What scatters by less is nobody's concern.
_QUIET_SHARE = 0.4
_ENOUGH_N = 3
# Far from the rest, beyond the range of the output, and farther than any rail, as fractions of span.
_FAR_FRAC, _BEYOND_FRAC, _FARTHEST_FRAC = 0.005, 0.008, 1.5
_RAILS_N = 4
_LOG_2PI = float(np.log(2 * np.pi))
_LOST_WITHIN = 1.5
_TAIL = 1e-9
_SELDOM = 0.003
_AS_GOOD_NATS = 3.0
_SELDOM_N = 8
_STRADDLING = (0.1, 0.3, 0.9)


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


def _floor(segment: Segment) -> float:
    """Smallest scatter that is believed: readings that were taken once say little of it."""
    share = 1000 if segment.raw.shape[1] > 1 else 100
    return float(max(segment.tolerance / share, segment.resolution / np.sqrt(12), 1e-7))


def within_white(segment: Segment, *, is_noisy: bool = False, readings: FloatArray | None = None) -> float:
    """Log evidence of the readings about the means of their visits, with white noise.

    Args:
        segment: what was read.
        is_noisy: with noise beyond the ordinary.
        readings: in place of those that were taken; shape (visits that were read, readings).
    """
    T, floor = segment.tolerance, _floor(segment)
    low, high = (T * NOISY_SHARE, 30 * T) if is_noisy else (T / 1000, T * NOISY_SHARE)
    raw = segment.steady if readings is None else readings
    count = np.isfinite(raw).sum(axis=1)
    mean = np.nansum(raw, axis=1) / np.maximum(count, 1)
    squares = float(np.nansum((raw - mean[:, np.newaxis]) ** 2))
    freedom = int(np.maximum(count - 1, 0).sum())
    sd = np.geomspace(max(low, floor), max(high, 1.5 * floor), 60)
    terms = -0.5 * freedom * (_LOG_2PI + 2 * np.log(sd)) - 0.5 * squares / sd**2
    # From the mean of n readings to the readings themselves: a factor of sqrt(n).
    return float(logsumexp(terms - np.log(sd.size)) - 0.5 * float(np.log(np.maximum(count, 1)).sum()))


def scatters(segment: Segment) -> list[Scatter]:
    """Each kind of scatter fitted to the readings of a segment, the unit's zero and span errors taken off."""
    is_read = segment.is_read
    raw, ideal = segment.steady, segment.ideal[is_read]
    center, penalty = _healthy_line(segment, ideal)
    residual = raw - center[:, np.newaxis]
    if np.nanmax(np.abs(residual), initial=0.0) < _QUIET_SHARE * segment.tolerance:
        return []
    sds = _spreads(segment, residual[np.isfinite(raw)])
    found = _shapeless(segment, raw, residual, sds)
    if any(segment.sheet.taps[index].unit in RATES for index in (*segment.stages, segment.last)):
        found.append(_double_counts(segment, residual, ideal, sds))
    for lattice in (_gate(segment, raw, center, ideal, sds), _coarse(segment, raw, center, float(sds[0]))):
        if lattice is not None:
            found.append(lattice)
    return [replace(each, log_evidence=each.log_evidence + penalty) for each in found]


def scatters_within(segment: Segment) -> list[Scatter]:
    """Each kind of scatter about the middle of its own visit; log evidences are over that of ordinary white noise."""
    raw = segment.steady
    if raw.shape[1] < 3:
        return []
    has = np.isfinite(raw)
    middle = np.zeros(len(raw))
    middle[has.any(axis=1)] = np.nanmedian(raw[has.any(axis=1)], axis=1)
    residual = raw - middle[:, np.newaxis]
    if np.nanmax(np.abs(residual), initial=0.0) < _QUIET_SHARE * segment.tolerance:
        return []
    sds = _spreads(segment, residual[has])
    usual = np.geomspace(sds[0], max(segment.tolerance / 3, 1.5 * sds[0]), 60)
    white = logsumexp(log_normal(residual[has], usual[:, np.newaxis]).sum(axis=1) - np.log(usual.size))
    # One reading of each visit is its middle, and says nothing.
    share = (raw.shape[1] - 1) / raw.shape[1]
    return [
        replace(each, log_evidence=share * (each.log_evidence - float(white)))
        for each in _shapeless(segment, raw, residual, sds)
    ]


def gate_about(segment: Segment, predicted: FloatArray) -> Scatter | None:
    """Flicker of a counter about what a cause predicts, shape (visits,); None where there is none."""
    raw, ideal = segment.steady, predicted[segment.is_read]
    center, penalty = _healthy_line(segment, ideal)
    residual = (raw - center[:, np.newaxis])[np.isfinite(raw)]
    found = _gate(segment, raw, center, ideal, _spreads(segment, residual))
    return None if found is None else replace(found, log_evidence=found.log_evidence + penalty)


def _spreads(segment: Segment, residual: FloatArray) -> FloatArray:
    """Standard deviations of the readings that no disturbance hits."""
    low = _floor(segment)
    quiet = max(low, 1.2 * 1.4826 * float(np.median(np.abs(residual - np.median(residual)))))
    return np.unique(np.clip(np.geomspace(low, max(quiet, 2 * low), 8), low, None))


def _shapeless(segment: Segment, raw: FloatArray, residual: FloatArray, sds: FloatArray) -> list[Scatter]:
    """Pickup, bursts and dropouts."""
    has = np.isfinite(raw)
    level = np.broadcast_to(segment.ideal[segment.is_read][:, np.newaxis], raw.shape)[has]
    mains = _mains(segment, residual[has], sds)
    # What hits all readings of a visit alike, visit after visit, goes with the point, not with chance.
    is_hit = (np.abs(residual) > max(8 * sds[-1], _FAR_FRAC)) & has
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
    has = np.isfinite(segment.steady).any(axis=1)
    middle = np.nanmedian(segment.steady[has], axis=1) - ideal[has]
    every = np.stack((np.ones_like(ideal), ideal), axis=1)
    columns = every[has]
    weight = np.ones_like(middle)
    usual = 0.25 * segment.tolerance
    line = np.zeros(2)
    for _ in range(6):
        spread = max(1.4826 * float(np.median(np.abs(middle - columns @ line))), segment.tolerance / 100)
        weight = 1 / np.maximum(1.0, np.abs(middle - columns @ line) / (2 * spread))
        normal = (columns * weight[:, np.newaxis]).T @ columns / spread**2 + np.eye(2) / usual**2
        line = np.asarray(np.linalg.solve(normal, (columns * weight[:, np.newaxis]).T @ middle / spread**2), np.float64)
    return ideal + every @ line, float(-0.5 * (line**2).sum() / usual**2 - 6.0)


def _mains(segment: Segment, residual: FloatArray, sds: FloatArray) -> Scatter:
    """A sine at random phases."""
    amplitudes = np.geomspace(0.5 * segment.tolerance, 0.3, 28)
    every = np.array([log_sine(residual, float(each), float(sds[0])).sum() for each in amplitudes])
    size = float(amplitudes[every.argmax()])
    return Scatter(
        name="mains pickup",
        row=17,
        theta=(size,),
        log_evidence=float(logsumexp(every - np.log(every.size))),
        text=(
            f"swings by {sized(size * abs(segment.after.span), 2)} {segment.after.unit} to both sides, longest at the "
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
                        thrown = log_thrown(sign * true, size * factor, sd)
                        both = log_mixture(shares, log_normal(true, sd), thrown).sum(axis=1)
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
            f"{sized(100 * share, 2)} % of the readings lie {side} the rest, "
            f"by up to {sized(2 * size * abs(segment.after.span), 2)} {segment.after.unit}"
        ),
        check="Enable the drive at zero speed; put the shield down at one end; take another route.",
    )


def _double_counts(segment: Segment, residual: FloatArray, ideal: FloatArray, sds: FloatArray) -> Scatter:
    """A share of the pulses counts twice, another one at each reading, anything up to twice the mean share."""
    has = np.isfinite(residual)
    pulses = np.broadcast_to(np.maximum(ideal, 0.0)[:, np.newaxis], residual.shape)[has]
    shares = np.geomspace(0.5 * segment.tolerance, 0.6, 24)
    every = []
    for sd in (float(sds[0]), float(sds[-1])):
        for share in shares:
            most = np.maximum(2 * share * pulses, 0.1 * sd)
            above, below = log_cdf(residual[has] / sd), log_cdf((residual[has] - most) / sd)
            inside = above + np.log(-np.expm1(np.minimum(below - above, -1e-9)))
            every.append((float((inside - np.log(most)).sum()), float(share)))
    _, share = max(every)
    return Scatter(
        name="double counting",
        row=12,
        theta=(share,),
        log_evidence=float(logsumexp(np.array([each for each, _ in every])) - np.log(len(every))),
        text=f"up to {200 * share:.3g} % of the pulses count twice, another share at each reading",
        check=DOUBLE_COUNTING_CHECK,
    )


def _dropouts(segment: Segment, residual: FloatArray, value: FloatArray, sds: FloatArray) -> Scatter:
    """A few readings are at zero signal or at a rail, whatever the input; the rest are right."""
    is_lost = np.abs(residual) > max(8 * sds[-1], _FAR_FRAC)
    beyond = value[is_lost & ((value < -_BEYOND_FRAC) | (value > 1 + _BEYOND_FRAC)) & (value < _FARTHEST_FRAC)]
    rails = (segment.zero_level, *np.unique(np.round(beyond, 2))[:_RAILS_N])
    best: tuple[float, float, float] = (-np.inf, 0.0, 0.0)
    every = []
    shares = np.array([0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.35])[:, np.newaxis]
    for sd in sds:
        usual = log_normal(residual, sd)
        for rail in rails:
            gone = log_lost(value, rail, max(3 * sd, 0.004), _LOST_WITHIN)
            gone = np.where(np.abs(residual) < max(8 * sd, _FAR_FRAC), -np.inf, gone)
            both = log_mixture(shares, usual, gone).sum(axis=1)
            # A rail that the readings themselves name might have been anywhere.
            named = 0.0 if rail == segment.zero_level else np.log(_LOST_WITHIN / 0.01)
            both -= np.log(shares.size * sds.size * len(rails)) + named
            every.append(both)
            index = int(both.argmax())
            if both[index] > best[0]:
                best = (float(both[index]), float(shares[index, 0]), float(rail))
    lost = int(is_lost.sum())
    return Scatter(
        name="intermittent contact",
        row=19,
        theta=(best[1], best[2]),
        log_evidence=float(logsumexp(np.concatenate(every))) if 0 < lost < 0.5 * residual.size else -np.inf,
        text=f"{lost} of {residual.size} readings go to {_where_lost(segment, value[is_lost])}, the rest are right",
        check="Watch the reading while you tap, flex and re-terminate.",
        weight=1.5,
    )


def _where_lost(segment: Segment, value: FloatArray) -> str:
    """Where readings went, in words."""
    if not value.size:
        return "a rail"
    low, high = (float(segment.after.value(np.array(each))) for each in (value.min(), value.max()))
    unit = segment.after.unit
    if np.ptp(value) < 0.02:
        return f"about {sized((low + high) / 2)} {unit}"
    return f"{sized(low)} to {sized(high)} {unit}"


def _gate(segment: Segment, raw: FloatArray, center: FloatArray, ideal: FloatArray, sds: FloatArray) -> Scatter | None:
    """Whole pulses in a gate: each reading is one of the two neighbouring counts, as often as the fraction says.

    A reading that straddles two gates lies between the two counts.
    """
    stage = next((index for index in segment.stages if segment.sheet.taps[index].unit in RATES), None)
    if stage is None or raw.shape[1] < 2:
        return None
    hop = np.abs(np.diff(raw, axis=1))
    low = float(sds[0])
    hop = hop[np.isfinite(hop) & (hop > max(8 * low, 0.2 * segment.tolerance))]
    if not hop.size:
        return None
    has = np.isfinite(raw)
    origin = float(segment.sheet.taps[stage].fraction(np.array(0.0)))
    exact = ideal - origin
    # What is counted is the input; the errors of the unit come after it.
    counted = np.where(has, raw, 0.0) - (center - exact)[:, np.newaxis]
    every: list[tuple[float, float]] = []
    for size, shift in _lattices(counted[has], 0.5 * float(np.median(hop)), 1.6 * float(hop.max()), float(sds[-1])):
        nearest = np.round(exact / size)
        beyond = (exact / size - nearest)[:, np.newaxis]
        off = counted - shift - nearest[:, np.newaxis] * size
        # The input is not known to the last digit: at a whole count the next one may come from either side.
        above, below = np.clip(beyond, _SELDOM, 1), np.clip(-beyond, _SELDOM, 1)
        differ = np.clip(2 * np.abs(beyond) * (1 - np.abs(beyond)), 10 * _SELDOM, 1)  # two gates, one after the other
        between = np.where(np.abs(off) < size, -np.log(2 * size), -60.0)
        on_level = off[has & (np.abs(off) < 6 * sds[-1])]
        own = max(float(np.sqrt(np.mean(on_level**2))), low) if on_level.size else float(sds[-1])
        for sd in (own, 2 * own, 4 * own):
            higher = log_mixture(above, log_normal(off, sd), log_normal(off - size, sd))
            three = log_mixture(below, higher, log_normal(off + size, sd))
            every += [(float(log_mixture(each * differ, three, between)[has].sum()), size) for each in _STRADDLING]
    if not every:
        return None
    best, size = max(every)
    tap = segment.sheet.taps[stage]
    hz = abs(tap.span) * {"Hz": 1, "kHz": 1000}[tap.unit]
    # Seen seldom, it is told apart from its parts by few readings.
    among = [each for total, each in every if total > best - _AS_GOOD_NATS]
    smallest, largest = min(among), max(among)
    top_Hz = hz * max(abs(tap.low), abs(tap.high)) / abs(tap.span)
    finer_pct = 100 * counter_resolution(top_Hz, 1 / (largest * hz), clock_Hz=CLOCK_Hz) / hz
    return Scatter(
        name="gate quantisation",
        row=14,
        theta=(size,),
        log_evidence=float(logsumexp(np.array([total for total, _ in every])) - np.log(len(every))),
        text=(
            f"input resolved to {_between(smallest * hz, largest * hz)} Hz, which is "
            f"{_between(100 * smallest, 100 * largest)} % of span: the reading flickers between two neighbouring levels"
            f"{'; seen so seldom, it may be a part of the step' if hop.size < _SELDOM_N else ''}"
        ),
        check=(
            f"Lengthen the gate: the step shrinks as 1/gate (now about {_between(1 / largest / hz, 1 / smallest / hz)} "
            f"s), or count reciprocally: {finer_pct:.1g} % of span with a clock of {CLOCK_Hz / 1e6:g} MHz. Averaging "
            "helps, a filter does not."
        ),
        weight=2.0,
    )


def _between(low: float, high: float) -> str:
    return f"{high:.2g}" if high < 1.1 * low else f"{low:.2g} to {high:.2g}"


def _lattices(values: FloatArray, low: float, high: float, sd: float) -> list[tuple[float, float]]:
    """Spacing of the lattices that suit the values best, the best forty, and how far each is shifted from zero."""
    count = int(min(np.log(high / low) * float(np.abs(values).max()) / low * 6, 40_000))
    sizes = np.geomspace(low, high, max(count, 64))
    some = np.unique(np.round(values, 5))
    if some.size > 80:
        some = some[:: some.size // 80 + 1]
    score = np.cos(2 * np.pi * some[:, np.newaxis] / sizes).sum(axis=0)
    is_peak = np.concatenate(([True], score[1:] >= score[:-1])) & np.concatenate((score[:-1] > score[1:], [True]))
    peaks = np.flatnonzero(is_peak)
    found = []
    for near in sizes[peaks[np.argsort(-score[peaks])][:40]]:
        # A line through what lies on the levels: high counts tell a spacing better than the grid does.
        counts = np.round(values / near)
        is_on = np.abs(values - near * counts) < 6 * sd
        if np.unique(counts[is_on]).size > 1:
            spacing, shift = np.polynomial.polynomial.polyfit(counts[is_on], values[is_on], 1)[::-1]
            found.append((float(spacing), float(shift)))
    return found


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
        inside = np.exp(log_cdf((upper + size / 2 - rows) / blur)) - np.exp(log_cdf((upper - size / 2 - rows) / blur))
        far = np.maximum(np.abs(upper - rows) - size / 2, 0.0) / blur
        # Readings of one visit are rounded together: they count once.
        visits = has.sum(axis=1)
        rounded = np.where(inside > _TAIL, np.log(np.maximum(inside, _TAIL)), -0.5 * far**2 + np.log(_TAIL))
        rounded /= np.repeat(visits, visits)
        total = float((rounded + log_normal(values - upper, sd)).sum())
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
        text=f"reads in steps of {sized(step)} {segment.after.unit}, {100 * best[1]:.2g} % of span",
        check="Step the input by a quarter of that: the reading stays, then jumps. A tenth of the tolerance is needed.",
        weight=2.0,
        is_of_bench=True,
    )
