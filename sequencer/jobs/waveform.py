"""A file from an oscilloscope, read and told, and written as a page."""

import hashlib
from pathlib import Path

from instruments.errors import RecordError
from sequencer.diagnosis.trace_pair import TracePair, trace_pair
from sequencer.diagnosis.trace_views import trace_views
from sequencer.diagnosis.waveform import TraceResult, trace_result
from sequencer.documents.foot import Foot
from sequencer.jobs.pages import write_page
from sequencer.readings.waveform import TraceFile
from sequencer.readings.waveform_file import read_trace

__all__ = ["compare_traces", "trace"]


def trace(
    path: Path | str,
    *,
    column: str = "",
    interval_s: float | None = None,
    pulses_per_revolution: int | None = None,
    thresholds: tuple[float, float] | None = None,
    page: Path | str | None = None,
) -> TraceResult:
    """What a trace from an oscilloscope (CSV, WAV) says: a pulse train and its faults, or noise and its kind.

    Args:
        path: the file.
        column: name of the column, or number of the channel from 1, times not counted; "" = the first after the time.
        interval_s: from sample to sample, for a file without times.
        pulses_per_revolution: of the wheel.
        thresholds: lower and upper one, in the unit of the trace; None = found.
        page: where a report of it is written as one HTML file; None = nowhere.

    Raises:
        ReadingsError: it cannot be read.
        RecordError: the page cannot be written.
    """
    lower, upper = thresholds or (None, None)
    found = read_trace(Path(path), column=column, interval_s=interval_s)
    result = trace_result(found, pulses_per_revolution=pulses_per_revolution, lower=lower, upper=upper)
    if page is not None:
        _write_page(Path(page), Path(path), found, result)
    return result


def compare_traces(
    first: Path | str,
    second: Path | str,
    *,
    column: str = "",
    interval_s: float | None = None,
    pulses_per_revolution: int | None = None,
    thresholds: tuple[float, float] | None = None,
    page: Path | str | None = None,
) -> TracePair:
    """What changed from one trace to another of the same signal: drive off and on, before and after a filter.

    Args:
        first: a file as `trace` takes it.
        second: the other.
        column: of both, as of `trace`.
        interval_s: of both, for files without times.
        pulses_per_revolution: of the wheel.
        thresholds: lower and upper one that both are counted with; None = as found.
        page: where a report of both is written as one HTML or PDF file; None = nowhere.

    Raises:
        ReadingsError: one cannot be read, or they are in different units.
        RecordError: the page cannot be written.
    """
    traces = [read_trace(Path(each), column=column, interval_s=interval_s) for each in (first, second)]
    pair = trace_pair(*traces, pulses_per_revolution=pulses_per_revolution, thresholds=thresholds)
    if page is not None:
        _write_pair_page(Path(page), (Path(first), Path(second)), (traces[0], traces[1]), pair)
    return pair


def _write_pair_page(page: Path, paths: tuple[Path, Path], found: tuple[TraceFile, TraceFile], pair: TracePair) -> None:
    from sequencer.reports.trace_pair import pair_html  # noqa: PLC0415  jinja2 only where a page is made

    digests = _digest(paths[0], page), _digest(paths[1], page)
    views = trace_views(found[0], pair.first), trace_views(found[1], pair.second)
    names = paths[0].name, paths[1].name
    write_page(
        pair_html(pair, views, files=names, digests=digests),
        page,
        foot=Foot(lines=(f"{names[0]}, {names[1]}", f"SHA-256 {digests[0][:16]}..., {digests[1][:16]}...")),
    )


def _write_page(page: Path, path: Path, found: TraceFile, result: TraceResult) -> None:
    from sequencer.reports.trace import html  # noqa: PLC0415  jinja2 only where a page is made

    digest = _digest(path, page)
    write_page(
        html(result, trace_views(found, result), file=path.name, digest=digest),
        page,
        foot=Foot(lines=(path.name, f"SHA-256 {digest}")),
    )


def _digest(path: Path, page: Path) -> str:
    """SHA-256 of a trace, which the page must not be written over."""
    if page.exists() and page.samefile(path):
        raise RecordError("is the trace itself", where=str(page), todo="write the report elsewhere")
    if not path.is_file():
        return "none: what came through a pipe cannot be read again"
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
