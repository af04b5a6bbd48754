"""The lines of a journal, held to what a run writes: who reads a record may take its fields as they are.

Only what is read again is looked at. Whether a line is the one that was written shows in its chain (`digest`).
What a later livezero writes beyond that is passed over, and said (`beyond_us`): a record is read as far as it can be.
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ValidationError

from instruments.errors import RecordError
from instruments.version import __version__
from sequencer.journal.writer import chained_lines, entries

__all__ = [
    "Whole",
    "addenda_lines",
    "beyond_us",
    "end_of",
    "identities_of",
    "remedy",
    "run_lines",
    "unit_log_lines",
    "unproved",
    "whole_lines",
]


def _instant(text: str) -> str:
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("a date with its time zone")
    return text


_Instant = Annotated[str, AfterValidator(_instant)]


class _Line(BaseModel, strict=True):
    """Of every line: when it was written, where it says so."""

    kind: str
    at: _Instant | None = None
    date: _Instant | None = None


class _InstrumentSaid(BaseModel, strict=True):
    name: str
    what: str
    resource: str
    use: str
    certificate: str = ""
    calibrated: str = ""
    due: str = ""


class _Receiver(BaseModel, strict=True):
    resolution: float | None
    takes_s: float | None


class _Opened(_Line):
    date: _Instant
    serial: str
    operator: str
    state: str
    type: str
    sequence: str
    standard: str
    bench: str
    is_simulated: bool
    instruments: list[_InstrumentSaid]
    cautions: list[str]
    warnings: list[str]
    planned_n: int
    versions: dict[str, str]
    as_found: dict[str, str] | None = None
    receivers: dict[str, _Receiver] | None = None
    inputs: dict[str, str] | None = None
    described: list[str] | None = None
    backend: str | None = None
    left_out: list[int] | None = None
    left_out_named: str = ""
    tag: str = ""
    batch: dict[str, str | int | None] | None = None


class _Resumed(_Line):
    date: _Instant
    gap_s: float
    cycle: int | None
    from_point: int | None
    is_new_simulation: bool
    operator: str


class _Identified(_Line):
    identities: dict[str, str]


class _Settled(_Line):
    number: int
    state: str
    after_s: float | None
    to_go: float | None
    trace: list[list[float | None]]


class _Reading(_Line):
    serial: str
    number: int
    step: int
    step_name: str
    cycle: int
    direction: str
    point: int
    role: str
    attempt: int
    reading: int
    tap: str
    setpoint_pct: float
    commanded: float
    value: float | None
    unit: str
    signal: float | None
    signal_unit: str
    at_s: float
    settling: str
    settle_s: float | None
    to_go: float | None
    instrument: str
    range: str
    note: str
    raw: str
    set_at_s: float | None = None
    under: str = ""


class _Held(_Line):
    quantity: str
    level: str


class _Visited(_Line):
    number: int
    attempt: int


class _Discarded(_Line):
    number: int
    attempt: int


class _Answer(_Line):
    number: int
    step: int
    text: str
    answer: str
    value: float | None
    unit: str


class _Correction(_Line):
    tap: str
    signal: float
    raw: str
    number: int | None = None  # of its point; of records before that, the last reading at the tap
    attempt: int | None = None
    reading: int | None = None


class _Remark(_Line):
    text: str
    number: int | None = None
    acknowledged: list[str] | None = None


class _Dropped(_Line):
    reason: str


class _Ended(_Line):
    status: str
    reason: str


class _Added(_Line):
    date: _Instant
    by: str


class _AddedRemark(_Added):
    text: str


class _AddedCorrection(_Added):
    why: str
    number: int
    attempt: int
    reading: int
    tap: str
    signal: float
    value: float
    raw: str
    signal_unit: str
    before: float | None
    revision: int | None = None
    replaces: str = ""


class _Resealed(_Added):
    why: str
    was: str


class _OfUnit(_Added):
    id: str
    serial: str


class _Repair(_OfUnit):
    part: str
    text: str


class _Baseline(_OfUnit):
    name: str
    type: str
    folder: str
    digest: str
    why: str


_RUN: Mapping[str, type[_Line]] = {
    "opened": _Opened,
    "resumed": _Resumed,
    "identified": _Identified,
    "settled": _Settled,
    "reading": _Reading,
    "correction": _Correction,
    "remark": _Remark,
    "visited": _Visited,
    "discarded": _Discarded,
    "answer": _Answer,
    "dropped": _Dropped,
    "held": _Held,
    "interrupted": _Ended,
    "closed": _Ended,
    "resealed": _Resealed,
}
# Written for people, and read by them alone.
_FOR_PEOPLE = {"exchange", "doubt", "safe"}
_LOST = "lost"
_ADDENDA: Mapping[str, type[_Line]] = {"remark": _AddedRemark, "correction": _AddedCorrection}
_UNIT_LOG: Mapping[str, type[_Line]] = {"repair": _Repair, "baseline": _Baseline}


def run_lines(path: Path, raw: bytes | None = None) -> Iterator[dict[str, Any]]:
    """The lines of the journal of a run, as `entries`; raises RecordError as that, or for a line that no run writes."""
    return _checked(path, _RUN, raw)


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    """What is left of the journal of a run.

    Args:
        lines: in order, without their chain; of the kind "lost" where others stood that not people alone read.
        lost: what is not left, each with its line in the file.
    """

    lines: tuple[dict[str, Any], ...]
    lost: tuple[str, ...]

    @property
    def is_for_people(self) -> bool:
        """What is lost was read by people alone: no figure follows from it."""
        return not any(line["kind"] == _LOST for line in self.lines)


def whole_lines(path: Path) -> Whole:
    """The lines of the journal of a run that are as they were written, past what is damaged.

    A line that can be read and is not the one that was written is lost too: a digit in it may have changed.

    Raises:
        RecordError: missing, or unreadable as a whole.
    """
    lines: list[dict[str, Any]] = []
    lost: list[str] = []
    unread_n = 0
    for each in chained_lines(path):
        if len(each.missing) > unread_n:
            lost.append(f"before line {each.number}: {len(each.missing) - unread_n} missing")
            lines.append({"kind": _LOST})
        unread_n = 0
        entry = _read(each.text)
        if entry and not each.fault:
            lines.append(entry)
            continue
        lost.append(f"line {each.number}: {each.fault if entry else 'cannot be read'}")
        if not any(each.text.startswith(f'{{"kind": "{kind}"'.encode()) for kind in _FOR_PEOPLE - {"safe"}):
            lines.append({"kind": _LOST})
        unread_n += 1
    return Whole(lines=tuple(lines), lost=tuple(lost))


def _read(text: bytes) -> dict[str, Any]:
    """A line as a run writes it, without its chain; empty if it is none."""
    try:
        entry = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    if not isinstance(entry, dict) or "kind" not in entry or _lacking(entry, _RUN):
        return {}
    entry.pop("chain", None)
    return entry


def beyond_us(lines: Sequence[dict[str, Any]]) -> str:
    """What of a journal this livezero cannot read, since a later one wrote it; "" if nothing."""
    unknown = sorted({str(line["kind"]) for line in lines} - _RUN.keys() - _FOR_PEOPLE)
    writer = _writer(lines[0]) if lines else ""
    if not unknown and not _order(writer) > _order(__version__):
        return ""
    what = (
        f"lines of the kind {', '.join(unknown)} are passed over" if unknown else "what is new in that is passed over"
    )
    return f"written by livezero {writer or 'of no version'}, read by {__version__}: {what}"


def remedy(opened: Mapping[str, Any]) -> str:
    """What to do about a journal that lacks something, by its first line."""
    writer = _writer(opened)
    if writer in {"", __version__}:
        return "it was altered, or is not ours"
    return f"read it with livezero {writer}, which wrote it; this is {__version__}"


def _writer(opened: Mapping[str, Any]) -> str:
    """The version that wrote a journal, by its first line; "" if that does not say."""
    versions = opened.get("versions")
    return str(versions.get("livezero", "")) if isinstance(versions, dict) else ""


def _order(version: str) -> list[int]:
    return [int(each) for each in re.findall(r"\d{1,9}", version)[:3]]


def end_of(lines: Sequence[dict[str, Any]]) -> dict[str, Any] | None:
    """The line that a run left when it ended: "closed", or "interrupted" if it can go on; None if it was cut off."""
    last = next((line for line in reversed(lines) if line["kind"] in {"resumed", "interrupted", "closed"}), None)
    return None if last is None or last["kind"] == "resumed" else last


def identities_of(lines: Sequence[dict[str, Any]]) -> dict[str, str]:
    """What each instrument of a run said last that it is, by its name; empty if none was asked."""
    return next((line["identities"] for line in reversed(lines) if line["kind"] == "identified"), {})


def unproved(lines: Sequence[dict[str, Any]]) -> tuple[str, ...]:
    """The sources of a run, by name, that it may have driven and that were not proved safe after that.

    A line that is lost (`whole_lines`) may have been one that drove them.

    What the end of a run says of its outputs is not asked: one that was resumed, and came to no source, says "bench
    fault" of a bench that stands as it was cut off. A simulated bench goes with its process.
    """
    if not lines or lines[0].get("is_simulated"):
        return ()
    sources = [each["name"] for each in lines[0]["instruments"] if each["use"].startswith("sets ")]
    left: dict[str, None] = {}
    for line in lines:
        if line["kind"] in {"identified", "settled", "reading", _LOST}:
            left = dict.fromkeys(sources)
        elif line["kind"] == "safe":
            left.pop(str(line.get("instrument")), None)
        elif line["kind"] == "remark":
            for name in line.get("acknowledged") or ():
                left.pop(str(name), None)
    return tuple(left)


def addenda_lines(path: Path) -> Iterator[dict[str, Any]]:
    """What was added to a record after it was sealed; raises RecordError as `run_lines`."""
    return _checked(path, _ADDENDA)


def unit_log_lines(path: Path) -> Iterator[dict[str, Any]]:
    """What was done to units between their runs; raises RecordError as `run_lines`."""
    return _checked(path, _UNIT_LOG)


def _checked(path: Path, kinds: Mapping[str, type[_Line]], raw: bytes | None = None) -> Iterator[dict[str, Any]]:
    first: dict[str, Any] = {}
    for number, line in enumerate(entries(path, raw), start=1):
        first = first or line
        if name := _lacking(line, kinds):
            raise RecordError(
                f"the journal lacks '{name}' as a run writes it", where=f"{path}:{number}", todo=remedy(first)
            )
        yield line


def _lacking(line: Mapping[str, Any], kinds: Mapping[str, type[_Line]]) -> str:
    """The field of a line that is missing, or not as it is written; "" if none is."""
    try:
        kinds.get(str(line["kind"]), _Line).model_validate(line)
    except ValidationError as error:
        return ".".join(str(each) for each in error.errors()[0]["loc"])
    return ""
