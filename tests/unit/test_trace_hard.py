"""Traces that a trial from outside was told wrongly of: strong hum, bounce, rests, gaps, wander, images, jumps, files.

Every signal is made here from a closed form, and what is asserted follows from that form alone.
"""

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.diagnosis.noise.burst import noise_of
from sequencer.diagnosis.noise.catalogue import drive_words
from sequencer.diagnosis.noise.drive import drive_effect
from sequencer.diagnosis.trace_pair import trace_pair
from sequencer.diagnosis.waveform import findings, trace_lines, trace_result
from sequencer.readings.waveform import TraceFile
from sequencer.readings.waveform_file import read_trace


def trace(values, rate_Hz):
    times_s = np.arange(len(values)) / rate_Hz
    kept = np.isfinite(values)
    return TraceFile(times_s=times_s[kept], values=values[kept], name="a", unit="V", left_out_n=int((~kept).sum()))


def told(values, rate_Hz):
    """Result, and what is found in it."""
    result = trace_result(trace(values, rate_Hz))
    return result, " | ".join(each.what for each in findings(result))


def clock(length_s, rate_Hz):
    return np.arange(round(length_s * rate_Hz)) / rate_Hz


def hiss(t, sd, seed=1):
    return np.random.default_rng(seed).normal(0, sd, len(t))


def glitches(t, rate_Hz):
    """A pickup: a lobe up and one down a period, -x exp((1 - x^2) / 2), 1 at its top."""
    x = 9 * ((rate_Hz * t) % 1 - 0.5)
    return -x * np.exp((1 - x**2) / 2)


def square(t, rate_Hz, duty=0.4):
    return ((rate_Hz * t + 0.1) % 1 < duty) * 5.0


@pytest.mark.parametrize("share", [0.2, 0.5, 1.0, 1.5])  # amplitude of the hum, of that of the pickup
@pytest.mark.parametrize(("rate_Hz", "mains_Hz"), [(183.0, 50.0), (437.0, 60.0)])
def test_strong_hum_on_a_pickup_changes_no_rate_and_makes_no_fault(rate_Hz, mains_Hz, share):
    t = clock(2.0, 20_000)
    values = 1.3 * glitches(t, rate_Hz) + 1.3 * share * np.sin(2 * np.pi * mains_Hz * t + 0.7) + hiss(t, 0.02)
    result, text = told(values, 20_000)
    assert result.train.rate_Hz == pytest.approx(rate_Hz, rel=1e-3)
    assert (result.train.missing_n, result.train.extra_n) == (0, 0)
    assert f"hum of {mains_Hz:g} Hz mains" in text
    assert "height of the rest" not in text


@pytest.mark.parametrize(("closings_n", "bounces_n"), [(1, 4), (3, 2), (5, 3)])
def test_a_contact_that_closes_a_few_times_and_bounces_is_told_as_such(closings_n, bounces_n):
    t = clock(0.3 + 0.41 * closings_n, 20_000)
    values = np.full(len(t), 0.1)
    for closing in range(closings_n):
        begin_s = 0.1 + 0.41 * closing
        values[(t >= begin_s) & (t < begin_s + 0.15)] = 4.8
        for bounce in range(bounces_n):  # open for 0.6 ms, each 1.5 ms
            open_s = begin_s + 0.0009 + 0.0015 * bounce
            values[(t >= open_s) & (t < open_s + 0.0006)] = 0.1
    result, text = told(values + hiss(t, 0.01), 20_000)
    assert result.train is None
    assert (result.bounce.closings_n, result.bounce.bounces_n) == (closings_n, bounces_n)
    # From the first edge to the end of the last opening: 0.9 + 1.5 (n - 1) + 0.6 ms.
    assert result.bounce.lasts_s == pytest.approx(0.0015 * bounces_n, abs=1e-4)
    assert text.startswith("contact bounce")
    assert "record longer" in text


def test_pulses_in_groups_are_no_contact_that_bounces():
    # Three pulses of 1 ms, then a rest: each group leaves the state that it found.
    t = clock(1.0, 20_000)
    values = 5.0 * ((t % 0.3 > 0.1) & (t % 0.3 < 0.106) & (t % 0.002 < 0.001))
    assert "bounce" not in told(values + hiss(t, 0.01), 20_000)[1]


@pytest.mark.parametrize(
    ("is_there", "words"),
    [
        (lambda t: t < 0.9, "the pulses stop at 0.89"),
        (lambda t: t > 0.9, "the pulses begin at 0.9"),
        (lambda t: (t < 0.6) | (t > 1.4), "the pulses stop at 0.5"),
    ],
    ids=["stop", "begin late", "pause"],
)
def test_pulses_that_rest_are_told_with_when(is_there, words):
    t = clock(2.0, 20_000)
    result, text = told(np.where(is_there(t), square(t, 210.0), 0) + hiss(t, 0.01), 20_000)
    assert result.train.rate_Hz == pytest.approx(210, rel=1e-3)
    assert words in text
    assert result.train.missing_n == 0
    assert "missing" not in text


