"""The simulated bench behind real connections, in real time: TCP sockets on this machine, and serial ports in pairs.

Lines in, lines out; each instrument has a listener of its own on a port that the system chooses. An instrument of the
serial dialect gets a pseudo-terminal where the system has them, else a socket too. Only the loopback is bound.
"""

import contextlib
import os
import select
import socket
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from instruments.simulated.bench import Lines, SimulatedBench

try:
    import termios
    import tty
except ImportError:  # Windows has no pseudo-terminals
    HAS_SERIAL = False
else:
    HAS_SERIAL = True

__all__ = ["HAS_SERIAL", "Served", "serve"]

_HOST = "127.0.0.1"
_CHUNK_N = 4096
_STOP_S = 0.2
_JOIN_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """Where the instruments of a served bench are found: by name, VISA resource, and TCP port where there is one."""

    resources: Mapping[str, str]
    ports: Mapping[str, int]


@contextlib.contextmanager
def serve(bench: SimulatedBench) -> Iterator[Served]:
    """Serve every instrument of a bench until the block is left; then all connections are closed.

    The bench's clock must be the real one, or apertures take no time and nothing ever settles.
    """
    with contextlib.ExitStack() as stack:
        stop = threading.Event()
        stack.callback(stop.set)
        resources, ports = {}, {}
        for name, spec in bench.instruments.items():
            if spec.dialect == "serial" and HAS_SERIAL:
                resources[name] = stack.enter_context(_serial_port(bench, name, stop))
                continue
            ports[name] = stack.enter_context(_listener(bench, name, stop))
            resources[name] = f"TCPIP::{_HOST}::{ports[name]}::SOCKET"
        yield Served(resources=MappingProxyType(resources), ports=MappingProxyType(ports))


class _Conversation:
    """One client and one instrument: bytes in, bytes out."""

    def __init__(self, bench: SimulatedBench, name: str, send: Callable[[bytes], None]) -> None:
        self._bench, self._name, self._send_raw = bench, name, send
        message_ends, self._reply_end = bench.ends(bench.instruments[name])
        self._lines = Lines(message_ends)
        self._lock = threading.Lock()
        self._timers: list[threading.Timer] = []
        self._again = b""  # comes once more before the next reply

    def take(self, data: bytes) -> bool:
        """Answer what is complete; False if the connection is to be dropped."""
        messages, overruns_n = self._lines.feed(data)
        for _ in range(overruns_n):
            self._bench.report(self._name, -363)
        for message in messages:
            reply = self._bench.exchange(self._name, message)
            if reply.is_dropped:
                return False
            if reply.line is None:
                continue
            before, self._again = self._again, reply.line if reply.again == "again, late" else b""
            lines = [line for line in (before, reply.line, reply.line if reply.again == "twice" else b"") if line]
            if reply.late_s:
                timer = threading.Timer(reply.late_s, self._send, (lines,))
                timer.daemon = True
                self._timers.append(timer)
                timer.start()
            else:
                self._send(lines or [b""])
        return True

    def close(self) -> None:
        """No late reply after this."""
        for timer in self._timers:
            timer.cancel()
        for timer in self._timers:
            timer.join(_JOIN_S)

    def _send(self, lines: Sequence[bytes]) -> None:
        with self._lock, contextlib.suppress(OSError):  # a client that has gone needs no reply
            self._send_raw(b"".join(line + self._reply_end for line in lines))


@contextlib.contextmanager
def _listener(bench: SimulatedBench, name: str, stop: threading.Event) -> Iterator[int]:
    with socket.create_server((_HOST, 0)) as listener:
        listener.setblocking(False)
        thread = threading.Thread(
            target=_attend, args=(bench, name, listener, stop), name=f"{name} listener", daemon=True
        )
        thread.start()
        try:
            yield listener.getsockname()[1]
        finally:
            stop.set()
            thread.join(_JOIN_S)


def _attend(bench: SimulatedBench, name: str, listener: socket.socket, stop: threading.Event) -> None:
    """Serve all clients of one instrument in turn, those that came first before those that came later.

    One thread, as in most instruments: with one for each client, what one of them sent before it left could be obeyed
    after the question of the next.
    """
    clients: dict[socket.socket, _Conversation] = {}  # as they came
    try:
        while not stop.is_set():
            ready, _, _ = select.select([*clients, listener], [], [], _STOP_S)
            for client in [each for each in clients if each in ready]:
                if not _hear(client, clients[client]):
                    _drop(client, clients.pop(client))
            if listener in ready:
                with contextlib.suppress(OSError):  # it has gone again
                    client, _ = listener.accept()
                    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    client.settimeout(_STOP_S)
                    clients[client] = _Conversation(bench, name, client.sendall)
    finally:
        for client, conversation in clients.items():
            _drop(client, conversation)


def _hear(client: socket.socket, conversation: _Conversation) -> bool:
    """Take what a client sent; False if it has gone, or is to be dropped."""
    try:
        data = client.recv(_CHUNK_N)
    except TimeoutError:
        return True
    except OSError:
        return False
    return bool(data) and conversation.take(data)


def _drop(client: socket.socket, conversation: _Conversation) -> None:
    conversation.close()
    client.close()


@contextlib.contextmanager
def _serial_port(bench: SimulatedBench, name: str, stop: threading.Event) -> Iterator[str]:
    ours, theirs = os.openpty()
    # Kept open by us as well: else a client that leaves would hang the port up for the next one.
    tty.setraw(theirs, termios.TCSANOW)
    path = os.ttyname(theirs)

    def attend() -> None:
        def send(data: bytes) -> None:
            os.write(ours, data)

        conversation = _Conversation(bench, name, send)
        try:
            while not stop.is_set():
                ready, _, _ = select.select([ours], [], [], _STOP_S)
                # A serial line cannot be dropped by the other side: a dropped reply is silence there.
                if ready:
                    conversation.take(os.read(ours, _CHUNK_N))
        finally:
            conversation.close()

    thread = threading.Thread(target=attend, name=f"{name} serial", daemon=True)
    thread.start()
    try:
        yield f"ASRL{path}::INSTR"
    finally:
        stop.set()
        thread.join(_JOIN_S)
        os.close(ours)
        os.close(theirs)
