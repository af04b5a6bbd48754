"""Answer of an output to one step of the input: figures from a fitted system and straight from the readings.

A figure that the record cannot give is not given; what stands against it is said in words.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from instruments.datasheet import FloatArray
from instruments.texts import counted
from sequencer.evaluation.figures.step_direct import (
    DirectFigures,
    Estimate,
    Levels,
    direct_figures,
    levels_of,
    moves_at_end,
    wild_readings,
)
from sequencer.evaluation.figures.step_doubts import (
    Doubt,
    SeenStep,
    StepRecord,
    held_at_limit,
    misfit_of,
    of_scatter,
    of_the_end,
    of_the_kind,
    peak_held,
)
from sequencer.evaluation.figures.step_families import MOST_TAIL
from sequencer.evaluation.figures.step_fit import Fit, Trace, figure_of, fits
from sequencer.evaluation.figures.step_models import Shape, crossing_s, overshoot_frac, settling_s

__all__ = ["Answer", "Doubt", "Estimate", "Fitted", "StepRecord", "step_response"]

_LEAST_N = 8
_T63 = 1 - math.exp(-1)
_FAST = "faster than the readings"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """The system that a record speaks for.

    Attributes:
        name: of it.
        weights: of every candidate above 1 %, by name, largest first.
        parameters: by name: times in s, "zeta" a ratio.
        dead_time: Estimate of the dead time, without what the input may have been late by.
        T63, rise, settling, overshoot: of the system itself, without aperture and rise of the input.
        shape: of it, to be drawn.
        before: level before the step.
        step: from there to the level after it.
        drift_per_s: after the step, in the unit of the readings; 0 = none.
        residuals: shape (n,), of the readings that are there.
    """

    name: str
    weights: tuple[tuple[str, float], ...]
    parameters: dict[str, Estimate]
    dead_time: Estimate
    T63: Estimate
    rise: Estimate
    settling: Estimate
    overshoot: Estimate
    shape: Shape
    before: float
    step: float
    drift_per_s: float
    residuals: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a record of one step says.

    Attributes:
        record: it was made of, without missing and wild readings.
        levels: before and after; None where there are too few readings.
        direct: straight from the readings; None where there is no step, or no figure stands.
        fitted: None where no system fits, or none can be told.
        doubts: what stands against figures, the worst first.
    """

    record: StepRecord
    levels: Levels | None = None
    direct: DirectFigures | None = None
    fitted: Fitted | None = None
    doubts: tuple[Doubt, ...] = field(default_factory=tuple)

    def has(self, kind: str) -> bool:
        """Whether a doubt of a kind stands."""
        return any(doubt.kind == kind for doubt in self.doubts)

    def estimate(self, name: str) -> Estimate:
        """A figure by its name: of the system where one fits, else straight from the readings."""
        first: Estimate | None = None if self.fitted is None else getattr(self.fitted, name)
        if (
            first is not None
            and first.reason != _FAST
            and (first.is_known or self.direct is None or name == "dead_time")
        ):
            return first
        if self.direct is not None and name != "dead_time":
            found: Estimate = getattr(self.direct, name)
            # What the system says cannot be told is not told by the readings alone.
            if first is None or first.reason == _FAST:
                return found
            return replace(first, at_most=found.at_most) if not math.isfinite(first.at_most) else first
        if self.direct is not None and math.isfinite(self.direct.first_seen_s[1]):
            return Estimate(at_most=self.direct.first_seen_s[1], reason="no system fits the readings")
        return Estimate(reason=self.doubts[0].words if self.doubts else "too few readings")


def step_response(record: StepRecord) -> Answer:
    """Figures of one step, and what stands against them.

    Args:
        record: with readings before the step, or with a dead time that a few readings lie in.
    """
    record, doubts = _cleaned(record)
    after_n = int(np.sum(record.times_s > 0))
    if after_n < _LEAST_N or not np.any(record.times_s <= 0):
        few = f"{counted(after_n, 'reading')} after the step, {counted(len(record.values) - after_n, 'reading')} before"
        return Answer(record=record, doubts=(Doubt(kind="few", words=f"too few readings: {few}"), *doubts))
    trace = Trace(
        times_s=record.times_s,
        values=record.values,
        aperture_s=record.aperture_s,
        rise_s=record.rise_s,
        late_s=record.late_s,
        resolution=record.resolution,
    )
    levels = levels_of(trace, hold_s=record.hold_s)
    seen = np.abs(record.values[record.times_s > 0] - levels.before).max()
    least = max(6 * levels.sd, 3 * record.resolution, 1e-12 * abs(levels.before))
    if seen <= least or abs(levels.step) <= max(5 * levels.u_step, least / 2):
        words = f"no step: the output did not move by more than {least:.3g} within the record"
        return Answer(record=record, levels=levels, doubts=(Doubt(kind="no step", words=words), *doubts))
    held = held_at_limit(record, levels)
    if held is not None:
        return Answer(record=record, levels=levels, doubts=(held, *doubts))
    direct = direct_figures(trace, levels, band_frac=record.band_frac, hold_s=record.hold_s)
    return _judged(SeenStep(record, trace, levels, direct), doubts)


