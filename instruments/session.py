"""One VISA resource as a line to talk over: write, query, and the way back after a time-out.

The only module that catches pyvisa's errors. It knows text, not instruments.
"""

import contextlib
import math
import select
import socket
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from statistics import median
from typing import Any, Protocol

import pyvisa
from pyvisa.constants import InterfaceType, ResourceAttribute, StatusCode
from pyvisa.resources import MessageBasedResource

from instruments.clock import Clock, RealClock
from instruments.errors import LineLostError, LivezeroError, NoReplyError, OutOfStepError, shortened

__all__ = ["BoundedLine", "Exchange", "Line", "Session", "Teller"]

# pyvisa-py hands through whatever its transports raise: OSError for a reset, RuntimeError from HiSLIP, termios.error
# from an unplugged port, and Exception itself for a host that is not found.
_LINE_ERRORS = (Exception,)
_ANSWERS_N = 20
_SILENCE_S = 0.2
_MOST_DRAINED = 50
_LARGEST_REPLY = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """What went over a line, once: the command, the reply (None = none asked), when, how long, and what went wrong."""

    at_s: float
    instrument: str
    sent: str
    received: str | None
    took_s: float
    fault: str = ""


Teller = Callable[[Exchange], None]


class Line(Protocol):
    """What a session needs of a pyvisa message-based resource."""

    timeout: float

    def write(self, message: str) -> int:
        """Send a line."""

    def read(self) -> str:
        """The next line, without its end."""

    def unread(self) -> str:
        """What stands in the input, taken out of it."""

    def clear(self) -> None:
        """Device clear."""

    def close(self) -> None:
        """Close the resource."""


