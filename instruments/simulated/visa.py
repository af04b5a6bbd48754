"""The simulated bench through VISA, in process: on a virtual clock, time-outs and apertures cost no real time.

Built on the classes of pyvisa-sim, of which the library, its table of devices and the attributes of its sessions are
used; its YAML, its byte-wise reads and its shared state are not. One library a bench, so nothing leaks from one to
the next, and the global random numbers are left alone. Streams (SOCKET, ASRL) end a read at the termination character
only, as the real ones do; the others end it with the message.
"""

import itertools
from collections import deque
from typing import Any, Self, cast

import pyvisa
from pyvisa import constants, rname
from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa.errors import VisaIOError
from pyvisa.highlevel import VisaLibraryBase
from pyvisa_sim.devices import Device, Devices
from pyvisa_sim.highlevel import SimVisaLibrary
from pyvisa_sim.sessions.session import Session

from instruments.errors import InputError
from instruments.simulated.bench import Lines, SimulatedBench

__all__ = ["BenchDevice", "BenchLibrary", "BenchSession", "resource_manager"]

_numbers = itertools.count(1)


def resource_manager(bench: SimulatedBench) -> pyvisa.ResourceManager:
    """A resource manager that finds the bench's instruments, and nothing else, under their resource names.

    Raises:
        InputError: a resource name that is none, or two instruments with one.
    """
    library = BenchLibrary()
    library.wire(bench)
    return pyvisa.ResourceManager(library)


class BenchDevice(Device):  # type: ignore[misc]  # pyvisa-sim has no types
    """One instrument of the bench in pyvisa-sim's table of devices."""

    def __init__(self, bench: SimulatedBench, name: str) -> None:
        super().__init__(name, b"")
        self.bench = bench
        self.message_ends, reply_end = bench.ends(bench.instruments[name])
        for kind in ("TCPIP SOCKET", "TCPIP INSTR", "GPIB INSTR", "USB INSTR", "USB RAW", "ASRL INSTR"):
            self.add_eom(kind, "", "")  # the session has the only ends; without an entry here there is a warning
        self.reply_end = reply_end


