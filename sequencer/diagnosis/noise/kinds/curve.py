"""A smooth curve over the whole burst, with white noise: what moved once, and did not come again."""

import math

import numpy as np

from sequencer.diagnosis.noise.fitting import cost, gaussian_of, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit

__all__ = ["curve_fit"]

_DEGREES = (2, 3, 4, 5, 6, 7)  # a period and a half of a sine needs 7
_LEAST_PER_DEGREE = 4  # readings


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
    moves = np.diff(curve)
    turns_n = int(np.count_nonzero(np.diff(np.sign(moves[moves != 0]))))
    rest, moved = about - curve, float(curve[-1] - curve[0])
    if turns_n:
        words = (
            f"it moves by {show(float(np.ptp(curve)), burst.unit)} and turns {'once' if turns_n == 1 else turns_n}"
            f"{'' if turns_n == 1 else ' times'} in {burst.length_s:.3g} s"
        )
    else:
        words = f"{show(moved, burst.unit)} in {burst.length_s:.3g} s, not at one pace"
    return BurstFit(
        kind="unknown" if turns_n else "drift",
        log_evidence=logs,
        words=words,
        residual=rest,
        sd=float(rest.std()),
        size=moved,
        is_once=turns_n > 0,
    )


def _log_evidence(squares: float, degree: int, burst: Burst) -> float:
    """Of a polynomial that leaves these squares, one degree of those tried."""
    n = len(burst.y)
    sd = max(math.sqrt(squares / (n - 1)), burst.floor)
    return gaussian_of(squares, n, sd) - cost(degree + 1, n) - math.log(len(_DEGREES))
