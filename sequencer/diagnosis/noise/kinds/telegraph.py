"""Random telegraph noise: readings jump between two levels and stay on each for a while, of no fixed length."""

import math

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.densities import log_mixture, log_normal
from sequencer.diagnosis.noise.fitting import climb, cost, cost_of_size, cost_of_step, logit, share_of, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise
from sequencer.evaluation.figures.per_point import FloatArray

__all__ = ["TELEGRAPH", "chain", "in_a_row", "log_chain"]

_STAYS = (2.0, 4.0, 10.0, 30.0)  # readings in a row, on average
_WIDEST_STEP = 0.6  # of the largest reading: a wider one is a loss of signal
_ALIKE = 0.5  # standard errors by which neighbours are alike: else it is flicker, whatever the levels
_START_SDS = (0.2, 0.15)  # first steps of the climb, as logarithms of noise and of the distance of the levels
_UNSCALED = 3  # times that products are taken in pairs before they are scaled
_FEWEST_CHANGES = 4.0  # fewer may be steps
_LEAST_JUMPS = 0.5
_TWO_SDS = 1.96  # 95 % of a normal distribution


def log_chain(low: FloatArray, high: FloatArray, rise: float, fall: float) -> float:
    """Log density of readings that each belong to one of two hidden levels, the level a Markov chain at rest.

    Args:
        low: log density of each reading on the lower level; shape (n,).
        high: the same on the upper one.
        rise: probability that the next reading is on the upper level, after one on the lower; 0..1.
        fall: the other way round.

    The forward recursion is a product of 2 x 2 matrices, which is taken in pairs, all at once.
    """
    largest = np.maximum(low, high)
    total = float(largest.sum())
    down, up = np.exp(low - largest), np.exp(high - largest)
    first = np.array([fall * down[0], rise * up[0]]) / (rise + fall)
    many = len(low) - 1
    steps = np.zeros((2, 2, 1 << (many - 1).bit_length() if many else 0))  # from, to; as many as halve to one
    steps[0, 0, many:] = steps[1, 1, many:] = 1.0  # the identity changes nothing
    for (start, end), share in np.ndenumerate(np.array([[1 - rise, rise], [fall, 1 - fall]])):
        np.multiply((down, up)[end][1:], share, out=steps[start, end, :many])
    halvings = 0
    while steps.shape[2] > 1:
        left, right = steps[:, :, 0::2], steps[:, :, 1::2]
        steps = left[:, :1] * right[0]
        steps += left[:, 1:] * right[1]
        halvings += 1
        # Shares are no less than 6e-6, so that eight in a row are far from underflow.
        if halvings % _UNSCALED == 0:
            scale = steps.max(axis=(0, 1))
            total += float(np.log(scale).sum())
            steps /= scale
    last = float((first @ steps[:, :, 0]).sum()) if many else float(first.sum())
    return total + math.log(last)


def in_a_row(usual: FloatArray, other: FloatArray, share: float) -> tuple[float, float]:
    """What is gained if readings of another kind come several in a row, and how many on average; 0 and 1 where nothing.

    Args:
        usual: log density of each reading where nothing is the matter; shape (n,).
        other: where something is.
        share: of the others.
    """
    alone = float(log_mixture(share, usual, other).sum())
    odds = share / (1 - share)
    stays = [(log_chain(usual, other, odds / stay, 1 / stay), stay) for stay in _STAYS if odds < stay / 2]
    best, stay = max(stays, default=(-math.inf, 1.0))
    gained = best - alone - math.log(len(_STAYS))
    return (gained, stay) if gained > 0 else (0.0, 1.0)


