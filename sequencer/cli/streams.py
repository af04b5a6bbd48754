"""What is printed can be lost, what was found cannot: a stream that breaks changes neither a run nor its exit code."""

import codecs
import contextlib
import errno
import io
import json
import os
import select
import sys
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

__all__ = ["Lost", "keep_streams"]

_READER_GONE = {errno.EPIPE, errno.EINVAL}  # the latter on Windows
_AS_JSON = "livezero.as-json"


class Lost:
    """What became of a stream; `error` is None as long as all of it was written."""

    error: OSError | None = None

    @property
    def reason(self) -> str:
        """Why it could not be written; "" if it was, or if whoever read it has left."""
        if self.error is None or self.error.errno in _READER_GONE:
            return ""
        return self.error.strerror or type(self.error).__name__


class _Raw(io.FileIO):
    """A stream that takes everything; from the first write that fails on, to nowhere."""

    def __init__(self, fd: int, lost: Lost) -> None:
        super().__init__(fd, "w", closefd=False)
        self._lost = lost

    def write(self, data: "ReadableBuffer", /) -> int:
        size = memoryview(data).nbytes
        if self._lost.error is not None:
            return size
        try:
            while (written := super().write(data)) is None:  # a pipe that does not block, and is full
                select.select([], [self], [])
        except OSError as error:
            self._lost.error = error
            return size
        return written


def keep_streams() -> Lost:
    """Put streams that never raise in the place of stdout and stderr; returns what becomes of stdout.

    Letters that the encoding of stdout lacks are written as JSON escapes them, so that a document stays one.
    """
    codecs.register_error(_AS_JSON, _escaped)
    lost = Lost()
    sys.stdout = _kept(sys.stdout, lost, errors=_AS_JSON)
    sys.stderr = _kept(sys.stderr, Lost(), errors="backslashreplace", is_by_line=True)
    return lost


def _escaped(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return json.dumps(error.object[error.start : error.end])[1:-1], error.end


def _kept(stream: TextIO | None, lost: Lost, *, errors: str, is_by_line: bool = False) -> TextIO:
    if stream is None:  # started closed; else the next file that is opened would stand in its place
        return open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123  for as long as the process lives
    if not isinstance(stream, io.TextIOWrapper) or (os.name == "nt" and stream.isatty()):  # a console takes no bytes
        return stream
    try:
        raw = _Raw(stream.fileno(), lost)
    except (OSError, ValueError):  # whoever called took it over
        return stream
    with contextlib.suppress(OSError):
        stream.flush()
    is_by_line |= stream.line_buffering or stream.write_through
    return io.TextIOWrapper(io.BufferedWriter(raw), encoding=stream.encoding, errors=errors, line_buffering=is_by_line)