def test_a_steady_train_rests_nowhere():
    t = clock(1.0, 20_000)
    assert told(square(t, 210.0) + hiss(t, 0.01), 20_000)[0].train.rests == ()


@pytest.mark.parametrize("every", [7, 10, 33, 333])
@pytest.mark.parametrize("rate_Hz", [61.0, 487.0])
def test_samples_that_are_lacking_at_even_distances_make_no_fault(rate_Hz, every):
    t = clock(2.0, 20_000)
    values = square(t, rate_Hz) + hiss(t, 0.02)
    values[every - 1 :: every] = np.nan
    result, text = told(values, 20_000)
    assert result.train.rate_Hz == pytest.approx(rate_Hz, rel=1e-3)
    assert text == "nothing wrong is seen in the pulses"


@pytest.mark.parametrize("times", [0.6, 3.0])  # the height of a pulse
def test_a_baseline_that_wanders_changes_no_rate_and_is_told(times):
    t = clock(3.0, 8000)
    values = 2 * (((140 * t) % 1) < 0.4) + 2 * times * np.sin(2 * np.pi * 0.7 * t) / 2 + hiss(t, 0.01)
    result, text = told(values, 8000)
    assert result.train.rate_Hz == pytest.approx(140, rel=1e-3)
    assert (result.train.missing_n, result.train.extra_n) == (0, 0)
    assert "mains" not in text
    assert ("baseline wanders" in text) == (times > 1)  # one of 0.6 leaves room for fixed thresholds


def test_hum_that_may_be_the_image_of_a_carrier_is_told_with_it():
    # 5050 Hz at 5000 samples a second is 50 Hz: nothing in the samples tells them apart.
    t = clock(2.0, 5000)
    result = trace_result(trace(square(t, 131.0) + 0.3 * np.sin(2 * np.pi * 5050 * t) + hiss(t, 0.02), 5000))
    (hum,) = (each for each in findings(result) if "hum" in each.what)
    assert "4950, 5050" in hum.cause
    assert "an image moves" in hum.check


def test_a_carrier_above_half_the_sampling_rate_is_no_pulse_train():
    # Carrier of 8300 Hz with sidebands of twice 43 Hz: at 10 000 samples a second 1700 Hz and beside it.
    t = clock(1.5, 10_000)
    parts = [(8300, 0.18), (8386, 0.08), (8214, 0.08), (16_643, 0.08), (16_557, 0.08)]
    values = sum(size * np.cos(2 * np.pi * rate * t + rate) for rate, size in parts) + hiss(t, 0.02)
    result, text = told(values, 10_000)
    assert result.train is None
    assert result.carrier.output_Hz == pytest.approx(43, abs=0.5)
    assert "8300" in text
    assert not any(line.startswith("pulse train") for line in trace_lines(result, "a"))


def test_jumps_between_two_levels_at_random_are_random_telegraph_in_a_trace_too():
    rng = np.random.default_rng(3)
    states = np.repeat(np.arange(100) % 2, rng.exponential(60, 100).astype(int) + 1)
    result, text = told(3.0 + states + rng.normal(0, 0.05, len(states)), 10_000)
    assert result.train is None
    assert text.startswith("random telegraph")
    assert "two levels 1 V apart" in text or "two levels 0.99" in text


@pytest.mark.parametrize("seed", [1, 2])
def test_noise_of_as_much_in_each_decade_is_one_over_f_and_a_memory_is_not(seed):
    rng = np.random.default_rng(seed)
    lines = rng.normal(size=1025) + 1j * rng.normal(size=1025)
    lines[1:] /= np.sqrt(np.arange(1, 1025))
    lines[0] = 0
    pink = np.fft.irfft(lines)
    best = noise_of(12 + 0.01 * pink / pink.std(), np.arange(2048) * 0.1, unit="mA").best
    assert best.kind == "1/f noise"
    assert best.words.startswith(("power as 1/f^0.9", "power as 1/f^1.0", "power as 1/f^1.1"))
    remembered = np.zeros(1000)
    for at, new in enumerate(rng.normal(size=999), start=1):  # autoregressive of first order
        remembered[at] = 0.9 * remembered[at - 1] + new
    assert noise_of(12 + 0.01 * remembered, np.arange(1000) * 0.1, unit="mA").best.kind == "slow wander"


def test_rate_and_period_on_one_line_agree():
    t = clock(1.0, 2000)
    result = trace_result(trace(square(t, 290.0), 2000))
    line = next(each for each in trace_lines(result, "a") if each.startswith("pulse train"))
    assert "period 3.45 ms" in line  # 1 / 290 s = 3.448 ms; the median of whole samples is 3.5 ms


