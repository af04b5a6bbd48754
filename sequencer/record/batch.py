"""A batch as it is kept: which units belong to it, and its pages. Each unit has a record of its own beside it.

batch.json    who, what, which units at which places; written before anything is energised, and never again
batch.html    the page of the batch, and result.json the same as a document; made of the records, and so made anew

A record says in the first line of its journal to which batch it belongs, so nothing has to be kept in step.
"""

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from instruments.errors import RecordError
from instruments.texts import as_json
from sequencer.record.create import first_free
from sequencer.record.layout import JOURNAL, write_synced

__all__ = [
    "BATCH",
    "PAGE",
    "RESULT",
    "Batch",
    "batch_folder_of",
    "create_batch",
    "is_batch",
    "load_batch",
    "records_of",
]

_LONGEST_LINE = 10_000_000
BATCH, PAGE, RESULT = "batch.json", "batch.html", "result.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What a batch was begun with.

    Attributes:
        name: of its folder.
        date: when it was begun.
        serials: of its units, in order.
        places: of each on the bench; None = the leads are moved to it by a person.
        is_together: the source drives all of them at once; else one after another.
        said: of each unit in its record: operator, state, acceptance of a low TUR, clearance of the bench.
        drops_failed: a unit that is dead or certain to fail is given up.
    """

    name: str
    date: str
    sequence: str
    bench: str
    serials: tuple[str, ...]
    places: tuple[int | None, ...]
    is_together: bool
    said: Mapping[str, str]
    drops_failed: bool = False

    def as_opened(self, serial: str) -> dict[str, Any]:
        """What the first line of the journal of a unit says of its batch."""
        number = self.serials.index(serial)
        return {"name": self.name, "unit": number + 1, "of": len(self.serials), "place": self.places[number]}


def create_batch(results: Path, batch: Batch) -> tuple[Path, Batch]:
    """A new folder with what the batch is begun with; returns it, and the batch with its name.

    Raises:
        RecordError: it cannot be written.
    """
    stamp = re.sub(r"[^0-9T]", "-", batch.date[:19])
    what = re.sub(r"[^A-Za-z0-9.-]+", "-", batch.sequence).strip(".-")[:40] or "sequence"
    try:
        results.mkdir(parents=True, exist_ok=True)
        folder = first_free(results, f"{stamp}_batch-of-{len(batch.serials)}_{what}")
        batch = replace(batch, name=folder.name)
        write_synced(folder / BATCH, as_json(asdict(batch), indent=1) + "\n")
    except OSError as error:
        raise RecordError(
            f"the batch cannot be written: {error.strerror}",
            where=str(results),
            todo="check name, disk and rights, or name another folder",
        ) from error
    return folder, batch


def is_batch(folder: Path) -> bool:
    """True for the folder of a batch."""
    try:
        return (folder / BATCH).is_file()
    except OSError:
        return False


def load_batch(folder: Path) -> Batch:
    """What a batch was begun with; raises RecordError for what is none."""
    path = folder / BATCH
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        kept["serials"], kept["places"] = tuple(map(str, kept["serials"])), tuple(kept["places"])
        found = replace(Batch(**kept), name=folder.name)
        if len(found.serials) != len(found.places) or not found.serials:
            raise ValueError("a place for each serial")  # noqa: TRY301  told below
    except (OSError, ValueError, LookupError, TypeError, RecursionError) as error:
        raise RecordError(
            "is not what a batch is begun with", where=str(path), todo="name the folder of a batch in results"
        ) from error
    return found


def records_of(folder: Path) -> dict[str, Path]:
    """The record of each unit of a batch that was begun, by serial; of a unit that was begun twice the last."""
    batch = load_batch(folder)
    found: dict[str, Path] = {}
    for path in sorted(folder.parent.glob(f"*/{JOURNAL}")):
        opened = _opened(path)
        of = opened.get("batch")
        if isinstance(of, dict) and of.get("name") == batch.name and opened.get("serial") in batch.serials:
            found[str(opened["serial"])] = path.parent
    return found


def batch_folder_of(record: Path) -> Path | None:
    """The folder of the batch that a record belongs to; None if to none, or if that is not beside it."""
    of = _opened(record / JOURNAL).get("batch")
    folder = record.parent / Path(str(of.get("name"))).name if isinstance(of, dict) else None
    return folder if folder is not None and is_batch(folder) else None


def _opened(path: Path) -> dict[str, Any]:
    """The first line of a journal; empty where it is none, as one that is damaged says not whose it is."""
    try:
        with path.open("rb") as file:
            found = json.loads(file.readline(_LONGEST_LINE))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