class BoundedLine:
    """A pyvisa resource as a line that always comes back: from a reply without an end, and to one that never reads.

    Args:
        resource: opened, with its terminations set.
        encoding: of its text.
    """

    def __init__(self, resource: MessageBasedResource, *, encoding: str) -> None:
        self._resource = resource
        self._encoding = encoding
        # Any other line carries the end of a message, and an instrument throws away what was not read of its answer
        # when the next command comes (IEEE 488.2-1992, 6.3.2.3, from memory).
        is_socket = resource.resource_class == "SOCKET"
        self._is_stream = is_socket or resource.interface_type == InterfaceType.asrl

    @property
    def timeout(self) -> float:
        """How long an exchange may take, in ms."""
        return float(self._resource.timeout)

    @timeout.setter
    def timeout(self, timeout_ms: float) -> None:
        self._resource.timeout = timeout_ms

    @property
    def _backend(self) -> Any:  # noqa: ANN401  it has no types
        """What pyvisa-py holds of this line; None of any other library."""
        return getattr(self._resource.visalib, "sessions", {}).get(self._resource.session)

    def write(self, message: str) -> int:
        """Send a line; raises VisaIOError where it is not taken in time."""
        # pyvisa-py 0.8 waits for ever for room in a raw socket, so that nothing could be made safe any more.
        line = getattr(self._backend, "interface", None)
        if isinstance(line, socket.socket) and not select.select([], [line], [], self.timeout / 1000)[1]:
            raise pyvisa.VisaIOError(StatusCode.error_timeout)
        return int(self._resource.write(message, encoding=self._encoding))

    def read(self) -> str:
        """The next line, without its end; raises OSError where it has none within a million bytes."""
        resource, raw, more = self._resource, bytearray(), StatusCode.success_max_count_read
        if isinstance(line := getattr(self._backend, "interface", None), socket.socket) and resource.read_termination:
            end = resource.read_termination
            return self._answer(line, end.encode(self._encoding)).decode(self._encoding).removesuffix(end)
        with resource.ignore_warning(StatusCode.success_device_not_present, more):
            status = more
            while status == more:  # as pyvisa reads, but not for ever
                chunk, status = resource.visalib.read(resource.session, resource.chunk_size)
                raw += chunk
                if len(raw) > _LARGEST_REPLY:
                    raise OSError(f"the reply does not end within {_LARGEST_REPLY} bytes")
        return raw.decode(self._encoding).removesuffix(resource.read_termination or "")

    def _answer(self, line: socket.socket, end: bytes) -> bytes:
        """What comes over a raw socket up to its end, the whole within one time-out.

        pyvisa-py 0.8 waits anew after each byte, and takes what has no end for whole after a pause.
        """
        clock, pending = RealClock(), self._backend._pending_buffer  # noqa: SLF001  it has no other door
        until_s = clock.now() + self.timeout / 1000
        while end not in pending:
            if len(pending) > _LARGEST_REPLY:
                raise OSError(f"the reply does not end within {_LARGEST_REPLY} bytes")
            left_s = until_s - clock.now()
            if left_s <= 0 or not select.select([line], [], [], left_s)[0]:
                raise pyvisa.VisaIOError(StatusCode.error_timeout)
            if not (chunk := line.recv(4096)):
                raise OSError("closed by the other side")
            pending += chunk
        size = pending.index(end) + len(end)
        found = bytes(pending[:size])
        del pending[:size]
        return found

    def unread(self) -> str:
        """What stands in the input, taken out of it; raises OSError where the other side has closed the line.

        It waits for nothing: two microseconds on a raw socket of pyvisa-py, against a hundred of the shortest exchange.
        """
        if not self._is_stream:
            return ""
        backend = self._backend
        line = getattr(backend, "interface", None)
        if not isinstance(line, socket.socket):
            return self._taken().decode(self._encoding)
        raw = bytearray(backend._pending_buffer)  # noqa: SLF001  it has no other door
        backend._pending_buffer.clear()  # noqa: SLF001
        while len(raw) < _LARGEST_REPLY and select.select([line], [], [], 0)[0]:
            if not (chunk := line.recv(4096)):
                raise OSError("closed by the other side")
            raw += chunk
        return raw.decode(self._encoding)

    def _taken(self) -> bytes:
        """What stands in the input of a line that counts it; of another one what comes byte by byte without waiting."""
        resource, raw = self._resource, bytearray()
        try:
            left_n = resource.visalib.get_attribute(resource.session, ResourceAttribute.asrl_avalaible_number)[0]
            while len(raw) < min(left_n, _LARGEST_REPLY):
                raw += resource.visalib.read(resource.session, left_n - len(raw))[0]
        except (pyvisa.VisaIOError, NotImplementedError, TypeError):
            before_ms, self.timeout = self.timeout, 0
            try:
                with contextlib.suppress(pyvisa.VisaIOError):
                    while len(raw) < _LARGEST_REPLY:
                        raw += resource.visalib.read(resource.session, 1)[0]
            finally:
                self.timeout = before_ms
        return bytes(raw)

    def clear(self) -> None:
        """Device clear."""
        self._resource.clear()

    def close(self) -> None:
        """Close the resource."""
        self._resource.close()


