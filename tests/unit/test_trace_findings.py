"""What is said of traces whose truth is in the formula that made them."""

import json
import math
import re

import numpy as np
import pytest
from click.testing import CliRunner

from instruments.errors import ReadingsError
from sequencer import core
from sequencer.cli import cli
from sequencer.diagnosis.noise.swings import swings_of
from sequencer.diagnosis.trace_pair import pair_lines, trace_pair
from sequencer.diagnosis.waveform import findings, trace_result
from sequencer.readings.waveform import TraceFile

_RATE_HZ = 20_000.0


def times(length_s, rate_Hz=_RATE_HZ):
    return np.arange(round(length_s * rate_Hz)) / rate_Hz


def trace(t, values, unit="V"):
    kept = np.isfinite(values)
    return TraceFile(times_s=t[kept], values=values[kept], name="a", unit=unit, left_out_n=int((~kept).sum()))


def told(t, values, **settings):
    """Result, and all that is said of it in one text."""
    result = trace_result(trace(t, values), **settings)
    return result, " | ".join(f"{each.what} {each.cause} {each.check}" for each in findings(result))


def noise(t, sd, seed=1):
    return np.random.default_rng(seed).normal(0, sd, len(t))


def square(t, rate_Hz, duty=0.5):
    return np.where((rate_Hz * t) % 1 < duty, 5.0, 0.0)


def doublets(t, rate_Hz):
    """A pickup at rest at 0, up and down by 1 at each tooth."""
    x = ((rate_Hz * t) % 1 - 0.5) / 0.05
    return -x * np.exp(0.5 - x**2 / 2)


def test_swings_are_those_of_the_rainflow_count():
    # ASTM E1049-85, the example of the rainflow count (from memory): one whole cycle of 4, halves of 3 4 8 9 8 6.
    swings = swings_of(np.array([-2.0, 1, -3, 5, -1, 3, -4, 4, -2]))
    assert swings.heights[[4, 5]].tolist() == [4, 4]
    assert np.delete(swings.heights, [4, 5]).tolist() == [3, 4, 8, 9, 9, 8, 6]
    assert swings.beyond(4.5).tolist() == [2, 3, 6, 7, 8]


def test_swings_of_a_long_trace_are_those_of_its_parts_together():
    # Wander with hash; each swing by a stack, three points at a time, as the standard counts it.
    values = np.cumsum(np.random.default_rng(8).normal(0, 1, 300_000))
    swings = swings_of(values)
    stack, closed = [], []
    for value in values[swings.at].tolist():
        stack.append(value)
        while len(stack) > 3 and abs(stack[-2] - stack[-3]) <= abs(stack[-3] - stack[-4]):
            if abs(stack[-2] - stack[-3]) >= abs(stack[-1] - stack[-2]):
                break
            closed.append(abs(stack[-2] - stack[-3]))
            del stack[-3:-1]
    heights = np.sort(swings.heights)
    assert np.isin(np.sort(closed), heights).all()
    assert len(swings.at) == 2 * len(closed) + len(stack)


@pytest.mark.parametrize("per_period", [5.3, 20.0], ids=["eight hundred thousand", "two hundred thousand"])
def test_more_pulses_than_are_weighed_are_counted_all(per_period):
    t = np.arange(2**22) / 1e6
    result, _ = told(t, square(t, 1e6 / per_period) + noise(t, 0.1))
    assert result.train.rate_Hz == pytest.approx(1e6 / per_period, rel=1e-6)
    assert result.train.counted_n == pytest.approx(2**22 / per_period, abs=2)
    assert (result.train.missing_n, result.train.extra_n) == (0, 0)


def test_hash_rarely_louder_than_the_rest_is_found_anywhere_in_a_long_trace():
    t = np.arange(1_500_000) / 1e6
    values = square(t, 5000.0) + noise(t, 0.02)
    inside = (t >= 1.20003) & (t < 1.20007)
    values[inside] += 0.3 * np.sin(2 * np.pi * 90_000 * t[inside])
    result, text = told(t, values)
    assert "bursts between the pulses" in text
    assert result.hash.bursts.at_s[0] == pytest.approx(1.2, abs=1e-4)
    assert result.hash.bursts.highest == pytest.approx(0.6, abs=0.1)  # and hash of 0.02


