"""What a run says while it goes on: lines of its journal and events, with the time since it began and the point."""

import contextlib

from instruments.clock import Clock
from instruments.errors import LivezeroError
from sequencer.journal.together import Journals
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Point
from sequencer.running.confirmations import Stop
from sequencer.running.events import Event, Listener, Remarked

__all__ = ["Logbook"]

_STEP_S = 1.0  # a clock that is only kept right goes by less than that


class Logbook:
    """Journal and listener of one run, or of one unit of it.

    Args:
        journal: takes the lines.
        listener: takes the events.
        clock: of the bench.
        stop: what may have asked the run to stop.
    """

    def __init__(self, *, journal: Journal | Journals, listener: Listener, clock: Clock, stop: Stop) -> None:
        self.journal = journal
        self.tell = listener
        self.point: Point | None = None
        self._clock = clock
        self._stop = stop
        self._wall_s = self._against_the_wall()
        self.begin(0.0)

    def begin(self, passed_s: float) -> None:
        """The run begins now; `passed_s` had passed of it before it was resumed. Every `at_s` counts from then."""
        self._start_s = self.journal.start_s = self._clock.now() - passed_s

    def check_stop(self) -> None:
        """Stop here if somebody asked for it, or if the journal could not keep an exchange; look at the date."""
        self._stop.check_stop()
        self.journal.check_written()
        stepped_s = self._against_the_wall() - self._wall_s
        if abs(stepped_s) > _STEP_S:
            self._wall_s += stepped_s
            self.remark(
                f"the computer's clock went {'on' if stepped_s > 0 else 'back'} by {abs(stepped_s):.0f} s more than "
                "passed: it was set, or the computer slept; dates before and after differ by that, at_s does not"
            )

    def _against_the_wall(self) -> float:
        """The date less the time that never goes back."""
        return self._clock.date().timestamp() - self._clock.now()

    def at(self, clock_s: float) -> float:
        """Seconds since the run began."""
        return round(clock_s - self._start_s, 6)

    def date(self) -> str:
        """Now, as a date."""
        return self._clock.date().isoformat(timespec="milliseconds")

    def note(self, kind: str, **fields: object) -> None:
        """A line of the journal about the point where the run stands."""
        at_s, number = self.at(self._clock.now()), self.point.number if self.point else None
        self.journal.write(kind, sync=False, at_s=at_s, number=number, **fields)

    def remark(self, text: str) -> None:
        """A remark, in the journal and as an event."""
        self.note("remark", text=text)
        self.tell(Remarked(point=self.point, text=text))

    def keep(self, kind: str, **fields: object) -> None:
        """A line after the outputs are safe; a full disk must not hide how the run ended."""
        try:
            self.journal.write(kind, sync=True, at_s=self.at(self._clock.now()), **fields)
        except LivezeroError as error:
            self.tell_anyhow(Remarked(point=self.point, text=error.what))

    def tell_anyhow(self, event: Event) -> None:
        """An event after the outputs are safe; a listener that fails must not hide how the run ended."""
        with contextlib.suppress(Exception):
            self.tell(event)
