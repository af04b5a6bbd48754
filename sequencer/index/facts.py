"""What the index keeps of a record, read from its folder: each file once, for its digest and for what stands in it.

Of a sealed record figures and verdict are those that were sealed; only where readings were corrected since are they
computed again. A record that was altered is told, and what can be read of it is there all the same.
"""

import json
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from instruments.errors import LivezeroError, RecordError
from sequencer.index.rows import (
    Row,
    amendments,
    causes,
    deeds,
    errors,
    figures,
    instruments,
    stages,
    step_results,
    utc,
)
from sequencer.inputs.serials import serial_key
from sequencer.record.addenda import added
from sequencer.record.digest import alterations, is_another_seal, lost_seal, sealed_digest
from sequencer.record.layout import ADDENDA, DIGEST, FIGURES, JOURNAL, SALVAGED
from sequencer.record.load import load
from sequencer.record.sealed import Sealed, read_sealed
from sequencer.reports.json_document import document

__all__ = ["Facts", "Stamp", "changed_ns_of", "facts_of", "stamp_of"]

_SETTLED_NS = 2_000_000_000  # a folder that was changed later than that before may be changed again unseen
_TOLD = re.compile(rb'^\{"kind": "(?:identified|resumed|interrupted|closed|remark|resealed)".*$', re.MULTILINE)
_WRONG = (ArithmeticError, AttributeError, LookupError, OSError, RecursionError, TypeError, ValueError)


@dataclass(frozen=True, slots=True)
class Stamp:
    """What shows that a folder was changed: a file made in it or written over, or one that is appended to grown.

    Attributes:
        changed_ns: as `changed_ns_of`.
        addenda_bytes: size of its addenda.
        journal_bytes: size of its journal; 0 of one that is sealed and so cannot grow.
    """

    changed_ns: int
    addenda_bytes: int
    journal_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """A record as rows of the tables.

    Attributes:
        stamp: of the folder, from before it was read.
        record: of the table `records`, without its place and number.
        parts: rows of the tables that hang on it, by name of the table.
    """

    stamp: Stamp
    record: Row
    parts: Mapping[str, list[Row]] = field(default_factory=dict)


def stamp_of(folder: Path, *, changed_ns: int | None = None, with_journal: bool = True) -> Stamp:
    """The stamp of a folder as it is now; raises OSError if it is gone.

    Args:
        folder: of the record.
        changed_ns: its time of change, where that is known already.
        with_journal: False where the record is known to be sealed.
    """
    changed = changed_ns_of(folder, folder.stat().st_mtime_ns) if changed_ns is None else changed_ns
    return Stamp(changed, _size(folder / ADDENDA), _size(folder / JOURNAL) if with_journal else 0)


def changed_ns_of(folder: Path | str, made_ns: int) -> int:
    """When a record was changed last: a file in it made or taken away, or one that the verdict rests on written over.

    Args:
        folder: of the record.
        made_ns: time of change of the folder itself.
    """
    latest = made_ns
    for name in (JOURNAL, FIGURES, DIGEST):
        try:
            latest = max(latest, os.stat(f"{folder}/{name}").st_mtime_ns)  # noqa: PTH116  thousands of them
        except OSError:
            continue
    return latest


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def facts_of(folder: Path, *, now_ns: int, known: str = "") -> Facts:
    """What the index keeps of a record.

    Args:
        folder: of the record.
        now_ns: the time; a folder that was changed just before it is to be looked at again.
        known: digest that the index has it sealed with; "" = none. It stays in the index where the record has another.

    Raises:
        RecordError: there is no record: neither journal nor digest.
    """
    stamp = stamp_of(folder)
    if now_ns - stamp.changed_ns < _SETTLED_NS:
        stamp = Stamp(0, stamp.addenda_bytes, stamp.journal_bytes)
    if not (folder / DIGEST).exists():
        return _open(folder, stamp, known)
    try:
        sealed = read_sealed(folder)
    except LivezeroError as error:
        return _unreadable(folder, stamp, error)
    is_other = is_another_seal(folder, sealed.sha256, known)
    is_whole = sealed.is_whole and not is_other
    condition, said = ("whole", "") if is_whole else ("altered", _first_alteration(folder, known))
    if is_other:
        sealed = replace(sealed, sha256=known)
    try:
        return _of_sealed(folder, Stamp(stamp.changed_ns, stamp.addenda_bytes, 0), sealed, condition, said)
    except LivezeroError as error:
        return _unreadable(folder, stamp, error, digest=sealed.sha256)
    except _WRONG as error:
        return _unreadable(
            folder, stamp, RecordError(_what_of(error), where=str(folder / JOURNAL)), digest=sealed.sha256
        )


