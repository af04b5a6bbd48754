"""Records taken from one site to another in a file: exported as they are asked for, imported once however often."""

from dataclasses import dataclass
from pathlib import Path

from instruments.errors import RecordError
from sequencer.index.filters import Filters
from sequencer.index.frames import Frames
from sequencer.index.looking import look
from sequencer.index.place import here
from sequencer.inputs.serials import serial_key
from sequencer.jobs.index_jobs import index_of
from sequencer.record.parcel import Packed, Taken, pack, unpack
from sequencer.record.unit_log import append, logged

__all__ = ["Imported", "export_records", "import_records"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What became of the records of a file, and how many lines of its log of units were new."""

    taken: tuple[Taken, ...]
    log_n: int


def export_records(path: Path | str, results: Path | str = "results", *, index: str = "", **asked: str) -> Packed:
    """Write the records of a folder that are asked for into a file, with the repairs and baselines of their units.

    Args:
        path: of the file.
        results: folder of the records.
        index: as for `records`.
        asked: as of `Filters`.

    Raises:
        InputError: a date is none, or what is named is no database.
        RecordError: none is found, the file is there already, or as `records`.
    """
    results = Path(results)
    database = index_of(results, index)
    look(database, results)
    found = Frames(database, Filters(place=here(results).uuid, **asked)).records
    folders = [results / Path(each).name for each in found["folder"]]
    kept = [each for each in dict.fromkeys(folders) if each.is_dir()]
    if not kept:
        raise RecordError("there is no such record to export", where=str(results), todo="livezero records lists them")
    keys = set(map(serial_key, found["serial"]))
    log = [line for line in logged(results) if not line["serial"] or serial_key(line["serial"]) in keys]
    return pack(Path(path), kept, log)


def import_records(path: Path | str, results: Path | str = "results", *, index: str = "") -> Imported:
    """Take the records of a file into a folder; one that is there already, by its digest, is not taken again.

    Raises:
        InputError: what is named is no database.
        RecordError: it is no file of records, or nothing can be written.
    """
    results = Path(results)
    if not Path(path).is_file():
        raise RecordError("there is no such file", where=str(path), todo="one is made by livezero export")
    results.mkdir(parents=True, exist_ok=True)
    database = index_of(results, index)
    look(database, results)
    found = Frames(database, Filters(place=here(results).uuid)).records
    whole = found[(found["digest"] != "") & (found["condition"] == "whole")]
    there = {
        digest: results / Path(folder).name
        for digest, folder in zip(whole["digest"], whole["folder"], strict=True)
        if (results / Path(folder).name).is_dir()
    }
    taken, log = unpack(Path(path), results, there)
    log_n = append(results, log) if log else 0
    look(database, results)
    return Imported(taken=taken, log_n=log_n)
