"""The journals of several units that are on one bench: what belongs to all stands in each, so that each is whole alone.

What goes over a line while one unit is served stands in its journal alone. A unit that was given up takes no more of
that, but what became of the outputs it was wired to.
"""

import contextlib
from collections.abc import Iterator, Sequence
from typing import Any

from instruments.errors import RecordError
from instruments.session import Exchange
from sequencer.journal.writer import Journal

__all__ = ["Journals"]

_TO_ALL = {"safe"}


class Journals:
    """Several journals, to be written as one.

    Args:
        each: one a unit, open.
    """

    def __init__(self, each: Sequence[Journal]) -> None:
        self._each = tuple(each)
        self._left_out: set[Journal] = set()
        self._served: Journal | None = None

    @property
    def start_s(self) -> float:
        """When the run began, on the clock of its exchanges."""
        return self._each[0].start_s

    @start_s.setter
    def start_s(self, start_s: float) -> None:
        for journal in self._each:
            journal.start_s = start_s

    def write(self, kind: str, *, sync: bool, **fields: Any) -> None:  # noqa: ANN401  JSON values
        """As `Journal.write`, in each; every one is tried before an error of one is raised."""
        failed: list[RecordError] = []
        for journal in self._taking(kind):
            try:
                journal.write(kind, sync=sync, **fields)
            except RecordError as error:
                failed.append(error)
        if failed:
            raise failed[0]

    def exchange(self, exchange: Exchange) -> None:
        """As `Journal.exchange`, in that of the unit that is served, else in each."""
        for journal in (self._served,) if self._served is not None else self._taking("exchange"):
            journal.exchange(exchange)

    def check_written(self) -> None:
        """As `Journal.check_written`, of each."""
        for journal in self._each:
            journal.check_written()

    def leave_out(self, journal: Journal) -> None:
        """A unit was given up."""
        self._left_out.add(journal)

    @contextlib.contextmanager
    def serving(self, journal: Journal | None) -> Iterator[None]:
        """One unit is served: what goes over a line belongs to it; None = it belongs to all."""
        before, self._served = self._served, journal
        try:
            yield
        finally:
            self._served = before

    def _taking(self, kind: str) -> list[Journal]:
        return [each for each in self._each if kind in _TO_ALL or each not in self._left_out]
