"""Runs that are not resumed: their bench made safe, what is there evaluated and sealed."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from instruments.errors import LivezeroError, UnsafeError
from instruments.keyed import KeyedSource
from instruments.locks import bench_held
from instruments.roles import Operator
from sequencer.jobs.drive import Nobody, RunResult, kept, opened_bench
from sequencer.jobs.interrupted import kept_plan, opened_of, refuse_what_is_sealed
from sequencer.journal.lines import end_of, run_lines
from sequencer.journal.writer import Journal
from sequencer.record.layout import JOURNAL
from sequencer.running.outcome import Outcome

__all__ = ["close", "make_safe"]


def close(folder: Path | str, *, operator: Operator | None = None) -> RunResult:
    """End a run that was cut off or interrupted: evaluate what is there, seal it.

    One that was cut off has its bench made safe first; one that was interrupted left it safe.

    Returns:
        The outcome with the record; the error of an outcome is what kept the bench from being made safe.

    Raises:
        RecordError: the run is over, or still goes on, or its journal is no journal.
    """
    folder = Path(folder)
    refuse_what_is_sealed(folder)
    with Journal(folder / JOURNAL, again=True) as journal:
        lines = list(run_lines(folder / JOURNAL))
        opened_of(folder, lines)
        end = end_of(lines)
        if end is None or end["kind"] == "interrupted":
            outcome = _given_up(folder, lines, operator)
            journal.write(
                "closed",
                sync=True,
                date=datetime.now(UTC).isoformat(timespec="milliseconds"),
                status=outcome.status,
                reason=outcome.reason,
                torn=journal.torn,
            )
        else:
            outcome = Outcome(status=end["status"], reason=end["reason"])
    return kept(folder, outcome)


def make_safe(folder: Path | str, *, operator: Operator | None = None) -> dict[str, str]:
    """Bring the outputs of a run that was cut off to their safe levels, on the bench that its record keeps.

    Returns:
        The safe level by instrument; nothing of a simulated bench, which went with its process.

    Raises:
        RecordError: the record was altered, so that its bench is not known.
        InstrumentError: another run holds the bench, or an output cannot be reached.
        UnsafeError: an output was reached, and could not be made safe.
    """
    plan = kept_plan(Path(folder))
    if plan.bench.file.is_simulated:
        return {}
    job = f"making safe after {Path(folder).name}"
    with bench_held(plan.bench, job=job), opened_bench(plan, operator or Nobody(), lambda _: None) as bench:
        for source in bench.sources.values():
            if source.name in bench.instruments:
                bench.instruments[source.name].meet()  # what is sent next must go to the source, and to no other
            elif isinstance(source, KeyedSource):
                source.left_by_others()
        return bench.make_safe()


def _given_up(folder: Path, lines: list[dict[str, Any]], operator: Operator | None) -> Outcome:
    end = end_of(lines)
    if end is not None and end["status"] != "not safe":  # whoever uses its outputs now is not disturbed
        return Outcome(status=end["status"], reason=f"{end['reason']}, and closed without being resumed")
    points = [line["number"] for line in lines if line["kind"] == "reading"]
    place = f"after a reading at point {points[-1]}" if points else "before the first reading"
    story = end["reason"] if end is not None else f"cut off {place}"
    reason = f"{story}, and closed without being resumed"
    try:
        make_safe(folder, operator=operator)
    except UnsafeError as error:
        return Outcome(status="not safe", reason=f"{error.what}; {reason}", error=error)
    except LivezeroError as error:
        return Outcome(
            status="interrupted", reason=f"{reason}; its outputs were not made safe: {error.what}", error=error
        )
    return Outcome(status="interrupted", reason=reason)