def _cleaned(record: StepRecord) -> tuple[StepRecord, list[Doubt]]:
    """Without what was not read, or stands alone far off; both are said."""
    doubts = []
    times, values = record.times_s, record.values
    missing = np.isnan(values) | np.isnan(times)
    if missing.any():
        there = times[~missing]
        gap = int(np.argmax(np.diff(there))) if len(there) > 1 else 0
        longest = f", the longest gap {there[gap + 1] - there[gap]:.3g} s, from {there[gap]:.3g} s" if gap else ""
        words = f"{counted(int(missing.sum()), 'reading')} of {len(values)} missing{longest}"
        doubts.append(Doubt(kind="missing", words=words))
        times, values = there, values[~missing]
    wild = wild_readings(values)
    if wild.any():
        where = ", ".join(f"{each:.3g} s" for each in times[wild][:3])
        words = f"{counted(int(wild.sum()), 'reading')} alone far off (at {where}): left out; look for a loose contact"
        doubts.append(Doubt(kind="wild", words=words))
        times, values = times[~wild], values[~wild]
    return replace(record, times_s=times, values=values), doubts


def _judged(seen: SeenStep, doubts: list[Doubt]) -> Answer:
    """Fit, then everything that stands against it."""
    record, direct = seen.record, seen.direct
    rise_s = direct.rise.value if direct.rise.is_known else 2 * seen.trace.interval_s
    starts_s = direct.first_seen_s[1] if math.isfinite(direct.first_seen_s[1]) else seen.trace.interval_s
    found = fits(seen.trace, rise_s=max(rise_s, 0.2 * seen.trace.interval_s), starts_s=starts_s)
    best = found[0]
    if best.family.needs_dead or direct.moving_n < 2:
        return _jumped(seen, found, doubts)
    misfit = misfit_of(seen, best)
    if misfit is None:
        late_s = _late_s(seen, found)
        direct = _as_late(direct, record.late_s, late_s)
        record = replace(record, late_s=late_s)
        seen = replace(seen, record=record, direct=direct)
    doubts = [
        *doubts,
        *of_the_end(seen, best, fits_well=misfit is None),
        *of_scatter(seen),
        *of_the_kind(seen, best, fits_well=misfit is None),
    ]
    is_short = any(doubt.kind in {"short", "very short"} for doubt in doubts)
    peak = peak_held(record, seen.levels)
    doubts += [each for each in (misfit, peak) if each is not None]
    fitted = None if misfit is not None or peak is not None else _fitted(seen, found, is_short=is_short)
    if peak is not None:
        direct = replace(direct, overshoot=Estimate(reason=peak.words))
    away = _away(seen, best, fits_well=misfit is None)
    why = next((doubt.words for doubt in doubts if doubt.kind in {"very short", "short", "drift", "moving"}), "")
    none = Estimate(reason=why)
    if any(doubt.kind == "very short" for doubt in doubts) and fitted is not None:
        fitted = replace(fitted, T63=none, rise=none, settling=none, overshoot=none, parameters={})
    if is_short or (misfit is not None and away > record.band_frac):
        none = Estimate(reason=why or f"the output still moves by {100 * away:.2g} % of the step at the end")
        direct = replace(direct, T63=none, rise=none, settling=none, overshoot=none)
    else:
        direct = _with_level(seen, direct, away)
        if why and fitted is None:
            direct = replace(direct, settling=none)
    return Answer(record=record, levels=seen.levels, direct=direct, fitted=fitted, doubts=tuple(doubts))


def _away(seen: SeenStep, best: Fit, *, fits_well: bool) -> float:
    """How far the level at the end may be from where the output comes to rest, as a share of the step."""
    at_s = seen.record.times_s[-seen.levels.held_n :]
    if fits_well:
        return abs(1 - float(best.shape.seen(at_s, seen.trace.aperture_s, seen.trace.rise_s).mean()))
    return moves_at_end(seen.trace, seen.levels)


