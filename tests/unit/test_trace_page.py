"""The page of a trace: its numbers are those of traces that are counted by hand, and it needs nothing from outside."""

import hashlib
import re
from html import unescape

import numpy as np
import pytest
from click.testing import CliRunner

from instruments.errors import RecordError
from sequencer import core
from sequencer.cli import cli
from sequencer.diagnosis.trace_views import trace_views
from sequencer.diagnosis.trace_words import line_names
from sequencer.diagnosis.waveform import trace_result
from sequencer.readings.waveform import TraceFile
from sequencer.reports.drawing.panel import decades
from sequencer.reports.trace import counter_rows, html

INTERVAL_S = 1e-4


def trace_of(values, times_s=None, unit="V"):
    times_s = np.arange(len(values)) * INTERVAL_S if times_s is None else times_s
    return TraceFile(times_s=times_s, values=np.array(values, dtype=float), name="ch1", unit=unit, left_out_n=0)


def pulses(lost=(), doubled=()):
    """100 pulses of 0 and 4 V, 40 samples each: 250 Hz; a doubled one drops to 0 V three samples after its edge."""
    values = np.where(np.arange(4000) % 40 < 20, 4.0, 0.0)
    for number in lost:
        values[40 * number : 40 * number + 20] = 0.0
    for number in doubled:
        values[40 * number + 3 : 40 * number + 5] = 0.0
    return values


def page_of(trace, **options):
    result = trace_result(trace, **options)
    views = trace_views(trace, result)
    return result, views, html(result, views, file="pickup.csv", digest="0" * 64)


def cells(page, first):
    """The cells of the table row that begins so."""
    row = re.search(rf"<tr[^>]*><td>{re.escape(first)}(.*?)</tr>", page)
    return [unescape(each) for each in re.findall(r'<td class="n">(.*?)</td>', row[1])]


def test_counters_are_told_against_what_they_should_count():
    # 100 pulses; the trace begins high, so the first edge is that of pulse 1: 99 edges. 2 are lost, 3 come double.
    _, views, page = page_of(trace_of(pulses(lost=(30, 60), doubled=(10, 20, 80))))
    assert views.should_n == 99
    # The rate is that of the intervals: 99 counted where 98 are, 250 Hz x 99 / 98.
    assert cells(page, "as it should be")[:2] == ["99", "250.000"]
    assert cells(page, "with hysteresis, thresholds 1.4 and 2.6 V") == ["100", "252.551", "+1", "+2.55", "+1.01"]


def test_thresholds_that_pass_the_noise_count_right_and_one_in_the_middle_does_not():
    values = pulses()
    values[7::40] = 1.9  # one sample a pulse that dips below the middle of 2 V, and not below 1.4 V
    _, views, page = page_of(trace_of(values))
    assert [(each.edges_n, each.off_n) for each in views.counters] == [(99, 0), (199, 100)]  # the first pulse dips too
    assert cells(page, "without hysteresis, threshold 2 V")[:1] == ["199"]


def test_the_detail_is_about_the_first_fault_and_marks_it():
    trace = trace_of(pulses(lost=(30,)))
    result = trace_result(trace)
    detail = trace_views(trace, result).detail
    assert detail.why == "about the first fault"
    # The edge of pulse 30 lies between samples 1199 and 1200; the thresholds are passed at 65 % of the way.
    assert detail.missing_s == pytest.approx([(1199 + 0.65) * INTERVAL_S], abs=1e-9)
    assert len(detail.extra_s) == 0
    doubled = trace_of(pulses(doubled=(30,)))
    detail = trace_views(doubled, trace_result(doubled)).detail
    assert detail.extra_s == pytest.approx([(1204 + 0.65) * INTERVAL_S], abs=1e-9)
    assert len(detail.missing_s) == 0


def test_all_periods_lie_over_each_other():
    trace = trace_of(pulses())
    folded = trace_views(trace, trace_result(trace)).folded
    assert folded.periods_n == 99
    middle = (folded.places[1:] + folded.places[:-1]) / 2
    is_high = folded.counts[:, -1] > 0
    is_low = folded.counts[:, 0] > 0
    # Half of the period is high; the places in between are never passed, since a sample is 1/40 of a period.
    assert is_high[(middle > 0.02) & (middle < 0.47)].any()
    assert not is_low[(middle > 0.02) & (middle < 0.47)].any()
    assert not is_high[(middle > 0.53) & (middle < 0.97)].any()
    assert folded.counts[:, 1:-1].sum() == 0
    # From each edge 1.5 periods of 40 samples, but for what lies beyond the end of the trace.
    assert folded.counts.sum() == pytest.approx(99 * 60, abs=40)


