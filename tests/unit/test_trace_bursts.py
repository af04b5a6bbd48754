"""Bursts between pulses told from ringing after edges and from a carrier; the truth is that of the formulas here."""

import math

import numpy as np
import pytest

from sequencer.diagnosis.waveform import findings, trace_result
from sequencer.readings.waveform import TraceFile

TWO_PI = 2 * np.pi
SAMPLING_HZ = 500_000


def told(values, sampling_Hz=SAMPLING_HZ):
    times_s = np.arange(len(values)) / sampling_Hz
    result = trace_result(TraceFile(times_s=times_s, values=values, name="a", unit="V", left_out_n=0))
    return result, " | ".join(each.what for each in findings(result))


def clock(length_s, sampling_Hz=SAMPLING_HZ):
    return np.arange(round(length_s * sampling_Hz)) / sampling_Hz


def hall(t, rate_Hz, low=0.0, high=4.0, duty=0.45):
    return np.where((rate_Hz * t + 0.3) % 1 < duty, high, low)


def hiss(t, sd=0.01, seed=11):
    return np.random.default_rng(seed).normal(0, sd, len(t))


def rung(t, begins_s, rings_Hz, fades_s, signs=None):
    """Sum of a sine after each of some times, each with its sign, that fades by e in `fades_s`."""
    found, step_s = np.zeros(len(t)), t[1] - t[0]
    for begin_s, sign in zip(begins_s, signs if signs is not None else np.ones(len(begins_s)), strict=True):
        first = int(np.searchsorted(t, begin_s))
        part = slice(first, first + int(8 * fades_s / step_s))
        found[part] += sign * np.sin(TWO_PI * rings_Hz * (t[part] - begin_s)) * np.exp(-(t[part] - begin_s) / fades_s)
    return found


@pytest.mark.parametrize("pulse_Hz", [117.3, 811.7])
@pytest.mark.parametrize("burst_Hz", [2000.0, 4810.0])
def test_bursts_at_a_switching_rate_are_told_with_rate_height_and_what_they_ring_with(pulse_Hz, burst_Hz):
    t = clock(0.3)
    bursts = 0.6 * rung(t, np.arange(1e-4, 0.3, 1 / burst_Hz), 61_000, 3e-5)
    result, text = told(hall(t, pulse_Hz) + bursts + hiss(t))
    found = result.hash.bursts
    assert result.train.rate_Hz == pytest.approx(pulse_Hz, rel=1e-4)
    assert found.every_Hz == pytest.approx(burst_Hz, rel=1e-4)
    assert found.rings_Hz == pytest.approx(61_000, rel=0.15)  # halves of a period are whole samples
    # From the first top to the bottom half a period later, of a sine that fades.
    ends_s = (np.arctan(TWO_PI * 61_000 * 3e-5) / (TWO_PI * 61_000) + np.array((0, 0.5)) / 61_000).tolist()
    swing = 0.6 * sum(math.exp(-each / 3e-5) * abs(math.sin(TWO_PI * 61_000 * each)) for each in ends_s)
    assert found.height == pytest.approx(swing, rel=0.1)
    assert "regularly" in text
    assert "none of them is counted" in text
    assert "ringing after" not in text
    assert "carrier" not in text
    assert "added to the pulses" not in text


def test_bursts_at_any_time_have_no_rate_and_are_counted_by_how_many_come():
    t = clock(0.5)
    begins_s = np.cumsum(np.random.default_rng(5).exponential(4e-3, 110))
    result, text = told(hall(t, 230.0) + 0.5 * rung(t, begins_s, 40_000, 5e-5) + hiss(t))
    found = result.hash.bursts
    assert math.isnan(found.every_Hz)
    assert found.per_s == pytest.approx(250, rel=0.15)  # 4 ms apart on average
    assert "bursts between the pulses, about" in text


