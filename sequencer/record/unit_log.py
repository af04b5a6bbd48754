"""What was done to units between their runs: repairs, and the records that others are held against.

One file beside the records, a line each, chained, appended and synced as a journal is: nothing in it is changed or
taken out. A line has a number of its own that is the same wherever it is copied to, so that it is never taken twice.
"""

import uuid
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from instruments.clock import RealClock
from instruments.errors import InputError, RecordError
from sequencer.journal.lines import unit_log_lines
from sequencer.journal.writer import Journal, chain_faults

__all__ = ["UNIT_LOG", "append", "log", "log_faults", "logged"]

UNIT_LOG = "units.jsonl"
_WAIT_S, _TRIES = 0.05, 200


def logged(results: Path) -> list[dict[str, Any]]:
    """The lines of the log beside some records, in order; [] if there is none. Raises RecordError if it is damaged."""
    path = results / UNIT_LOG
    return list(unit_log_lines(path)) if path.is_file() else []


def log_faults(results: Path) -> tuple[str, ...]:
    """What was changed in the log, each with its line; () if nothing. Raises RecordError if it cannot be read."""
    path = results / UNIT_LOG
    return chain_faults(path) if path.is_file() else ()


def log(results: Path, kind: str, **fields: Any) -> dict[str, Any]:  # noqa: ANN401  JSON values
    """Write a line: "repair" with serial, part, by, text; "baseline" with name, serial, type, folder, digest, by, why.

    The day of it is `date`, now if it is not given.

    Returns:
        The line.

    Raises:
        InputError: nobody says it.
        RecordError: it cannot be written.
    """
    if not str(fields.get("by", "")).strip():
        raise InputError(f"a {kind} without a name", todo="say who, with --by")
    line = {"id": uuid.uuid4().hex, "date": datetime.now(UTC).isoformat(timespec="seconds")} | fields
    append(results, [{"kind": kind} | line])
    return {"kind": kind} | line


def append(results: Path, lines: Iterable[dict[str, Any]]) -> int:
    """Write lines as they are, those that are there already left out; returns how many. Raises RecordError."""
    try:
        results.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(
            f"cannot be made: {error.strerror}", where=str(results), todo="check name and rights"
        ) from error
    path = results / UNIT_LOG
    with _opened(path) as journal:
        there = {line["id"] for line in logged(results)}
        new = [line for line in lines if line["id"] not in there]
        for line in new:
            journal.write(line["kind"], sync=True, **{name: each for name, each in line.items() if name != "kind"})
    return len(new)


def _opened(path: Path) -> Journal:
    """The log, waited for while another process writes a line of its own; raises RecordError."""
    clock = RealClock()
    for _ in range(_TRIES):
        try:
            return Journal(path, again=path.exists())
        except RecordError as error:
            if path.exists() and "another process" not in error.what and "File exists" not in error.what:
                raise
            if not path.parent.is_dir():
                raise
        clock.sleep(_WAIT_S)
    return Journal(path, again=path.exists())
