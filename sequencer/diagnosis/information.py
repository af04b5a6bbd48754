"""How much readings are expected to tell of which explanation is true. It knows no cause and no reading."""

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from instruments.datasheet import FloatArray

__all__ = ["beyond_bits", "entropy_bits", "information_bits"]

# The grid of an integral has nodes so many standard deviations about the mean of each explanation: a narrow density
# beside a wide one is met too. What was read first needs fewer: only the mean over it is asked for.
_NODES = np.linspace(-6, 6, 49)
_FIRST_NODES, _FIRST_SHARES = hermegauss(5)
_TINY, _NOTHING = 1e-300, 1e-4


def entropy_bits(weights: FloatArray) -> float:
    """Of probabilities that add up to 1, in bits: what is not known yet; shape (explanations,)."""
    held = weights[weights > 0]
    return float(-(held * np.log2(held)).sum())


def information_bits(weights: FloatArray, means: FloatArray, sds: FloatArray) -> FloatArray:
    """Mutual information of which explanation is true, and what would be read.

    Each explanation foretells a normal density; the entropy of their mixture less the mean entropy of each, integrated
    by the trapezoidal rule.

    Args:
        weights: of the explanations, adding up to 1; shape (..., explanations).
        means: what each foretells; shape (..., explanations).
        sds: how surely, above 0; same shape.

    Returns:
        Shape (...), bits, 0 or more.
    """
    nodes = (means[..., np.newaxis] + sds[..., np.newaxis] * _NODES).reshape(*means.shape[:-1], -1)
    nodes.sort(axis=-1)
    white = (nodes[..., np.newaxis, :] - means[..., np.newaxis]) / sds[..., np.newaxis]
    log_density = -0.5 * white**2 - np.log(sds * np.sqrt(2 * np.pi))[..., np.newaxis]
    held = weights[..., np.newaxis] * np.exp(log_density)
    whole = held.sum(axis=-2)
    told = (held * log_density).sum(axis=-2) - whole * np.log(np.maximum(whole, _TINY))
    return np.asarray(np.maximum(np.trapezoid(told, nodes, axis=-1) / np.log(2), 0.0))


def beyond_bits(
    weights: FloatArray, first: tuple[FloatArray, FloatArray], means: FloatArray, sds: FloatArray, along: FloatArray
) -> FloatArray:
    """What a second reading is expected to tell beyond a first one, for each choice of the second.

    Args:
        weights: of the explanations, adding up to 1; shape (explanations,).
        first: mean and standard deviation of the first reading; each of shape (explanations,).
        means: of the second; shape (choices, explanations).
        sds: of the second; same shape.
        along: how far the second goes with one standard deviation of the first; same shape.

    Returns:
        Shape (choices,), bits, 0 or more.
    """
    mean, sd = first
    # At some places for each explanation: what the first reading would leave, and what the second would tell then.
    at = (mean[:, np.newaxis] + sd[:, np.newaxis] * _FIRST_NODES).ravel()
    white = (at[:, np.newaxis] - mean) / sd
    log_held = np.log(np.maximum(weights, _TINY)) - 0.5 * white**2 - np.log(sd)
    held = np.exp(log_held - log_held.max(axis=-1, keepdims=True))
    left = held / held.sum(axis=-1, keepdims=True)
    chance = (weights[:, np.newaxis] * (_FIRST_SHARES / _FIRST_SHARES.sum())).ravel()
    alone = np.sqrt(np.maximum(sds**2 - along**2, _TINY))
    # Where the first says which it is, a second has nothing to tell.
    is_open = (1 - left.max(axis=-1)) * chance > _NOTHING
    total = np.zeros(len(means))
    for share, weight, moved in zip(chance[is_open], left[is_open], white[is_open], strict=True):
        total += share * information_bits(weight, means + along * moved, alone)
    return total
