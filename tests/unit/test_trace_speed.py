"""Swings and runs of speed with their sizes, and jitter about them; the truth is in the edges that are made here."""

import re

import numpy as np
import pytest
from told_traces import told

from sequencer.diagnosis.waveform import trace_lines, trace_result
from sequencer.readings.waveform import TraceFile

RATE_HZ = 50_000


def pulses(edges_s, seconds, seed=1):
    """Pulses of 3 V, each 1 ms wide with slopes of 0.1 ms, that begin at these times."""
    t = np.arange(int(RATE_HZ * seconds)) / RATE_HZ
    after_s = t - edges_s[np.maximum(np.searchsorted(edges_s, t, side="right") - 1, 0)]
    values = 3 * np.clip(np.minimum(after_s, 1e-3 - after_s) / 1e-4, 0, 1)
    return values + 0.005 * np.random.default_rng(seed).standard_normal(len(t))


def edges_at(rate_of, seconds, jitter=0.0, seed=3):
    """Edges whose gaps are those of a rate that changes, each with jitter of its own."""
    rng, at, found = np.random.default_rng(seed), 0.002, []
    while at < seconds:
        found.append(at)
        at += (1 + jitter * rng.standard_normal()) / rate_of(at)
    return np.array(found)


@pytest.mark.parametrize("cycles", [1.7, 3.3, 6.6, 7.9])
@pytest.mark.parametrize("size", [0.004, 0.012])
def test_a_small_swing_of_the_speed_is_told_with_its_size_and_how_often(cycles, size):
    seconds, swing_Hz = 3.0, cycles / 3.0
    edges_s = edges_at(lambda at: 150 * (1 + size * np.sin(2 * np.pi * swing_Hz * at + 0.7)), seconds, 0.0003)
    result, text = told(pulses(edges_s, seconds), RATE_HZ)
    assert "the rate swings by ±" in text
    assert result.train.swing_pct == pytest.approx(100 * size, rel=0.1)
    assert 1 / result.train.swing_every_s == pytest.approx(swing_Hz, rel=0.05)
    assert 100 * 0.0003 < result.train.jitter_pct * 1.5 < 100 * 0.0009


def test_less_than_a_swing_and_a_half_is_a_change_between_values_that_occur():
    edges_s = edges_at(lambda at: 150 * (1 + 0.03 * np.sin(2 * np.pi * 0.3 * at)), 3.0)
    result, text = told(pulses(edges_s, 3.0), RATE_HZ)
    assert "the rate moves between" in text
    assert result.train.slowest_Hz == pytest.approx(150 * 0.97, rel=0.002)
    assert result.train.fastest_Hz == pytest.approx(150 * 1.03, rel=0.002)


@pytest.mark.parametrize("jitter", [0.002, 0.006, 0.02])
@pytest.mark.parametrize(("begin_Hz", "end_Hz"), [(120, 360), (300, 110), (200, 200)])
def test_jitter_is_told_about_a_speed_that_runs(jitter, begin_Hz, end_Hz):
    edges_s = edges_at(lambda at: begin_Hz + (end_Hz - begin_Hz) * at / 2, 2.0, jitter)
    result, _ = told(pulses(edges_s, 2.0), RATE_HZ)
    assert result.train.jitter_pct == pytest.approx(100 * jitter, rel=0.2)
    assert result.train.begins_Hz == pytest.approx(begin_Hz, rel=0.015)
    assert result.train.ends_Hz == pytest.approx(end_Hz, rel=0.015)
    assert result.train.is_changing == (begin_Hz != end_Hz)


def test_jitter_alone_is_no_swing_and_no_change():
    for seed in range(12):
        result, _ = told(pulses(edges_at(lambda _: 180.0, 2.0, 0.02, seed), 2.0), RATE_HZ)
        assert not result.train.is_changing


def test_jitter_below_what_samples_tell_is_told_as_below():
    values = np.where(np.arange(20_000) % 40 < 13, 3.0, 0.0)  # edges on every 40th sample: they may lie between two
    result, _ = told(values, RATE_HZ)
    assert result.train.jitter_pct == result.train.jitter_floor_pct > 0.3


@pytest.mark.parametrize("jitter", [0.01, 0.02])
def test_lines_that_jitter_smears_are_not_added_to_the_pulses(jitter):
    for seed in range(6):
        _, text = told(pulses(edges_at(lambda _: 330.0, 1.0, jitter, seed), 1.0), RATE_HZ)
        assert "added" not in text
        assert "inverter" not in text


def test_a_line_that_is_added_beside_pulses_that_jitter_is_told():
    values = pulses(edges_at(lambda _: 170.0, 2.0, 0.03), 2.0)
    t = np.arange(len(values)) / RATE_HZ
    _, text = told(values + 0.25 * np.sin(2 * np.pi * 3137 * t), RATE_HZ)
    assert "3137 Hz" in text


def test_pulses_that_grow_with_the_speed_are_told_by_their_heights_and_not_by_levels():
    t = np.arange(int(RATE_HZ * 1.2)) / RATE_HZ
    turns, speed_Hz = 50 * t + 100 * t**2, 50 + 200 * t
    away = (turns + 0.5) % 1 - 0.5
    values = -speed_Hz / 100 * away / 0.08 * np.exp(0.5 - (away / 0.08) ** 2 / 2)  # 1 at its highest
    trace = TraceFile(times_s=t, values=values, name="a", unit="V", left_out_n=0)
    result = trace_result(trace)
    said = " ".join(trace_lines(result, "a.csv"))
    # From 0.5 each way at 50 Hz to 2.9 each way at 290 Hz; the first and the last pulse are not told.
    assert "levels" not in said
    low, high = re.search(r"pulses of ([\d.]+) to ([\d.]+) V from bottom to top", said).groups()
    assert (float(low), float(high)) == pytest.approx((1.2, 5.8), rel=0.1)


@pytest.mark.parametrize(("rate_Hz", "hum_Hz"), [(46.0, 50.0), (61.3, 50.0), (57.0, 60.0), (53.1, 50.0)])
def test_hum_that_beats_with_a_soft_pickup_is_no_speed_that_swings(rate_Hz, hum_Hz):
    t = np.arange(40_000) / 20_000
    noise = np.random.default_rng(4).normal(0, 0.01, len(t))
    pickup = 1.5 * np.sin(2 * np.pi * rate_Hz * t) + 0.15 * np.sin(2 * np.pi * hum_Hz * t + 1.0) + noise
    assert "speed" not in told(pickup, 20_000)[1]


@pytest.mark.parametrize("cycles", [2.3, 5.0, 8.0])
def test_a_speed_that_swings_is_told_beside_hum_all_the_same(cycles):
    t = np.arange(40_000) / 20_000
    turns = 61.3 * t + 0.02 * 61.3 / (np.pi * cycles) * np.sin(np.pi * cycles * t)
    noise = np.random.default_rng(4).normal(0, 0.01, len(t))
    _, text = told(1.5 * np.sin(2 * np.pi * turns) + 0.05 * np.sin(2 * np.pi * 50 * t + 1.0) + noise, 20_000)
    assert "the speed changes" in text