@pytest.mark.parametrize("hash_sd", [0.005, 0.03, 0.1])
def test_a_pickup_that_rests_at_zero_has_its_rate(hash_sd):
    t = times(1.0)
    result, text = told(t, doublets(t, 420.0) + noise(t, hash_sd))
    assert result.train.rate_Hz == pytest.approx(420, rel=1e-3)
    assert (result.train.missing_n, result.train.extra_n) == (0, 0)
    assert "swings" not in text


def test_a_pickup_whose_amplitude_grows_with_speed_has_no_swing():
    # From 200 to 600 Hz in two seconds: 800 periods, amplitude as the speed.
    t = times(2.0)
    values = (1 + t) * np.sin(2 * np.pi * (200 * t + 100 * t**2)) + noise(t, 0.02)
    result, text = told(t, values)
    assert result.train.rate_Hz == pytest.approx(400, rel=3e-3)
    assert result.train.change_pct > 50
    assert "swings" not in text
    assert "missing" not in text


def test_a_keyway_and_slow_edges_have_their_rate_and_duty():
    t = times(4.0)
    keyway, _ = told(t, square(t, 25.0, 0.08) + noise(t, 0.2))
    assert keyway.train.rate_Hz == pytest.approx(25, rel=1e-3)
    assert keyway.train.duty == pytest.approx(0.08, abs=0.002)
    slow, _ = told(t, np.clip(3 * np.sin(2 * np.pi * 25 * t), -1, 1) + noise(t, 0.05))
    assert slow.train.rate_Hz == pytest.approx(25, rel=1e-3)
    assert slow.train.extra_n == 0


def test_hash_higher_than_the_swing_takes_a_filter_which_is_said():
    t = times(4.0)
    result, text = told(t, square(t, 25.0) + noise(t, 1.5))
    assert result.train.rate_Hz == pytest.approx(25, rel=1e-3)
    assert result.train.edges.filter_s > 0
    assert "no thresholds alone count them right" in text
    assert "of the pulse" in text


def test_thresholds_are_proposed_against_the_hash_with_their_margin():
    # A sine of 1 V with 0.02 V of hash, which reverses it as it passes the middle.
    t = times(2.0)
    result, text = told(t, np.sin(2 * np.pi * 20 * t) + noise(t, 0.02))
    assert result.train.rate_Hz == pytest.approx(20, rel=1e-3)
    # Peak to peak of thousands of samples: 6 to 10 standard deviations.
    assert 0.10 < result.train.edges.hash_height < 0.22
    assert "lower threshold below -0." in text
    assert ", upper above 0." in text
    assert "a filter of" in text


def test_contact_bounce_is_told_with_its_number_and_a_time_to_debounce():
    # 10 Hz, three bounces of 1 ms every 2 ms after each closing: at first sight 500 Hz.
    t = times(5.0)
    phase_s = t % 0.1
    values = np.where((phase_s < 0.05) & ~((phase_s < 0.006) & (phase_s % 0.002 >= 0.001)), 24.0, 0.0)
    result, text = told(t, values + noise(t, 0.1))
    assert result.train.rate_Hz == pytest.approx(10, rel=1e-3)
    assert result.train.bounce.bounces_n == pytest.approx(3)
    assert result.train.bounce.lasts_s == pytest.approx(0.006, abs=2e-4)
    assert "contact bounce: 3 edges too many at a pulse" in text
    assert "a counter shows 40" in text
    assert "missing" not in text


def test_bounce_is_counted_of_the_time_that_was_recorded():
    # 10 Hz, three bounces: 40 a second, whatever lacks between.
    t = times(2.0)
    phase_s = t % 0.1
    values = np.where((phase_s < 0.05) & ~((phase_s < 0.006) & (phase_s % 0.002 >= 0.001)), 24.0, 0.0)
    values[(t > 0.32) & (t < 0.58)] = np.nan
    result, _ = told(t, values + noise(t, 0.1))
    assert result.train.counted_Hz == pytest.approx(40, rel=1e-3)


def test_bounce_at_closing_and_opening_is_not_twice_the_rate():
    rng = np.random.default_rng(3)
    t = times(4.0)
    values = square(t, 10.0)
    for start_s in np.arange(0, 3.99, 0.05):
        marks = start_s + np.sort(rng.uniform(0, 0.006, 2 * rng.integers(1, 5))).reshape(-1, 2)
        for off_s, on_s in marks:
            inside = (t >= off_s) & (t < on_s)
            values[inside] = 5.0 - values[inside]
    result, text = told(t, values + noise(t, 0.05))
    assert result.train.rate_Hz == pytest.approx(10, rel=1e-3)
    assert "contact bounce" in text