class BenchSession(Session):  # type: ignore[misc]  # pyvisa-sim has no types
    """An open resource of the simulated bench; it holds what was sent back and not yet read."""

    device: BenchDevice

    def __init__(self, manager: int, resource_name: str, parsed: rname.ResourceName, device: BenchDevice) -> None:
        self.session_type = (parsed.interface_type_const, parsed.resource_class)
        super().__init__(manager, resource_name, parsed)
        self.device = device
        self._is_stream = (
            parsed.interface_type_const == constants.InterfaceType.asrl or parsed.resource_class == "SOCKET"
        )
        self._is_serial = parsed.interface_type_const == constants.InterfaceType.asrl
        self._lines = Lines(device.message_ends)
        self._replies: deque[bytearray] = deque()
        self._late: list[bytearray] = []
        self._again = bytearray()  # comes once more before the next reply
        self._spent_s = 0.0  # of the time-out of the next read: the instrument took that long to answer
        self._is_dropped = False
        board = getattr(parsed, "board", "0")
        self.attrs[ResourceAttribute.interface_number] = int(board) if board.isdecimal() else 0

    def write(self, data: bytes) -> tuple[int, StatusCode]:
        """Hand a message, or a part of one, to the instrument."""
        self._check_connection()
        device = self.device
        if self._replies and not self._is_stream:
            self._replies.clear()
            device.bench.report(device.name, -410)
        clock = device.bench.clock
        messages, overruns_n = self._lines.feed(data)
        if not self._is_stream and (rest := self._lines.flush()):
            messages.append(rest)  # the last byte carries END
        for _ in range(overruns_n):
            device.bench.report(device.name, -363)
        for message in messages:
            begin_s = clock.now()
            reply = device.bench.exchange(device.name, message)
            self._spent_s = clock.now() - begin_s
            if reply.is_dropped:
                self._is_dropped = True
                break
            if reply.line is not None:
                is_late = reply.late_s > 0 or self._spent_s > self._timeout_s()
                line = reply.line + device.reply_end
                found = [bytearray(line)] * (1 + (reply.again == "twice"))
                if self._again:
                    found.insert(0, self._again)
                self._again = bytearray(line if reply.again == "again, late" else b"")
                (self._late if is_late else self._replies).extend(map(bytearray, found))
            device.bench.heard(device.name, message)
        return len(data), StatusCode.success

    def read(self, count: int) -> tuple[bytes, StatusCode]:
        """At most `count` bytes of what the instrument sent; a time-out is spent on the bench's clock."""
        self._check_connection()
        replies = self._replies
        if self._is_stream and len(replies) > 1:
            replies[0] = bytearray().join(replies)
            while len(replies) > 1:
                replies.pop()
        if not replies:
            if not self._is_stream and not self._late:
                self.device.bench.report(self.device.name, -420)
            raise self._timed_out()
        reply = replies[0]
        end = self._end_char()
        found = reply.find(end) if end else -1
        if 0 <= found < count:
            return self._take(found + 1), StatusCode.success_termination_character_read
        if len(reply) > count or (self._is_stream and len(reply) == count):
            return self._take(count), StatusCode.success_max_count_read
        if self._is_stream:
            raise self._timed_out()
        return self._take(len(reply)), StatusCode.success

    def clear(self) -> StatusCode:
        """Forget what was sent and not read, on both sides."""
        self._check_connection()
        self._replies.clear()
        self._late.clear()
        self._again.clear()
        self._lines.flush()
        return StatusCode.success

    def status_byte(self) -> int:
        """The instrument's status byte, with bit 16 if a reply waits here."""
        self._check_connection()
        return self.device.bench.status_byte(self.device.name) | (16 if self._replies else 0)

    def get_attribute(self, attribute: ResourceAttribute) -> tuple[Any, StatusCode]:
        """An attribute; the number of bytes that wait is counted."""
        if attribute == ResourceAttribute.asrl_avalaible_number:
            return sum(map(len, self._replies)), StatusCode.success
        found: tuple[Any, StatusCode] = super().get_attribute(attribute)
        return found

    def _take(self, count: int) -> bytes:
        reply = self._replies[0]
        taken = bytes(reply[:count])
        del reply[:count]
        if not reply:
            self._replies.popleft()
        return taken

    def _end_char(self) -> bytes:
        attrs = self.attrs
        enabled = attrs.get(ResourceAttribute.termchar_enabled, False)
        if self._is_serial and not enabled:
            end_in = attrs.get(ResourceAttribute.asrl_end_in, constants.SerialTermination.termination_char)
            enabled = end_in == constants.SerialTermination.termination_char
        return bytes([attrs.get(ResourceAttribute.termchar, 10)]) if enabled else b""

    def _timed_out(self) -> VisaIOError:
        self.device.bench.clock.sleep(self._timeout_s() - self._spent_s)
        self._spent_s = 0.0
        self._replies.extend(self._late)
        self._late.clear()
        return VisaIOError(StatusCode.error_timeout)

    def _timeout_s(self) -> float:
        return float(self.attrs.get(ResourceAttribute.timeout_value, 2000)) / 1e3

    def _check_connection(self) -> None:
        if self._is_dropped:
            raise VisaIOError(StatusCode.error_connection_lost)


