"""Ripple of sines whose sizes are known, through an aperture in closed form."""

import math

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.steps.ripple.content import ripple


def read(*sines, n=400, aperture_s=1e-3, interval_s=7.3e-3, sd=0.01, seed=1):
    """Readings over an aperture: the mean of a sine over T is sin(pi f T) / (pi f T) of it, at the middle of T."""
    t = np.arange(n) * interval_s
    y = np.random.default_rng(seed).normal(12, sd, n)
    for rate_Hz, amplitude in sines:
        y += amplitude * np.sinc(rate_Hz * aperture_s) * np.sin(2 * np.pi * rate_Hz * t + 0.4)
    return y, t


def found(*sines, mains_Hz=(50.0,), aperture_s=1e-3, **how):
    return ripple(*read(*sines, aperture_s=aperture_s, **how), mains_Hz=mains_Hz, aperture_s=aperture_s)


def test_a_sine_has_its_peak_to_peak_and_rms():
    got = found((41.0, 0.2))
    assert got.lines[0].seen_Hz == pytest.approx(41.0, abs=0.02)
    assert got.peak_to_peak == pytest.approx(0.4, abs=got.U)
    assert got.rms == pytest.approx(0.2 / math.sqrt(2), rel=0.02)
    assert got.U < 0.01
    assert not got.lines[0].mains_Hz


def test_the_noise_of_the_meter_is_no_ripple():
    got = found(sd=0.05)
    assert got.lines == ()
    assert got.peak_to_peak == 0
    assert got.noise_sd == pytest.approx(0.05, rel=0.1)
    # As read it is six standard deviations of noise wide.
    assert got.read_peak_to_peak > 0.25
    # A line that is just found takes 1 - (1e-4 / 200) ^ (2 / 397) = 7.05 % of the squares.
    assert got.least == pytest.approx(2 * got.noise_sd * math.sqrt(2 * 0.0705 / 0.9295), rel=0.01)


def test_mains_is_named_by_the_times_of_the_readings_though_it_is_folded():
    # 100 Hz every 7.3 ms: 0.73 turns, read as 0.27 / 7.3 ms = 36.99 Hz.
    got = found((100.0, 0.3))
    assert got.lines[0].seen_Hz == pytest.approx(36.986, abs=0.02)
    assert 100.0 in [rate for rate, _ in got.lines[0].mains_Hz]


def test_what_the_aperture_takes_is_given_back_for_mains_and_said():
    # 5 ms at 100 Hz pass sin(pi / 2) / (pi / 2) = 63.7 %.
    got = found((100.0, 0.3), aperture_s=5e-3)
    assert got.peak_to_peak == pytest.approx(0.6 * 2 / math.pi, abs=got.U)
    assert got.lines[0].likely == pytest.approx((100.0, 2 / math.pi), rel=1e-3)
    assert got.whole == pytest.approx(0.6, abs=2 * got.U)


def test_a_meter_over_whole_cycles_is_blind_and_says_so():
    got = found((50.0, 0.3), (100.0, 0.3), aperture_s=20e-3, interval_s=23e-3)
    assert got.lines == ()
    assert [(each.rate_Hz, each.is_hidden) for each in got.watched] == [(50.0, True), (100.0, True)]
    assert max(each.passes for each in got.watched) < 1e-12


def test_a_reading_rate_that_meets_mains_sees_it_stand_still():
    got = found((50.0, 0.3), interval_s=20e-3)
    assert got.lines == ()
    assert got.watched[0].is_at_rest
    assert got.watched[0].is_hidden
    assert got.watched[0].passes > 0.99


def test_two_lines_add_up():
    got = found((37.0, 0.2), (11.0, 0.1))
    assert [each.seen_Hz for each in got.lines] == pytest.approx([37, 11], abs=0.05)
    assert got.peak_to_peak == pytest.approx(0.6, abs=0.01)
    assert got.rms == pytest.approx(math.sqrt((0.2**2 + 0.1**2) / 2), rel=0.02)


def test_few_readings_tell_no_ripple():
    with pytest.raises(ReadingsError, match="tell no ripple"):
        found(n=10)
