"""Runs that are not resumed: their bench made safe, what is there evaluated and sealed."""

from dataclasses import replace
from datetime import UTC, datetime
from os import PathLike
from pathlib import Path
from typing import Any

from instruments.errors import LivezeroError, RecordError, UnsafeError
from instruments.roles import Operator
from sequencer.jobs.drive import RunResult, kept
from sequencer.jobs.hand_over import hand_over
from sequencer.jobs.interrupted import kept_plan, opened_of, refuse_what_is_sealed
from sequencer.jobs.lost_seal import begin_seal_anew, end_seal_anew, reopened
from sequencer.jobs.plan import acknowledgement, seal_anew
from sequencer.jobs.safe import Say, is_left_on, make_safe
from sequencer.journal.lines import end_of, run_lines
from sequencer.record.layout import JOURNAL, is_sealed, journal_of
from sequencer.record.load import load
from sequencer.running.outcome import Outcome

__all__ = ["close"]


def close(
    folder: PathLike[str] | str,
    *,
    operator: Operator | None = None,
    acknowledged_by: str = "",
    sealed_anew_by: str = "",
    say: Say | None = None,
) -> RunResult:
    """End a run that was cut off or interrupted: evaluate what is there, seal it.

    What its bench was left with is made safe first; one that is proved safe is left alone.

    Args:
        folder: of the record.
        operator: asked where a person sets the source.
        acknowledged_by: "NAME: reason" of who answers for what cannot be proved safe; "" = nobody does.
        sealed_anew_by: "NAME: reason" of who has a record sealed anew whose seal is lost; "" = nobody does.
        say: takes what is not proved safe, and what becomes of it.

    Returns:
        The outcome with the record; the error of an outcome is what kept the bench from being made safe.

    Raises:
        InputError: an acknowledgement without name or reason.
        RecordError: the run is over, or still goes on, or its journal is no journal; or its seal is lost, and nobody
            answers for a new one.

    Example:
        >>> cut_off = sequencer.open("GF-105")
        >>> sequencer.close(cut_off).outcome.status
        'interrupted'
        >>> sequencer.verify(cut_off).is_intact
        True
    """
    folder = Path(folder)
    journal_of(folder)
    who = seal_anew(sealed_anew_by)
    if is_sealed(folder):  # it was closed before, and its bench may still be as it was left
        make_safe(folder, operator=operator, acknowledged_by=acknowledged_by, say=say)
        refuse_what_is_sealed(folder)
    if who:
        begin_seal_anew(folder, who)
    else:
        refuse_what_is_sealed(folder)
    unsafe = _made_safe(folder, operator, acknowledgement(acknowledged_by), say)
    with reopened(folder) as journal:
        lines = list(run_lines(folder / JOURNAL))
        opened_of(folder, lines)
        end = end_of(lines)
        if end is None or end["kind"] == "interrupted":
            outcome = _given_up(lines, unsafe)
            journal.write(
                "closed",
                sync=True,
                date=datetime.now(UTC).isoformat(timespec="milliseconds"),
                status=outcome.status,
                reason=outcome.reason,
                torn=journal.torn,
            )
        else:
            outcome = Outcome(status=end["status"], reason=end["reason"], error=unsafe)
    result = kept(folder, outcome)
    if who and end_seal_anew(folder):
        return replace(result, record=load(folder), not_indexed=hand_over(folder))
    return result


def _made_safe(folder: Path, operator: Operator | None, who: str, say: Say | None) -> LivezeroError | None:
    """What kept the bench from being proved safe; None if nothing did, or nothing had to be done."""
    try:
        lines = list(run_lines(folder / JOURNAL))
    except RecordError:
        make_safe(folder, operator=operator, acknowledged_by=who, say=say)
        raise
    opened = opened_of(folder, lines)
    try:
        if is_left_on(folder, lines):  # else whoever uses its outputs now is not disturbed
            make_safe(folder, operator=operator, acknowledged_by=who, say=say)
        elif opened["is_simulated"] and end_of(lines) is None:
            kept_plan(folder)  # an altered record may say so of a bench that was real
    except LivezeroError as error:
        return error
    return None


def _given_up(lines: list[dict[str, Any]], unsafe: LivezeroError | None) -> Outcome:
    end = end_of(lines)
    points = [line["number"] for line in lines if line["kind"] == "reading"]
    place = f"after a reading at point {points[-1]}" if points else "before the first reading"
    story = end["reason"] if end is not None else f"cut off {place}"
    reason = f"{story}, and closed without being resumed"
    if isinstance(unsafe, UnsafeError):
        return Outcome(status="not safe", reason=f"{unsafe.what}; {reason}", error=unsafe)
    if unsafe is not None:
        return Outcome(
            status="interrupted", reason=f"{reason}; its outputs were not made safe: {unsafe.what}", error=unsafe
        )
    # What it says of its outputs was true then; by now they are proved safe.
    was_safe = end is not None and end["status"] != "not safe"
    return Outcome(status=end["status"] if end is not None and was_safe else "interrupted", reason=reason)
