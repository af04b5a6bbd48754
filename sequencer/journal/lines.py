"""The lines of a journal, held to what a run writes: who reads a record may take its fields as they are.

Only what is read again is looked at. Whether a line is the one that was written shows in its chain (`digest`).
What a later livezero writes beyond that is passed over, and said (`beyond_us`): a record is read as far as it can be.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ValidationError

from instruments.errors import RecordError
from instruments.version import __version__
from sequencer.journal.writer import entries

__all__ = ["addenda_lines", "beyond_us", "end_of", "remedy", "run_lines", "unproved"]


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


class _Correction(_Line):
    tap: str
    signal: float
    raw: str


class _Remark(_Line):
    text: str
    number: int | None = None
    acknowledged: list[str] | None = None


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


_RUN: Mapping[str, type[_Line]] = {
    "opened": _Opened,
    "resumed": _Resumed,
    "identified": _Identified,
    "settled": _Settled,
    "reading": _Reading,
    "correction": _Correction,
    "remark": _Remark,
    "interrupted": _Ended,
    "closed": _Ended,
}
# Written for people, and read by them alone.
_FOR_PEOPLE = {"exchange", "doubt", "safe"}
_ADDENDA: Mapping[str, type[_Line]] = {"remark": _AddedRemark, "correction": _AddedCorrection}


def run_lines(path: Path) -> Iterator[dict[str, Any]]:
    """The lines of the journal of a run; raises RecordError as `entries`, or for a line that no run writes."""
    return _checked(path, _RUN)


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


def unproved(lines: Sequence[dict[str, Any]]) -> tuple[str, ...]:
    """The sources of a run, by name, that it may have driven and that were not proved safe after that.

    What the end of a run says of its outputs is not asked: one that was resumed, and came to no source, says "bench
    fault" of a bench that stands as it was cut off. A simulated bench goes with its process.
    """
    if not lines or lines[0].get("is_simulated"):
        return ()
    sources = [each["name"] for each in lines[0]["instruments"] if each["use"].startswith("sets ")]
    left: dict[str, None] = {}
    for line in lines:
        if line["kind"] in {"identified", "settled", "reading"}:
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


def _checked(path: Path, kinds: Mapping[str, type[_Line]]) -> Iterator[dict[str, Any]]:
    first: dict[str, Any] = {}
    for number, line in enumerate(entries(path), start=1):
        first = first or line
        try:
            kinds.get(str(line["kind"]), _Line).model_validate(line)
        except ValidationError as error:
            name = ".".join(str(each) for each in error.errors()[0]["loc"])
            raise RecordError(
                f"the journal lacks '{name}' as a run writes it",
                where=f"{path}:{number}",
                todo=remedy(first),
            ) from error
        yield line
