"""A smooth curve over the whole burst, with white noise: what moved once, and did not come again."""

import math

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.fitting import cost, expanded_of_mean, gaussian_of, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["curve_fit"]

_DEGREES = (2, 3, 4, 5, 6, 7)  # a period and a half of a sine needs 7
_LEAST_PER_DEGREE = 4  # readings
_CERTAIN = 3.0  # standard errors, by which it goes back: less may be noise
_MOST_BACK = 0.05  # of all that it moves: more is a turn, or hides one


def curve_fit(burst: Burst) -> BurstFit | None:
    """The likeliest polynomial of more than a straight line; a drift where it keeps its direction, else once seen.

    None where nothing moves.
    """
    y, t, n = burst.y, burst.t, len(burst.y)
    degrees = [each for each in _DEGREES if n >= _LEAST_PER_DEGREE * (each + 2)]
    if np.ptp(y) == 0 or not degrees:
        return None
    place = 2 * (t - t[0]) / burst.length_s - 1
    about = y - y.mean()
    basis = np.polynomial.legendre.legvander(place, degrees[-1])
    # What each degree takes beyond those below it: the polynomials made orthogonal (Cholesky).
    factor = np.linalg.cholesky(basis.T @ basis)
    taken = np.cumsum(np.linalg.solve(factor, basis.T @ about) ** 2)
    left = np.maximum(float(about @ about) - taken, 0.0)
    logs, degree = max((_log_evidence(float(left[degree]), degree, burst), degree) for degree in degrees)
    some = basis[:, : degree + 1]
    curve = some @ np.linalg.solve(some.T @ some, some.T @ about)
    rest, moved = about - curve, float(curve[-1] - curve[0])
    # At its ends a polynomial is known to its degree and one more, over the root of n (Legendre; closed form).
    known_to = _CERTAIN * float(rest.std()) * (degree + 1) / math.sqrt(n)
    turns_n = _turns(curve, min(known_to, _MOST_BACK * float(np.ptp(curve))))
    if turns_n:
        words = (
            f"it moves by {show(float(np.ptp(curve)), burst.unit)} and turns {'once' if turns_n == 1 else turns_n}"
            f"{'' if turns_n == 1 else ' times'} in {sized(burst.length_s)} s"
        )
    else:
        words = f"{show(moved, burst.unit)} in {sized(burst.length_s)} s, not at one pace"
    return BurstFit(
        kind="unknown" if turns_n else "drift",
        log_evidence=logs,
        words=words,
        residual=rest,
        sd=float(rest.std()),
        size=moved,
        mean=float(y.mean()),
        U_mean=expanded_of_mean(float(rest.std(ddof=degree + 1)), n),
        is_once=turns_n > 0,
    )


def _turns(curve: FloatArray, least: float) -> int:
    """How often a curve turns and goes back by at least so much."""
    ends = np.flatnonzero(np.diff(np.sign(np.diff(curve)))) + 1
    turns_n, way, last = 0, 0, float(curve[0])
    for each in (*curve[ends].tolist(), float(curve[-1])):
        gone = each - last
        if abs(gone) >= least and gone * way <= 0:
            turns_n += way != 0
            way = 1 if gone > 0 else -1
        if way == 0 or gone * way > 0:
            last = each
    return turns_n


def _log_evidence(squares: float, degree: int, burst: Burst) -> float:
    """Of a polynomial that leaves these squares, one degree of those tried."""
    n = len(burst.y)
    sd = max(math.sqrt(squares / (n - 1)), burst.floor)
    return gaussian_of(squares, n, sd) - cost(degree + 1, n) - math.log(len(_DEGREES))
