"""How far the readings of a run scatter: within a visit, from visit to visit, and from cycle to cycle.

The readings of one visit follow each other within seconds; the next cycle comes back to the same point after a
warm-up, a turn of the traverse, another settling. So what repeats within a visit tells too little of what repeats at
all. Where there are two cycles or more, the errors are taken apart as in GUM H.5: point and direction, cycle, the rest.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import special

from instruments.datasheet import DataSheet, FloatArray, Tap
from sequencer.evaluation.figures.contributions import Contribution, from_standard
from sequencer.evaluation.figures.per_point import per_point
from sequencer.evaluation.figures.student import coverage_factor
from sequencer.readings.table import Grid

__all__ = [
    "NO_SCATTER",
    "Components",
    "Cycles",
    "Pooled",
    "Within",
    "components",
    "cycles_apart",
    "is_scatter_unknown",
    "pooled_by_setpoint",
    "scatter_of_means",
    "signal_slope",
    "within_visits",
]

# Scatter is one for all points unless the readings speak against it: a wrong split leaves each few degrees of freedom.
_HOMOGENEITY_LEVEL = 0.01
# Two estimates are taken for one only where they are near: at 5 % a real difference is overlooked too often (Bancroft
# and Han, pooling after a preliminary test, from memory).
_POOL_LEVEL = 0.25
_SHIFT_LEVEL = 0.05
_ROUNDS_N = 50
_LEAST_DOF = 1e-3
_MANY_VISITS, _LEAST_SMOOTH_DOF = 15, 3
_LEAST_REPEATED = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """Variance of one reading at each setpoint.

    Attributes:
        variance: shape (points,); NaN where nothing is known.
        dof: shape (points,).
        is_one: whether one figure stands for all setpoints.
    """

    variance: FloatArray
    dof: FloatArray
    is_one: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Within:
    """What scatters within the visits, at one end of the unit.

    Attributes:
        line: contribution of the mean of each visit, shape of the readings.
        reading: variance of one reading by setpoint, in the unit of the tap's signal.
    """

    line: Contribution
    reading: Pooled

    def repeated(self, step: float) -> FloatArray:
        """Share of the rounding to a step that comes again with each reading, by setpoint; the rest is in the scatter.

        Readings that scatter over many steps are dithered: what rounding does to them averages out (characteristic
        function of a normal quantity at one step, as in Widrow's theory of quantisation, from memory).
        """
        if not step > 0:
            return np.ones_like(self.reading.variance)
        own = np.maximum(self.reading.variance - step**2 / 12, 0.0)
        share = np.exp(-4 * np.pi**2 * own / step**2)
        return np.where(share > _LEAST_REPEATED, share, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycles:
    """Errors taken apart by cycle, mean squares as in an analysis of variance; in the unit of the errors, squared.

    Attributes:
        left: mean square that neither point nor cycle explains, by setpoint: variance of one visit.
        between: mean square between the cycles, over `visits_n`: variance that one visit has of its cycle, together
            with 1 / `visits_n` of `left`; 0 where the cycles cannot be told apart.
        between_dof: cycles less one; 0 where they cannot be told apart.
        visits_n: visits of a cycle that count.
        p_value: chance of a `between` that large where no cycle is shifted; NaN where it is not known.
    """

    left: Pooled
    between: float
    between_dof: int
    visits_n: float
    p_value: float

    @property
    def is_shifted(self) -> bool:
        """Whether the cycles lie apart by more than what is left explains."""
        return self.p_value < _SHIFT_LEVEL

    @property
    def shift_sd(self) -> float:
        """Standard deviation of a shift between cycles, >= 0."""
        own = float(np.nanmean(self.left.variance)) / self.visits_n
        return float(np.sqrt(max(self.between - own, 0.0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Smooth:
    """What visits of one cycle have beside a smooth curve.

    Attributes:
        variance: of one visit.
        dof: its degrees of freedom.
        is_farther: whether that is more than scatter within the visits explains; True where nothing repeats.
    """

    variance: float
    dof: float
    is_farther: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Components:
    """Type A of each error.

    Attributes:
        lines: contributions of each visit: what is its own (origin "scatter") and what its cycle shares ("cycle").
        cycles: the errors taken apart; None with one cycle.
        is_one: whether one scatter stands for all setpoints; a test of homogeneity spoke against it otherwise.
        within: what scatters within the visits, by tap.
        smooth: with one cycle, what lies beside a smooth curve; None with more, or too few points. A unit may be rough
            itself, so it counts for the figures, which rest on all points, and for no single error.
    """

    lines: tuple[Contribution, ...]
    cycles: Cycles | None = None
    is_one: bool = True
    within: Mapping[str, Within] = field(default_factory=dict)
    smooth: Smooth | None = None

    @property
    def said(self) -> tuple[str, ...]:
        """What the tests of scatter found, a sentence each."""
        found = []
        if not self.is_one:
            found.append(
                "The scatter differs between setpoints (Bartlett's test, 1 %): each has its own, from fewer readings."
            )
        if self.smooth is not None and self.smooth.is_farther:
            found.append(
                "The visits lie farther from a smooth curve than scatter within them explains: intervals of the "
                "figures hold that, U of one error does not. Two cycles or more tell scatter from a rough unit."
                if self.within
                else "Each point was read once: the intervals of the figures take what lies beside a smooth curve for "
                "scatter."
            )
        if self.cycles is not None and self.cycles.is_shifted:
            found.append(
                f"The cycles lie apart by more than scatter explains (F test, p = {self.cycles.p_value:.2g}): "
                "a shift from cycle to cycle, such as warm-up, mounting or a drift, is part of each U."
                + (
                    " Two cycles tell its size poorly; three or more are wanted."
                    if self.cycles.between_dof == 1
                    else ""
                )
            )
        return tuple(found)


NO_SCATTER = Components(lines=())


def pooled_by_setpoint(variance: FloatArray, dof: FloatArray, *, floor: float = 0.0) -> Pooled:
    """One variance for all setpoints where a test of homogeneity allows it, else one for each.

    Args:
        variance: of one reading, last axis the setpoints; NaN = not known.
        dof: of each, same shape; 0 where not known.
        floor: variance that rounding alone makes: readings that are all the same are no proof of other scatter.

    Source: Bartlett's test, NIST/SEMATECH e-Handbook 1.3.5.7 (from memory), at 1 %.
    """
    others = tuple(range(variance.ndim - 1))
    dof = np.where(np.isnan(variance), 0.0, dof)
    nu = dof.sum(axis=others)
    squares = (np.nan_to_num(variance) * dof).sum(axis=others)
    total = nu.sum()
    if not total:
        return Pooled(variance=np.full(nu.shape, np.nan), dof=nu, is_one=True)
    each = squares / np.where(nu > 0, nu, np.nan)
    if _homogeneity(each + floor, nu) >= _HOMOGENEITY_LEVEL:
        return Pooled(variance=np.full(nu.shape, squares.sum() / total), dof=np.full(nu.shape, total), is_one=True)
    # A setpoint that was read once alone has the scatter of all.
    known = nu > 0
    return Pooled(variance=np.where(known, each, squares.sum() / total), dof=np.where(known, nu, total), is_one=False)


def _homogeneity(variance: FloatArray, dof: FloatArray) -> float:
    """Chance of variances that far apart where there is one for all; 1 where there is nothing to test."""
    is_used = (dof > 0) & (variance > 0)
    groups_n = int(is_used.sum())
    if groups_n < 2:
        return 1.0
    s2, nu = variance[is_used], dof[is_used]
    total = nu.sum()
    pooled = (s2 * nu).sum() / total
    correction = 1 + ((1 / nu).sum() - 1 / total) / (3 * (groups_n - 1))
    statistic = (total * np.log(pooled) - (nu * np.log(s2)).sum()) / correction
    return float(special.chdtrc(groups_n - 1, max(statistic, 0.0)))


def cycles_apart(error: FloatArray, *, floor: float = 0.0) -> Cycles | None:
    """Errors taken apart by point and direction, by cycle, and what is left.

    Args:
        error: shape (cycles, 2, points), NaN = not read.
        floor: as in `pooled_by_setpoint`.

    Returns:
        None where no point was read in two cycles.

    Source: two-way analysis of variance without interaction; GUM H.5 (components between and within days).
    """
    is_read = np.isfinite(error)
    is_used = is_read & (is_read.sum(axis=0) > 1)
    if not is_used.any():
        return None
    e = np.where(is_used, error, 0.0)
    count, by_cycle = is_used.sum(axis=0), is_used.sum(axis=(1, 2))
    visits_n, points_n = int(is_used.sum()), int((count > 0).sum())
    cycles_n = int((by_cycle > 0).sum())

    def centred(level: FloatArray) -> FloatArray:
        mean = np.where(is_used, level, 0.0).sum(axis=0) / np.maximum(count, 1)
        return np.where(is_used, level - mean, 0.0)

    shift = np.zeros(len(e))
    away = centred(e)
    for _ in range(_ROUNDS_N):  # one round where nothing is missing
        move = away.sum(axis=(1, 2)) / np.maximum(by_cycle, 1)
        shift = shift + move
        away = centred(e - shift[:, None, None])
        if np.abs(move).max() <= 1e-12 * (np.abs(e).max() or 1.0):
            break
    whole, left = float((centred(e) ** 2).sum()), float((away**2).sum())
    left_dof = visits_n - points_n - (cycles_n - 1)
    each_n = (by_cycle.sum() - (by_cycle.astype(float) ** 2).sum() / by_cycle.sum()) / max(cycles_n - 1, 1)
    if left_dof <= 0:  # one point, or one repeat: the shift cannot be told from scatter
        away, left_dof = centred(e), visits_n - points_n
        cycles_n, whole, left = 1, 0.0, 0.0
    # Each visit has its share of the degrees of freedom that are left.
    share = left_dof / visits_n
    own = pooled_by_setpoint(np.where(is_used, away**2 / share, np.nan), np.where(is_used, share, 0.0), floor=floor)
    between = max(whole - left, 0.0) / (cycles_n - 1) if cycles_n > 1 else 0.0
    mean_left = float((away**2).sum()) / left_dof
    ratio = between / mean_left if mean_left > 0 else (np.inf if between > floor else 0.0)
    return Cycles(
        left=own,
        between=between / each_n,
        between_dof=cycles_n - 1,
        visits_n=float(each_n),
        p_value=float(special.fdtrc(cycles_n - 1, left_dof, ratio)) if cycles_n > 1 else np.nan,
    )


def signal_slope(tap: Tap, signal: FloatArray) -> FloatArray:
    """D value / d signal at a tap: 1, or for a sensor degC per ohm or per mV."""
    if tap.sensor is None:
        return np.ones_like(signal)
    step = 1e-4 * np.maximum(np.abs(signal), 1.0)
    return np.asarray((tap.to_value(signal + step) - tap.to_value(signal - step)) / (2 * step))


def within_visits(readings: Grid, sheet: DataSheet, carried: FloatArray) -> dict[str, Within]:
    """What scatters within the visits at both ends, by tap; an end whose points were read once each has none.

    Args:
        readings: as arrays.
        sheet: the unit.
        carried: d error / d signal at the first tap, shape of the readings.
    """
    found = {}
    first, last = sheet.taps[0], sheet.taps[-1]
    for where, of_signal in ((first, carried), (last, np.ones_like(carried))):
        tap = where.name
        if tap not in readings.sd:
            continue
        sd, count = readings.sd[tap], np.nan_to_num(readings.readings_n[tap])
        pooled = pooled_by_setpoint(sd**2, np.where(count > 1, count - 1, 0.0))
        if np.isnan(pooled.variance).all():
            continue
        # The scatter is that of values; at the first tap the sensitivity is to the signal.
        per_value = signal_slope(where, where.to_signal(readings.value[tap]))
        line = from_standard(
            f"{tap}: scatter of the readings",
            np.sqrt(pooled.variance / np.where(count > 0, count, np.nan)),
            sensitivity=of_signal / per_value if where is first else np.ones_like(carried),
            dof=np.broadcast_to(pooled.dof, count.shape),
        )
        line = replace(line, kind="A", distribution="t", tap=tap, origin="scatter")
        slope = np.nanmean(np.abs(per_value), axis=(0, 1, 2))
        found[tap] = Within(line=line, reading=replace(pooled, variance=pooled.variance / slope**2))
    return found


def is_scatter_unknown(readings: Grid, tap: str) -> bool:
    """True where each point was read once, in one cycle: nothing tells how far the readings of a tap scatter."""
    return not _pooled(readings, tap)[1]


def scatter_of_means(readings: Grid, tap: str, probability: float) -> FloatArray:
    """Half width within which the mean of the readings at a tap scatters, by what repeats show; 0 where none were."""
    count = np.nan_to_num(readings.readings_n[tap])
    pooled, dof = _pooled(readings, tap)
    if not dof:
        return np.zeros(count.shape)
    return np.asarray(coverage_factor(probability, dof) * pooled / np.sqrt(np.maximum(count, 1)))


def _pooled(readings: Grid, tap: str) -> tuple[float, float]:
    """Scatter of one reading, and its degrees of freedom: from repeats at each point, or else from the cycles."""
    sd, count, value = readings.sd[tap], np.nan_to_num(readings.readings_n[tap]), readings.value[tap]
    dof = np.where(count > 1, count - 1, 0.0)
    if not dof.any():
        cycles = per_point(value, axis=1)
        sd, dof = cycles.sd, np.maximum(cycles.readings_n - 1, 0)
    total = float(dof.sum())
    squares = float((np.nan_to_num(sd) ** 2 * dof).sum())
    return (float(np.sqrt(squares / total)), total) if total else (float("nan"), 0.0)


def components(error: FloatArray, within: Mapping[str, Within], *, floor: float) -> Components:
    """Type A of each error of a run, as lines of a budget.

    Args:
        error: shape (1, cycles, 2, points), in the unit of the output; NaN = not read.
        within: what scatters within the visits.
        floor: variance of a visit that rounding alone makes.
    """
    lines = [each.line for each in within.values()]
    cycles = cycles_apart(error[0], floor=floor)
    if cycles is None:
        is_one = all(each.reading.is_one for each in within.values())
        return Components(lines=tuple(lines), is_one=is_one, within=within, smooth=_about_a_curve(error, within))
    own, is_one = _own(error, within, cycles)
    if cycles.between_dof and cycles.between > 0:
        u = np.full(error.shape, np.sqrt(cycles.between))
        shared = from_standard("shift from cycle to cycle", u, dof=cycles.between_dof)
        own.append(replace(shared, kind="A", distribution="t", origin="cycle"))
    return Components(lines=tuple(own), cycles=cycles, is_one=is_one, within=within)


def _about_a_curve(error: FloatArray, within: Mapping[str, Within]) -> Smooth | None:
    """What one cycle leaves beside a smooth curve, and beside a loop by which the directions lie apart.

    A cubic and three terms of a loop; of few visits a parabola and a loop that closes at both ends.
    """
    _, _, direction, point = np.nonzero(np.isfinite(error))
    level = error[np.isfinite(error)]
    x = point / max(int(point.max(initial=0)), 1)
    degree = 3 if len(level) >= _MANY_VISITS else 2
    both = np.vander(x, degree + 1)
    loop = both[:, 1:] if len(level) >= _MANY_VISITS else (x * (1 - x))[:, None]
    basis = np.column_stack([both, (2 * direction - 1)[:, None] * loop]) if len(set(direction)) > 1 else both
    dof = len(level) - int(np.linalg.matrix_rank(basis)) if len(level) else 0
    if dof < _LEAST_SMOOTH_DOF:
        return None
    left = level - basis @ np.linalg.lstsq(basis, level, rcond=None)[0]
    variance = float(left @ left) / dof
    if not within:
        return Smooth(variance=variance, dof=dof, is_farther=True)
    is_farther = _chance_within(error, within, variance, dof) < _SHIFT_LEVEL
    return Smooth(variance=variance, dof=dof, is_farther=is_farther)


def _own(error: FloatArray, within: Mapping[str, Within], cycles: Cycles) -> tuple[list[Contribution], bool]:
    """What is of each visit alone: from within the visits, unless visits lie farther apart than that explains."""
    # The mean square between the cycles holds its share of what is left.
    rest = 1 - 1 / cycles.visits_n if cycles.between_dof else 1.0
    if within and not _is_farther(error, within, cycles):
        is_one = all(each.reading.is_one for each in within.values())
        return [replace(each.line, u=each.line.u * np.sqrt(rest)) for each in within.values()], is_one
    u = np.broadcast_to(np.sqrt(cycles.left.variance * rest), error.shape)
    dof = np.broadcast_to(np.maximum(cycles.left.dof, _LEAST_DOF), error.shape)
    visit = from_standard("scatter from visit to visit", u, dof=dof)
    return [replace(visit, kind="A", distribution="t", origin="scatter")], cycles.left.is_one


def _is_farther(error: FloatArray, within: Mapping[str, Within], cycles: Cycles) -> bool:
    """Whether visits of one point lie farther apart than the scatter within them explains."""
    left = cycles.left
    found = float(np.average(left.variance, weights=np.maximum(left.dof, _LEAST_DOF)))
    return _chance_within(error, within, found, _dof(left)) < _POOL_LEVEL


def _chance_within(error: FloatArray, within: Mapping[str, Within], found: float, dof: float) -> float:
    """Chance that scatter within the visits gives them a variance that large (F test)."""
    variance = sum(((each.line.sensitivity * each.line.u) ** 2 for each in within.values()), np.zeros(error.shape))
    expected = float(variance[np.isfinite(error + variance)].mean())
    ratio = found / expected if expected > 0 else (np.inf if found > 0 else 0.0)
    return float(special.fdtrc(dof, min(_dof(each.reading) for each in within.values()), ratio))


def _dof(pooled: Pooled) -> float:
    """Of all setpoints together."""
    return float(pooled.dof.max() if pooled.is_one else pooled.dof.sum())
