"""Traces that were told wrongly once: speed, wheels, echoes, images of the pulses, hash alone, flat ones."""

import math
import re

import numpy as np
import pytest
import told_traces

from sequencer.diagnosis.noise.edges import edges_of
from sequencer.diagnosis.noise.hash import hash_of
from sequencer.diagnosis.noise.inverter import mains_of, wheel_pulses_of
from sequencer.diagnosis.noise.pulses import pulse_train
from sequencer.diagnosis.noise.rhythm import rhythm_of
from sequencer.diagnosis.noise.spectrum import Line
from sequencer.diagnosis.trace_views import trace_views
from sequencer.diagnosis.waveform import trace_result

_RATE_HZ = 20_000.0


def trace(values, rate_Hz=_RATE_HZ):
    return told_traces.trace(values, rate_Hz)


def told(values, rate_Hz=_RATE_HZ, **settings):
    return told_traces.told(values, rate_Hz, **settings)


def noise(length, sd, seed=1):
    return np.random.default_rng(seed).normal(0, sd, length)


def turned(length_s, begin_Hz, end_Hz, rate_Hz=_RATE_HZ):
    """Turns at each sample, the speed linear in time: f0 t + (f1 - f0) t^2 / 2 T."""
    t = np.arange(round(length_s * rate_Hz)) / rate_Hz
    return begin_Hz * t + (end_Hz - begin_Hz) * t**2 / (2 * length_s)


@pytest.mark.parametrize(("begin_Hz", "end_Hz"), [(50, 220), (220, 50)])
def test_a_speed_that_runs_up_or_down_is_told_with_both_ends_and_nothing_else(begin_Hz, end_Hz):
    turns = turned(1.0, begin_Hz, end_Hz)
    result, text = told(2.5 + 2.5 * np.sin(2 * np.pi * turns) + noise(len(turns), 0.01))
    assert result.train.is_changing
    assert result.train.begins_Hz == pytest.approx(begin_Hz, rel=0.16)  # a polynomial is loose at its ends
    assert result.train.ends_Hz == pytest.approx(end_Hz, rel=0.16)
    assert result.train.rate_Hz == pytest.approx(135, rel=0.03)  # the mean of a linear run
    assert (result.train.missing_n, result.train.extra_n) == (0, 0)
    assert ("rises" if end_Hz > begin_Hz else "falls") in text
    assert "swings" not in text


def test_a_steady_speed_with_jitter_is_no_run_up():
    edges_s = np.cumsum(0.01 + noise(200, 1e-4, seed=5))
    values = np.interp(np.arange(40_000) / _RATE_HZ, *trapezia(edges_s, 0.01))
    result, text = told(values)
    assert not result.train.is_changing
    assert "speed" not in text


def trapezia(edges_s, period_s):
    """Corners of pulses with edges of a tenth of a period, so that sampling does not move them."""
    times = (edges_s[:, None] + period_s * np.array([-0.05, 0.05, 0.45, 0.55])).ravel()
    return times, np.tile([0.0, 5.0, 5.0, 0.0], len(edges_s))


def test_echoes_in_the_middle_of_many_periods_in_a_row_are_no_missing_pulses():
    edges_s = 0.01 * np.arange(1, 100)
    echoes_s = edges_s[[20, 21, 22, 40, 42, 60, 61, 80]] + 0.0052
    rising_s = np.sort(np.concatenate((edges_s, echoes_s)))
    rhythm = rhythm_of(rising_s, rising_s + 0.001, np.zeros((0, 2)))
    assert rising_s[rhythm.is_extra] == pytest.approx(echoes_s)
    assert (rhythm.counts == 1).all()


def test_bounce_at_opening_only_is_not_twice_the_rate():
    # 20 Hz: closed for 0.52 of the period, open for 0.02 to 0.03, closed again for as long, then open.
    rng = np.random.default_rng(3)
    values, period_n = np.zeros(40_000), 1000
    for start in range(200, 39_000, period_n):
        first, second = rng.integers(15, 30, 2)
        values[start : start + 520] = 5
        values[start + 520 + first : start + 520 + first + second] = 5
    result, text = told(values + noise(40_000, 0.01))
    assert result.train.rate_Hz == pytest.approx(20, rel=2e-3)
    assert result.train.counted_Hz == pytest.approx(40, rel=2e-2)
    assert "bounce" in text


