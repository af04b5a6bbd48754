"""A run that was cut off or interrupted, gone on with."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import partial
from os import PathLike
from pathlib import Path
from typing import Any

from instruments.bench import Bench
from instruments.roles import Operator
from instruments.session import Teller
from sequencer.jobs.drive import Nobody, RunResult, drive, kept, process_of
from sequencer.jobs.interrupted import opened_of, planned_before, refuse_what_is_sealed, rest_of
from sequencer.jobs.lost_seal import reopened
from sequencer.jobs.safe import Say, make_safe
from sequencer.journal.lines import end_of, identities_of, run_lines
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Plan
from sequencer.record.create import create_again, versions
from sequencer.record.layout import JOURNAL
from sequencer.reports.notebook_progress import notebook_listener
from sequencer.running.events import Listener
from sequencer.running.loop import Rest
from sequencer.running.outcome import Outcome

__all__ = ["last_date", "resume", "resumed"]


def resume(  # noqa: PLR0913  all but the folder by keyword
    folder: PathLike[str] | str,
    *,
    operator_name: str = "",
    operator: Operator | None = None,
    listener: Listener | None = None,
    trace: Teller | None = None,
    monte_carlo: int | None = None,
    pursue: bool = False,
    acknowledged_by: str = "",
    say: Say | None = None,
) -> RunResult:
    """Go on with a run that was cut off or interrupted, by the plan and on the bench that its record keeps.

    The exercise is done again, the cycle that was interrupted is repeated from its start (see `interrupted`). On a
    simulated bench a new one with the same seed takes over, its time set to that of the journal.

    Args:
        folder: of the record.
        operator_name: for the record.
        operator: as for `run`.
        listener: as for `run`.
        trace: as for `run`.
        monte_carlo: as for `run`.
        pursue: as for `run`; also where every point of the sequence had been read.
        acknowledged_by: "NAME: reason" of who answers for a source that is not proved safe; "" = nobody does.
        say: takes what is not proved safe, and what becomes of it.

    Raises:
        UnsafeError: a source that was left on is not proved safe; the record is as it was.
        RecordError: the run is over, or still goes on, or the record was altered.
        InputError: an input that is kept is at fault.
        PlanError: the plan is not possible any more.
        InstrumentError: another run holds the bench, or a resource cannot be opened; nothing was energised.

    Example:
        >>> cut_off = sequencer.open("GF-106")
        >>> cut_off.content.status
        'interrupted'
        >>> sequencer.resume(cut_off).outcome.status
        'complete'
    """
    folder = Path(folder)
    refuse_what_is_sealed(folder)
    make_safe(folder, operator=operator, acknowledged_by=acknowledged_by, say=say)
    with reopened(folder) as journal:
        lines = list(run_lines(folder / JOURNAL))
        opened, end = opened_of(folder, lines), end_of(lines)
        if end is not None and end["kind"] == "closed":
            outcome = Outcome(status=end["status"], reason=end["reason"])
            return kept(folder, outcome, listener, monte_carlo=monte_carlo)
        plan = planned_before(folder, lines)
        rest = rest_of(folder, plan, lines)
        last = datetime.fromisoformat(last_date(lines))
        folder, outcome = drive(
            plan,
            partial(resumed, plan, rest, journal, last, operator_name, identities_of(lines)),
            serial=opened["serial"],
            operator=operator or Nobody(),
            listener=listener or notebook_listener(plan),
            trace=trace,
            pursue=pursue,
            rest=rest,
            place=(opened.get("batch") or {}).get("place"),
        )
    return kept(folder, outcome, listener, monte_carlo=monte_carlo)


@contextmanager
def resumed(
    plan: Plan,
    rest: Rest,
    journal: Journal,
    last: datetime,
    operator_name: str,
    identities: dict[str, str],
    bench: Bench,
) -> Iterator[Journal]:
    """The journal of the run, what is done from here on said in it; `last` is when it was written last.

    Each instrument must be the one that it was before, by its identity with the serial, as within a run.
    """
    for name, instrument in bench.instruments.items():
        instrument.identity = identities.get(name, "")
    journal.elsewhere = partial(create_again, journal.path.parent, plan)
    reads = [point for point in rest.points if point.setpoint.is_read]
    if plan.bench.file.is_simulated:
        bench.clock.sleep((last - bench.clock.date()).total_seconds())
    journal.write(
        "resumed",
        sync=True,
        date=bench.clock.date().isoformat(timespec="milliseconds"),
        gap_s=max((bench.clock.date() - last).total_seconds(), 0.0),
        cycle=reads[0].setpoint.cycle if reads else None,
        from_point=reads[0].number if reads else None,
        is_new_simulation=plan.bench.file.is_simulated,
        operator=operator_name,
        torn=journal.torn,
        versions=versions(),
        process=process_of(plan),
    )
    yield journal


def last_date(lines: list[dict[str, Any]]) -> str:
    """The latest date that stands in a journal."""
    return str(
        next(line.get("at") or line.get("date") for line in reversed(lines) if line.get("at") or line.get("date"))
    )
