"""The units of a batch whose runs were cut off or interrupted, gone on with together.

They share the source, so they share what is left of the plan: that of the unit which lacks most. What another one had
read of it already is read again, and stands in its record with a higher attempt.
"""

from collections.abc import Mapping
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from instruments.bench import Bench
from sequencer.jobs.interrupted import opened_of, planned_before, refuse_what_is_sealed, rest_of
from sequencer.jobs.lost_seal import reopened
from sequencer.jobs.resume import last_date, resumed
from sequencer.journal.lines import end_of, identities_of, run_lines
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Plan
from sequencer.record.layout import JOURNAL
from sequencer.running.loop import Rest
from sequencer.running.outcome import Outcome

__all__ = ["Again", "unfinished"]


@dataclass
class Again:
    """Units that are gone on with; a context manager that closes their journals.

    Attributes:
        rest: what is left of the plan for all; None where every unit is new.
        journals: open, by serial.
        over: folder and outcome of those that were over, and only not sealed, by serial.
    """

    rest: Rest | None = None
    journals: dict[str, Journal] = field(default_factory=dict)
    over: dict[str, tuple[Path, Outcome]] = field(default_factory=dict)
    lines: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    rests: dict[str, Rest] = field(default_factory=dict)
    stack: ExitStack = field(default_factory=ExitStack)

    def taken(self, serial: str) -> Mapping[int, int]:
        """How often each point of a unit, by its number, was taken before."""
        return self.rests[serial].taken if serial in self.rests else {}

    def resumed(self, serial: str, plan: Plan, operator: str, bench: Bench) -> AbstractContextManager[Journal]:
        """The journal of a unit with the line that it is gone on with."""
        assert self.rest is not None
        lines = self.lines[serial]
        last = datetime.fromisoformat(last_date(lines))
        return resumed(plan, self.rest, self.journals[serial], last, operator, identities_of(lines), bench)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stack.close()


def unfinished(records: Mapping[str, Path], plan: Plan) -> Again:
    """What is left of the units of a group.

    Args:
        records: by serial, of those that were begun; sealed ones are refused.
        plan: that they were begun with.

    Raises:
        RecordError: one is over and sealed, still goes on, or was altered.
    """
    again = Again()
    with ExitStack() as stack:
        for serial, record in records.items():
            refuse_what_is_sealed(record)
            with ExitStack() as own:
                journal = own.enter_context(reopened(record))
                lines = list(run_lines(record / JOURNAL))
                opened_of(record, lines)
                end = end_of(lines)
                dropped = next((line["reason"] for line in reversed(lines) if line["kind"] == "dropped"), None)
                if end is not None and end["kind"] == "closed":
                    again.over[serial] = (record, Outcome(status=end["status"], reason=end["reason"]))
                elif dropped is not None:  # it was given up, and stays so
                    again.over[serial] = (record, _closed(journal, f"dropped: {dropped}"))
                else:
                    planned_before(record, lines)  # refuses what was altered
                    again.lines[serial], again.rests[serial] = lines, rest_of(record, plan, lines)
                    again.journals[serial] = journal
                    stack.enter_context(own.pop_all())
        again.stack = stack.pop_all()
    rests = list(again.rests.values())
    if rests:
        longest = max(rests, key=lambda each: len(each.points))
        again.rest = replace(
            longest, taken={}, began=min(each.began for each in rests), passed_s=max(each.passed_s for each in rests)
        )
    return again


def _closed(journal: Journal, reason: str) -> Outcome:
    outcome = Outcome(status="stopped by the sequence", reason=reason)
    journal.write(
        "closed",
        sync=True,
        date=datetime.now(UTC).isoformat(timespec="milliseconds"),
        status=outcome.status,
        reason=outcome.reason,
        torn=journal.torn,
    )
    return outcome
