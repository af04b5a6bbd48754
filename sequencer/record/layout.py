"""What is kept of a run for good: a folder that is never overwritten, and from which everything is computed again.

inputs/         sequence with what it includes and shows, type sheet, bench, descriptions, certificates, as used
journal.jsonl   every exchange, settling and reading in order
readings.csv    the tidy table
figures.json    figures and verdict
digest.json     SHA-256 of each of these files and over all of them; with it the record is sealed
unsealed        empty; there from the begin of a run until its record is sealed
report.html     made from the record, so it is not part of the digest
addenda.jsonl   remarks and corrections after sealing, chained to the digest
addenda-before.jsonl  what was added to it under a seal that was lost
salvaged.json   of a run that never was sealed: which record was made of what is whole in its journal
"""

import os
from pathlib import Path

from instruments.errors import LivezeroError, RecordError
from instruments.filemodel import FileModel
from sequencer.inputs import including, pictures
from sequencer.inputs.files import load_type_sheet, steps_in
from sequencer.inputs.type_sheet import TypeSheet

__all__ = [
    "ADDENDA",
    "ADDENDA_BEFORE",
    "BENCH",
    "CERTIFICATES",
    "DESCRIPTIONS",
    "DIGEST",
    "FIGURES",
    "INCLUDED",
    "INPUTS",
    "JOURNAL",
    "PICTURES",
    "READINGS",
    "REPORT",
    "SALVAGED",
    "SEQUENCE",
    "TYPE",
    "UNSEALED",
    "is_sealed",
    "journal_of",
    "settings_of",
    "type_sheet_of",
    "write_synced",
]

INPUTS = "inputs"
SEQUENCE, TYPE, BENCH = f"{INPUTS}/sequence.yaml", f"{INPUTS}/type.yaml", f"{INPUTS}/bench.yaml"
DESCRIPTIONS = f"{INPUTS}/descriptions"
CERTIFICATES = f"{INPUTS}/certificates"
INCLUDED, PICTURES = f"{INPUTS}/{including.INCLUDED}", f"{INPUTS}/{pictures.PICTURES}"
JOURNAL = "journal.jsonl"
READINGS = "readings.csv"
FIGURES = "figures.json"
DIGEST = "digest.json"
REPORT = "report.html"
ADDENDA = "addenda.jsonl"
ADDENDA_BEFORE = "addenda-before.jsonl"
SALVAGED = "salvaged.json"
UNSEALED = "unsealed"


def journal_of(folder: Path) -> Path:
    """Its journal; raises RecordError if the folder has none, and so is no record."""
    path = folder / JOURNAL
    try:
        is_there = path.is_file()
    except OSError as error:  # a name that is too long, a disk that fails
        raise RecordError(
            f"cannot be looked into: {error.strerror}", where=str(folder), todo="name a folder in results"
        ) from error
    if not is_there:
        raise RecordError(
            "is not a record: there is no journal in it", where=str(folder), todo="name a folder in results"
        )
    return path


def is_place(name: Path) -> bool:
    """What a person named is a place on the disk, or the name of one that is not there, and no serial."""
    # It never raises, as a name that is too long would. A serial may have a slash: then no folder is before it.
    return os.path.exists(name) or (len(name.parts) > 1 and os.path.isdir(name.parent))  # noqa: PTH110, PTH112


def is_sealed(folder: Path) -> bool:
    """True once a run is over and its record complete, or another one was made of it."""
    return (folder / DIGEST).exists() or (folder / SALVAGED).exists()


def type_sheet_of(folder: Path) -> TypeSheet:
    """The type sheet as it was used; raises InputError if it is at fault."""
    return load_type_sheet(str((folder / TYPE).resolve()))[0]


def settings_of(folder: Path) -> dict[int, FileModel]:
    """The settings of each step of the sequence as it was used, by number; none where it cannot be read any more.

    It cannot where a package that added a step is gone, and what was read stays.
    """
    try:
        return {number: settings for number, _, settings in steps_in(folder / SEQUENCE, kept=folder / INPUTS)}
    except LivezeroError:
        return {}


def write_synced(path: Path, text: str | bytes) -> None:
    """Write a file so that it outlives a power cut; raises OSError."""
    with path.open("wb") as file:
        file.write(text.encode() if isinstance(text, str) else text)
        file.flush()
        os.fsync(file.fileno())