def test_intervals_show_a_lost_pulse_as_twice_and_a_double_one_as_short():
    trace = trace_of(pulses(lost=(50,), doubled=(20,)))
    intervals = trace_views(trace, trace_result(trace)).intervals
    told = np.round(intervals.low / INTERVAL_S, 6)
    # Five samples from the true edge to the second one, 35 from there to the next pulse.
    assert sorted(set(told.tolist())) == [5.0, 35.0, 40.0, 80.0]


def test_lines_are_named_by_their_frequency():
    t = np.arange(20_000) * INTERVAL_S
    trace = trace_of(pulses()[np.arange(20_000) % 4000] + 0.5 * np.sin(2 * np.pi * 150 * t))
    result = trace_result(trace)
    names = dict(zip([round(line.rate_Hz) for line in result.lines], line_names(result), strict=True))
    assert names[250] == "the pulses"
    assert names[750] == "3 x the pulses"
    assert names[150] == "3 x 50 Hz mains"


def test_lines_of_ten_a_second_are_no_mains():
    t = np.arange(20_000) * INTERVAL_S
    trace = trace_of(sum(np.sin(2 * np.pi * 10 * order * t) / order for order in (1, 3, 5)), unit="mA")
    result = trace_result(trace)
    assert line_names(result)[:3] == ("the pulses", "3 x the pulses", "5 x the pulses")


def test_white_noise_falls_as_the_root_of_the_time():
    trace = trace_of(np.random.default_rng(1).normal(4, 0.2, 4000), unit="mA")
    result, views, page = page_of(trace)
    assert result.train is None
    assert views.allan.deviations[0] == pytest.approx(0.2, rel=0.05)
    assert views.allan.deviations[4] == pytest.approx(0.2 / 4, rel=0.2)  # 16 readings
    assert views.allan.spans_s[4] == pytest.approx(16 * INTERVAL_S)
    assert views.should_n is None
    assert "no pulses stand out of the noise" in page
    assert "Without a pulse train there is no period" in page


def test_a_spike_of_one_sample_in_a_million_is_in_the_outline():
    values = np.zeros(1_000_000)
    values[123_456] = 7.0
    values[654_321] = -3.0
    outline = trace_views(trace_of(values), trace_result(trace_of(values))).whole
    assert (outline.high.max(), outline.low.min()) == (7.0, -3.0)
    assert outline.times_s[outline.high.argmax()] == pytest.approx(12.3456, abs=100 / len(outline.times_s))
    assert len(outline.times_s) < 1500


def test_time_that_was_not_recorded_stays_empty():
    is_there = np.ones(4000, dtype=bool)
    is_there[2000:2400] = False
    trace = trace_of(pulses()[is_there], (np.arange(4000) * INTERVAL_S)[is_there])
    outline = trace_views(trace, trace_result(trace)).whole
    is_gap = (outline.times_s > 0.2005) & (outline.times_s < 0.2395)
    assert np.isnan(outline.low[is_gap]).all()
    assert np.isfinite(outline.low[~is_gap]).mean() > 0.98


@pytest.mark.parametrize(
    "values",
    [np.full(50, 2.5), np.array([0.0, 1.0]), np.repeat([0.0, 5.0, 0.0], 30), np.arange(20.0), np.full(40, 1e30)],
    ids=["flat", "two samples", "one pulse", "a ramp", "as large as it may be"],
)
def test_a_trace_with_little_in_it_has_a_page_too(values):
    _, _, page = page_of(trace_of(values))
    assert page.rstrip().endswith("</html>")
    assert "nan" not in re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL).casefold()


def test_what_comes_from_the_file_is_escaped():
    trace = TraceFile(times_s=np.arange(4000) * INTERVAL_S, values=pulses(), name="<script>", unit="<b>V", left_out_n=0)
    result = trace_result(trace)
    page = html(result, trace_views(trace, result), file="<i>x.csv", digest="0")
    for tag in ("<script>", "<b>V", "<i>x"):
        assert tag not in page


def test_the_command_writes_a_page_with_the_digest_of_the_file_and_nothing_from_outside(tmp_path):
    file, page = tmp_path / "pickup.csv", tmp_path / "pickup.html"
    file.write_text("time [s],CH1 [V]\n" + "".join(f"{n * INTERVAL_S:.4f},{v}\n" for n, v in enumerate(pulses())))
    done = CliRunner().invoke(cli, ["trace", str(file), "--report", str(page)])
    assert done.exit_code == 0
    written = page.read_text(encoding="utf-8")
    assert hashlib.sha256(file.read_bytes()).hexdigest() in written
    assert "<title>Trace: pickup.csv</title>" in written
    for fact in ("399.9 ms", "100 µs", "4000", "0 to 4.000 V"):
        assert f"<dd>{fact}</dd>" in written
    assert not re.search(r"(src|href)=|url\((?!#)|@import|<script", written)
    assert written.count("<svg") == 6


