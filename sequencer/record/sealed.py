"""A sealed record as it stands on the disk: each file read once, for its digest and for what is wanted of it."""

from dataclasses import dataclass
from pathlib import Path

from instruments.errors import RecordError
from sequencer.record.digest import as_sealed, digest_of
from sequencer.record.layout import FIGURES, JOURNAL

__all__ = ["Sealed", "read_sealed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealed:
    """What was read of a record.

    Attributes:
        sha256: over it, as sealed.
        is_whole: every file is what was sealed.
        journal: its bytes; `figures` those of the figures, empty where that file is gone.
    """

    sha256: str
    is_whole: bool
    journal: bytes
    figures: bytes


def read_sealed(folder: Path) -> Sealed:
    """Read a sealed record.

    Raises:
        RecordError: it is not sealed, its journal is missing, or a file cannot be read.
    """
    kept = as_sealed(folder)
    if kept is None:
        raise RecordError("is not sealed", where=str(folder))
    try:
        held = {name: (folder / name).read_bytes() for name in (JOURNAL, FIGURES) if (folder / name).is_file()}
        now = digest_of(folder, held)
    except OSError as error:
        raise RecordError(f"cannot be read: {error.strerror}", where=str(error.filename or folder)) from error
    if JOURNAL not in held:
        raise RecordError("is missing", where=str(folder / JOURNAL))
    return Sealed(
        sha256=str(kept["sha256"]), is_whole=now == kept, journal=held[JOURNAL], figures=held.get(FIGURES, b"")
    )
