"""Pulse trains made with numpy: what was put into them is what is found."""

import math

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.edges import edges_of, rising_edges
from sequencer.diagnosis.noise.pulses import pulse_train
from sequencer.diagnosis.noise.spectrum import main_lines

_RATE_HZ = 50_000.0
_TIMES_S = np.arange(100_000) / _RATE_HZ
_EDGES_S = np.arange(0.0005, 1.999, 0.001)  # 1 kHz for two seconds


def wave(edges_s, width_s=0.0005, noise=0.0):
    """Pulses of 0 and 5 V."""
    values = np.zeros(len(_TIMES_S))
    for edge_s in edges_s:
        values[round(edge_s * _RATE_HZ) : round((edge_s + width_s) * _RATE_HZ)] = 5.0
    return values + np.random.default_rng(1).normal(0, noise, len(values)) if noise else values


def found(values, **settings):
    return pulse_train(edges_of(values, _TIMES_S), **settings)


def test_a_sound_train_has_its_rate_duty_and_no_fault():
    train = found(wave(_EDGES_S, noise=0.05))
    assert train.rate_Hz == pytest.approx(1000, rel=1e-5)
    assert train.duty == pytest.approx(0.5, abs=0.001)
    assert (train.missing_n, train.extra_n) == (0, 0)
    assert (train.edges.low, train.edges.high) == pytest.approx((0, 5), abs=0.01)
    assert train.wheel is None
    assert math.isnan(train.repeat_n)


@pytest.mark.parametrize("after_s", [0.0004, 0.0006])
def test_an_edge_in_the_middle_of_a_period_is_one_too_many(after_s):
    train = found(wave([*_EDGES_S, _EDGES_S[300] + after_s], width_s=0.0002))
    assert (train.extra_n, train.missing_n) == (1, 0)
    assert train.extra_s == pytest.approx((_EDGES_S[300] + after_s,), abs=2e-5)
    assert train.rate_Hz == pytest.approx(1000, rel=1e-5)


def test_missing_pulses_are_counted_with_their_places_and_the_rate_stays_true():
    train = found(wave(np.delete(_EDGES_S, [300, 301, 900])))
    assert train.missing_n == 3
    assert train.missing_s == pytest.approx((_EDGES_S[299], _EDGES_S[899]), abs=1e-4)
    assert train.rate_Hz == pytest.approx(1000, rel=1e-4)
    assert train.counted_Hz == pytest.approx(1000 * (len(_EDGES_S) - 4) / (len(_EDGES_S) - 1), rel=1e-6)


@pytest.mark.parametrize("share", [0.05, 1.0])
def test_double_counts_are_found_up_to_every_pulse(share):
    values = wave(_EDGES_S, 0.00008)
    rung = _EDGES_S[np.random.default_rng(2).uniform(size=len(_EDGES_S)) < share]
    for edge_s in rung:
        values[round((edge_s + 0.00014) * _RATE_HZ) : round((edge_s + 0.0002) * _RATE_HZ)] = 5.0
    train = found(values)
    assert train.extra_n == pytest.approx(len(rung), abs=1)
    assert train.extra_after_s == pytest.approx(0.00014, abs=2e-5)
    assert train.rate_Hz == pytest.approx(1000, rel=1e-4)
    assert train.counted_Hz == pytest.approx(1000 * (1 + len(rung) / len(_EDGES_S)), rel=2e-3)


def test_a_missing_tooth_is_found_without_being_told_the_wheel():
    number = np.arange(len(_EDGES_S))
    train = found(wave(_EDGES_S[number % 60 != 7]))
    assert train.wheel.pulses_n == 60
    assert train.wheel.missing_at == (7,)
    assert train.missing_n == 34  # 7, 67 ... 1987 of 1999
    assert not train.wheel.is_given


@pytest.mark.parametrize("runout_pct", [0.5, 2.0])
def test_runout_of_a_wheel_is_its_amplitude(runout_pct):
    # Edges displaced by d sin(2 pi k / N): periods swing by 2 d sin(pi / N) / P, which for N = 60 is 2 pi d / (N P).
    number = np.arange(len(_EDGES_S))
    size_s = runout_pct / 100 * 0.001 / (2 * math.sin(math.pi / 60))
    values = np.interp(_TIMES_S, *_trapezia(_EDGES_S + size_s * np.sin(2 * np.pi * number / 60)))
    told = found(values, pulses_per_revolution=60)
    assert told.wheel.is_there
    assert told.wheel.runout_pct == pytest.approx(runout_pct, rel=0.03)
    assert told.wheel.revolutions_n == 33
    untold = found(values)
    assert untold.repeat_n == pytest.approx(60, rel=0.05)
    assert untold.repeat_pct == pytest.approx(runout_pct, rel=0.25)  # between two lines of the sequence


