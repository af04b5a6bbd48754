"""The program from its first line to its last: a signal at any moment ends it with 130, and with no traceback.

It imports nothing heavy before it has the signals. While a command runs a signal raises, so that outputs are made safe
on the way out; before and after, where nothing is open, it leaves at once.
"""

import os
import sys

TYPE_CHECKING = False  # that of `typing` takes longer to import than all of this
if TYPE_CHECKING:
    import signal
    from types import FrameType
    from typing import NoReturn
else:  # what `signal` itself stands on is built in; that one loads enum, functools and collections first
    import _signal as signal

__all__ = ["main"]

_STOPPED, _NOT_SAFE = 130, 4


class _Signals:
    """What stops the program; `name` is of the first signal, "" while there was none."""

    def __init__(self) -> None:
        self.name = ""
        self.code = _STOPPED
        self.is_running = False
        self._names: dict[int, str] = {}

    def take(self) -> None:
        """Take every signal that stops a program, but for those that whoever started it has switched off."""
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGBREAK"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) != signal.SIG_IGN:
                self._names[number] = "Ctrl-C" if name == "SIGINT" else name
                signal.signal(number, self._asked)

    def _asked(self, number: int, frame: "FrameType | None") -> None:
        del frame
        name = self._names[number]
        if not self.is_running:
            if not self.name and self.code == _STOPPED:
                os.write(2, f"stopped by {name}\n".encode())
            os._exit(self.code)
        self.name = self.name or name
        raise KeyboardInterrupt(name)

    def drop(self) -> None:
        """Nothing is left that a signal could stop: what was said stands while Python tidies up."""
        for number in self._names:
            signal.signal(number, signal.SIG_IGN)

    def was_asked(self) -> bool:
        """True once a signal came while a command ran, whatever became of what it raised."""
        return bool(self.name)


def main() -> "NoReturn":
    """The entry point of the program."""
    # Its matrices are small: threads cost more than they save (measured beside other work: 1.6 times as long).
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    signals = _Signals()
    signals.take()
    from sequencer.cli.command import main as command  # noqa: PLC0415  takes the longest

    # What a signal raises in a callback cannot get out of it: Python would print it, and go on.
    shown = sys.unraisablehook
    sys.unraisablehook = lambda told: None if issubclass(told.exc_type, KeyboardInterrupt) else shown(told)
    try:
        signals.is_running = True
        code = command(signals.was_asked)
        signals.is_running = False
    except KeyboardInterrupt:  # where no command runs yet, or any more
        signals.is_running = False
        code = _STOPPED
    if signals.name and code != _NOT_SAFE:
        code = _STOPPED
    signals.code = code if code == _NOT_SAFE else _STOPPED
    sys.stdout.flush()
    # A stop that came out of exec(), as dataclasses use, makes Python end by SIGINT after all, until the next exec().
    exec("")  # noqa: S102
    signals.drop()
    raise SystemExit(code)