class BenchLibrary(SimVisaLibrary):  # type: ignore[misc]  # pyvisa-sim has no types
    """A VISA library that holds one bench."""

    def __new__(cls) -> Self:
        """A library of its own each time; pyvisa would hand out one object a path."""
        return cast("Self", VisaLibraryBase.__new__(cls, f"simulated-{next(_numbers)}"))

    def _init(self) -> None:
        self.sessions: dict[int, Any] = {}
        self.devices = Devices()
        self._handles = itertools.count(1)

    def wire(self, bench: SimulatedBench) -> None:
        """Put the bench's instruments into the table of devices.

        Raises:
            InputError: a resource name that is none, or two instruments with one.
        """
        for name, spec in bench.instruments.items():
            try:
                resource_name = str(rname.parse_resource_name(spec.resource))
            except rname.InvalidResourceName as error:
                raise InputError(
                    f'"{spec.resource}" is not a VISA resource',
                    where=name,
                    allowed="TCPIP::127.0.0.1::5025::SOCKET, GPIB0::12::INSTR, ASRL3::INSTR and the like",
                ) from error
            if resource_name in self.devices.list_resources():
                raise InputError(f'two simulated instruments at "{spec.resource}"', where=name)
            self.devices.add_device(resource_name, BenchDevice(bench, name))

    def _register(self, obj: Any) -> Any:  # noqa: ANN401  as pyvisa-sim has it
        handle = next(self._handles)
        self.sessions[handle] = obj
        return handle

    def open(
        self,
        session: Any,  # noqa: ANN401
        resource_name: str,
        access_mode: constants.AccessModes = constants.AccessModes.no_lock,
        open_timeout: Any = constants.VI_TMO_IMMEDIATE,  # noqa: ANN401
    ) -> tuple[Any, StatusCode]:
        """A session to an instrument of the bench; pyvisa's error if there is none of that name."""
        del access_mode, open_timeout
        try:
            parsed = rname.parse_resource_name(resource_name)
            device = self.devices[str(parsed)]
        except rname.InvalidResourceName as error:
            raise VisaIOError(StatusCode.error_invalid_resource_name) from error
        except KeyError as error:
            raise VisaIOError(StatusCode.error_resource_not_found) from error
        return self._register(BenchSession(session, resource_name, parsed, device)), StatusCode.success

    def read(self, session: Any, count: int) -> tuple[bytes, StatusCode]:  # noqa: ANN401
        """Read from a session; pyvisa-sim's own would swallow an AttributeError of the bench."""
        return self._session(session).read(count)

    def write(self, session: Any, data: bytes) -> tuple[int, StatusCode]:  # noqa: ANN401
        """Write to a session."""
        return self._session(session).write(data)

    def clear(self, session: Any) -> StatusCode:  # noqa: ANN401
        """Forget what was sent and not read."""
        return self._session(session).clear()

    def flush(self, session: Any, mask: constants.BufferOperation) -> StatusCode:  # noqa: ANN401
        """Forget what was sent and not read, whichever buffer is named."""
        del mask
        return self._session(session).clear()

    def read_stb(self, session: Any) -> tuple[int, StatusCode]:  # noqa: ANN401
        """Serial poll."""
        return self._session(session).status_byte(), StatusCode.success

    def assert_trigger(self, session: Any, protocol: constants.TriggerProtocol) -> StatusCode:  # noqa: ANN401
        """Trigger, as `*TRG` does."""
        del protocol
        self._session(session).write(b"*TRG\n")
        return StatusCode.success

    def lock(self, session: Any, lock_type: Any, timeout: int, requested_key: Any = None) -> tuple[str, StatusCode]:  # noqa: ANN401
        """Always granted: a bench in process has one user."""
        del session, lock_type, timeout, requested_key
        return "", StatusCode.success

    def unlock(self, session: Any) -> StatusCode:  # noqa: ANN401
        """Nothing to give back."""
        del session
        return StatusCode.success

    def gpib_control_ren(self, session: Any, mode: Any) -> StatusCode:  # noqa: ANN401
        """Remote and local are alike to it."""
        del session, mode
        return StatusCode.success

    def _session(self, handle: Any) -> BenchSession:  # noqa: ANN401
        session = self.sessions.get(handle)
        if not isinstance(session, BenchSession):
            raise VisaIOError(StatusCode.error_invalid_object)
        return session
