"""The journal of a run: one JSON object a line, appended and synced, so that what was acknowledged is never lost.

Lines: `opened`, `exchange`, `settled`, `reading`, `correction`, `answer`, `doubt`, `remark`, `safe`, `interrupted`,
`resumed`, `closed`, `identified`, `visited`. Each ends in its number and a hash over itself and the line before
("chain"), so that a line that was changed, added or taken out shows. It computes no figure.
"""

import contextlib
import errno
import hashlib
import json
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from instruments.errors import RecordError
from instruments.locks import is_locked_now
from instruments.session import Exchange
from instruments.texts import as_json, json_value

__all__ = [
    "ChainedLine",
    "Journal",
    "chain_faults",
    "chained_lines",
    "entries",
    "is_being_written",
    "lines_n_in",
    "read_journal",
]

_CHAIN = re.compile(rb', "chain": "(\d+):([0-9a-f]{16})"\}$')
_LARGEST_BYTES = 1_000_000_000


def _hash(before: str, text: bytes) -> str:
    """Sixteen digits bind a line to the one before; the whole file stands in the digest of the record."""
    return hashlib.sha256(before.encode() + text).hexdigest()[:16]


class Journal:
    """An open journal; a context manager. Once a write failed nothing is appended: a line cut off must stay the last.

    While it is open it is locked, so that a run that goes on is distinguished from one that was cut off.

    Args:
        path: the file; must not exist, unless `again`.
        again: append to one that was written before; a last line that was cut off is in `torn`, and is taken out by the
            first line that is written.
        seed: what the first line is chained to.

    Attributes:
        path: the file; another one where the first was taken away.
        torn: see `again`.
        start_s: when the run began, on the clock of its exchanges.
        elsewhere: makes a folder in which it goes on, where its file is taken away; None = nothing is kept then.

    Raises:
        RecordError: it exists, or cannot be written, or another process writes it.
    """

    def __init__(self, path: Path, *, again: bool = False, seed: str = "") -> None:
        self.path = path
        self.torn = ""
        self.start_s = 0.0
        self.elsewhere: Callable[[], Path] | None = None
        self._fault: OSError | None = None
        self._taken: RecordError | None = None  # to be told once
        self._lines_n, self._before = 0, seed
        self._end_n: int | None = None  # where the first line goes, in a journal that was written before
        try:
            self._file = path.open("r+b" if again else "x+b")
            if not is_locked_now(self._file):
                self._file.close()
                raise RecordError(
                    "is being written by another process", where=str(path), todo="wait until it has ended"
                )
            if again:
                self._go_to_the_end()
            else:
                _sync_folders(path.parent, path.parent.parent)
        except OSError as error:
            raise RecordError(
                f"the journal cannot be written: {error.strerror}", where=str(path), todo="check disk and rights"
            ) from error

    def _go_to_the_end(self) -> None:
        """Find the end of the last whole line; what is behind it is taken out by the first line that is written."""
        whole = self._file.read()
        kept, _, rest = whole.rpartition(b"\n")
        if rest and _is_line(rest):  # only its end is missing
            kept, rest = whole, b""
        self.torn = rest.decode("utf-8", "replace")
        self._end_n = len(kept)
        if found := _CHAIN.search(kept):
            self._lines_n, self._before = int(found[1]), found[2].decode()

    def write(self, kind: str, *, sync: bool, **fields: Any) -> None:  # noqa: ANN401  JSON values
        """Append a line: with `sync` it is on the disk when this returns, else it outlives the process.

        Raises:
            RecordError: the disk is full, or gone, or was so before; or the file was taken away, and the line stands in
                another one, where the journal goes on. That is raised once.
        """
        self._append(kind, sync=sync, fields=fields)
        self.check_written()

    def _append(self, kind: str, *, sync: bool, fields: dict[str, Any]) -> None:
        text = as_json({"kind": kind} | json_value(fields)).encode()
        if self._fault is not None:
            return
        try:
            if not self._is_in_place():
                self._go_elsewhere()
            if self._end_n is not None:
                self._file.truncate(self._end_n)
                self._file.seek(self._end_n)
                self._file.write(b"\n" if self._end_n else b"")
                self._end_n = None
            self._lines_n += 1
            self._before = _hash(self._before, text)
            self._file.write(text[:-1] + f', "chain": "{self._lines_n}:{self._before}"}}\n'.encode())
            self._file.flush()
            if sync:
                os.fsync(self._file.fileno())
        except OSError as error:
            self._fault = error

    def _is_in_place(self) -> bool:
        """False once the file was moved or deleted, with its folder or without: it is still written, for nobody."""
        try:
            return os.path.samestat(self.path.stat(), os.fstat(self._file.fileno()))
        except (FileNotFoundError, NotADirectoryError):
            return False

    def _go_elsewhere(self) -> None:
        """Write what there is once more, in a folder that `elsewhere` makes; raises OSError."""
        if self.elsewhere is None:
            raise OSError(errno.ENOENT, "it was moved or deleted")
        before, elsewhere, self.elsewhere = self.path, self.elsewhere, None  # not again and again
        self._file.seek(0)
        lines = self._file.read()
        try:
            path = elsewhere() / before.name
        except RecordError as error:
            raise OSError(errno.ENOENT, f"it was moved or deleted, and {error.what}") from error
        file = path.open("x+b")
        is_locked_now(file)
        file.write(lines)
        file.flush()
        os.fsync(file.fileno())
        _sync_folders(path.parent, path.parent.parent)
        self._file.close()
        self._file, self.path = file, path
        what = f"the record was moved or deleted during the run; its journal goes on in {path}"
        self._taken = RecordError(what, where=str(before), todo="leave the results where they are while a run goes on")
        self._append("remark", sync=True, fields={"text": what})

    def check_written(self) -> None:
        """Raise RecordError if a line could not be written, or its file was taken away; an exchange tells nobody."""
        if self._taken is not None:
            taken, self._taken = self._taken, None
            raise taken
        if self._fault is not None:
            raise RecordError(
                f"the journal cannot be written: {self._fault.strerror}",
                where=str(self.path),
                todo="make room on the disk" if self._fault.errno != errno.ENOENT else "leave results where they are",
            ) from self._fault

    def exchange(self, exchange: Exchange) -> None:
        """Keep what went over a line; synced with the next reading.

        It never raises: an output is made safe over a line too, and must not stop at a full disk. See `check_written`.
        """
        said = {
            "at_s": round(exchange.at_s - self.start_s, 6),
            "instrument": exchange.instrument,
            "sent": exchange.sent,
            "received": exchange.received,
            "took_s": round(exchange.took_s, 6),
        }
        self._append("exchange", sync=False, fields=said | ({"fault": exchange.fault} if exchange.fault else {}))

    def opened(self, date: datetime, **fields: Any) -> None:  # noqa: ANN401  JSON values
        """The first line: when, and what the run was called with."""
        self.write("opened", sync=True, date=date.isoformat(timespec="milliseconds"), **fields)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with contextlib.suppress(OSError):  # what must be kept was synced, or its failure was raised
            self._file.flush()
            os.fsync(self._file.fileno())
        with contextlib.suppress(OSError):  # closing flushes once more
            self._file.close()
        self._fault = OSError(errno.EBADF, "it is closed")


