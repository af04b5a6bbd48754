"""Signals that would stop the program, kept from what must not be interrupted: making an output safe."""

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

__all__ = ["STOPPING", "Insistent", "handled", "held_off", "undisturbed"]

# A window that is closed sends SIGHUP, or SIGBREAK on Windows.
STOPPING = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGBREAK") if hasattr(signal, name)
)


@contextmanager
def undisturbed() -> Iterator[None]:
    """Within this, signals are ignored: the program is about to end anyway."""
    with handled(signal.SIG_IGN):
        yield


@contextmanager
def held_off() -> Iterator[None]:
    """Within this, signals wait; the first of them comes once it is left."""
    held: list[int] = []

    def hold(number: int, frame: FrameType | None) -> None:
        del frame
        held.append(number)

    with handled(hold):
        yield
    if held:
        signal.raise_signal(held[0])


class Insistent:
    """What has to be answered before a signal counts: it comes through to who is asked, and once more afterwards."""

    def __init__(self) -> None:
        self._came: list[int] = []
        self._is_open = False

    @contextmanager
    def heard(self) -> Iterator[None]:
        """Within this, a signal raises KeyboardInterrupt with its name, whatever waits or is ignored around it."""
        with handled(self._asked):
            self._is_open = True  # not before all are handled, nor once they are given back
            try:
                yield
            finally:
                self._is_open = False

    def _asked(self, number: int, frame: FrameType | None) -> None:
        del frame
        self._came.append(number)
        if self._is_open:
            raise KeyboardInterrupt("Ctrl-C" if number == signal.SIGINT else signal.Signals(number).name)

    def counts_now(self) -> None:
        """It was answered: the first signal that came counts as if it came now."""
        if self._came:
            signal.raise_signal(self._came[0])


@contextmanager
def handled(handler: Callable[[int, FrameType | None], None] | signal.Handlers) -> Iterator[None]:
    """Within this, the handler has every stopping signal; outside the main thread nothing changes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, handler) for number in STOPPING}
    try:
        yield
    finally:
        for number, earlier in before.items():
            signal.signal(number, earlier or signal.SIG_DFL)  # None: it was not set by Python
