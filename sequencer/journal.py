"""The journal of a run: one JSON object a line, appended and synced, so that what was acknowledged is never lost.

Lines: `opened`, `exchange`, `settled`, `reading`, `remark`, `safe`, `closed`. It computes nothing.
"""

import contextlib
import errno
import json
import math
import os
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from instruments.errors import RecordError
from instruments.session import Exchange

__all__ = ["Journal", "entries"]


def _plain(value: Any) -> Any:  # noqa: ANN401  whatever a line holds
    """JSON has no NaN: a missing number is null."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, (list, tuple)):
        return [_plain(each) for each in value]
    if isinstance(value, dict):
        return {name: _plain(each) for name, each in value.items()}
    return value


class Journal:
    """An open journal; a context manager. Once a write failed nothing is appended: a line cut off must stay the last.

    Args:
        path: the file; must not exist.

    Raises:
        RecordError: it exists, or cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._fault: OSError | None = None
        try:
            self._file = path.open("xb")
        except OSError as error:
            raise RecordError(
                f"the journal cannot be written: {error.strerror}", where=str(path), todo="check disk and rights"
            ) from error

    def write(self, kind: str, *, sync: bool, **fields: Any) -> None:  # noqa: ANN401  JSON values
        """Append a line; with `sync` it is on the disk when this returns.

        Raises:
            RecordError: the disk is full, or gone; or it was so before.
        """
        line = json.dumps({"kind": kind} | _plain(fields), ensure_ascii=False, allow_nan=False)
        try:
            if self._fault is not None:
                raise self._fault
            self._file.write(line.encode("utf-8", "backslashreplace") + b"\n")
            if sync:
                self._file.flush()
                os.fsync(self._file.fileno())
        except OSError as error:
            self._fault = error
            raise RecordError(
                f"the journal cannot be written: {error.strerror}", where=str(self.path), todo="make room on the disk"
            ) from error

    def exchange(self, exchange: Exchange) -> None:
        """Keep what went over a line; synced with the next reading.

        It never raises: an output is made safe over a line too, and must not stop at a full disk. A reading does.
        """
        with contextlib.suppress(RecordError):
            self.write(
                "exchange",
                sync=False,
                at_s=round(exchange.at_s, 6),
                instrument=exchange.instrument,
                sent=exchange.sent,
                received=exchange.received,
                took_s=round(exchange.took_s, 6),
                **({"fault": exchange.fault} if exchange.fault else {}),
            )

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


def entries(path: Path) -> Iterator[dict[str, Any]]:
    """The lines of a journal in order; a last line that was cut off by a power loss is left out.

    Raises:
        RecordError: missing, unreadable, or a line other than the last is damaged.
    """
    try:
        text = path.read_bytes().decode("utf-8", errors="replace")
    except OSError as error:
        raise RecordError(
            f"the journal cannot be read: {error.strerror}", where=str(path), todo="name the folder of a record"
        ) from error
    lines = text.split("\n")
    for number, line in enumerate(lines, start=1):
        if not line:
            continue
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError) as error:
            if number == len(lines):  # no line end: it was being written when the power went
                return
            raise RecordError("is not a line of a journal", where=f"{path}:{number}") from error
        if not isinstance(entry, dict) or "kind" not in entry:
            raise RecordError("is not a line of a journal", where=f"{path}:{number}")
        yield entry
