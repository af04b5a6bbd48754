"""A record as it ends: table, figures and digest written, and everything that was found locked."""

import json
from dataclasses import replace
from pathlib import Path

from instruments.errors import RecordError
from instruments.texts import as_json
from sequencer.journal.writer import read_journal
from sequencer.readings.table import write_csv
from sequencer.record.digest import digest_of
from sequencer.record.layout import DIGEST, FIGURES, JOURNAL, READINGS, UNSEALED, write_synced
from sequencer.record.load import load
from sequencer.record.record import Record
from sequencer.reports.json_document import document

__all__ = ["seal"]


def seal(folder: Path) -> Record:
    """Write table, figures and digest of a run that is over, and read the record back.

    Raises:
        RecordError: it cannot be written.
    """
    held = {JOURNAL: read_journal(folder / JOURNAL)}
    record = load(folder, held=held)
    try:
        write_csv(record.readings, folder / READINGS)
        write_synced(folder / FIGURES, as_json(document(record.content), indent=1) + "\n")
        digest = digest_of(folder, held)
        new = folder / f"{DIGEST}.new"
        write_synced(new, json.dumps(digest, indent=1) + "\n")
        new.replace(folder / DIGEST)  # there or not there, never half of it: with it the record is sealed
        (folder / UNSEALED).unlink(missing_ok=True)
        for name in (*digest["files"], DIGEST):  # what was found is locked; only the report is written again
            (folder / name).chmod(0o444)
    except OSError as error:
        raise RecordError(
            f"the record cannot be written: {error.strerror}", where=str(folder), todo="make room on the disk"
        ) from error
    return replace(record, content=replace(record.content, digest=digest["sha256"]))