class Session:
    """A line to one instrument; every exchange is reported.

    Args:
        name: of the instrument on the bench.
        resource: the VISA resource string, for errors.
        opener: opens the resource, again after it was lost.
        clock: for the time of each exchange and the delay between write and read.
        timeout_s: how long a reply may take.
        query_delay_s: wait between write and read.
        tell: takes each exchange; what it cannot keep is its own matter.
        hint: what to do where it does not answer or refuses a command; "" = look at cable and manual.

    Attributes:
        longest_s: asked at each exchange: no reply may take longer now, whatever the time-out is.

    Raises:
        LineLostError: the resource cannot be opened.
    """

    def __init__(
        self,
        *,
        name: str,
        resource: str,
        opener: Callable[[], Line],
        clock: Clock,
        timeout_s: float,
        query_delay_s: float,
        tell: Teller,
        hint: str = "",
    ) -> None:
        self.name = name
        self.hint = hint
        self.where = f"{name} ({resource})"
        self._is_raw_socket = resource.upper().endswith("::SOCKET")
        self.is_suspect = False  # a late answer may be on its way
        self.longest_s: Callable[[], float] = lambda: math.inf
        self._opener = opener
        self.clock = clock
        self._timeout_s = timeout_s
        self._query_delay_s = query_delay_s
        self._tell = tell
        self._answered_s: deque[float] = deque(maxlen=_ANSWERS_N)  # what the last questions took
        self._line = self._open()

    def _open(self) -> Line:
        try:
            line = self._opener()
            line.timeout = 1000 * self._timeout_s
        except _LINE_ERRORS as error:
            if isinstance(error, pyvisa.VisaIOError) and error.error_code == StatusCode.error_resource_locked:
                raise LineLostError(
                    "is locked by another computer or program",
                    where=self.where,
                    todo="end what uses it there, or switch the instrument off and on",
                ) from error
            raise LineLostError(
                "cannot be opened", where=self.where, todo=f"check power, cable and resource ({_reason(error)})"
            ) from error
        return line

    def write(self, command: str) -> None:
        """Send a command that has no answer; raises OutOfStepError, NoReplyError or LineLostError."""
        self._exchange(command, answered=False)

    def write_at_once(self, *commands: str) -> tuple[str, ...]:
        """Send commands whatever stands in the input, each within 0.2 s: what is to be made safe waits for nothing.

        Returns:
            What stood in the input before, and is thrown away.

        Raises:
            NoReplyError: the line takes no more.
            LineLostError: the line failed; also where the other side has closed it, which a write alone does not show.
        """
        was_suspect, self.is_suspect = self.is_suspect, True
        try:
            with self._waiting_for(_SILENCE_S):
                late = tuple(self._line.unread().splitlines())
                for command in commands:
                    self._exchange(command, answered=False)
                for line in late:
                    self._told(self.clock.now(), "(drained)", line)
        except LivezeroError:
            raise
        except _LINE_ERRORS as error:
            self._told(self.clock.now(), "(closed)", None, fault=_reason(error))
            raise LineLostError(
                f"the line failed: {_reason(error)}", where=self.where, todo="check power and cable"
            ) from error
        self.is_suspect = was_suspect
        return late

    @contextlib.contextmanager
    def _waiting_for(self, silence_s: float) -> Iterator[None]:
        """Within this, no exchange takes longer than that."""
        if silence_s >= self._timeout_s:
            yield
            return
        before_ms = self._line.timeout
        self._line.timeout = min(1000 * silence_s, before_ms)
        try:
            yield
        finally:
            self._line.timeout = before_ms

    def query(self, command: str) -> str:
        """Send a command and take its answer.

        Raises:
            OutOfStepError: something stood in the input before; nothing was sent, and the session is suspect.
            NoReplyError: no whole answer in time; the session is suspect from then on.
            LineLostError: the line failed; the session is suspect as well.
        """
        reply = self._exchange(command, answered=True)
        assert reply is not None
        return reply

    def _exchange(self, command: str, *, answered: bool) -> str | None:
        start_s, longest_s = self.clock.now(), self.longest_s()
        was_suspect, self.is_suspect = self.is_suspect, True  # Ctrl-C may come before the answer does
        try:
            # What stands there now would be taken for the answer, and every later answer would be one behind. A suspect
            # line was drained, or is about to be. An end of line alone answers nothing.
            if not was_suspect:
                self._refuse_a_stray(command)
            with self._waiting_for(longest_s):
                self._line.write(command)
                if answered and self._query_delay_s:
                    self.clock.sleep(self._query_delay_s)
                reply = self._line.read() if answered else None
        except OutOfStepError as error:
            self._told(start_s, "(not asked for)", error.reply)
            raise
        except _LINE_ERRORS as error:
            reason = _reason(error)
            self._told(start_s, command, None, fault=reason)
            if isinstance(error, pyvisa.VisaIOError) and error.error_code == StatusCode.error_timeout:
                raise self._no_reply(command, min(longest_s, self._timeout_s)) from error
            raise LineLostError(
                f"the line failed: {reason}", where=self.where, command=command, todo="check power and cable"
            ) from error
        self.is_suspect = was_suspect
        if answered:
            self._answered_s.append(self.clock.now() - start_s)
        self._told(start_s, command, reply)
        return reply

    @property
    def exchange_s(self) -> float:
        """What a question and its answer took lately, as a median; NaN before the first."""
        return median(self._answered_s) if self._answered_s else math.nan

    def _no_reply(self, command: str, within_s: float) -> NoReplyError:
        todo = self.hint or "check power, cable, line end and time-out"
        if within_s < self._timeout_s:
            todo += (
                '; with an output on it is given the time-out of the source, and what "takes" in its description says '
                "that a reading takes"
            )
        return NoReplyError(f"no answer within {within_s:g} s", where=self.where, command=command, todo=todo)

    def _refuse_a_stray(self, command: str) -> None:
        stray = self._line.unread().strip()
        if stray:
            raise OutOfStepError(
                f'said "{shortened(stray)}", which nobody had asked for',
                where=self.where,
                command=command,
                reply=stray,
                todo="check line end and commands in the description: each question has one answer",
            )

    def _told(self, start_s: float, command: str, reply: str | None, fault: str = "") -> None:
        exchange = Exchange(
            at_s=start_s,
            instrument=self.name,
            sent=command,
            received=reply,
            took_s=self.clock.now() - start_s,
            fault=fault,
        )
        # No fault of whoever listens may come between an output and its safe level; of a full disk the journal says so
        # at the next reading.
        with contextlib.suppress(Exception):
            self._tell(exchange)

    def clear(self) -> tuple[str, ...]:
        """Clear the line, and open it again where that is refused; read until silent.

        Returns:
            What came late, and is thrown away.

        Raises:
            LineLostError: the line cannot be re-established.
        """
        # A raw socket has no device clear; pyvisa-py 0.8 reads on in its place, for ever once the other side has gone.
        if not self._is_raw_socket:
            start_s = self.clock.now()
            try:
                self._line.clear()
                self._told(start_s, "(device clear)", None)
            except _LINE_ERRORS as error:
                self._told(start_s, "(device clear)", None, fault=_reason(error))
        try:
            return self.drain()
        except _LINE_ERRORS:
            self.reopen()
            return ()

    def reopen(self) -> None:
        """Close the resource and open it again; raises LineLostError."""
        self.close()
        self._line = self._open()
        self._told(self.clock.now(), "(opened again)", None)

    def drain(self) -> tuple[str, ...]:
        """Read and throw away until the line is silent; a flush alone is not trusted (pyvisa issue 535)."""
        found: list[str] = []
        try:
            with self._waiting_for(_SILENCE_S):
                while len(found) < _MOST_DRAINED:
                    start_s = self.clock.now()
                    late = self._line.read()
                    if not late:
                        break
                    self._told(start_s, "(drained)", late)
                    found.append(late)
        except pyvisa.VisaIOError as error:
            if error.error_code != StatusCode.error_timeout:
                raise
        return tuple(found)

    def close(self) -> None:
        """Close the resource; what fails here is of no more use to anybody."""
        try:
            self._line.close()
        except _LINE_ERRORS as error:
            self._told(self.clock.now(), "(closed)", None, fault=_reason(error))


def _reason(error: Exception) -> str:
    """A line's error in a few words, without addresses of memory or a traceback."""
    if isinstance(error, pyvisa.VisaIOError):
        return str(error.abbreviation)
    return str(getattr(error, "strerror", None) or error).splitlines()[0][:120] if str(error) else type(error).__name__
