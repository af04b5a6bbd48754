"""Chances of a wrong decision over all units tested: false accepts and false rejects, and the guard band for a risk.

Supposes normal distributions of the units and of the measurement. The chance for one result found is in `conformity`.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["GlobalRisk", "global_risk", "guard_band_for_risk", "risk_over_guard_band", "unit_sd"]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
# Beyond, in standard deviations, a normal tail is nil: 1e-19.
_FAR = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisk:
    """Chances over all units, joint probabilities; arrays of one shape, NaN = not determinable.

    Attributes:
        consumer_frac: accepted and not conforming, PFA.
        producer_frac: rejected and conforming, PFR.
        conforming_frac: conforming, accepted or not.
        accepted_frac: accepted, conforming or not.
    """

    consumer_frac: FloatArray
    producer_frac: FloatArray
    conforming_frac: FloatArray
    accepted_frac: FloatArray
    definition: str = "JCGM 106:2012 9.5 (from memory), joint probabilities, normal units and measurement"


def global_risk(
    *,
    lower: npt.ArrayLike,
    upper: npt.ArrayLike,
    accept_lower: npt.ArrayLike,
    accept_upper: npt.ArrayLike,
    mean: npt.ArrayLike,
    sd: npt.ArrayLike,
    u: npt.ArrayLike,
) -> GlobalRisk:
    """Consumer's and producer's risk for units whose true values are normal about `mean`.

    Args:
        lower: tolerance limit, -infinity if there is none.
        upper: tolerance limit, infinity if there is none.
        accept_lower: acceptance limit.
        accept_upper: acceptance limit.
        mean: of the true values of all units.
        sd: their standard deviation, see `unit_sd`.
        u: standard uncertainty of the measurement.

    Returns:
        Arrays of the shape all arguments broadcast to; NaN where sd or u are not above 0, or limits are crossed. An
        empty acceptance zone accepts nothing.

    Source: JCGM 106:2012 9.5 (from memory). Gauss-Legendre quadrature.
    """
    low, high, a_low, a_high, centre, spread, noise = np.broadcast_arrays(
        *(np.asarray(each, dtype=np.float64) for each in (lower, upper, accept_lower, accept_upper, mean, sd, u))
    )
    is_known = (
        (spread > 0)
        & (noise > 0)
        & (low <= high)
        & np.isfinite(centre + spread + noise)
        & ~(np.isnan(a_low) | np.isnan(a_high))
    )
    spread, noise, centre = (np.where(is_known, each, 1.0) for each in (spread, noise, centre))
    low, high = (low - centre) / spread, (high - centre) / spread
    noise = noise / spread
    # Farther out than any unit is read, a limit need not be infinite.
    far = 2 * _FAR * (1 + noise)
    a_low, a_high = (np.clip((limit - centre) / spread, -far, far) for limit in (a_low, a_high))
    a_high = np.maximum(a_high, a_low)
    read = np.sqrt(1 + noise**2)
    accepted = _between(a_low / read, a_high / read)
    conforming = _between(low, high)
    consumer = _beyond(high, a_low, a_high, noise) + _beyond(-low, -a_high, -a_low, noise)
    producer = np.maximum(conforming - accepted + consumer, 0.0)
    return GlobalRisk(
        consumer_frac=np.where(is_known, consumer, np.nan),
        producer_frac=np.where(is_known, producer, np.nan),
        conforming_frac=np.where(is_known, conforming, np.nan),
        accepted_frac=np.where(is_known, accepted, np.nan),
    )


def risk_over_guard_band(
    guard_band: npt.ArrayLike, *, half_width: npt.ArrayLike, sd: npt.ArrayLike, u: npt.ArrayLike
) -> GlobalRisk:
    """Both risks over the guard band, for a symmetric tolerance and units that are right on average.

    Args:
        guard_band: w, taken off at both limits; any shape, such as that of a curve.
        half_width: of the tolerance.
        sd: standard deviation of the true values of all units.
        u: standard uncertainty of the measurement.
    """
    half = np.asarray(half_width, dtype=np.float64)
    accept = half - np.asarray(guard_band, dtype=np.float64)
    return global_risk(lower=-half, upper=half, accept_lower=-accept, accept_upper=accept, mean=0.0, sd=sd, u=u)


def guard_band_for_risk(
    consumer_frac: npt.ArrayLike, *, half_width: npt.ArrayLike, sd: npt.ArrayLike, u: npt.ArrayLike
) -> FloatArray:
    """Smallest guard band that holds false accepts at or below a risk; 0 where none is needed.

    Args:
        consumer_frac: risk agreed, such as 0.02.
        half_width: of the tolerance, which is symmetric.
        sd: standard deviation of the true values of all units, right on average.
        u: standard uncertainty of the measurement.

    Raises:
        ReadingsError: a risk is not above 0.
    """
    risk, half, spread, noise = np.broadcast_arrays(
        *(np.asarray(each, dtype=np.float64) for each in (consumer_frac, half_width, sd, u))
    )
    if not (risk > 0).all():
        raise ReadingsError("a risk of 0 cannot be held", where="guard band", todo="give a risk above 0, such as 0.02")
    # Late: half as much again to load as all else that evaluates, and only this needs it.
    from scipy.optimize.elementwise import find_root  # noqa: PLC0415

    def too_much(w: FloatArray, risk: FloatArray, half: FloatArray, sd: FloatArray, u: FloatArray) -> FloatArray:
        return risk_over_guard_band(w, half_width=half, sd=sd, u=u).consumer_frac - risk

    is_known = (spread > 0) & (noise > 0) & (half > 0)
    is_needed = is_known & (too_much(np.zeros(risk.shape), risk, half, spread, noise) > 0)
    # The risk falls as the guard band grows, to nothing where it takes up the tolerance: one root, where one is needed.
    root = find_root(too_much, (np.zeros(risk.shape), half), args=(risk, half, spread, noise)).x
    return np.where(is_known, np.where(is_needed, root, 0.0), np.nan)


def unit_sd(
    in_tolerance_frac: npt.ArrayLike, *, half_width: npt.ArrayLike, u_of_observation: npt.ArrayLike = 0.0
) -> FloatArray:
    """Standard deviation of the true values of all units, from how many of them are in tolerance.

    Args:
        in_tolerance_frac: true fraction; or the fraction that was *observed*, whose scatter holds the measurement too.
        half_width: of the tolerance, which is symmetric; the units are right on average.
        u_of_observation: standard uncertainty of those observations; 0 for a true fraction.

    Returns:
        NaN where the fraction is not between 0 and 1, or the measurement alone scatters more than was observed.
    """
    frac = np.asarray(in_tolerance_frac, dtype=np.float64)
    is_frac = (frac > 0) & (frac < 1)
    seen = np.asarray(half_width, dtype=np.float64) / special.ndtri((1 + np.where(is_frac, frac, 0.5)) / 2)
    variance = np.where(is_frac, seen**2 - np.asarray(u_of_observation, dtype=np.float64) ** 2, np.nan)
    return np.sqrt(np.where(variance > 0, variance, np.nan))


def _between(low: FloatArray, high: FloatArray) -> FloatArray:
    """Normal probability between two limits; of small tails their difference, not that of two numbers near 1."""
    is_mirrored = low > 0
    upper, lower = np.where(is_mirrored, -low, high), np.where(is_mirrored, -high, low)
    return np.asarray(special.ndtr(upper) - special.ndtr(lower))


def _beyond(limit: FloatArray, a_low: FloatArray, a_high: FloatArray, noise: FloatArray) -> FloatArray:
    """Probability that a standard normal unit lies above `limit` and its reading, with `noise`, is accepted."""
    is_limit = np.isfinite(limit)
    limit = np.maximum(np.where(is_limit, limit, 0.0), -_FAR)
    # Far inside the acceptance limits every unit is accepted: no quadrature there, where the edge would be a step.
    is_flat = (a_high - _FAR * noise > limit) & (a_low + _FAR * noise <= limit)
    start = np.where(is_flat, a_high - _FAR * noise, limit)
    # No farther than a reading can miss the acceptance limit, nor than there are units at all.
    end = np.maximum(np.minimum(np.maximum(start, a_high) + _FAR * noise, np.maximum(start, 0.0) + _FAR), start)
    half = (end - start) / 2
    unit = start[..., None] + half[..., None] * (1 + _NODES)
    accepted = _between(*((each[..., None] - unit) / noise[..., None] for each in (a_low, a_high)))
    area = (np.exp(-(unit**2) / 2) * accepted) @ _WEIGHTS
    return np.where(is_limit, _between(limit, start) + area * half / np.sqrt(2 * np.pi), 0.0)
