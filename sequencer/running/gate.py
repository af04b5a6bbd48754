"""What stands before energising, and what stops a run: confirmed cautions, Ctrl-C, SIGTERM."""

import signal
import threading
from collections.abc import Callable, Iterator
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


# Ctrl-C is Python's own. A window that is closed sends SIGHUP, or SIGBREAK on Windows.
_STOPPING = tuple(
    getattr(signal, name) for name in ("SIGTERM", "SIGHUP", "SIGQUIT", "SIGBREAK") if hasattr(signal, name)
)


@contextmanager
def signals_stop() -> Iterator[None]:
    """Within this, SIGTERM or a closed window stops the run as Ctrl-C does; outside the main thread nothing changes."""

    def stop(number: int, frame: FrameType | None) -> None:
        del frame
        raise KeyboardInterrupt(signal.Signals(number).name)

    with _handled(_STOPPING, stop):
        yield


@contextmanager
def undisturbed() -> Iterator[None]:
    """Within this, nothing stops the run: making safe is not interrupted by an impatient second Ctrl-C."""
    with _handled((signal.SIGINT, *_STOPPING), signal.SIG_IGN):
        yield


@contextmanager
def _handled(
    numbers: tuple[signal.Signals, ...], handler: Callable[[int, FrameType | None], None] | signal.Handlers
) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, handler) for number in numbers}
    try:
        yield
    finally:
        for number, earlier in before.items():
            signal.signal(number, earlier or signal.SIG_DFL)  # None: it was not set by Python
