"""Reports and comparisons written as pages, never through a link and never into a sealed part of a record."""

from pathlib import Path

from instruments.errors import RecordError
from instruments.texts import as_json
from sequencer.diagnosis.batch import BatchContent
from sequencer.diagnosis.comparison import Comparison
from sequencer.diagnosis.result import Content
from sequencer.record.batch import PAGE, RESULT
from sequencer.record.layout import JOURNAL, REPORT
from sequencer.record.load import load

__all__ = ["report", "report_path", "write_batch", "write_comparison", "write_page", "write_report"]


def report(folder: Path | str) -> Path:
    """Write the report of a record again; returns its path, raises RecordError."""
    return write_report(load(Path(folder)).content, report_path(Path(folder)))


def report_path(folder: Path) -> Path:
    """Where the report of a record goes; a link in its place is taken away, so that nothing is written through it.

    Raises:
        RecordError: it cannot be taken away.
    """
    path = folder / REPORT
    try:
        if path.is_symlink() or path.is_fifo():
            path.unlink()
    except OSError as error:
        raise RecordError(
            f"a link stands in place of the report: {error.strerror}", where=str(path), todo="take it away"
        ) from error
    return path


def write_report(content: Content, path: Path) -> Path:
    """Write a report as one HTML file; returns its path, raises RecordError."""
    from sequencer.reports.html import html  # noqa: PLC0415  jinja2 only where a page is made

    return write_page(html(content), path)


def write_comparison(compared: Comparison, path: Path) -> Path:
    """Write a comparison as one HTML file; returns its path, raises RecordError. Never inside a record."""
    from sequencer.reports.side_by_side import html  # noqa: PLC0415  jinja2 only where a page is made

    if any((folder / JOURNAL).exists() for folder in path.resolve().parents):
        raise RecordError("lies inside a record", where=str(path), todo="write it elsewhere; a record stays as it is")
    return write_page(html(compared), path)


def write_batch(content: BatchContent, folder: Path) -> Path:
    """Write a batch as one HTML file and as a document, in its folder; returns the page, raises RecordError."""
    from sequencer.reports.batch import batch_document, html  # noqa: PLC0415  jinja2 only where a page is made

    for path in (folder / PAGE, folder / RESULT):
        if path.is_symlink():
            path.unlink()
    write_page(as_json(batch_document(content), indent=1) + "\n", folder / RESULT)
    return write_page(html(content), folder / PAGE)


def write_page(text: str, path: Path) -> Path:
    """Write a page; returns its path, raises RecordError."""
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RecordError(
            f"the report cannot be written: {error.strerror}", where=str(path), todo="check disk and rights"
        ) from error
    return path
