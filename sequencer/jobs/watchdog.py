"""A run under guard: a process beside it (`guard`) makes its sources safe where the run itself cannot any more.

The guard is told once a second or so that the run lives and gets on: that it waits for a person, or takes an exchange,
a wait or a reading no longer than that may take. What it has to make safe it knows by the marks of the sources
(`instruments.latch`), so that after a run that was proved safe it has nothing to do.
"""

import contextlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Self

from instruments.clock import RealClock
from instruments.errors import InstrumentError, LivezeroError
from instruments.latch import left_on
from instruments.locks import resources_held
from instruments.roles import Operator, Question
from sequencer.jobs.guard import ALIVE, OVER
from sequencer.jobs.safe import note, see_to

__all__ = ["Asked", "Watchdog", "make_safe_after"]

_SIGNS_N = 5  # in the time after which it acts
_TRIES = 10  # the lines of a process that was killed are closed soon after
_PAUSE_S = 1.0


class Watchdog:
    """Guards a run while it is entered.

    Args:
        resources: of the bench, by instrument; none: nothing is guarded.
        within_s: silence after which the guard acts; 0 = nothing is guarded.
        longest_s: what an exchange may take, so that the run may say nothing for as long beyond that.

    Raises:
        InstrumentError: on entering, if the guard cannot be started.
    """

    def __init__(self, resources: Mapping[str, str], *, within_s: float, longest_s: float) -> None:
        self._resources = dict(resources)
        self._within_s = within_s
        self._longest_s = longest_s
        self._clock = RealClock()
        self._moved_s = self._clock.now()
        self._excused_n = 0
        self.restarts: list[str] = []  # why the guard was started again, each time
        self._asked_s: float | None = None  # since when a sign of life has not been answered; None = it was
        self._is_over = threading.Event()
        self._guard: subprocess.Popen[bytes] | None = None

    def alive(self) -> None:
        """The run gets on; a guard that somebody ended or stopped is started again, and `restarts` says so.

        One that is stopped is noticed once it has not answered for as long as it would wait for the run.
        """
        self._moved_s = now_s = self._clock.now()
        guard, asked_s = self._guard, self._asked_s
        if guard is None:
            return
        if asked_s is not None and now_s - asked_s > self._within_s:
            guard.kill()
            self.restarts.append(f"did not answer for {self._within_s:g} s")
        elif guard.poll() is not None:
            self.restarts.append("was ended")
        else:
            return
        _ended(guard)
        with contextlib.suppress(InstrumentError):  # tried again as long as the run gets on
            self._start()

    @contextlib.contextmanager
    def excused(self) -> Iterator[None]:
        """What is done in here takes the time it takes: a person is asked, figures are computed."""
        self._excused_n += 1
        try:
            yield
        finally:
            self._excused_n -= 1
            self.alive()

    def __enter__(self) -> Self:
        if self._resources and self._within_s:
            self._start()
            self.alive()
            threading.Thread(target=self._feed, daemon=True).start()
        return self

    def _start(self) -> None:
        run = {
            "process": os.getpid(),
            "within_s": self._within_s,
            "resources": self._resources,
            "path": [str(Path(each).resolve()) for each in sys.path],
        }
        try:
            guard = subprocess.Popen(  # noqa: S603  our own interpreter and file
                [sys.executable, "-I", str(Path(__file__).with_name("guard.py"))],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # a Ctrl-C or the end of the terminal are the run's
            )
            assert guard.stdin is not None
            assert guard.stdout is not None
            guard.stdin.write(json.dumps(run).encode() + b"\n")
            guard.stdin.flush()
            if guard.stdout.readline() != b"ready\n":
                _ended(guard)
                raise OSError("it ended at once")  # noqa: TRY301
        except OSError as error:
            raise InstrumentError(
                f"the watchdog cannot be started: {error.strerror or error}",
                todo='mend that, or run without one: "watchdog: none" in the bench file',
            ) from error
        self._guard, self._asked_s = guard, None
        threading.Thread(target=self._hear, args=(guard,), daemon=True).start()

    def _hear(self, guard: "subprocess.Popen[bytes]") -> None:
        assert guard.stdout is not None
        while guard.stdout.read(1):
            if guard is self._guard:
                self._asked_s = None

    def _feed(self) -> None:
        while not self._is_over.wait(self._within_s / _SIGNS_N):
            guard = self._guard
            if self._excused_n or self._clock.now() - self._moved_s < self._within_s + self._longest_s:
                with contextlib.suppress(OSError, ValueError):  # it is gone, and will be started again
                    assert guard is not None
                    assert guard.stdin is not None
                    self._asked_s = self._asked_s or self._clock.now()
                    guard.stdin.write(ALIVE)
                    guard.stdin.flush()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._is_over.set()
        if self._guard is not None:
            _ended(self._guard)


def _ended(guard: subprocess.Popen[bytes]) -> None:
    """Tell a guard that all is over, and let nothing of it behind."""
    assert guard.stdin is not None
    assert guard.stdout is not None
    with contextlib.suppress(OSError, ValueError):
        guard.stdin.write(OVER)
    with contextlib.suppress(OSError):
        guard.stdin.close()
    try:
        guard.wait(timeout=_PAUSE_S)
    except subprocess.TimeoutExpired:
        guard.kill()
        guard.wait()
    guard.stdout.close()  # at its end by now: closed before that, it would wait for who reads it


class Asked:
    """The operator of a run that is guarded: a person takes their time."""

    def __init__(self, operator: Operator, watchdog: Watchdog) -> None:
        self._operator, self._watchdog = operator, watchdog

    def ask(self, question: Question) -> str:
        """As the operator."""
        with self._watchdog.excused():
            return self._operator.ask(question)


def make_safe_after(resources: Mapping[str, str], fate: str) -> None:
    """Make safe what a run that is dead by now left on, and say so in its record.

    Args:
        resources: of its bench, by instrument.
        fate: what became of the run.
    """
    for _ in range(_TRIES):
        try:
            with resources_held(resources, job="its watchdog makes it safe"):
                left = left_on(resources)
                see_to(left)
                for record in {each.record for each in left}:
                    note(record, "remark", text=f"the watchdog of the run made its bench safe: {fate}")
                return
        except LivezeroError:
            RealClock().sleep(_PAUSE_S)
