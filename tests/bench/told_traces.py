"""Values at one rate as a trace, and what is said of it. Used by tests of traces."""

import numpy as np

from sequencer.diagnosis.waveform import findings, trace_result
from sequencer.readings.waveform import TraceFile


def trace(values, rate_Hz):
    """A trace as it is read: values that are none are left out."""
    times_s = np.arange(len(values)) / rate_Hz
    kept = np.isfinite(values)
    return TraceFile(times_s=times_s[kept], values=values[kept], name="a", unit="V", left_out_n=int((~kept).sum()))


def told(values, rate_Hz, **settings):
    """Result, and what is found in it."""
    result = trace_result(trace(values, rate_Hz), **settings)
    return result, " | ".join(each.what for each in findings(result))
