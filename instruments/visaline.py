"""A VISA resource as a line of text that always comes back: what pyvisa's own reads and writes would wait for ever for.

It knows neither commands nor instruments.
"""

import contextlib
import select
import socket
from typing import Any, Protocol

import pyvisa
from pyvisa.constants import InterfaceType, ResourceAttribute, StatusCode
from pyvisa.resources import MessageBasedResource

from instruments.clock import RealClock

__all__ = ["BoundedLine", "Line"]

_LARGEST_REPLY = 1_000_000
_CLOCK = RealClock()
_NO_WAIT = getattr(socket, "MSG_DONTWAIT", 0)  # Windows has none


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
        self._timeout_ms: float | None = None
        # Any other line carries the end of a message, and an instrument throws away what was not read of its answer
        # when the next command comes (IEEE 488.2-1992, 6.3.2.3, from memory).
        is_socket = resource.resource_class == "SOCKET"
        self._is_stream = is_socket or resource.interface_type == InterfaceType.asrl
        self._send_at_once()

    def _send_at_once(self) -> None:
        """A short message does not wait until the one before is acknowledged: 40 ms, where both sides wait.

        pyvisa-py 0.8 has the attribute of VISA for it and refuses to set it; the socket beneath takes it.
        """
        line = getattr(self._backend, "interface", None)
        if isinstance(line, socket.socket):
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        elif self._resource.interface_type == InterfaceType.tcpip:
            with contextlib.suppress(Exception):  # not every library and transport has it; a help, no need
                self._resource.set_visa_attribute(ResourceAttribute.tcpip_nodelay, True)

    @property
    def timeout(self) -> float:
        """How long an exchange may take, in ms; kept here, since to ask VISA costs a tenth of an exchange."""
        if self._timeout_ms is None:
            self._timeout_ms = float(self._resource.timeout)
        return self._timeout_ms

    @timeout.setter
    def timeout(self, timeout_ms: float) -> None:
        self._resource.timeout = timeout_ms
        self._timeout_ms = timeout_ms

    @property
    def _end(self) -> str:
        return self._resource.read_termination or ""

    @property
    def _backend(self) -> Any:  # noqa: ANN401  it has no types
        """What pyvisa-py holds of this line; None of any other library."""
        return getattr(self._resource.visalib, "sessions", {}).get(self._resource.session)

    def write(self, message: str) -> int:
        """Send a line; raises VisaIOError where it is not taken in time."""
        line = getattr(self._backend, "interface", None)
        if isinstance(line, socket.socket):
            return self._send(line, (message + (self._resource.write_termination or "")).encode(self._encoding))
        return int(self._resource.write(message, encoding=self._encoding))

    def _send(self, line: socket.socket, raw: bytes) -> int:
        """All of a message into a raw socket, within one time-out.

        pyvisa-py 0.8 waits for ever for room in it, so that nothing could be made safe any more.
        """
        until_s, left = _CLOCK.now() + self.timeout / 1000, memoryview(raw)
        while left:
            if not select.select([], [line], [], max(until_s - _CLOCK.now(), 0.0))[1]:
                raise pyvisa.VisaIOError(StatusCode.error_timeout)
            with contextlib.suppress(BlockingIOError):
                left = left[line.send(left, _NO_WAIT) :]
        return len(raw)

    def read(self) -> str:
        """The next line, without its end; raises OSError where it has none within a million bytes."""
        resource, raw, more = self._resource, bytearray(), StatusCode.success_max_count_read
        end = self._end.encode(self._encoding)
        if isinstance(line := getattr(self._backend, "interface", None), socket.socket) and end:
            return self._text(self._answer(line, end))
        until_s = _CLOCK.now() + self.timeout / 1000
        with resource.ignore_warning(StatusCode.success_device_not_present, more):
            status = more
            # As pyvisa reads, but not for ever; of an end of several characters VISA knows the last alone.
            while status == more or (self._is_stream and len(end) > 1 and not raw.endswith(end)):
                chunk, status = resource.visalib.read(resource.session, resource.chunk_size)
                raw += chunk
                if len(raw) > _LARGEST_REPLY:
                    raise OSError(f"the reply does not end within {_LARGEST_REPLY} bytes")
                if not chunk and _CLOCK.now() > until_s:
                    raise pyvisa.VisaIOError(StatusCode.error_timeout)
        return self._text(bytes(raw))

    def _text(self, raw: bytes) -> str:
        return raw.decode(self._encoding).removesuffix(self._end)

    def _answer(self, line: socket.socket, end: bytes) -> bytes:
        """What comes over a raw socket up to its end, the whole within one time-out.

        pyvisa-py 0.8 waits anew after each byte, and takes what has no end for whole after a pause.
        """
        pending = self._backend._pending_buffer  # noqa: SLF001  it has no other door
        until_s = _CLOCK.now() + self.timeout / 1000
        while end not in pending:
            if len(pending) > _LARGEST_REPLY:
                raise OSError(f"the reply does not end within {_LARGEST_REPLY} bytes")
            left_s = until_s - _CLOCK.now()
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