def _trapezia(edges_s):
    """Corners of pulses with edges of 0.1 ms, so that sampling does not move them."""
    times = (edges_s[:, None] + np.array([-5e-5, 5e-5, 4.5e-4, 5.5e-4])).ravel()
    return times, np.tile([0.0, 5.0, 5.0, 0.0], len(edges_s))


def test_an_even_wheel_shows_no_pattern():
    told = found(wave(_EDGES_S, noise=0.05), pulses_per_revolution=60)
    assert not told.wheel.is_there or told.wheel.spread_pct < 0.1


def test_thresholds_may_be_given_and_noise_between_them_is_not_counted():
    values = wave(_EDGES_S, noise=0.3)
    slow = np.convolve(values, np.ones(12) / 12, mode="same") + np.random.default_rng(4).normal(0, 0.3, len(values))
    bare = edges_of(slow, _TIMES_S, lower=2.5, upper=2.5)
    held = edges_of(slow, _TIMES_S, lower=1.0, upper=4.0)
    assert len(bare.rising_s) > 1.1 * len(_EDGES_S)
    assert len(held.rising_s) == len(_EDGES_S)


@pytest.mark.parametrize(
    ("values", "match"),
    [
        (np.full(1000, 2.5), "flat"),
        (np.where(np.arange(1000) > 500, 5.0, 0.0), "too few pulses.*: 1 rising edge .*record longer: at least"),
        (np.random.default_rng(1).normal(0, 1, 1000), "no pulses stand out"),
    ],
)
def test_what_is_no_train_is_refused(values, match):
    with pytest.raises(ReadingsError, match=match):
        pulse_train(edges_of(values, np.arange(1000) * 1e-3))


@pytest.mark.parametrize("thresholds", [(6, 7), (-3, -2), (2, 7), (-2, 7)], ids=["above", "below", "upper", "around"])
def test_thresholds_outside_the_trace_count_nothing(thresholds):
    edges = edges_of(wave(_EDGES_S), _TIMES_S, lower=thresholds[0], upper=thresholds[1])
    assert len(edges.rising_s) == 0


def test_main_lines_have_frequency_and_amplitude():
    t = np.arange(20_000) / 5000
    y = 0.3 * np.sin(2 * np.pi * 50.02 * t) + 0.05 * np.sin(2 * np.pi * 150.06 * t + 1)
    y += np.random.default_rng(1).normal(0, 0.02, len(t))
    first, second = main_lines(y, 1 / 5000)
    assert (first.rate_Hz, first.amplitude) == pytest.approx((50.02, 0.3), rel=5e-3)
    assert (second.rate_Hz, second.amplitude) == pytest.approx((150.06, 0.05), rel=3e-2)


def test_white_noise_has_no_line():
    assert main_lines(np.random.default_rng(1).normal(0, 1, 50_000), 1e-3) == ()


def test_a_square_wave_has_the_lines_of_fourier():
    # Amplitudes 4 / (pi k) of half the swing for k = 1, 3, 5.
    values = np.where(np.sin(2 * np.pi * 100 * np.arange(40_000) / 40_000 + 0.01) > 0, 1.0, -1.0)
    lines = main_lines(values, 1 / 40_000)
    assert [line.amplitude for line in lines[:3]] == pytest.approx([4 / math.pi / k for k in (1, 3, 5)], rel=0.01)
    assert [line.rate_Hz for line in lines[:3]] == pytest.approx([100, 300, 500], rel=1e-3)


@pytest.mark.parametrize("rest", [0.0, 2.5, 5.0], ids=["low", "between the thresholds", "high"])
def test_a_long_trace_looked_at_in_parts_has_each_edge_once(rest):
    values = np.where(np.arange(700_000) % 7000 < 3500, 5.0, 0.0)
    values[200_000:600_000] = rest  # longer than a part, so that the state is held through one without an edge
    times_s = np.arange(len(values)) * 1e-6
    edges = edges_of(values, times_s, lower=1.0, upper=4.0)
    state, rising, falling = 0, [], []
    for number, value in enumerate(values.tolist()):
        now = 1 if value > 4.0 else -1 if value < 1.0 else state
        if now != state and state:
            (rising if now > 0 else falling).append(number)
        state = now
    assert np.ceil(edges.rising_s * 1e6 - 1e-6).astype(int).tolist() == rising
    assert np.ceil(edges.falling_s * 1e6 - 1e-6).astype(int).tolist() == falling
    assert len(rising_edges(values, times_s, 4.0, 4.0)) == len(rising)
