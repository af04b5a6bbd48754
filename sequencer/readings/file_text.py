"""Files that people or instruments saved as text: their bytes, their encoding, and the headings of their columns."""

import codecs
import re
from pathlib import Path

from instruments.errors import ReadingsError
from sequencer.readings.csv_cells import LONGEST_CELL

__all__ = ["decoded", "heading", "raw_bytes"]

_HEADER = re.compile(r"([^\[\](),]+?) ?(?:[\[(,] ?([^\])]*?) ?[\])]?)?")


def raw_bytes(path: Path, most_n: int) -> bytes:
    """All of a file of at most `most_n` bytes; raises ReadingsError."""
    try:
        with path.open("rb") as file:
            raw = file.read(most_n + 1)  # a device says that it has no size, and never ends
    except OSError as error:
        raise ReadingsError(f"cannot be read: {error.strerror}", where=str(path), todo="check the name") from error
    except ValueError as error:  # a NUL in the name
        raise ReadingsError("is not the name of a file", where=str(path)) from error
    if len(raw) > most_n:
        raise ReadingsError(
            "is too large", where=str(path), allowed=f"at most {most_n / 1e6:g} MB", todo="take fewer lines or samples"
        )
    return raw


def decoded(raw: bytes) -> str:
    """Text of a file: UTF-8, UTF-16 with its mark, or as Windows saves it."""
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return raw.decode("utf-16", errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def heading(cell: str) -> tuple[str, str]:
    """Name and unit of a column: "returned [mA]", "input (Hz)", "output, mA"."""
    plain = " ".join(cell.split())
    match = _HEADER.fullmatch(plain) if len(plain) <= LONGEST_CELL else None
    if match is None:
        return plain.casefold(), ""
    return match.group(1).casefold(), (match.group(2) or "").strip()
