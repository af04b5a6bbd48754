"""Traces from files: what is read, what is refused with its line, and what the command says."""

import json
import math
import re
import struct

import numpy as np
import pytest
from click.testing import CliRunner

from instruments.errors import ReadingsError
from sequencer import core
from sequencer.cli import cli
from sequencer.diagnosis.waveform import findings
from sequencer.readings.waveform_file import read_trace

_SAMPLES = ((0.0, 1.5), (0.5, -2.25), (1.0, 3.0))  # ms, V

FORMS = {
    "comma": "time [ms],CH1 [V]\n0,1.5\n0.5,-2.25\n1,3\n",
    "semicolon and decimal comma": "Time [ms];CH1 [V]\n0;1,5\n0,5;-2,25\n1,0;3,0\n",
    "tab": "time (ms)\tCH1 (V)\n0\t1.5\n0.5\t-2.25\n1\t3\n",
    "blanks": "0 1.5\n5e-4 -2.25\n1e-3 3\n",
    "units in a line of their own": "Model,XY\nRecord Length,3\n\nTIME,CH1\nms,V\n0,1.5\n0.5,-2.25\n1,3\n",
    "remarks, quotes and a trailing comma": '# made by hand\n"time","CH1"\n"s","V"\n0,1.5,\n5e-4,-2.25,\n1e-3,3,\n',
    "Windows text": "﻿time [ms];CH1 [V]\r\n0;1,5\r\n0,5;-2,25\r\n1;3\r\n",
}


