"""Drift of a unit from run to run: one slope through readings that adjustments and repairs cut into pieces.

Each piece has a level of its own, since an adjustment moves it; the slope is common. It knows no record: arrays in, a
line out. The drift within one run, minutes apart, is `evaluation.figures.drift`.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import IntArray

__all__ = ["DriftLine", "drift_line"]

_LEAST_CORRELATED_N = 8
_MOST_CORRELATION = 0.95


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

    def k(self, probability: float) -> float:
        """Coverage factor of an interval with this probability."""
        return -float(special.stdtrit(self.dof, (1 - probability) / 2))

    def U(self, probability: float = 0.95) -> float:
        """Expanded uncertainty of the slope."""
        return self.k(probability) * self.u

    def at(self, time: float) -> float:
        """The line at a time, in the last piece."""
        return self.level + self.slope * (time - self.centre)

    def u_mean(self, time: float) -> float:
        """Standard uncertainty of the line at a time."""
        away = time - self.centre
        return math.sqrt(max(self.u_level**2 + 2 * away * self.cov + away**2 * self.u**2, 0.0))

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
    times: FloatArray, values: FloatArray, *, u: FloatArray | None = None, piece: IntArray | None = None
) -> DriftLine:
    """One slope through all pieces.

    Args:
        times: shape (n,), rising, such as years.
        values: shape (n,), no NaN.
        u: standard uncertainty of each value, what is common to all left out or not known; None = from the scatter.
        piece: which piece each belongs to; None = one. A piece of one reading says nothing of the slope.

    Raises:
        ReadingsError: no piece has two readings at different times.
    """
    at = np.zeros(len(times), dtype=np.intp) if piece is None else np.asarray(piece)
    weight = np.ones(len(times)) if u is None else 1 / np.square(u)
    t, y, total = (np.zeros(len(times)) for _ in range(3))
    for each in np.unique(at):
        here = at == each
        share = weight[here] / weight[here].sum()
        t[here], y[here] = times[here] - share @ times[here], values[here] - share @ values[here]
        total[here] = weight[here].sum()
    information = float(weight @ t**2)
    pieces, counts = np.unique(at, return_counts=True)
    if not information > 0:
        raise ReadingsError(
            "no two readings of the unit with nothing adjusted between them",
            allowed="as left, and later as found",
            todo="run it again before it is adjusted",
        )
    slope = float(weight @ (t * y)) / information
    rest = y - slope * t
    dof = len(times) - len(pieces) - 1
    birge, freedom, said = _scale(float(weight @ rest**2), dof, is_stated=u is not None)
    lag1 = _lag1(rest, at)
    widened, more = _correlated(lag1, int(counts.max()))
    scale = birge * widened
    last = at == at[-1]
    of_level = scale**2 / float(weight[last].sum())
    own = math.sqrt(scale**2 / float(weight[last].mean())) if math.isfinite(scale) else math.nan
    return DriftLine(
        slope=slope,
        u=scale / math.sqrt(information),
        dof=freedom,
        level=float(weight[last] @ values[last] / weight[last].sum()),
        centre=float(weight[last] @ times[last] / weight[last].sum()),
        u_level=math.sqrt(of_level),
        cov=0.0,  # about the mean time of the piece
        u_single=own,
        birge=birge if u is not None else 1.0,
        lag1=lag1,
        n=len(times),
        pieces_n=int((counts > 1).sum()),
        said=(*said, *more),
    )


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
