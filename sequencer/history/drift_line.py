"""Drift of a unit from run to run: one slope through readings that adjustments and repairs cut into pieces.

Each piece has a level of its own, since an adjustment moves it; the slope is common to all pieces between two repairs,
and begins anew after one. A jump (a unit that was dropped) is no drift: it cuts a piece in two. Where the slope
changes, that at the last reading is told. It knows no record: arrays in, a line out. The drift within one run, minutes
apart, is `evaluation.figures.drift`.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import special

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError
from instruments.texts import counted, sized
from sequencer.evaluation.figures.per_point import IntArray

__all__ = ["DriftLine", "Jump", "drift_line"]

_LEAST_CORRELATED_N = 8
_MOST_CORRELATION = 0.95
_JUMP_BY_CHANCE = 1e-3  # that readings about one line show a jump; common practice, no source
_BEND_BY_CHANCE = 1e-2  # and a bend
_SCATTER_BY_CHANCE = 0.05  # that readings scatter so much more than stated
_LEAST_DOF = 3  # that must be left to see either
_READINGS_A_JUMP = 4  # fewer, and everything is jumps


@dataclass(frozen=True, slots=True)
class Jump:
    """A change of level between two readings that no drift explains, and its size."""

    after: float
    until: float
    size: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftLine:
    """A straight drift.

    Attributes:
        slope: a unit of time.
        u: its standard uncertainty; NaN where nothing is left to tell it.
        dof: its degrees of freedom; infinite where what is stated of the instruments decides.
        level: of the last piece at `centre`.
        centre: mean time of the last piece, of the weights.
        u_level: standard uncertainty of `level`.
        cov: covariance of slope and level.
        u_single: standard uncertainty of one further reading about the line.
        birge: how much the readings scatter about the line beyond what is stated of them; 1 = as stated, or not known.
        lag1: correlation of neighbouring residuals; NaN with fewer than 8 readings.
        n: readings.
        pieces_n: pieces with two readings or more.
        said: what the uncertainty rests on, in words.
        jumps: that it leaves out.
        bend: half the second derivative; 0 where the line is straight.
        u_bend: its standard uncertainty.
        cov_bend_level: covariance of bend and level.
        cov_bend_slope: covariance of bend and slope.
        is_before_repair: the slope comes from before the last repair; nothing tells one since.
    """

    slope: float
    u: float
    dof: float
    level: float
    centre: float
    u_level: float
    cov: float
    u_single: float
    birge: float
    lag1: float
    n: int
    pieces_n: int
    said: tuple[str, ...]
    jumps: tuple[Jump, ...] = ()
    bend: float = 0.0
    u_bend: float = 0.0
    cov_bend_level: float = 0.0
    cov_bend_slope: float = 0.0
    is_before_repair: bool = False

    def k(self, probability: float) -> float:
        """Coverage factor of an interval with this probability."""
        return -float(special.stdtrit(self.dof, (1 - probability) / 2))

    def U(self, probability: float = 0.95) -> float:
        """Expanded uncertainty of the slope."""
        return self.k(probability) * self.u

    def at(self, time: float) -> float:
        """The line at a time, in the last piece."""
        away = time - self.centre
        return self.level + self.slope * away + self.bend * away**2

    def u_mean(self, time: float) -> float:
        """Standard uncertainty of the line at a time."""
        away = time - self.centre
        straight = self.u_level**2 + 2 * away * self.cov + away**2 * self.u**2
        bent = 2 * self.cov_bend_level + 2 * away * self.cov_bend_slope + away**2 * self.u_bend**2
        return math.sqrt(max(straight + away**2 * bent, 0.0))

    def U_single(self, time: float, probability: float = 0.95) -> float:
        """Half of the interval that holds one further reading at a time."""
        return self.k(probability) * math.hypot(self.u_mean(time), self.u_single)

    def reaches(self, limit: float, start: float, *, probability: float = 0.95, most: float = 1e3) -> float:
        """When the interval of one further reading meets -/+ `limit`, `start` if there; infinite beyond `most`."""

        def room(time: float) -> float:
            return limit - abs(self.at(time)) - self.U_single(time, probability)

        if not room(start) > 0:
            return start
        times = start + np.geomspace(1e-3, most, 200)
        first = next((time for time in times if room(float(time)) <= 0), None)
        if first is None:
            return math.inf
        from scipy import optimize  # noqa: PLC0415  16 MB, for a search that few need

        return float(optimize.brentq(room, start, float(first), xtol=1e-12))


def drift_line(
    times: FloatArray,
    values: FloatArray,
    *,
    u: FloatArray | None = None,
    piece: IntArray | None = None,
    epoch: IntArray | None = None,
) -> DriftLine:
    """One slope through all pieces of the last epoch that tells one.

    Args:
        times: shape (n,), rising, such as years.
        values: shape (n,), no NaN.
        u: standard uncertainty of each value, what is common to all left out or not known; None = from the scatter.
        piece: which piece each belongs to; None = one. A piece of one reading says nothing of the slope.
        epoch: how many repairs each came after; None = none. No piece reaches over two.

    Raises:
        ReadingsError: no piece has two readings at different times.
    """
    at = np.zeros(len(times), dtype=np.intp) if piece is None else np.asarray(piece)
    repaired = np.zeros(len(times), dtype=np.intp) if epoch is None else np.asarray(epoch)
    weight = np.ones(len(times)) if u is None else 1 / np.square(u)
    known = _Readings(times, values, weight, at, repaired, is_stated=u is not None)
    if not known.epochs:
        raise ReadingsError(
            "no two readings of the unit with nothing adjusted between them",
            allowed="as left, and later as found",
            todo="run it again before it is adjusted",
        )
    known, fit, jumps = _without_jumps(known)
    birge, freedom, said = _scale(fit.chi2, fit.dof, is_stated=known.is_stated)
    lag1 = _lag1(fit.rest, known.piece)
    widened, more = _correlated(lag1, int(np.unique(known.piece, return_counts=True)[1].max()))
    bent = known.fit(is_bent=True) if fit.dof > _LEAST_DOF and not fit.is_before_repair else fit
    is_bent = bent.is_better_than(fit, _BEND_BY_CHANCE, wider=widened)
    if is_bent:
        first = bent.slope + 2 * bent.bend * (known.times[known.epoch == known.epochs[-1]][0] - times[-1])
        birge, freedom, said = _scale(bent.chi2, bent.dof, is_stated=known.is_stated)
        more = (
            *more,
            f"it bends: from {sized(first, 2)} at the first run to {sized(bent.slope, 2)} at the last, which counts",
        )
        fit = bent
    scale = birge * widened
    last = known.piece == known.piece[-1]
    own = math.sqrt(scale**2 / float(weight[last].mean())) if math.isfinite(scale) else math.nan
    cov = np.square(scale) * fit.cov
    repairs = _about_repairs(fit, known)
    return DriftLine(
        slope=fit.slope,
        u=math.sqrt(cov[1, 1]),
        dof=freedom,
        level=fit.level,
        centre=fit.centre,
        u_level=math.sqrt(cov[0, 0]),
        cov=float(cov[0, 1]),
        u_single=own,
        birge=birge if u is not None else 1.0,
        lag1=lag1,
        n=fit.n,
        pieces_n=fit.pieces_n,
        said=(*said, *more, *repairs),
        jumps=jumps,
        bend=fit.bend,
        u_bend=math.sqrt(cov[2, 2]),
        cov_bend_level=float(cov[0, 2]),
        cov_bend_slope=float(cov[1, 2]),
        is_before_repair=fit.is_before_repair,
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    """Least squares: the last piece at `centre`, slope and bend there; `cov` (3, 3) for weights that are exact."""

    level: float
    centre: float
    slope: float
    bend: float
    cov: FloatArray
    rest: FloatArray
    chi2: float
    dof: int
    is_stated: bool
    is_before_repair: bool
    n: int
    pieces_n: int

    def is_better_than(self, other: "_Fit", by_chance: float, *, wider: float = 1.0) -> bool:
        """Whether one parameter more explains more than chance does (F test); scatter is not below what is stated."""
        if self.dof < _LEAST_DOF or other.dof != self.dof + 1:
            return False
        # What scatters as may be of what is stated is known, and not estimated from a few.
        is_known = self.is_stated and self.chi2 <= float(special.chdtri(self.dof, _SCATTER_BY_CHANCE))
        scatter = max(self.chi2 / self.dof, 1.0 if self.is_stated else 0.0) * wider**2
        won = max(other.chi2 - self.chi2, 0.0)
        if not won > 1e-12 * max(other.chi2, 1.0 if self.is_stated else 0.0):
            return False
        bound = special.chdtri(1, by_chance) if is_known else special.fdtri(1, self.dof, 1 - by_chance)
        return not scatter > 0 or won / scatter > float(bound)


@dataclass(frozen=True, slots=True)
class _Readings:
    """Readings with what cuts them; arrays of shape (n,)."""

    times: FloatArray
    values: FloatArray
    weight: FloatArray
    piece: IntArray
    epoch: IntArray
    is_stated: bool

    @property
    def epochs(self) -> list[int]:
        """Those that tell a slope: a piece of them has two readings at different times."""
        found = []
        for each in np.unique(self.epoch):
            here = self.epoch == each
            if any(np.ptp(self.times[here & (self.piece == one)]) > 0 for one in np.unique(self.piece[here])):
                found.append(int(each))
        return found

    def fit(self, *, is_bent: bool = False) -> _Fit:
        """A level a piece and a slope an epoch, with a bend of the last one where it is asked for."""
        epochs, pieces = self.epochs, np.unique(self.piece)
        told = epochs[-1]
        is_before = told != self.epoch[-1]
        last = self.piece == self.piece[-1]
        # About the mean time of the last piece, level and slope hang together no more than they must.
        centre = (
            float(self.times[-1]) if is_bent else float(self.weight[last] @ self.times[last] / self.weight[last].sum())
        )
        away = self.times - centre
        columns = [(self.piece == each).astype(float) for each in pieces]
        columns += [np.where(self.epoch == each, away, 0.0) for each in epochs]
        if is_bent:
            columns.append(np.where(self.epoch == told, away**2, 0.0))
        root = np.sqrt(self.weight)
        matrix = np.stack(columns, axis=1) * root[:, None]
        found, _, rank, _ = np.linalg.lstsq(matrix, self.values * root, rcond=None)
        rest = self.values - np.stack(columns, axis=1) @ found
        inverse = np.linalg.pinv(matrix.T @ matrix)
        of_level, of_slope = len(pieces) - 1, len(pieces) + epochs.index(told)
        wanted = [of_level, of_slope, len(columns) - 1] if is_bent else [of_level, of_slope]
        cov = np.zeros((3, 3))
        cov[: len(wanted), : len(wanted)] = inverse[np.ix_(wanted, wanted)]
        of_told = self.epoch == told
        counts = np.unique(self.piece[of_told], return_counts=True)[1]
        return _Fit(
            level=float(found[of_level]),
            centre=centre,
            slope=float(found[of_slope]),
            bend=float(found[-1]) if is_bent else 0.0,
            cov=cov,
            rest=rest,
            chi2=float(self.weight @ rest**2),
            dof=len(self.times) - int(rank),
            is_stated=self.is_stated,
            is_before_repair=is_before,
            n=int(of_told.sum()),
            pieces_n=int((counts > 1).sum()),
        )

    def sums(self, here: IntArray) -> FloatArray:
        """Weighted sums about their means of some readings: of squared times, of times by values, of squared values."""
        w, t, y = self.weight[here], self.times[here], self.values[here]
        share = w / w.sum()
        t, y = t - share @ t, y - share @ y
        return np.array([w @ t**2, w @ (t * y), w @ y**2])

    def cut(self, place: int) -> "_Readings":
        """With a piece that ends before a reading."""
        piece = 2 * np.unique(self.piece, return_inverse=True)[1]
        piece[(np.arange(len(piece)) >= place) & (self.piece == self.piece[place])] += 1
        return _Readings(self.times, self.values, self.weight, piece, self.epoch, self.is_stated)


def _without_jumps(known: _Readings) -> tuple[_Readings, _Fit, tuple[Jump, ...]]:
    """Cut where a level jumps by what no drift explains, the plainest first; with the straight fit of what is left."""
    jumps: list[Jump] = []
    fit = known.fit()
    while len(jumps) < len(known.times) // _READINGS_A_JUMP:
        cuts = list(_cuts(known))
        if not cuts:
            break
        _, place = min(cuts)
        cut = known.cut(place)
        best = cut.fit()
        if known.fit(is_bent=True).chi2 <= best.chi2:
            break
        # Neighbours that hang together wander as far as one jump, and are none.
        wider, _ = _correlated(_lag1(best.rest, cut.piece), len(cuts) + 1)
        if not best.is_better_than(fit, _JUMP_BY_CHANCE / len(cuts), wider=wider):
            break
        size = (
            known.values[place] - known.values[place - 1] - best.slope * (known.times[place] - known.times[place - 1])
        )
        jumps.append(Jump(float(known.times[place - 1]), float(known.times[place]), float(size)))
        known, fit = cut, best
    return known, fit, tuple(sorted(jumps, key=lambda each: each.until))


def _cuts(known: _Readings) -> Iterator[tuple[float, int]]:
    """Chi-square with a piece cut before each reading, and which; those that leave an epoch without a slope left out.

    A cut changes the sums of its own piece alone, so each costs no fit of all.
    """
    sums: dict[int, FloatArray] = {}
    of_epoch: dict[int, FloatArray] = {each: np.zeros(3) for each in known.epochs}
    rest = 0.0  # of epochs without a slope
    for piece in np.unique(known.piece).tolist():
        here = np.flatnonzero(known.piece == piece)
        sums[piece] = known.sums(here)
        epoch = int(known.epoch[here[0]])
        if epoch in of_epoch:
            of_epoch[epoch] = of_epoch[epoch] + sums[piece]
        else:
            rest += float(sums[piece][2])
    chi2 = {each: float(total[2] - total[1] ** 2 / total[0]) for each, total in of_epoch.items()}
    for place in range(1, len(known.times)):
        piece, epoch = int(known.piece[place]), int(known.epoch[place])
        if known.piece[place - 1] != piece or epoch not in of_epoch:
            continue
        here = np.flatnonzero(known.piece == piece)
        parts = known.sums(here[here < place]) + known.sums(here[here >= place])
        total = of_epoch[epoch] - sums[piece] + parts
        if total[0] > 1e-9 * of_epoch[epoch][0]:
            others = sum(each for name, each in chi2.items() if name != epoch)
            yield rest + others + float(total[2] - total[1] ** 2 / total[0]), place


def _about_repairs(fit: _Fit, known: _Readings) -> tuple[str, ...]:
    if fit.is_before_repair:
        return ("from before the last repair: since then no two runs tell one with nothing adjusted between them",)
    return (f"from {counted(fit.n, 'run')} since the last repair alone",) if known.epoch[0] != known.epoch[-1] else ()


def _scale(chi2: float, dof: int, *, is_stated: bool) -> tuple[float, float, tuple[str, ...]]:
    """What the stated uncertainties are multiplied by, degrees of freedom, and why."""
    if not is_stated:
        scatter = math.sqrt(chi2 / dof) if dof > 0 else math.nan
        return scatter, float(max(dof, 1)), (f"uncertainty from the scatter about the line, {dof} degrees of freedom",)
    if dof < 1:
        return 1.0, math.inf, ("uncertainty as stated of the readings; too few to see whether they scatter more",)
    ratio = math.sqrt(chi2 / dof)
    if ratio <= 1:
        return 1.0, math.inf, ("uncertainty as stated of the readings, which scatter no more than that",)
    return ratio, float(dof), (f"the readings scatter {ratio:.2g} times as much as stated (Birge): widened by that",)


def _lag1(rest: FloatArray, piece: IntArray) -> float:
    """Correlation of each residual with the one before in its piece; NaN with too few."""
    same = piece[1:] == piece[:-1]
    if same.sum() < _LEAST_CORRELATED_N - 1:
        return math.nan
    square = float(rest @ rest)
    return float((rest[1:] * rest[:-1])[same].sum()) / square if square > 0 else math.nan


def _correlated(lag1: float, n: int) -> tuple[float, tuple[str, ...]]:
    """How much wider the slope is where neighbours hang together, as a first-order recursion has it."""
    if not lag1 > 2 / math.sqrt(n):
        return 1.0, ()
    r = min(lag1, _MOST_CORRELATION)
    wider = math.sqrt((1 + r) / (1 - r))
    return wider, (f"neighbouring readings hang together (correlation {lag1:.2f}): widened {wider:.2g} times",)