def csv(tmp_path, text, name="trace.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("form", list(FORMS))
def test_every_form_of_csv_gives_the_same_samples(tmp_path, form):
    trace = read_trace(csv(tmp_path, FORMS[form]))
    assert 1e3 * trace.times_s == pytest.approx([at for at, _ in _SAMPLES])
    assert list(trace.values) == [value for _, value in _SAMPLES]
    assert trace.unit == ("" if form == "blanks" else "V")


def test_a_column_is_taken_by_its_name_or_number(tmp_path):
    path = csv(tmp_path, "time,CH1,CH2\n0,1,10\n1,2,20\n2,3,30\n")
    assert list(read_trace(path).values) == [1, 2, 3]
    assert list(read_trace(path, column="CH2").values) == [10, 20, 30]
    assert list(read_trace(path, column="2").values) == [10, 20, 30]
    with pytest.raises(ReadingsError, match='no column "CH3"') as refused:
        read_trace(path, column="CH3")
    assert "ch2" in refused.value.allowed


@pytest.mark.parametrize(
    "head",
    [
        "Sample Interval,2.5E-03\nVertical Units,V\nCH1 [V]",
        "Sampling interval: 2,5 ms\nCH1 [V]",
        "CH1 [V]\nTime step;2500 µs",
    ],
)
def test_an_interval_stated_before_the_samples_is_taken(tmp_path, head):
    found = read_trace(csv(tmp_path, f"{head}\n1.0\n2.0\n3.0\n"))
    assert found.times_s == pytest.approx([0, 2.5e-3, 5e-3])
    assert (found.name, found.unit) == ("ch1", "V")


def test_two_channels_and_a_stated_interval_are_no_time_and_value(tmp_path):
    found = read_trace(csv(tmp_path, "Sample interval: 1 ms\nCH1 [V];CH2 [V]\n5,0;1\n0,5;2\n5,0;3\n"), column="2")
    assert found.times_s == pytest.approx([0, 1e-3, 2e-3])
    assert found.values == pytest.approx([1, 2, 3])


def test_values_alone_need_an_interval(tmp_path):
    path = csv(tmp_path, "1\n2\n3\n")
    assert read_trace(path, interval_s=1e-3).times_s == pytest.approx([0, 1e-3, 2e-3])
    with pytest.raises(ReadingsError, match="no time") as refused:
        read_trace(path)
    assert "--interval" in refused.value.todo


def test_samples_without_a_number_are_left_out_and_counted(tmp_path):
    trace = read_trace(csv(tmp_path, "time,v\n0,1\n1,NaN\n2,\n2.5,9.9E37\n3,4\n"))
    assert list(trace.values) == [1, 4]
    assert trace.left_out_n == 3


@pytest.mark.parametrize(
    ("text", "match", "where"),
    [
        ("", "no line of numbers", "trace.csv"),
        ("hello\nworld\n", "no line of numbers", "trace.csv"),
        ("time,v\n0,1\n", "too few samples", "trace.csv"),
        ("time,v\n0,1\n1,2\n2,abc\n", '"abc" is not a number', "trace.csv:4"),
        ("time,v\n0,1\n1,2\n0.5,3\n", "does not rise", "trace.csv:4"),
        ("time [kg],v\n0,1\n1,2\n", '"kg" is no unit of time', "trace.csv:1"),
    ],
)
def test_a_bad_csv_is_refused_with_its_place(tmp_path, text, match, where):
    with pytest.raises(ReadingsError, match=match) as refused:
        read_trace(csv(tmp_path, text))
    assert refused.value.where.endswith(where)


def test_a_file_too_large_is_not_even_opened(tmp_path):
    path = tmp_path / "giant.csv"
    with path.open("wb") as file:
        file.truncate(10**9 + 1)  # a hole: takes no room
    with pytest.raises(ReadingsError, match="too large") as refused:
        read_trace(path)
    assert refused.value.allowed == "at most 1000 MB"


PCM, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE
# After the first two bytes, which are the code of the format: KSDATAFORMAT_SUBTYPE of WAVE_FORMAT_EXTENSIBLE.
GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")
WAVE = [0.0, 0.5, -0.5, 0.25, -1.0]


def samples(values, code, width):
    """Bytes of little-endian samples, full scale 1; eight bits have their zero at 128."""
    if code == FLOAT:
        return struct.pack(f"<{len(values)}{'f' if width == 4 else 'd'}", *values)
    whole = [round(each * 2 ** (8 * width - 1)) + 128 * (width == 1) for each in values]
    return b"".join(each.to_bytes(width, "little", signed=width > 1) for each in whole)


def wav(path, data, *, code=PCM, width=2, channels=1, rate_Hz=8000, extensible=False):
    """A WAV written by hand from the format's description, with a part before the data that is none of ours."""
    form = struct.pack(
        "<HHIIHH",
        EXTENSIBLE if extensible else code,
        channels,
        rate_Hz,
        rate_Hz * channels * width,
        channels * width,
        8 * width,
    )
    if extensible:
        form += struct.pack("<HHIH", 22, 8 * width, 0, code) + GUID_TAIL
    chunks = [(b"fmt ", form), (b"LIST", b"INFO"), (b"data", data)]
    body = b"WAVE" + b"".join(name + struct.pack("<I", len(held)) + held for name, held in chunks)
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    return path


@pytest.mark.parametrize("extensible", [False, True], ids=["plain", "extensible"])
@pytest.mark.parametrize(
    ("code", "width", "ends"),
    [
        (PCM, 1, (-1.0, 127 / 128)),
        (PCM, 2, (-1.0, 32767 / 32768)),
        (PCM, 3, (-1.0, 8388607 / 8388608)),
        (PCM, 4, (-1.0, 2147483647 / 2147483648)),
        (FLOAT, 4, None),
        (FLOAT, 8, None),
    ],
)
def test_wav_of_every_form_gives_the_same_wave(tmp_path, code, width, ends, extensible):
    other = samples([0.75] * len(WAVE), code, width)
    mine = samples(WAVE, code, width)
    both = b"".join(other[at : at + width] + mine[at : at + width] for at in range(0, len(mine), width))
    path = wav(tmp_path / "trace.wav", both, code=code, width=width, channels=2, extensible=extensible)
    trace = read_trace(path, column="2")
    assert trace.values.tolist() == WAVE
    assert trace.times_s == pytest.approx(np.arange(5) / 8000)
    assert (trace.ends, trace.name, trace.left_out_n) == (ends, "channel 2", 0)
    assert read_trace(path).values.tolist() == [0.75] * 5
    with pytest.raises(ReadingsError, match="no channel 3") as refused:
        read_trace(path, column="3")
    assert refused.value.allowed == "1 to 2"


def test_floating_point_beyond_full_scale_is_kept_and_what_is_no_number_left_out(tmp_path):
    data = samples([0.5, math.nan, -2.5, math.inf, 3.0], FLOAT, 4)
    trace = read_trace(wav(tmp_path / "trace.wav", data, code=FLOAT, width=4))
    assert trace.values.tolist() == [0.5, -2.5, 3.0]
    assert trace.times_s == pytest.approx([0, 2 / 8000, 4 / 8000])
    assert trace.left_out_n == 2


@pytest.mark.parametrize("missing_n", [1, 2, 3, 4])
def test_of_a_wav_that_was_cut_off_the_whole_samples_are_read(tmp_path, missing_n):
    path = wav(tmp_path / "trace.wav", samples(np.repeat(WAVE, 2), PCM, 2), channels=2)
    path.write_bytes(path.read_bytes()[:-missing_n])
    assert read_trace(path).values.tolist() == WAVE[:-1]


def test_a_wav_longer_than_one_part_is_read_whole(tmp_path):
    values = np.arange(200_000) % 1000 / 1024
    path = wav(tmp_path / "trace.wav", samples(values, PCM, 2))
    assert np.array_equal(read_trace(path).values, values)


def test_clipping_is_a_matter_of_whole_numbers(tmp_path):
    t = np.arange(20_000) / 20_000
    sine = np.clip(1.3 * np.sin(2 * np.pi * 440 * t), -1, 32767 / 32768)
    whole = core.trace(wav(tmp_path / "whole.wav", samples(sine, PCM, 2), rate_Hz=20_000))
    # |sin| > 1 / 1.3 for 1 - 2 asin(1 / 1.3) / pi of the time.
    assert whole.clipped_pct == pytest.approx(100 * (1 - 2 * math.asin(1 / 1.3) / math.pi), abs=2)
    beyond = 1.3 * np.sin(2 * np.pi * 440 * t)
    floating = wav(tmp_path / "float.wav", samples(beyond, FLOAT, 4), code=FLOAT, width=4, rate_Hz=20_000)
    assert core.trace(floating).clipped_pct == 0


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param(lambda _: b"RIFF....WAVE", id="nothing in it"),
        pytest.param(lambda _: b"", id="empty"),
        pytest.param(lambda raw: raw[:36], id="no samples begun"),
        pytest.param(lambda raw: raw[:20] + struct.pack("<H", 7) + raw[22:], id="mu-law"),
        pytest.param(lambda raw: raw[:22] + struct.pack("<H", 0) + raw[24:], id="no channel"),
        pytest.param(lambda raw: raw[:24] + struct.pack("<I", 0) + raw[28:], id="no rate"),
        pytest.param(lambda raw: raw[:34] + struct.pack("<H", 0) + raw[36:], id="no bits"),
        pytest.param(lambda raw: b"FORM" + raw[4:], id="of another kind"),
        pytest.param(lambda _: b"1;2\n3;4\n", id="text"),
    ],
)
def test_a_wav_that_is_none_is_refused(tmp_path, damage):
    path = wav(tmp_path / "trace.wav", samples(WAVE, PCM, 2))
    path.write_bytes(damage(path.read_bytes()))
    with pytest.raises(ReadingsError, match="is no WAV that can be read") as refused:
        read_trace(path)
    assert refused.value.where == str(path)
    assert refused.value.allowed == "PCM of 8, 16, 24 or 32 bit, or floating point of 32 or 64 bit"