def test_bursts_in_step_with_mains_are_told_as_that():
    t = clock(0.6, 100_000)
    bursts = 0.8 * rung(t, np.arange(2e-3, 0.6, 0.01), 9000, 2e-4)  # twice a period of 50 Hz
    result, text = told(hall(t, 431.0) + bursts + hiss(t), 100_000)
    assert result.hash.bursts.every_Hz == pytest.approx(100, rel=1e-3)
    assert "in step with mains" in text
    assert "inverter" not in text


def test_bursts_that_leave_no_quiet_between_them_are_told_by_their_lines():
    t = clock(0.3)
    result, text = told(hall(t, 307.0) + 0.5 * rung(t, np.arange(1e-4, 0.3, 1e-4), 81_000, 8e-5) + hiss(t))
    assert result.carrier.rate_Hz == pytest.approx(10_000, rel=1e-4)
    assert result.carrier.rings_Hz == pytest.approx(81_000, rel=0.1)  # lines stand at multiples of 10 kHz only
    assert "bursts between the pulses" in text
    assert "inverter" not in text


@pytest.mark.parametrize("depth", [0.0, 0.4, 0.95])
def test_a_carrier_that_is_always_there_is_no_burst_however_it_swells(depth):
    t = clock(0.3)
    carrier = 0.4 * (1 + depth * np.sin(TWO_PI * 713 * t)) * np.sin(TWO_PI * 23_451 * t)
    result, text = told(hall(t, 307.0) + carrier + hiss(t))
    assert result.hash.bursts is None
    assert "bursts" not in text


def test_switching_of_a_bridge_that_rings_is_bursts_of_an_inverter():
    t = clock(0.3)
    number = np.arange(1200)
    swing = 0.4 * np.sin(TWO_PI * 41 * number / 4000)
    begins_s = np.concatenate(((number + 0.27 - 0.25 * swing) / 4000, (number + 0.73 + 0.25 * swing) / 4000))
    bursts = rung(t, begins_s, 70_000, 2.5e-5, np.repeat((1.0, -1.0), 1200))
    result, text = told(hall(t, 143.0) + 0.6 * bursts + hiss(t))
    assert result.hash.bursts.rings_Hz == pytest.approx(70_000, rel=0.15)
    assert result.hash.bursts.per_s == pytest.approx(8000, rel=0.15)  # two of each period of the carrier
    assert "bursts between the pulses" in text


@pytest.mark.parametrize("fades", [0.7, 2.0, 8.0])
@pytest.mark.parametrize("size", [1.0, 2.4])
def test_ringing_has_its_frequency_and_leaves_the_levels_where_they_are(fades, size):
    """`fades`: periods of the ringing in which it falls by e; of eight it rings all the way to the next edge."""
    t = clock(0.5, 100_000)
    edges_s = np.arange(0.002, 0.49, 0.005)
    signs = np.where(np.arange(len(edges_s)) % 2, -1.0, 1.0)
    pulses = 4.0 * (np.searchsorted(edges_s, t, side="right") % 2)
    result, text = told(pulses + size * rung(t, edges_s, 1930, fades / 1930, signs) + hiss(t), 100_000)
    assert result.train.rate_Hz == pytest.approx(100, rel=1e-3)
    assert result.hash.ringing.rate_Hz == pytest.approx(1930, rel=0.06)
    assert (result.train.edges.low, result.train.edges.high) == pytest.approx((0, 4), abs=0.25)
    assert "ringing after the edges" in text
    assert "bursts" not in text


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("smoothed_n", [1, 9])
def test_hash_alone_has_no_bursts(seed, smoothed_n):
    t = clock(0.2)
    hash_ = np.convolve(hiss(t, 0.25, seed), np.ones(smoothed_n) / smoothed_n**0.5, mode="same")
    result, text = told(hall(t, 190.0) + hash_)
    assert result.hash.bursts is None
    assert result.hash.ringing is None
    assert "bursts" not in text
