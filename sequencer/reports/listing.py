"""Records as lists show them: one line each, as a document, as CSV. It reads nothing and judges nothing."""

import csv
import io
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from instruments.texts import as_cell, json_value

__all__ = ["SHORT_DIGEST", "Listing", "RecordLine", "listing_csv", "listing_document"]

SHORT_DIGEST = 8
"""Digits of a digest that lists show, and by which a record can be named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordLine:
    """One record as a list shows it.

    Attributes:
        folder: path of it, on the computer where it is kept.
        host: that computer; "" = this one.
        begun: UTC; None = not known.
        verdict: "" = none yet.
        status: how its run ended, or "not over".
        condition: "whole", "altered", "unreadable", "missing" or "copied"; `said` what of it.
        causes: that are named.
        digest: "" = it is not sealed.
        revision: 1 as sealed, one higher with each correction.
        stays: why it may not be removed; "" = it may, or nobody asked.
    """

    folder: str
    host: str
    serial: str
    tag: str
    type: str
    sequence: str
    bench: str
    operator: str
    state: str
    begun: datetime | None
    verdict: str
    status: str
    reason: str
    condition: str
    said: str
    causes: tuple[str, ...]
    instruments: tuple[str, ...]
    digest: str
    revision: int
    is_simulated: bool
    stays: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """A page of records.

    Attributes:
        lines: of the page, in order.
        found_n: how many records there are of what was asked for.
        page: number of the page, from 1; `per_page` records on each.
        spellings: (serial, records) where one that was asked for is written in several ways.
        alike: serials that look like one that was asked for and of which there is no record.
        question: what was asked for, as heading of a list of what may be removed; "" = no such.
        stay_n: of that, how many are old enough and stay, by reason.
    """

    lines: tuple[RecordLine, ...]
    found_n: int
    page: int
    per_page: int
    spellings: tuple[tuple[str, int], ...] = ()
    alike: tuple[str, ...] = ()
    question: str = ""
    stay_n: tuple[tuple[str, int], ...] = ()

    @property
    def pages_n(self) -> int:
        """How many pages there are."""
        return max(-(-self.found_n // self.per_page), 1)


def listing_document(found: Listing) -> dict[str, Any]:
    """A page of records as JSON values."""
    return {
        "records": [json_value(_fields(each)) for each in found.lines],
        "found": found.found_n,
        "page": found.page,
        "pages": found.pages_n,
        "written": [{"serial": serial, "records": number} for serial, number in found.spellings],
        "alike": [*found.alike],
    } | ({"question": found.question, "stay": dict(found.stay_n)} if found.question else {})


def listing_csv(found: Listing) -> str:
    """A page of records as CSV with a heading; no text in it is a formula to a spreadsheet."""
    out = io.StringIO()
    rows = [_fields(each) for each in found.lines]
    names = [name for name in RecordLine.__dataclass_fields__ if name != "stays"]
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([_cell(row[name]) for name in names] for row in rows)
    return out.getvalue()


def _fields(line: RecordLine) -> dict[str, Any]:
    begun = None if line.begun is None else f"{line.begun.isoformat(timespec='milliseconds')}+00:00"
    return asdict(line) | {"begun": begun}


def _cell(value: object) -> str:
    if isinstance(value, Sequence) and not isinstance(value, str):
        return as_cell("; ".join(map(str, value)))
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else as_cell(str(value))
