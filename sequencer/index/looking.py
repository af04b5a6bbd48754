"""The index held to the folders: what is new or changed in them is read, what is gone is told. They are the truth.

A look costs the names of the folders and the times they were changed; only what those show is read. What a bench could
not hand over is what a later look finds, so nothing has to be remembered meanwhile, and nothing is taken twice.
"""

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Connection, delete, insert, select, update

from instruments.clock import RealClock
from instruments.errors import LivezeroError
from sequencer.index.copies import copied, settle_copies
from sequencer.index.database import Database
from sequencer.index.facts import Facts, Stamp, changed_ns_of, facts_of, stamp_of
from sequencer.index.keeping import forget, keep, kept_stamps, mark_missing
from sequencer.index.models import Baseline, Place, Repair
from sequencer.index.place import Here, here
from sequencer.inputs.serials import serial_key
from sequencer.record.layout import DIGEST, JOURNAL
from sequencer.record.unit_log import UNIT_LOG, log_faults, logged

__all__ = ["Looked", "build", "look"]

_PORTION = 200
Progress = Callable[[int, int], None]
Kept = tuple[Stamp, str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What a look at the folders found.

    Attributes:
        records_n: records in the folder.
        read_n: how many of them were read.
        wrong: (folder, condition, what of it) of those that are altered or unreadable, among those that were read.
        missing: folders that the index knows, and that are gone.
        moved: (folder that is gone, folder that the same record has now).
        copied: (folder, folder of the same record that counts), where all were read; a record counts once.
        log_faults: what was changed in the log of units.
    """

    records_n: int
    read_n: int
    wrong: tuple[tuple[str, str, str], ...]
    missing: tuple[str, ...]
    moved: tuple[tuple[str, str], ...] = ()
    copied: tuple[tuple[str, str], ...] = ()
    log_faults: tuple[str, ...] = ()


def look(database: Database, results: Path) -> Looked:
    """Read what is new or was changed since the last look.

    Args:
        database: the index.
        results: folder of the records.

    Raises:
        RecordError: the index cannot be reached, or there is no such folder of records.
    """
    place, kept = _known(database, results)
    found = dict(_folders(results))
    # Also what was told as missing before: it may be there under another name by now.
    changed = [name for name, changed_ns in found.items() if _is_changed(results / name, changed_ns, kept.get(name))]
    is_gone = tuple(name for name in kept if name not in found)
    looked = _read(database, results, place, changed, kept, records_n=len(found), gone=is_gone)
    return replace(looked, missing=tuple(name for name in looked.missing if kept[name][2] != "missing"))


def build(
    database: Database, results: Path, *, forgets_missing: bool = False, progress: Progress | None = None
) -> Looked:
    """Read every record anew, whatever the index says; as `look`.

    Args:
        database: the index.
        results: folder of the records.
        forgets_missing: take out what is known of records whose folder is gone.
        progress: told how many of how many records were read.

    Raises:
        RecordError: as for `look`.
    """
    place, kept = _known(database, results)
    found = sorted(name for name, _ in _folders(results))
    is_gone = tuple(sorted(kept.keys() - set(found)))
    looked = _read(database, results, place, found, kept, records_n=len(found), gone=is_gone, progress=progress)
    if forgets_missing and looked.missing:
        with database.writing() as connection:
            forget(connection, place.row_id(connection), looked.missing)
    with database.reading() as connection:
        return replace(looked, copied=copied(connection, place.found(connection)))


def _known(database: Database, results: Path) -> tuple[Here, dict[str, Kept]]:
    """The place, and what is kept of it."""
    place = here(results)
    with database.reading() as connection:
        number, is_moved = place.found(connection), place.is_moved(connection)
        kept = {} if number is None else kept_stamps(connection, number)
    if is_moved:
        with database.writing() as connection:
            place.row_id(connection)
    return place, kept


def _folders(results: Path) -> Iterator[tuple[str, int]]:
    """Each folder that may be a record, and when it was changed."""
    with os.scandir(results) as entries:
        for each in entries:
            try:
                if not each.name.startswith(".") and each.is_dir() and _is_record(each.path):
                    yield each.name, changed_ns_of(each.path, each.stat().st_mtime_ns)
            except OSError:  # gone just now, or not ours to see
                continue


def _is_record(path: str) -> bool:
    return os.path.exists(f"{path}/{JOURNAL}") or os.path.exists(f"{path}/{DIGEST}")  # noqa: PTH110  thousands of them


def _is_changed(folder: Path, changed_ns: int, kept: Kept | None) -> bool:
    if kept is None:
        return True
    before, digest, condition = kept
    if changed_ns != before.changed_ns or condition == "missing":
        return True
    if digest and not before.addenda_bytes:
        return False  # sealed, and a first remark would have changed the folder
    try:
        return stamp_of(folder, changed_ns=changed_ns, with_journal=not digest) != before
    except OSError:
        return False


def _read(
    database: Database,
    results: Path,
    place: Here,
    folders: Sequence[str],
    kept: Mapping[str, Kept],
    *,
    records_n: int,
    gone: tuple[str, ...],
    progress: Progress | None = None,
) -> Looked:
    wrong: list[tuple[str, str, str]] = []
    read_n = 0
    # By digest: which of those that are there it is; what is read now says more of it than what is kept.
    is_gone, names_of = set(gone), {}
    if gone:
        names_of = {digest: name for name, (_, digest, _) in kept.items() if digest and name not in is_gone}
    for names in _batched(folders):
        facts = list(_facts(results, names, kept))
        read_n += len(facts)
        told = ((each.record["folder"], each.record["condition"], each.record["said"]) for each in facts)
        wrong += [each for each in told if each[1] != "whole"]
        digests = {each.record["digest"]: each.record["folder"] for each in facts if each.record["digest"]}
        names_of |= digests
        if facts:
            with database.writing() as connection:
                keep(connection, place.row_id(connection), facts)
                settle_copies(connection, digests)
        if progress is not None:
            progress(read_n, len(folders))
    faults = _take_log(database, results, place)
    there = {name: names_of[kept[name][1]] for name in gone if kept[name][1] in names_of}
    moved = tuple((name, now) for name, now in there.items() if kept[name][2] != "copied")  # else a copy went
    missing = tuple(sorted(is_gone - there.keys()))
    lost = [name for name in missing if kept[name][2] != "missing"]
    if there or lost:
        with database.writing() as connection:
            number = place.row_id(connection)
            forget(connection, number, there)
            mark_missing(connection, number, lost)
            settle_copies(connection, {kept[name][1] for name in (*lost, *there)} - {""})
    return Looked(
        records_n=records_n, read_n=read_n, wrong=tuple(wrong), missing=missing, moved=moved, log_faults=faults
    )


def _batched(folders: Sequence[str]) -> Iterator[Sequence[str]]:
    return (folders[first : first + _PORTION] for first in range(0, len(folders), _PORTION))


def _facts(results: Path, names: Iterable[str], kept: Mapping[str, Kept]) -> Iterator[Facts]:
    clock = RealClock()
    for name in names:
        try:
            known = kept[name][1] if name in kept else ""
            yield facts_of(results / name, now_ns=int(1e9 * clock.date().timestamp()), known=known)
        except (LivezeroError, OSError):  # taken away meanwhile
            continue


def _take_log(database: Database, results: Path, place: Here) -> tuple[str, ...]:
    """Read the log of units, where it has grown; what of it was changed is told."""
    path = results / UNIT_LOG
    size = path.stat().st_size if path.is_file() else 0
    with database.reading() as connection:
        before = connection.scalar(select(Place.log_bytes).where(Place.uuid == place.uuid))
    if size == (before or 0):
        return ()
    try:
        lines = logged(results)
    except LivezeroError as error:
        return (f"{error.where}: {error.what}",)
    with database.writing() as connection:
        number = place.row_id(connection)
        _keep_log(connection, number, lines)
        connection.execute(update(Place).where(Place.id == number).values(log_bytes=size))
    return log_faults(results)


def _keep_log(connection: Connection, place_id: int, lines: Sequence[dict[str, str]]) -> None:
    """Those lines of a log that are not there yet."""
    for kind, table in (("repair", Repair), ("baseline", Baseline)):
        connection.execute(delete(table).where(table.place_id == place_id))
        there = set(connection.scalars(select(table.id)))
        names = [column.name for column in table.__table__.columns]
        rows = [_log_row(line) | {"place_id": place_id} for line in lines if line["kind"] == kind]
        new = [{name: row.get(name, "") for name in names} for row in rows if row["id"] not in there]
        if new:
            connection.execute(insert(table), new)


def _log_row(line: dict[str, str]) -> dict[str, object]:
    at = datetime.fromisoformat(line["date"]).astimezone(UTC).replace(tzinfo=None)
    return line | {"at": at, "serial_key": serial_key(line["serial"])}
