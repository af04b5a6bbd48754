"""Files that people or instruments saved as text: their bytes, their encoding, and the headings of their columns."""

import codecs
import contextlib
import io
import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from instruments.errors import ReadingsError
from sequencer.readings.csv_cells import LONGEST_CELL

__all__ = ["decoded", "heading", "opened", "raw_bytes", "without_nul"]

_WESTERN = "cp1252"
_CODE_PAGES = (_WESTERN, "cp1250", "cp1251", "cp1253")  # western, central European, Cyrillic, Greek
_SIGNS = set("\u00b0\u00b5\u00b1\u00b2\u00b3\u00b7\u00a0")  # degree, micro, plus-minus, powers: of units, no words
_SAMPLE_BYTES = 20_000
_MOST_UNSIZED = 60_000_000  # bytes of what is no file on a disk: all of it is held
_NUL_IN_NUMBER = re.compile(r"[0-9.,eE+-]{1,20}\0+[0-9.,eE+-]{1,20}")
_HEADER = re.compile(r"([^\[\](),]+?) ?(?:[\[(,] ?([^\])]*?(?:\([^()\]]*\))?) ?[\])]?)?")


def raw_bytes(path: Path, most_n: int) -> bytes:
    """All of a file of at most `most_n` bytes; raises ReadingsError."""
    with opened(path, most_n) as file:
        return file.read(most_n)


@contextlib.contextmanager
def opened(path: Path, most_n: int) -> Iterator[BinaryIO]:
    """A file of at most `most_n` bytes, as far as its size is known before it is read; raises ReadingsError."""
    try:
        with path.open("rb") as file:
            about = os.fstat(file.fileno())
            if about.st_size > most_n:
                raise _too_large(path, most_n)
            yield file if stat.S_ISREG(about.st_mode) else _held(path, file, min(most_n, _MOST_UNSIZED))
    except OSError as error:
        raise ReadingsError(f"cannot be read: {error.strerror}", where=str(path), todo="check the name") from error
    except ValueError as error:
        if "\0" not in str(path):
            raise
        raise ReadingsError("is not the name of a file", where=repr(str(path))) from error


def _held(path: Path, file: BinaryIO, most_n: int) -> BinaryIO:
    """What comes from a pipe or a device: it cannot be read twice, and may never end."""
    raw = file.read(most_n + 1)
    if len(raw) > most_n:
        raise _too_large(path, most_n)
    return io.BytesIO(raw)


def _too_large(path: Path, most_n: int) -> ReadingsError:
    return ReadingsError(
        "is too large", where=str(path), allowed=f"at most {most_n / 1e6:g} MB", todo="take fewer lines or samples"
    )


def decoded(raw: bytes) -> str:
    """Text of a file: UTF-8, UTF-16 with its mark, or as Windows saves it in the language that fits best."""
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return raw.decode("utf-16", errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode(_code_page(raw), errors="replace")


def without_nul(text: str, path: Path, *, first_line: int = 1) -> str:
    """A text without NUL bytes; raises ReadingsError where one stands inside a number, which might be another one."""
    if "\0" not in text:
        return text
    if found := _NUL_IN_NUMBER.search(text):
        line = text.count("\n", 0, found.start()) + first_line
        raise ReadingsError(
            f'holds a NUL byte inside a number, "{found[0]}"',
            where=f"{path}:{line}",
            todo="correct the cell, or save the file as UTF-8 once more",
        )
    return text.replace("\0", "")


def _code_page(raw: bytes) -> str:
    """The code page of Windows that a text was saved in: the western one unless another one is clearly more likely."""
    lines = [line for line in raw.splitlines() if not line.isascii()]
    sample = b"\n".join(lines)[:_SAMPLE_BYTES]
    beyond = {letter for letter in sample.decode(_WESTERN, errors="replace") if not letter.isascii()}
    if beyond <= _SIGNS:
        return _WESTERN
    from charset_normalizer import from_bytes  # noqa: PLC0415  only where it is needed

    found = from_bytes(sample, cp_isolation=list(_CODE_PAGES))
    best = found.best()
    if best is None:
        return _WESTERN
    western = (each for each in found if _WESTERN in each.could_be_from_charset)
    is_as_good = any(each.chaos <= best.chaos and each.coherence >= best.coherence for each in western)
    return _WESTERN if is_as_good else best.encoding


def heading(cell: str) -> tuple[str, str]:
    """Name and unit of a column: "returned [mA]", "input (Hz)", "output, mA", "input [kPa(g)]"."""
    plain = " ".join(cell.split())
    match = _HEADER.fullmatch(plain) if len(plain) <= LONGEST_CELL else None
    if match is None:
        return plain.casefold(), ""
    return match.group(1).casefold(), (match.group(2) or "").strip()