def _with_level(seen: SeenStep, direct: DirectFigures, away: float) -> DirectFigures:
    """Figures from the readings with what another level at the end would make of them."""
    if not away:
        return direct
    record, levels = seen.record, seen.levels
    other = replace(levels, after=levels.after + away * levels.step)
    there = direct_figures(seen.trace, other, band_frac=record.band_frac, hold_s=record.hold_s)
    here = direct_figures(seen.trace, levels, band_frac=record.band_frac, hold_s=record.hold_s)

    def wider(name: str) -> Estimate:
        own: Estimate = getattr(direct, name)
        apart = getattr(there, name).value - getattr(here, name).value
        return replace(own, u=math.hypot(own.u, apart)) if own.is_known and math.isfinite(apart) else own

    return replace(direct, T63=wider("T63"), rise=wider("rise"), overshoot=wider("overshoot"))


def _late_s(seen: SeenStep, found: tuple[Fit, ...]) -> float:
    """By how much the input may have been late: it cannot have moved after the output began to answer."""
    begins_s, u = figure_of(found, lambda shape: shape.dead_s)
    return min(seen.record.late_s, begins_s + 2 * u)


def _as_late(direct: DirectFigures, supposed_s: float, late_s: float) -> DirectFigures:
    """Figures from the readings, with the lateness of the input that the fit leaves."""
    off_s, variance = (supposed_s - late_s) / 2, (supposed_s**2 - late_s**2) / 12

    def moved(each: Estimate) -> Estimate:
        if not each.is_known:
            return each
        return replace(each, value=each.value + off_s, u=math.sqrt(max(each.u**2 - variance, 0.0)))

    return replace(direct, T63=moved(direct.T63), settling=moved(direct.settling))


def _fitted(seen: SeenStep, found: tuple[Fit, ...], *, is_short: bool) -> Fitted:
    best, record = found[0], seen.record
    late, u_late = record.late_s / 2, record.late_s / math.sqrt(12)

    def timed(figure: Callable[[Shape], float]) -> Estimate:
        value, u = figure_of(found, figure)
        return Estimate(value=max(value - late, 0.0), u=math.hypot(u, u_late))

    def plain(figure: Callable[[Shape], float]) -> Estimate:
        value, u = figure_of(found, figure)
        return Estimate(value=value, u=u)

    def settled(shape: Shape) -> float:
        return settling_s(shape, record.band_frac)

    settling = timed(settled)
    if is_short:
        settling = Estimate(reason="record too short")
    elif record.times_s[-1] - settling.value < record.hold_s:
        words = f"record too short: it ends {record.times_s[-1] - settling.value:.3g} s after the output has settled"
        settling = Estimate(reason=f"{words}, and {record.hold_s:.3g} s are asked for")
    overshoot = plain(overshoot_frac)
    if overshoot.value <= 2 * overshoot.u or overshoot.value == 0:
        if seen.direct.overshoot.is_known:  # the readings show one that the system has not
            overshoot = seen.direct.overshoot
        else:
            noise = 4 * seen.levels.sd / abs(seen.levels.step)
            bound = seen.direct.overshoot.at_most
            least = max(bound if math.isfinite(bound) else noise, overshoot.value + 2 * overshoot.u)
            overshoot = Estimate(at_most=least, reason=f"none seen beyond {100 * least:.2g} % of the step")
    weights: dict[str, float] = {}
    for each in found:
        weights[each.name] = weights.get(each.name, 0.0) + each.weight
    ranked = sorted(weights.items(), key=lambda each: -each[1])
    return Fitted(
        name=best.name,
        weights=tuple((name, weight) for name, weight in ranked if weight >= 0.01),
        parameters=_parameters(best),
        dead_time=_dead_time(seen, found),
        T63=timed(lambda shape: crossing_s(shape, _T63)),
        rise=plain(lambda shape: crossing_s(shape, 0.9) - crossing_s(shape, 0.1)),
        settling=settling,
        overshoot=overshoot,
        shape=best.shape,
        before=best.before,
        step=best.step,
        drift_per_s=best.drift_per_s,
        residuals=best.residuals,
    )


def _dead_time(seen: SeenStep, found: tuple[Fit, ...]) -> Estimate:
    """A dead time shorter than an interval between readings, or than the input may have been late, is not claimed."""
    value, u = figure_of(found, lambda shape: shape.dead_s)
    late_s = seen.record.late_s
    u = math.hypot(u, late_s / math.sqrt(12))
    least = max(seen.trace.interval_s, late_s)
    value = max(value - late_s / 2, 0.0)
    if found[0].has_dead and value - 2 * u > 0 and value > least:
        return Estimate(value=value, u=u)
    bound = max(least, value + 2 * u)
    return Estimate(at_most=bound, reason=f"none can be told below {bound:.2g} s")


