"""What stands before energising, and what stops a run: confirmed cautions, Ctrl-C, SIGTERM."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from instruments.errors import StoppedError
from instruments.roles import Operator, Question

__all__ = ["confirm", "signals_stop", "undisturbed"]

_YES = {"y", "yes"}


def confirm(cautions: tuple[str, ...], operator: Operator) -> None:
    """Ask for each caution; raises StoppedError unless every one is answered with yes."""
    for number, caution in enumerate(cautions, start=1):
        question = Question(kind="caution", text=f"Caution {number} of {len(cautions)}: {caution} Confirmed?")
        if operator.ask(question).strip().casefold() not in _YES:
            raise StoppedError(
                f"caution {number} was not confirmed, so nothing was energised", todo="see to it, then run again"
            )


@contextmanager
def signals_stop() -> Iterator[None]:
    """Within this, SIGTERM stops the run as Ctrl-C does; outside the main thread nothing changes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(number: int, frame: FrameType | None) -> None:
        del frame
        raise KeyboardInterrupt(signal.Signals(number).name)

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before or signal.SIG_DFL)


@contextmanager
def undisturbed() -> Iterator[None]:
    """Within this, Ctrl-C and SIGTERM do nothing: making safe is not interrupted by an impatient second Ctrl-C."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, signal.SIG_IGN) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler or signal.SIG_DFL)  # None: it was not set by Python
