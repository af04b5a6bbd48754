"""What readings are expected to tell, against tables of channel capacity, closed forms and integrals by scipy."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, stats

from sequencer.diagnosis.information import beyond_bits, entropy_bits, information_bits


def by_quad(weights, means, sds):
    """Entropy of the mixture less the mean entropy of its parts, by adaptive quadrature between the densities."""
    parts = [stats.norm(mean, sd) for mean, sd in zip(means, sds, strict=True)]

    def surprise(y):
        density = sum(weight * each.pdf(y) for weight, each in zip(weights, parts, strict=True))
        return -density * np.log2(density) if density > 0 else 0.0

    edges = sorted({float(m + k * s) for m, s in zip(means, sds, strict=True) for k in (-9, -3, 0, 3, 9)})
    whole = sum(integrate.quad(surprise, a, b, limit=200)[0] for a, b in pairwise(edges))
    return whole - sum(w * each.entropy() / np.log(2) for w, each in zip(weights, parts, strict=True))


# A binary input of +1 or -1 over a Gaussian channel carries half a bit at a standard deviation of 0.979: the Shannon
# limit of rate 1/2 in tables of low-density codes (Richardson, Shokrollahi, Urbanke 2001, from memory).
def test_a_binary_input_over_a_gaussian_channel_carries_half_a_bit_at_the_tabled_noise():
    told = information_bits(np.array([0.5, 0.5]), np.array([-1.0, 1.0]), np.array([0.979, 0.979]))
    assert told == pytest.approx(0.5, abs=5e-4)


@pytest.mark.parametrize(
    ("weights", "means", "sds"),
    [
        ([0.5, 0.5], [0, 0], [1, 0.01]),
        ([0.7, 0.3], [0, 2], [1, 0.2]),
        ([0.5, 0.5], [0, 0.3], [1, 0.1]),
        ([0.6, 0.3, 0.1], [0, 0.5, 4], [0.3, 0.05, 2]),
        ([0.25, 0.25, 0.25, 0.25], [0, 1, 2, 3], [0.4, 0.4, 0.4, 0.4]),
    ],
    ids=["same mean", "narrow beside wide", "narrow within wide", "three", "four in a row"],
)
def test_it_is_the_entropy_of_the_mixture_less_that_of_its_parts(weights, means, sds):
    told = information_bits(np.array(weights), np.array(means, float), np.array(sds, float))
    assert told == pytest.approx(by_quad(weights, means, sds), abs=2e-3)


def test_what_is_far_apart_tells_all_and_what_is_alike_nothing():
    weights = np.array([0.9, 0.1])
    # -0.9 log2 0.9 - 0.1 log2 0.1, worked out by hand
    assert entropy_bits(weights) == pytest.approx(0.46900, abs=5e-6)
    far, same = information_bits(weights, np.array([[0.0, 30.0], [1.0, 1.0]]), np.ones((2, 2)))
    assert far == pytest.approx(0.46900, abs=1e-4)
    assert same == pytest.approx(0.0, abs=1e-9)


def test_two_readings_that_share_nothing_tell_what_one_of_less_noise_tells():
    weights, means, sds = np.array([0.5, 0.5]), np.array([-1.0, 1.0]), np.array([2.0, 2.0])
    second = beyond_bits(weights, (means, sds), means[np.newaxis], sds[np.newaxis], np.zeros((1, 2)))
    # Their mean is as good as both, and has a standard deviation of 2 / sqrt 2.
    both = by_quad(weights, means, sds / np.sqrt(2))
    assert information_bits(weights, means, sds) + second[0] == pytest.approx(both, abs=1e-3)


def test_a_second_reading_that_repeats_the_first_tells_nothing_and_one_that_takes_off_what_both_share_tells_all():
    weights, first = np.array([0.5, 0.5]), (np.zeros(2), np.array([5.0, 5.0]))
    means, sds = np.array([[0.0, 0.0], [0.0, 1.0]]), np.array([[5.0, 5.0], [5.0, 5.0]])
    # Of the 5 all but 0.01 is common to both: with the first known, 0 and 1 lie a hundred standard deviations apart.
    along = np.full((2, 2), np.sqrt(25 - 0.01**2))
    repeated, told = beyond_bits(weights, first, means, sds, along)
    assert repeated == pytest.approx(0.0, abs=1e-9)
    assert told == pytest.approx(1.0, abs=1e-3)
