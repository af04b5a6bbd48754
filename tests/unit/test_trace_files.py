"""Forms in which instruments and programs write a trace: each is written here from a known wave and read back."""

import math

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer import core
from sequencer.readings.waveform_file import read_trace

INTERVAL_S = 2.5e-4
WAVE_V = np.round(2.0 + 1.5 * np.sin(2 * np.pi * np.arange(400) / 37), 4)
PREAMBLE = "".join(f"Setting {number},{number * 3},on\n" for number in range(1500))


def rows(divider=",", mark=".", unit_s=1.0, *, number=False):
    written = [
        f"{at if number else f'{at * INTERVAL_S / unit_s:.6f}'}{divider}{value:.4f}" for at, value in enumerate(WAVE_V)
    ]
    return "\n".join(written).replace(".", mark) + "\n"


TIMED = {
    "1500 lines before the heading": PREAMBLE + "time [s],CH1 [V]\n" + rows(),
    "unit in round brackets": "Time (ms),CH1 (V)\n" + rows(unit_s=1e-3),
    "no blank before the bracket": "Time(ms),CH1(V)\n" + rows(unit_s=1e-3),
    "quantity by unit": "t/s;U/V\n" + rows(";", ","),
    "quantity by unit, with blanks": "t / ms\tU / V\n" + rows("\t", ",", 1e-3),
    "heading as a remark": "# time [s],CH1 [V]\n" + rows(),
    "a word that is no time, with a unit of time": "X [ms];CH1 [V]\n" + rows(";", ".", 1e-3),
    "second, Volt": "x-axis,1\nsecond,Volt\n" + rows(),
    "units below": "Record\nt,CH1\ns,V\n" + rows(),
    "times in the second column": "no;time [s];CH1 [V]\n"
    + "".join(f"{at};{at * INTERVAL_S:.6f};{value:.4f}\n" for at, value in enumerate(WAVE_V)),
    "empty lines between": "time [s],CH1 [V]\n\n" + rows().replace("\n", "\n\n"),
    "remarks between": "time [s],CH1 [V]\n" + rows().replace("\n", "\n# triggered\n", 3),
    "a remark in a third column": "time [s],CH1 [V]\n" + rows().replace("5000\n", "5000,trigger \u00b5\n", 2),
}


