"""Thresholds that are given always have a result: what a counter with them counts, and where they lie."""

import numpy as np
import pytest

from sequencer.diagnosis.trace_views import trace_views
from sequencer.diagnosis.waveform import as_json, findings, trace_lines, trace_result
from sequencer.readings.waveform import TraceFile

RATE_HZ = 20_000


def trace():
    """83 pulses a second from 1 to 4 V, with slopes."""
    t = np.arange(RATE_HZ) / RATE_HZ
    values = 2.5 + np.clip(6 * np.sin(2 * np.pi * 83 * t + 0.4), -1.5, 1.5)
    values += 0.01 * np.random.default_rng(5).standard_normal(len(t))
    return TraceFile(times_s=t, values=values, name="a", unit="V", left_out_n=0)


@pytest.mark.parametrize(
    ("thresholds", "where"),
    [
        ((6, 7), "both lie above the trace"),
        ((-3, 0), "both lie below the trace"),
        ((2, 9), "the upper one lies above the trace"),
        ((-3, 9), "the trace lies between them"),
    ],
)
def test_thresholds_outside_the_trace_are_told_with_what_they_count_and_with_its_levels(thresholds, where):
    held = trace()
    result = trace_result(held, lower=thresholds[0], upper=thresholds[1])
    lines = trace_lines(result, "a.csv")
    assert lines[2].startswith(
        f"a counter with thresholds {thresholds[0]} and {thresholds[1]} V counts 0 edges: {where}"
    )
    assert "which goes from 0.9" in lines[2]
    assert "from 0.9" in lines[1]
    (found,) = findings(result)
    assert "count 83 Hz" in found.check  # with thresholds of its own
    assert result.noise is None
    assert as_json(result)["given"]["is_inside"] is False
    assert trace_views(held, result).counters[0].edges_n == 0


def test_thresholds_in_the_wrong_order_are_turned_round_and_that_is_said():
    result = trace_result(trace(), lower=3.2, upper=1.8)
    assert (result.edges.lower, result.edges.upper) == (1.8, 3.2)
    assert result.train.rate_Hz == pytest.approx(83, rel=1e-4)
    assert any("wrong order: 1.8 is taken as the lower one" in each for each in trace_lines(result, "a.csv"))


def test_thresholds_that_are_crossed_once_count_one_edge():
    t = np.arange(4000) / RATE_HZ
    held = TraceFile(times_s=t, values=np.clip(40 * (t - 0.1), 0, 3), name="a", unit="V", left_out_n=0)
    result = trace_result(held, lower=1.0, upper=2.0)
    assert len(result.edges.rising_s) == 1
    assert any("1 rising edge" in each.what for each in findings(result))


def test_a_flat_trace_counts_nothing_with_any_thresholds():
    t = np.arange(400) / RATE_HZ
    held = TraceFile(times_s=t, values=np.full(400, 2.5), name="a", unit="V", left_out_n=0)
    lines = trace_lines(trace_result(held, lower=1.0, upper=2.0), "a.csv")
    assert "counts 0 edges" in lines[2]