def test_edges_of_no_rhythm_have_no_rate_and_their_gaps_are_told():
    rng = np.random.default_rng(5)
    t = times(5.0)
    values = np.zeros(len(t))
    for start_s in np.cumsum(rng.exponential(0.02, 200)):
        values[(t >= start_s) & (t < start_s + 0.001)] = 5.0
    result, _ = told(t, values + noise(t, 0.05))
    assert result.train is None
    assert "no regular rate" in result.no_train
    assert " s apart" in result.no_train


def test_pulses_of_a_coarse_digitiser_are_not_clipped():
    t = times(1.0)
    step = 8 / 256
    values = step * np.round(np.clip(3 * 2.5 * np.sin(2 * np.pi * 200 * t), -2.5, 2.5) / step)
    assert told(t, values)[0].clipped_pct == 0


def test_what_was_not_recorded_is_not_missing():
    t = times(2.0)
    values = square(t, 100.0) + noise(t, 0.05)
    values[5_010:5_600] = np.nan
    values[20_100:20_190] = np.nan
    result, text = told(t, values)
    assert result.train.rate_Hz == pytest.approx(100, rel=1e-3)
    assert (result.train.missing_n, result.train.extra_n) == (0, 0)
    assert "missing" not in text
    assert result.lines[0].rate_Hz == pytest.approx(100, rel=1e-3)


@pytest.mark.parametrize("per_period", [6.17, 7.03, 8.9, 10.01])
def test_few_samples_a_period_make_no_swing(per_period):
    t = times(1.0)
    _, text = told(t, square(t, _RATE_HZ / per_period) + noise(t, 0.02))
    assert "swings" not in text


@pytest.mark.parametrize("wild", [1e3, -1e6])
def test_one_wild_sample_costs_neither_pulses_nor_spectrum(wild):
    t = times(1.0)
    values = 0.3 * np.sin(2 * np.pi * 440.2 * t) + noise(t, 0.005)
    values[7_777] = wild
    result, text = told(t, values)
    assert result.train.rate_Hz == pytest.approx(440.2, rel=1e-3)
    assert (result.train.missing_n, result.train.extra_n) == (0, 0)
    assert (result.lines[0].rate_Hz, result.lines[0].amplitude) == pytest.approx((440.2, 0.3), rel=1e-2)
    assert result.wild_s == (pytest.approx(7_777 / _RATE_HZ),)
    assert "1 sample far outside all others" in text


@pytest.mark.parametrize("mains_Hz", [50.0, 60.0])
def test_hum_on_a_pickup_is_mains_and_nothing_that_turns(mains_Hz):
    t = times(2.0)
    values = np.sin(2 * np.pi * 813 * t) + 0.2 * np.sin(2 * np.pi * mains_Hz * t) + noise(t, 0.005)
    _, text = told(t, values)
    assert f"hum of {mains_Hz:g} Hz mains" in text
    assert "±0.2 V" in text
    assert "something that turns" not in text


@pytest.mark.parametrize("pulses_n", [1, 2, 4, 7])
def test_few_pulses_are_too_few_and_no_kind_of_noise(pulses_n):
    t = times(pulses_n * 0.1)
    result, text = told(t, square(t + 0.06, 10.0) + noise(t, 0.1))
    assert (result.train, result.noise) == (None, None)
    assert f"too few pulses for a rate: {pulses_n} rising edge" in text
    # Ten periods, or half as much again as was recorded.
    needed_s = float(text.split("record longer: at least ")[1].split()[0])
    assert needed_s >= (0.95 if pulses_n > 1 else 0.15)


def test_a_tooth_that_is_lower_than_the_rest_is_told_with_its_height():
    t = times(2.0)
    number = np.floor(300 * t) % 30
    values = np.where(number == 4, 0.15, 1.0) * np.sin(np.pi * 300 * t) ** 2 + noise(t, 0.003)
    _, text = told(t, values)
    # 0.15, and hash of 0.003 from peak to peak.
    assert re.search(r"with 1[56] % of the height of the rest", text)
    assert "once in 30 pulses" in text