def test_so_few_samples_that_the_rate_may_be_an_image_are_said():
    t = clock(1.0, 1000)
    assert "only" in told(2 * np.sin(2 * np.pi * 310 * t + 0.4), 1000)[1]
    assert "samples a period" in told(2 * np.sin(2 * np.pi * 310 * t + 0.4), 1000)[1]


@pytest.mark.parametrize("samples_n", [60, 200, 2000])
def test_one_clean_pulse_is_too_few_and_no_noise(samples_n):
    at = np.arange(samples_n) / samples_n
    result, text = told(5.0 * ((at >= 0.4) & (at < 0.6)), 100)
    assert result.noise is None
    assert "too few pulses" in text


def test_both_traces_of_a_pair_are_told_with_the_thresholds_given():
    t = clock(0.5, 2000)
    quiet, small = 2 * np.sin(2 * np.pi * 90 * t), 0.5 * np.sin(2 * np.pi * 90 * t)
    pair = trace_pair(trace(quiet, 2000), trace(small, 2000), thresholds=(0.8, 1.2))
    assert (pair.first.edges.lower, pair.first.edges.upper) == (0.8, 1.2)
    assert len(pair.second.edges.rising_s) == 0  # it does not reach them, and has no others
    assert "do not lie in the trace" in pair.second.no_train
    assert pair.counts_per_s == (pytest.approx(90, rel=1e-3), 0.0)


def test_noise_that_may_go_with_the_level_is_not_laid_to_the_drive():
    rng = np.random.default_rng(1)
    off, on = 4 + rng.normal(0, 0.001, 300), 12 + rng.normal(0, 0.003, 300)
    effect = drive_effect(off, on)  # noise of 0.025 % of the level, both times
    assert not effect.is_louder
    assert "is not compared" in drive_words(effect, unit="mA")
    assert "4 mA" in drive_words(effect, unit="mA")
    louder = drive_effect(off, 12 + rng.normal(0, 0.1, 300))  # 100 times, where the level makes 3
    assert louder.is_louder
    assert "comes from the drive" in drive_words(louder, unit="mA")


def written(tmp_path, text):
    path = tmp_path / "trace.csv"
    path.write_text(text)
    return path


def test_words_below_the_samples_are_passed_over_and_words_among_them_are_not(tmp_path):
    rows = "".join(f"{at * 1e-3:.4f},{at % 7}\n" for at in range(50))
    assert list(read_trace(written(tmp_path, f"time,a\n{rows}END\n")).values) == [at % 7 for at in range(50)]
    with pytest.raises(ReadingsError, match='"END" is not a number'):
        read_trace(written(tmp_path, f"time,a\n{rows}END\n{rows}"))


@pytest.mark.parametrize("form", ["{0}T{1}.{2:06d}Z,{3}", "{0} {1}.{2:06d},{3}", "{0}T{1},{2:06d}+01:00;{3}"])
def test_dates_with_hours_are_times(tmp_path, form):
    rows = [form.format("2026-03-01", f"12:00:{at // 50:02d}", at % 50 * 20_000, at % 7) for at in range(120)]
    found = read_trace(written(tmp_path, "Time" + (";" if ";" in form else ",") + "U [V]\n" + "\n".join(rows) + "\n"))
    assert found.interval_s == pytest.approx(0.02)
    assert found.times_s[-1] - found.times_s[0] == pytest.approx(119 * 0.02)
    assert (found.unit, list(found.values[:3])) == ("V", [0, 1, 2])


@pytest.mark.parametrize("heading", ["", "time [s],one,two\n"])
def test_a_channel_is_numbered_without_the_times(tmp_path, heading):
    path = written(tmp_path, heading + "0.1,5,6\n0.2,5,7\n0.3,4,8\n")
    assert list(read_trace(path, column="1").values) == [5, 5, 4]
    assert list(read_trace(path, column="2").values) == [6, 7, 8]
    with pytest.raises(ReadingsError, match='no column "3"'):
        read_trace(path, column="3")


@pytest.mark.parametrize(("begin_Hz", "end_Hz"), [(120.0, 0.0), (0.0, 80.0), (240.0, 0.0)])
def test_what_runs_down_to_a_stop_or_up_from_one_misses_no_pulse(begin_Hz, end_Hz):
    t = clock(3.0, 20_000)
    ran = np.clip(t - 0.4, 0, 2.2)  # at a steady change for 2.2 s, with a rest before or after
    turns = begin_Hz * ran + (end_Hz - begin_Hz) * ran**2 / (2 * 2.2)
    before = begin_Hz * np.clip(t - 0.4, None, 0)
    values = 5.0 * ((turns + before + 0.1) % 1 < 0.5) + hiss(t, 0.05)
    result, text = told(values, 20_000)
    assert result.train.missing_n == 0
    assert "missing pulses" not in text
    assert f"the rate {'falls' if begin_Hz else 'rises'} from" in text
    share = float(text.split("Hz, by ")[1].split(" %")[0])
    assert 60 < share <= 100  # of its highest, which is that at the other end