def _sync_folders(*folders: Path) -> None:
    """A file outlives a power cut only if the folder that names it was synced too; Windows has no such thing."""
    for folder in folders:
        with contextlib.suppress(OSError):
            number = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(number)
            finally:
                os.close(number)


def _is_line(text: bytes) -> bool:
    try:
        return isinstance(json.loads(text), dict)
    except (ValueError, RecursionError):
        return False


def is_being_written(path: Path) -> bool:
    """True while a process has this journal open."""
    try:
        with path.open("r+b") as file:
            return not is_locked_now(file)
    except OSError:  # gone, or sealed and so read only
        return False


def entries(path: Path, raw: bytes | None = None) -> Iterator[dict[str, Any]]:
    """The lines of a journal in order, without their chain; a last line that was cut off is left out.

    Args:
        path: of the journal.
        raw: what stands in it, if it was read already.

    Raises:
        RecordError: missing, unreadable, or a line other than the last is damaged.
    """
    lines = (read_journal(path) if raw is None else raw).decode("utf-8", errors="replace").split("\n")
    for number, line in enumerate(lines, start=1):
        if not line:
            continue
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError) as error:
            if number == len(lines):  # no line end: it was being written when the power went
                return
            raise _no_line(path, number) from error
        if not isinstance(entry, dict) or "kind" not in entry:
            raise _no_line(path, number)
        entry.pop("chain", None)
        yield entry


