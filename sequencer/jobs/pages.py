"""Reports and comparisons written as pages, HTML or PDF; never through a link, never into a sealed part of a record."""

from os import PathLike
from pathlib import Path

from instruments.errors import InputError, RecordError
from instruments.texts import as_json
from sequencer.diagnosis.batch import BatchContent
from sequencer.diagnosis.compared import Comparison
from sequencer.diagnosis.result import Content
from sequencer.documents.foot import Foot, foot_of, line
from sequencer.record.batch import PAGE, RESULT
from sequencer.record.layout import JOURNAL, REPORT
from sequencer.record.load import load
from sequencer.reports.as_text import date
from sequencer.reports.words import SIMULATED

__all__ = [
    "PAGES",
    "refuse_inside_record",
    "refuse_other_kinds",
    "report",
    "report_path",
    "write_batch",
    "write_bytes",
    "write_comparison",
    "write_page",
    "write_report",
]

PAGES = (".pdf", ".html")


def report(folder: PathLike[str] | str) -> Path:
    """Write the report of a record again; returns its path, raises RecordError.

    Example:
        >>> sequencer.report(sequencer.open("GF-104")).name
        'report.html'
    """
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
    """Write a report as one HTML file, or as PDF by its name; returns its path, raises RecordError."""
    from sequencer.reports.html import html  # noqa: PLC0415  jinja2 only where a page is made

    return write_page(html(content), path, foot=foot_of(content))


def write_comparison(compared: Comparison, path: Path) -> Path:
    """Write a comparison as a page, HTML or PDF; returns its path, raises RecordError. Never inside a record."""
    from sequencer.reports.side_by_side import html  # noqa: PLC0415  jinja2 only where a page is made

    refuse_inside_record(path)
    sides = [foot_of(side.content) for side in (compared.a, compared.b)]
    foot = Foot(lines=tuple(line(*each.lines) for each in sides), banner=sides[0].banner or sides[1].banner)
    return write_page(html(compared), path, foot=foot)


def refuse_other_kinds(path: Path, allowed: tuple[str, ...] = PAGES) -> str:
    """Refuse a file whose name does not say what to write; returns its ending. Raises InputError."""
    kind = path.suffix.lower()
    if kind not in allowed:
        raise InputError(
            f'"{path.name}" does not say what to write', allowed=f"a name that ends in {', '.join(allowed)}"
        )
    return kind


def refuse_inside_record(path: Path) -> None:
    """Refuse to write what is no part of a record into one; raises RecordError."""
    if any((folder / JOURNAL).exists() for folder in path.resolve().parents):
        raise RecordError("lies inside a record", where=str(path), todo="write it elsewhere; a record stays as it is")


def write_batch(content: BatchContent, folder: Path, *, to: Path | None = None) -> Path:
    """Write a batch as a page and as a document, in its folder; returns the page, raises RecordError.

    `to` is a page elsewhere, HTML or PDF, in place of that in its folder.
    """
    from sequencer.reports.batch import batch_document, html  # noqa: PLC0415  jinja2 only where a page is made

    if to is not None:
        refuse_inside_record(to)
        refuse_other_kinds(to)
    for path in (folder / PAGE, folder / RESULT):
        if path.is_symlink():
            path.unlink()
    write_bytes(f"{as_json(batch_document(content), indent=1)}\n".encode(), folder / RESULT)
    foot = Foot(
        lines=(line(content.name, date(content.date), content.type),),
        banner=SIMULATED if content.is_simulated else "",
    )
    return write_page(html(content), to or folder / PAGE, foot=foot)


def write_page(text: str, path: Path, *, foot: Foot) -> Path:
    """Write a page as it is, or typeset as PDF by the name of its file; returns its path.

    Raises:
        RecordError: it cannot be written.
        InputError: the typesetter is not installed.
    """
    if path.suffix.lower() != ".pdf":
        return write_bytes(text.encode("utf-8"), path)
    from sequencer.documents.pdf import pdf  # noqa: PLC0415  the typesetter only where paper is asked for

    return write_bytes(pdf(text, foot), path)


def write_bytes(data: bytes, path: Path) -> Path:
    """Write a file whole; returns its path, raises RecordError."""
    try:
        path.write_bytes(data)
    except OSError as error:
        raise RecordError(
            f"the report cannot be written: {error.strerror}", where=str(path), todo="check disk and rights"
        ) from error
    return path