def _what_of(error: Exception) -> str:
    """What is wrong with a file, in words of ours."""
    return f"lacks {error}" if isinstance(error, LookupError) else "is damaged: it is not what a run writes"


def _first_alteration(folder: Path, known: str) -> str:
    try:
        found = alterations(folder, known=known)
    except LivezeroError as error:
        return error.what
    more = f" and {len(found) - 1} more" if len(found) > 1 else ""
    return f"{found[0]}{more}" if found else "its digest does not fit"


def _of_sealed(folder: Path, stamp: Stamp, sealed: Sealed, condition: str, said: str) -> Facts:
    opened = _opened(sealed.journal)
    lines = [opened, *_told(sealed.journal)]
    kept = _figures_of(folder, sealed.figures)
    more = added(folder) if stamp.addenda_bytes else []
    corrections_n = sum(each["kind"] == "correction" for each in more)
    found = (
        json.loads(json.dumps(document(load(folder, held={JOURNAL: sealed.journal}).content)))
        if corrections_n
        else kept
    )
    record = _record(folder, opened, found) | {
        "sealed_verdict": str((kept.get("verdict") or {}).get("result", "")),
        "digest": sealed.sha256,
        "revision": 1 + sum(each["kind"] == "resealed" for each in lines) + corrections_n,
        "condition": condition,
        "said": said,
    }
    has_strange = bool(more) or _is_strange(sealed.figures) or _is_strange(sealed.journal.partition(b"\n")[0])
    return _whole(stamp, record, lines, more, found, has_strange=has_strange)


def _open(folder: Path, stamp: Stamp, known: str) -> Facts:
    """A record that is not sealed: what its journal says so far; or one whose seal is lost."""
    try:
        raw = (folder / JOURNAL).read_bytes()
        opened = _opened(raw)
    except OSError as error:
        raise RecordError("is no record", where=str(folder)) from error
    except _WRONG as error:
        return _unreadable(folder, stamp, RecordError(f"its first line {_what_of(error)}", where=str(folder / JOURNAL)))
    lines = [opened, *_told(raw)]
    end = lines[-1] if lines[-1]["kind"] in {"interrupted", "closed"} else {}
    if lost := lost_seal(folder, raw, known=known):
        try:
            kept = _figures_of(folder, (folder / FIGURES).read_bytes())
        except (OSError, RecordError):
            kept = {}
        record = _record(folder, opened, kept) | {"digest": known, "condition": "altered", "said": lost}
        return _whole(stamp, record, lines, [], kept, has_strange=True)
    record = _record(folder, opened, {}) | {
        "status": "salvaged" if (folder / SALVAGED).exists() else "not over",
        "reason": str(end.get("reason", "cut off, or still going on")),
    }
    return _whole(stamp, record, lines, [], {}, has_strange=True)


def _whole(stamp: Stamp, record: Row, lines: list[Row], more: list[Row], found: Row, *, has_strange: bool) -> Facts:
    of_run = list(deeds(lines))
    sealed_n = 1 + sum(bool(each["revision"]) for each in of_run)
    parts = {
        "figures": [*figures(found), *stages(found), *step_results(found)],
        "errors": list(errors(found)),
        "instruments": list(instruments(lines)),
        "causes": list(causes(found)),
        "deeds": [*of_run, *amendments(more, record["digest"], revision=sealed_n)],
    }
    record |= _of_stamp(stamp) | {"words": _words(record, parts, found)}
    for rows in parts.values():
        for number, row in enumerate(rows, start=1):
            row["number"] = number
    facts = Facts(stamp=stamp, record=record, parts=parts)
    return _cleaned(facts) if has_strange else facts


def _unreadable(folder: Path, stamp: Stamp, error: LivezeroError, *, digest: str = "") -> Facts:
    """A record of which no more is known than whose it is, by its journal or else by its figures."""
    if not digest:
        try:
            digest = sealed_digest(folder)
        except LivezeroError:
            digest = ""
    try:
        record = _record(folder, _whose(folder), {})
    except _WRONG:
        record = _record(folder, {}, {})
    record |= {
        "status": "",
        "digest": digest,
        "condition": "unreadable",
        "said": f"{Path(error.where).name}: {error.what}" if error.where else error.what,
    }
    words = (folder.name, *(str(record[name]) for name in ("serial", "tag", "type", "sequence", "bench", "operator")))
    record |= _of_stamp(stamp) | {"words": "\n".join(filter(None, words)).casefold()}
    return _cleaned(Facts(stamp=stamp, record=record))


