"""Signals that would stop the program, kept from what must not be interrupted: making an output safe."""

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

__all__ = ["STOPPING", "handled", "held_off", "undisturbed"]

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