def put(tmp_path, text, encoding="utf-8", name="trace.csv"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


def assert_is_the_wave(trace, unit="V"):
    assert trace.values.tolist() == WAVE_V.tolist()
    assert trace.times_s == pytest.approx(np.arange(len(WAVE_V)) * INTERVAL_S, abs=1e-9)
    assert (trace.unit, trace.left_out_n, trace.is_even) == (unit, 0, True)
    assert trace.interval_s == pytest.approx(INTERVAL_S, rel=1e-6)


@pytest.mark.parametrize("form", list(TIMED))
def test_a_heading_with_times_is_understood(tmp_path, form):
    assert_is_the_wave(read_trace(put(tmp_path, TIMED[form])))


@pytest.mark.parametrize(
    ("encoding", "ends"),
    [
        ("utf-8-sig", "\n"),
        ("utf-16", "\r\n"),
        ("cp1252", "\r\n"),
        ("latin-1", "\r"),
    ],
)
def test_encodings_and_ends_of_lines_make_no_difference(tmp_path, encoding, ends):
    text = "Gerät: Oszilloskop für 20 °C\ntime [ms];Prüfling [V]\n" + rows(";", ",", 1e-3)
    trace = read_trace(put(tmp_path, text.replace("\n", ends), encoding), column="Prüfling")
    assert_is_the_wave(trace)
    assert trace.name == "prüfling"


@pytest.mark.parametrize("form", ["big endian", "little endian"])
def test_utf_16_of_either_order_is_told_by_its_mark(tmp_path, form):
    encoding, mark = ("utf-16-be", b"\xfe\xff") if form == "big endian" else ("utf-16-le", b"\xff\xfe")
    path = tmp_path / "trace.csv"
    path.write_bytes(mark + ("time [s]\tCH1 [V]\n" + rows("\t", ",")).encode(encoding))
    assert_is_the_wave(read_trace(path))


COUNTED = {
    "named": "Sample,CH1 [V]\n" + rows(number=True),
    "without a name": rows(number=True),
}
STATEMENTS = {
    "Sample Interval,2.5E-04": "an interval in s",
    "Sampling interval: 0,25 ms": "an interval with its unit",
    "Horizontal step = 250 us": "a step",
    "XIncrement,0.00025": "an increment",
    '"HResolution","2.5E-04"': "a resolution in quotes",
    "X,CH1,Start,Increment\nSequence,Volt,-6e-4,2.5E-04": "an increment below its heading",
    "Sample rate: 4 kHz": "a rate",
    "Sample Rate,4000": "a rate in Hz",
    "# sampling rate: 4 kSa/s": "a rate in a remark",
}


@pytest.mark.parametrize("form", list(COUNTED))
def test_numbers_of_samples_are_no_times(tmp_path, form):
    path = put(tmp_path, COUNTED[form])
    with pytest.raises(ReadingsError, match="has no time") as refused:
        read_trace(path)
    assert "--interval" in refused.value.todo
    assert "Sample Interval" in refused.value.allowed
    assert_is_the_wave(read_trace(path, interval_s=INTERVAL_S), unit="V" if form == "named" else "")


@pytest.mark.parametrize("statement", list(STATEMENTS), ids=list(STATEMENTS.values()))
@pytest.mark.parametrize("form", list(COUNTED))
def test_an_interval_stated_before_numbered_samples_is_taken(tmp_path, form, statement):
    trace = read_trace(put(tmp_path, f"Model,XY\n{statement}\n{COUNTED[form]}"))
    assert_is_the_wave(trace, unit="V" if form == "named" else "")


def test_of_several_channels_one_is_chosen_and_a_wrong_one_lists_them(tmp_path):
    text = "time [s],CH1 [V],CH2 [mA],CH3 [V]\n"
    text += "".join(f"{at * INTERVAL_S:.6f},7,8,{value:.4f}\n" for at, value in enumerate(WAVE_V))
    path = put(tmp_path, text)
    assert set(read_trace(path).values) == {7.0}
    assert (read_trace(path, column="ch2").unit, set(read_trace(path, column="2").values)) == ("mA", {8.0})
    assert_is_the_wave(read_trace(path, column="CH3"))
    assert_is_the_wave(read_trace(path, column="CH3 [V]"))
    with pytest.raises(ReadingsError, match='no column "CH4"') as refused:
        read_trace(path, column="CH4")
    assert refused.value.allowed == "ch1, ch2, ch3"


def test_an_empty_channel_cell_is_left_out_and_its_time_is_unrecorded(tmp_path):
    text = "time [s],CH1 [V],CH2 [V]\n"
    text += "".join(f"{at * INTERVAL_S:.6f},{'' if 100 <= at < 120 else 5},3\n" for at in range(400))
    trace = read_trace(put(tmp_path, text))
    assert trace.left_out_n == 20
    assert np.diff(trace.times_s).max() == pytest.approx(21 * INTERVAL_S)
    assert not trace.is_even
    assert trace.interval_s == pytest.approx(INTERVAL_S)


@pytest.mark.parametrize("begins_s", [0.0, 3.0, -0.5], ids=["from 0", "from 3 s", "before the trigger"])
def test_times_of_five_digits_are_put_back_to_their_interval(tmp_path, begins_s):
    # 40 000 samples every 10 us: from 0.1 s on the fifth digit is worth a whole interval, from 1 s on ten of them.
    true_s = begins_s + np.arange(40_000) * 1e-5
    values = np.arange(40_000) % 50
    text = "time [s],CH1 [V]\n" + "".join(f"{at:.5g},{value}\n" for at, value in zip(true_s, values, strict=True))
    trace = read_trace(put(tmp_path, text))
    assert trace.is_even
    assert trace.interval_s == pytest.approx(1e-5, rel=2e-4)  # half the last digit of an end over the length
    assert np.abs(trace.times_s - true_s).max() < 6e-5


@pytest.mark.parametrize("written", ["{:.4e}", "{:.4f}"], ids=["with a power of ten", "four places"])
def test_times_that_repeat_by_rounding_alone_do_rise(tmp_path, written):
    text = "t/s,U/V\n" + "".join(f"{written.format(3 + at * 3e-5)},{at % 7}\n" for at in range(10_000))
    trace = read_trace(put(tmp_path, text))
    assert trace.interval_s == pytest.approx(3e-5, rel=1e-3)
    assert trace.is_even


def test_times_that_no_rounding_explains_are_left_as_they_are(tmp_path):
    times_s = np.cumsum(np.where(np.arange(500) % 10, 0.001, 0.003))
    text = "t/s,U/V\n" + "".join(f"{at:.4f},{number % 7}\n" for number, at in enumerate(times_s))
    trace = read_trace(put(tmp_path, text))
    assert not trace.is_even
    assert trace.times_s == pytest.approx(times_s, abs=1e-9)
    fallen = "t/s,U/V\n" + "".join(f"{at:.4f},1\n" for at in (0.0, 0.001, 0.002, 0.0012, 0.004))
    with pytest.raises(ReadingsError, match="does not rise") as refused:
        read_trace(put(tmp_path, fallen))
    assert refused.value.where.endswith("trace.csv:5")


def test_a_file_of_many_parts_is_read_whole_and_its_faults_have_their_line(tmp_path):
    n = 300_000  # 5 MB: three parts
    lines = [f"{at * 1e-6:.6f},{at % 1000}.5" for at in range(n)]
    lines[250_000] = "0.250000,NaN"
    trace = read_trace(put(tmp_path, "time [s],CH1 [V]\n" + "\n".join(lines)))
    assert (len(trace.values), trace.left_out_n) == (n - 1, 1)
    kept = np.delete(np.arange(n), 250_000)
    assert np.array_equal(trace.values, kept % 1000 + 0.5)
    for bad, match in (("0.280000,abc", '"abc" is not a number'), ("0.28\x000000,1", "NUL byte inside a number")):
        lines[280_000] = bad
        with pytest.raises(ReadingsError, match=match) as refused:
            read_trace(put(tmp_path, "time [s],CH1 [V]\n" + "\n".join(lines)))
        assert refused.value.where.endswith("trace.csv:280002")


def test_given_thresholds_are_used_with_every_form(tmp_path):
    values = np.where(np.arange(4000) % 40 < 20, 5.0, 0.0)
    text = "t/ms;U/V\n" + "".join(f"{at / 10:.1f};{value:.1f}\n".replace(".", ",") for at, value in enumerate(values))
    result = core.trace(put(tmp_path, text), thresholds=(1.0, 4.0))
    assert result.train.edges.lower == 1.0
    assert result.train.rate_Hz == pytest.approx(250, rel=1e-9)  # 40 samples of 0.1 ms
    assert not math.isnan(result.train.duty)


@pytest.mark.parametrize("interval_s", [2e-5, 7.3e-6, 0.013])
@pytest.mark.parametrize("digits", [3, 4])
def test_times_of_few_digits_with_a_power_of_ten_come_back_at_one_interval(tmp_path, digits, interval_s):
    times_s = np.arange(6000) * interval_s  # the last ones differ by less than their last digit
    text = "time [s],CH1 [V]\n" + "".join(f"{at:.{digits - 1}e},{number % 7}\n" for number, at in enumerate(times_s))
    trace = read_trace(put(tmp_path, text))
    assert trace.is_even
    assert trace.interval_s == pytest.approx(interval_s, rel=1e-3)


@pytest.mark.parametrize("word", ["OL", "-OL", "O.L", "0L", "OVLD", "Overflow", "over range", "----"])
@pytest.mark.parametrize("first", [0, 200])
def test_words_in_place_of_a_value_are_readings_that_are_none(tmp_path, word, first):
    word = word.replace(" ", "")
    told = [f"{at * INTERVAL_S:.6f},{word if at in (first, 210) else 5}\n" for at in range(400)]
    trace = read_trace(put(tmp_path, "time [s],CH1 [V]\n" + "".join(told)))
    assert (trace.left_out_n, len(trace.values), trace.name) == (2, 398, "ch1")
    assert trace.times_s[0] == (INTERVAL_S if first == 0 else 0.0)


def test_other_words_among_the_values_are_refused_with_their_line(tmp_path):
    told = [f"{at * INTERVAL_S:.6f},{'5.O1' if at == 30 else 5}\n" for at in range(400)]
    with pytest.raises(ReadingsError, match="is not a number") as refused:
        read_trace(put(tmp_path, "time [s],CH1 [V]\n" + "".join(told)))
    assert refused.value.where.endswith(":32")


@pytest.mark.parametrize("divider", [";", "\t"])
@pytest.mark.parametrize("swap", ["", ",."])
@pytest.mark.parametrize("word", ["", "nothing\n"])
def test_thousands_are_parted_by_what_is_no_decimal_mark(tmp_path, divider, swap, word):
    wave_rpm = 990.5 + 1234.25 * np.arange(1200)  # 990.5, 2,224.75 ... 1,480,856.25
    written = [f"{at * INTERVAL_S:.6f}{divider}{value:,.2f}" for at, value in enumerate(wave_rpm)]
    text = "\n".join(written)
    if swap:
        text = text.translate(str.maketrans(",.", ".,"))
    path = tmp_path / "speed.csv"
    path.write_text(f"time [s]{divider}speed [rpm]\n{text}\n{word}")  # a word at the end makes it be read line by line
    found = read_trace(path)
    np.testing.assert_allclose(found.values, wave_rpm, atol=1e-6)
    np.testing.assert_allclose(found.times_s, np.arange(1200) * INTERVAL_S, atol=1e-9)