def _whose(folder: Path) -> Row:
    """What the first line of a journal says, or else the figures; {} where neither can be read."""
    for name, read in ((JOURNAL, _opened), (FIGURES, lambda raw: dict(json.loads(raw)))):
        try:
            found = read((folder / name).read_bytes())
        except _WRONG:
            continue
        return {key: value for key, value in found.items() if isinstance(value, str | bool)}
    return {}


def _figures_of(folder: Path, raw: bytes) -> Row:
    """The document of the figures, {} where there is none; raises RecordError if it is damaged."""
    try:
        return dict(json.loads(raw)) if raw else {}
    except (TypeError, ValueError, RecursionError) as error:
        raise RecordError(_what_of(error), where=str(folder / FIGURES)) from error


def _of_stamp(stamp: Stamp) -> Row:
    return {name: getattr(stamp, name) for name in ("changed_ns", "addenda_bytes", "journal_bytes")}


def _opened(raw: bytes) -> Row:
    """The first line of a journal; raises ValueError or LookupError if it is none."""
    opened = json.loads(raw.partition(b"\n")[0])
    if opened["kind"] != "opened":
        raise LookupError("the line that a run begins with")
    return dict(opened)


def _told(raw: bytes) -> Iterator[Row]:
    """The lines of a journal that tell how the run went, past those of its readings."""
    for found in _TOLD.finditer(raw):
        try:
            yield json.loads(found[0])
        except (ValueError, RecursionError):  # damaged, or cut off: the condition of the record says so
            continue


def _record(folder: Path, opened: Row, found: Row) -> Row:
    serial = str(opened.get("serial", ""))
    date = opened.get("date")
    batch = opened.get("batch")
    verdict = (found.get("verdict") or {}).get("result", "")
    return {
        "folder": folder.name,
        "serial": serial,
        "serial_key": serial_key(serial),
        "tag": str(opened.get("tag", "")),
        **{name: str(opened.get(name, "")) for name in ("type", "sequence", "standard", "bench", "operator", "state")},
        "batch": str(batch.get("name", "")) if isinstance(batch, dict) else "",
        "is_simulated": bool(found.get("is_simulated", opened.get("is_simulated", False))),
        "started_at": None if date is None else utc(str(date)),
        "verdict": str(verdict),
        "sealed_verdict": "",
        "status": str(found.get("status", "")),
        "reason": str(found.get("reason", "")),
        "output_unit": str(found.get("output_unit", "")),
        "output_span": found.get("output_span"),
        "tolerance": str(found.get("tolerance", "")),
        "digest": "",
        "before": str((opened.get("as_found") or {}).get("sha256", "")),
        "revision": 1,
        "condition": "whole",
        "said": "",
    }


def _words(record: Row, parts: Mapping[str, list[Row]], found: Row) -> str:
    """All that is looked through for a text, in small letters."""
    said = [
        *(record[name] for name in ("folder", "serial", "tag", "type", "sequence", "bench", "operator", "reason")),
        str(found.get("advice", "")),
        str((found.get("findings") or {}).get("cause", "")),
        *map(str, found.get("remarks") or ()),
        *(each["text"] for each in parts["deeds"]),
    ]
    return "\n".join(dict.fromkeys(said)).casefold()


def _is_strange(raw: bytes) -> bool:
    """There may be what `_clean` takes out, as JSON writes it."""
    return not raw.isascii() or any(each in raw for each in (b"\\u0000", b"\\ud", b"\\uD"))


def _cleaned(facts: Facts) -> Facts:
    """Without what no database takes: the letter 0, and halves of letters."""
    parts = {
        name: [{key: _clean(value) for key, value in row.items()} for row in rows] for name, rows in facts.parts.items()
    }
    return replace(facts, record={name: _clean(value) for name, value in facts.record.items()}, parts=parts)


def _clean(value: Any) -> Any:  # noqa: ANN401  of a row
    if value.__class__ is not str or (value.isascii() and "\0" not in value):
        return value
    return value.replace("\0", "\ufffd").encode("utf-8", "replace").decode("utf-8")
