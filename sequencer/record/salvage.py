"""A new record of what is whole in a damaged one, which stays as it is."""

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from instruments.errors import RecordError
from instruments.texts import as_json
from instruments.version import __version__
from sequencer.journal.lines import Whole, end_of, whole_lines
from sequencer.journal.writer import Journal, is_being_written
from sequencer.record.create import first_free
from sequencer.record.digest import alterations, inputs_of
from sequencer.record.layout import (
    INPUTS,
    JOURNAL,
    SALVAGED,
    TYPE,
    UNSEALED,
    is_sealed,
    journal_of,
    type_sheet_of,
    write_synced,
)
from sequencer.running.events import Status
from sequencer.running.outcome import Outcome

__all__ = ["salvage"]

_SHOWN_N = 3


def salvage(folder: Path) -> tuple[Path, Outcome]:
    """Write the whole lines of a damaged journal, and its inputs, as a new record beside it, not sealed yet.

    What is lost stands in the new one as remarks. Where figures may follow from it, the run counts as not complete.

    Returns:
        The folder of the new record, and how its run ended.

    Raises:
        RecordError: nothing is damaged; or the run still goes on; or its first line or its type sheet is lost, without
            which nothing can be evaluated; or the new record cannot be written.
    """
    journal = journal_of(folder)
    if (folder / SALVAGED).exists():
        raise RecordError("was salvaged before", where=str(folder), todo=f"see {SALVAGED} in it for the new record")
    if not is_sealed(folder) and is_being_written(journal):
        raise RecordError("the run still goes on", where=str(folder), todo="wait until it is over")
    whole = whole_lines(journal)
    if not whole.lines or whole.lines[0]["kind"] != "opened":
        raise RecordError(
            "the first line of the journal is lost, and nothing says how what follows was measured",
            where=str(journal),
            todo="put it back from a copy; readings that can be read are judged by hand with: livezero evaluate",
        )
    opened = whole.lines[0]
    lost = [f"{JOURNAL}: {each}" for each in whole.lost]
    now, then = inputs_of(folder), opened.get("inputs") or {}
    lost += [f"{name}: is missing, or was changed" for name in sorted(then) if now.get(name) != then[name]]
    if now.get(TYPE) != then.get(TYPE, now.get(TYPE)):
        raise RecordError(
            "its type sheet is not the one that was used",
            where=str(folder / TYPE),
            allowed=f"the file with the SHA-256 {then[TYPE]}",
            todo="put it back from a copy",
        )
    if is_sealed(folder):
        altered = alterations(folder)
        lost += [each for each in altered if not each.startswith(JOURNAL)]
        if not whole.lost and (cut := [each for each in altered if each.startswith(JOURNAL)]):
            lost += cut  # what its chain cannot tell: lines taken off, or put to, its end
            whole = replace(whole, lines=(*whole.lines, {"kind": "lost"}))
    if not lost:
        raise RecordError(
            "nothing in it is damaged",
            where=str(folder),
            todo=f"livezero report {folder}" if is_sealed(folder) else f"livezero resume {folder}, or livezero close",
        )
    type_sheet_of(folder)
    try:
        new = first_free(folder.parent, f"{folder.name}_salvaged")
        shutil.copytree(folder / INPUTS, new / INPUTS, dirs_exist_ok=True)
        write_synced(new / UNSEALED, "")
        outcome = _write(new / JOURNAL, whole, lost, source=folder)
        if not is_sealed(folder):
            said = {"record": new.name, "date": _now(), "livezero": __version__}
            write_synced(folder / SALVAGED, as_json(said) + "\n")
    except OSError as error:
        raise RecordError(
            f"the record cannot be written: {error.strerror}", where=str(folder.parent), todo="make room on the disk"
        ) from error
    return new, outcome


def _write(path: Path, whole: Whole, lost: list[str], *, source: Path) -> Outcome:
    """The journal of the new record; how its run ended."""
    end = end_of(whole.lines)
    reason = "cut off" if end is None else end["reason"]
    status: Status = end["status"] if end is not None and whole.is_for_people else "interrupted"
    if not whole.is_for_people:
        more = f" and {len(lost) - _SHOWN_N} more" if len(lost) > _SHOWN_N else ""
        what = f"lost of its journal: {', '.join(each.partition(': ')[2] for each in lost[:_SHOWN_N])}{more}"
        reason = what if end is not None and end["status"] == "complete" else f"{reason}; {what}"
    kept = [line for line in whole.lines if line is not end and line["kind"] != "lost"]
    with Journal(path) as journal:
        for line in kept:
            journal.write(line["kind"], sync=False, **{name: each for name, each in line.items() if name != "kind"})
        journal.write("remark", sync=False, text=f"salvaged from {source.name}, {len(kept)} lines of its journal whole")
        for each in lost:
            journal.write("remark", sync=False, text=f"lost in {source.name}: {each}")
        journal.write("closed", sync=True, date=_now(), status=status, reason=reason)
    return Outcome(status=status, reason=reason)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
