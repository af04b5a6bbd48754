"""Time as the run sees it: real, or virtual so that an hour of settling takes a moment.

Nothing else imports `time`; the simulated bench and the run share one clock object.
"""

import datetime as dt
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Protocol, Self

__all__ = ["Clock", "RealClock", "VirtualClock"]


class Clock(Protocol):
    """A monotonic clock in seconds, a way to wait on it, and the date it stands for."""

    def now(self) -> float:
        """Seconds since an arbitrary instant; never goes back."""

    def sleep(self, duration_s: float) -> None:
        """Wait `duration_s` seconds; negative or zero returns at once."""

    def date(self) -> datetime:
        """The date and time now, with time zone UTC."""


_SLICE_S = 0.5


class RealClock:
    """The computer's own clock.

    Attributes:
        tell: called again and again while it waits: waiting is no hanging.
    """

    def __init__(self) -> None:
        self.tell: Callable[[], None] = lambda: None

    def now(self) -> float:
        """Seconds since an arbitrary instant; never goes back."""
        return time.monotonic()

    def sleep(self, duration_s: float) -> None:
        """Wait `duration_s` seconds."""
        until_s = self.now() + duration_s
        while (left_s := until_s - self.now()) > 0:
            self.tell()
            time.sleep(min(left_s, _SLICE_S))

    def date(self) -> datetime:
        """The date and time now, with time zone UTC."""
        return datetime.now(UTC)


class VirtualClock:
    """A clock that jumps: `sleep` returns at once, and `now` has moved on by as much.

    Args:
        start: the date at zero seconds; fixed by default, so that two runs of one seed are the same to the last digit.
    """

    def __init__(self, start: datetime = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)) -> None:
        self._now_s = 0.0
        self._start = start

    @classmethod
    def on(cls, day: dt.date | None) -> Self:
        """A clock that begins at eight in the morning of a day; None = at the fixed date."""
        return cls() if day is None else cls(datetime(day.year, day.month, day.day, 8, 0, tzinfo=UTC))

    def now(self) -> float:
        """Virtual seconds since this clock was made."""
        return self._now_s

    def sleep(self, duration_s: float) -> None:
        """Move the clock on by `duration_s`; negative or zero leaves it."""
        if duration_s > 0:
            self._now_s += duration_s

    def date(self) -> datetime:
        """The virtual date and time, UTC."""
        return self._start + timedelta(seconds=self._now_s)
