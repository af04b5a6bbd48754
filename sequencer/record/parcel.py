"""Records in one file, to be taken to another site: packed as they are, unpacked only if they are what was sealed.

A ZIP file: `contents.json` says what is in it, `records/FOLDER/...` are the records, `batches/FOLDER/...` what
batches of them were begun with, `units.jsonl` the lines of the log of units. A record is known by its digest, so that
one that comes twice is there once. Pages are none of it: they are made again of the records.
"""

import json
import os
import shutil
import uuid
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from instruments.errors import LivezeroError, RecordError
from instruments.locks import is_locked_now
from instruments.texts import as_json, counted
from instruments.version import __version__
from sequencer.journal.lines import unit_log_lines
from sequencer.readings.table import PLACE
from sequencer.record.addenda import added, merge
from sequencer.record.batch import BATCH, batch_folder_of, is_batch, load_batch
from sequencer.record.create import first_free
from sequencer.record.digest import alterations, covered, sealed_digest
from sequencer.record.layout import ADDENDA, DIGEST, REPORT, write_synced
from sequencer.record.unit_log import UNIT_LOG

__all__ = ["Packed", "Taken", "pack", "unpack"]

_CONTENTS, _RECORDS, _BATCHES = "contents.json", "records", "batches"
_FORMAT = 1
_INCOMING = ".incoming-"
_LARGEST = 1_000_000_000
_OLD_S = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """What was packed: records by folder, and of those that were left out why."""

    path: Path
    folders: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What became of a record of a file, or of a batch of them.

    Attributes:
        folder: its name in the file.
        what: "new", "there already", "amended" (what was added to it elsewhere was added here), or "refused".
        where: its folder here; None where it was refused.
        said: why it was refused, or what was added.
        is_batch: it is what a batch of records was begun with.
    """

    folder: str
    what: str
    where: Path | None = None
    said: str = ""
    is_batch: bool = False


def pack(path: Path, folders: Sequence[Path], log: Sequence[Mapping[str, Any]]) -> Packed:
    """Write records into a file; what is not sealed, or was altered, is left out and told.

    Args:
        path: of the file; there is all of it or nothing.
        folders: of the records.
        log: lines of the log of units that go with them.

    Raises:
        RecordError: the file is there already, or cannot be written.
    """
    if path.exists():
        raise RecordError("is there already", where=str(path), todo="name another file; none is overwritten")
    new = path.with_name(f"{path.name}.{uuid.uuid4().hex}.new")
    packed: list[dict[str, str]] = []
    left_out: list[tuple[str, str]] = []
    try:
        with zipfile.ZipFile(new, "x", compression=zipfile.ZIP_DEFLATED) as file:
            for folder in folders:
                if why := _why_not(folder):
                    left_out.append((folder.name, why))
                    continue
                for name in (*covered(folder), DIGEST, ADDENDA):
                    if (folder / name).is_file():
                        file.write(folder / name, f"{_RECORDS}/{folder.name}/{name}")
                packed.append({"folder": folder.name, "sha256": sealed_digest(folder)})
            names = {each["folder"] for each in packed}
            batches = dict.fromkeys(batch_folder_of(each) for each in folders if each.name in names)
            for batch in filter(None, batches):
                file.write(batch / BATCH, f"{_BATCHES}/{batch.name}/{BATCH}")
            file.writestr(UNIT_LOG, "".join(f"{as_json(line)}\n" for line in log))
            said = {"format": _FORMAT, "livezero": __version__, "date": datetime.now(UTC).isoformat(timespec="seconds")}
            file.writestr(_CONTENTS, as_json(said | {"records": packed}, indent=1))
        with new.open("rb") as written:
            os.fsync(written.fileno())
        new.replace(path)
    except OSError as error:
        what = f"the file cannot be written: {error.strerror}"
        raise RecordError(what, where=str(path), todo="check name, disk and rights") from error
    finally:
        new.unlink(missing_ok=True)
    return Packed(path=path, folders=tuple(each["folder"] for each in packed), left_out=tuple(left_out))


def _why_not(folder: Path) -> str:
    """Why a record cannot be taken elsewhere; "" if it can."""
    try:
        if not sealed_digest(folder):
            return "it is not sealed"
        found = alterations(folder)
    except (LivezeroError, OSError) as error:
        return error.what if isinstance(error, LivezeroError) else str(error.strerror)
    return f"it was altered: {found[0]}" if found else ""


def unpack(
    path: Path, results: Path, there: Mapping[str, Path]
) -> tuple[tuple[Taken, ...], tuple[dict[str, Any], ...]]:
    """Take the records of a file into a folder, each as a whole or not at all.

    Args:
        path: of the file.
        results: folder for the records; made if it is not there.
        there: folders of the records that are there, by digest.

    Returns:
        What became of each record, and the lines of its log of units.

    Raises:
        RecordError: it is no such file, or cannot be read, or nothing can be written.
    """
    known = dict(there)
    with _opened(path) as (file, contents), _incoming(results) as incoming:
        taken = []
        for each in contents:
            one = _taken(file, str(each["folder"]), str(each["sha256"]), incoming, results, known)
            if one.what == "new" and one.where is not None:
                known[str(each["sha256"])] = one.where
            taken.append(one)
        taken += (replace(each, is_batch=True) for each in _batches(file, incoming, results))
        log = incoming / UNIT_LOG
        log.write_bytes(_bytes(file, UNIT_LOG))
        return tuple(taken), tuple(unit_log_lines(log))


@contextmanager
def _opened(path: Path) -> Iterator[tuple[zipfile.ZipFile, list[dict[str, Any]]]]:
    try:
        with zipfile.ZipFile(path) as file:
            contents = json.loads(_bytes(file, _CONTENTS))
            if contents["format"] != _FORMAT:
                raise RecordError(
                    f"is of the form {contents['format']}, written by livezero {contents.get('livezero')}",
                    where=str(path),
                    allowed=f"form {_FORMAT}",
                    todo="import it with that livezero",
                )
            yield file, list(contents["records"])
    except (zipfile.BadZipFile, KeyError, ValueError, TypeError, RecursionError, NotImplementedError) as error:
        raise RecordError(
            "is no file of records, or was damaged on its way",
            where=str(path),
            todo="copy it again; livezero export makes one",
        ) from error
    except OSError as error:
        what = f"cannot be read, or what is in it not written: {error.strerror}"
        raise RecordError(what, where=str(error.filename or path), todo="check name, disk and rights") from error


@contextmanager
def _incoming(results: Path) -> Iterator[Path]:
    """A folder in which nothing counts as a record yet; those that a kill left behind a day ago go."""
    results.mkdir(parents=True, exist_ok=True)
    for left in results.glob(f"{_INCOMING}*"):
        if datetime.now(UTC).timestamp() - left.stat().st_mtime > _OLD_S:
            shutil.rmtree(left, ignore_errors=True)
    incoming = results / f"{_INCOMING}{uuid.uuid4().hex}"
    incoming.mkdir()
    try:
        yield incoming
    finally:
        shutil.rmtree(incoming, ignore_errors=True)


def _taken(
    file: zipfile.ZipFile, folder: str, sha256: str, incoming: Path, results: Path, there: Mapping[str, Path]
) -> Taken:
    if not _is_plain(folder):
        return Taken(folder=folder, what="refused", said="its name is none of a record")
    new = incoming / folder
    try:
        _extract(file, folder, new)
        found = alterations(new) if sealed_digest(new) == sha256 else ("it has another digest than the file says",)
    except LivezeroError as error:
        found = (error.what,)
    if found:
        return Taken(folder=folder, what="refused", said=found[0])
    if sha256 in there:
        return _amended(folder, new / ADDENDA, there[sha256])
    where = first_free(results, folder)
    if os.name == "nt":  # elsewhere it takes the place of the empty one in one step
        where.rmdir()
    new.rename(where)
    for name in (*covered(where), DIGEST):
        (where / name).chmod(0o444)
    return Taken(folder=folder, what="new", where=where)


def _batches(file: zipfile.ZipFile, incoming: Path, results: Path) -> Iterator[Taken]:
    """What the batches were begun with, where it is not there yet; their pages are made again of the records."""
    for name in file.namelist():
        head, _, rest = name.partition("/")
        folder = rest.removesuffix(f"/{BATCH}")
        if head != _BATCHES:
            continue
        if not _is_plain(folder):
            yield Taken(folder=folder, what="refused", said="its name is none of a batch")
            continue
        raw, here = _bytes(file, name), results / folder
        if here.exists():
            is_same = is_batch(here) and (here / BATCH).read_bytes() == raw
            said = "" if is_same else "something else has its name here"
            yield Taken(folder=folder, what="there already" if is_same else "refused", where=here, said=said)
            continue
        new = incoming / f"batch of {folder}"
        new.mkdir()
        write_synced(new / BATCH, raw)
        try:
            load_batch(new)
        except RecordError as error:
            yield Taken(folder=folder, what="refused", said=error.what)
            continue
        new.rename(here)
        yield Taken(folder=folder, what="new", where=here)


def _amended(folder: str, theirs: Path, here: Path) -> Taken:
    """What was added to a record elsewhere, added here, where the one is the other and more."""
    new = theirs.read_bytes() if theirs.is_file() else b""
    if not new:
        return Taken(folder=folder, what="there already", where=here)
    with (here / ADDENDA).open("a+b") as file:
        if not is_locked_now(file):
            return Taken(folder=folder, what="refused", where=here, said="something is being added to it here")
        file.seek(0)
        own = file.read()
        if own.startswith(new):
            return Taken(folder=folder, what="there already", where=here)
        if new.startswith(own):
            file.write(new[len(own) :])
            file.flush()
            os.fsync(file.fileno())
            added_n = new.count(b"\n") - own.count(b"\n")
            return Taken(folder=folder, what="amended", where=here, said=f"{counted(added_n, 'line')} added to it")
    return _merged(folder, theirs, here)


def _merged(folder: str, theirs: Path, here: Path) -> Taken:
    """What was added there, behind other things that were added here."""
    try:
        own, new = added(here), merge(here, added(theirs.parent))
    except RecordError as error:
        return Taken(folder=folder, what="refused", where=here, said=error.what)
    if not new:
        return Taken(folder=folder, what="there already", where=here)
    corrected = {_reading_of(line) for line in own if line["kind"] == "correction"}
    both = [line for line in new if line["kind"] == "correction" and _reading_of(line) in corrected]
    said = f"{counted(len(new), 'line')} added to it, beside what was added here"
    if both:
        said += (
            f"; {counted(len(both), 'correction')} of what was corrected here too: of each reading the latest counts"
        )
    return Taken(folder=folder, what="amended", where=here, said=said)


def _reading_of(line: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(line[name] for name in PLACE)


def _extract(file: zipfile.ZipFile, folder: str, to: Path) -> None:
    """The files of a record; raises RecordError for names that lead elsewhere."""
    head = f"{_RECORDS}/{folder}/"
    for info in file.infolist():
        if not info.filename.startswith(head) or info.is_dir():
            continue
        name = info.filename.removeprefix(head)
        parts = PurePosixPath(name).parts
        if not parts or not all(map(_is_plain, parts)) or parts[-1] == REPORT:
            raise RecordError(f'"{name}" is no name of a file of a record', where=folder)
        path = to.joinpath(*parts)
        path.parent.mkdir(parents=True, exist_ok=True)
        write_synced(path, _bytes(file, info))


def _is_plain(name: str) -> bool:
    return bool(name) and not name.startswith(".") and not set(name) & set('/\\:*?"<>|\0') and len(name) < 200


def _bytes(file: zipfile.ZipFile, name: str | zipfile.ZipInfo) -> bytes:
    with file.open(name) as one:
        raw = one.read(_LARGEST + 1)
    if len(raw) > _LARGEST:
        raise ValueError(f"more than {_LARGEST} bytes")
    return raw
