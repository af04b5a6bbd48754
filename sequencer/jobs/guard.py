"""The process beside a run that makes its sources safe where the run cannot: it was killed, stopped, or hangs.

It imports nothing of livezero before that, so that it is small and starts at once. On its input stands a line of JSON
(process and time of the run, resources, where modules are found), then a byte for each sign of life, then the word that
all is over. The end of the input without that word is the death of the run. Each sign of life is answered by one, so
that the run starts another guard in place of one that is silent.
"""

import contextlib
import io
import json
import os
import queue
import signal
import sys
import threading

__all__ = ["ALIVE", "OVER", "main"]

ALIVE, OVER = b".", b"!"


def _signs(stream: io.FileIO) -> "queue.Queue[bytes]":
    """What comes, byte by byte, and b"" at the end: a pipe cannot be waited on for a time everywhere."""
    found: queue.Queue[bytes] = queue.Queue()

    def read() -> None:
        while sign := stream.read(1):
            found.put(sign)
        found.put(b"")

    threading.Thread(target=read, daemon=True).start()
    return found


def _fate(signs: "queue.Queue[bytes]", within_s: float) -> str:
    """Why the sources of the run are to be made safe; "" = it is over."""
    while True:
        try:
            sign = signs.get(timeout=within_s)
        except queue.Empty:
            return f"it gave no sign of life for {within_s:g} s, and was killed"
        if sign == OVER:
            return ""
        if sign == b"":
            return "it was killed"
        with contextlib.suppress(OSError):  # the run is gone, which the end of the input tells
            os.write(sys.stdout.fileno(), ALIVE)


def main() -> None:
    """Wait for the end of the run; after one that is none, make safe what it left on."""
    for number in (signal.SIGINT, signal.SIGTERM):  # meant for the run, which makes safe itself
        signal.signal(number, signal.SIG_IGN)
    signs = io.FileIO(0, closefd=False)  # no buffer, whose lock a thread could take with it as the program ends
    run = json.loads(signs.readline())
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    fate = _fate(_signs(signs), run["within_s"])
    if not fate:
        return
    if sys.platform == "win32" or os.getppid() == run["process"]:  # its line must be free, even a line for one
        with contextlib.suppress(OSError):  # it may be gone by now
            os.kill(run["process"], getattr(signal, "SIGKILL", signal.SIGTERM))
    sys.path[:] = run["path"]
    from sequencer.jobs.watchdog import make_safe_after  # noqa: PLC0415  see above

    make_safe_after(run["resources"], fate)


if __name__ == "__main__":
    main()
