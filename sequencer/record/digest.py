"""Whether a record is what was sealed: digests of its files, and the chain of its journal. It computes no figure.

The digest shows any change against the number that a report prints; the chain shows which line of the journal it was.
Neither keeps a forger off who writes all of it again: what does is a digest that is kept elsewhere, such as on paper.
"""

import hashlib
import json
import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from instruments.errors import RecordError
from sequencer.journal.writer import chain_faults, read_journal
from sequencer.record.layout import ADDENDA, DIGEST, FIGURES, INPUTS, JOURNAL, REPORT, SALVAGED, UNSEALED, is_sealed

__all__ = [
    "alterations",
    "as_sealed",
    "covered",
    "digest_of",
    "inputs_of",
    "is_another_seal",
    "lost_seal",
    "sealed_digest",
]

# Made from the record, or added to it after it was sealed, and chained to its digest.
_NOT_COVERED = {DIGEST, f"{DIGEST}.new", REPORT, ADDENDA, SALVAGED, UNSEALED}


_BLOCK = 1 << 20


def _sha256(path: str) -> str:
    """Of a file, in blocks whatever its size; plain calls, as a look at all records makes a million of them."""
    number = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    try:
        block = os.read(number, _BLOCK)
        found = hashlib.sha256(block)
        while len(block) and (block := os.read(number, _BLOCK)):
            found.update(block)
    finally:
        os.close(number)
    return found.hexdigest()


def _together(files: dict[str, str]) -> str:
    return hashlib.sha256("".join(f"{digest}  {name}\n" for name, digest in files.items()).encode()).hexdigest()


def digest_of(folder: Path, held: Mapping[str, bytes] = {}) -> dict[str, Any]:
    """SHA-256 of each file that is covered, by name ("files"), and of all these together ("sha256").

    Args:
        folder: of the record.
        held: files that were read already, by name.
    """
    at = f"{folder}{os.sep}"
    files = {
        name: hashlib.sha256(held[name]).hexdigest() if name in held else _sha256(f"{at}{name}")
        for name in covered(folder)
    }
    return {"sha256": _together(files), "files": files}


def covered(folder: Path) -> list[str]:
    """The files of a record that its digest covers, by name, in order."""
    return sorted(name for name in _names(str(folder)) if name not in _NOT_COVERED)


def _names(folder: str, within: str = "") -> Iterator[str]:
    """The files in a folder and in those in it, by name from there."""
    with os.scandir(folder) as found:
        for each in found:
            if each.is_dir(follow_symlinks=False):
                yield from _names(each.path, f"{within}{each.name}/")
            elif each.is_file():
                yield f"{within}{each.name}"


def inputs_of(folder: Path) -> dict[str, str]:
    """SHA-256 of each input that is kept in a record, by name."""
    return {name: _sha256(str(folder / name)) for name in sorted(_names(str(folder))) if name.startswith(f"{INPUTS}/")}


def as_sealed(folder: Path) -> dict[str, Any] | None:
    """The digest as it was sealed, as `digest_of`; None if it is not sealed. Raises RecordError if that is damaged."""
    path = folder / DIGEST
    if not path.is_file():
        return None
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        return {"sha256": str(kept["sha256"]), "files": {str(name): str(each) for name, each in kept["files"].items()}}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise RecordError("is not a digest", where=str(path), todo="it was altered, or is not ours") from error


def sealed_digest(folder: Path) -> str:
    """SHA-256 over the record as sealed; "" if it is not sealed. Raises RecordError if that is damaged."""
    kept = as_sealed(folder)
    return "" if kept is None else str(kept["sha256"])


_ENDS = re.compile(rb'^\{"kind": "(resumed|interrupted|closed)"', re.MULTILINE)


_RESEALED = re.compile(rb'^\{"kind": "resealed".*$', re.MULTILINE)


def lost_seal(folder: Path, journal: bytes, *, known: str = "") -> str:
    """What is to be said of a record whose seal was taken away; "" if it has one, or never had.

    A run that was killed between its last line and the seal has none either: the file that is there until a record is
    sealed tells it apart. What an index remembers counts more than that file.

    Args:
        folder: of the record.
        journal: its bytes.
        known: digest that it was sealed with, as somebody else remembers it; "" = nobody does.
    """
    if is_sealed(folder):
        return ""
    ends = _ENDS.findall(journal)
    is_closed = bool(ends) and ends[-1] == b"closed"
    was = f" with the digest {known[:8]}..." if known else ""
    if is_closed and (known or not (folder / UNSEALED).exists()):
        return f"{DIGEST}: is missing: the record was sealed{was}"
    if not is_closed and (known or (folder / FIGURES).exists()):  # figures are written of what is closed alone
        return f"{DIGEST}: is missing, and {JOURNAL} lacks the lines at its end: the record was closed and sealed{was}"
    return ""


def alterations(folder: Path, held: Mapping[str, bytes] = {}, *, known: str = "") -> tuple[str, ...]:
    """What was changed, added or taken out since the record was sealed, each with its file; () if nothing.

    Of a record that is not sealed only the chain of its journal can tell, and what shows that it was sealed.

    Args:
        folder: of the record.
        held: files that were read already, by name.
        known: as for `lost_seal`; another seal is told too, unless it was made by name and names this one.

    Raises:
        RecordError: the digest, or the journal, is not one.
    """
    kept = as_sealed(folder)
    journal = held.get(JOURNAL)
    if kept is None:
        raw = read_journal(folder / JOURNAL) if journal is None else journal
        lost = lost_seal(folder, raw, known=known)
        return ((lost,) if lost else ()) + chain_faults(folder / JOURNAL, raw=raw)
    now = digest_of(folder, held)["files"]
    found = [] if _together(kept["files"]) == kept["sha256"] else [f"{DIGEST}: was changed"]
    if known and is_another_seal(folder, kept["sha256"], known):
        found.append(f"{DIGEST}: is not that which it was sealed with: that was {known[:8]}...")
    for name in sorted(now.keys() | kept["files"].keys()):
        if name not in kept["files"]:
            found.append(f"{name}: was added")
        elif name not in now:
            found.append(f"{name}: is missing")
        elif now[name] != kept["files"][name]:
            if name == JOURNAL:
                faults = chain_faults(folder / JOURNAL, raw=journal)
                found += faults or (f"{name}: lines were taken off, or put to, its end",)
            else:
                found.append(f"{name}: was changed")
    if (folder / ADDENDA).is_file():
        found += chain_faults(folder / ADDENDA, seed=kept["sha256"]) or _foreign_end(folder / ADDENDA)
    return tuple(found)


def is_another_seal(folder: Path, sha256: str, known: str) -> bool:
    """A record was sealed with `known` and is now with `sha256`, and nobody sealed it anew by name in between."""
    if not known or sha256 == known:
        return False
    try:
        named = _RESEALED.findall((folder / JOURNAL).read_bytes())
    except OSError:
        return True
    return not any(f'"{known}"'.encode() in line for line in named)


def _foreign_end(addenda: Path) -> tuple[str, ...]:
    """What stands at the end of addenda and is neither a line nor the begin of one that a power cut left."""
    rest = addenda.read_bytes().rpartition(b"\n")[2].rstrip(b"\0")
    begin = b'{"kind": "'
    is_ours = rest.startswith(begin) or begin.startswith(rest)
    return () if is_ours else (f"{addenda.name}: ends in what is no line of it",)
