"""One VISA resource as a line to talk over: write, query, and the way back after a time-out.

The only module that catches pyvisa's errors. It knows text, not instruments.
"""

import contextlib
import select
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.resources import MessageBasedResource

from instruments.clock import Clock
from instruments.errors import LineLostError, NoReplyError

__all__ = ["BoundedLine", "Exchange", "Line", "Session", "Teller"]

# pyvisa-py hands through whatever its transports raise: OSError for a reset, RuntimeError from HiSLIP, termios.error
# from an unplugged port, and Exception itself for a host that is not found.
_LINE_ERRORS = (Exception,)
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

    @property
    def timeout(self) -> float:
        """How long an exchange may take, in ms."""
        return float(self._resource.timeout)

    @timeout.setter
    def timeout(self, timeout_ms: float) -> None:
        self._resource.timeout = timeout_ms

    def write(self, message: str) -> int:
        """Send a line; raises VisaIOError where it is not taken in time."""
        # pyvisa-py 0.8 waits for ever for room in a raw socket, so that nothing could be made safe any more.
        session = getattr(self._resource.visalib, "sessions", {}).get(self._resource.session)
        line = getattr(session, "interface", None)
        if isinstance(line, socket.socket) and not select.select([], [line], [], self.timeout / 1000)[1]:
            raise pyvisa.VisaIOError(StatusCode.error_timeout)
        return int(self._resource.write(message, encoding=self._encoding))

    def read(self) -> str:
        """The next line, without its end; raises OSError where it has none within a million bytes."""
        resource, raw, more = self._resource, bytearray(), StatusCode.success_max_count_read
        with resource.ignore_warning(StatusCode.success_device_not_present, more):
            status = more
            while status == more:  # as pyvisa reads, but not for ever
                chunk, status = resource.visalib.read(resource.session, resource.chunk_size)
                raw += chunk
                if len(raw) > _LARGEST_REPLY:
                    raise OSError(f"the reply does not end within {_LARGEST_REPLY} bytes")
        return raw.decode(self._encoding).removesuffix(resource.read_termination or "")

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
        self._opener = opener
        self.clock = clock
        self._timeout_s = timeout_s
        self._query_delay_s = query_delay_s
        self._tell = tell
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
        """Send a command that has no answer; raises NoReplyError or LineLostError."""
        self._exchange(command, answered=False)

    def query(self, command: str) -> str:
        """Send a command and take its answer.

        Raises:
            NoReplyError: no whole answer in time; the session is suspect from then on.
            LineLostError: the line failed; the session is suspect as well.
        """
        reply = self._exchange(command, answered=True)
        assert reply is not None
        return reply

    def _exchange(self, command: str, *, answered: bool) -> str | None:
        start_s = self.clock.now()
        was_suspect, self.is_suspect = self.is_suspect, True  # Ctrl-C may come before the answer does
        try:
            self._line.write(command)
            if answered and self._query_delay_s:
                self.clock.sleep(self._query_delay_s)
            reply = self._line.read() if answered else None
        except _LINE_ERRORS as error:
            reason = _reason(error)
            self._told(start_s, command, None, fault=reason)
            if isinstance(error, pyvisa.VisaIOError) and error.error_code == StatusCode.error_timeout:
                raise NoReplyError(
                    f"no answer within {self._timeout_s:g} s",
                    where=self.where,
                    command=command,
                    todo=self.hint or "check power, cable, line end and time-out",
                ) from error
            raise LineLostError(
                f"the line failed: {reason}", where=self.where, command=command, todo="check power and cable"
            ) from error
        self.is_suspect = was_suspect
        self._told(start_s, command, reply)
        return reply

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

    def clear(self) -> None:
        """Clear the line, and open it again where that is refused; read until silent. Late answers are thrown away.

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
            self.drain()
        except _LINE_ERRORS:
            self.reopen()

    def reopen(self) -> None:
        """Close the resource and open it again; raises LineLostError."""
        self.close()
        self._line = self._open()
        self._told(self.clock.now(), "(opened again)", None)

    def drain(self) -> None:
        """Read and throw away until the line is silent; a flush alone is not trusted (pyvisa issue 535)."""
        self._line.timeout = 1000 * min(_SILENCE_S, self._timeout_s)
        try:
            for _ in range(_MOST_DRAINED):
                start_s = self.clock.now()
                late = self._line.read()
                if not late:
                    return
                self._told(start_s, "(drained)", late)
        except pyvisa.VisaIOError as error:
            if error.error_code != StatusCode.error_timeout:
                raise
        finally:
            self._line.timeout = 1000 * self._timeout_s

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