def _no_line(path: Path, number: int) -> RecordError:
    todo = f"livezero salvage {path.parent} makes a new record of all that is whole"
    return RecordError("is not a line of a journal", where=f"{path}:{number}", todo=todo)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainedLine:
    """A line as it stands in the file of a journal, and what its chain tells of it.

    Args:
        number: of the line in the file, from 1.
        text: the line, without its end.
        missing: the numbers, by the chain, of lines that are not where they should stand before it.
        fault: how it is not the line that was written; "" = it is, as far as can be proved.
    """

    number: int
    text: bytes
    missing: range
    fault: str


def chained_lines(path: Path, *, seed: str = "", raw: bytes | None = None) -> Iterator[ChainedLine]:
    """The lines of a journal with what their chain tells; a last line that was cut off is left out.

    A line after one that is missing, or that cannot be read, cannot be proved by it.

    Args:
        path: of the journal.
        seed: what its first line is chained to.
        raw: what stands in it, if it was read already.

    Raises:
        RecordError: missing, or unreadable.
    """
    expected_n, before = 1, seed
    *lines, rest = (read_journal(path) if raw is None else raw).split(b"\n")
    if _is_line(rest):  # whole, and so read: only its end is missing
        lines.append(rest)
    for number, line in enumerate(lines, start=1):
        match = _CHAIN.search(line)
        if match is None:
            yield ChainedLine(number=number, text=line, missing=range(0), fault="was added, or its chain was taken out")
            continue
        own_n, own = int(match[1]), match[2].decode()
        fault = ""
        if own_n < expected_n:
            fault = "was added, or moved"
        elif own_n == expected_n and own != _hash(before, line[: match.start()] + b"}"):
            fault = "was changed"
        yield ChainedLine(number=number, text=line, missing=range(expected_n, own_n), fault=fault)
        expected_n, before = own_n + 1, own


def chain_faults(path: Path, *, seed: str = "", raw: bytes | None = None) -> tuple[str, ...]:
    """What the chain of a journal tells was changed, added or taken out, each with its line; () if nothing.

    A last line that was cut off is none. What was taken off the end shows in the digest alone. Arguments as of
    `chained_lines`.

    Raises:
        RecordError: missing, or unreadable.
    """
    found: list[str] = []
    for each in chained_lines(path, seed=seed, raw=raw):
        if each.missing:
            first, last = each.missing[0], each.missing[-1]
            gone = f"line {first} is" if first == last else f"lines {first} to {last} are"
            found.append(f"{path.name}: {gone} missing")
        if each.fault:
            found.append(f"{path.name}:{each.number}: {each.fault}{_said(each.text)}")
    return tuple(found)


def _said(line: bytes) -> str:
    """What a line of a journal is about, for the report of an alteration."""
    try:
        entry = json.loads(line)
        if entry["kind"] != "reading":
            return f" ({entry['kind']})"
        return f' (reading {entry["reading"]} at point {entry["number"]}, tap "{entry["tap"]}")'
    except (ValueError, KeyError, TypeError, RecursionError):
        return ""


def lines_n_in(raw: bytes) -> int:
    """How many lines a journal has; a last one that was cut off is none."""
    *lines, rest = raw.split(b"\n")
    return sum(map(bool, lines)) + _is_line(rest)


def read_journal(path: Path) -> bytes:
    """What stands in a journal; raises RecordError if it is missing, cannot be read, or is too large."""
    try:
        with path.open("rb") as file:
            raw = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        raise RecordError(
            f"the journal cannot be read: {error.strerror}", where=str(path), todo="name the folder of a record"
        ) from error
    if len(raw) > _LARGEST_BYTES:
        raise RecordError("the journal is too large", where=str(path), allowed=f"at most {_LARGEST_BYTES} bytes")
    return raw