def test_runout_and_one_tooth_out_of_place_are_told_apart():
    number, period_s = np.arange(240), 0.005
    out = 0.03 * 24 / (2 * math.pi) * np.sin(2 * np.pi * number / 24)  # the period swings by 3 %
    t = np.arange(24_000) / _RATE_HZ
    _, text = told(
        np.interp(t, *trapezia(period_s * (number + 0.3 + out), period_s)) + noise(len(t), 0.01),
        pulses_per_revolution=24,
    )
    assert "once a revolution the period swings by ±3 %" in text
    assert "unevenly" not in text
    out = np.where(number % 24 == 7, 0.06, 0.0)  # one period longer by 6 %, the next shorter: 12 % from end to end
    result, text = told(
        np.interp(t, *trapezia(period_s * (number + 0.3 + out), period_s)) + noise(len(t), 0.01),
        pulses_per_revolution=24,
    )
    assert result.train.wheel.spread_pct == pytest.approx(12, rel=0.1)
    assert "one mark comes 6 % of a gap too late" in text


@pytest.mark.parametrize("poles", [1, -1])
def test_a_low_tooth_of_a_pickup_has_its_own_height_whatever_its_poles(poles):
    x = (turned(1.2, 100, 100) - 0.5) % 1 - 0.5
    tooth = np.floor(turned(1.2, 100, 100) - 0.5).astype(int) % 12
    values = poles * np.where(tooth == 4, 0.3, 1.0) * -(x / 0.1) * np.exp(0.5 - (x / 0.1) ** 2 / 2)
    result, text = told(values + noise(len(x), 0.002))
    assert result.train.wheel.pulses_n == 12
    assert result.train.wheel.weakest == pytest.approx(0.3, abs=0.03)
    assert "height of the rest" in text


def test_images_of_the_pulses_near_mains_are_no_hum_and_hum_is():
    # 39 Hz at 24.3 samples: the 23rd multiple, 897 Hz, lies 50.7 Hz below the sampling rate, and others anywhere.
    rate_Hz = 39.0 * 24.3
    length = round(2.2 * rate_Hz)
    turns = 39.0 * np.arange(length) / rate_Hz
    values = np.where(turns % 1 < 0.37, 1.0, 0.0)
    _, text = told(values + noise(length, 1e-3), rate_Hz)
    assert "mains" not in text
    hum = 0.08 * np.sin(2 * np.pi * 50 * np.arange(length) / rate_Hz)
    _, text = told(values + hum + noise(length, 1e-3), rate_Hz)
    assert "hum of 50 Hz mains" in text


def test_a_comb_of_lines_is_a_wheel_and_others_are_not():
    # A turn of 10 Hz beside pulses of 120 Hz; sidebands of twice 17.3 Hz about 3 kHz.
    comb = [Line(rate_Hz=each, amplitude=0.1) for each in (110.0, 130, 100, 230, 250, 90, 140)]
    assert wheel_pulses_of(comb, 120.0, 0.5) in {
        12,
        24,
        36,
        48,
    }  # a finer comb holds these too; the coarsest comes first
    assert wheel_pulses_of(comb, 120.0, 0.5) == 12
    hash_lines = [Line(rate_Hz=3000 + 34.6 * each, amplitude=0.1) for each in range(-3, 4)]
    assert wheel_pulses_of(hash_lines, 120.0, 0.5) is None


def test_hash_of_an_inverter_alone_is_its_carrier_and_no_pulses_with_faults():
    t = np.arange(20_000) / 100_000
    lines = [(0, 0.6), (2, 1.0), (-2, 1.0), (4, 0.3), (-4, 0.3)]
    values = sum(size * np.sin(2 * np.pi * (6000 + side * 40) * t + 1.7 * side) for side, size in lines)
    result, text = told(values + noise(len(t), 0.02), 100_000)
    assert result.carrier.rate_Hz == pytest.approx(6000, rel=2e-3)
    assert "carrier of 6000" in text
    assert "missing" not in text
    assert "bursts" not in text


