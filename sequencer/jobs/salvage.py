"""A damaged record: its bench made safe, and what is whole in it judged and sealed as a new one."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from instruments.errors import LivezeroError, RecordError
from instruments.roles import Operator
from sequencer.jobs.drive import RunResult, kept
from sequencer.jobs.hand_over import hand_over
from sequencer.jobs.safe import Say, make_safe
from sequencer.record.addenda import add, added
from sequencer.record.layout import is_sealed
from sequencer.record.load import load
from sequencer.record.salvage import salvage as salvaged

__all__ = ["salvage"]


def salvage(
    folder: Path | str, *, operator: Operator | None = None, acknowledged_by: str = "", say: Say | None = None
) -> RunResult:
    """Make a new record of all that is whole in a damaged one, which stays as it is.

    Where the run was not over, its bench is made safe first. What was added to a sealed record comes with it.

    Args:
        folder: of the damaged record.
        operator: asked where a person sets the source.
        acknowledged_by: as for `close`.
        say: as for `close`.

    Returns:
        The outcome with the new record; the error of an outcome is what kept the bench from being made safe.

    Raises:
        RecordError: nothing is damaged, the run still goes on, or nothing can be evaluated of what is left.
        InputError: its type sheet is at fault.
    """
    folder = Path(folder)
    error = None
    if not is_sealed(folder):
        try:
            make_safe(folder, operator=operator, acknowledged_by=acknowledged_by, say=say)
        except LivezeroError as fault:
            error = fault
    new, outcome = salvaged(folder)
    result = kept(new, replace(outcome, error=error))
    try:
        more = added(folder)
    except RecordError as fault:
        more = [{"kind": "remark", "by": "livezero", "text": f"lost in {folder.name}: {fault.where}: {fault.what}"}]
    for line in more:
        add(new, **{"date": datetime.now(UTC).isoformat(timespec="seconds")} | line)
    return result if not more else replace(result, record=load(new), not_indexed=hand_over(new))