def chain(low: FloatArray, high: FloatArray, rise: float, fall: float) -> tuple[FloatArray, float, float]:
    """Probability of the upper level at each reading, and how many rises and falls are expected among them.

    Args: as for `log_chain`.
    """
    n = len(low)
    odds = np.exp(np.clip(high - low, -300, 300)).tolist()
    forward = [0.0] * n
    upper = rise / (rise + fall)
    for index, each in enumerate(odds):
        forward[index] = upper * each / (upper * each + 1 - upper)
        upper = forward[index] * (1 - fall) + (1 - forward[index]) * rise
    smooth = forward.copy()
    rises = falls = 0.0
    for index in range(n - 2, -1, -1):
        after, here = smooth[index + 1], forward[index]
        predicted = here * (1 - fall) + (1 - here) * rise
        to_upper, to_lower = after / max(predicted, 1e-300), (1 - after) / max(1 - predicted, 1e-300)
        falls += here * fall * to_lower
        rises += (1 - here) * rise * to_upper
        smooth[index] = here * ((1 - fall) * to_upper + fall * to_lower)
    return np.array(smooth), rises, falls


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    """() where neighbours are not alike, or too few changes are seen."""
    y, n, floor = burst.y, len(burst.y), burst.floor
    about = y - y.mean()
    square = float(about @ about)
    if np.ptp(y) == 0 or float(about[1:] @ about[:-1]) / square * math.sqrt(n) < _ALIKE:
        return ()
    largest = float(np.abs(y).max())

    def densities(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        sd = math.hypot(math.exp(at[1]), floor)
        return log_normal(y - at[0], sd), log_normal(y - at[0] - math.exp(at[2]), sd)

    def likelihood(at: FloatArray) -> float:
        if math.exp(at[2]) > _WIDEST_STEP * largest:
            return -math.inf
        return log_chain(*densities(at), share_of(at[3]), share_of(at[4]))

    start = _start(y, floor)
    best, at = climb(likelihood, start, (math.exp(start[1]), *_START_SDS, 0.5, 0.5))
    if not math.isfinite(best):
        return ()
    upper, rises, falls = chain(*densities(at), share_of(at[3]), share_of(at[4]))
    if rises + falls < _FEWEST_CHANGES:
        return ()
    sd, size = math.hypot(math.exp(at[1]), floor), math.exp(at[2])
    # From the dwell times alone: a burst that ends on a level says nothing of how long it would have stayed there.
    share = rises / max(float((1 - upper[:-1]).sum()), 1e-300)
    share /= share + falls / max(float(upper[:-1].sum()), 1e-300)
    # Each level as the readings on it tell, finer than a climb ends.
    low, high = (float(part @ y / max(float(part.sum()), 1e-300)) for part in (1 - upper, upper))
    mean = low + share * (high - low)
    U = _expanded(share, rises, falls, size, sd / math.sqrt(n))
    chosen = cost_of_step(size, sd, float(upper.mean()), largest, n)
    for many in (rises, falls):  # a mean dwell time may be anything from a reading to the whole burst
        chosen += cost_of_size(1.0, 1 / math.sqrt(max(many, 1.0)), 1 / n, 1.0)
    above_s, below_s = (
        burst.length_s * float(part.mean()) / max(many, _LEAST_JUMPS)
        for part, many in ((upper, falls), (1 - upper, rises))
    )
    return (
        BurstFit(
            kind="random telegraph",
            log_evidence=best - cost(1, n) - chosen,
            words=f"two levels {show(size, burst.unit)} apart, {100 * share:.0f} % of the time on the upper one, where "
            f"it stays {sized(above_s, 2)} s, and {sized(below_s, 2)} s below, on average: truly "
            f"{show(mean, burst.unit, 6)} ± {show(U, burst.unit, 2)}",
            # Levels drawn by their probabilities: with their means what is left would be narrower than the noise is.
            residual=y - at[0] - size * (np.random.default_rng(n).uniform(size=n) < upper),
            sd=sd,
            size=size,
            share=share,
            mean=mean,
            U_mean=U,
        ),
    )


def _start(y: FloatArray, floor: float) -> tuple[float, ...]:
    """Levels, noise and jumps as they look when the readings are cut between the two densest halves."""
    # Rounding leaves none of both empty.
    lowest, highest = float(y.min()), math.nextafter(float(y.max()), -math.inf)
    cut = (lowest + highest) / 2
    for _ in range(10):  # two means (Lloyd 1957): ends after a few
        cut = min(max(float(y[y <= cut].mean() + y[y > cut].mean()) / 2, lowest), highest)
    is_upper = y > cut
    low, high = float(y[~is_upper].mean()), float(y[is_upper].mean())
    sd = max(float(np.sqrt(np.mean((y - np.where(is_upper, high, low)) ** 2))), floor, 1e-300)
    rises, falls = float((~is_upper[:-1] & is_upper[1:]).sum()), float((is_upper[:-1] & ~is_upper[1:]).sum())
    return (
        low,
        math.log(sd),
        math.log(max(high - low, sd)),
        logit((rises + 0.5) / (float((~is_upper).sum()) + 1)),
        logit((falls + 0.5) / (float(is_upper.sum()) + 1)),
    )


def _expanded(share: float, rises: float, falls: float, size: float, u_level: float) -> float:
    """Half width of the 95 % interval of the mean.

    The logarithm of each mean dwell time of k has a variance of nearly 1 / (k - 1/2) (gamma distribution), so that of
    the odds is their sum. For many it is the variance p (1 - p) d^2 2 tau / T of the mean.
    """
    u = math.sqrt(sum(1 / max(each - 0.5, _LEAST_JUMPS) for each in (rises, falls)))
    odds = logit(min(max(share, 1e-9), 1 - 1e-9))
    farthest = max(abs(share_of(odds + sign * _TWO_SDS * u) - share) for sign in (1, -1))
    return math.hypot(size * farthest, _TWO_SDS * u_level)


TELEGRAPH = KindOfNoise(
    name="random telegraph",
    cause="a contact or joint with two resistances, a defect in a semiconductor, or a range or regulator that hunts",
    check="flex each terminal, then warm and cool the electronics: the dwell times of a defect change with "
    "temperature; average over many jumps",
    fit_burst=_fit_burst,
    has_two_levels=True,
    may_come_with_drive=True,
)
