"""What was typed before a question stood on the terminal is no answer to it."""

import contextlib
import os
import sys

__all__ = ["discard_typed_ahead"]


def discard_typed_ahead() -> bool:
    """Throw away what waits at the terminal; True if anything did. What comes from a pipe or a file stays.

    An Enter too many would confirm a caution, or that an output was set, before the person could read what is asked.
    """
    if sys.stdin is None or not sys.stdin.isatty():
        return False
    if os.name == "nt":
        return _discard_keys()
    import select  # noqa: PLC0415  only where somebody is asked
    import termios  # noqa: PLC0415

    with contextlib.suppress(OSError, ValueError, termios.error):  # a terminal that is gone is told by what reads it
        waits = bool(select.select([sys.stdin], [], [], 0)[0])
        termios.tcflush(sys.stdin, termios.TCIFLUSH)
        return waits
    return False


def _discard_keys() -> bool:
    import importlib  # noqa: PLC0415

    keys = importlib.import_module("msvcrt")  # of Windows alone
    waits = False
    while keys.kbhit():
        keys.getwch()
        waits = True
    return waits
