"""A record handed on: as a page on paper, as tables for other programs, as a test report for a customer."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from instruments.benchfile import LoadedBench
from instruments.errors import InputError, LivezeroError, nearest
from sequencer.documents.calibration_certificate import calibration_certificate
from sequencer.documents.customer_report import customer_report
from sequencer.documents.order import Order, load_order
from sequencer.documents.spreadsheet import csv_text, parquet, workbook
from sequencer.documents.stated import Basis, doubts
from sequencer.documents.tables import TABLES, Table, facts_of, tables_of
from sequencer.documents.workshop import load_workshop
from sequencer.inputs.serials import serial_key
from sequencer.jobs.interrupted import kept_bench
from sequencer.jobs.pages import (
    PAGES,
    refuse_inside_record,
    refuse_other_kinds,
    write_bytes,
    write_page,
    write_report,
)
from sequencer.journal.lines import run_lines
from sequencer.record.layout import journal_of, type_sheet_of
from sequencer.record.load import load
from sequencer.record.record import Record
from sequencer.record.unit_log import logged

__all__ = ["Issued", "issue", "write_document"]

_TABLES = (".csv", ".parquet", ".xlsx")
_CERTIFICATE = ".xml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Issued:
    """A test report or certificate as issued.

    Attributes:
        path: where it lies.
        missing: what it says is not stated.
        doubts: what is stated and cannot be so.
    """

    path: Path
    missing: tuple[str, ...]
    doubts: tuple[str, ...]


def write_document(record: Record, path: Path, *, table: str = "") -> Path:
    """Write a record as what the name of the file says: a page (.pdf, .html), tables (.xlsx), one (.parquet, .csv).

    Args:
        record: read back.
        path: of the file, not inside a record.
        table: which one, of `TABLES`; "" = the visits, or the readings where nothing was evaluated.

    Returns:
        The path.

    Raises:
        InputError: no such kind of file or table, or a library is not installed.
        RecordError: it cannot be written.
    """
    refuse_inside_record(path)
    kind = refuse_other_kinds(path, (*PAGES, *_TABLES))
    if kind in PAGES:
        return write_report(record.content, path)
    tables, facts = tables_of(record.content, record.readings), facts_of(record.content)
    if kind == ".xlsx":
        wanted = tables if not table else {table: _one(tables, table, record)}
        return write_bytes(workbook(wanted, facts), path)
    one = _one(tables, table or ("visits" if "visits" in tables else "readings"), record)
    return write_bytes(csv_text(one).encode("utf-8") if kind == ".csv" else parquet(one, facts), path)


def _one(tables: dict[str, Table], name: str, record: Record) -> Table:
    if name not in TABLES:
        guess = nearest(name, TABLES)
        raise InputError(
            f'there is no table "{name}"', allowed=", ".join(TABLES), todo=f'write "{guess}"' if guess else ""
        )
    if name not in tables:
        why = "nothing was evaluated" if record.evaluation is None else "there is nothing in it"
        raise InputError(
            f'the record has no table "{name}": {why}', where=str(record.folder), allowed=", ".join(tables) or "none"
        )
    return tables[name]


def issue(record: Record, path: Path, *, order: Path | None = None, template: str = "", language: str = "") -> Issued:
    """Issue the test report of a record for a customer (.pdf, .html), or its Digital Calibration Certificate (.xml).

    Args:
        record: read back; sealed, and not altered.
        path: of the file, which must not be there: an issued report is never overwritten.
        order: file of what the record does not know; None = nothing of it is known.
        template: of the workshop, by path or name; "" = none.
        language: "en", "de" or "es"; "" = that of the template.

    Raises:
        InputError: a fault of a file, or the file is there already.
        RecordError: no report can be issued of this record.
    """
    refuse_inside_record(path)
    kind = refuse_other_kinds(path, (*PAGES, _CERTIFICATE))
    if path.exists():
        raise InputError(
            "is there already; an issued report is never overwritten",
            where=str(path),
            todo='name another file; a correction is a new revision with "amends" in the order',
        )
    given = Basis(
        content=record.content,
        sheet=type_sheet_of(record.folder),
        bench=_bench(record),
        order=load_order(order) if order is not None else Order(),
        workshop=load_workshop(template, code=language),
        issued=datetime.now(UTC).date().isoformat(),
        tag=str(next(iter(run_lines(journal_of(record.folder)))).get("tag", "")),
    )
    given = _with_earlier(given, record)
    if kind == _CERTIFICATE:
        ended = max((str(each) for each in record.readings["at"]), default="")
        written = write_bytes(calibration_certificate(given, ended=ended), path)
        return Issued(path=written, missing=(), doubts=tuple(doubts(given)))
    made = customer_report(given)
    write_page(made.page, path, foot=made.foot)
    return Issued(path=path, missing=made.missing, doubts=tuple(doubts(given)))


def _with_earlier(given: Basis, record: Record) -> Basis:
    """With the as-found run that it is set beside: its results rest on its own bench, instruments and person."""
    if record.content.before is None or not record.content.before_folder:
        return given
    before = load(record.folder.parent / Path(record.content.before_folder).name, seeks_causes=False)
    between = (before.content.date, record.content.date)
    repairs = tuple(
        (str(each["date"])[:10], "; ".join(filter(None, (each["part"], each.get("text", "")))))
        for each in logged(record.folder.parent)
        if each["kind"] == "repair"
        and serial_key(each["serial"]) == serial_key(record.content.serial)
        and between[0][:10] <= str(each["date"])[:10] <= between[1][:10]
    )
    return replace(given, earlier=replace(given, content=before.content, bench=_bench(before)), repairs=repairs)


def _bench(record: Record) -> LoadedBench | None:
    """The bench as the record keeps it; None where it cannot be had, as of an older record."""
    try:
        return kept_bench(record.folder, next(iter(run_lines(journal_of(record.folder)))))
    except LivezeroError:
        return None