def test_a_page_never_takes_the_place_of_its_trace(tmp_path):
    file = tmp_path / "pickup.csv"
    file.write_text("t/s,U/V\n0,1\n1,2\n2,1\n")
    with pytest.raises(RecordError, match="is the trace itself"):
        core.trace(file, page=file)
    assert file.read_text().startswith("t/s")
    with pytest.raises(RecordError, match="cannot be written"):
        core.trace(file, page=tmp_path / "none" / "page.html")


def test_given_thresholds_always_give_a_count():
    irregular_s = np.cumsum(np.random.default_rng(2).exponential(0.01, 40))
    times_s = np.arange(8000) * INTERVAL_S
    values = (np.searchsorted(irregular_s, times_s) % 2).astype(float)
    rising_n = int((np.diff(values) > 0).sum())
    result, views, page = page_of(trace_of(values), lower=0.2, upper=0.8)
    assert result.train is None
    assert len(result.edges.rising_s) == rising_n
    assert [each.edges_n for each in views.counters] == [rising_n, rising_n]
    assert counter_rows(views, result)[0].off == "not known"
    assert cells(page, "with hysteresis, thresholds 0.2 and 0.8 V")[0] == f"{rising_n}"


def test_bounce_is_told_against_the_rate_of_the_contact():
    # 40 pulses of 100 samples; each closing opens three times more, after 2, 6 and 10 samples: four edges a pulse.
    phase = (np.arange(4000) + 50) % 100
    values = np.where((phase < 50) & ~((phase < 12) & (phase % 4 >= 2)), 4.0, 0.0)
    _, views, page = page_of(trace_of(values))
    assert views.should_n == 40
    assert cells(page, "as it should be")[:2] == ["40", "100.000"]
    assert [(each.edges_n, each.off_n) for each in views.counters] == [(160, 120), (160, 120)]
    assert "Contact bounce: 3 edges too many at a pulse" in page
    assert views.folded.periods_n == 40


def test_what_was_not_recorded_should_not_have_been_counted():
    is_there = np.ones(4000, dtype=bool)
    is_there[2005:2390] = False  # from one pulse to the tenth after it: nine of 99 edges are not there
    trace = trace_of(pulses()[is_there], (np.arange(4000) * INTERVAL_S)[is_there])
    _, views, page = page_of(trace)
    assert views.should_n == 90
    assert cells(page, "with hysteresis, thresholds 1.4 and 2.6 V")[2] == "0"
    assert views.intervals.high.max() == pytest.approx(40 * INTERVAL_S)


def test_lines_of_an_inverter_are_named_by_their_place():
    # Carrier 1.6 kHz, output 43 Hz, lines at twice that to either side and about the double (common practice).
    t = np.arange(10_000) * INTERVAL_S
    parts = ((1600, 0.5), (1686, 0.3), (1514, 0.3), (3243, 0.25), (3157, 0.25))
    values = sum(size * np.sin(2 * np.pi * rate_Hz * t) for rate_Hz, size in parts)
    result = trace_result(trace_of(values + np.random.default_rng(4).normal(0, 0.5, len(t))))
    names = dict(zip([round(line.rate_Hz) for line in result.lines], line_names(result), strict=True))
    assert names[1600] == "the carrier of an inverter"
    assert names[1686] == "the carrier of an inverter + 2 x its output"
    assert names[3157] == "2 x the carrier of an inverter - its output"


def test_two_traces_stand_side_by_side_on_one_page(tmp_path):
    t = np.arange(4000) * INTERVAL_S
    files = [tmp_path / "off.csv", tmp_path / "on.csv"]
    for file, size in zip(files, (0.0, 1.0), strict=True):
        values = pulses() + size * np.sin(2 * np.pi * 1610 * t)
        rows = np.stack((t, values), axis=1)
        np.savetxt(file, rows, delimiter=",", header="time [s],pickup [V]", comments="", fmt="%.6g")
    page = tmp_path / "drive.html"
    done = CliRunner().invoke(cli, ["trace", *map(str, files), "--report", str(page)])
    assert done.exit_code == 0
    told = unescape(page.read_text(encoding="utf-8"))
    assert "What changed from off.csv to on.csv" in told
    assert told.count("<svg") == 4  # trace and spectrum of each
    row = re.search(r'<tr><td class="n">1610[^<]*</td><td class="n">([^<]*)</td><td class="n">([^<]*)</td>', told)
    assert float(row[1].replace("−", "-")) < 0.05  # the sine that was added is the one line that changed
    assert float(row[2]) == pytest.approx(1.0, rel=0.05)
    for file in files:
        assert hashlib.sha256(file.read_bytes()).hexdigest() in told
    refused = CliRunner().invoke(cli, ["trace", *map(str, files), "--report", str(files[1])])
    assert refused.exit_code != 0


def test_decades_are_the_powers_of_ten_between_two_logarithms():
    assert decades(-2.3, 1.2) == [(-2.0, "0.01"), (-1.0, "0.1"), (0.0, "1"), (1.0, "10")]
    assert decades(0.1, 0.9) == []
