"""A record whose seal was taken away: known by what the index remembers of it, refused, or sealed anew by name."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from os import PathLike
from pathlib import Path

from instruments.errors import LivezeroError, RecordError
from sequencer.jobs.hand_over import NAMED_BY
from sequencer.journal.writer import Journal, chain_faults, read_journal
from sequencer.record.addenda import add, added
from sequencer.record.digest import lost_seal
from sequencer.record.layout import ADDENDA, ADDENDA_BEFORE, JOURNAL, UNSEALED, write_synced
from sequencer.record.verify import Verification
from sequencer.record.verify import verify as verified

__all__ = ["begin_seal_anew", "end_seal_anew", "known_digest", "refuse_lost_seal", "reopened", "verify"]


def known_digest(folder: Path) -> str:
    """The digest that the index has a record sealed with; "" where it knows none, or cannot be asked."""
    named = os.environ.get(NAMED_BY, "")
    results = folder.resolve().parent
    if named == "none" or (not named and not (results / ".index").is_dir()):
        return ""
    from sequencer.index.database import Database  # noqa: PLC0415  loaded where there is an index
    from sequencer.index.keeping import kept_digest  # noqa: PLC0415
    from sequencer.index.place import here  # noqa: PLC0415

    with suppress(LivezeroError):
        database = Database.of(results, named)
        if database.is_there:
            with database.reading() as connection:
                place = here(results).found(connection)
                return "" if place is None else kept_digest(connection, place, folder.resolve().name)
    return ""


def verify(folder: PathLike[str] | str) -> Verification:
    """Compute digests, chain and figures of a record again and tell what was altered; the index is asked too.

    Raises:
        RecordError: there is no record.

    Example:
        >>> proof = sequencer.verify(sequencer.open("GF-104"))
        >>> proof.is_intact, proof.findings
        (True, ())
    """
    return verified(folder, known=known_digest(Path(folder)))


def refuse_lost_seal(folder: Path) -> None:
    """Raise RecordError for a record that was sealed and has no seal any more: it is no run to go on with."""
    if lost := lost_seal(folder, read_journal(folder / JOURNAL), known=known_digest(folder)):
        raise RecordError(
            lost,
            where=str(folder),
            todo=f"put it back from a copy; livezero verify {folder} says what else can be done",
        )


@contextmanager
def reopened(folder: Path) -> Iterator[Journal]:
    """The journal of a run that goes on or is ended; the record says that it is not sealed, as one of before does not.

    Raises:
        RecordError: as `Journal`, or it cannot be written.
    """
    with Journal(folder / JOURNAL, again=True) as journal:
        try:
            write_synced(folder / UNSEALED, "")
        except OSError as error:
            raise RecordError(
                f"the record cannot be written: {error.strerror}", where=str(folder), todo="check disk and rights"
            ) from error
        yield journal


def begin_seal_anew(folder: Path, who: str) -> None:
    """Say in the journal who has a record sealed anew, and why; what was added to it under the lost seal is kept.

    Args:
        folder: of the record.
        who: "NAME: reason".

    Raises:
        RecordError: its seal is not lost, its journal was altered besides, or it cannot be written.
    """
    known = known_digest(folder)
    if not lost_seal(folder, read_journal(folder / JOURNAL), known=known):
        raise RecordError(
            "its seal is not lost", where=str(folder), todo=f"livezero verify {folder} says what can be done with it"
        )
    if faults := chain_faults(folder / JOURNAL):
        raise RecordError(
            f"its journal was altered besides: {faults[0]}",
            where=str(folder),
            todo=f"put it back from a copy; livezero salvage {folder} makes a new record of all that is whole",
        )
    by, _, why = who.partition(": ")
    try:
        for path in folder.iterdir():
            if path.is_file():
                path.chmod(0o644)
        write_synced(folder / UNSEALED, "")
        with Journal(folder / JOURNAL, again=True) as journal:
            date = datetime.now(UTC).isoformat(timespec="seconds")
            journal.write("resealed", sync=True, date=date, by=by, why=why, was=known)
        if (folder / ADDENDA).exists() and not (folder / ADDENDA_BEFORE).exists():
            (folder / ADDENDA).replace(folder / ADDENDA_BEFORE)
    except OSError as error:
        raise RecordError(
            f"the record cannot be written: {error.strerror}", where=str(folder), todo="check disk and rights"
        ) from error


def end_seal_anew(folder: Path) -> bool:
    """Add what was added before under the new seal too; False where nothing was."""
    more = added(folder, ADDENDA_BEFORE)
    for line in more:
        fields = {name: value for name, value in line.items() if name not in {"kind", "chain"}}
        add(folder, line["kind"], **fields)
    return bool(more)
