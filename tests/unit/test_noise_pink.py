"""1/f noise: its density against scipy's of many dimensions, and against a wander, on series made by numpy alone."""

import numpy as np
import pytest
from scipy import stats

from sequencer.diagnosis.noise.burst import noise_of
from sequencer.diagnosis.noise.kinds import pink
from sequencer.diagnosis.noise.kinds.kind import Burst
from sequencer.diagnosis.noise.kinds.slow import WANDER


def one_over_f(n, seed):
    """Lines of random phase and size over a record four times as long: power as 1/f (spectral synthesis)."""
    rng = np.random.default_rng(seed)
    order = np.arange(1, 2 * n + 1)
    lines = order**-0.5 * (rng.normal(size=2 * n) + 1j * rng.normal(size=2 * n))
    return np.fft.irfft(np.concatenate(([0], lines)), 4 * n)[:n]


def readings(y):
    return Burst(y=y, t=0.1 * np.arange(len(y)), floor=1e-9)


@pytest.mark.parametrize("n", [70, pink._MOST_LAGS + 60])
@pytest.mark.parametrize("place", [(3, 0), (6, 4)])
def test_the_density_is_that_of_a_normal_distribution_of_its_covariance(n, place):
    y = one_over_f(n, 1)
    y -= y.mean()
    places = np.array([place])
    found = pink._exact(y, places, 1e-9)[0]
    at = np.arange(n)
    covariance = found.level * pink._covariance(places, n)[0][np.abs(at[:, None] - at)]
    # The mean integrated out: log density at the mean that suits best, and the width about it (Gauss).
    inverse = np.linalg.inv(covariance)
    whole = inverse.sum()
    mean = float(inverse.sum(axis=0) @ y) / whole
    known = stats.multivariate_normal(np.full(n, mean), covariance).logpdf(y) + np.log(2 * np.pi / whole) / 2
    # Beyond the lags that are looked back to, what is new is a little smaller than is taken.
    assert found.log_density == pytest.approx(known, abs=1e-6 if n < 100 else 0.1)


def test_a_short_record_of_it_is_no_sure_wander():
    # Ends that do not meet leaked into a periodogram, which made a wander likelier by up to 8 nats.
    ahead = []
    for seed in range(20, 40):
        burst = readings(one_over_f(150, seed))
        ahead.append(pink.PINK.fit_burst(burst)[0].log_evidence - WANDER.fit_burst(burst)[0].log_evidence)
    assert np.mean(np.array(ahead) < -np.log(9)) <= 0.1  # 90 % for the wander, which one in ten may be at most
    assert np.mean(np.array(ahead) > 0) > 0.7


def test_a_wander_of_one_memory_is_told_from_it():
    rng = np.random.default_rng(3)
    y = np.zeros(400)
    for index in range(1, len(y)):  # each holds on to 0.95 of the one before
        y[index] = 0.95 * y[index - 1] + rng.normal()
    assert noise_of(y, 0.1 * np.arange(400)).best.kind == "slow wander"


def test_an_open_contact_that_leaves_an_offset_is_no_drift():
    # 0.2 % of the signal is left: nearer to zero than to a place of its own, and with less noise than the signal.
    rng = np.random.default_rng(5)
    y = np.where(rng.random(700) < 0.08, 0.0095, 4.12 + rng.normal(0, 0.005, 700))
    found = noise_of(y, 0.12 * np.arange(700), unit="mA")
    assert (found.best.kind, found.second) == ("intermittent contact", None)
    assert found.best_value == pytest.approx(4.12, abs=0.001)


def test_hum_below_a_digit_is_told_by_its_line():
    t = 0.0217 * np.arange(400)
    hum = 0.008 * np.sin(2 * np.pi * 50.03 * t + 1) + np.random.default_rng(2).normal(0, 0.003, 400)
    found = noise_of(0.02 * np.round((12.006 + hum) / 0.02), t, unit="mA", resolution=0.02)
    assert found.best.kind == "mains pickup"
    assert found.best.words.startswith("50.0")
    assert found.second.kind in {"quantisation flicker", "display steps"}