def _parameters(best: Fit) -> dict[str, Estimate]:
    """Parameters of the family as people know them."""
    sizes = np.sqrt(np.maximum(np.diag(best.covariance), 0.0)) if best.covariance.size else np.zeros(len(best.x))
    own = {}
    count = len(best.family.names)
    for name, x, u in zip(best.family.names, best.x[-count:], sizes[-count:], strict=True):
        own[name] = Estimate(value=math.exp(x), u=math.exp(x) * float(u))
    if best.family.name == "second order":
        rates = best.shape.rates
        if not any(rate.imag for rate in rates):
            slow, fast = sorted((-1 / rate.real for rate in rates), reverse=True)
            own |= {"tau": Estimate(value=slow), "second tau": Estimate(value=fast)}
        else:
            own["frequency_Hz"] = Estimate(value=abs(rates[0].imag) / 2 / math.pi)
    if best.family.name == "first order with a slow tail":
        tau, over, share = (own[name].value for name in ("tau", "tail", "share"))
        own |= {"tail": Estimate(value=tau * (1 + over)), "share": Estimate(value=MOST_TAIL * share / (1 + share))}
    if best.family.name == "second order and first order":
        odds = own.pop("damping")
        own["zeta"] = Estimate(value=odds.value / (1 + odds.value), u=odds.u / (1 + odds.value) ** 2)
        own["frequency_Hz"] = Estimate(value=abs(best.shape.rates[0].imag) / 2 / math.pi)
    return own


def _jumped(seen: SeenStep, found: tuple[Fit, ...], doubts: list[Doubt]) -> Answer:
    """Faster than the readings: only bounds."""
    before_s, after_s = seen.direct.first_seen_s
    record, direct = seen.record, seen.direct
    parts = (record.values - seen.levels.before) / seen.levels.step
    there = np.flatnonzero((parts >= 0.9) & (record.times_s > 0))
    full_s = float(record.times_s[there[0]]) if len(there) else after_s
    earliest_s = max(before_s - record.late_s, 0.0)
    width_s = max(full_s - before_s, 0.0)
    words = (
        f"{_FAST}: {counted(direct.moving_n, 'reading')} between 10 and 90 % of the step; the output "
        f"is there between {earliest_s:.3g} and {full_s:.3g} s, whatever it does in between"
    )
    why = Estimate(at_most=full_s, reason=_FAST)
    middle = Estimate(value=(earliest_s + full_s) / 2, u=(full_s - earliest_s) / math.sqrt(12))
    rise = Estimate(at_most=width_s, reason=_FAST)
    direct = replace(direct, T63=middle, rise=rise, settling=_bounded(direct.settling, why))
    doubts = [Doubt(kind="fast", words=words), *doubts, *of_scatter(seen)]
    return Answer(record=record, levels=seen.levels, direct=direct, fitted=_delay(seen, found), doubts=tuple(doubts))


def _bounded(settling: Estimate, why: Estimate) -> Estimate:
    return settling if settling.is_known or not math.isfinite(settling.at_most) else why


def _delay(seen: SeenStep, found: tuple[Fit, ...]) -> Fitted | None:
    """A dead time alone, where it fits; its rise is not told."""
    only = tuple(each for each in found if each.family.needs_dead)
    if not only or misfit_of(seen, only[0]) is not None:
        return None
    best, direct = only[0], seen.direct
    before_s, after_s = direct.first_seen_s
    least = max(seen.trace.interval_s, seen.record.late_s)
    u = math.hypot(after_s - before_s, seen.record.late_s) / math.sqrt(12)
    middle_s = max((before_s + after_s - seen.record.late_s) / 2, 0.0)
    dead = Estimate(value=middle_s, u=u)
    if middle_s - 2 * u <= 0 or middle_s <= least:
        dead = Estimate(at_most=after_s, reason=f"none can be told below {after_s:.2g} s")
    fast = Estimate(reason=_FAST)
    return Fitted(
        name=f"dead time alone, or {_FAST}",
        weights=(),
        parameters={},
        dead_time=dead,
        T63=fast,
        rise=fast,
        settling=fast,
        overshoot=direct.overshoot,
        shape=best.shape,
        before=best.before,
        step=best.step,
        drift_per_s=best.drift_per_s,
        residuals=best.residuals,
    )