def test_lines_of_an_inverter_are_one_thing():
    # Carrier 4 kHz, output 43 Hz: lines at 4 kHz and 86 Hz to either side, and about its double (from memory).
    t = times(1.0, 40_000)
    values = np.sin(2 * np.pi * 420 * t) + noise(t, 0.003)
    for order, side, size in ((1, 0, 0.05), (1, 2, 0.03), (1, -2, 0.03), (2, 1, 0.03), (2, -1, 0.03)):
        values += size * np.sin(2 * np.pi * (order * 4000 + side * 43) * t)
    result, text = told(t, values)
    assert result.carrier.rate_Hz == pytest.approx(4000, abs=2)
    assert result.carrier.output_Hz == pytest.approx(43, abs=1)
    assert "sidebands of twice the output frequency" in text


def test_lines_near_half_the_sampling_rate_may_be_images():
    t = times(1.0)
    _, text = told(t, np.sin(2 * np.pi * 311 * t) + 0.1 * np.sin(2 * np.pi * 8123 * t) + noise(t, 0.003))
    assert "may be images of faster ones (11877, 28123 Hz ...)" in text


def test_ringing_after_edges_is_told_from_bursts_between_them():
    t = times(1.0, 100_000)
    rung = square(t, 50.0)
    for at_s, sign in ((0.0, 1), (0.01, -1)):
        after_s = (t - at_s) % 0.02
        rung = rung + sign * 1.2 * np.sin(2 * np.pi * 5000 * after_s) * np.exp(-2500 * after_s) * (t > at_s)
    _, text = told(t, rung + noise(t, 0.01))
    assert "ringing after the edges" in text
    assert "bursts" not in text
    burst = square(t, 50.0) + noise(t, 0.01)
    for at_s in (0.1153, 0.3356, 0.7751):
        inside = (t >= at_s) & (t < at_s + 5e-4)
        burst[inside] += 1.2 * np.sin(2 * np.pi * 9000 * t[inside])
    _, text = told(t, burst)
    assert "bursts between the pulses" in text
    assert "ringing after" not in text


def pair(on_hash=0.4):
    """A pickup with the drive off and on."""
    t = times(1.0)
    off = np.sin(2 * np.pi * 100 * t) + noise(t, 0.005)
    return t, off, off + on_hash * np.sin(2 * np.pi * 4100 * t)


def test_two_traces_tell_lines_and_counts_that_changed():
    t, off, on = pair()
    found = trace_pair(trace(t, off), trace(t, on), thresholds=(-0.05, 0.05))
    (line,) = found.lines
    assert line.rate_Hz == pytest.approx(4100, rel=1e-4)
    assert line.amplitudes[1] == pytest.approx(0.4, rel=0.02)
    assert line.amplitudes[0] < 0.001
    assert found.counts_per_s[0] == pytest.approx(100, rel=1e-3)
    # Where the sine lies within 0.35 of the middle, 4100 Hz crosses both: 2 asin(0.35) / pi of the time.
    assert found.counts_per_s[1] == pytest.approx(4100 * 2 * math.asin(0.35) / math.pi, rel=0.15)
    text = " | ".join(pair_lines(found))
    assert "line at 4100 Hz: " in text
    assert "not there before" in text
    back = " | ".join(pair_lines(trace_pair(trace(t, on), trace(t, off))))
    assert "gone" in back


def test_traces_in_different_units_are_not_compared():
    t, off, on = pair()
    with pytest.raises(ReadingsError, match=r'in "V" and "mA"'):
        trace_pair(trace(t, off), trace(t, on, unit="mA"))


def test_the_command_sets_two_files_side_by_side(tmp_path):
    paths = []
    for name, values in zip(("off.csv", "on.csv"), pair()[1:], strict=True):
        path = tmp_path / name
        rows = "".join(f"{number / _RATE_HZ:.6f},{value:.5f}\n" for number, value in enumerate(values))
        path.write_text("time [s],pickup [V]\n" + rows, encoding="utf-8")
        paths.append(str(path))
    done = CliRunner().invoke(cli, ["trace", *paths])
    assert done.exit_code == 0
    assert done.stdout.startswith("off.csv -> on.csv\n")
    assert "line at 4100 Hz" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    as_json = json.loads(CliRunner().invoke(cli, ["trace", *paths, "--thresholds", "-0.5", "0.5", "--json"]).stdout)
    assert as_json["thresholds"] == [-0.5, 0.5]
    assert as_json["lines"][0]["rate_Hz"] == pytest.approx(4100, rel=1e-4)
    assert as_json["first"]["train"]["rate_Hz"] == pytest.approx(100, rel=1e-3)
    assert core.compare_traces(*paths).counts_per_s[0] == pytest.approx(100, rel=1e-3)
