"""What is said of a trace beside its faults: speed and height that swing, first pulses, gaps, files cut off."""

import struct

import numpy as np
import pytest

from sequencer.diagnosis.noise.edges import edges_of
from sequencer.diagnosis.noise.pulses import pulse_train
from sequencer.diagnosis.trace_words import jitter_words
from sequencer.diagnosis.waveform import findings, trace_lines, trace_result
from sequencer.readings.waveform import TraceFile
from sequencer.readings.waveform_file import read_trace

TWO_PI = 2 * np.pi


def clock(length_s, sampling_Hz=20_000):
    return np.arange(round(length_s * sampling_Hz)) / sampling_Hz


def told(values, times_s, **settings):
    result = trace_result(TraceFile(times_s=times_s, values=values, name="a", unit="V", left_out_n=0), **settings)
    return result, " | ".join(each.what for each in findings(result))


def hiss(n, sd=0.02, seed=7):
    return np.random.default_rng(seed).normal(0, sd, n)


@pytest.mark.parametrize(("depth", "swing_Hz"), [(0.2, 0.9), (0.1, 2.1), (0.25, 1.3)])
def test_a_speed_that_swings_is_told_by_its_ends_and_how_often(depth, swing_Hz):
    t = clock(2.0)
    turns = 240 * (t + depth / (TWO_PI * swing_Hz) * np.sin(TWO_PI * swing_Hz * t + 1))
    result, text = told(np.where(turns % 1 < 0.5, 5.0, 0.0) + hiss(len(t)), t)
    assert "the rate swings by ±" in text
    assert result.train.swing_pct == pytest.approx(100 * depth, rel=0.03)
    assert 1 / result.train.swing_every_s == pytest.approx(swing_Hz, rel=0.03)
    assert result.train.slowest_Hz == pytest.approx(240 * (1 - depth), rel=0.02)
    assert result.train.fastest_Hz == pytest.approx(240 * (1 + depth), rel=0.02)


def test_a_runout_of_a_wheel_that_is_known_is_no_swing_of_the_speed():
    t = clock(1.0)
    turns = 60 * t + 0.2 * np.sin(TWO_PI * 60 / 12 * t)  # five revolutions of twelve teeth
    result, text = told(np.where(turns % 1 < 0.5, 5.0, 0.0) + hiss(len(t)), t, pulses_per_revolution=12)
    assert "once a revolution the period swings" in text
    assert np.isnan(result.train.swing_every_s)


def test_a_height_that_swings_with_the_wheel_is_told_with_its_pulses():
    t = clock(1.0)
    tooth = np.floor(180 * t)
    away = ((180 * t) % 1 - 0.5) / 0.09
    sizes = 1 + 0.15 * np.sin(TWO_PI * tooth / 12)
    result, text = told(4 * sizes * away * np.exp(-(away**2) / 2) + hiss(len(t)), t)
    assert "the height of the pulses swings by ±15 %" in text
    assert result.train.height_n == pytest.approx(12, rel=0.005)
    assert "the period swings" not in text


def test_hum_on_pulses_is_no_height_that_swings():
    t = clock(1.0)
    away = ((180 * t) % 1 - 0.5) / 0.09
    values = 4 * away * np.exp(-(away**2) / 2) + 0.3 * np.sin(TWO_PI * 50 * t) + hiss(len(t))
    assert "height of the pulses swings" not in told(values, t)[1]


def test_the_first_pulse_of_a_train_that_rests_between_the_thresholds_is_counted():
    t = clock(0.2)
    away = ((100 * t) % 1 - 0.5) / 0.05  # twenty pulses, each from rest up, then down
    edges = edges_of(-5 * away * np.exp(-(away**2) / 2) * np.exp(0.5), t)
    assert edges.lower < 0 < edges.upper
    assert len(edges.rising_s) == 20
    assert pulse_train(edges).rate_Hz == pytest.approx(100, rel=1e-6)


@pytest.mark.parametrize(
    ("jitter_pct", "floor_pct", "said"),
    [(3e-14, 1e-4, "below 0.0001 %"), (0.0123, 1e-4, "0.012 %"), (0.1, 0.3, "below 0.3 %")],
)
def test_jitter_that_no_clock_keeps_or_no_sample_tells_is_told_as_below(jitter_pct, floor_pct, said):
    assert jitter_words(jitter_pct, floor_pct) == said


def test_rows_that_are_absent_are_told_and_no_pulse_is_missing_there():
    t = clock(1.0)
    kept = (t < 0.4) | (t > 0.45)
    result, text = told((np.where((150 * t) % 1 < 0.5, 5.0, 0.0) + hiss(len(t)))[kept], t[kept])
    assert "missing" not in text
    assert result.unrecorded_n == 1
    assert any("1 stretch not recorded, 50" in each for each in trace_lines(result, "a.csv"))


def test_a_filter_that_takes_most_of_the_pulse_is_not_proposed():
    t = clock(0.5)
    values = np.where((150 * t) % 1 < 0.04, 5.0, 0.0) + 1.6 * np.sin(TWO_PI * 2900 * t) + hiss(len(t))
    result, _ = told(values, t)
    costs = [each.check.split("which costs ")[1].split(" %")[0] for each in findings(result) if "costs" in each.check]
    assert all(float(each) <= 50 for each in costs)


@pytest.mark.parametrize("is_cut", [True, False])
def test_a_recording_that_was_cut_off_says_how_much_is_lacking(tmp_path, is_cut):
    samples = (8000 * np.sign(np.sin(TWO_PI * 50 * np.arange(10_000) / 8000 + 0.1))).astype("<i2").tobytes()
    head = b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 1, 8000, 16_000, 2, 16) + b"data"
    whole = head + struct.pack("<I", len(samples)) + (samples[:12_000] if is_cut else samples)
    path = tmp_path / "trace.wav"
    path.write_bytes(b"RIFF" + struct.pack("<I", 36 + len(samples)) + whole)
    trace = read_trace(path)
    assert (len(trace.values), trace.lacking_n) == ((6000, 4000) if is_cut else (10_000, 0))
    said = " ".join(trace_lines(trace_result(trace), "trace.wav"))
    assert ("4000 of 10000 samples that it speaks of are not there" in said) is is_cut