@pytest.mark.parametrize("pulses_n", [2, 4])
def test_few_pulses_have_no_inverter(pulses_n):
    turns = np.arange(8000) / 8000 * (pulses_n + 0.6)
    values = np.where((turns % 1 > 0.3) & (turns % 1 < 0.7) & (turns < pulses_n), 5.0, 0.0)
    result, text = told(values + noise(8000, 0.005))
    assert result.train is None
    assert "record longer" in text
    assert "inverter" not in text


@pytest.mark.parametrize("digits", [0.0, 0.2])
def test_a_flat_trace_is_told_as_one_level(digits):
    step = 0.01
    values = np.round((2.0 + 0.003 + step * digits * noise(3000, 1.0)) / step) * step
    result, text = told(values)
    assert result.is_flat
    assert "flat: one level of 2" in text
    assert "contact" not in text


def test_a_sine_cut_off_by_a_coarse_digitiser_is_clipped_and_a_logic_pulse_is_not():
    turns = turned(1.0, 40, 40)
    cut = np.round(np.clip(np.sin(2 * np.pi * turns), -0.5, 0.5) * 120) / 120
    result, _ = told(cut)
    # Above half of its height for 1 / 3 of the time, at both ends.
    assert result.clipped_pct == pytest.approx(100 * 2 / 3, rel=0.03)
    result, _ = told(np.where(turns % 1 < 0.5, 1.0, 0.0) + np.round(noise(len(turns), 0.4, seed=2)) / 120)
    assert result.clipped_pct == 0


def test_a_bump_at_one_place_of_each_period_is_no_burst_and_bumps_anywhere_are():
    turns = turned(1.0, 50, 50)
    base = np.where(turns % 1 < 0.1, 5.0, 0.0) + noise(len(turns), 0.01)
    times_s = np.arange(len(turns)) / _RATE_HZ
    bump = np.where(np.abs(turns % 1 - 0.6) < 0.01, 0.8, 0.0)
    edges = edges_of(base + bump, times_s)
    assert hash_of(base + bump, times_s, edges).bursts is None
    at = 0.013 + np.cumsum(np.random.default_rng(4).uniform(0.03, 0.06, 15))
    loose = sum(np.where(np.abs(times_s - each) < 2e-4, 0.8, 0.0) for each in at)
    edges = edges_of(base + loose, times_s)
    assert hash_of(base + loose, times_s, edges).bursts.bursts_n > 5


def test_sampling_that_beats_with_the_pulses_is_no_swing():
    # 21.56 samples a period, edges of less than a sample: the periods alternate by one sample.
    turns = np.arange(6000) / 21.56
    result, text = told(np.where(turns % 1 < 0.5, 1.0, 0.0) + noise(6000, 1e-3))
    assert result.train.repeat_pct == 0
    assert "swings" not in text


@pytest.mark.parametrize(
    ("rate_Hz", "name"), [(50.05, "50 Hz mains"), (119.9, "2 x 60 Hz mains"), (150.0, ""), (51.0, "")]
)
def test_pulses_at_the_rate_of_mains_or_twice_that_are_suspected(rate_Hz, name):
    assert mains_of(rate_Hz, 0.0, most_order=2) == name


def test_the_page_and_the_findings_tell_one_rate_of_a_counter():
    values = np.where(turned(0.4, 100, 100) % 1 < 0.5, 5.0, 0.0)
    values[1020:1030] = 5.0  # 0.0510 s: low from 0.005 s of each hundredth on, so one edge too many
    values[995:1010] = 0.0
    made = trace(values)
    result = trace_result(made)
    train = pulse_train(result.edges)
    counted = trace_views(made, result).counters[0]
    assert counted.edges_n == train.counted_n
    assert (
        counted.rate_Hz == train.counted_Hz == pytest.approx(train.rate_Hz * train.counted_n / train.should_n, rel=2e-3)
    )


def test_a_missing_pulse_is_told_at_the_time_when_it_was_due():
    t = np.arange(40_000) / _RATE_HZ
    turn = 83.0 * t + 0.25
    is_missing = np.isin(np.floor(turn), [21, 58, 131])
    _, text = told(np.where((turn % 1 < 0.4) & ~is_missing, 5.0, 0.0) + noise(len(t), 0.02))
    due_s = [float(each) for each in re.search(r"at ([\d., ]+) s", text)[1].split(", ")]
    assert due_s == pytest.approx([(each - 0.25) / 83.0 for each in (21, 58, 131)], abs=2e-4)
