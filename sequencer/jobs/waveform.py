"""A file from an oscilloscope, read and told."""

from pathlib import Path

from sequencer.diagnosis.waveform import TraceResult, trace_result
from sequencer.readings.waveform_file import read_trace

__all__ = ["trace"]


def trace(
    path: Path | str,
    *,
    column: str = "",
    interval_s: float | None = None,
    pulses_per_revolution: int | None = None,
    thresholds: tuple[float, float] | None = None,
) -> TraceResult:
    """What a trace from an oscilloscope (CSV, WAV) says: a pulse train and its faults, or noise and its kind.

    Args:
        path: the file.
        column: name of the column, or number of the channel from 1; "" = the first after the time.
        interval_s: from sample to sample, for a file without times.
        pulses_per_revolution: of the wheel.
        thresholds: lower and upper one, in the unit of the trace; None = found.

    Raises:
        ReadingsError: it cannot be read, or the thresholds do not lie in it.
    """
    lower, upper = thresholds or (None, None)
    found = read_trace(Path(path), column=column, interval_s=interval_s)
    return trace_result(found, pulses_per_revolution=pulses_per_revolution, lower=lower, upper=upper)