def test_a_wav_of_too_many_samples_is_refused_before_they_are_read(tmp_path):
    path = wav(tmp_path / "trace.wav", bytes(20_000_001), width=1)
    with pytest.raises(ReadingsError, match="has 20000001 samples") as refused:
        read_trace(path)
    assert refused.value.allowed == "at most 20000000"


def test_a_wav_of_one_sample_is_no_trace(tmp_path):
    with pytest.raises(ReadingsError, match="too few samples"):
        read_trace(wav(tmp_path / "trace.wav", samples([0.5], PCM, 2)))


# -- what is said ----------------------------------------------------------------------------------------------------


def written(tmp_path, values, rate_Hz=20_000.0, name="trace.csv", unit="V"):
    rows = "".join(f"{number / rate_Hz:.7f},{value:.5f}\n" for number, value in enumerate(values))
    return csv(tmp_path, f"time [s],pickup [{unit}]\n{rows}", name)


def pulses(keep=lambda number: number >= 0, length=20_000, every=20):
    number = np.arange(length) // every
    return np.where((np.arange(length) % every < every // 2) & keep(number), 5.0, 0.0)


def livezero(*arguments):
    done = CliRunner().invoke(cli, ["trace", *map(str, arguments)])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done


def test_a_missing_tooth_is_named_with_cause_and_check_in_80_columns(tmp_path):
    done = livezero(written(tmp_path, pulses(lambda number: number % 24 != 5)))
    assert done.exit_code == 0
    assert "missing once in 24" in " ".join(done.stdout.split())
    assert "cause: a missing or damaged tooth" in " ".join(done.stdout.split())
    assert "check: look at the wheel" in " ".join(done.stdout.split())
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_json_holds_the_train_and_the_findings(tmp_path):
    done = livezero(written(tmp_path, pulses(lambda number: ~np.isin(number, (100, 400)))), "--json")
    told = json.loads(done.stdout)
    assert told["train"]["rate_Hz"] == pytest.approx(1000, rel=1e-4)
    assert told["train"]["missing_n"] == 2
    assert told["findings"][0]["what"].startswith("missing pulses: 2")
    assert told["noise"] is None


def test_mains_on_an_open_input_is_suspected_from_its_rate(tmp_path):
    t = np.arange(20_000) / 20_000
    result = core.trace(written(tmp_path, 0.4 * np.sin(2 * np.pi * 50.03 * t)))
    assert any("that of mains" in each.what for each in findings(result))
    assert result.lines[0].rate_Hz == pytest.approx(50.03, abs=0.05)


def test_a_trace_without_pulses_is_told_as_noise(tmp_path):
    values = 12 + np.random.default_rng(1).normal(0, 0.01, 2000)
    result = core.trace(written(tmp_path, values, rate_Hz=100, unit="mA"))
    assert result.train is None
    assert result.noise.best.kind == "white noise"
    assert result.noise.sd == pytest.approx(0.01, rel=0.05)
    done = livezero(tmp_path / "trace.csv")
    assert "no pulse train" in done.stdout
    assert re.search(r"white noise \(\d+ %\): sd 0\.0[01]\d* mA", done.stdout)


def test_a_long_trace_is_looked_at_as_means(tmp_path):
    values = np.random.default_rng(1).normal(0, 1, 10_000)
    result = core.trace(written(tmp_path, values))
    assert result.block_n == math.ceil(10_000 / 4096)
    assert result.noise.sd == pytest.approx(1 / math.sqrt(result.block_n), rel=0.05)


def test_a_clipped_trace_says_so_first(tmp_path):
    t = np.arange(20_000) / 20_000
    sine = 1.3 * np.sin(2 * np.pi * 440 * t) + np.random.default_rng(1).normal(0, 0.01, len(t))
    result = core.trace(written(tmp_path, np.clip(sine, -1, 1)))
    # |sin| > 1 / 1.3 for 1 - 2 asin(1 / 1.3) / pi of the time.
    assert result.clipped_pct == pytest.approx(100 * (1 - 2 * math.asin(1 / 1.3) / math.pi), abs=2)
    assert "clipped" in findings(result)[0].what
    assert core.trace(written(tmp_path, 0.7 * sine)).clipped_pct == 0


def test_a_flat_trace_is_no_fault_of_ours(tmp_path):
    done = livezero(written(tmp_path, np.full(100, 2.5)))
    assert done.exit_code == 0
    assert "flat" in done.stdout


def test_bad_options_end_with_2_and_a_sentence(tmp_path):
    path = written(tmp_path, pulses())
    for options in (["--column", "CH9"], ["--interval", "3 kg"]):
        done = livezero(path, *options)
        assert done.exit_code == 2, options
        assert done.stdout == ""
        assert "Traceback" not in done.stderr
