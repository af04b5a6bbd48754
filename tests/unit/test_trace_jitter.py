"""Jitter of a period told from what hash and sampling make of it; the truth is that of the formulas here."""

import numpy as np
import pytest

from sequencer.diagnosis.waveform import findings, trace_result
from sequencer.readings.waveform import TraceFile

SAMPLING_HZ = 20_000
RATE_HZ = 200.0


def told(values, **thresholds):
    times_s = np.arange(len(values)) / SAMPLING_HZ
    result = trace_result(TraceFile(times_s=times_s, values=values, name="a", unit="V", left_out_n=0), **thresholds)
    return result, " | ".join(each.what for each in findings(result))


def pulses(begins_s, length_s, rise_s=4e-4):
    corners = np.stack((begins_s, begins_s + rise_s, begins_s + 2e-3, begins_s + 2e-3 + rise_s), axis=1).ravel()
    t = np.arange(round(length_s * SAMPLING_HZ)) / SAMPLING_HZ
    return np.interp(t, corners, np.tile((0.0, 5.0, 5.0, 0.0), len(begins_s)))


@pytest.mark.parametrize("seed", range(3))
def test_edges_that_are_off_by_themselves_are_told_with_the_scatter_of_the_period(seed):
    rng = np.random.default_rng(seed)
    begins_s = (np.arange(1000) + 0.3 + 0.015 * rng.normal(size=1000)) / RATE_HZ
    result, text = told(pulses(begins_s, 5.0) + rng.normal(0, 0.02, 100_000))
    # A period has two such edges.
    assert result.train.jitter_pct == pytest.approx(1.5 * np.sqrt(2), rel=0.15)
    assert "jitter: the period scatters by" in text
    assert "each edge is off by itself" in text


@pytest.mark.parametrize("seed", range(3))
def test_periods_that_differ_by_themselves_add_up(seed):
    rng = np.random.default_rng(seed)
    begins_s = np.cumsum(1 + 0.02 * rng.normal(size=980)) / RATE_HZ
    result, text = told(pulses(begins_s, 5.0) + rng.normal(0, 0.02, 100_000))
    assert result.train.jitter_pct == pytest.approx(2.0, rel=0.15)
    assert "it adds up" in text


@pytest.mark.parametrize("seed", range(3))
def test_what_hash_makes_of_slow_edges_is_no_jitter_of_the_pulses(seed):
    rng = np.random.default_rng(seed)
    t = np.arange(100_000) / SAMPLING_HZ
    values = 2.0 * np.sin(2 * np.pi * RATE_HZ * t) + rng.normal(0, 0.2, 100_000)
    assert "jitter" not in told(values)[1]
    result, text = told(values, lower=-0.8, upper=0.0)
    # At nought the slope is 2 pi f A, and a period has two edges.
    assert result.hash.shifts_s == pytest.approx(0.2 / (2 * np.pi * RATE_HZ * 2.0), rel=0.3)  # 80 us
    assert result.train.jitter_pct > 1
    assert "jitter" not in text


@pytest.mark.parametrize("samples_n", [8.3, 13.7, 21.1])
def test_what_coarse_sampling_makes_of_sharp_edges_is_no_jitter(samples_n):
    t = np.arange(60_000) / SAMPLING_HZ
    values = np.where((t * SAMPLING_HZ / samples_n + 0.3) % 1 < 0.45, 5.0, 0.0)
    _, text = told(values + np.random.default_rng(2).normal(0, 0.03, len(t)))
    assert "jitter" not in text
