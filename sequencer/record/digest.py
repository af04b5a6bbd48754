"""Whether a record is what was sealed: digests of its files, and the chain of its journal. It computes no figure.

The digest shows any change against the number that a report prints; the chain shows which line of the journal it was.
Neither keeps a forger off who writes all of it again: what does is a digest that is kept elsewhere, such as on paper.
"""

import hashlib
import json
from pathlib import Path
from typing import Any

from instruments.errors import RecordError
from sequencer.journal.writer import chain_faults
from sequencer.record.layout import ADDENDA, DIGEST, INPUTS, JOURNAL, REPORT, SALVAGED

__all__ = ["alterations", "digest_of", "inputs_of", "sealed_digest"]

# Made from the record, or added to it after it was sealed, and chained to its digest.
_NOT_COVERED = {DIGEST, f"{DIGEST}.new", REPORT, ADDENDA, SALVAGED}


def _sha256(path: Path) -> str:
    with path.open("rb") as file:  # in blocks, whatever its size
        return hashlib.file_digest(file, "sha256").hexdigest()


def _together(files: dict[str, str]) -> str:
    return hashlib.sha256("".join(f"{digest}  {name}\n" for name, digest in files.items()).encode()).hexdigest()


def digest_of(folder: Path) -> dict[str, Any]:
    """SHA-256 of each file that is covered, by name ("files"), and of all these together ("sha256")."""
    names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    files = {name: _sha256(folder / name) for name in names if name not in _NOT_COVERED}
    return {"sha256": _together(files), "files": files}


def inputs_of(folder: Path) -> dict[str, str]:
    """SHA-256 of each input that is kept in a record, by name."""
    return {name: each for name, each in digest_of(folder)["files"].items() if name.startswith(f"{INPUTS}/")}


def _sealed(folder: Path) -> dict[str, Any] | None:
    """The digest as sealed; None if the record is not sealed."""
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
    kept = _sealed(folder)
    return "" if kept is None else str(kept["sha256"])


def alterations(folder: Path) -> tuple[str, ...]:
    """What was changed, added or taken out since the record was sealed, each with its file; () if nothing.

    Of a record that is not sealed only the chain of its journal can tell.

    Raises:
        RecordError: the digest, or the journal, is not one.
    """
    lines = chain_faults(folder / JOURNAL)
    kept = _sealed(folder)
    if kept is None:
        return lines
    now = digest_of(folder)["files"]
    found = [] if _together(kept["files"]) == kept["sha256"] else [f"{DIGEST}: was changed"]
    for name in sorted(now.keys() | kept["files"].keys()):
        if name not in kept["files"]:
            found.append(f"{name}: was added")
        elif name not in now:
            found.append(f"{name}: is missing")
        elif now[name] != kept["files"][name]:
            if name == JOURNAL:
                found += lines or (f"{name}: lines were taken off, or put to, its end",)
            else:
                found.append(f"{name}: was changed")
    if (folder / ADDENDA).is_file():
        found += chain_faults(folder / ADDENDA, seed=kept["sha256"]) or _foreign_end(folder / ADDENDA)
    return tuple(found)


def _foreign_end(addenda: Path) -> tuple[str, ...]:
    """What stands at the end of addenda and is neither a line nor the begin of one that a power cut left."""
    rest = addenda.read_bytes().rpartition(b"\n")[2].rstrip(b"\0")
    begin = b'{"kind": "'
    is_ours = rest.startswith(begin) or begin.startswith(rest)
    return () if is_ours else (f"{addenda.name}: ends in what is no line of it",)
